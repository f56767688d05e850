"""The stated cost of a lookup's code is that of the compiled code."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tcomp.firmware.c_source import c_source
from tcomp.firmware.code_size import CodeCost, code_cost
from tcomp.firmware.stamp import Stamp
from tcomp.proof.avr import avr_lookup_cost, why_no_avr
from tcomp.proof.bare_metal import lookup_cost
from tcomp.proof.targets import why_not
from tcomp.table.breakpoint_table import BreakpointTable
from tcomp.table.code_scale import TemperatureScale
from tcomp.table.even_table import EvenTable
from tcomp.table.lookup import CorrectionTable
from tcomp.table.polynomial import Polynomial, PolynomialTable
from tcomp.table.segment_table import SegmentTable
from tcomp.table.step_table import StepTable

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("curve", 3.25),), "ramps to 1 degC/min")
COMMON: dict[str, Any] = {
    "scale": TemperatureScale(100), "low_code": -500, "high_code": 250, "unit_log2_ppt": 3, "max_error_ppb": 2.5,
    "rms_error_ppb": 1.0,
}  # fmt: skip
WHOLE: dict[str, Any] = {"low_code": -32768, "high_code": 32767}
STEEP = (32767, -32767, 32767, -32767)
STEPS = StepTable(
    first_code=-512, step_log2=8, interpolation="linear", entry_bits=16, entries=(-300, 20, 1000, 7), **COMMON
)
COARSE = replace(STEPS, low_code=-16000, high_code=16000, first_code=-16384, step_log2=13, entries=(-300, 20, 9, 7, 8))
EVEN = EvenTable(
    first_code=-512, pace=222, interpolation="linear", entry_bits=16, entries=(-300, 20, 1000, 7), **COMMON
)
ON_POLYNOMIAL = replace(EVEN, entry_bits=8, entries=(1, -2, 3, 4), polynomial=Polynomial(0, 6, (8191, -1234, -16384)))
SEGMENTS = SegmentTable(
    starts=(-512, -256, 0, 128), step_log2s=(8, 6, 7, 8), entry_bits=16, entries=(3, -32, 7, -5, 6, -3, -7, 8), **COMMON
)
BREAKPOINTS = BreakpointTable(
    knots=(-510, -300, -290, -287, 0, 2, 251), entry_bits=16, entries=(-300, 20, 1000, 7, -9000, 8, 9), **COMMON
)
POLYNOMIAL = PolynomialTable(middle_code=-125, shift=6, entry_bits=16, entries=(1000, -2000, 3000, -4000), **COMMON)
# Products and loads by reading the C of each.
TABLES: dict[str, tuple[CorrectionTable, int, int]] = {
    "steps": (STEPS, 1, 2),
    "steps, all codes": (
        replace(STEPS, step_log2=14, first_code=-32768, entries=(1, -2, 3, -4, 5), **WHOLE), 1, 2
    ),
    "coarse steps": (COARSE, 1, 2),
    "steep steps": (replace(STEPS, entries=STEEP), 2, 2),
    "steps, 32 bits": (replace(STEPS, entry_bits=32), 2, 2),
    "nearest": (replace(STEPS, interpolation="nearest"), 0, 1),
    "even": (EVEN, 2, 2),
    "steep even": (replace(EVEN, entries=STEEP), 3, 2),
    "even, 32 bits": (replace(EVEN, entry_bits=32), 3, 2),
    "even, nearest": (replace(EVEN, interpolation="nearest"), 1, 1),
    "even, quadratic": (replace(EVEN, interpolation="quadratic", entries=(1, 2, 3, 9, 8)), 3, 3),
    "even on a polynomial": (ON_POLYNOMIAL, 4, 5),
    "even, nearest on a polynomial": (replace(ON_POLYNOMIAL, interpolation="nearest"), 3, 4),
    "four segments": (SEGMENTS, 1, 2),
    "two segments": (
        replace(SEGMENTS, starts=(-512, 0), step_log2s=(6, 8), entries=(3, 2, 1, 0, 5, 6, 7, 8, 9, 10)), 1, 2
    ),
    "segments, 32 bits": (replace(SEGMENTS, entry_bits=32), 2, 2),
    "breakpoints": (BREAKPOINTS, 2, 3 + 2 + 2),
    "breakpoints, 32 bits": (replace(BREAKPOINTS, entry_bits=32), 3, 3 + 2 + 2),
    "polynomial": (POLYNOMIAL, 3, 4),
    "polynomial, 32 bits": (replace(POLYNOMIAL, entry_bits=32), 3, 4),
}  # fmt: skip
each_table = pytest.mark.parametrize("name", TABLES)


def within(stated_bytes: int, measured_bytes: int) -> bool:
    """Within a fifth, or 12 bytes: offsets and spans are constants that take one instruction or three."""
    return abs(stated_bytes - measured_bytes) <= max(12, 0.2 * measured_bytes)


def sources_of(name: str) -> dict[str, str]:
    sources = c_source(TABLES[name][0], "t", corrections=(), stamp=STAMP)
    return {file: sources[file] for file in ("t.h", "t.c")}


@pytest.mark.skipif(bool(why_not("cortex-m0plus")), reason=why_not("cortex-m0plus") or "-")
@each_table
def test_the_bytes_stated_for_a_cortex_m0plus_are_those_compiled(name: str, tmp_path: Path) -> None:
    measured = lookup_cost("cortex-m0plus", sources_of(name), "t", tmp_path, stride=97).code_bytes
    assert within(code_cost(TABLES[name][0]).flash_bytes, measured), (code_cost(TABLES[name][0]), measured)


@pytest.mark.skipif(bool(why_no_avr()), reason=why_no_avr() or "-")
@each_table
def test_the_bytes_stated_for_avr_are_those_compiled(name: str, tmp_path: Path) -> None:
    measured = avr_lookup_cost(sources_of(name), "t", tmp_path, stride=97).code_bytes
    assert within(code_cost(TABLES[name][0]).avr_bytes, measured), (code_cost(TABLES[name][0]), measured)


@each_table
def test_products_and_loads_are_those_of_the_c(name: str) -> None:
    table, products, loads = TABLES[name]
    cost = code_cost(table)
    assert (cost.products, cost.loads) == (products, loads)


def test_a_wrong_statement_would_be_found() -> None:
    assert not within(68 + 28, 68)
    assert code_cost(STEPS) + CodeCost(1, 2, 3, 4) == CodeCost(69, 112, 4, 6)
