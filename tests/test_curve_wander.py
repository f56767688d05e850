"""Noise that wanders along runs: its size and the covariance against general libraries, and what a curve says of it.

The logs are invented (tests/independent.py, which shares no code with tcomp) and have a known truth.
"""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest
from independent import Log, chamber_c, dragged, rounded, simulate, walked
from recovery import learn_logs

from tcomp.estimation.cell_noise import CellNoise, Mixed, Residuals, mixed_wander
from tcomp.estimation.estimate import Settings
from tcomp.estimation.fit_result import FitResult
from tcomp.estimation.wander import still_u_c

with warnings.catch_warnings():  # statsmodels warns of its own use of other libraries on import
    warnings.simplefilter("ignore")
    import statsmodels.api as sm

STEP_S = 60.0
STARTS_S = (1_767_225_600.0, 1_767_398_400.0)
SLOW, FAST = 0.3, 0.8


def residuals(
    design: np.ndarray, left_ppb: np.ndarray, run: np.ndarray, time_h: np.ndarray, white_ppb: float
) -> Residuals:
    return Residuals(
        design=design, weight=np.full(left_ppb.size, white_ppb**-2), left_ppb=left_ppb, run=run, time_h=time_h,
        sensor_ppb=np.zeros(left_ppb.size), shared_ppb=np.zeros((left_ppb.size, 1)), widths=[1] * (int(run.max()) + 1),
        one=np.eye(design.shape[1])[0], level=np.eye(design.shape[1])[0],
    )  # fmt: skip


