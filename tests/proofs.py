"""Several tables in one program, so that a compiler is started once for all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from tcomp.firmware.exporter import Stamp
from tcomp.firmware.exporters.c99 import c_source
from tcomp.proof.expected import Expected, all_cases
from tcomp.tables.layout import CorrectionTable

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("curve", 3.25),), "ramps to 1 degC/min")
Edit = Callable[[dict[str, str]], dict[str, str]]


def together(
    tables: Iterable[CorrectionTable], corrections: tuple[str, ...] = (), edits: Iterable[Edit] = (), **options: str
) -> tuple[dict[str, str], tuple[Expected, ...]]:
    """Sources of all tables as one text for the compiler, and what each must answer.

    ``edits`` plant a fault each in the sources of the table of the same number, whose symbol is "t" and that number;
    ``options`` are further ones of ``c_source``.
    """
    sources: dict[str, str] = {}
    expected, changes = [], list(edits)
    for number, table in enumerate(tables):
        symbol = f"t{number}"
        own = c_source(table, symbol, corrections=corrections, stamp=STAMP, **options)  # type: ignore[arg-type]
        sources |= changes[number](own) if changes else own
        expected.append(Expected(table, all_cases(table, corrections), symbol))
    return as_one(sources), tuple(expected)


def as_one(sources: dict[str, str]) -> dict[str, str]:
    """The same with one file to compile, which includes the others."""
    parts = {name.removesuffix(".c") + ".part": text for name, text in sources.items() if name.endswith(".c")}
    headers = {name: text for name, text in sources.items() if name.endswith(".h")}
    return headers | parts | {"all.c": "".join(f'#include "{name}"\n' for name in parts)}


def planted(sources: dict[str, str], file: str, right: str, wrong: str) -> dict[str, str]:
    """The sources with a fault in a file, where the right text stands once."""
    assert sources[file].count(right) == 1, (file, right, sources[file].count(right))
    return sources | {file: sources[file].replace(right, wrong)}
