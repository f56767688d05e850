"""Heat flow against closed forms: tests/data/simulation/thermal_worked.json (its source is in the README there)."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest

from tcomp.errors import JobError
from tcomp.simulation.chamber import ThermalPath, first_order_lag

WORKED = json.loads((Path(__file__).parent / "data/simulation/thermal_worked.json").read_text())["first_order_lag"]


@pytest.mark.parametrize("row", WORKED["rows"], ids=lambda row: f"tau_{row['tau_s']}")
def test_a_ramp_leaves_a_lag_of_rate_times_tau(row: dict[str, float]) -> None:
    tau_s = int(row["tau_s"])
    ramp_c = row["ramp_k_per_min"] / 60.0 * np.arange(40 * tau_s + 1)
    lag_c = ramp_c - first_order_lag(ramp_c, tau_s, 1.0)
    # The update is exact for a straight input: what is left is rounding.
    assert lag_c[tau_s] == pytest.approx(row["lag_k_at_tau"], abs=1e-9)
    assert lag_c[5 * tau_s] == pytest.approx(row["lag_k_at_5tau"], abs=1e-9)
    assert lag_c[-1] == pytest.approx(row["lag_k_steady"], abs=1e-9)


@pytest.mark.parametrize("taus", [1, 3, 5, 7])
def test_a_step_leaves_exp_minus_k_after_k_time_constants(taus: int) -> None:
    # On a grid a step is a ramp of one interval; counted from that ramp's middle the rest is exp(-t/tau)
    # times sinh(x)/x, x = step/(2 tau), which is 1 + 4e-6 here.  100.5 s puts k tau on the grid.
    tau_s = 100.5
    step_c = np.concatenate([[0.0], np.ones(1000)])
    left = 1.0 - first_order_lag(step_c, tau_s, 1.0)
    assert left[round(taus * tau_s + 0.5)] == pytest.approx(WORKED["step_left_after"][f"{taus} tau"], rel=1e-5)


def test_a_sinusoid_comes_through_with_the_gain_and_delay_of_one_lag() -> None:
    wave = WORKED["sinusoid"]
    time_s = np.arange(0.0, 20 * wave["period_s"])
    turn = 2.0 * math.pi * time_s / wave["period_s"]
    seen_c = first_order_lag(np.sin(turn), wave["tau_s"], 1.0)
    settled = slice(10 * wave["period_s"], None)  # a start that has died to exp(-120)
    design = np.column_stack([np.sin(turn[settled]), np.cos(turn[settled])])
    (in_phase, quadrature), *_ = np.linalg.lstsq(design, seen_c[settled], rcond=None)
    delay_s = -math.atan2(quadrature, in_phase) * wave["period_s"] / (2.0 * math.pi)
    # Straight pieces of 1 s cut the sinusoid's height by (2 pi / 3600)**2 / 12 = 2.5e-7.
    assert math.hypot(in_phase, quadrature) == pytest.approx(wave["gain"], rel=1e-6)
    assert delay_s == pytest.approx(wave["delay_s"], abs=1e-3)


def test_the_result_does_not_hang_on_the_step_of_the_grid() -> None:
    fine_s = np.arange(0.0, 2001.0)
    corners_c = np.interp(fine_s, [0.0, 500.0, 1500.0, 2000.0], [0.0, 0.0, 20.0, 20.0])
    coarse_c = first_order_lag(corners_c[::10], 70.0, 10.0)
    assert coarse_c == pytest.approx(first_order_lag(corners_c, 70.0, 1.0)[::10], abs=1e-9)


def test_no_time_constant_means_no_delay_and_a_copy() -> None:
    input_c = np.array([1.0, 2.0])
    seen_c = first_order_lag(input_c, 0.0, 1.0)
    seen_c[0] = 9.0
    assert input_c.tolist() == [1.0, 2.0]


def test_two_bodies_in_a_row_delay_a_ramp_by_the_sum() -> None:
    ramp_c = 0.01 * np.arange(5001.0)
    path = ThermalPath((120.0, 50.0))
    assert ramp_c[-1] - path.seen_c(ramp_c, 1.0)[-1] == pytest.approx(0.01 * path.delay_s, abs=1e-9)


def test_a_negative_time_constant_is_refused() -> None:
    with pytest.raises(JobError, match=r"simulation: a time constant is -5 s; expected 0 s or more"):
        first_order_lag(np.zeros(3), -5.0, 1.0)
