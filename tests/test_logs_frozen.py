"""A sensor that stopped is told from one that rests or whose steps are coarse.  All runs are invented, with a known truth."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tcomp.logs.frozen import frozen_stretches

Floats = NDArray[np.float64]
INTERVAL_S, LAG_S = 10.0, 110.0
CRYSTALS = {
    "steep cubic": lambda c: -220.0 * (c - 26.0) + 0.1 * (c - 26.0) ** 3,
    "flat cubic": lambda c: -20.0 * (c - 26.0) + 0.1 * (c - 26.0) ** 3,
    "parabola": lambda c: -35.0 * (c - 25.0) ** 2,
}


def chamber_c() -> Floats:
    """Two sweeps from 0 to 55 degC and back, at 0.3 and 0.6 degC/min, with soaks of 30 min."""
    parts = []
    for rate_c_per_min in (0.3, 0.6):
        up_c = np.arange(0.0, 55.0, rate_c_per_min * INTERVAL_S / 60.0)
        parts += [np.zeros(180), up_c, np.full(180, 55.0), up_c[::-1]]
    return np.concatenate([*parts, np.zeros(180)])


def behind(chamber: Floats) -> Floats:
    """The crystal's temperature, a time constant behind. [degC]"""
    share, crystal_c = 1.0 - np.exp(-INTERVAL_S / LAG_S), np.empty_like(chamber)
    crystal_c[0] = chamber[0]
    for row in range(1, len(chamber)):
        crystal_c[row] = crystal_c[row - 1] + share * (chamber[row] - crystal_c[row - 1])
    return crystal_c


CHAMBER_C = chamber_c()
CRYSTAL_C = behind(CHAMBER_C)


def run(crystal: str, step_c: float, noise_ppb: float, seed: int) -> tuple[Floats, Floats]:
    random = np.random.RandomState(seed)
    sensor_c = np.round((CHAMBER_C + random.normal(0.0, 0.02, len(CHAMBER_C))) / step_c) * step_c
    return sensor_c, CRYSTALS[crystal](CRYSTAL_C) + random.normal(0.0, noise_ppb, len(CRYSTAL_C))


@pytest.mark.parametrize("crystal", CRYSTALS)
@pytest.mark.parametrize("step_c", [0.01, 0.1, 1.0, 5.0])
def test_a_sensor_that_works_is_not_frozen_whatever_its_steps(crystal: str, step_c: float) -> None:
    for seed, noise_ppb in enumerate((0.01, 1.5, 30.0)):
        sensor_c, offset_ppb = run(crystal, step_c, noise_ppb, seed)
        assert frozen_stretches(sensor_c, offset_ppb) == ()
        # A jump of the frequency, in a soak or a ramp, moves no sensor.
        for jump_ppb, at in ((300.0, 1300), (3000.0, 90), (30_000.0, 1380)):
            jumped = offset_ppb + np.where(np.arange(len(offset_ppb)) < at, 0.0, jump_ppb)
            assert frozen_stretches(sensor_c, jumped) == ()


@pytest.mark.parametrize("crystal", CRYSTALS)
@pytest.mark.parametrize("step_c", [0.01, 0.1, 1.0])
def test_a_sensor_that_stops_for_good_is_found_from_its_first_equal_value(crystal: str, step_c: float) -> None:
    for seed, noise_ppb in enumerate((0.01, 1.5, 30.0)):
        sensor_c, offset_ppb = run(crystal, step_c, noise_ppb, seed)
        stopped = 1700 + 400 * seed
        sensor_c[stopped:] = sensor_c[stopped]
        (found,) = frozen_stretches(sensor_c, offset_ppb)
        assert found.stop == len(sensor_c)
        assert found.start <= stopped
        assert np.all(sensor_c[found.start :] == sensor_c[stopped])


def test_a_sensor_that_hangs_and_comes_back_is_found() -> None:
    sensor_c, offset_ppb = run("steep cubic", 0.1, 1.5, 4)
    sensor_c[400:900] = sensor_c[400]
    (found,) = frozen_stretches(sensor_c, offset_ppb)
    assert abs(found.start - 400) < 10
    assert abs(found.stop - 900) < 10
