"""The C equals the specification for tables of every kind, and a planted fault is found each time."""

from __future__ import annotations

import json
import os
import re
from functools import cache
from importlib.util import find_spec
from typing import Any

import numpy as np
import pytest
from proofs import STAMP, Edit, planted, together
from tables import (
    changed,
    chebyshev_table_of,
    even_table,
    patch_table,
    polynomial_table_of,
    segment_table,
    step_table,
)

from tcomp.documents.fields import to_json
from tcomp.documents.proof import ProofDocument
from tcomp.errors import FirmwareError, ProofError
from tcomp.firmware.corrections import CORRECTIONS
from tcomp.firmware.exporter import Stamp
from tcomp.firmware.exporters.c99 import c_source, correction_vectors, lookup_codes
from tcomp.job import Sensor
from tcomp.proof import compilers as build
from tcomp.proof.compilers import Compiler, find_compilers
from tcomp.proof.host import prove, prove_tables
from tcomp.tables.code_scale import AdcScale, TemperatureScale
from tcomp.tables.layout import CorrectionTable
from tcomp.tables.layouts.polynomial import Polynomial

COMPILERS = [
    *find_compilers()[:1],
    *(compiler for compiler in find_compilers()[1:] if compiler.name == "zig cc"),
]
if os.environ.get("CI") and find_spec("ziglang") is not None:
    assert COMPILERS, "the proofs would be skipped"
pytestmark = pytest.mark.skipif(not COMPILERS, reason="needs a C compiler")
each_compiler = pytest.mark.parametrize("compiler", COMPILERS, ids=lambda compiler: compiler.name)

