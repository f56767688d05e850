"""A curve learnt of cells of samples is the curve learnt of all samples.

All runs are invented: an AT cut behind a lag of 170 s, heated and cooled twice.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from tcomp.estimation import weights
from tcomp.estimation.candidates import candidates
from tcomp.estimation.curve import Curve
from tcomp.estimation.estimate import Settings
from tcomp.estimation.learn import learn_curve
from tcomp.estimation.samples import Cells, conditions_of, samples_of
from tcomp.estimation.single_samples import largest, mean_square, size_of_share
from tcomp.estimation.thermal_lag import lagged
from tcomp.estimation.validation import validate
from tcomp.logs import cells
from tcomp.logs.cells import in_cells
from tcomp.logs.cleaning import clean_run
from tcomp.logs.legs import cut_legs
from tcomp.logs.prepared import PreparedRun, clean_frame, from_clean_frame
from tcomp.logs.record import CleanRun, RawRun, frame_of

Floats = NDArray[np.float64]

LAG_S, SLOPE, CUBIC = 170.0, -220.76, 0.1086
NOISE_PPB = 1.0


@cache
def run_of_samples() -> CleanRun:
    """A sample a second for eleven hours; the sensor is fine enough that its steps do not matter."""
    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, 40_000.0)
    corners_s = [0, 1000, 9000, 11_000, 19_000, 21_000, 29_000, 31_000, 39_000, 40_000]
    air_c = np.interp(time_s, corners_s, [-20, -20, 60, 60, -20, -20, 60, 60, -20, -20])
    sensor_c = lagged(time_s, air_c, np.zeros(time_s.size, dtype=int), 120.0)
    away_c = lagged(time_s, sensor_c, np.zeros(time_s.size, dtype=int), LAG_S) - 26.4
    offset_ppb = SLOPE * away_c + CUBIC * away_c**3 + rng.normal(0.0, NOISE_PPB, time_s.size)
    shown_c = np.round(sensor_c + rng.normal(0.0, 2e-4, time_s.size), 4)
    return clean_run(RawRun("gauge.csv", frame_of(time_s, shown_c, offset_ppb), "elapsed", ()))


@cache
def run_in_cells(tukey: float = cells.TUKEY) -> CleanRun:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cells, "LONG_SAMPLES", 1000)
        patch.setattr(cells, "TUKEY", tukey)
        return in_cells(run_of_samples())


def fitted_from(run: CleanRun) -> Curve:
    prepared = PreparedRun(run, cut_legs(run))
    return learn_curve(
        samples_of((prepared,)), candidates("auto", "AT"), settings=Settings(effects={"hysteresis": "none"}),
        conditions=conditions_of((prepared,)),
        range_c=None, reference_c=25.0, reference_u_ppb=0.0, cut="AT",
    ).curve  # fmt: skip


@cache
def both_curves() -> tuple[Curve, Curve]:
    return fitted_from(run_in_cells()), fitted_from(run_of_samples())


@cache
def both_by_least_squares() -> tuple[Curve, Curve]:
    """The same with all samples weighed alike, in the cells as in the fit: what is compared is the cells alone."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(weights, "sample_sd", lambda residual_ppb, slope: np.ones(slope.size))
        patch.setattr(weights, "HUBER", 1e5)
        patch.setattr(weights, "TUKEY", 1e5)
        return fitted_from(run_in_cells(1e5)), fitted_from(run_of_samples())


def apart(one: Curve, other: Curve) -> Floats:
    """How far two curves are apart over the range that both have, in uncertainties of the second."""
    temperature_c = np.linspace(max(one.low_c, other.low_c), min(one.high_c, other.high_c), 81)
    difference_ppb = one.offset_ppb(temperature_c) - other.offset_ppb(temperature_c)
    return np.asarray(difference_ppb / other.uncertainty_ppb(temperature_c))


def test_cells_tell_the_curve_that_all_samples_tell() -> None:
    one, other = both_by_least_squares()
    assert len(run_in_cells().kept) < len(run_of_samples().kept) / 8
    assert one.model == other.model == "crystal"
    assert np.abs(apart(one, other)).max() < 0.05
    assert one.samples == pytest.approx(other.samples, rel=1e-3)


def test_cells_tell_the_lag_and_how_well_it_is_known() -> None:
    one, other = (curve.effect("lag") for curve in both_by_least_squares())
    assert abs(one.value - other.value) < 0.05 * other.uncertainty
    assert abs(one.value - LAG_S) < 3 * one.uncertainty
    # The uncertainty is itself told from some hundred stretches, so by chance within some 10 %.
    assert 0.85 < one.uncertainty / other.uncertainty < 1.15


def test_with_robust_weights_cells_are_as_good_though_not_the_same() -> None:
    # A robust fit has 95 % efficiency: it differs from least squares by sqrt(1 / 0.95 - 1), 0.23, of the uncertainty.
    # Cells of ten weigh samples about their own line, and how the scatter grows with the slope is told by a tenth of the
    # residuals, so theirs is another one by about as much.
    one, other = both_curves()
    assert np.sqrt(np.mean(apart(one, other) ** 2)) < 0.35
    truth = learnt_from_truth(one)
    assert np.abs(truth).max() < 3.5


