"""Uncertainty foretold from a schedule, against closed forms and against the schedule carried out in the simulation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from plan_simulation import Board, simulated
from scipy import stats

from tcomp.estimation.effects import Ageing, Effects
from tcomp.planning.assumptions import Assumptions
from tcomp.planning.averaging import Noise
from tcomp.planning.prediction import Prediction, predict_uncertainty
from tcomp.planning.schedule import Schedule, Step, laid_out, plain_ramp, ramp_visits, soak_visits
from tcomp.simulation.crystal import AtCut, TuningFork

GATE_S, CHAMBER_S, SEEDS = 20.0, 60.0, 24
WHITE = Noise(0.0, 5.0, 0.0)


def flat(degree: int) -> Assumptions:
    return Assumptions(0.0, degree, lambda t: np.full(np.shape(t), 100.0), ())


@pytest.mark.parametrize("degree", [1, 3, 6, 9])
def test_a_uniform_ramp_has_the_square_of_degree_plus_one_at_its_ends(degree: int) -> None:
    # sum of (2 k + 1) for Legendre's polynomials at 1 is (degree + 1)^2.
    predicted = predict_uncertainty(
        plain_ramp(-20.0, 60.0, 0.1), flat(degree), (-20.0, 60.0), WHITE, gate_s=10.0, effects=Effects()
    )
    readings = 2 * 800 * 60 / 10
    one_ppb = WHITE.reading_ppb(10.0) / math.sqrt(readings)
    # Readings up and down, at even steps: the ramp is uniform to 1 / 9600 of its length.
    assert predicted.worst_ppb == pytest.approx((degree + 1) * one_ppb, rel=0.01)
    assert predicted.worst_at_c in (-20.0, 60.0)


@pytest.mark.parametrize("degree", [1, 3, 6, 9])
def test_long_soaks_at_the_optimal_points_have_degree_plus_one(degree: int) -> None:
    # Kiefer and Wolfowitz 1960: the largest variance is (degree + 1) / n.  Ramps of 1000 degC/min and soaks of a day.
    visits = soak_visits(degree, (-20.0, 60.0), 0, (1000.0, 1000.0), both_ways=False)[:-1]
    schedule = laid_out(visits, lambda visit, from_c: 0.0, 86_400.0, -20.0, 1000.0)
    predicted = predict_uncertainty(schedule, flat(degree), (-20.0, 60.0), WHITE, gate_s=60.0, effects=Effects())
    readings = (degree + 1) * 86_400.0 / 60.0
    # Points to a tenth of a degree, and some readings on the ramps.
    assert predicted.worst_ppb == pytest.approx(math.sqrt((degree + 1) / readings) * WHITE.reading_ppb(60.0), rel=0.02)


@dataclass(frozen=True)
class Case:
    """A board and a schedule; invented."""

    board: Board
    degree: int
    range_c: tuple[float, float]
    schedule: Schedule
    noise: Noise = WHITE

    def prediction(self) -> Prediction:
        expected = self.board.expected(self.degree)
        return predict_uncertainty(
            self.schedule, expected, self.range_c, self.noise, gate_s=GATE_S, chamber_s=CHAMBER_S
        )

    def errors_ppb(self, at_c: np.ndarray, seeds: int) -> np.ndarray:
        """Errors of least squares on simulated runs, shape (seeds, n)."""
        errors = []
        for seed in range(1, seeds + 1):
            scenario, run = simulated(self.board, self.schedule, self.noise, GATE_S, CHAMBER_S, seed)
            fitted = self.board.fitted_ppb(scenario, run, self.degree, at_c)
            errors.append(fitted - self.board.true_ppb(scenario, run, at_c))
        return np.array(errors)


def soaked(degree: int, range_c: tuple[float, float], kind: str) -> Schedule:
    rates = (1.0, 1.0) if kind == "soaks" else (1.0, 0.5)
    visits = (
        ramp_visits(range_c, rates) if kind == "ramps"
        else soak_visits(degree, range_c, 2, rates, both_ways=kind == "soaks")
    )  # fmt: skip
    return laid_out(visits, lambda visit, from_c: 12.0, 600.0, 20.0, 1.0)


CASES = {
    "river gauge, soaks and ramps": Case(
        Board(AtCut(2.6), 180.0), 3, (-20.0, 60.0), soaked(3, (-20.0, 60.0), "both")
    ),
    "garden station, ramps": Case(Board(TuningFork(24.0), 120.0), 2, (0.0, 40.0), soaked(2, (0.0, 40.0), "ramps")),
    "unknown cut, soaks": Case(Board(AtCut(3.4), 60.0), 7, (-10.0, 50.0), soaked(7, (-10.0, 50.0), "soaks")),
    "on the floor of flicker": Case(
        Board(AtCut(2.6), 180.0), 3, (-20.0, 60.0), soaked(3, (-20.0, 60.0), "both"), Noise(0.0, 1.0, 0.3)
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_simulated_runs_scatter_as_foretold(case: Case) -> None:
    predicted = case.prediction()
    errors = case.errors_ppb(predicted.at_c, SEEDS)
    ratio = math.sqrt(np.mean(errors**2 / predicted.noise_ppb**2))
    # Seeds times coefficients are the freedoms of the mean square; chi-squared (scipy) at 99.9 % is the chance alone.
    freedoms = SEEDS * (case.degree + 1)
    low, high = np.sqrt(stats.chi2.interval(0.999, freedoms) / np.float64(freedoms))
    assert max(low, 0.75) < ratio < min(high, 1.25)
    # No bias: the mean over the seeds is within Student's t (scipy) of zero, at 99.99 % for some 30 places that differ.
    t = errors.mean(axis=0) / (errors.std(axis=0, ddof=1) / math.sqrt(SEEDS))
    assert np.abs(t).max() < stats.t.ppf(0.99995, SEEDS - 1)


def test_over_many_seeds_the_worst_uncertainty_is_within_fifteen_percent() -> None:
    case = CASES["river gauge, soaks and ramps"]
    predicted = case.prediction()
    worst = np.sqrt(np.mean(case.errors_ppb(predicted.at_c, 100) ** 2, axis=0)).max()
    # 100 seeds scatter by 7 % at one place.
    assert worst == pytest.approx(predicted.worst_ppb, rel=0.15)


def test_a_noise_that_is_twice_as_large_is_found() -> None:
    case = CASES["garden station, ramps"]
    predicted = case.prediction()
    noisy = Case(case.board, case.degree, case.range_c, case.schedule, Noise(0.0, 10.0, 0.0))
    ratio = math.sqrt(np.mean(noisy.errors_ppb(predicted.at_c, 5) ** 2 / predicted.noise_ppb**2))
    assert ratio > 1.5


def test_effects_are_told_by_a_schedule_and_not_by_a_plain_ramp() -> None:
    case = CASES["river gauge, soaks and ramps"]
    assert all(one.identifiable and math.isfinite(one.u) for one in case.prediction().effects)
    # A straight curve: its lag is a shift between up and down, just as hysteresis is.
    straight = Assumptions(60.0, 1, lambda t: np.full(np.shape(t), 100.0), ())
    plain = predict_uncertainty(plain_ramp(0.0, 40.0, 0.02), straight, (0.0, 40.0), WHITE, gate_s=10.0)
    assert {one.name for one in plain.effects if not one.identifiable} >= {
        "lag",
        "hysteresis",
    }


def test_hysteresis_and_ageing_are_told_as_well_as_simulated_runs_tell_them() -> None:
    # Uncertainty of the ageing from the last and first soak alone: a difference of two means over the time between.
    soak = Step("soak", 20.0, 20.0, 100.0, "")
    away = (Step("ramp", 20.0, 60.0, 40.0, ""), Step("ramp", 60.0, 20.0, 40.0, ""))
    predicted = predict_uncertainty(
        Schedule((soak, *away, soak)), flat(2), (20.0, 60.0), WHITE, gate_s=10.0, effects=Effects((Ageing(),))
    )
    difference = math.sqrt(2) * WHITE.reading_ppb(10.0) / math.sqrt(600)
    days = 180 / 1440
    # The ramps and the drift within the soaks tell a little more.
    assert 0.7 * difference / days < predicted.effects[0].u < difference / days


def test_steps_of_the_sensor_in_a_soak_are_an_error_that_no_averaging_lowers() -> None:
    case = CASES["river gauge, soaks and ramps"]
    expected = case.board.expected(3)
    more = [
        predict_uncertainty(
            case.schedule, expected, case.range_c, WHITE, gate_s=GATE_S, chamber_s=CHAMBER_S, sensor_common_c=common_c
        ).worst_ppb
        for common_c in (0.0, 0.05, 0.1)
    ]
    assert more[0] < more[1] < more[2]
    assert math.sqrt(more[2] ** 2 - more[0] ** 2) == pytest.approx(
        2 * math.sqrt(more[1] ** 2 - more[0] ** 2),
        rel=1e-3,  # the worst place moves a little
    )