HOSTILE = Stamp("??/", "*/", '*/ int x = 1; /* ??/\n"', (("*/ #error ??/", 1.0),), "//\\")
ALL = ("frequency", "interval", "tuning-word")
LEVELS = ["-O2", "-O0", "-Os -D__AVR__"]
TABLE = step_table(
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
RAW_TABLE = changed(TABLE, scale=RAW, low_code=40000, high_code=40700, first_code=39990)
COMMON = {"scale": TABLE.scale, "unit_log2_ppt": 3, "max_error_ppb": 2.5, "rms_error_ppb": 1.0}
WHOLE: dict[str, Any] = {"low_code": -32768, "high_code": 32767}
RAW_WHOLE: dict[str, Any] = {"scale": RAW, "low_code": 0, "high_code": 65535}
EVEN = even_table(
    low_code=-500, high_code=250, first_code=-512, codes_to_index_q16=222, interpolation="linear", entry_bits=16,
    entries=(-300, 20, 1000, 7), **COMMON,
)  # fmt: skip
# 1 - 2 x**2 and a little of x, in units of 1/8192; x goes from -0.98 to 0.49.
CURVE = Polynomial(0, 6, (8191, -1234, -16384))
SEGMENTS = segment_table(
    low_code=-500, high_code=250, starts=(-512, -256, -192, 100), step_log2s=(8, 4, 2, 7), entry_bits=16,
    entries=tuple(int(9000 * np.sin(0.7 * k)) for k in range(81)), **COMMON,
)  # fmt: skip
POLYNOMIAL = polynomial_table_of(
    low_code=-500, high_code=250, middle_code=-125, shift=6, entry_bits=16,
    entries=(1000, -2000, 3000, -4000, 5000), **COMMON,
)  # fmt: skip
CHEBYSHEV = chebyshev_table_of(
    low_code=-500, high_code=250, middle_code=-125, codes_to_x=87, fine_bits=0, base=-321, entry_bits=16,
    entries=(1000, -2000, 3000, -4000, 5000), **COMMON,
)  # fmt: skip
PATCHES = patch_table(
    low_code=-500, high_code=250, middle_code=-125, codes_to_x=87, fine_bits=0, base=-321, factors=(1000, -2000, 3000),
    starts=(-100,), counts=(5,), codes_to_index_q16s=(1311,), entry_shift=3, entry_bits=8,
    entries=(-1, 127, -128, 127, 9), **COMMON,
)  # fmt: skip
TABLES = {
    "plain": TABLE,
    "int16 extremes": changed(TABLE, entries=(32767, -32768, 32767, -32768), unit_log2_ppt=16),
    "int32 extremes": changed(TABLE, entry_bits=32, entries=(LARGEST, LEAST, LARGEST, LEAST), unit_log2_ppt=0),
    "widest step": changed(
        TABLE, step_log2=15, low_code=-32768, high_code=32767, first_code=-32768, entries=(32767, -32768, 32767)
    ),
    "widest step, 32 bits": changed(
        TABLE,
        step_log2=15,
        low_code=-32768,
        high_code=32767,
        first_code=-32768,
        entry_bits=32,
        unit_log2_ppt=0,
        entries=(LEAST, LARGEST, LEAST),
    ),
    "knots below the least code": changed(
        TABLE, step_log2=15, low_code=-32768, high_code=-3, first_code=-65536, entries=(9, -9, 9)
    ),
    "a knot at every code": changed(TABLE, step_log2=0, low_code=-2, high_code=1, first_code=-2),
    "steps of two": changed(TABLE, step_log2=1, low_code=-2, high_code=4, first_code=-2),
    "nearest": changed(TABLE, interpolation="nearest"),
    "nearest, whole int16": changed(
        TABLE,
        interpolation="nearest",
        step_log2=13,
        low_code=-32768,
        high_code=32767,
        first_code=-28672,
        entries=(1, -2, 3, -4, 5, -6, 7, -8),
    ),
    "nearest, 32 bits": changed(TABLE, interpolation="nearest", entry_bits=32, entries=(LEAST >> 3, 1, -1, 2**28 - 1)),
    "one entry": changed(TABLE, low_code=-512, high_code=-512, entries=(-7,)),
    "one entry, nearest": changed(TABLE, interpolation="nearest", step_log2=15, entries=(-7,), first_code=0),
    "two entries": changed(TABLE, low_code=-511, high_code=-300, entries=(-7, 8)),
    "nothing but zero": changed(TABLE, entries=(0, 0, 0, 0)),
    "raw codes": RAW_TABLE,
    "raw codes, knots below 0": changed(RAW_TABLE, low_code=0, high_code=600, first_code=-100),
    "raw codes, whole uint16": changed(
        RAW_TABLE, step_log2=15, low_code=0, high_code=65535, first_code=0, entries=(32767, -32768, 32767)
    ),
    "raw codes, 32 bits": changed(
        RAW_TABLE,
        step_log2=15,
        low_code=1,
        high_code=65534,
        first_code=-32768,
        entry_bits=32,
        unit_log2_ppt=0,
        entries=(LEAST, LARGEST, LEAST, LARGEST),
    ),
    "raw codes, nearest": changed(
        RAW_TABLE,
        interpolation="nearest",
        step_log2=13,
        low_code=0,
        high_code=65535,
        first_code=4096,
        entries=(1, -2, 3, -4, 5, -6, 7, -8),
    ),
    "coarse": changed(
        TABLE, step_log2=10, first_code=-32768, entries=tuple(int(9000 * np.sin(0.3 * k)) for k in range(65)), **WHOLE
    ),
    "steep beside gentle": changed(TABLE, entries=(-32768, 0, 32767, 32767)),
    "largest rise and fall of one product": changed(TABLE, entries=(-32768, -1, 32766, -1)),
    "largest rise, widest step": changed(TABLE, step_log2=15, first_code=-32768, entries=(-1, 32766, -1), **WHOLE),
    "range ends on the last knot": changed(TABLE, high_code=256),
    "range ends on the last knot, steep": changed(TABLE, high_code=256, entries=(-32768, 32767, -32768, 32767)),
    "range begins with the type": changed(TABLE, low_code=-32768, first_code=-32768, high_code=-32100),
    "range ends with the type": changed(TABLE, low_code=32100, first_code=32000, high_code=32767),
    "all codes but the last": changed(
        TABLE, step_log2=15, first_code=-32768, low_code=-32768, high_code=32766, entries=(-9, 20000, 7)
    ),
    "all codes but the first": changed(
        TABLE, step_log2=15, first_code=-32768, low_code=-32767, high_code=32767, entries=(-9, 20000, 7)
    ),
    "nearest, knots below the least code": changed(
        TABLE,
        interpolation="nearest",
        step_log2=15,
        first_code=-65536,
        low_code=-32768,
        high_code=32767,
        entries=(5, -6, 7, 8),
    ),
    "even": EVEN,
    "even, 32 bits": changed(EVEN, entry_bits=32, entries=(LARGEST >> 3, LEAST >> 3, LARGEST >> 3, LEAST >> 3)),
    "even, int16 extremes": changed(EVEN, entries=(32767, -32767, 32767, -32767)),
    "even, one interval over all codes": changed(
        EVEN, first_code=-32768, codes_to_index_q16=1, entries=(-32767, 32767), **WHOLE
    ),
    "even, a knot at every code": changed(EVEN, low_code=-2, high_code=1, first_code=-2, codes_to_index_q16=65536),
    "even, ends on the last knot": changed(
        EVEN, low_code=-512, high_code=0, codes_to_index_q16=256, entries=(-300, 1000, 7)
    ),
    "even, one code": changed(EVEN, low_code=9, high_code=9, first_code=9, entries=(-7,)),
    "even, raw codes": changed(
        EVEN, first_code=0, codes_to_index_q16=3, entries=(-32767, 32767, -32767, 1), **RAW_WHOLE
    ),
    "even, nearest": changed(EVEN, interpolation="nearest"),
    "even, nearest, 32 bits": changed(
        EVEN,
        interpolation="nearest",
        first_code=-32768,
        codes_to_index_q16=5,
        entry_bits=32,
        entries=(-LARGEST >> 3, LARGEST >> 3, 7, -8, 9),
        **WHOLE,
    ),
    "even, quadratic": changed(EVEN, interpolation="quadratic", entries=(-300, 20, 1000, 7, -900)),
    "even, quadratic, ties": changed(
        EVEN,
        interpolation="quadratic",
        low_code=-512,
        high_code=-449,
        codes_to_index_q16=4096,
        entries=(0, 8, 24, 16, 32, 56),
    ),
    "even, quadratic, extremes": changed(
        EVEN,
        interpolation="quadratic",
        first_code=-32768,
        codes_to_index_q16=3,
        **WHOLE,
        entries=(-16384, -16384, 16383, 16383, -16384),
    ),
    "even, quadratic, raw codes": changed(
        EVEN, interpolation="quadratic", first_code=0, codes_to_index_q16=1, entries=(32767, 30000, 16384), **RAW_WHOLE
    ),
    "even, 8 bits on a polynomial": changed(EVEN, polynomial=CURVE, entry_bits=8, entries=(-128, 127, -128, 127)),
    "even, 16 bits on a polynomial": changed(EVEN, polynomial=CURVE, entries=(-9000, 9000, -9000, 9000)),
    "even, steep on a polynomial": changed(EVEN, polynomial=CURVE, entries=(-20000, 20000, -20000, 20000)),
    "even, nearest, 8 bits on a polynomial": changed(
        EVEN, polynomial=CURVE, interpolation="nearest", entry_bits=8, entries=(-128, 127, -128)
    ),
    "even, quadratic, 8 bits on a polynomial": changed(
        EVEN, polynomial=CURVE, interpolation="quadratic", entry_bits=8, entries=(-128, 127, -128, 127, 9)
    ),
    "even, 8 bits on a polynomial, raw codes": changed(
        EVEN,
        polynomial=Polynomial(32768, 0, (-12, 30000, 5, -29000)),
        entry_bits=8,
        first_code=0,
        codes_to_index_q16=1,
        entries=(-128, 127),
        **RAW_WHOLE,
    ),
    "even, on a constant": changed(EVEN, polynomial=Polynomial(0, 0, (77,)), entry_bits=8, entries=(1, 2, 3, -4)),
    "segments": SEGMENTS,
    "segments, int16 extremes": changed(
        SEGMENTS, entries=tuple(32767 if k % 2 else -32768 for k in range(81)), unit_log2_ppt=16
    ),
    "segments, 32 bits": changed(
        SEGMENTS, entry_bits=32, entries=tuple(LARGEST if k % 2 else LEAST for k in range(81)), unit_log2_ppt=0
    ),
    "segments, all codes": changed(
        SEGMENTS, starts=(-32768, 0), step_log2s=(15, 14), entries=(-32768, 32767, -32768, 32767), **WHOLE
    ),
    "segments, raw codes": changed(
        SEGMENTS, starts=(0, 2, 3, 19), step_log2s=(1, 0, 4, 15), entries=(-9, 8, -7, 6, 5, -4, 4), **RAW_WHOLE
    ),
    "segments, begin below the least code": changed(
        SEGMENTS, starts=(-65536, -32768), step_log2s=(15, 15), entries=(5, -32768, 32767, -9), **WHOLE
    ),
    "one segment": changed(SEGMENTS, starts=(-512,), step_log2s=(8,), entries=(1, -2, 3, -4)),
    "one segment with a knot at every code": changed(
        SEGMENTS, low_code=0, high_code=2, starts=(-1,), step_log2s=(0,), entries=(1, -2, 3, -4, 5)
    ),
    "polynomial": POLYNOMIAL,
    "polynomial, 32 bits": changed(
        POLYNOMIAL, entry_bits=32, entries=(LARGEST >> 5, -LARGEST >> 5, LARGEST >> 5, LEAST >> 5)
    ),
    "polynomial, int32 extremes": changed(
        POLYNOMIAL, entry_bits=32, middle_code=0, shift=0, unit_log2_ppt=0, entries=(0, LARGEST), **WHOLE
    ),
    "polynomial, int16 extremes": changed(
        POLYNOMIAL, middle_code=0, shift=0, unit_log2_ppt=15, entries=(0, 0, 32767), **WHOLE
    ),
    "polynomial, raw codes": changed(
        POLYNOMIAL, middle_code=32768, shift=0, entries=(10, -20000, 9, 12000), **RAW_WHOLE
    ),
    "Chebyshev": CHEBYSHEV,
    "Chebyshev, degree 9": changed(CHEBYSHEV, entries=(9000, -400, 3000, 4000, -5000, 600, -7000, 80, 900)),
    "Chebyshev, degree 1": changed(CHEBYSHEV, entries=(-32767,), base=0),
    "Chebyshev, 32 bits": changed(
        CHEBYSHEV, fine_bits=6, base=-(2**27), unit_log2_ppt=0, entries=(32767, -20000, 300, 0, -1, 2, 777)
    ),
    "Chebyshev, 32 bits, finest": changed(CHEBYSHEV, fine_bits=15, base=2**29, unit_log2_ppt=0, entries=(-9000, 7000)),
    "Chebyshev, every code": changed(
        CHEBYSHEV, middle_code=0, codes_to_x=1, entries=(-12000, 3000, 4000, -5000), base=5000, **WHOLE
    ),
    "Chebyshev, every raw code, 32 bits": changed(
        CHEBYSHEV,
        middle_code=32768,
        codes_to_x=1,
        fine_bits=6,
        unit_log2_ppt=0,
        entries=(-12000, 30000, 1),
        **RAW_WHOLE,
    ),
    "patch": PATCHES,
    "patches": changed(
        PATCHES,
        starts=(-500, -300, 100, 200),
        counts=(2, 3, 4, 5),
        codes_to_index_q16s=(656, 1000, 3000, 2000),
        entries=(127, -128, 5, 6, 7, -8, -9, -10, 11, 12, 13, 99, -99, 100),
    ),
    "patch, 32 bits": changed(PATCHES, fine_bits=9, base=2**26, entry_shift=12, unit_log2_ppt=0),
    "patch, steps of one code": changed(PATCHES, codes_to_index_q16s=(65536,), entry_shift=0),
    "patch over every code": changed(
        PATCHES, middle_code=0, codes_to_x=1, starts=(-32768,), codes_to_index_q16s=(4,), **WHOLE
    ),
    "patches, every raw code, 32 bits": changed(
        PATCHES,
        middle_code=32768,
        codes_to_x=1,
        fine_bits=3,
        unit_log2_ppt=0,
        starts=(7, 60000),
        counts=(3, 2),
        codes_to_index_q16s=(3, 20),
        entry_shift=5,
        **RAW_WHOLE,
    ),
    "a constant": changed(POLYNOMIAL, entries=(-32767,)),
}


def proof_of(table: CorrectionTable = TABLE, compiler: Compiler | None = None, stamp: Stamp = STAMP) -> ProofDocument:
    return prove(c_source(table, "gauge07", stamp=stamp), table, "gauge07", ALL, compiler)


# The steps 2**0, 2**1, 2**8, 2**13 and 2**15 are among the tables above.
TABLES |= {
    f"steps of 2**{step_log2}": changed(
        TABLE, step_log2=step_log2, low_code=-32768, high_code=min(-32768 + 3 * 2**step_log2, 32767), first_code=-32768,
        entries=(-32768, 32767, -12345, 23456), unit_log2_ppt=step_log2,
    )
    for step_log2 in (2, 3, 4, 5, 6, 7, 9, 10, 11, 12, 14)
}  # fmt: skip


@each_compiler
def test_the_c_equals_the_specification_at_every_code(compiler: Compiler) -> None:
    sources, expected = together(TABLES.values())
    proofs = dict(zip(TABLES, prove_tables(sources, expected, compiler), strict=True))
    assert {name: proof.first_mismatches for name, proof in proofs.items() if not proof.holds} == {}
    for proof in proofs.values():
        assert (proof.codes, proof.mismatches, proof.selftest) == (65536, 0, 0)
        assert [flags.split()[1] for flags in proof.flags] == ["-O2", "-O0", "-Os"]


@each_compiler
def test_it_does_with_all_corrections(compiler: Compiler) -> None:
    proof = proof_of(compiler=compiler)
    assert proof.first_mismatches == ()
    assert proof.holds
    assert (proof.codes, proof.mismatches, proof.selftest) == (65536, 0, 0)
    assert proof.corrections_checked > 5000


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
        "above = (uint16_t)at[1u];",
        "above = below;",
        "lookup(",
    ),
    "walked backwards": ("(int32_t)rise *", "-(int32_t)rise *", "lookup("),
    "one entry changed": (" 1000,", " 1001,", "lookup("),
    "end not held": ("? 0u : 750u", "? 0u : 749u", "lookup("),
    "range one short": ("asked >= GAUGE07_LOW_CODE", "asked > GAUGE07_LOW_CODE", "in_range(-500) is 0; expected 1"),
    "scaled by a sum": (") * GAUGE07_UNIT_PPT", ") + GAUGE07_UNIT_PPT", "offset_ppt("),
    "product's ties to even": (
        "GAUGE07_FIVE_TO_12)\n        >= GAUGE07_FIVE_TO_12",
        "GAUGE07_FIVE_TO_12)\n        > GAUGE07_FIVE_TO_12",
        "true_frequency(",
    ),
    "quotient's ties down": (
        "UINT32_C(0x6A528800)), half)",
        "UINT32_C(0x6A528801)), half)",
        "true_interval(",
    ),
    "sign lost": (
        "return gauge07_signed(result, sign);",
        "return gauge07_signed(result, 0u);",
        "true_interval(",
    ),
    "sign of the offset": (
        "gauge07_difference(magnitude, change) : gauge07_sum(magnitude, change)",
        "gauge07_sum(magnitude, change) : gauge07_difference(magnitude, change)",
        "true_frequency(",
    ),
    "a digit dropped": ("whole = gauge07_high(scaled);", "whole = 0u;", "true_interval("),
    "word not held": (
        "return (word < wanted) ? UINT32_MAX : word;",
        "return word;",
        "tuning_word(",
    ),
    "held one short": ("INT64_MIN : INT64_MAX;", "INT64_MIN : (INT64_MAX - 1);", "true_frequency("),
}


