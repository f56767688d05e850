"""What a coarse counter does to the curve. All runs are invented, by a simulator that shares no code with tcomp."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import independent
import numpy as np
import pandas as pd
import pytest
from independent import at_cubic, counted, rounded, simulate
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.stats import CensoredData, norm

from tcomp.estimation import estimate, weights
from tcomp.estimation.coarse_readings import CoarseReadings, Kind
from tcomp.estimation.fit_result import FitResult
from tcomp.estimation.samples import samples_of
from tcomp.job import read_job_text
from tcomp.logs import cells
from tcomp.logs.prepared import prepare_frames
from tcomp.planning.averaging import CROSSING, Noise
from tcomp.planning.plan import plan
from tcomp.workflow import learn

JOB = read_job_text('[oscillator]\nname = "gauge"\nnominal_hz = 10_000_000\ncut = "AT"', runs_needed=False)
AT_C = np.linspace(0.0, 55.0, 111)


def learnt_of(log: independent.Log) -> FitResult:
    """The curve of a log, in a job that says nothing of the counter."""
    frame = pd.DataFrame({"t": log.time_s, "degC": log.sensor_c, "ppb": log.offset_ppb})
    runs = prepare_frames(JOB, frame, time="t", temperature="degC", offset="ppb", offset_unit="ppb")
    return learn(JOB, runs, samples_of(runs))


@cache
def fitted_from(seed: int, step_ppb: float) -> FitResult:
    """The curve of two ramp rates and soaks, by a counter that rounds to a step."""
    return learnt_of(simulate(seed, counter=rounded(step_ppb)))


def worst_ppb(fit_result: FitResult) -> float:
    return float(np.abs(fit_result.curve.offset_ppb(AT_C) - at_cubic(AT_C)).max())


def error_over_u(fit_result: FitResult) -> float:
    error = fit_result.curve.offset_ppb(AT_C) - at_cubic(AT_C)
    return float(np.sqrt(np.mean((error / fit_result.curve.uncertainty_ppb(AT_C)) ** 2)))


def no_weight(fit_result: FitResult) -> float:
    """Share of the samples."""
    fit = fit_result.estimate.fit
    return float(fit.gross.sum() / fit.usable.sum())


def invented(fit_result: FitResult) -> list[str]:
    curve = fit_result.curve
    effects = [effect.name for effect in curve.effects if effect.name != "lag" and effect.status == "found"]
    return effects + ["jump"] * len(curve.jumps) + ["dip"] * len(curve.dips)


# The largest errors of 20 logs (`benchmarks/coarse.py counters 20`) are about 0.36, 1.1 and 3.2 ppb.
# Least squares leave 0.3, 20 and 48.
@pytest.mark.parametrize(("step_ppb", "most_ppb"), [(10.0, 0.4), (100.0, 1.6), (200.0, 4.0)])
def test_the_curve_is_known_far_better_than_the_step(step_ppb: float, most_ppb: float) -> None:
    fit_result = fitted_from(1, step_ppb)
    assert worst_ppb(fit_result) < most_ppb
    assert error_over_u(fit_result) < 2.5  # of one log; over 20 the root mean square is about 1
    assert no_weight(fit_result) < 0.02
    assert invented(fit_result) == []
    # The readings themselves are known no better than their rounding (JCGM 100:2008, F.2.2.1).
    assert fit_result.curve.held_out.rms_ppb >= step_ppb / np.sqrt(12.0)
    assert any("rounds to steps of" in remark for remark in fit_result.curve.remarks)


def test_least_squares_alone_would_be_off_by_far_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: readings in steps taken for values."""
    monkeypatch.setattr(estimate, "coarse_readings", lambda *_: None)
    least_squares = fitted_from.__wrapped__(1, 100.0)
    assert worst_ppb(least_squares) > 10.0
    assert no_weight(least_squares) == 0.0
    # Planted as well: constant residuals in soaks are taken for truth, and more samples lose their weight than is said.
    monkeypatch.setattr(weights, "rounding_sd", np.zeros_like)
    assert no_weight(fitted_from.__wrapped__(1, 100.0)) > 0.02


def test_a_fine_counter_is_fitted_by_least_squares() -> None:
    assert fitted_from(1, 1.0).estimate.fit.readings is None


def test_a_count_of_whole_cycles_is_told_from_a_rounded_reading() -> None:
    fit_result = learnt_of(simulate(1, counter=counted(16e6, 1.0, 1e-9)))
    result = fit_result.estimate.fit.readings
    assert result is not None
    assert result.readings.kind == "counted"
    assert worst_ppb(fit_result) < 4.0  # the largest of 20 logs is 3.1
    assert invented(fit_result) == []
    rounded_told = fitted_from(1, 100.0).estimate.fit.readings
    assert rounded_told is not None
    assert rounded_told.readings.kind == "rounded"


def test_a_jump_shows_through_the_steps() -> None:
    log = simulate(1)
    jumped_ppb = log.offset_ppb + 300.0 * (log.time_s > 16_000.0)
    fit_result = learnt_of(independent.replaced(log, np.round(jumped_ppb / 10.0) * 10.0))
    (jump,) = fit_result.curve.jumps
    assert jump.height_ppb == pytest.approx(300.0, abs=3 * jump.uncertainty_ppb)
    assert abs(jump.time_s - 16_000.0) <= 2 * independent.ROW_S
    assert fit_result.curve.effect("ageing").status == "none seen"


