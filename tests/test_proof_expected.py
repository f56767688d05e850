"""What a program is asked and must answer: planted wrong answers are found, whoever gave them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from tables import step_table

from tcomp.documents.proof import ImageProof, ProofDocument, TargetProof
from tcomp.firmware.corrections import CORRECTIONS, INT32_MAX, INT32_MIN, PPT
from tcomp.processors import TARGETS
from tcomp.proof import avr, host
from tcomp.proof.bare_metal import CORES
from tcomp.proof.compilers import Build, Compiler
from tcomp.proof.expected import CODES, PER_CODE, Expected, all_cases
from tcomp.tables import TemperatureScale

ALL = tuple(CORRECTIONS)
TABLE = step_table(
    scale=TemperatureScale(16), low_code=-320, high_code=959, first_code=-320, step_log2=8, entry_bits=16,
    unit_log2_ppt=7, interpolation="linear", entries=(-1947, 8267, 30, -5, 7, 1200), max_error_ppb=1.0, rms_error_ppb=0.5,
)  # fmt: skip


def answers() -> np.ndarray:
    """The specification's answers at every code."""
    found = np.zeros(CODES, PER_CODE)
    codes = TABLE.all_codes
    found["lookup"], found["offset_ppt"], found["in_range"] = (
        TABLE.lookup(codes), TABLE.offset_ppt(codes), TABLE.in_range(codes),
    )  # fmt: skip
    return found


def results(expected: Expected, wrong: Any = None) -> bytes:
    """What a right program writes; the correction of 1 without an offset differs as ``wrong`` says: its function, by how much."""
    corrected = [
        correction.specification(*pair)
        + (wrong[1] if wrong and pair == (1, 0) and wrong[0] == correction.function else 0)
        for correction, pairs in expected.cases.items()
        for pair in pairs
    ]
    return answers().tobytes() + np.array(corrected, dtype="<i8").tobytes() + bytes(4)


EXPECTED = Expected(TABLE, all_cases(TABLE, ALL))


def test_right_answers_differ_nowhere() -> None:
    assert EXPECTED.compared(results(EXPECTED), None) == []


@pytest.mark.parametrize("function", [correction.function for correction in CORRECTIONS.values()])
@pytest.mark.parametrize("away", [1, 2**32, -(2**32), 2**40])
def test_a_correction_is_compared_with_all_its_bits(function: str, away: int) -> None:
    (found,) = EXPECTED.compared(results(EXPECTED, (function, away)), None)
    assert found.startswith(f"{function}(")


def test_cases_hold_every_length_of_number_and_not_edges_alone() -> None:
    for correction, pairs in EXPECTED.cases.items():
        own = TABLE.offset_ppt(TABLE.codes)
        edges = {0, 1, -1, 10**6, -(10**6), INT32_MIN, INT32_MAX, int(own.min()), int(own.max())}
        # Ties take offsets of their own: multiples of 1 ppm and of 4096 ppt.
        sampled = {pair for pair in pairs if pair[1] not in edges and pair[1] % 10**6 and pair[1] % 4096}
        # 1500 are drawn, with numbers of 1 to 63 bits of both signs; a word takes those without a sign, and of its own length.
        assert len(sampled) > (1300 if correction.least < 0 else 300)
        lengths = {abs(given).bit_length() for given, _ in sampled}
        assert lengths >= set(range(1, min(correction.largest.bit_length(), 63) + 1))
        assert any(given > PPT for given, _ in sampled) is not correction.is_word


class Calls:
    """The answers of an emulated AVR: the table's own, and of the corrections what it is told."""

    def __init__(self, corrected: dict[str, np.ndarray]) -> None:
        of = answers()
        self._answers = [of["lookup"], of["offset_ppt"], of["in_range"], *corrected.values(), np.zeros(1, np.int64)]

    def answers(self, number: int) -> np.ndarray:
        return self._answers[number].astype(np.int64)


@pytest.mark.parametrize("function", [None, *(correction.function for correction in CORRECTIONS.values())])
def test_what_an_avr_answers_is_what_is_compared(function: str | None) -> None:
    corrected = {
        correction.function: np.array([correction.specification(*pair) for pair in pairs], dtype=np.int64)
        for correction, pairs in EXPECTED.cases.items()
    }
    if function is not None:
        corrected[function][7] += 1
    calls: Any = Calls(corrected)
    found = EXPECTED.compared(avr._results(calls, EXPECTED), None)
    assert [text.split("(")[0] for text in found] == ([] if function is None else [function])


def build(optimisation: str, *, sanitized: bool) -> Build:
    return Build(optimisation, optimisation, sanitized, results(EXPECTED), None)


@pytest.mark.parametrize("sanitized", [(True, True), (True, False), (False, True), (False, False)])
def test_the_sanitizer_is_named_only_where_every_build_had_it(sanitized: tuple[bool, bool]) -> None:
    builds = [build(name, sanitized=had) for name, had in zip(("-O2", "-O0"), sanitized, strict=True)]
    proof = host._judged(EXPECTED, builds, Compiler("cc", "1", ("cc",)))
    assert proof.holds
    assert proof.sanitizer == ("undefined" if all(sanitized) else "none")


HOLDS = replace(ProofDocument.not_run(""), holds=True, reason=None)
READER = ImageProof(holds=True, targets=(), codes=65536, damaged_images=8, mismatches=0, first_mismatches=())


def test_a_proof_holds_only_if_each_part_does() -> None:
    target = replace(TargetProof.not_run("avr", ""), holds=True)
    lacking = TargetProof.not_run("rv32imc", "there is no package unicorn")
    assert HOLDS.with_targets((target, lacking)).with_image(READER).holds is True
    assert HOLDS.with_targets((replace(target, holds=False), lacking)).with_image(READER).holds is False
    wrong = HOLDS.with_image(replace(READER, holds=False, mismatches=3, first_mismatches=("a", "b")))
    assert (wrong.holds, wrong.mismatches, wrong.first_mismatches) == (False, 3, ("a", "b"))
    host_differs = replace(HOLDS, holds=False)
    assert host_differs.with_targets((target,)).with_image(READER).holds is False
    assert (HOLDS.summary, wrong.summary) == (
        "proof: the C equals its specification", "proof: the C DIFFERS from its specification",
    )  # fmt: skip


def test_each_target_has_what_runs_it() -> None:
    assert {*CORES, "avr"} == set(TARGETS)