def edits(faults: list[tuple[str, str]]) -> list[Edit]:
    """Of each fault: what is planted in the C whose symbol has its number; it is written for the symbol gauge07."""

    def edit(symbol: str, right: str, wrong: str) -> Edit:
        own = [text.replace("gauge07", symbol).replace("GAUGE07", symbol.upper()) for text in (right, wrong)]
        return lambda sources: planted(sources, f"{symbol}.c", *own)

    return [edit(f"t{number}", *fault) for number, fault in enumerate(faults)]


@cache
def faulty() -> dict[str, ProofDocument]:
    """Proofs of the C with each fault, in one program."""
    sources, expected = together(
        [TABLE] * len(FAULTS), ALL, edits([(right, wrong) for right, wrong, _ in FAULTS.values()])
    )
    return dict(zip(FAULTS, prove_tables(sources, expected), strict=True))


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_found(fault: str) -> None:
    proof, named = faulty()[fault], FAULTS[fault][2]
    assert not proof.holds
    assert proof.mismatches > 0
    assert named in " ".join(proof.first_mismatches)
    # The self-test that goes with the firmware finds it too: it is all that the target has.
    assert proof.selftest != 0


FORM_FAULTS = {
    # The table, and what is planted.
    "coarse: ties down": ("coarse", ">> 15u) + 1u", ">> 15u) + 0u"),
    "coarse: way": ("coarse", "(uint16_t)(along << 6u)", "(uint16_t)(along << 5u)"),
    "coarse: knot": ("coarse", "(unsigned int)(along >> 10u)", "(unsigned int)(along >> 11u)"),
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
    "even: codes_to_index_q16": ("even", "UINT32_C(222)", "UINT32_C(223)"),
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
}


