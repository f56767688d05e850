"""The C equals the specification on emulated processors, and a planted fault is found on each."""

from __future__ import annotations

import json
import math
import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from proofs import STAMP, planted, together
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
from tcomp.documents.proof import ProofDocument, TargetProof
from tcomp.errors import ProofError
from tcomp.firmware.exporters.c99 import c_source
from tcomp.job import Sensor
from tcomp.processors import TARGETS
from tcomp.proof import avr, bare_metal, host, targets
from tcomp.proof.expected import Expected, all_cases
from tcomp.proof.host import prove, prove_tables
from tcomp.proof.targets import asked_targets, prove_tables_on, prove_target, why_not
from tcomp.tables.code_scale import AdcScale, TemperatureScale
from tcomp.tables.layout import CorrectionTable
from tcomp.tables.layouts.polynomial import Polynomial

ALL = ("frequency", "interval", "tuning-word")
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
# An invented sensor that is straight and gives every code of 16 bits.
RAW = AdcScale(Sensor("linear", degc_per_count=-0.002, offset_c=100.0))
COMMON: dict[str, Any] = {"scale": TABLE.scale, "unit_log2_ppt": 3, "max_error_ppb": 2.5, "rms_error_ppb": 1.0}
EVEN = even_table(
    low_code=-500, high_code=250, first_code=-512, codes_to_index_q16=222, interpolation="linear", entry_bits=8,
    entries=(-128, 127, -128, 127), polynomial=Polynomial(0, 6, (8191, -1234, -16384)), **COMMON,
)  # fmt: skip
TABLES = {
    "int16 extremes": changed(TABLE, entries=(32767, -32768, 32767, -32768), unit_log2_ppt=16),
    "32 bits, widest step": changed(
        TABLE,
        step_log2=15,
        low_code=-32768,
        high_code=32767,
        first_code=-32768,
        entry_bits=32,
        unit_log2_ppt=0,
        entries=(LEAST, LARGEST, LEAST),
    ),
    "nearest": changed(TABLE, interpolation="nearest"),
    "even, 8 bits on a polynomial": EVEN,
    "even, 32 bits": changed(EVEN, polynomial=None, entry_bits=32, entries=(LARGEST >> 3, LEAST >> 3) * 2),
    "even, quadratic": changed(
        EVEN, polynomial=None, interpolation="quadratic", first_code=-32768, codes_to_index_q16=3, entry_bits=16, low_code=-32768,
        high_code=32767, entries=(-16384, -16384, 16383, 16383, -16384),
    ),
    "even, nearest, raw codes": changed(
        EVEN, scale=RAW, polynomial=None, interpolation="nearest", first_code=0, codes_to_index_q16=3, entry_bits=16, low_code=0,
        high_code=65535, entries=(-32767, 32767, -3),
    ),
    "segments": segment_table(
        low_code=-500, high_code=250, starts=(-512, -256, 0), step_log2s=(8, 6, 8), entry_bits=16,
        entries=(32767, -32768, 32767, -5, 6, -32768, -7), **COMMON,
    ),
    "polynomial": polynomial_table_of(
        low_code=-32768, high_code=32767, middle_code=0, shift=0, entry_bits=16, entries=(9, -20000, 8, 9000), **COMMON
    ),
    "polynomial, 32 bits": polynomial_table_of(
        low_code=-32768, high_code=32767, middle_code=0, shift=0, entry_bits=32, entries=(0, LARGEST >> 3), **COMMON
    ),
    "Chebyshev": chebyshev_table_of(
        low_code=-500, high_code=250, middle_code=-125, codes_to_x=87, fine_bits=0, base=-321, entry_bits=16,
        entries=(9000, -400, 3000, 4000, -5000, 600, -7000, 80, 900), **COMMON,
    ),
    "patches, 32 bits, every raw code": patch_table(
        low_code=0, high_code=65535, middle_code=32768, codes_to_x=1, fine_bits=6, base=-(2**26), entry_bits=8,
        factors=(-12000, 3000, -9000), starts=(7, 60000), counts=(3, 2), codes_to_index_q16s=(3, 20), entry_shift=5,
        entries=(-128, 127, -1, 3, 99), **COMMON | {"scale": RAW, "unit_log2_ppt": 0},
    ),
}  # fmt: skip


