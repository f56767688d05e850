"""What is steered from update to update: its integers against fractions, its C, and the faults that its proofs must find."""

from __future__ import annotations

from fractions import Fraction

import pytest
from test_firmware_follow import STAMP, straight

from tcomp.errors import FirmwareError, JobError
from tcomp.firmware.actuators import Actuator, Pulses, TrueTime, proof_updates
from tcomp.firmware.exporters.c99 import c_source
from tcomp.job import read_job_text
from tcomp.proof import calls
from tcomp.proof.actuators import prove_actuator, prove_actuator_on
from tcomp.proof.targets import why_not
from tcomp.steering import actuators_of

# Invented registers; a pulse in 2^20 cycles is 2^-20, by arithmetic.
PULSES = {
    "signed": Pulses(name="rtc", step_ppb=1e9 / 2**20, least=-256, largest=255, period_s=32.0, sign=1, bits=9),
    "sign-magnitude": Pulses(
        name="rtc", step_ppb=2034.5, least=-63, largest=63, period_s=60.0, sign=-1, register="sign-magnitude", bits=7
    ),
    "add-only": Pulses(
        name="rtc", step_ppb=1e9 / 2**20, least=0, largest=511, period_s=32.0, sign=-1, register="add-only", bits=9
    ),
    "fine": Pulses(name="rtc", step_ppb=0.05, least=-32768, largest=32767, period_s=1.0, sign=1),
    "coarse": Pulses(name="rtc", step_ppb=30_517.578125, least=-20, largest=20, period_s=1.0, sign=1, bits=6),
}
ACTUATORS: dict[str, Actuator] = {**PULSES, "true-time": TrueTime(name="clock")}
each_register = pytest.mark.parametrize("name", PULSES)
each_actuator = pytest.mark.parametrize("name", ACTUATORS)


def sources(*actuators: Actuator) -> dict[str, str]:
    return c_source(straight(), "t", corrections=(), stamp=STAMP, actuators=actuators)


@each_register
def test_the_mean_of_a_register_is_right_to_1_ppb(name: str) -> None:
    # By fractions: what the values do to the clock, added up, against the offset that they are to undo.
    one = PULSES[name]
    step, periods = Fraction(one.step_ppb), 70_000
    for target in (one.least + (one.largest - one.least) / 3, 0.377, one.largest - 0.01):
        offset_ppt = -one.sign * round(target * one.step_ppb * 1000)
        states = one.history([(offset_ppt, 0)] * periods)
        mean_ppb = one.sign * step * sum(state[0] for state in states) / periods + Fraction(offset_ppt, 1000)
        assert abs(mean_ppb) < 1
        assert all(one.least <= state[0] <= one.largest for state in states)


@each_register
def test_the_sum_is_never_off_by_more_than_half_a_step(name: str) -> None:
    one = PULSES[name]
    step_ppt, wanted, got = Fraction(one.step, 1 << one.part_bits), Fraction(0), Fraction(0)
    low, high = sorted((one.sign * one.least * step_ppt, one.sign * one.largest * step_ppt))
    for offset_ppt, state in zip(
        [offset for offset, _ in proof_updates(3000)], one.history(proof_updates(3000)), strict=True
    ):
        wanted += min(max(Fraction(-offset_ppt), low), high)
        got += one.sign * state[0] * step_ppt
        assert abs(wanted - got) <= step_ppt / 2 + Fraction(1, 2)
        assert state[2] == (not low <= -offset_ppt <= high)


def test_a_clock_that_is_fast_by_20_ppm_in_numbers() -> None:
    # By hand: 20 ppm are 20.97152 steps of 2^-20; a year of 32 s periods leaves half a step of 32 s, 15.3 us.
    one = PULSES["signed"]
    values = [one.value(state) for state in one.history([(20_000_000, 0)] * 100_000)]
    assert set(values) == {-20, -21}
    assert sum(values) == round(-20.97152 * 100_000)


def test_words_of_registers_in_numbers() -> None:
    # By hand: -5 in 9 bits of two's complement is 512 - 5; with a sign above 6 bits of magnitude 64 + 5.
    for name, step_value, word in (("signed", -5, 507), ("sign-magnitude", -5, 69), ("add-only", 5, 5)):
        one = PULSES[name]
        offset_ppt = -one.sign * round(step_value * one.step_ppb * 1000)
        assert one.read(one.updated(one.start, offset_ppt))[0] == word


