"""The check for a shape that a curve leaves: false alarms and power."""

from __future__ import annotations

import numpy as np
import pytest

from tcomp.estimation.crystal_regressor import CrystalRegressor
from tcomp.estimation.lack_of_fit import LackOfFit, lack_of_fit
from tcomp.simulation.instruments import flicker


def sweeps(seed: int, count: int = 4, flicker_ppb: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented: sweeps up and down of 500 samples, 1 ppb of white noise and a flicker floor; temperature, noise, sweep."""
    random = np.random.RandomState(seed)
    up = np.linspace(-20.0, 60.0, 500)
    crystal_c = np.concatenate([up if number % 2 == 0 else up[::-1] for number in range(count)])
    noise = random.standard_normal(crystal_c.size)
    noise += np.concatenate([flicker(500, flicker_ppb, random) for _ in range(count)])
    return crystal_c, noise, np.repeat(np.arange(count), 500)


def left_by(degree: int, crystal_c: np.ndarray, y: np.ndarray) -> np.ndarray:
    return y - CrystalRegressor(degree).fit(crystal_c[:, None], y).predict(crystal_c[:, None])


def checked(degree: int, crystal_c: np.ndarray, y: np.ndarray, sweep: np.ndarray) -> LackOfFit:
    return lack_of_fit(crystal_c, left_by(degree, crystal_c, y), sweep)


@pytest.mark.parametrize(("count", "flicker_ppb"), [(1, 0.0), (4, 0.0), (2, 1.0)])
def test_clean_logs_raise_an_alarm_in_less_than_one_of_twenty(count: int, flicker_ppb: float) -> None:
    alarms = []
    for seed in range(20):
        crystal_c, noise, sweep = sweeps(seed, count, flicker_ppb)
        alarms.append(checked(3, crystal_c, noise, sweep).found)
    assert np.mean(alarms) <= 0.05


def test_a_cubic_that_a_parabola_leaves_is_found_with_its_size() -> None:
    for seed in range(5):
        crystal_c, noise, sweep = sweeps(seed)
        cubic = 20.0 * ((crystal_c - 20.0) / 40.0) ** 3
        left = left_by(2, crystal_c, cubic)
        found = checked(2, crystal_c, cubic + noise, sweep)
        assert found.found
        # 80 cells of 25 samples tell 3 ppb RMS within a tenth.
        assert found.amplitude_ppb == pytest.approx(np.sqrt(np.mean(left**2)), rel=0.1)
        assert found.words == (
            f"a shape of {found.amplitude_ppb:.2g} ppb RMS over about {found.length_c:.2g} degC is left: "
            "allow a richer curve, or look for what moves the offset at these temperatures besides"
        )


def test_a_wave_is_found_with_about_its_size_and_length() -> None:
    crystal_c, noise, sweep = sweeps(1)
    found = checked(3, crystal_c, noise + 12.0 * np.sqrt(2) * np.sin(2 * np.pi * crystal_c / 25.0), sweep)
    assert found.found
    assert found.amplitude_ppb == pytest.approx(12.0, rel=0.1)
    # Between a radian (4 degC) and a period: what "changes over" can mean for a wave.
    assert 4.0 < found.length_c < 25.0


def test_what_is_not_seen_is_smaller_than_the_words_say() -> None:
    # Waves of half of the bound's size are hidden in noise: the bound is above them in all but one of twenty.
    below = []
    for seed in range(20):
        crystal_c, noise, sweep = sweeps(seed, 4, 1.0)
        found = checked(3, crystal_c, noise + 0.3 * np.sqrt(2) * np.sin(2 * np.pi * crystal_c / 25.0), sweep)
        assert found.words == f"no shape is left beyond {found.amplitude_ppb:.2g} ppb"
        below.append(found.amplitude_ppb < 0.3)
    assert np.mean(below) <= 0.05


def test_a_loop_is_no_shape() -> None:
    crystal_c, noise, sweep = sweeps(2)
    loop = np.where(sweep % 2 == 0, 15.0, -15.0)
    assert not checked(3, crystal_c, noise + loop, sweep).found
    # Nor where the cooling sweeps turn back half way, so that the loop does not cancel in every cell.
    kept = (sweep % 2 == 0) | (crystal_c > 20.0)
    assert not lack_of_fit(crystal_c[kept], (noise + loop)[kept], sweep[kept]).found


def test_what_the_sweeps_do_not_share_is_no_shape() -> None:
    crystal_c, noise, sweep = sweeps(3)
    each = 5.0 * np.sin(crystal_c / 8.0 + np.array([0.0, 1.6, 3.1, 4.7])[sweep])
    assert not checked(3, crystal_c, noise + each, sweep).found
    shared = 5.0 * np.sin(crystal_c / 8.0)
    assert checked(3, crystal_c, noise + shared, sweep).found


def test_a_cell_with_few_samples_weighs_less() -> None:
    # Three samples that are 8 ppb off where hardly anything was measured are no shape; a hundred would be.
    crystal_c, noise, sweep = sweeps(4)
    sparse = (crystal_c < 40.0) | (np.arange(crystal_c.size) % 100 == 0)
    few = np.where(sparse & (crystal_c > 57.0), noise + 3.0, noise)
    assert not lack_of_fit(crystal_c[sparse], few[sparse], sweep[sparse]).found
    assert lack_of_fit(crystal_c, np.where(crystal_c > 57.0, noise + 3.0, noise), sweep).found


def test_one_sweep_alone_is_said_to_be_open_to_drift() -> None:
    crystal_c, noise, sweep = sweeps(5, 1)
    assert checked(3, crystal_c, noise, sweep).words.endswith(" (one sweep only: a drift with time looks the same)")


def test_too_few_temperatures_are_said_to_be_too_few() -> None:
    found = lack_of_fit(np.repeat([0.0, 10.0, 20.0], 50), np.zeros(150), np.zeros(150, dtype=np.int64))
    assert not found.found
    assert found.words == "too few temperatures to tell whether a shape is left: 3 of 25 cells are filled"


def test_round_off_is_no_shape() -> None:
    # A log without noise leaves 1e-13 ppb or so, in waves; above the firmware's unit of 0.001 ppb a wave is a shape again.
    crystal_c, _, sweep = sweeps(6)
    found = lack_of_fit(crystal_c, 1e-13 * np.sin(crystal_c), sweep)
    assert (found.found, found.words) == (False, "no shape is left beyond 0.001 ppb")
    assert lack_of_fit(crystal_c, 0.01 * np.sin(crystal_c), sweep).found


def test_the_same_residuals_give_the_same_verdict_to_the_last_bit() -> None:
    crystal_c, noise, sweep = sweeps(6)
    assert lack_of_fit(crystal_c, noise, sweep) == lack_of_fit(crystal_c, noise, sweep)