def test_the_restricted_likelihood_of_a_walk_is_the_diffuse_one_of_statsmodels() -> None:
    # The level of a run is free, as a diffuse start is.  Means over cells of length h of a walk of rate q, beside white noise of
    # variance r, have increments of variance 2/3 q h + 2 r and covariance q h / 6 - r: those of a local level with steps of q h and
    # white noise of r - q h / 6.
    rng = np.random.default_rng(1)
    count, h = 90, 1.0 / 6
    at_h = h * (np.arange(count) + 0.5)
    level = np.cumsum(rng.normal(size=count)) * 0.3 + rng.normal(size=count)
    run = np.zeros(count, dtype=np.int64)
    model = CellNoise.of(residuals(np.ones((count, 1)), level, run, at_h, 1.0))
    assert model is not None
    noise = float(model.runs[0].noise[0])
    theirs, ours = [], []
    for rate in (0.01, 0.3, 1.0, 3.0):
        oracle = sm.tsa.UnobservedComponents(level, "llevel", use_exact_diffuse=True)
        theirs.append(oracle.loglike([noise - rate * h / 6, rate * h]))
        ours.append(model.likelihood(0, np.sqrt(rate * model.longest_h), 1.0, model.left, None))
    # The first cell has half a length before it, as a walk from the start has, so that nothing but round-off is left.
    np.testing.assert_allclose(np.diff(ours), np.diff(theirs), rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("rate", [0.5, 2.0])
def test_the_size_of_a_walk_is_found(rate: float) -> None:
    # 8 runs of 8 h in rows of a minute: a standard deviation is known to some 5 % from hundreds of cells; 15 % is three times that.
    rng = np.random.default_rng(2)
    count, runs = 480, 8
    at_h = np.tile(np.arange(count) * STEP_S / 3600, runs)
    run = np.repeat(np.arange(runs), count)
    steps = rng.normal(size=(runs, count)) * rate * np.sqrt(STEP_S / 3600)
    y = np.cumsum(steps, axis=1).ravel() + rng.normal(size=run.size)
    levels = (run[:, None] == np.arange(runs)).astype(float)
    left = y - levels @ np.linalg.lstsq(levels, y, rcond=None)[0]
    model = CellNoise.of(residuals(levels, left, run, at_h, 1.0))
    assert model is not None
    found = mixed_wander(model, model.left)
    assert np.sqrt(sum(found.squares) / model.longest_h) == pytest.approx(rate, rel=0.15)
    assert found.gain > 10.0


def test_white_noise_does_not_wander() -> None:
    # A gain of 4 is exceeded in a quarter of a per cent of cases: in none of 20, but for one chance in 20.
    gains = []
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        run, at_h = np.zeros(480, dtype=np.int64), np.arange(480) * STEP_S / 3600
        y = rng.normal(size=480)
        model = CellNoise.of(residuals(np.ones((480, 1)), y - y.mean(), run, at_h, 1.0))
        assert model is not None
        gains.append(mixed_wander(model, model.left).gain)
    assert max(gains) < 4.0


def test_the_covariance_is_that_of_least_squares_over_many_walks() -> None:
    # 4000 simulated fits: their scatter is known to 1.1 % in standard deviation; cells of 5 samples in place of samples add less.
    rng = np.random.default_rng(3)
    count, rate = 480, 1.5
    at_h = np.arange(count) * STEP_S / 3600
    x = np.abs(np.linspace(-1, 1, count)) * 2 - 1
    design = np.column_stack([np.ones(count), x, x**2])
    steps = rng.normal(size=(4000, count)) * rate * np.sqrt(STEP_S / 3600)
    walk = np.cumsum(steps, axis=1)
    y = walk + rng.normal(size=walk.shape)
    coef = np.linalg.lstsq(design, y.T, rcond=None)[0].T
    coef[:, 0] -= walk[:, -1]  # the base is that of the end
    model = CellNoise.of(residuals(design, y[0] - design @ coef[0], np.zeros(count, dtype=np.int64), at_h, 1.0))
    assert model is not None
    runs = tuple(replace(one, noise=np.full(one.noise.size, one.noise.size / count)) for one in model.runs)
    found = replace(model, runs=runs).covariance(Mixed((rate**2 * model.longest_h, 0.0, 0.0), 1.0, 0.0))
    np.testing.assert_allclose(np.sqrt(np.diagonal(found)), coef.std(axis=0), rtol=0.05)


def test_a_step_that_noise_does_not_even_out_is_counted() -> None:
    # Means of a million rounded readings, at places all along a step: Monte Carlo of what the formula says.
    rng = np.random.default_rng(4)
    for noise in (0.2, 0.3):
        readings = np.linspace(-0.5, 0.5, 41)[:40, None] + rng.normal(size=(40, 200_000)) * noise
        off = np.round(readings).mean(axis=1) - np.linspace(-0.5, 0.5, 41)[:40]
        # Higher harmonics of the sine are e^-8 of it at most.
        assert still_u_c(1.0, noise) == pytest.approx(float(np.sqrt(np.mean(off**2))), rel=0.02)


def curve_ppb(at_c: np.ndarray) -> np.ndarray:
    x = at_c - 27.0
    return np.asarray(400.0 - 90.0 * x + 0.104 * x**3)


def log_of(seed: int, rate: float, *, walk_ppb: float = 0.0, loop_ppb: float = 0.0) -> Log:
    minutes = 70.0 / rate
    return simulate(
        seed,
        chamber=chamber_c([(-10.0, 30), (60.0, minutes), (60.0, 30), (-10.0, minutes), (-10.0, 20)], -10.0),
        curve=curve_ppb, lag_s=150.0, noise_ppb=1.0, sensor_noise_c=1 / 32, sensor=rounded(1 / 16),
        besides_ppb=lambda time_s, crystal_c, rng: (
            walked(time_s.size, walk_ppb, rng) + loop_ppb * dragged(crystal_c, 1.0)
        ),
    )  # fmt: skip


def fit_result(walk_ppb: float = 0.0, loop_ppb: float = 0.0, settings: Settings | None = None) -> FitResult:
    logs = (log_of(seed, rate, walk_ppb=walk_ppb, loop_ppb=loop_ppb) for seed, rate in ((10_004, SLOW), (20_004, FAST)))
    return learn_logs(*logs, starts_s=STARTS_S, settings=settings, reference_u_ppb=0.5)


def test_noise_that_wanders_is_named_and_counted_in_shape_and_base() -> None:
    still, moved = fit_result().curve, fit_result(walk_ppb=1.0).curve
    assert not any("wander" in remark for remark in still.remarks)
    assert any("wander" in remark and "reference" in remark for remark in moved.remarks)
    ends_c, middle_c = np.array([-5.0, 55.0]), np.array([25.0])
    assert np.all(moved.shape_uncertainty_ppb(ends_c) > 1.5 * still.shape_uncertainty_ppb(ends_c))
    # A walk of 1 ppb per root hour is 1.5 ppb off its mean at the end of some 4.5 h, sqrt(4.5 / 3 + 4.5 / 6); within a half.
    base_u = float(np.sqrt(moved.uncertainty_ppb(middle_c)[0] ** 2 - 0.5**2))
    assert 0.75 < base_u < 3.0


def test_a_loop_that_the_job_switches_off_is_no_wander() -> None:
    found = fit_result(loop_ppb=8.0, settings=Settings(effects={"hysteresis": "none"})).curve
    assert any("heating and cooling differ" in remark for remark in found.remarks)
    assert not any("readings wander" in remark for remark in found.remarks)