EIGHT_BIT_FAULTS = {
    "8 bits: ties down": ("plain", "+ 128u) >> 8u", "+ 127u) >> 8u"),
    "8 bits: upper byte without its sign": ("plain", "(int16_t)upper.value", "(int16_t)upper.bits"),
    "8 bits, coarse: ties down": ("coarse", "product + UINT32_C(32768)", "product + UINT32_C(32767)"),
}


@cache
def faulty_forms() -> dict[str, ProofDocument]:
    """Proofs of the C of each form with its fault, in one program."""
    faults = FORM_FAULTS | EIGHT_BIT_FAULTS
    sources, expected = together(
        [TABLES[name] for name, _, _ in faults.values()],
        (),
        edits([(right, wrong) for _, right, wrong in faults.values()]),
    )
    return dict(zip(faults, prove_tables(sources, expected), strict=True))


@pytest.mark.parametrize("fault", FORM_FAULTS)
def test_a_fault_planted_in_the_c_of_a_form_is_found(fault: str) -> None:
    proof = faulty_forms()[fault]
    assert not proof.holds
    assert re.match(r"-O2: lookup\(", proof.first_mismatches[0])


@pytest.mark.parametrize("fault", EIGHT_BIT_FAULTS)
def test_a_fault_for_processors_of_eight_bits_is_found_where_their_lines_are_built(fault: str) -> None:
    proof = faulty_forms()[fault]
    assert not proof.holds
    assert re.match(r"-Os -D__AVR__: lookup\(", proof.first_mismatches[0])


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


