"""Table of what a lookup costs: the exported table of the river gauge, and a polynomial in floats beside it.

python benchmarks/lookup_cycles.py
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from tcomp.proof.avr import avr_compiler, avr_lookup_cost
from tcomp.proof.bare_metal import lookup_cost, zig_compiler
from tcomp.proof.measured import LookupCost, Spread
from tcomp.proof.targets import TARGETS, why_not
from tcomp.table import CorrectionTable, read_table

EXPORTED = Path(__file__).parent.parent / "firmware_export"
DEGREE = 5
HORNER_STRIDE = 16
"""Floats take some thousand instructions a code: every 16th is counted."""


def table_sources() -> dict[str, str]:
    """The table as it was exported."""
    return {name: (EXPORTED / name).read_text(encoding="ascii") for name in ("gauge07.h", "gauge07.c")}


def horner_sources(table: CorrectionTable) -> dict[str, str]:
    """A polynomial of degree 5 through the table's values, in floats, rounded; codes held at the range's ends."""
    middle = (table.low_code + table.high_code) / 2
    half = (table.high_code - table.low_code) / 2
    codes = table.codes
    # Highest power first, as Horner's rule takes them.
    coefficients = [f"{value:.9e}f" for value in np.polyfit((codes - middle) / half, table.lookup(codes), DEGREE)]
    nested = coefficients[0]
    for coefficient in coefficients[1:]:
        nested = f"({nested}) * x + {coefficient}"
    body = f"""#include "horner.h"

int16_t horner_lookup(int16_t code)
{{
    const int16_t low = code < {table.low_code} ? (int16_t){table.low_code} : code;
    const int16_t held = low > {table.high_code} ? (int16_t){table.high_code} : low;
    const float x = ((float)held - {middle:.9e}f) * {1 / half:.9e}f;
    const float y = {nested};
    return (int16_t)(y + (y < 0.0f ? -0.5f : 0.5f));
}}
"""
    return {"horner.h": "#include <stdint.h>\nint16_t horner_lookup(int16_t code);\n", "horner.c": body}


def cost_on(target: str, sources: dict[str, str], symbol: str, stride: int) -> LookupCost:
    """Count a lookup on one target."""
    with tempfile.TemporaryDirectory() as folder:
        if target == "avr":
            return avr_lookup_cost(sources, symbol, Path(folder), stride)
        return lookup_cost(target, sources, symbol, Path(folder), stride)


def spread_text(spread: Spread | None) -> str:
    """Least, mean and largest."""
    return "" if spread is None else f"{spread.least} / {spread.mean:.1f} / {spread.largest}"


def row(target: str, form: str, cost: LookupCost, compiler: str) -> str:
    """One line of the table."""
    cells = (
        target,
        form,
        spread_text(cost.instructions),
        spread_text(cost.cycles),
        str(cost.code_bytes),
        f"{cost.table_bytes}{' (and in RAM)' if cost.table_in_ram else ''}",
        compiler,
    )
    return f"| {' | '.join(cells)} |"


def main() -> None:
    """Print the table in Markdown; a target that this machine cannot run gets a line that says so."""
    table = read_table(EXPORTED / "gauge07.json")
    forms = {"table": (table_sources(), "gauge07", 1), "float Horner": (horner_sources(table), "horner", HORNER_STRIDE)}
    print("| target | form | instructions | cycles | code, bytes | table, bytes | compiler, -Os |")
    print("|---|---|---|---|---|---|---|")
    for target in TARGETS:
        if reason := why_not(target):
            print(f"| {target} | not run: {reason} | | | | | |")
            continue
        compiler = avr_compiler() if target == "avr" else zig_compiler()
        for form, (sources, symbol, stride) in forms.items():
            cost = cost_on(target, sources, symbol, stride)
            print(row(target, form, cost, f"{compiler.name}, {compiler.version}"), flush=True)


if __name__ == "__main__":
    main()
