"""The curves in scikit-learn's own tools: pipelines, searches over sweeps, routing, against plain references.

`check_regressors_train` wants a training score above 0.5 on data that depend on ten columns: a curve in one temperature
cannot explain them. `check_estimators_dtypes`, `check_sample_weights_not_an_array` and
`check_sample_weights_pandas_series` fit three distinct temperatures, which a cubic refuses. The spline's
`check_sample_weight_equivalence_on_dense_data` takes weights for repetitions, where they are 1 / variance. All others
pass, on a subclass that takes the first column of the checks' wider tables.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pytest
from sklearn import config_context
from sklearn.base import clone
from sklearn.compose import make_column_transformer
from sklearn.linear_model import LinearRegression
from sklearn.metrics import get_scorer
from sklearn.model_selection import GridSearchCV, LeaveOneGroupOut, cross_val_predict
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import FunctionTransformer, PolynomialFeatures, SplineTransformer

import tcomp
from tcomp import Ageing, CrystalRegressor, Lag
from tcomp.errors import CurveError
from tcomp.estimation.least_squares import least_squares
from tcomp.estimation.spline_basis import SplineBasis
from tcomp.estimation.thermal_lag import lagged
from tcomp.estimation.validation import validate

ROOT = Path(__file__).parent.parent
CURVES = [CrystalRegressor(4), CrystalRegressor(3), CrystalRegressor(2), CrystalRegressor("spline", pieces=12)]
DEGREES = range(1, 10)


@pytest.fixture(scope="module")
def river() -> tuple[tcomp.FitResult, pd.DataFrame]:
    """The sample, and its samples as they were when the curves competed."""
    job = tcomp.read_job(ROOT / "sample_runs" / "river_gauge" / "gauge07.toml")
    with mock.patch("tcomp.estimation.learn.validate", wraps=validate) as watched:
        fit_result = tcomp.workflow.fit(job, tcomp.prepare_runs(job))
    crystal_c, corrected_ppb, sweep, _, _, weight, *_ = watched.call_args.args
    return fit_result, pd.DataFrame(
        {"crystal_c": crystal_c, "corrected_ppb": corrected_ppb, "sweep": sweep, "weight": weight}
    )


@pytest.fixture
def invented() -> pd.DataFrame:
    """Invented data: a cubic with 2 ppb of noise, of other sizes on each of four sweeps; weights of 1 / variance."""
    rng = np.random.default_rng(8)
    crystal_c, sweep = np.tile(np.linspace(-20.0, 60.0, 100), 4), np.repeat(np.arange(4), 100)
    noise = np.array([1.0, 2.0, 4.0, 8.0])[sweep]
    offset = 0.1 * (crystal_c - 26.0) ** 3 - 150.0 * (crystal_c - 26.0) + noise * rng.normal(size=400)
    return pd.DataFrame({"crystal_c": crystal_c, "offset_ppb": offset, "sweep": sweep, "weight": noise**-2})


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: str(curve.curve))
def test_a_curve_can_be_cloned_pickled_and_fitted_on_a_frame(curve: CrystalRegressor, invented: pd.DataFrame) -> None:
    X, y = invented[["crystal_c"]], invented.offset_ppb
    fitted = clone(curve).fit(X, y, sample_weight=invented.weight)
    assert fitted.get_params() == curve.get_params()
    assert fitted.feature_names_in_.tolist() == ["crystal_c"]
    assert fitted.n_features_in_ == 1
    assert not hasattr(clone(fitted), "coef_")
    again = pickle.loads(pickle.dumps(fitted))
    np.testing.assert_array_equal(again.predict(X), fitted.predict(X))
    np.testing.assert_array_equal(fitted.predict(X), clone(curve).fit(X, y, invented.weight).predict(X))
    with pytest.raises(ValueError, match="feature names should match"):
        fitted.predict(X.rename(columns={"crystal_c": "board_c"}))


@pytest.mark.parametrize("degree", [1, 3, 7])
def test_the_polynomial_is_that_of_plain_libraries(degree: int, invented: pd.DataFrame) -> None:
    X, y, weight = invented[["crystal_c"]].to_numpy(), invented.offset_ppb.to_numpy(), invented.weight.to_numpy()
    ours = CrystalRegressor(degree).fit(X, y, weight).predict(X)
    # NumPy weighs residuals, not their squares.
    numpys = np.polynomial.Polynomial.fit(X[:, 0], y, degree, w=np.sqrt(weight))(X[:, 0])
    # Scaled to [-1, 1], or the powers lose the digits.
    scaled = FunctionTransformer(lambda T: (T - 20.0) / 40.0)
    scikits = make_pipeline(scaled, PolynomialFeatures(degree), LinearRegression())
    scikits.fit(X, y, linearregression__sample_weight=weight)
    # Three solvers on values up to 13 000 ppb: round-off, times the condition of the powers.
    np.testing.assert_allclose(ours, numpys, atol=1e-7)
    np.testing.assert_allclose(ours, scikits.predict(X), atol=1e-7)


def test_the_splines_columns_are_those_of_scikit_learn() -> None:
    knots = np.array([-20.0, -5.0, 3.0, 20.0, 60.0])
    temperature_c = np.linspace(-20.0, 60.0, 50)
    theirs = SplineTransformer(degree=3, knots=knots[:, None]).fit_transform(temperature_c[:, None])
    # Theirs go beyond the ends with even knots: other columns of the same splines, so spans are compared, not columns.
    ours = SplineBasis(tuple(knots.tolist())).values(temperature_c)
    for one, other in ((ours, theirs), (theirs, ours)):
        left = one - other @ np.linalg.lstsq(other, one, rcond=None)[0]
        assert np.abs(left).max() < 1e-9


def test_a_pipeline_picks_the_column_and_hands_uncertainties_on(invented: pd.DataFrame) -> None:
    pick = make_column_transformer(("passthrough", ["crystal_c"]), verbose_feature_names_out=False)
    pipeline = make_pipeline(pick.set_output(transform="pandas"), CrystalRegressor(3))
    pipeline.fit(invented, invented.offset_ppb, crystalregressor__sample_weight=invented.weight)
    alone = CrystalRegressor(3).fit(invented[["crystal_c"]], invented.offset_ppb, invented.weight)
    assert pipeline[-1].feature_names_in_.tolist() == ["crystal_c"]
    for found, expected in zip(
        pipeline.predict(invented, return_std=True),
        alone.predict(invented[["crystal_c"]], return_std=True),
        strict=True,
    ):
        np.testing.assert_array_equal(found, expected)
    assert [one.name for one in pipeline[-1].parameters_] == [one.name for one in alone.parameters_]


def test_predictions_of_sweeps_left_out_are_those_of_refits(invented: pd.DataFrame) -> None:
    X, y, sweep = invented[["crystal_c"]], invented.offset_ppb, invented.sweep
    found = cross_val_predict(CrystalRegressor(3), X, y, groups=sweep, cv=LeaveOneGroupOut())
    for number in range(4):
        left_out = sweep == number
        refit = CrystalRegressor(3).fit(X[~left_out], y[~left_out])
        np.testing.assert_array_equal(found[left_out], refit.predict(X[left_out]))


def routed(curve: CrystalRegressor, **asked: bool) -> Iterator[GridSearchCV]:
    with config_context(enable_metadata_routing=True):
        yield GridSearchCV(
            make_pipeline(curve.set_fit_request(**asked)),
            {"crystalregressor__curve": [curve.curve]},
            cv=LeaveOneGroupOut(),
            scoring=get_scorer("neg_mean_squared_error").set_score_request(
                sample_weight=asked.get("sample_weight", False)
            ),
        )


def test_weights_are_routed_through_a_search_and_a_pipeline(invented: pd.DataFrame) -> None:
    X, y, weight = invented[["crystal_c"]], invented.offset_ppb, invented.weight
    weighted, plain = CrystalRegressor(3).fit(X, y, weight), CrystalRegressor(3).fit(X, y)
    for search in routed(CrystalRegressor(3), sample_weight=True, groups=False):
        search.fit(X, y, sample_weight=weight, groups=invented.sweep)
        np.testing.assert_array_equal(search.predict(X), weighted.predict(X))
    assert np.abs(weighted.predict(X) - plain.predict(X)).max() > 0.1  # that weights make a difference here
    for search in routed(CrystalRegressor(3), sample_weight=False, groups=False):
        search.fit(X, y, groups=invented.sweep)
        np.testing.assert_array_equal(search.predict(X), plain.predict(X))


def test_sweeps_are_routed_to_the_spline_that_smooths_by_them(invented: pd.DataFrame) -> None:
    X, y = invented[["crystal_c"]], invented.offset_ppb
    for search in routed(CrystalRegressor("spline", pieces=12), groups=True, sample_weight=True):
        search.fit(X, y, groups=invented.sweep, sample_weight=invented.weight)
        alone = CrystalRegressor("spline", pieces=12).fit(X, y, invented.weight, invented.sweep)
        assert search.best_estimator_[-1].smoothing_ == alone.smoothing_
        # By cross-validation over single samples it would be another.
        assert (
            CrystalRegressor("spline", pieces=12).fit(X, y, invented.weight).smoothing_.strength
            != alone.smoothing_.strength
        )


def simplest_within_one_error(results: dict[str, np.ndarray]) -> int:
    """The rule of tcomp's own choice, for scikit-learn's table of results (whose deviation divides by n)."""
    sweeps = sum(name.startswith("split") for name in results)
    best = np.argmax(results["mean_test_score"])
    error = results["std_test_score"][best] / np.sqrt(sweeps - 1)
    return int(np.argmax(results["mean_test_score"] >= results["mean_test_score"][best] - error))


def within_what_was_seen(curve: CrystalRegressor, X: pd.DataFrame, y: pd.Series) -> float:
    """Mean square error, its sign turned, over samples within the temperatures that the curve was fitted on."""
    inside = X.crystal_c.between(curve.basis_.low_c, curve.basis_.high_c)
    return -float(np.mean((curve.predict(X[inside]) - y[inside]) ** 2))


def test_a_search_over_sweeps_finds_what_the_tool_finds(river: tuple[tcomp.FitResult, pd.DataFrame]) -> None:
    fit_result, used = river
    X, y = used[["crystal_c"]], used.corrected_ppb
    with config_context(enable_metadata_routing=True):  # the weights are for the fits, and not for the scores
        curve = CrystalRegressor().set_fit_request(sample_weight=True, groups=False)
        search = GridSearchCV(
            curve,
            {"curve": DEGREES},
            cv=LeaveOneGroupOut(),
            scoring=within_what_was_seen,
            refit=simplest_within_one_error,
        )
        search.fit(X, y, groups=used.sweep, sample_weight=used.weight)
    scores = {score.candidate.degree: score for score in fit_result.validation.scores if score.candidate.degree}
    theirs = -np.array([search.cv_results_[f"split{fold}_test_score"] for fold in range(4)]).T
    ours = np.array([scores[degree].fold_mse for degree in DEGREES])
    # The same normal equations by another way: round-off on errors that are 1e-4 of the values.
    np.testing.assert_allclose(theirs, ours, rtol=1e-6)
    assert search.best_params_["curve"] == fit_result.validation.chosen.degree == 3


def test_without_weights_and_with_extrapolation_the_search_chooses_alike(
    river: tuple[tcomp.FitResult, pd.DataFrame],
) -> None:
    fit_result, used = river
    search = GridSearchCV(
        CrystalRegressor(), {"curve": DEGREES}, cv=LeaveOneGroupOut(), scoring="neg_mean_squared_error",
        refit=simplest_within_one_error,
    )  # fmt: skip
    search.fit(used[["crystal_c"]], used.corrected_ppb, groups=used.sweep)
    assert search.best_params_["curve"] == fit_result.validation.chosen.degree
    # What the weights are for: other errors than the tool's, by more than round-off.
    mean_square = -search.cv_results_["mean_test_score"][search.best_index_]
    assert mean_square != pytest.approx(fit_result.validation.score.mse, rel=1e-4)


def test_the_fitted_curve_is_the_estimators_where_lag_and_ageing_are_taken_off(
    river: tuple[tcomp.FitResult, pd.DataFrame],
) -> None:
    fit_result, used = river
    cubic = CrystalRegressor(3).fit(used[["crystal_c"]], used.corrected_ppb, used.weight)
    at_c = np.linspace(-19.0, 59.0, 40)
    # The joint fit has its own weights (of the chosen curve, not of the rich one): within the curve's uncertainty.
    apart = np.abs(cubic.predict(pd.DataFrame({"crystal_c": at_c})) - fit_result.curve.offset_ppb(at_c))
    assert apart.max() < fit_result.curve.uncertainty_ppb(at_c).min()


def test_with_times_it_is_the_joint_fit_and_finds_the_lag_and_ageing() -> None:
    # Invented: two triangles of temperature, a crystal 150 s behind its sensor, 12 ppb/day, 1 ppb of noise.
    time_s = np.arange(0.0, 60_000.0, 10.0)
    sensor_c = 20.0 + 40.0 * np.abs(2.0 * ((time_s / 30_000.0) % 1.0) - 1.0)
    crystal_c = lagged(time_s, sensor_c, np.zeros(time_s.size, dtype=np.int64), 150.0)
    offset_ppb = 0.1 * (crystal_c - 26.0) ** 3 - 150.0 * (crystal_c - 26.0) + 12.0 * time_s / 86_400.0
    offset_ppb += np.random.default_rng(4).normal(size=time_s.size)
    X, sweep = np.column_stack([time_s, sensor_c]), (time_s // 15_000.0).astype(int)
    found = CrystalRegressor(3, effects=(Lag(), Ageing())).fit(X, offset_ppb, groups=sweep)
    lag, ageing = (next(one for one in found.findings_ if one.name == name) for name in ("lag", "ageing"))
    assert abs(lag.value - 150.0) < 4 * lag.uncertainty
    assert lag.uncertainty < 0.5
    assert abs(ageing.value - 12.0) < 4 * ageing.uncertainty
    # 12 ppb/day over 0.7 days is 8 ppb of a spread of thousands: all else is the curve at the crystal's temperature.
    assert found.score(X, offset_ppb) > 0.9999
    assert clone(found).get_params() == found.get_params()
    plain = CrystalRegressor(3).fit(X[:, 1:], offset_ppb)
    assert found.residual_sd_ == pytest.approx(1.0, rel=0.05)
    assert plain.residual_sd_ > 10.0
    with pytest.raises(CurveError, match="effects need times; give X two columns"):
        CrystalRegressor(3, effects=(Lag(),)).fit(X[:, 1:], offset_ppb)
    with pytest.raises(CurveError, match="times do not ascend"):
        CrystalRegressor(3, effects=(Lag(),)).fit(X[::-1], offset_ppb)


def test_of_a_plain_table_it_is_the_solver_itself(invented: pd.DataFrame) -> None:
    X, weight = invented[["crystal_c"]].to_numpy(), invented.weight.to_numpy()
    curve = CrystalRegressor(4).fit(X, invented.offset_ppb, weight)
    fit = least_squares(curve.basis_.values(X[:, 0]), invented.offset_ppb.to_numpy(), weight)
    np.testing.assert_allclose(curve.coef_, fit.coef, rtol=1e-12)
    # Round-off of an inverse by QR and one by its square.
    np.testing.assert_allclose(curve.covariance_, fit.covariance, rtol=1e-9, atol=1e-12)
