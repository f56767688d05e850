"""The stated cost of a lookup's code is that of the compiled code."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from tables import (
    changed,
    chebyshev_table_of,
    even_table,
    patch_table,
    polynomial_table_of,
    segment_table,
    step_table,
)

from tcomp.firmware.c_lookup import COSTED, CodeCost, code_cost
from tcomp.firmware.exporter import Stamp
from tcomp.firmware.exporters.c99 import c_source
from tcomp.proof.avr import avr_lookup_cost, why_no_avr
from tcomp.proof.bare_metal import lookup_cost
from tcomp.proof.targets import why_not
from tcomp.tables.code_scale import TemperatureScale
from tcomp.tables.layout import CorrectionTable
from tcomp.tables.layouts.polynomial import Polynomial

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("curve", 3.25),), "ramps to 1 degC/min")
COMMON: dict[str, Any] = {
    "scale": TemperatureScale(100), "low_code": -500, "high_code": 250, "unit_log2_ppt": 3, "max_error_ppb": 2.5,
    "rms_error_ppb": 1.0,
}  # fmt: skip
WHOLE: dict[str, Any] = {"low_code": -32768, "high_code": 32767}
STEEP = (32767, -32767, 32767, -32767)
STEPS = step_table(
    first_code=-512, step_log2=8, interpolation="linear", entry_bits=16, entries=(-300, 20, 1000, 7), **COMMON
)
COARSE = changed(STEPS, low_code=-16000, high_code=16000, first_code=-16384, step_log2=13, entries=(-300, 20, 9, 7, 8))
EVEN = even_table(
    first_code=-512,
    codes_to_index_q16=222,
    interpolation="linear",
    entry_bits=16,
    entries=(-300, 20, 1000, 7),
    **COMMON,
)
ON_POLYNOMIAL = changed(EVEN, entry_bits=8, entries=(1, -2, 3, 4), polynomial=Polynomial(0, 6, (8191, -1234, -16384)))
SEGMENTS = segment_table(
    starts=(-512, -256, 0, 128), step_log2s=(8, 6, 7, 8), entry_bits=16, entries=(3, -32, 7, -5, 6, -3, -7, 8), **COMMON
)
POLYNOMIAL = polynomial_table_of(middle_code=-125, shift=6, entry_bits=16, entries=(1000, -2000, 3000, -4000), **COMMON)
CHEBYSHEV = chebyshev_table_of(
    middle_code=-125, codes_to_x=87, fine_bits=0, base=-321, entry_bits=16, entries=(1000, -2000, 3000, -4000), **COMMON
)
PATCHES = patch_table(
    middle_code=-125, codes_to_x=87, fine_bits=0, base=-321, factors=(1000, -2000, 3000), starts=(-100,), counts=(5,),
    codes_to_index_q16s=(1311,), entry_shift=3, entry_bits=8, entries=(-1, 127, -128, 127, 9), **COMMON,
)  # fmt: skip
# Products and loads by reading the C of each.
TABLES: dict[str, tuple[CorrectionTable, int, int]] = {
    "steps": (STEPS, 1, 2),
    "steps, all codes": (
        changed(STEPS, step_log2=14, first_code=-32768, entries=(1, -2, 3, -4, 5), **WHOLE), 1, 2
    ),
    "coarse steps": (COARSE, 1, 2),
    "steep steps": (changed(STEPS, entries=STEEP), 2, 2),
    "steps, 32 bits": (changed(STEPS, entry_bits=32), 2, 2),
    "nearest": (changed(STEPS, interpolation="nearest"), 0, 1),
    "even": (EVEN, 2, 2),
    "steep even": (changed(EVEN, entries=STEEP), 3, 2),
    "even, 32 bits": (changed(EVEN, entry_bits=32), 3, 2),
    "even, nearest": (changed(EVEN, interpolation="nearest"), 1, 1),
    "even, quadratic": (changed(EVEN, interpolation="quadratic", entries=(1, 2, 3, 9, 8)), 3, 3),
    "even on a polynomial": (ON_POLYNOMIAL, 4, 5),
    "even, nearest on a polynomial": (changed(ON_POLYNOMIAL, interpolation="nearest"), 3, 4),
    "four segments": (SEGMENTS, 1, 2),
    "two segments": (
        changed(SEGMENTS, starts=(-512, 0), step_log2s=(6, 8), entries=(3, 2, 1, 0, 5, 6, 7, 8, 9, 10)), 1, 2
    ),
    "segments, 32 bits": (changed(SEGMENTS, entry_bits=32), 2, 2),
    "polynomial": (POLYNOMIAL, 3, 4),
    "polynomial, 32 bits": (changed(POLYNOMIAL, entry_bits=32), 3, 4),
    "Chebyshev": (CHEBYSHEV, 10, 4),
    "Chebyshev, degree 9": (changed(CHEBYSHEV, entries=(900, -400, 300, 4, -50, 60, -700, 80, 90)), 20, 9),
    "Chebyshev, 32 bits": (changed(CHEBYSHEV, fine_bits=6, base=123456, unit_log2_ppt=0), 10, 4),
    "a patch": (PATCHES, 10, 5),
    "a patch, 32 bits": (changed(PATCHES, fine_bits=6, base=-123456, unit_log2_ppt=0), 10, 5),
    "three patches": (
        changed(PATCHES, starts=(-300, -100, 100), counts=(2, 2, 2), codes_to_index_q16s=(656, 1000, 3000),
        entries=(1, 2, 3, 4, 5, 6)), 10, 5
    ),
}  # fmt: skip
each_table = pytest.mark.parametrize("name", TABLES)


def within(stated_bytes: int, measured_bytes: int) -> bool:
    """Within a fifth, or 12 bytes: offsets and spans are constants that take one instruction or three."""
    return abs(stated_bytes - measured_bytes) <= max(12, 0.2 * measured_bytes)


def sources_of(name: str) -> dict[str, str]:
    sources = c_source(TABLES[name][0], "t", corrections=(), stamp=STAMP)
    return {file: sources[file] for file in ("t.h", "t.c")}


def quick_enough(stated: int, measured: int) -> bool:
    """Within a fifth, or 12 cycles: an emulated processor's branches depend on the code."""
    return abs(stated - measured) <= max(12, 0.2 * measured)


