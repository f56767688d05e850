"""The C equals the specification for tables of every kind, and a planted fault is found each time."""

from __future__ import annotations

import json
import os
import re
from dataclasses import replace
from importlib.util import find_spec
from typing import Any

import numpy as np
import pytest

from tcomp.errors import FirmwareError, ProofError
from tcomp.firmware.c_source import c_source
from tcomp.firmware.corrections import CORRECTIONS
from tcomp.firmware.stamp import Stamp
from tcomp.firmware.vectors import correction_vectors, lookup_codes
from tcomp.job import Sensor
from tcomp.proof import build
from tcomp.proof.bit_exact import Proof, prove
from tcomp.proof.compilers import Compiler, find_compilers
from tcomp.table.breakpoint_table import BreakpointTable
from tcomp.table.code_scale import AdcScale, TemperatureScale
from tcomp.table.even_table import EvenTable
from tcomp.table.lookup import CorrectionTable
from tcomp.table.polynomial import Polynomial, PolynomialTable
from tcomp.table.segment_table import SegmentTable
from tcomp.table.step_table import StepTable

COMPILERS = [
    *find_compilers()[:1],
    *(compiler for compiler in find_compilers()[1:] if compiler.name == "zig cc"),
]
if os.environ.get("CI") and find_spec("ziglang") is not None:
    assert COMPILERS, "the proofs would be skipped"
