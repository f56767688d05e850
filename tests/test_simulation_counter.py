"""The counter: both roles in numbers, its resolution, its noise."""

from __future__ import annotations

import numpy as np
import pytest

from tcomp.errors import JobError
from tcomp.simulation.instruments import SimulatedCounter, flicker, gate_mean
from tcomp.units import offset_ppb_of_frequency, offset_ppb_of_timebase


def shown_hz(counter: SimulatedCounter, offset_ppb: float, count: int = 1, seed: int = 1) -> np.ndarray:
    return counter.shown_hz(np.full(count, offset_ppb), np.random.RandomState(seed))[0]


def allan_deviation(readings: np.ndarray, group: int) -> float:
    """Overlapping estimate: root of half the mean squared difference of neighbouring group means."""
    sums = np.concatenate([[0.0], np.cumsum(readings)])
    means = (sums[group:] - sums[:-group]) / group
    return float(np.sqrt(0.5 * np.mean((means[group:] - means[:-group]) ** 2)))


# Worked by hand: 10 MHz and y = +1 ppm.  Measured, the oscillator gives 10 000 010 Hz.  As the timebase it
# shows 10e6 / 1.000001 = 9 999 990.000 010 Hz: the sign turns round (contract: f_true = f_shown (1 + y)).
@pytest.mark.parametrize(("role", "expected_hz"), [("oscillator", 10_000_010.0), ("timebase", 9_999_990.000010)])
def test_each_role_shows_its_worked_number(role: str, expected_hz: float) -> None:
    assert shown_hz(SimulatedCounter(10e6, role), 1000.0)[0] == pytest.approx(expected_hz, abs=1e-8)


@pytest.mark.parametrize("offset_ppb", [-63_800.0, -1.0, 0.0, 4_177.0])
def test_the_conversions_of_the_tool_take_each_role_back(offset_ppb: float) -> None:
    # A double at 10 MHz is worth 2e-9 Hz, or 2e-7 ppb.
    measured = offset_ppb_of_frequency(shown_hz(SimulatedCounter(10e6), offset_ppb), 10e6)
    clocked = offset_ppb_of_timebase(shown_hz(SimulatedCounter(10e6, "timebase"), offset_ppb), 10e6)
    assert measured == pytest.approx(offset_ppb, abs=1e-6)
    assert clocked == pytest.approx(offset_ppb, abs=1e-6)


def test_a_direct_count_of_ten_seconds_at_10_mhz_resolves_ten_ppb() -> None:
    # Direct counting resolves 1/(f gate): 10 MHz and 10 s give 1e-8, that is steps of 0.1 Hz
    # (tests/data/simulation/thermal_worked.json, "direct_count").
    offsets_ppb = np.linspace(0.0, 100.0, 1001)
    shown, _ = SimulatedCounter(10e6, gate_s=10.0, resolution_hz=1 / 10.0).shown_hz(
        offsets_ppb, np.random.RandomState(1)
    )
    values_ppb = np.unique(np.round(offset_ppb_of_frequency(shown, 10e6), 3))
    assert values_ppb.tolist() == [10.0 * step for step in range(11)]


def test_a_gate_reports_the_mean_over_itself() -> None:
    grid = np.arange(0.0, 101.0) ** 2
    # Mean of t**2 over [90, 100] is (100**3 - 90**3)/30; trapezoids of 1 s add 1/6.
    assert gate_mean(grid, np.array([100]), 10)[0] == pytest.approx((100**3 - 90**3) / 30 + 1 / 6)


def test_white_noise_has_the_stated_size_and_no_memory() -> None:
    count = 20_000
    noise_ppb = SimulatedCounter(10e6, white_ppb=2.0).noise_ppb(count, np.random.RandomState(4))
    # Standard errors: deviation 2/sqrt(2n) = 0.01; correlation 1/sqrt(n) = 0.007; four of each.
    assert noise_ppb.std() == pytest.approx(2.0, abs=0.04)
    assert abs(np.corrcoef(noise_ppb[1:], noise_ppb[:-1])[0, 1]) < 0.028


def test_random_walk_takes_steps_of_the_stated_size() -> None:
    steps_ppb = np.diff(SimulatedCounter(10e6, random_walk_ppb=0.3).noise_ppb(20_000, np.random.RandomState(5)))
    # Standard error 0.3/sqrt(2n) = 0.0015; four of them.
    assert steps_ppb.std() == pytest.approx(0.3, abs=0.006)


@pytest.mark.parametrize("group", [8, 32, 128])
def test_flicker_noise_is_flat_at_its_floor(group: int) -> None:
    # Allan deviation of h/f noise is sqrt(2 ln 2 h), whatever the averaging time (IEEE Std 1139, from memory).
    # 2**17 readings hold 1024 groups of 128: standard error about 1/sqrt(2 x 1024) = 2 %; four of them.
    readings = flicker(2**17, 3.0, np.random.RandomState(6))
    assert allan_deviation(readings, group) == pytest.approx(3.0, rel=0.09)


def test_white_noise_is_not_flat_so_the_check_of_flicker_can_fail() -> None:
    readings = SimulatedCounter(10e6, white_ppb=3.0).noise_ppb(2**15, np.random.RandomState(6))
    assert allan_deviation(readings, 32) == pytest.approx(3.0 / np.sqrt(32), rel=0.1)


def test_glitches_come_at_their_rate_and_are_gross() -> None:
    counter = SimulatedCounter(10e6, glitch_share=0.01, glitch_ppb=(200.0, 50_000.0))
    shown, glitched = counter.shown_hz(np.zeros(20_000), np.random.RandomState(7))
    # Binomial: 200 expected, standard deviation 14; four of them.
    assert 144 < glitched.sum() < 256
    error_ppb = np.abs(offset_ppb_of_frequency(shown, 10e6))
    # A double at 10 MHz is worth 2e-7 ppb.
    assert (error_ppb[glitched] > 200.0 - 1e-6).all()
    assert (error_ppb[glitched] < 50_000.0 + 1e-6).all()
    assert (error_ppb[~glitched] < 1e-6).all()


def test_the_same_seed_gives_the_same_readings() -> None:
    counter = SimulatedCounter(10e6, white_ppb=1.0, flicker_ppb=1.0, random_walk_ppb=0.1, glitch_share=0.01)
    first, again, other = (shown_hz(counter, 5.0, 500, seed) for seed in (8, 8, 9))
    assert (first == again).all()
    assert (first != other).any()


def test_a_third_role_is_refused() -> None:
    with pytest.raises(JobError, match=r"the counter's role is 'mixer'; expected 'oscillator' or 'timebase'"):
        shown_hz(SimulatedCounter(10e6, "mixer"), 0.0)
