"""Covariance and weights against general-purpose libraries and the guide's worked example."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import odrpack
import pandas as pd
import pytest

from tcomp.estimation.crystal_regressor import CrystalRegressor
from tcomp.estimation.jumps import candidate_steps, near_reversal, split_at
from tcomp.estimation.uncertainty import bandwidth, clustered_covariance, effective_samples, hac_covariance
from tcomp.estimation.weights import robust_weight, sample_sd

with warnings.catch_warnings():  # statsmodels warns of its own use of other libraries on import
    warnings.simplefilter("ignore")
    import statsmodels.api as sm

DATA = Path(__file__).parent / "data"


def autoregressive(rho: float, n: int, rng: np.random.Generator) -> np.ndarray:
    noise = rng.normal(size=n) * np.sqrt(1 - rho**2)
    out = np.empty(n)
    out[0] = rng.normal()
    for i in range(1, n):
        out[i] = rho * out[i - 1] + noise[i]
    return out


def test_the_covariance_is_that_of_statsmodels() -> None:
    # statsmodels OLS with cov_type "HAC": Bartlett kernel, small-sample factor n / (n - p), the same number of lags.
    rng = np.random.default_rng(1)
    x = np.linspace(-1, 1, 600)
    design = np.column_stack([np.ones_like(x), x, x**2])
    y = design @ [1.0, 2.0, 3.0] + autoregressive(0.8, 600, rng)
    fitted = sm.OLS(y, design).fit()
    lags = bandwidth(fitted.resid, [(0, 600)])
    theirs = fitted.get_robustcov_results("HAC", maxlags=lags, use_correction=True).cov_params()
    ours = hac_covariance(design, fitted.resid, [(0, 600)])
    np.testing.assert_allclose(ours, theirs, rtol=1e-9)


def test_weights_enter_the_covariance_as_in_statsmodels() -> None:
    rng = np.random.default_rng(2)
    x = np.linspace(-1, 1, 500)
    weight = rng.uniform(0.2, 2.0, 500)
    design = np.column_stack([np.ones_like(x), x])
    y = design @ [1.0, 2.0] + autoregressive(0.7, 500, rng) / np.sqrt(weight)
    fitted = sm.WLS(y, design, weights=weight).fit()
    lags = bandwidth(fitted.resid * np.sqrt(weight), [(0, 500)])
    theirs = fitted.get_robustcov_results("HAC", maxlags=lags, use_correction=True).cov_params()
    np.testing.assert_allclose(hac_covariance(design, fitted.resid, [(0, 500)], weight), theirs, rtol=1e-9)


def test_the_covariance_is_never_below_that_of_independent_residuals() -> None:
    rng = np.random.default_rng(3)
    x = np.linspace(-1, 1, 200)
    design = np.column_stack([np.ones_like(x), x, x**2, x**3])
    y = rng.normal(size=200)
    y[1:] -= 0.6 * y[:-1]  # neighbours that make up for each other
    fitted = sm.OLS(y, design).fit()
    gap = hac_covariance(design, fitted.resid, [(0, 200)]) - fitted.cov_params()
    assert np.linalg.eigvalsh(gap).min() > -1e-12


def test_a_start_that_its_stretch_alone_tells_disturbs_no_other_coefficient() -> None:
    # A start of the lag filter decays; where it is held to a bound, its residuals do not vanish.  Without its stretch a
    # millionth of a millionth of it is left, and what that is asked for would be a thousand times everything else.
    rng = np.random.default_rng(8)
    x, stretch = np.linspace(-1, 1, 600), np.arange(600) // 60
    decay = np.exp(-np.arange(600) / 5.0)
    design = np.column_stack([np.ones_like(x), x, decay])
    left = rng.normal(size=600) + 10.0 * decay
    transient = np.array([False, False, True])
    free = clustered_covariance(design[:, :2], left, stretch, np.ones(600))
    found = clustered_covariance(design, left, stretch, np.ones(600), transient=transient)[:2, :2]
    disturbed = clustered_covariance(design, left, stretch, np.ones(600))[:2, :2]
    assert np.all(np.diagonal(found) < 2.0 * np.diagonal(free))
    assert np.all(np.diagonal(disturbed) > 100.0 * np.diagonal(found))


def test_the_thermometer_of_the_guide_holds_on_the_way_through_this_covariance() -> None:
    # JCGM 100:2008, H.3.  Eleven independent residuals: ours is theirs, or larger where neighbours resemble each other.
    data = pd.read_csv(DATA / "gum" / "h3_thermometer.csv")
    published = json.loads((DATA / "gum" / "h3_thermometer.json").read_text())["published"]
    t, b = data["t_k_degC"].to_numpy(), data["b_k_degC"].to_numpy()
    curve = CrystalRegressor(1).fit(t[:, None], b)
    design = np.column_stack([np.ones_like(t), t - 20.0])
    ours = np.sqrt(np.diagonal(hac_covariance(design, b - curve.predict(t[:, None]), [(0, t.size)])))
    assert published["u_y1"] - 5e-5 <= ours[0] < 1.5 * published["u_y1"]
    assert published["u_y2"] - 5e-6 <= ours[1] < 1.5 * published["u_y2"]


def test_effective_samples_are_those_of_an_autoregression() -> None:
    # n (1 - rho) / (1 + rho); the kernel's bandwidth leaves 20 %.
    rng = np.random.default_rng(4)
    assert effective_samples(autoregressive(0.8, 20_000, rng), [(0, 20_000)]) == pytest.approx(
        20_000 * 0.2 / 1.8, rel=0.25
    )
    assert effective_samples(rng.normal(size=5_000), [(0, 5_000)]) == pytest.approx(5_000, rel=0.1)


def test_gross_errors_are_weighed_off_as_by_statsmodels() -> None:
    # RLM with Tukey's biweight at the same scale: the coefficients agree within a fifth of their uncertainty.
    rng = np.random.default_rng(5)
    x = np.linspace(-1, 1, 800)
    design = np.column_stack([np.ones_like(x), x, x**2])
    y = design @ [10.0, -20.0, 30.0] + rng.normal(size=800)
    y[rng.choice(800, 16, replace=False)] += 200.0
    coef = np.linalg.lstsq(design, y, rcond=None)[0]
    for step in range(8):
        weight = robust_weight(y - design @ coef, sample_sd(y - design @ coef, np.zeros(800)), final=step > 1)
        coef = np.linalg.lstsq(design * np.sqrt(weight)[:, None], y * np.sqrt(weight), rcond=None)[0]
    theirs = sm.RLM(y, design, M=sm.robust.norms.TukeyBiweight()).fit()
    assert np.abs(coef - theirs.params).max() < 0.2 * theirs.bse.max()
    assert np.count_nonzero(weight == 0) >= 16


def test_noise_of_the_sensor_is_weighed_by_the_slope_as_by_orthogonal_distances() -> None:
    # odrpack: errors in both variables, with their true sizes.  Effective variance gives its curve within the curve's own
    # uncertainty (about 0.02 in the middle, from its sd_beta), and plain least squares is further off.
    rng = np.random.default_rng(6)
    true_c = np.linspace(-1.0, 1.0, 400)
    x = true_c + rng.normal(0, 0.02, 400)
    y = 5.0 * true_c**3 - 3.0 * true_c + rng.normal(0, 0.005, 400)

    def cubic(x: np.ndarray, beta: np.ndarray) -> np.ndarray:
        return np.polynomial.polynomial.polyval(x, beta)

    found = odrpack.odr_fit(
        cubic,
        x,
        y,
        beta0=np.array([0.0, -3.0, 0.0, 5.0]),
        weight_x=np.full(400, 1 / 0.02**2),
        weight_y=np.full(400, 1 / 0.005**2),
    )
    design = np.vander(x, 4, increasing=True)
    coef = np.linalg.lstsq(design, y, rcond=None)[0]
    plain = coef
    for _ in range(5):
        slope = np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyder(coef))
        weight = robust_weight(y - design @ coef, sample_sd(y - design @ coef, slope), final=True)
        coef = np.linalg.lstsq(design * np.sqrt(weight)[:, None], y * np.sqrt(weight), rcond=None)[0]
    grid = np.linspace(-0.95, 0.95, 60)
    away = np.abs(cubic(grid, coef) - cubic(grid, found.beta)).max()
    plain_away = np.abs(cubic(grid, plain) - cubic(grid, found.beta)).max()
    assert away < 0.02
    assert away < plain_away


def test_a_step_is_a_candidate_and_a_drift_is_none() -> None:
    rng = np.random.default_rng(7)
    residual = rng.normal(size=600) + np.linspace(0, 300, 600)
    nowhere = np.zeros(600, dtype=bool)
    assert candidate_steps(residual, [(0, 600)], nowhere) == []
    residual[321:] += 20.0
    (index, height), *_ = candidate_steps(residual, [(0, 600)], nowhere)
    assert index == 321
    assert height == pytest.approx(20.0, abs=3.0)
    assert candidate_steps(residual, [(0, 600)], ~nowhere) == []


def test_a_part_is_cut_before_the_sample() -> None:
    assert split_at(np.array([0, 0, 1, 1, 1]), [3]).tolist() == [0, 0, 1, 2, 2]
    assert near_reversal(np.array([0.0, 1.0, 9.0]), np.array([0, 0, 0])).tolist() == [True, True, False]
