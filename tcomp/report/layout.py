"""Rows and columns as lines: as wide as the terminal, and in a pipe a row is a line."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

Row = tuple[str, str]
"""A name, and the value that stands to the right of it."""

MIN_WIDTH = 12
"""Characters that a column of words keeps on the narrowest terminal."""


@dataclass(frozen=True)
class Columns:
    """Several values in a row: ``words`` are the columns set to the left, which are wrapped where there is no room."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: tuple[int, ...] = (0,)


Part = Iterable[Row] | Columns | str
"""Of one screen: names with values, columns, or a sentence."""


def laid_out(parts: Iterable[Part], width: int | None = None) -> str:
    """The parts below each other, a blank line between them.

    >>> print(laid_out([[("curve", "cubic")], "Note the sign."]))
    curve  cubic
    <BLANKLINE>
    Note the sign.
    """
    return "\n\n".join(_text(part, width) for part in parts)


def mapped(part: Part, change: Callable[[str], str]) -> Part:
    """A part with each of its texts changed; what comes from a file may have to be spelt out."""
    if isinstance(part, str):
        return change(part)
    if isinstance(part, Columns):
        rows = tuple(tuple(change(cell) for cell in row) for row in part.rows)
        return Columns(part.head, rows, part.words)
    return [(change(name), change(value)) for name, value in part]


def _text(part: Part, width: int | None) -> str:
    if isinstance(part, str):
        return "\n".join(_lines(part, width))
    return columns_text(part, width) if isinstance(part, Columns) else aligned(part, width)


def aligned(rows: Iterable[Row], width: int | None = None) -> str:
    """Rows as lines, values below each other; a value that has no room goes on below itself.

    >>> print(aligned([("curve", "cubic about the inflection temperature"), ("lag", "169 s")], 28))
    curve  cubic about the
           inflection
           temperature
    lag    169 s
    """
    rows = list(rows)
    names = max(len(name) for name, _ in rows)
    lines = []
    for name, value in rows:
        first, *others = _lines(value, width and max(MIN_WIDTH, width - names - 2))
        lines += [f"{name:<{names}}  {first}", *(" " * (names + 2) + other for other in others)]
    return "\n".join(line.rstrip() for line in lines)


def columns_text(columns: Columns, width: int | None = None) -> str:
    """Columns as lines, with their heads.

    >>> print(columns_text(Columns(("option", "price"), (("crystal with the table", "0"), ("oven", "25"))), 23))
    option            price
    crystal with the      0
      table
    oven                 25
    """
    cells = [columns.head, *columns.rows]
    widths = [max(len(line) for cell in column for line in cell.split("\n")) for column in zip(*cells, strict=True)]
    widths = _narrowed(widths, columns.words, width)
    return "\n".join(line for row in cells for line in _row_lines(row, widths, columns.words))


def _narrowed(widths: Sequence[int], words: tuple[int, ...], width: int | None) -> list[int]:
    """The widest column of words gives room, as long as there is too little."""
    found, room = list(widths), (width or sum(widths) + 2 * len(widths)) - 2 * (len(widths) - 1)
    while sum(found) > room and any(found[at] > MIN_WIDTH for at in words):
        found[max(words, key=lambda at: found[at])] -= 1
    return found


def _row_lines(row: Sequence[str], widths: Sequence[int], words: tuple[int, ...]) -> list[str]:
    wrapped = [_cell_lines(cell, room) for cell, room in zip(row, widths, strict=True)]
    lines = []
    for at in range(max(len(cell) for cell in wrapped)):
        shown = [cell[at] if at < len(cell) else "" for cell in wrapped]
        placed = (
            f"{text:<{room}}" if column in words else f"{text:>{room}}"
            for column, (text, room) in enumerate(zip(shown, widths, strict=True))
        )
        lines.append("  ".join(placed).rstrip())
    return lines


def _cell_lines(cell: str, room: int) -> list[str]:
    return [line for part in cell.split("\n") for line in _lines(part, room, "  ")]


def _lines(text: str, width: int | None, indent: str = "") -> list[str]:
    if width is None or len(text) <= width:
        return [text]
    return textwrap.wrap(text, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