def intervals(number: int) -> CorrectionTable:
    """So many steps over all codes that the sensor's converter gives; the entries are invented."""
    entries = tuple(round(9000 * math.sin(7 * k / number)) for k in range(number + 1))
    return changed(
        TABLE, scale=RAW, low_code=0, high_code=65535, first_code=0, step_log2=16 - number.bit_length() + 1,
        entries=entries,
    )  # fmt: skip


def on_this_machine(target: str) -> object:
    lacking = why_not(target)
    return pytest.param(target, marks=pytest.mark.skipif(bool(lacking), reason=lacking))


each_target = pytest.mark.parametrize("target", [on_this_machine(target) for target in TARGETS])
on_avr = pytest.mark.parametrize("target", [on_this_machine("avr")])
each_emulated = pytest.mark.parametrize("target", [on_this_machine(target) for target in TARGETS if target != "avr"])


def proof_with(target: str, right: str, wrong: str, table: CorrectionTable = TABLE) -> TargetProof:
    sources = c_source(table, "gauge07", stamp=STAMP)
    assert right in sources["gauge07.c"]
    sources["gauge07.c"] = sources["gauge07.c"].replace(right, wrong, 1)
    return prove_target(target, sources, table, "gauge07", ALL)


@cache
def sound_proof(target: str) -> TargetProof:
    """Of the C as it is, for the tests that only look at it."""
    return proof_with(target, "", "")


@each_target
def test_the_c_equals_the_specification_at_every_code(target: str) -> None:
    proof = sound_proof(target)
    assert proof.first_mismatches == ()
    assert proof.holds is True
    assert (proof.codes, proof.mismatches, proof.selftest) == (65536, 0, 0)
    assert proof.corrections_checked > 5000


@each_target
def test_a_word_of_48_bits_is_exact(target: str) -> None:
    words = ("tuning-word-48",)
    proof = prove_target(target, c_source(TABLE, "t", corrections=words, stamp=STAMP), TABLE, "t", words)
    assert proof.first_mismatches == ()
    assert proof.corrections_checked > 1000


@each_target
def test_it_does_for_tables_of_other_kinds(target: str) -> None:
    sources, expected = together(TABLES.values())
    proofs = prove_tables_on(target, sources, expected)
    assert {name: proof.first_mismatches for name, proof in zip(TABLES, proofs, strict=True) if not proof.holds} == {}


def own_lines() -> dict[str, CorrectionTable]:
    """Tables whose C has lines of its own for AVR, one of each kind."""
    return {"plain": TABLE, "coarse": intervals(64), "on a polynomial": EVEN}


# What a part lacks takes other lines of the same text, and what the job asks of the entries other text.
# avr-libc defines what a part has once more, from its family.
NO_ROW, NO_MULTIPLIER = ("-U__AVR_HAVE_LPMX__", "-U__AVR_ENHANCED__"), ("-U__AVR_HAVE_MUL__", "-U__AVR_ENHANCED__")
VARIANTS = {
    "entries in RAM": ((), {"avr_entries": "ram"}),
    "no reading in a row": (NO_ROW, {}),
    "no multiplier": (NO_MULTIPLIER, {}),
}


@pytest.mark.parametrize("variant", VARIANTS)
@on_avr
def test_every_line_for_avr_is_proven_there(target: str, variant: str) -> None:
    options, asked = VARIANTS[variant]
    corrections = ALL if variant == "no multiplier" else ()
    sources, expected = together(own_lines().values(), corrections, **asked)
    proofs = prove_tables_on(target, sources, expected, options)
    assert [proof.first_mismatches for proof in proofs] == [()] * 3
    assert proofs[0].lookup is not None
    assert proofs[0].lookup.table_in_ram == (variant == "entries in RAM")
    assert proofs[0].lookup.table_bytes == 8


