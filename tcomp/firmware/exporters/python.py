"""The table as a module of Python that imports nothing: for Python 3, MicroPython and CircuitPython."""

from __future__ import annotations

import keyword

from tcomp.firmware.corrections import Correction
from tcomp.firmware.exporter import Export, Exporter, Files
from tcomp.firmware.integer_lookup import SMALL_LIMIT, integer_lookup
from tcomp.firmware.integer_statements import Spelling
from tcomp.firmware.program import chosen_corrections, entry_lines, filled, program_names, vectors

FUNCTIONS = ("true_frequency", "true_interval", "tuning_word", "tuning_word_48")
INDENT = "    "


class PythonSpelling(Spelling):
    """Statements as Python has them."""

    def entry(self, place: str) -> str:
        """An entry of the table."""
        return f"ENTRIES[{place}]"

    def let(self, name: str, value: str) -> list[str]:
        """An assignment."""
        return [f"{name} = {value}"]

    def held(self, name: str, value: str, least: int | None, largest: int | None) -> list[str]:
        """The value, then what takes its place at the ends."""
        lines = [f"{name} = {value}"]
        if least is not None:
            lines += [f"if {name} < {least}:", f"{INDENT}{name} = {least}"]
        if largest is not None:
            lines += [f"{'elif' if least is not None else 'if'} {name} > {largest}:", f"{INDENT}{name} = {largest}"]
        return lines

    def choice(self, names: tuple[str, ...], conditions: list[str], cases: list[list[str]]) -> list[str]:
        """Branches."""
        heads = [f"{'elif' if place else 'if'} {condition}:" for place, condition in enumerate(conditions)]
        lines = []
        for head, case in zip([*heads, "else:"], cases, strict=True):
            lines += [head, *(f"{INDENT}{name} = {value}" for name, value in zip(names, case, strict=True))]
        return lines


def python_source(export: Export) -> dict[str, str]:
    """Write a table, its lookup and the corrections asked for as Python.

    Returns
    -------
    dict of str to str
        Text of ``SYMBOL.py`` and ``SYMBOL_selftest.py``, by file name.

    Raises
    ------
    FirmwareError
        The symbol will not do, a correction is unknown, or no statements read a table of this form.
    """
    corrections = chosen_corrections(export, "Python", FUNCTIONS)
    lookup, spelling = integer_lookup(export.table, SMALL_LIMIT), PythonSpelling()
    statements = [*spelling.lines(lookup), f"return {spelling.text(lookup.result)}"]
    most_ppt = max(map(abs, export.table.offset_ppt(export.table.codes).tolist()))
    names = program_names(export, corrections, "#", ".") | {
        "statements": "\n".join(INDENT + line for line in statements),
        "entries": entry_lines(export.table),
        "width_words": _width_words(max(lookup.largest, most_ppt) < SMALL_LIMIT, corrections),
    }
    text = filled("table.py.txt", names)
    if corrections:
        text += filled("exact.py.txt", names)
    for one in corrections:
        text += filled(f"{one.function}.py.txt", names | {"least": one.least, "largest": one.largest})
    return {f"{export.symbol}.py": text, f"{export.symbol}_selftest.py": _selftest(export, corrections, names)}


def _width_words(small: bool, corrections: tuple[Correction, ...]) -> str:
    lookup = (
        "# Every number of a lookup lies within 31 bits, signed: small integers, for which no memory is taken."
        if small
        else "# A lookup has numbers of more than 31 bits: the board's Python must have long integers."
    )
    return lookup + (
        "\n# The corrections take long integers, which some small boards leave out." if corrections else ""
    )


def _selftest(export: Export, corrections: tuple[Correction, ...], names: dict[str, object]) -> str:
    found = vectors(export.table, corrections)
    counts: dict[str, int] = {}
    for function, _, _ in found:
        counts[function] = counts.get(function, 0) + 1
    rows = [f'    ("{function}", {arguments}, {expected}),' for function, arguments, expected in found]
    words = ", ".join(f"{count} of {function}" for function, count in counts.items())
    return filled("selftest.py.txt", names | {"numbering": f"# Vectors: {words}.", "vectors": "\n".join(rows)})


def _files(export: Export) -> Files:
    return dict(python_source(export))


EXPORTER = Exporter(format="python", files=_files, language="Python", reserved=frozenset(keyword.kwlist))