pytestmark = pytest.mark.skipif(not COMPILERS, reason="needs a C compiler")
each_compiler = pytest.mark.parametrize("compiler", COMPILERS, ids=lambda compiler: compiler.name)

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("curve", 3.25),), "ramps to 1 degC/min")
HOSTILE = Stamp("??/", "*/", '*/ int x = 1; /* ??/\n"', (("*/ #error ??/", 1.0),), "//\\")
ALL = ("frequency", "interval", "tuning-word")
TABLE = StepTable(
    scale=TemperatureScale(100),
    low_code=-500,
    high_code=250,
    first_code=-512,
    step_log2=8,
    entry_bits=16,
    unit_log2_ppt=3,
    interpolation="linear",
    entries=(-300, 20, 1000, 7),
    max_error_ppb=2.5,
    rms_error_ppb=1.0,
)
LEAST, LARGEST = -(2**31), 2**31 - 1
# An invented sensor that is straight and gives every code of 16 bits, so that the tables can fill the type.
RAW = AdcScale(Sensor("linear", degc_per_count=-0.002, offset_c=100.0))
RAW_TABLE = replace(TABLE, scale=RAW, low_code=40000, high_code=40700, first_code=39990)
COMMON = {"scale": TABLE.scale, "unit_log2_ppt": 3, "max_error_ppb": 2.5, "rms_error_ppb": 1.0}
WHOLE: dict[str, Any] = {"low_code": -32768, "high_code": 32767}
RAW_WHOLE: dict[str, Any] = {"scale": RAW, "low_code": 0, "high_code": 65535}
EVEN = EvenTable(
    low_code=-500, high_code=250, first_code=-512, pace=222, interpolation="linear", entry_bits=16,
    entries=(-300, 20, 1000, 7), **COMMON,
)  # fmt: skip
# 1 - 2 x**2 and a little of x, in units of 1/8192; x goes from -0.98 to 0.49.
CURVE = Polynomial(0, 6, (8191, -1234, -16384))
SEGMENTS = SegmentTable(
    low_code=-500, high_code=250, starts=(-512, -256, -192, 100), step_log2s=(8, 4, 2, 7), entry_bits=16,
    entries=tuple(int(9000 * np.sin(0.7 * k)) for k in range(81)), **COMMON,
)  # fmt: skip
BREAKPOINTS = BreakpointTable(
    low_code=-500, high_code=250, knots=(-510, -300, -290, -287, 0, 2, 251), entry_bits=16,
    entries=(-300, 20, 1000, 7, -9000, 8, 9), **COMMON,
)  # fmt: skip
POLYNOMIAL = PolynomialTable(
    low_code=-500, high_code=250, middle_code=-125, shift=6, entry_bits=16,
    entries=(1000, -2000, 3000, -4000, 5000), **COMMON,
)  # fmt: skip
TABLES = {
    "plain": TABLE,
    "int16 extremes": replace(TABLE, entries=(32767, -32768, 32767, -32768), unit_log2_ppt=16),
    "int32 extremes": replace(TABLE, entry_bits=32, entries=(LARGEST, LEAST, LARGEST, LEAST), unit_log2_ppt=0),
    "widest step": replace(
        TABLE, step_log2=15, low_code=-32768, high_code=32767, first_code=-32768, entries=(32767, -32768, 32767)
    ),
    "widest step, 32 bits": replace(
        TABLE,
        step_log2=15,
        low_code=-32768,
        high_code=32767,
        first_code=-32768,
        entry_bits=32,
        unit_log2_ppt=0,
        entries=(LEAST, LARGEST, LEAST),
    ),
    "knots below the least code": replace(
        TABLE, step_log2=15, low_code=-32768, high_code=-3, first_code=-65536, entries=(9, -9, 9)
    ),
    "a knot at every code": replace(TABLE, step_log2=0, low_code=-2, high_code=1, first_code=-2),
    "steps of two": replace(TABLE, step_log2=1, low_code=-2, high_code=4, first_code=-2),
    "nearest": replace(TABLE, interpolation="nearest"),
    "nearest, whole int16": replace(
        TABLE,
        interpolation="nearest",
        step_log2=13,
        low_code=-32768,
        high_code=32767,
        first_code=-28672,
        entries=(1, -2, 3, -4, 5, -6, 7, -8),
    ),
    "nearest, 32 bits": replace(TABLE, interpolation="nearest", entry_bits=32, entries=(LEAST >> 3, 1, -1, 2**28 - 1)),
    "one entry": replace(TABLE, low_code=-512, high_code=-512, entries=(-7,)),
    "one entry, nearest": replace(TABLE, interpolation="nearest", step_log2=15, entries=(-7,), first_code=0),
    "two entries": replace(TABLE, low_code=-511, high_code=-300, entries=(-7, 8)),
    "nothing but zero": replace(TABLE, entries=(0, 0, 0, 0)),
    "raw codes": RAW_TABLE,
    "raw codes, knots below 0": replace(RAW_TABLE, low_code=0, high_code=600, first_code=-100),
    "raw codes, whole uint16": replace(
        RAW_TABLE, step_log2=15, low_code=0, high_code=65535, first_code=0, entries=(32767, -32768, 32767)
    ),
    "raw codes, 32 bits": replace(
        RAW_TABLE,
        step_log2=15,
        low_code=1,
        high_code=65534,
        first_code=-32768,
        entry_bits=32,
        unit_log2_ppt=0,
        entries=(LEAST, LARGEST, LEAST, LARGEST),
    ),
    "raw codes, nearest": replace(
        RAW_TABLE,
        interpolation="nearest",
        step_log2=13,
        low_code=0,
        high_code=65535,
        first_code=4096,
        entries=(1, -2, 3, -4, 5, -6, 7, -8),
    ),
    "coarse": replace(
        TABLE, step_log2=10, first_code=-32768, entries=tuple(int(9000 * np.sin(0.3 * k)) for k in range(65)), **WHOLE
    ),
    "steep beside gentle": replace(TABLE, entries=(-32768, 0, 32767, 32767)),
    "largest rise and fall of one product": replace(TABLE, entries=(-32768, -1, 32766, -1)),
    "largest rise, widest step": replace(TABLE, step_log2=15, first_code=-32768, entries=(-1, 32766, -1), **WHOLE),
    "range ends on the last knot": replace(TABLE, high_code=256),
    "range ends on the last knot, steep": replace(TABLE, high_code=256, entries=(-32768, 32767, -32768, 32767)),
    "range begins with the type": replace(TABLE, low_code=-32768, first_code=-32768, high_code=-32100),
    "range ends with the type": replace(TABLE, low_code=32100, first_code=32000, high_code=32767),
    "all codes but the last": replace(
        TABLE, step_log2=15, first_code=-32768, low_code=-32768, high_code=32766, entries=(-9, 20000, 7)
    ),
    "all codes but the first": replace(
        TABLE, step_log2=15, first_code=-32768, low_code=-32767, high_code=32767, entries=(-9, 20000, 7)
    ),
    "nearest, knots below the least code": replace(
        TABLE,
        interpolation="nearest",
        step_log2=15,
        first_code=-65536,
        low_code=-32768,
        high_code=32767,
        entries=(5, -6, 7, 8),
    ),
    "even": EVEN,
    "even, 32 bits": replace(EVEN, entry_bits=32, entries=(LARGEST >> 3, LEAST >> 3, LARGEST >> 3, LEAST >> 3)),
    "even, int16 extremes": replace(EVEN, entries=(32767, -32767, 32767, -32767)),
    "even, one interval over all codes": replace(EVEN, first_code=-32768, pace=1, entries=(-32767, 32767), **WHOLE),
    "even, a knot at every code": replace(EVEN, low_code=-2, high_code=1, first_code=-2, pace=65536),
    "even, ends on the last knot": replace(EVEN, low_code=-512, high_code=0, pace=256, entries=(-300, 1000, 7)),
    "even, one code": replace(EVEN, low_code=9, high_code=9, first_code=9, entries=(-7,)),
    "even, raw codes": replace(EVEN, first_code=0, pace=3, entries=(-32767, 32767, -32767, 1), **RAW_WHOLE),
    "even, nearest": replace(EVEN, interpolation="nearest"),
    "even, nearest, 32 bits": replace(
        EVEN,
        interpolation="nearest",
        first_code=-32768,
        pace=5,
        entry_bits=32,
        entries=(-LARGEST >> 3, LARGEST >> 3, 7, -8, 9),
        **WHOLE,
    ),
    "even, quadratic": replace(EVEN, interpolation="quadratic", entries=(-300, 20, 1000, 7, -900)),
    "even, quadratic, ties": replace(
        EVEN, interpolation="quadratic", low_code=-512, high_code=-449, pace=4096, entries=(0, 8, 24, 16, 32, 56)
    ),
    "even, quadratic, extremes": replace(
        EVEN,
        interpolation="quadratic",
        first_code=-32768,
        pace=3,
        **WHOLE,
        entries=(-16384, -16384, 16383, 16383, -16384),
    ),
    "even, quadratic, raw codes": replace(
        EVEN, interpolation="quadratic", first_code=0, pace=1, entries=(32767, 30000, 16384), **RAW_WHOLE
    ),
    "even, 8 bits on a polynomial": replace(EVEN, polynomial=CURVE, entry_bits=8, entries=(-128, 127, -128, 127)),
    "even, 16 bits on a polynomial": replace(EVEN, polynomial=CURVE, entries=(-9000, 9000, -9000, 9000)),
    "even, steep on a polynomial": replace(EVEN, polynomial=CURVE, entries=(-20000, 20000, -20000, 20000)),
    "even, nearest, 8 bits on a polynomial": replace(
        EVEN, polynomial=CURVE, interpolation="nearest", entry_bits=8, entries=(-128, 127, -128)
    ),
    "even, quadratic, 8 bits on a polynomial": replace(
        EVEN, polynomial=CURVE, interpolation="quadratic", entry_bits=8, entries=(-128, 127, -128, 127, 9)
    ),
    "even, 8 bits on a polynomial, raw codes": replace(
        EVEN,
        polynomial=Polynomial(32768, 0, (-12, 30000, 5, -29000)),
        entry_bits=8,
        first_code=0,
        pace=1,
        entries=(-128, 127),
        **RAW_WHOLE,
    ),
    "even, on a constant": replace(EVEN, polynomial=Polynomial(0, 0, (77,)), entry_bits=8, entries=(1, 2, 3, -4)),
    "segments": SEGMENTS,
    "segments, int16 extremes": replace(
        SEGMENTS, entries=tuple(32767 if k % 2 else -32768 for k in range(81)), unit_log2_ppt=16
    ),
    "segments, 32 bits": replace(
        SEGMENTS, entry_bits=32, entries=tuple(LARGEST if k % 2 else LEAST for k in range(81)), unit_log2_ppt=0
    ),
    "segments, all codes": replace(
        SEGMENTS, starts=(-32768, 0), step_log2s=(15, 14), entries=(-32768, 32767, -32768, 32767), **WHOLE
    ),
    "segments, raw codes": replace(
        SEGMENTS, starts=(0, 2, 3, 19), step_log2s=(1, 0, 4, 15), entries=(-9, 8, -7, 6, 5, -4, 4), **RAW_WHOLE
    ),
    "segments, begin below the least code": replace(
        SEGMENTS, starts=(-65536, -32768), step_log2s=(15, 15), entries=(5, -32768, 32767, -9), **WHOLE
    ),
    "one segment": replace(SEGMENTS, starts=(-512,), step_log2s=(8,), entries=(1, -2, 3, -4)),
    "one segment with a knot at every code": replace(
        SEGMENTS, low_code=0, high_code=2, starts=(-1,), step_log2s=(0,), entries=(1, -2, 3, -4, 5)
    ),
    "breakpoints": BREAKPOINTS,
    "breakpoints, int16 extremes": replace(BREAKPOINTS, entries=(32767, -32768) * 3 + (32767,), unit_log2_ppt=16),
    "breakpoints, 32 bits": replace(
        BREAKPOINTS, entry_bits=32, entries=(LARGEST, LEAST) * 3 + (LARGEST,), unit_log2_ppt=0
    ),
    "one interval between breakpoints": replace(BREAKPOINTS, knots=(-32768, 32768), entries=(-16384, 16383), **WHOLE),
    "breakpoints, raw codes": replace(
        BREAKPOINTS, knots=(0, 2, 40000, 65534, 65536), entries=(1, -32768, 32767, -5, 9), **RAW_WHOLE
    ),
    "breakpoints, begin below the least code": replace(
        BREAKPOINTS, knots=(-65536, -32000, 0, 32768), entries=(1, -200, 300, -5), **WHOLE
    ),
    "breakpoints, the first interval ends below the range": replace(BREAKPOINTS, low_code=-299),
    "breakpoints, three intervals end below the range": replace(BREAKPOINTS, low_code=-200, entry_bits=32),
    "wide breakpoints": replace(BREAKPOINTS, knots=(-32768, 0, 32768), entries=(1, -2, 300), **WHOLE),
    "polynomial": POLYNOMIAL,
    "polynomial, 32 bits": replace(
        POLYNOMIAL, entry_bits=32, entries=(LARGEST >> 5, -LARGEST >> 5, LARGEST >> 5, LEAST >> 5)
    ),
    "polynomial, int32 extremes": replace(
        POLYNOMIAL, entry_bits=32, middle_code=0, shift=0, unit_log2_ppt=0, entries=(0, LARGEST), **WHOLE
    ),
    "polynomial, int16 extremes": replace(
        POLYNOMIAL, middle_code=0, shift=0, unit_log2_ppt=15, entries=(0, 0, 32767), **WHOLE
    ),
    "polynomial, raw codes": replace(
        POLYNOMIAL, middle_code=32768, shift=0, entries=(10, -20000, 9, 12000), **RAW_WHOLE
    ),
    "a constant": replace(POLYNOMIAL, entries=(-32767,)),
}