@pytest.mark.skipif(bool(why_not("cortex-m0plus")), reason=why_not("cortex-m0plus") or "-")
@pytest.mark.parametrize("target", COSTED[:3])
@each_table
def test_the_cost_stated_is_that_of_the_compiled_code(name: str, target: str, tmp_path: Path) -> None:
    measured = lookup_cost(target, sources_of(name), "t", tmp_path, stride=97)
    stated, place = code_cost(TABLES[name][0]), COSTED.index(target)
    assert within(stated.bytes_on[place], measured.code_bytes), (stated, measured)
    # Cycles where the processor's manual says them, else instructions.
    largest = (measured.cycles or measured.instructions).largest
    assert quick_enough(stated.cycles_on[place], largest), (stated, measured)


@pytest.mark.skipif(bool(why_no_avr()), reason=why_no_avr() or "-")
@each_table
def test_the_cost_stated_for_avr_is_that_of_the_compiled_code(name: str, tmp_path: Path) -> None:
    measured = avr_lookup_cost(sources_of(name), "t", tmp_path, stride=97)
    stated = code_cost(TABLES[name][0])
    assert measured.cycles is not None
    assert within(stated.avr_bytes, measured.code_bytes), (stated, measured)
    assert quick_enough(stated.cycles_on[3], measured.cycles.largest), (stated, measured)


@each_table
def test_products_and_loads_are_those_of_the_c(name: str) -> None:
    table, products, loads = TABLES[name]
    cost = code_cost(table)
    assert (cost.products, cost.loads) == (products, loads)


def test_a_wrong_statement_would_be_found() -> None:
    assert not within(68 + 28, 68)
    assert not quick_enough(35 + 13, 35)
    one = CodeCost((1, 2, 3, 4), (5, 6, 7, 8), 9, 10)
    assert one + one == one * 2 == CodeCost((2, 4, 6, 8), (10, 12, 14, 16), 18, 20)