@pytest.mark.parametrize("kind", ["rounded", "counted"])
def test_cells_of_coarse_readings_tell_the_curve(monkeypatch: pytest.MonkeyPatch, kind: Kind) -> None:
    """Ten readings in a cell: nearly all of the cells stand still."""
    monkeypatch.setattr(independent, "ROW_S", 1)
    monkeypatch.setattr(cells, "LONG_SAMPLES", 1000)
    fit_result = learnt_of(simulate(1, counter=rounded(100.0) if kind == "rounded" else counted(16e6, 1.0, 1e-9)))
    result = fit_result.estimate.fit.readings
    assert result is not None
    assert result.readings.kind == kind
    assert result.readings.count.max() > 1
    assert worst_ppb(fit_result) < 1.0  # 0.2 and 0.3 ppb found; without the likelihood 20 and 2
    assert no_weight(fit_result) < 0.02
    assert invented(fit_result) == []


def one_mean(kind: Kind, readings_ppb: np.ndarray, step_ppb: float) -> tuple[float, float]:
    """Mean and noise of greatest likelihood of readings of one mean."""
    one = np.ones_like(readings_ppb)
    readings = CoarseReadings(kind, readings_ppb, 0 * one, one, step_ppb * one, 0 * one)

    def misfit(at: np.ndarray) -> float:
        return -float(readings.likelihood(at[0] * one, np.exp(at[1]) * one).log.sum())

    found = minimize(misfit, [readings_ppb.mean(), np.log(readings_ppb.std())], method="Nelder-Mead", tol=1e-10).x
    return float(found[0]), float(np.exp(found[1]))


def test_mean_and_noise_of_rounded_readings_are_those_of_interval_censored_normal_data() -> None:
    """Held against scipy.stats.norm.fit of CensoredData."""
    readings_ppb = np.round(np.random.default_rng(1).normal(23.0, 6.0, 400) / 10.0) * 10.0
    mean, sd = norm.fit(CensoredData.interval_censored(readings_ppb - 5.0, readings_ppb + 5.0))
    # Gross errors have a chance of 1e-6 each, which moves the estimates by as little.
    assert one_mean("rounded", readings_ppb, 10.0) == pytest.approx((mean, sd), rel=1e-4)


def test_the_chance_of_a_count_is_a_triangle_smoothed_by_noise() -> None:
    """Held against scipy.integrate.quad: a count of random phase is the upper one with the fraction for its chance."""
    one = np.ones(1)
    readings = CoarseReadings("counted", 0 * one, 0 * one, one, 10 * one, 0 * one)
    for sd in (0.5, 3.0, 7.0):
        for away in (0.0, 4.0, 11.0):
            edges = sorted(edge - away for edge in (-10.0, 0.0, 10.0))
            found = sum(
                quad(lambda e, a=away, s=sd: max(0.0, 1 - abs(a + e) / 10.0) * norm.pdf(e, scale=s), low, high)[0]
                for low, high in pairwise(edges)
            )
            log = readings.likelihood(away * one, sd * one).log[0]
            assert np.exp(log) - 1e-6 == pytest.approx(found, abs=2e-8)  # of the mixture with gross errors


def test_score_and_information_are_the_derivatives_of_the_logarithm() -> None:
    """By central differences, within a step and beside it, where gross errors have no part."""
    mean = np.linspace(-6.0, 6.0, 25)
    one, h = np.ones_like(mean), 1e-3
    for kind in ("rounded", "counted"):
        readings = CoarseReadings(kind, 0 * one, 0 * one, one, 10 * one, 0 * one)  # type: ignore[arg-type]
        less, here, more = (readings.likelihood(mean + by, 2 * one) for by in (-h, 0.0, h))
        assert here.score == pytest.approx((more.log - less.log) / (2 * h), abs=1e-4)
        assert here.information == pytest.approx((2 * here.log - more.log - less.log) / h**2, abs=1e-4)


def test_readings_across_a_step_tell_as_much_as_the_plan_says() -> None:
    """Fisher's information of which side of an edge a reading falls, by scipy.integrate.quad."""
    assert quad(lambda x: norm.pdf(x) ** 2 / (norm.cdf(x) * norm.sf(x)), -8, 8)[0] == pytest.approx(CROSSING, rel=1e-4)
    one, mean = np.ones(20_001), np.linspace(0.0, 100.0, 20_001)
    result = fitted_from(1, 100.0).estimate.fit.readings
    assert result is not None
    even = type(result)(CoarseReadings("rounded", 0 * one, 0 * one, one, 100 * one, 0 * one), mean, 1.5 * one, 1.5)
    expected_ppb = float(np.mean(even.expected_information)) ** -0.5
    assert Noise(0.0, 1.5, 0.0, step_ppb=100.0).reading_ppb(1.0) == pytest.approx(expected_ppb, rel=0.01)


def test_a_plan_for_a_coarse_counter_ramps_across_its_steps() -> None:
    text = (
        '[oscillator]\nname = "gauge"\ncut = "AT"\n[reference]\nnoise_ppb = 1.5\n[fit]\nrange_c = [0, 55]\n'
        "[plan]\nlag_s = 110\ncurve_ppb = 20\n[counter]\ngate_s = 10\nstep_ppb = "
    )
    fine, coarse = (plan(read_job_text(text + step, runs_needed=False)) for step in ("0.1", "100"))
    soaks = [sum(step.what == "soak" for step in one.schedule.steps) for one in (fine, coarse)]
    assert soaks[0] > soaks[1] == 3
    assert coarse.prediction.worst_ppb > 3 * fine.prediction.worst_ppb
    assert any("planned as ramps across the steps" in remark for remark in coarse.remarks)
    assert not any("step_ppb" in remark for remark in fine.remarks)