def proof_of(table: CorrectionTable = TABLE, compiler: Compiler | None = None, stamp: Stamp = STAMP) -> Proof:
    return prove(c_source(table, "gauge07", stamp=stamp), table, "gauge07", ALL, compiler)


@pytest.mark.parametrize("name", TABLES)
def test_the_c_equals_the_specification_at_every_code(name: str) -> None:
    proof = proof_of(TABLES[name])
    assert proof.first_mismatches == ()
    assert proof.holds
    assert (proof.codes, proof.mismatches, proof.selftest) == (65536, 0, 0)
    assert proof.corrections_checked > 5000


@pytest.mark.parametrize("compiler", COMPILERS[1:], ids=lambda compiler: compiler.name)
@pytest.mark.parametrize(
    "name",
    [
        "int16 extremes",
        "int32 extremes",
        "widest step",
        "nearest, whole int16",
        "one entry",
        "raw codes",
        "raw codes, whole uint16",
        "even, int16 extremes",
        "even, quadratic, extremes",
        "even, 8 bits on a polynomial, raw codes",
        "segments, int16 extremes",
        "breakpoints, raw codes",
        "polynomial, int16 extremes",
        "polynomial, 32 bits",
    ],
)
def test_it_does_with_another_compiler(name: str, compiler: Compiler) -> None:
    assert proof_of(TABLES[name], compiler).first_mismatches == ()