UNDEFINED = {
    # Each gives the right results wherever a compiler does not make use of its freedom.
    "signed overflow": ("asked = code;", "asked = (int32_t)code * 131072 / 131072;"),
    "shift past the width": (
        "along = gauge07_along(code);",
        "along = 0u * (1u << (32 + code % 2)) + gauge07_along(code);",
    ),
    "read past the end": (
        "gauge07_value((uint16_t)(above - below))",
        "gauge07_value((uint16_t)((GAUGE07_READ(gauge07_entries, knot + 2u) == 30000 ? 1 : 0) + above - below))",
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
    assert proof.first_mismatches == tuple(f"{level}: the self-test failed at vector 5" for level in LEVELS)
    assert (proof.holds, proof.selftest, proof.mismatches) == (False, 5, 3)


def test_a_damaged_table_fails_the_self_test_at_its_crc() -> None:
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    # A change that no lookup shows: the first entry serves no code but -512, which is out of range,
    # and those up to -257 with little weight.
    sources["gauge07.c"] = sources["gauge07.c"].replace("-300,", "-301,")
    assert prove(sources, TABLE, "gauge07", ALL).selftest == 1


def test_the_numbering_of_the_self_test_is_the_one_it_states() -> None:
    text = c_source(TABLE, "gauge07", corrections=tuple(CORRECTIONS), stamp=STAMP)["gauge07_selftest.c"]
    first = 2 + len(lookup_codes(TABLE))
    for correction in CORRECTIONS.values():
        last = first + len(correction_vectors(TABLE, correction)) - 1
        assert f"{first} to {last} are {correction.function}" in text.replace("\n *", "")
        assert f"return {first - 1} + wrong;" in text
        first = last + 1


def test_the_same_sources_give_the_same_proof_without_a_path() -> None:
    sources = c_source(TABLE, "gauge07", stamp=STAMP)
    sources["gauge07.c"] = sources["gauge07.c"].replace(*UNDEFINED["signed overflow"])
    first, second = (json.dumps(to_json(prove(sources, TABLE, "gauge07", ALL))) for _ in range(2))
    assert first == second
    assert "/" not in first
    assert json.loads(first)["holds"] is False


@pytest.mark.parametrize(
    ("right", "wrong", "sentence"),
    [
        ("both.bits = bits;", "both.bits = bits", r"gauge07\.c:\d+:\d+: error"),
        ("const int16_t rise", "int unused; const int16_t rise", r"gauge07\.c:\d+:\d+: error: .*unused"),
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


def test_every_build_is_recorded_with_its_flags() -> None:
    flags = proof_of().flags
    assert [text.split()[1] for text in flags] == ["-O2", "-O0", "-Os"]
    assert ["-D__AVR__" in text for text in flags] == [False, False, True]
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
    # -Os of the AVR's lines is optimised, too.
    assert optimised.mismatches == 2 * (751 + 1)
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


def test_a_word_of_48_bits_is_exact_on_the_host_and_a_fault_in_it_is_found() -> None:
    words = ("tuning-word-48",)
    sources = c_source(TABLE, "gauge07", corrections=words, stamp=STAMP)
    proof = prove(sources, TABLE, "gauge07", words)
    assert proof.holds is True
    assert proof.corrections_checked > 1000
    # The limit stands twice: where it is asked for and where it is given.
    sources["gauge07.c"] = sources["gauge07.c"].replace("? INT64_C(0xFFFFFFFFFFFF)", "? INT64_C(0xFFFFFFFFFFFE)")
    assert "tuning_word_48(" in prove(sources, TABLE, "gauge07", words).first_mismatches[0]
