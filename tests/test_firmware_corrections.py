"""The corrections against exact rationals, and in the worked numbers of their definition."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tcomp.errors import FirmwareError
from tcomp.firmware.corrections import (
    CORRECTIONS,
    check_corrections,
    ties,
    true_frequency,
    true_interval,
    tuning_word,
    tuning_word_48,
)

int64s = st.integers(-(2**63), 2**63 - 1)
int32s = st.integers(-(2**31), 2**31 - 1)
uint32s = st.integers(0, 2**32 - 1)


def away_from_zero(value: Fraction) -> int:
    """Nearest integer, ties away from zero."""
    magnitude = int(abs(value) + Fraction(1, 2))
    return magnitude if value >= 0 else -magnitude


def held(value: int, least: int, largest: int) -> int:
    return min(max(value, least), largest)


def one_plus(offset_ppt: int) -> Fraction:
    return 1 + Fraction(offset_ppt, 10**12)


@settings(derandomize=True, max_examples=400)
@given(int64s, int32s)
def test_frequency_and_interval_equal_exact_rationals(shown: int, offset_ppt: int) -> None:
    frequency = away_from_zero(shown * one_plus(offset_ppt))
    interval = away_from_zero(shown / one_plus(offset_ppt))
    assert true_frequency(shown, offset_ppt) == held(frequency, -(2**63), 2**63 - 1)
    assert true_interval(shown, offset_ppt) == held(interval, -(2**63), 2**63 - 1)


@settings(derandomize=True, max_examples=200)
@given(uint32s, int32s)
def test_the_tuning_word_equals_exact_rationals(wanted: int, offset_ppt: int) -> None:
    assert tuning_word(wanted, offset_ppt) == held(away_from_zero(wanted / one_plus(offset_ppt)), 0, 2**32 - 1)


def test_a_counter_an_interval_and_a_synthesiser_on_a_fast_clock() -> None:
    # By definition, y = 10 ppm: a counter shows f / (1 + y), an interval t * (1 + y), a synthesiser
    # gives (1 + y) times what was asked.  1e10 mHz / 1.00001 = 9 999 900 000.99999.
    ten_ppm = 10_000_000
    assert true_frequency(9_999_900_001, ten_ppm) == 10_000_000_000
    assert true_interval(1_000_010_000, ten_ppm) == 1_000_000_000
    assert tuning_word(1_000_010_000, ten_ppm) == 1_000_000_000


def test_a_slow_clock_turns_every_sign_round() -> None:
    assert true_frequency(10**9, -(10**6)) == 10**9 - 1000
    assert true_interval(10**9, -(10**6)) == 10**9 + 1000
    assert tuning_word(10**9, -(10**6)) == 10**9 + 1000


def test_the_named_ties_are_ties() -> None:
    halves = [Fraction(1, 2)]
    multiplied = [abs(shown) * one_plus(offset_ppt) % 1 for shown, offset_ppt in ties()]
    divided = [abs(shown) / one_plus(offset_ppt) % 1 for shown, offset_ppt in ties()]
    assert multiplied[:6] == halves * 6
    assert divided[6:] == halves * (len(divided) - 6)


def test_ties_go_away_from_zero() -> None:
    assert true_frequency(500_000, 1_000_000) == 500_001
    assert true_frequency(-500_000, 1_000_000) == -500_001
    assert true_frequency(500_000, -1_000_000) == 500_000  # 499 999.5


def test_results_beyond_their_type_are_held_at_its_ends() -> None:
    assert true_frequency(2**63 - 1, 1) == 2**63 - 1
    assert true_frequency(-(2**63), 1) == -(2**63)
    assert true_interval(-(2**63), -1) == -(2**63)
    assert tuning_word(2**32 - 1, -(10**6)) == 2**32 - 1


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: true_frequency(2**63, 0), "shown is 9223372036854775808; expected an integer from"),
        (lambda: true_interval(0, 2**31), "offset_ppt is 2147483648"),
        (lambda: tuning_word(-1, 0), "wanted is -1; expected an integer from 0 to 4294967295"),
        (
            lambda: check_corrections(("phase",)),
            'correction "phase" is unknown; expected some of frequency, interval, tuning-word, tuning-word-48$',
        ),
        (
            lambda: check_corrections(("interval", "interval")),
            "^the corrections interval, interval name one twice; expected each once$",
        ),
    ],
)
def test_arguments_outside_their_type_are_refused(call: object, sentence: str) -> None:
    with pytest.raises(FirmwareError, match=sentence):
        call()  # type: ignore[operator]


@pytest.mark.parametrize("function", [true_frequency, true_interval, tuning_word])
def test_both_arguments_are_held_to_their_types_and_the_ends_are_taken(function: Callable[[int, int], int]) -> None:
    name, least, largest = ("wanted", 0, 2**32 - 1) if function is tuning_word else ("shown", -(2**63), 2**63 - 1)
    for value in (least, largest):
        assert function(value, 0) == value
    for value in (least - 1, largest + 1):
        with pytest.raises(FirmwareError, match=f"^{name} is {value}; expected an integer from {least} to {largest}$"):
            function(value, 0)
    for offset_ppt in (-(2**31), 2**31 - 1):
        assert function(0, offset_ppt) == 0
    for offset_ppt in (-(2**31) - 1, 2**31):
        sentence = f"^offset_ppt is {offset_ppt}; expected an integer from -2147483648 to 2147483647$"
        with pytest.raises(FirmwareError, match=sentence):
            function(0, offset_ppt)


def test_every_correction_once_is_as_good_as_none() -> None:
    check_corrections(tuple(CORRECTIONS))
    check_corrections(())


def test_the_catalogue_names_every_correction_of_the_job_file() -> None:
    assert list(CORRECTIONS) == ["frequency", "interval", "tuning-word", "tuning-word-48"]


@settings(derandomize=True, max_examples=200)
@given(st.integers(0, 2**48 - 1), int32s)
def test_a_word_of_48_bits_equals_exact_rationals(wanted: int, offset_ppt: int) -> None:
    exact = away_from_zero(wanted / one_plus(offset_ppt))
    assert tuning_word_48(wanted, offset_ppt) == held(exact, 0, 2**48 - 1)
    with pytest.raises(FirmwareError, match="wanted is 281474976710656"):
        tuning_word_48(2**48, 0)


def test_what_is_steered_by_a_fast_clock_is_steered_slower() -> None:
    # By definition: what is made from a clock that is fast by 10 ppm is fast by 10 ppm, until its number makes it slower.
    ten_ppm, true_hz = 10_000_000, 10_000_000 * (1 + Fraction(10, 10**6))
    # A synthesiser of 48 bits: f = clock * word / 2**48. For 1 MHz, to a step of its own.
    wanted = away_from_zero(Fraction(10**6, 10**7) * 2**48)
    made_hz = true_hz * tuning_word_48(wanted, ten_ppm) / 2**48
    assert abs(made_hz - 10**6) <= true_hz / 2**48
    # A fractional-N loop: f = clock * (a + b / 2**18), here 100 MHz from 10 + 0 / 2**18.
    word = tuning_word_48(10 << 18, ten_ppm)
    assert abs(true_hz * word / 2**18 - 10**8) <= true_hz / 2**18
    assert (word >> 18, word & 2**18 - 1) == (9, 2**18 - 26)
    # A divider a + b / c: f = clock / (a + b / c), here 1 MHz from 10 + 0 / 1 000 000: it takes more of a fast clock.
    divider = true_frequency(10 * 10**6, ten_ppm)
    assert divmod(divider, 10**6) == (10, 100)
    assert true_hz / Fraction(divider, 10**6) == 10**6
    # The addend of a counter of time: each tick of a fast clock is shorter. 2**-32 s a unit, 100 ns a tick.
    addend = tuning_word(429, ten_ppm)
    assert addend == away_from_zero(Fraction(429) / one_plus(ten_ppm))
    # The reload of a timer, with 16 bits of fraction that the program carries on: a second has more ticks.
    reload_q16 = true_frequency(10_000_000 << 16, ten_ppm)
    assert reload_q16 >> 16 == 10_000_100
    assert reload_q16 == true_hz * 2**16