# The steps 2**0, 2**1, 2**8, 2**13 and 2**15 are among the tables above.
@pytest.mark.parametrize("step_log2", [2, 3, 4, 5, 6, 7, 9, 10, 11, 12, 14])
def test_every_step_is_exact(step_log2: int) -> None:
    last = min(-32768 + 3 * 2**step_log2, 32767)
    table = replace(
        TABLE,
        step_log2=step_log2,
        low_code=-32768,
        high_code=last,
        first_code=-32768,
        entries=(-32768, 32767, -12345, 23456),
        unit_log2_ppt=step_log2,
    )
    assert prove(c_source(table, "t", corrections=(), stamp=STAMP), table, "t", ()).first_mismatches == ()


@pytest.mark.parametrize(
    "name", [name for name in TABLES if "__AVR__" in c_source(TABLES[name], "t", stamp=STAMP)["t.c"]]
)
def test_what_is_meant_for_processors_of_eight_bits_is_exact_too(name: str) -> None:
    sources = c_source(TABLES[name], "t", corrections=(), stamp=STAMP)
    sources["t.c"] = sources["t.c"].replace("#if defined(__AVR__)", "#if 1")
    assert prove(sources, TABLES[name], "t", ()).first_mismatches == ()


@pytest.mark.parametrize("asked", [(), ("frequency",), ("interval",), ("tuning-word",), ("tuning-word", "frequency")])
def test_each_choice_of_corrections_compiles_and_holds(asked: tuple[str, ...]) -> None:
    proof = prove(c_source(TABLE, "gauge07", corrections=asked, stamp=STAMP), TABLE, "gauge07", asked)
    assert proof.holds
    assert (proof.corrections_checked > 0) == bool(asked)