def test_true_time_over_a_year_of_seasons_is_exact() -> None:
    # By fractions: an interval shown lasted shown / (1 + y). An update each minute of a clock of 32 768 ticks a second.
    clock, state, true = ACTUATORS["true-time"], (0,), Fraction(0)
    for minute in range(0, 365 * 1440, 97):
        offset_ppt = -34_000 * ((minute // 1440 % 365) - 182) ** 2 // 10
        state = clock.updated(state, offset_ppt, 60 * 32768)
        true += 60 * 32768 - Fraction(60 * 32768 * 10**12, 10**12 + offset_ppt)
    # Half of 2^-30 tick an update: 5419 updates.
    assert abs(Fraction(state[0], 2**30) - true) < Fraction(5419, 2**31)


@each_actuator
def test_the_c_is_its_specification_on_this_machine(name: str) -> None:
    found = prove_actuator(sources(ACTUATORS[name]), ACTUATORS[name], "t", updates=2000)
    assert found.holds, found.first_mismatches


@each_actuator
@pytest.mark.parametrize("target", ["cortex-m0plus", "cortex-m4", "rv32imc", "avr"])
def test_the_c_is_its_specification_on_targets(name: str, target: str) -> None:
    if why_not(target):
        pytest.skip(why_not(target))
    found = prove_actuator_on(target, sources(ACTUATORS[name]), ACTUATORS[name], "t", 200)
    assert found.holds, found.first_mismatches


FAULTS = {
    "the rest is dropped": ("signed", "a->rest = (int32_t)left - INT32_C(122070312);", "a->rest = 0;"),
    "the other sign": ("signed", "* (-256)", "* (256)"),
    "another step": ("fine", "UINT64_C(419430400)", "UINT64_C(419430401)"),
    "the flag is not set": ("signed", "(wanted != asked) ? 1u", "(wanted != asked) ? 0u"),
    "an end is not held": ("signed", "wanted = INT64_C(-62500000000)", "wanted = INT64_C(-62255859375)"),
    "the sign bit": ("sign-magnitude", "UINT32_C(0x40)", "UINT32_C(0x80)"),
    "the sum": ("true-time", "a->gained += more;", "a->gained = more;"),
}


@pytest.fixture
def one_build(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault that every build has is found in the first."""
    monkeypatch.setattr(calls, "builds_of", lambda sources: (("-O0",),))


@pytest.mark.usefixtures("one_build")
@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_found(fault: str) -> None:
    name, before, after = FAULTS[fault]
    found = sources(ACTUATORS[name])
    assert before in found["t_actuators.c"]
    wrong = found | {"t_actuators.c": found["t_actuators.c"].replace(before, after, 1)}
    proof = prove_actuator(wrong, ACTUATORS[name], "t", updates=300)
    assert not proof.holds
    assert any("self-test" in text for text in proof.first_mismatches) or proof.mismatches > 1


def test_the_header_shows_the_sign_in_numbers() -> None:
    header = " ".join(sources(PULSES["signed"])["t_actuators.h"].split()).replace(" * ", " ")
    assert "A value of 1 makes the clock faster by 953.6743164 ppb." in header
    assert "the offset is 1239777 ppt, so the clock is fast" not in header
    assert "the offset is -1239777 ppt, so the clock is slow; the values of four periods are 1, 2, 1, 1" in header


def test_what_does_not_fit_is_refused() -> None:
    for changed, words in (
        ({"largest": 300}, "takes -256 to 255"),
        ({"bits": 17}, "expected 2 to 16"),
        ({"step_ppb": 0.0}, "expected 0.001 to 1e6 ppb"),
        ({"name": "9"}, "expected small letters"),
        ({"register": "add-only"}, "takes 0 to 511"),
    ):
        keys = {"name": "rtc", "step_ppb": 1.0, "least": -2, "largest": 2, "period_s": 1.0, "sign": 1, "bits": 9}
        with pytest.raises(FirmwareError, match=words):
            Pulses(**(keys | changed))  # type: ignore[arg-type]
    with pytest.raises(FirmwareError, match="one name twice"):
        sources(PULSES["signed"], PULSES["fine"])
    with pytest.raises(FirmwareError, match="28 together"):
        c_source(straight(), "a" * 24, corrections=(), stamp=STAMP, actuators=(TrueTime(name="clock"),))


JOB = """
[oscillator]
name = "station"
[[run]]
file = "invented.csv"
time = "utc"
temperature = "board_c"
offset = "y"
offset_unit = "ppb"
[[actuator]]
kind = "true-time"
name = "clock"
[[actuator]]
kind = "pulses"
name = "rtc"
step_ppb = 953.67431640625
min = -256
max = 255
period_s = 32
sign = 1
bits = 9
"""


def test_a_job_names_its_actuators() -> None:
    assert actuators_of(read_job_text(JOB)) == (ACTUATORS["true-time"], PULSES["signed"])


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("sign = 1\n", "", r'job.toml:13: \[\[actuator\]\] kind = "pulses" needs sign'),
        ("bits = 9", "bits = 8", r"job.toml:13: \[\[actuator\]\] rtc takes -256 to 255; a register of 8 bits, signed"),
        ('"clock"', '"rtc"', r'job.toml:15: \[\[actuator\]\] name = "rtc" stands twice'),
        ("step_ppb = 9", "step_ppb = -9", r"job.toml:16: \[\[actuator\]\] step_ppb = -953.674: expected 0 or more"),
        ('"rtc"', '"RTC"', "expected small letters, digits and _"),
        ("[oscillator]", '[firmware]\nformats = ["csv"]\n[oscillator]', "adds to the C"),
    ],
)
def test_a_mistake_in_a_block_is_refused_with_its_place(before: str, after: str, words: str) -> None:
    with pytest.raises(JobError, match=words):
        actuators_of(read_job_text(JOB.replace(before, after, 1)))
