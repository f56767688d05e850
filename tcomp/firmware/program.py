"""What the programs in other languages than C share: their templates, the paragraphs of their comments, and their vectors."""

from __future__ import annotations

import re
from functools import cache
from importlib.resources import files
from string import Template

from tcomp.errors import FirmwareError
from tcomp.firmware.corrections import CORRECTIONS, Correction, check_corrections
from tcomp.firmware.exporter import Export
from tcomp.firmware.exporters.c99 import common_names, correction_vectors, describe, lookup_codes
from tcomp.firmware.symbol import check_symbol
from tcomp.tables.layout import CorrectionTable

ENTRIES_A_LINE = 12
Vector = tuple[str, tuple[int, ...], int]
"""A function, its arguments, and what it must return."""


def chosen_corrections(export: Export, language: str, known: tuple[str, ...]) -> tuple[Correction, ...]:
    """The corrections asked for, in the order of the catalogue.

    Raises
    ------
    FirmwareError
        The symbol will not do, or the language has no such correction.
    """
    check_symbol(export.symbol)
    check_corrections(export.corrections)
    chosen = tuple(one for name, one in CORRECTIONS.items() if name in export.corrections)
    for one in chosen:
        if one.function not in known:
            raise FirmwareError(
                f'there is no {language} for the correction "{one.name}"; leave it out of [firmware] correct, or the '
                f"language out of [firmware] formats"
            )
    return chosen


def program_names(export: Export, corrections: tuple[Correction, ...], mark: str, dot: str) -> dict[str, object]:
    """What fills in the templates of every language.

    Parameters
    ----------
    mark : str
        What a comment line begins with.
    dot : str
        What stands between the symbol and a function.
    """
    names = common_names(export.table, export.symbol)
    described = describe(export.table, export.symbol, corrections, export.stamp)
    functions = re.compile(rf"\b{export.symbol}_(?=\w+\()")
    texts = {
        name: functions.sub(export.symbol + dot, re.sub("^ [*]", mark, text, flags=re.MULTILINE))
        for name, text in described.items()
    }
    return names | texts


def entry_lines(table: CorrectionTable, indent: str = "    ") -> str:
    """The entries, a dozen in a line, a comma behind each."""
    texts = [f"{entry}," for entry in table.entries]
    width = max(map(len, texts))
    rows = (texts[start : start + ENTRIES_A_LINE] for start in range(0, len(texts), ENTRIES_A_LINE))
    return "\n".join(indent + " ".join(f"{text:>{width}}" for text in row) for row in rows)


def vectors(table: CorrectionTable, corrections: tuple[Correction, ...]) -> list[Vector]:
    """What a program is asked by its own test, and must answer."""
    found: list[Vector] = []
    for code in lookup_codes(table):
        found.append(("lookup", (code,), int(table.lookup(code))))
        found.append(("offset_ppt", (code,), int(table.offset_ppt(code))))
    for correction in corrections:
        for given, offset_ppt in correction_vectors(table, correction):
            found.append((correction.function, (given, offset_ppt), correction.specification(given, offset_ppt)))
    return found


def filled(template: str, names: dict[str, object]) -> str:
    """The text of a template."""
    return _template(template).substitute(names)


@cache
def _template(name: str) -> Template:
    return Template((files("tcomp.firmware") / "templates" / name).read_text(encoding="ascii"))
