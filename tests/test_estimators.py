"""The curves in scikit-learn's own tools: pipelines, searches over sweeps, routing, against plain references."""

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
from tcomp import CubicCrystal, ParabolaCrystal, PolynomialCurve, SplineCurve
from tcomp.curve.validation import validate
from tcomp.model.spline_basis import SplineBasis

ROOT = Path(__file__).parent.parent
CURVES = [PolynomialCurve(4), CubicCrystal(), ParabolaCrystal(), SplineCurve(pieces=12)]
DEGREES = range(1, 10)


@pytest.fixture(scope="module")
def river() -> tuple[tcomp.Learnt, pd.DataFrame]:
    """The sample, and its samples as they were when the curves competed."""
    job = tcomp.read_job(ROOT / "sample_runs" / "river_gauge" / "gauge07.toml")
    with mock.patch("tcomp.curve.learn.validate", wraps=validate) as watched:
        learnt = tcomp.fit(job, tcomp.prepare_runs(job))
    crystal_c, corrected_ppb, sweep, _, _, weight, *_ = watched.call_args.args
    return learnt, pd.DataFrame(
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


@pytest.mark.parametrize("curve", CURVES, ids=lambda curve: type(curve).__name__)
def test_a_curve_can_be_cloned_pickled_and_fitted_on_a_frame(curve: PolynomialCurve, invented: pd.DataFrame) -> None:
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
    ours = PolynomialCurve(degree).fit(X, y, weight).predict(X)
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
    pipeline = make_pipeline(pick.set_output(transform="pandas"), CubicCrystal())
    pipeline.fit(invented, invented.offset_ppb, cubiccrystal__sample_weight=invented.weight)
    alone = CubicCrystal().fit(invented[["crystal_c"]], invented.offset_ppb, invented.weight)
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
    found = cross_val_predict(PolynomialCurve(3), X, y, groups=sweep, cv=LeaveOneGroupOut())
    for number in range(4):
        left_out = sweep == number
        refit = PolynomialCurve(3).fit(X[~left_out], y[~left_out])
        np.testing.assert_array_equal(found[left_out], refit.predict(X[left_out]))


def routed(curve: PolynomialCurve | SplineCurve, **asked: bool) -> Iterator[GridSearchCV]:
    with config_context(enable_metadata_routing=True):
        yield GridSearchCV(
            make_pipeline(curve.set_fit_request(**asked)),
            {"polynomialcurve__degree": [3]} if isinstance(curve, PolynomialCurve) else {"splinecurve__pieces": [12]},
            cv=LeaveOneGroupOut(),
            scoring=get_scorer("neg_mean_squared_error").set_score_request(
                sample_weight=asked.get("sample_weight", False)
            ),
        )


def test_weights_are_routed_through_a_search_and_a_pipeline(invented: pd.DataFrame) -> None:
    X, y, weight = invented[["crystal_c"]], invented.offset_ppb, invented.weight
    weighted, plain = PolynomialCurve(3).fit(X, y, weight), PolynomialCurve(3).fit(X, y)
    for search in routed(PolynomialCurve(3), sample_weight=True):
        search.fit(X, y, sample_weight=weight, groups=invented.sweep)
        np.testing.assert_array_equal(search.predict(X), weighted.predict(X))
    assert np.abs(weighted.predict(X) - plain.predict(X)).max() > 0.1  # that weights make a difference here
    for search in routed(PolynomialCurve(3), sample_weight=False):
        search.fit(X, y, groups=invented.sweep)
        np.testing.assert_array_equal(search.predict(X), plain.predict(X))


def test_sweeps_are_routed_to_the_spline_that_smooths_by_them(invented: pd.DataFrame) -> None:
    X, y = invented[["crystal_c"]], invented.offset_ppb
    for search in routed(SplineCurve(12), groups=True, sample_weight=True):
        search.fit(X, y, groups=invented.sweep, sample_weight=invented.weight)
        alone = SplineCurve(12).fit(X, y, invented.weight, invented.sweep)
        assert search.best_estimator_[-1].smoothing_ == alone.smoothing_
        # By cross-validation over single samples it would be another.
        assert SplineCurve(12).fit(X, y, invented.weight).smoothing_.strength != alone.smoothing_.strength


def simplest_within_one_error(results: dict[str, np.ndarray]) -> int:
    """The rule of tcomp's own choice, for scikit-learn's table of results (whose deviation divides by n)."""
    sweeps = sum(name.startswith("split") for name in results)
    best = np.argmax(results["mean_test_score"])
    error = results["std_test_score"][best] / np.sqrt(sweeps - 1)
    return int(np.argmax(results["mean_test_score"] >= results["mean_test_score"][best] - error))


def within_what_was_seen(curve: PolynomialCurve, X: pd.DataFrame, y: pd.Series) -> float:
    """Mean square error, its sign turned, over samples within the temperatures that the curve was fitted on."""
    inside = X.crystal_c.between(curve.basis_.low_c, curve.basis_.high_c)
    return -float(np.mean((curve.predict(X[inside]) - y[inside]) ** 2))


def test_a_search_over_sweeps_finds_what_the_tool_finds(river: tuple[tcomp.Learnt, pd.DataFrame]) -> None:
    learnt, used = river
    X, y = used[["crystal_c"]], used.corrected_ppb
    with config_context(enable_metadata_routing=True):  # the weights are for the fits, and not for the scores
        curve = PolynomialCurve().set_fit_request(sample_weight=True)
        search = GridSearchCV(
            curve,
            {"degree": DEGREES},
            cv=LeaveOneGroupOut(),
            scoring=within_what_was_seen,
            refit=simplest_within_one_error,
        )
        search.fit(X, y, groups=used.sweep, sample_weight=used.weight)
    scores = {score.candidate.degree: score for score in learnt.validation.scores if score.candidate.degree}
    theirs = -np.array([search.cv_results_[f"split{fold}_test_score"] for fold in range(4)]).T
    ours = np.array([scores[degree].fold_mse for degree in DEGREES])
    # The same normal equations by another way: round-off on errors that are 1e-4 of the values.
    np.testing.assert_allclose(theirs, ours, rtol=1e-6)
    assert search.best_params_["degree"] == learnt.validation.chosen.degree == 3


def test_without_weights_and_with_extrapolation_the_search_chooses_alike(
    river: tuple[tcomp.Learnt, pd.DataFrame],
) -> None:
    learnt, used = river
    search = GridSearchCV(
        PolynomialCurve(), {"degree": DEGREES}, cv=LeaveOneGroupOut(), scoring="neg_mean_squared_error",
        refit=simplest_within_one_error,
    )  # fmt: skip
    search.fit(used[["crystal_c"]], used.corrected_ppb, groups=used.sweep)
    assert search.best_params_["degree"] == learnt.validation.chosen.degree
    # What the weights are for: other errors than the tool's, by more than round-off.
    mean_square = -search.cv_results_["mean_test_score"][search.best_index_]
    assert mean_square != pytest.approx(learnt.validation.score.mse, rel=1e-4)


def test_the_fitted_curve_is_the_estimators_where_lag_and_ageing_are_taken_off(
    river: tuple[tcomp.Learnt, pd.DataFrame],
) -> None:
    learnt, used = river
    cubic = CubicCrystal().fit(used[["crystal_c"]], used.corrected_ppb, used.weight)
    at_c = np.linspace(-19.0, 59.0, 40)
    # The joint fit has its own weights (of the chosen curve, not of the rich one): within the curve's uncertainty.
    apart = np.abs(cubic.predict(pd.DataFrame({"crystal_c": at_c})) - learnt.curve.offset_ppb(at_c))
    assert apart.max() < learnt.curve.uncertainty_ppb(at_c).min()