@each_compiler
def test_hostile_free_text_changes_nothing(compiler: Compiler) -> None:
    assert proof_of(compiler=compiler, stamp=HOSTILE).holds


FAULTS = {
    # What is planted, and what the proof has to name.
    "ties rounded down": ("(int32_t)part) + 128u;", "(int32_t)part) + 127u;", "lookup("),
    "wrong neighbour": (
        "above = GAUGE07_READ(gauge07_entries, knot + 1u);\n    const int rise",
        "above = below;\n    const int rise",
        "lookup(",
    ),
    "walked backwards": ("(int32_t)rise *", "-(int32_t)rise *", "lookup("),
    "one entry changed": (" 1000,", " 1001,", "lookup("),
    "end not held": ("? 0u : 750u", "? 0u : 749u", "lookup("),
    "range one short": ("asked >= GAUGE07_LOW_CODE", "asked > GAUGE07_LOW_CODE", "in_range(-500) is 0; expected 1"),
    "scaled by a sum": (") * GAUGE07_UNIT_PPT", ") + GAUGE07_UNIT_PPT", "offset_ppt("),
    "product's ties to even": (
        "% GAUGE07_ONE) >= (GAUGE07_ONE / 2u)",
        "% GAUGE07_ONE) > (GAUGE07_ONE / 2u)",
        "true_frequency(",
    ),
    "quotient's ties down": ("(rest >= (divisor - rest))", "(rest > (divisor - rest))", "true_interval("),
    "sign lost": (
        "divided(gauge07_magnitude(shown), offset_ppt), shown < 0)",
        "divided(gauge07_magnitude(shown), offset_ppt), 0)",
        "true_interval(",
    ),
    "sign of the offset": (
        "INT64_C(1000000000000) + offset_ppt",
        "INT64_C(1000000000000) - offset_ppt",
        "true_frequency(",
    ),
    "a digit dropped": ("+ second / divisor", "+ 0u", "true_interval("),
    "word not held": (
        "(word > UINT32_MAX) ? UINT32_MAX : (uint32_t)word",
        "(uint32_t)(word & UINT32_MAX)",
        "tuning_word(",
    ),
    "held one short": ("INT64_MIN : INT64_MAX;", "INT64_MIN : (INT64_MAX - 1);", "true_frequency("),
}


