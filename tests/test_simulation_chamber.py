"""The chamber against a general integrator and against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from tcomp.errors import JobError
from tcomp.simulation.chamber import FirstOrderChamber, Programme, ProgrammeLeg, TwoNodeChamber

ANY = np.random.RandomState(1)


def test_a_programme_soaks_ramps_and_soaks() -> None:
    programme = Programme(-20.0, 15.0, (ProgrammeLeg(60.0, 0.5, 30.0), ProgrammeLeg(-20.0, 1.0)))
    # 15 + 80/0.5 + 30 + 80/1 minutes.
    assert programme.duration_s == pytest.approx((15 + 160 + 30 + 80) * 60)
    at_min = np.array([0.0, 14.0, 95.0, 190.0, 245.0, 285.0])
    assert programme.set_point_c(at_min * 60.0) == pytest.approx([-20.0, -20.0, 20.0, 60.0, 20.0, -20.0])


def test_the_two_nodes_agree_with_an_integrator_of_the_same_equations() -> None:
    chamber = TwoNodeChamber(wall_s=240.0, air_s=80.0, back_coupling=0.4)
    rate_c_per_s = 0.02

    def coupled(time_s: float, nodes_c: np.ndarray) -> list[float]:
        wall_c, air_c = nodes_c
        return [(rate_c_per_s * time_s - wall_c + 0.4 * (air_c - wall_c)) / 240.0, (wall_c - air_c) / 80.0]

    time_s = np.arange(0.0, 1201.0)
    expected_c = solve_ivp(coupled, (0.0, 1200.0), [0.0, 0.0], t_eval=time_s, rtol=1e-10, atol=1e-12).y[1]
    # Between grid points the first lag's output is taken as straight: (1 s)**2 / 8 times its curvature,
    # 0.02 / 67 degC/s**2 at most, or 4e-5 degC.
    assert chamber.air_c(rate_c_per_s * time_s, 1.0, ANY) == pytest.approx(expected_c, abs=4e-5)


def test_a_ramp_leaves_the_air_behind_by_both_nodes() -> None:
    chamber = TwoNodeChamber(wall_s=240.0, air_s=80.0, back_coupling=0.4)
    ramp_c = 0.01 * np.arange(10_001.0)
    # Steady ramp in the two equations: the air trails the wall by r air_s, the wall the heater by
    # r wall_s + back_coupling r air_s.
    expected_c = 0.01 * (240.0 + (1 + 0.4) * 80.0)
    assert ramp_c[-1] - chamber.air_c(ramp_c, 1.0, ANY)[-1] == pytest.approx(expected_c, abs=1e-6)


def test_the_air_answers_a_step_late_and_not_at_once_as_one_lag_would() -> None:
    step_c = np.concatenate([[0.0], np.ones(3000)])
    two = TwoNodeChamber(wall_s=240.0, air_s=80.0, back_coupling=0.4).air_c(step_c, 1.0, ANY)
    one = FirstOrderChamber(tau_s=352.0).air_c(step_c, 1.0, ANY)
    # Second order starts with zero slope, t**2/(2 wall_s air_s) = 0.0026 after 10 s; first order with 10/352 = 0.028.
    assert two[10] == pytest.approx(10.0**2 / (2 * 240.0 * 80.0), rel=0.2)
    assert one[10] == pytest.approx(10.0 / 352.0, rel=0.1)


def test_the_first_order_chamber_has_its_closed_form() -> None:
    ramp_c = 0.02 * np.arange(301.0)
    air_c = FirstOrderChamber(tau_s=100.0).air_c(ramp_c, 1.0, ANY)
    assert air_c[300] == pytest.approx(0.02 * (300.0 - 100.0 * (1.0 - math.exp(-3.0))), abs=1e-9)


def test_the_controller_hunts_with_its_amplitude_and_period() -> None:
    chamber = TwoNodeChamber(wall_s=240.0, air_s=80.0, back_coupling=0.4, ripple_c=0.05, ripple_period_s=300.0)
    air_c = chamber.air_c(np.full(6000, 20.0), 1.0, np.random.RandomState(5))
    spectrum = np.abs(np.fft.rfft(air_c - 20.0)) / 3000.0
    # 6000 s hold 20 whole periods: one line, nothing beside it but rounding.
    assert spectrum[20] == pytest.approx(0.05, rel=1e-9)
    assert np.delete(spectrum, 20).max() < 1e-9


def test_another_seed_moves_the_hunting_and_the_same_one_does_not() -> None:
    chamber = TwoNodeChamber(wall_s=240.0, air_s=80.0, back_coupling=0.4, ripple_c=0.05)
    flat_c = np.full(100, 20.0)
    first, again, other = (chamber.air_c(flat_c, 1.0, np.random.RandomState(seed)) for seed in (5, 5, 6))
    assert (first == again).all()
    assert np.abs(first - other).max() > 1e-3


def test_a_rate_that_is_not_positive_is_refused() -> None:
    with pytest.raises(JobError, match=r"leg 2 of the programme has a rate of 0 degC/min; expected a positive rate"):
        Programme(0.0, 1.0, (ProgrammeLeg(10.0, 1.0), ProgrammeLeg(0.0, 0.0))).corners()