# What is planted in which file, and where it must be found; where it must not, the line is none of that build.
PLACES = {"avr": (), "avr, no reading in a row": NO_ROW, "avr, no multiplier": NO_MULTIPLIER}
LINE_FAULTS = {
    "entries by assembly": (TABLE, ("lpm %A1, Z+", "lpm %A1, Z"), ".c", ["avr", "avr, no multiplier"]),
    "entries by avr-libc": (TABLE, ("pgm_read_word", "pgm_read_byte"), ".h", ["avr, no reading in a row", "host"]),
    "coefficients": (EVEN, ("pgm_read_word", "pgm_read_byte"), ".c", [*PLACES, "host"]),
    "sums by assembly": (TABLE, ("adc %D1, %D3", "add %D1, %D3"), ".c", ["avr", "avr, no reading in a row"]),
    "sums in C": (TABLE, ("return one + other;", "return one ^ other;"), ".c", ["avr, no multiplier", "host"]),
}


@pytest.mark.parametrize("fault", LINE_FAULTS)
@on_avr
def test_a_fault_in_lines_for_avr_is_found_in_the_builds_that_have_them(target: str, fault: str) -> None:
    table, (right, wrong), end, where = LINE_FAULTS[fault]
    asked = ("frequency",) if "sums" in fault else ()
    expected = (Expected(table, all_cases(table, asked), "t0"),)
    sources = planted(c_source(table, "t0", corrections=asked, stamp=STAMP), f"t0{end}", right, wrong)
    found = [
        place
        for place, options in PLACES.items()
        if wrong_answers(*prove_tables_on(target, sources, expected, options))
    ]
    assert [*found, *(["host"] if wrong_answers(*prove_tables(sources, expected)) else [])] == where


def wrong_answers(proof: TargetProof | ProofDocument) -> bool:
    """Whether a function answered wrong; the self-test alone, which reads the entries in its own way, is not meant."""
    return any("(" in text for text in proof.first_mismatches)


FUNCTIONS = {
    # Where the answer is wrong, and by how much in its lower and in its upper half.
    "lookup": ("code == 101", 1, 1 << 8),
    "offset_ppt": ("code == 102", 1, 1 << 16),
    "in_range": ("code == 103", 1, 1 << 8),
    "true_frequency": ("shown == 1000 && offset_ppt == 0", 1, 1 << 40),
    "true_interval": ("shown == 1000 && offset_ppt == 0", 1, 1 << 40),
    "tuning_word": ("wanted == 1000 && offset_ppt == 0", 1, 1 << 20),
}


def with_wrong_functions(sources: dict[str, str], symbol: str, half: int) -> dict[str, str]:
    """The sources with every function wrong at one argument: each is called by another of its name, which errs there."""
    text, more = sources[f"{symbol}.c"], ""
    for function, (where, *amounts) in FUNCTIONS.items():
        found = re.search(rf"^(\w+) {symbol}_{function}\(([^)]*)\)\n\{{", text, re.MULTILINE)
        assert found is not None, function
        kind, arguments = found.groups()
        names = ", ".join(argument.split()[-1] for argument in arguments.split(","))
        own = where.replace("shown", names.split(",")[0])
        text = text.replace(found[0], f"static {kind} {symbol}_sound_{function}({arguments})\n{{")
        call = f"{symbol}_sound_{function}({names})"
        more += (
            f"\n{kind} {symbol}_{function}({arguments})\n{{\n    const {kind} answer = {call};\n\n"
            f"    return ({own}) ? ({kind})(answer + {amounts[half]}) : answer;\n}}\n"
        )
    return sources | {f"{symbol}.c": text + more}