@pytest.mark.parametrize(("right", "wrong", "named"), FAULTS.values(), ids=FAULTS)
def test_a_planted_fault_is_found(right: str, wrong: str, named: str) -> None:
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    assert sources["gauge07.c"].count(right) == 1
    sources["gauge07.c"] = sources["gauge07.c"].replace(right, wrong)
    proof = prove(sources, TABLE, "gauge07", ALL)
    assert not proof.holds
    assert proof.mismatches > 0
    assert named in " ".join(proof.first_mismatches)
    # The self-test that goes with the firmware finds it too: it is all that the target has.
    assert proof.selftest != 0


FORM_FAULTS = {
    # The table, and what is planted.
    "coarse: ties down": ("coarse", ">> 15u) + 1u", ">> 15u) + 0u"),
    "coarse: way": ("coarse", "along << 6u", "along << 5u"),
    "coarse: knot": ("coarse", "bytes >> 8u", "bytes >> 9u"),
    "steep: ties down": ("int16 extremes", "+ 32768u;", "+ 32767u;"),
    "steep: wrong neighbour": ("int16 extremes", "knot + 1u", "knot"),
    "steep: weights exchanged": (
        "int16 extremes",
        "below * (UINT32_C(65536) - part) + above * part",
        "above * (UINT32_C(65536) - part) + below * part",
    ),
    "held to the wrong end": ("range begins with the type", "along = 668u;", "along = 0u;"),
    "below the range": ("range ends with the type", "along = 0u;", "along = 1u;"),
    "nearest: the one above": ("nearest", ">> 8u)", ">> 9u)"),
    "even: pace": ("even", "UINT32_C(222)", "UINT32_C(223)"),
    "even: no lead": ("even", "along + 12u", "along + 13u"),
    "even nearest: wrong cell": ("even, nearest", "position >> 16u", "(position + 32768u) >> 16u"),
    "quadratic: ties of the bend": ("even, quadratic, ties", "UINT32_C(0x80008000)", "UINT32_C(0x80007FFF)"),
    "quadratic: ties of the slope": ("even, quadratic, ties", "UINT32_C(0x80010000)", "UINT32_C(0x8000FFFF)"),
    "quadratic: wrong neighbour": ("even, quadratic", "knot + 2u", "knot + 1u"),
    "on a polynomial: left out": (
        "even, 8 bits on a polynomial",
        "+ gauge07_polynomial(along)",
        "+ (0u * gauge07_polynomial(along))",
    ),
    "on a polynomial: a coefficient": ("even, 8 bits on a polynomial", "-1234", "-1235"),
    "polynomial: ties down": ("polynomial", "UINT32_C(16384)", "UINT32_C(16383)"),
    "polynomial: argument": ("polynomial", "65161u", "65162u"),
    "polynomial: one power less": ("polynomial", "power != 0u", "power != 1u"),
    "polynomial, 32 bits: ties down": ("polynomial, 32 bits", "+ 16384u", "+ 16383u"),
    "polynomial, 32 bits: argument": ("polynomial, 32 bits", "INT32_C(-375)", "INT32_C(-374)"),
    "segments: join": ("segments", "along < 256u", "along < 260u"),
    "segments: step": ("segments", "<< 14u", "<< 13u"),
    "segments: first knot": ("segments", "78u +", "77u +"),
    "breakpoints: join": ("breakpoints", "middle) <= along", "middle) < along"),
    "breakpoints: reciprocal": ("breakpoints", "312u", "311u"),
    "breakpoints: search ends early": ("breakpoints", "- low) > 1u", "- low) > 2u"),
    "breakpoints, 32 bits: ties down": ("breakpoints, 32 bits", "+ 32768u;", "+ 32767u;"),
}


@pytest.mark.parametrize(("name", "right", "wrong"), FORM_FAULTS.values(), ids=FORM_FAULTS)
def test_a_fault_planted_in_the_c_of_a_form_is_found(name: str, right: str, wrong: str) -> None:
    table = TABLES[name]
    sources = c_source(table, "gauge07", corrections=(), stamp=STAMP)
    assert sources["gauge07.c"].count(right) == 1
    sources["gauge07.c"] = sources["gauge07.c"].replace(right, wrong)
    proof = prove(sources, table, "gauge07", ())
    assert not proof.holds
    assert re.match(r"-O2: (lookup\(|the program stopped: )", proof.first_mismatches[0])