def learnt_from_truth(curve: Curve) -> Floats:
    """How far a curve is from the truth, in its own uncertainties."""
    temperature_c = np.linspace(curve.low_c, curve.high_c, 81)
    true_ppb = SLOPE * (temperature_c - 26.4) + CUBIC * (temperature_c - 26.4) ** 3
    return np.asarray((curve.offset_ppb(temperature_c) - true_ppb) / curve.uncertainty_ppb(temperature_c))


def test_what_is_said_of_single_samples_does_not_depend_on_cells() -> None:
    one, other = both_curves()
    assert one.samples == pytest.approx(other.samples, rel=1e-3)
    assert one.residual_sd_ppb == pytest.approx(other.residual_sd_ppb, rel=0.01)
    assert one.residual_max_ppb == pytest.approx(other.residual_max_ppb, rel=0.2)
    assert one.held_out.rms_ppb == pytest.approx(other.held_out.rms_ppb, rel=0.01)
    # Of ten samples the noise is known to a quarter, and a mixture of such has longer tails.
    assert one.held_out.p95_ppb == pytest.approx(other.held_out.p95_ppb, rel=0.04)
    # White noise: every sample is news, up to what some thousand residuals tell of their correlation.
    assert one.effective_samples > 0.5 * one.samples
    assert other.effective_samples > 0.5 * other.samples


def test_without_the_spread_of_a_cell_the_lag_would_be_another() -> None:
    # Planted: from the spread it is told how curve and temperature bend within a cell.
    run = run_in_cells(1e5)
    faulty = replace(run, frame=run.frame.assign(spread_s=6 * run.frame["spread_s"]))
    lag = both_by_least_squares()[1].effect("lag")
    assert abs(fitted_from(faulty).effect("lag").value - lag.value) > 0.5 * lag.uncertainty


def test_cells_come_back_from_the_frame_that_is_kept() -> None:
    run = run_in_cells()
    frame = clean_frame((PreparedRun(run, cut_legs(run)),))
    (again,) = from_clean_frame(frame)
    assert again.run.has_cells
    assert again.run.samples_kept == run.samples_kept == len(run_of_samples().kept)
    np.testing.assert_array_equal(again.run.kept["noise_ppb"], run.kept["noise_ppb"])


def test_the_noise_of_a_sample_is_told_by_its_cell() -> None:
    noise = run_in_cells().kept["noise_ppb"]
    assert float(np.sqrt(np.mean(noise**2))) == pytest.approx(NOISE_PPB, rel=0.01)


def test_errors_of_single_samples_are_those_of_their_cells_and_their_own() -> None:
    rng = np.random.default_rng(5)
    count, noise = rng.integers(50, 150, 400).astype(float), rng.uniform(0.5, 3.0, 400)
    error = rng.normal(0.0, 1.0, 400)
    many = Cells(count, noise, np.zeros(400), 4.0 * noise, 0.0)
    single = np.concatenate(
        [e + s * norm.ppf((np.arange(n) + 0.5) / n) for e, s, n in zip(error, noise, count.astype(int), strict=True)]
    )
    # Evenly spaced normal quantiles lack a little of the tails: 1 % of the variance with a hundred of them.
    assert mean_square(error, many) == pytest.approx(float(np.mean(single**2)), rel=0.03)
    assert size_of_share(error, many, 0.95) == pytest.approx(float(np.quantile(np.abs(single), 0.95)), rel=0.01)
    assert largest(error, many) >= np.abs(single).max()


def test_cells_are_scored_as_their_samples_are() -> None:
    rng = np.random.default_rng(6)
    temperature_c = np.tile(np.linspace(-20.0, 60.0, 4000), 4)
    sweep, direction = np.repeat([0, 1, 2, 3], 4000), np.repeat([0.5, -0.5, 0.5, -0.5], 4000)
    offset_ppb = -200.0 * (temperature_c - 25.0) + 0.1 * (temperature_c - 25.0) ** 3 + rng.normal(size=16_000)
    of_samples = validate(temperature_c, offset_ppb, sweep, direction, candidates("auto", "AT"))
    cell = [column.reshape(-1, 20) for column in (temperature_c, offset_ppb)]
    residual = cell[1] - np.mean(cell[1], axis=1, keepdims=True)
    slope = np.sum(residual * (cell[0] - cell[0].mean(axis=1, keepdims=True)), axis=1)
    spread = np.sum((cell[0] - cell[0].mean(axis=1, keepdims=True)) ** 2, axis=1)
    noise = np.sqrt((np.sum(residual**2, axis=1) - slope**2 / spread) / 18)
    kept = Cells(np.full(800, 20.0), noise, np.zeros(800), 3 * noise, 0.0)
    of_cells = validate(
        cell[0].mean(axis=1), cell[1].mean(axis=1), sweep[::20], direction[::20], candidates("auto", "AT"),
        np.full(800, 20.0), cells=kept,
    )  # fmt: skip
    assert of_cells.chosen == of_samples.chosen
    for one, other in zip(of_cells.scores, of_samples.scores, strict=True):
        if one.size >= 4:  # less leaves a misfit, of which cells hold the mean, and none of the very ends of the range
            assert one.rms_ppb == pytest.approx(other.rms_ppb, rel=0.01)
            assert one.p95_ppb == pytest.approx(other.p95_ppb, rel=0.02)