@pytest.mark.parametrize("target", ["host", *(on_this_machine(target) for target in TARGETS)])
def test_each_function_is_compared_in_its_lower_and_its_upper_half(
    target: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(host, "MISMATCHES_SHOWN", 999)
    monkeypatch.setattr(targets, "MISMATCHES_SHOWN", 999)
    halves = [lambda own, half=half: with_wrong_functions(own, f"t{half}", half) for half in (0, 1)]
    sources, expected = together([TABLE, TABLE], ALL, halves)
    proofs = prove_tables(sources, expected) if target == "host" else prove_tables_on(target, sources, expected)
    asked = {"lookup": "101", "offset_ppt": "102", "in_range": "103"}
    for proof in proofs:
        text = "\n".join(proof.first_mismatches)
        for function in FUNCTIONS:
            assert f"{function}({asked.get(function, '1000, 0')}) is" in text
        # At the codes with which it is called by another function, and there alone.
        builds = len(proof.flags) if target == "host" else 1
        assert proof.mismatches == builds * len({*FUNCTIONS, "offset_ppt of that lookup"})


# The project's own goals for 2**8 and 2**6 intervals over all codes. [cycles; instructions]
GOALS = {
    "avr, 256 intervals": ("avr", 256, 44),
    "avr, 64 intervals": ("avr", 64, 100),
    "cortex-m0plus, 256 intervals": ("cortex-m0plus", 256, 22),
    "cortex-m0plus, 64 intervals": ("cortex-m0plus", 64, 22),
    "rv32imc, 256 intervals": ("rv32imc", 256, 20),
    "rv32imc, 64 intervals": ("rv32imc", 64, 20),
}


@pytest.mark.parametrize(
    ("target", "number", "goal"),
    [
        pytest.param(*goal, marks=pytest.mark.skipif(bool(why_not(goal[0])), reason=why_not(goal[0]) or "-"))
        for goal in GOALS.values()
    ],
    ids=GOALS,
)
def test_a_lookup_is_as_fast_as_was_meant(target: str, number: int, goal: int, tmp_path: Path) -> None:
    table = intervals(number)
    every = c_source(table, "t", corrections=(), stamp=STAMP)
    sources = {name: every[name] for name in ("t.h", "t.c")}
    if target == "avr":
        cost = avr.avr_lookup_cost(sources, "t", tmp_path)
    else:
        cost = bare_metal.lookup_cost(target, sources, "t", tmp_path, of_type="uint16_t")
    assert (cost.cycles or cost.instructions).largest <= goal


@each_target
def test_one_correction_alone_compiles_and_holds(target: str) -> None:
    asked = ("tuning-word",)
    proof = prove_target(target, c_source(TABLE, "t", corrections=asked, stamp=STAMP), TABLE, "t", asked)
    assert proof.first_mismatches == ()
    assert proof.corrections_checked > 100


@each_target
def test_a_changed_entry_is_found(target: str) -> None:
    proof = proof_with(target, "1000,", "1001,")
    assert proof.holds is False
    # The self-test's CRC is over the entries that were meant.
    assert proof.selftest == 1
    assert proof.first_mismatches[0].startswith("lookup(")


@each_target
def test_a_wrong_rounding_is_found(target: str) -> None:
    right, wrong = ("+ 128u) >> 8u", "+ 127u) >> 8u") if target == "avr" else ("part) + 128u;", "part) + 127u;")
    proof = proof_with(target, right, wrong)
    assert proof.holds is False
    # Only where a tie is rounded do the two differ: the part of 256 that makes exactly one half.
    codes = [int(code) for code in re.findall(r"lookup\((-?\d+)\)", "".join(proof.first_mismatches))]
    assert codes
    for code in codes:
        knot, part = divmod(code - TABLE.layout.first_code, TABLE.layout.step)
        rise = TABLE.entries[knot + 1] - TABLE.entries[knot]
        assert rise * part % TABLE.layout.step == TABLE.layout.step // 2


@each_target
def test_a_wrong_range_is_found(target: str) -> None:
    proof = proof_with(target, "(asked <= GAUGE07_HIGH_CODE)", "(asked < GAUGE07_HIGH_CODE)")
    assert "in_range(250) is 0; expected 1" in proof.first_mismatches


@each_target
def test_a_wrong_correction_is_found(target: str) -> None:
    proof = proof_with(
        target,
        "change = gauge07_sum(change, gauge07_joined(0u, 1u));",
        "change = gauge07_sum(change, gauge07_joined(0u, 0u));",
    )
    assert proof.holds is False
    assert all(text.startswith("true_frequency(") for text in proof.first_mismatches)


STEEP = TABLES["int16 extremes"]
NARROW = (
    "(uint32_t)(GAUGE07_READ(gauge07_entries, knot) + INT32_C(32768))",
    "(uint32_t)(GAUGE07_READ(gauge07_entries, knot) + 32767 + 1)",
)


@on_avr
def test_an_overflow_that_needs_a_16_bit_int_is_found_on_avr(target: str) -> None:
    proof = proof_with(target, *NARROW, STEEP)
    assert proof.holds is False
    assert proof.first_mismatches[0].startswith("lookup(")


@each_emulated
def test_that_overflow_is_none_where_int_has_32_bits(target: str) -> None:
    assert proof_with(target, *NARROW, STEEP).holds is True


def test_the_host_does_not_see_that_overflow_either() -> None:
    sources = c_source(STEEP, "gauge07", stamp=STAMP)
    assert NARROW[0] in sources["gauge07.c"]
    sources["gauge07.c"] = sources["gauge07.c"].replace(*NARROW)
    assert prove(sources, STEEP, "gauge07", ALL).holds is True


@each_target
def test_what_does_not_compile_is_refused(target: str) -> None:
    with pytest.raises(ProofError, match=rf"the generated C does not compile for {target}: gauge07\.c:\d+:\d+: error"):
        proof_with(target, "both.bits = bits;", "both.bits = bits")


ENDLESS = ("both.bits = bits;", "both.bits = bits; volatile int on = 1; while (on) {}")


@each_emulated
def test_a_program_that_does_not_end_is_stopped(target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bare_metal, "RUNNING_S", 1)
    proof = proof_with(target, *ENDLESS)
    assert (proof.holds, proof.codes, proof.selftest, proof.lookup) == (False, 0, None, None)
    assert proof.first_mismatches == ("the program did not end within 1 s of emulation",)


@each_emulated
def test_a_read_beyond_the_memory_is_a_mismatch_not_a_traceback(target: str) -> None:
    proof = proof_with(
        target, "return ((asked", "return (*(const volatile int32_t *)UINT32_C(0x70000000) != 0) || ((asked"
    )
    assert proof.holds is False
    assert proof.first_mismatches[0].startswith("the program stopped: ")


@on_avr
def test_a_call_that_does_not_return_is_stopped_on_avr(target: str) -> None:
    proof = proof_with(target, *ENDLESS)
    assert (proof.holds, proof.codes, proof.lookup) == (False, 0, None)
    assert re.fullmatch(
        r"the program stopped: call \d+ did not return as the calling convention asks", proof.first_mismatches[0]
    )


@on_avr
def test_an_emulation_that_takes_too_long_is_stopped_on_avr(target: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(avr, "RUNNING_S", 0.01)
    assert proof_with(target, "", "").first_mismatches == ("the program did not end within 0.01 s of emulation",)


@each_target
def test_the_record_has_compiler_emulator_and_cost_and_no_path(target: str) -> None:
    first, second = (json.dumps(to_json(proof)) for proof in (sound_proof(target), proof_with(target, "", "")))
    assert first == second
    record = json.loads(first)
    assert re.search(r"\d+\.\d+\.\d+", record["version"])
    assert record["compiler"] == ("avr-gcc" if target == "avr" else "zig cc")
    assert record["emulator"].split()[0] == ("simavr" if target == "avr" else "unicorn")
    assert "-Os" in record["flags"]
    assert "/" not in first
    assert record["lookup"]["table_bytes"] == 8
    assert record["lookup"]["table_in_ram"] is False
    assert (record["lookup"]["cycles"] is None) == (target in ("cortex-m4", "rv32imc"))


def test_only_what_is_asked_for_is_run() -> None:
    assert asked_targets(("host",)) == ()
    assert asked_targets(("host", "all")) == TARGETS


def test_a_target_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ProofError, match='target "m7" is unknown; expected host, cortex-m0plus, cortex-m4, rv32imc'):
        asked_targets(("m7",))


@pytest.mark.parametrize(
    ("target", "how"),
    [
        ("rv32imc", r'there is no package ziglang and no package unicorn; get it by: python -m pip install "ziglang'),
        ("avr", "avr-gcc was not found; get it by: apt-get install gcc-avr avr-libc simavr"),
    ],
)
def test_what_the_machine_lacks_is_said_and_is_an_error_only_by_name(
    target: str, how: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr(targets, "find_spec", lambda name: None)
    with pytest.raises(ProofError, match=f"the C cannot be run on {target} here: {how}"):
        asked_targets((target,))
    assert target in asked_targets(("all",))
    proof = prove_target(target, {}, TABLE, "t", ())
    assert proof.holds is None
    assert re.match(how, proof.reason)


def test_an_avr_compiler_without_the_emulator_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(avr.shutil, "which", lambda name: "there")
    monkeypatch.setattr(avr, "_host_compiler", lambda: None)
    assert avr.why_no_avr() == "no native C compiler was found, and simavr's library needs one"