def test_a_raw_code_taken_as_signed_is_found() -> None:
    sources = c_source(RAW_TABLE, "gauge07", stamp=STAMP)
    right = "(code < 40000) ?"
    assert sources["gauge07.c"].count(right) == 1
    sources["gauge07.c"] = sources["gauge07.c"].replace(
        right, "(((code < 32768) ? code : (code - INT32_C(65536))) < 40000) ?"
    )
    proof = prove(sources, RAW_TABLE, "gauge07", ALL)
    assert not proof.holds
    assert "lookup(40" in " ".join(proof.first_mismatches)
    assert proof.selftest != 0


EIGHT_BIT_FAULTS = {
    "ties down": ("plain", "+ 128u) >> 8u", "+ 127u) >> 8u"),
    "upper byte without its sign": ("plain", "(int16_t)upper.value", "(int16_t)upper.bits"),
    "coarse: ties down": ("coarse", "product + UINT32_C(32768)", "product + UINT32_C(32767)"),
}


@pytest.mark.parametrize(("name", "right", "wrong"), EIGHT_BIT_FAULTS.values(), ids=EIGHT_BIT_FAULTS)
def test_a_fault_for_processors_of_eight_bits_is_found(name: str, right: str, wrong: str) -> None:
    sources = c_source(TABLES[name], "t", corrections=(), stamp=STAMP)
    assert sources["t.c"].count(right) == 1
    sources["t.c"] = sources["t.c"].replace("#if defined(__AVR__)", "#if 1").replace(right, wrong)
    assert not prove(sources, TABLES[name], "t", ()).holds


UNDEFINED = {
    # Each gives the right results wherever a compiler does not make use of its freedom.
    "signed overflow": ("asked = code;", "asked = (int32_t)code * 131072 / 131072;"),
    "shift past the width": (
        "along = gauge07_along(code);",
        "along = 0u * (1u << (32 + code % 2)) + gauge07_along(code);",
    ),
    "read past the end": (
        "const int rise =",
        "const int rise = (GAUGE07_READ(gauge07_entries, knot + 2u) == 30000 ? 1 : 0) +",
    ),
}


@each_compiler
@pytest.mark.parametrize(("right", "wrong"), UNDEFINED.values(), ids=UNDEFINED)
def test_undefined_behaviour_is_found_by_the_sanitizer(right: str, wrong: str, compiler: Compiler) -> None:
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    assert sources["gauge07.c"].count(right) == 1
    sources["gauge07.c"] = sources["gauge07.c"].replace(right, wrong)
    proof = prove(sources, TABLE, "gauge07", ALL, compiler)
    assert not proof.holds
    assert (proof.sanitizer, proof.codes, proof.selftest) == ("undefined", 0, None)
    assert all("the program stopped: " in text for text in proof.first_mismatches)
    assert "error" in proof.first_mismatches[0] or "panic" in proof.first_mismatches[0]


def test_a_wrong_vector_fails_the_self_test_alone_and_by_its_number() -> None:
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    codes = lookup_codes(TABLE)
    vector = f", {codes[3]}, 0}}"
    assert sources["gauge07_selftest.c"].count(vector) == 1
    sources["gauge07_selftest.c"] = sources["gauge07_selftest.c"].replace(vector, vector.replace("0}", "1}"))
    proof = prove(sources, TABLE, "gauge07", ALL)
    assert proof.first_mismatches == tuple(f"{level}: the self-test failed at vector 5" for level in ("-O2", "-O0"))
    assert (proof.holds, proof.selftest, proof.mismatches) == (False, 5, 2)


def test_a_damaged_table_fails_the_self_test_at_its_crc() -> None:
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    # A change that no lookup shows: the first entry serves no code but -512, which is out of range,
    # and those up to -257 with little weight.
    sources["gauge07.c"] = sources["gauge07.c"].replace("-300,", "-301,")
    assert prove(sources, TABLE, "gauge07", ALL).selftest == 1


def test_the_numbering_of_the_self_test_is_the_one_it_states() -> None:
    text = c_source(TABLE, "gauge07", stamp=STAMP)["gauge07_selftest.c"]
    first = 2 + len(lookup_codes(TABLE))
    for correction in CORRECTIONS.values():
        last = first + len(correction_vectors(TABLE, correction)) - 1
        assert f"{first} to {last} are {correction.function}" in text.replace("\n *", "")
        assert f"return {first - 1} + wrong;" in text
        first = last + 1


def test_the_same_sources_give_the_same_proof_without_a_path() -> None:
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    sources["gauge07.c"] = sources["gauge07.c"].replace(*UNDEFINED["signed overflow"])
    first, second = (json.dumps(prove(sources, TABLE, "gauge07", ALL).to_json_dict()) for _ in range(2))
    assert first == second
    assert "/" not in first
    assert json.loads(first)["holds"] is False


@pytest.mark.parametrize(
    ("right", "wrong", "sentence"),
    [
        ("both.bits = bits;", "both.bits = bits", r"gauge07\.c:\d+:\d+: error"),
        ("const int rise", "int unused; const int rise", r"gauge07\.c:\d+:\d+: error: .*unused"),
        (
            "(uint8_t)(along << 0u)",
            "along",
            r"gauge07\.c:\d+:\d+: error: .*conver",
        ),
    ],
    ids=["syntax", "unused variable", "silent narrowing"],
)
@each_compiler
def test_what_does_not_compile_cleanly_is_refused_with_its_line(
    right: str, wrong: str, sentence: str, compiler: Compiler
) -> None:
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    assert right in sources["gauge07.c"]
    sources["gauge07.c"] = sources["gauge07.c"].replace(right, wrong, 1)
    with pytest.raises(ProofError, match=f"the generated C does not compile with {compiler.name}: {sentence}"):
        prove(sources, TABLE, "gauge07", ALL, compiler)


def test_a_program_that_does_not_end_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build, "RUNNING_S", 2)
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    sources["gauge07.c"] = sources["gauge07.c"].replace(
        "asked = code;", "asked = code; volatile int on = 1; while (on) {}"
    )
    with pytest.raises(ProofError, match="the compiled program did not end within 2 s"):
        prove(sources, TABLE, "gauge07", ALL)


def test_a_compiler_without_the_sanitizer_still_proves_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(build, "SANITIZER", ("-fsanitize=no-such-thing",))
    proof = proof_of()
    assert (proof.holds, proof.sanitizer) == (True, "none")
    assert "sanitize" not in " ".join(proof.flags)


def test_both_builds_are_recorded_with_their_flags() -> None:
    flags = proof_of().flags
    assert [text.split()[1] for text in flags] == ["-O2", "-O0"]
    assert all("-Wconversion" in text and "-Werror" in text and text.startswith("-std=c99") for text in flags)


def test_each_level_of_optimisation_is_really_built() -> None:
    # __OPTIMIZE__ is what gcc and clang define at -O1 and above.
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    planted = "\n#ifdef __OPTIMIZE__\n    return 0;\n#endif\n    return ((asked"
    sources["gauge07.c"] = (
        sources["gauge07.c"]
        .replace("    return ((asked", planted)
        .replace("asked = code;", "asked = code; (void)asked;")
    )
    optimised = prove(sources, TABLE, "gauge07", ALL)
    assert optimised.mismatches > 0
    assert all(text.startswith("-O2: ") for text in optimised.first_mismatches)
    sources["gauge07.c"] = sources["gauge07.c"].replace("#ifdef __OPT", "#ifndef __OPT")
    plain = prove(sources, TABLE, "gauge07", ALL)
    assert all(text.startswith("-O0: ") for text in plain.first_mismatches)
    assert not plain.holds


@pytest.mark.parametrize(
    ("arguments", "error", "sentence"),
    [
        ({"compiler": Compiler("ghost", "0", ("no-such-compiler",))}, ProofError, "ghost could not be run"),
        ({"corrections": ("phase",)}, FirmwareError, 'correction "phase" is unknown'),
    ],
)
def test_a_proof_that_cannot_be_made_is_refused(
    arguments: dict[str, Any], error: type[Exception], sentence: str
) -> None:
    given = {
        "sources": c_source(TABLE, "gauge07", stamp=STAMP),
        "table": TABLE,
        "symbol": "gauge07",
        "corrections": ALL,
    }
    with pytest.raises(error, match=sentence):
        prove(**given | arguments)
