"""The polynomial estimator against certified data, published worked examples and scikit-learn's own contract."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sklearn.utils.estimator_checks import check_estimator

from tcomp.errors import CurveError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.crystal_regressor import CrystalRegressor
from tcomp.estimation.least_squares import least_squares, weighted_solution
from tcomp.estimation.samples import Samples

DATA = Path(__file__).parent / "data"
# NIST Statistical Reference Datasets, linear least squares, certified values to 15 digits (US public domain);
# where each was read stands in the file.
CERTIFIED = json.loads((DATA / "nist_strd" / "certified.json").read_text())["sets"]
POLYNOMIAL = {
    "Norris": 1,
    "Pontius": 2,
    "Filip": 10,
    "Wampler1": 5,
    "Wampler2": 5,
    "Wampler3": 5,
    "Wampler4": 5,
    "Wampler5": 5,
}
# The digits that are asked of a good solver; without extended precision the Wampler sets with their huge noise lose one
# (round-off of the 1e7-fold residuals).
WIDE = np.finfo(np.longdouble).eps < np.finfo(np.float64).eps
DIGITS = {"Filip": 7.0, **dict.fromkeys(("Wampler4", "Wampler5"), 8.0)}
WIDE_DIGITS = DIGITS | dict.fromkeys(("Wampler4", "Wampler5"), 9.0 if WIDE else 8.0)


def certified(name: str) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    entry = CERTIFIED[name]
    values = np.array([float(text) for text in entry["coefficients"]])
    spread = np.array([float(text) for text in entry["standard_deviations"]])
    return pd.read_csv(DATA / "nist_strd" / entry["file"], dtype=np.float64), values, spread


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize(("name", "degree"), POLYNOMIAL.items())
def test_the_solver_of_every_fit_meets_certified_coefficients(name: str, degree: int, wide: bool) -> None:
    """As the joint fit calls it, in doubles, and with a design in extended precision."""
    data, values, _ = certified(name)
    basis = ChebyshevBasis(degree, data["x"].min(), data["x"].max())
    design = (basis.wide_values if wide else basis.values)(data["x"].to_numpy())
    coef = weighted_solution(design, data["y"].to_numpy(), np.ones(len(data)))
    np.testing.assert_allclose(
        basis.power_coefficients(coef), values, rtol=10.0 ** -(WIDE_DIGITS if wide else DIGITS).get(name, 9.0)
    )


def test_where_columns_are_nearly_dependent_the_solver_factorises() -> None:
    """Longley's columns, and again with one that differs from another by a part in a million: NumPy's own least squares."""
    data, values, _ = certified("Longley")
    design = np.column_stack([np.ones(len(data)), data.drop(columns="y")])
    np.testing.assert_allclose(weighted_solution(design, data["y"].to_numpy(), np.ones(len(data))), values, rtol=1e-9)
    rng = np.random.default_rng(1)
    near = np.column_stack([design[:, 1], design[:, 1] * (1 + 1e-6 * rng.normal(size=len(data)))]) / 100.0
    target = near @ np.array([3.0, -2.0])
    # Six digits are lost to the columns, and a double has sixteen; by normal equations alone twelve would be.
    np.testing.assert_allclose(weighted_solution(near, target, np.ones(len(data))), [3.0, -2.0], rtol=1e-8)


def test_columns_without_weight_get_nothing_and_disturb_no_other() -> None:
    design = np.column_stack([np.ones(6), np.arange(6.0), np.append(np.zeros(5), 1.0)])
    weight = np.append(np.ones(5), 0.0)
    y = 1.0 + 2.0 * np.arange(6.0)
    np.testing.assert_allclose(weighted_solution(design, y, weight), [1.0, 2.0, 0.0], atol=1e-12)


def test_a_penalty_is_rows_below_the_design() -> None:
    rng = np.random.default_rng(2)
    design, y, weight = rng.normal(size=(40, 5)), rng.normal(size=40), rng.uniform(0.5, 2.0, 40)
    rows = rng.normal(size=(2, 3))
    below = np.vstack([design * np.sqrt(weight)[:, None], np.hstack([np.zeros((2, 2)), rows])])
    expected = np.linalg.lstsq(below, np.append(y * np.sqrt(weight), np.zeros(2)), rcond=None)[0]
    np.testing.assert_allclose(weighted_solution(design, y, weight, rows.T @ rows), expected, rtol=1e-10)
    # The same where one column is nearly another, so that columns are factorised.
    near = np.column_stack([design, design[:, 4] * (1 + 1e-5 * rng.normal(size=40))])
    wide = np.hstack([rows, np.zeros((2, 1))])
    below = np.vstack([near * np.sqrt(weight)[:, None], np.hstack([np.zeros((2, 2)), wide])])
    expected = np.linalg.lstsq(below, np.append(y * np.sqrt(weight), np.zeros(2)), rcond=None)[0]
    np.testing.assert_allclose(near @ weighted_solution(near, y, weight, wide.T @ wide), near @ expected, atol=1e-8)


@pytest.mark.parametrize(("name", "degree"), POLYNOMIAL.items())
def test_certified_polynomial_coefficients_are_met(name: str, degree: int) -> None:
    data, values, spread = certified(name)
    curve = CrystalRegressor(degree).fit(data[["x"]].to_numpy(), data["y"])
    agreed = 10.0 ** -DIGITS.get(name, 9.0)
    np.testing.assert_allclose(curve.power_coefficients(), values, rtol=agreed)
    # Wampler1 and 2 are exact: their certified deviations are 0, and what is left is round-off of values up to 4e6.
    np.testing.assert_allclose(np.sqrt(np.diagonal(curve.power_covariance())), spread, rtol=agreed, atol=1e-9)


def test_certified_multiple_regression_is_met() -> None:
    data, values, spread = certified("Longley")
    design = np.column_stack([np.ones(len(data)), data.drop(columns="y")])
    fit = least_squares(design, data["y"].to_numpy())
    np.testing.assert_allclose(fit.coef, values, rtol=1e-9)
    np.testing.assert_allclose(np.sqrt(np.diagonal(fit.covariance)), spread, rtol=1e-9)


def test_the_thermometer_of_the_guide_is_met() -> None:
    # JCGM 100:2008, H.3: calibration of a thermometer; printed digits.
    data = pd.read_csv(DATA / "gum" / "h3_thermometer.csv")
    published = json.loads((DATA / "gum" / "h3_thermometer.json").read_text())["published"]
    curve = CrystalRegressor(1).fit(data[["t_k_degC"]].to_numpy(), data["b_k_degC"])
    y1, y2 = curve.power_coefficients(origin_c=20.0)
    covariance = curve.power_covariance(origin_c=20.0)
    u1, u2 = np.sqrt(np.diagonal(covariance))
    assert (round(y1, 4), round(u1, 4)) == (published["y1"], published["u_y1"])
    assert (round(y2, 5), round(u2, 5)) == (published["y2"], published["u_y2"])
    assert round(covariance[0, 1] / (u1 * u2), 3) == published["r"]
    assert round(curve.residual_sd_, 4) == published["s"]
    b_30, u_30 = curve.predict([[30.0]], return_std=True)
    assert (round(b_30[0], 4), round(u_30[0], 4)) == (published["b_30"], published["u_b_30"])


def test_the_prediction_band_adds_the_scatter_of_a_sample() -> None:
    rng = np.random.default_rng(3)
    temperature_c = np.linspace(0.0, 50.0, 40)[:, None]
    curve = CrystalRegressor(2).fit(temperature_c, rng.normal(size=40))
    _, of_curve = curve.predict(temperature_c, return_std=True)
    _, of_sample = curve.predict(temperature_c, return_std=True, new_sample=True)
    np.testing.assert_allclose(of_sample**2, of_curve**2 + curve.residual_sd_**2)


def test_weights_count_as_repeated_samples() -> None:
    rng = np.random.default_rng(4)
    x, y, weight = rng.uniform(-20, 60, 30), rng.normal(size=30), rng.integers(0, 4, 30)
    weighted = CrystalRegressor(3).fit(x[:, None], y, sample_weight=weight)
    repeated = CrystalRegressor(3).fit(np.repeat(x, weight)[:, None], np.repeat(y, weight))
    np.testing.assert_allclose(weighted.predict(x[:, None]), repeated.predict(x[:, None]), atol=1e-9)


class FirstColumn(CrystalRegressor):
    """For the estimator checks, which feed tables with several columns: takes the first."""

    def _samples(self, table: np.ndarray, offset_ppb: np.ndarray, sweep: np.ndarray | None) -> Samples:
        return super()._samples(table[:, :1], offset_ppb, sweep)


# What a curve in one temperature cannot give, with the reason.
ONE_COLUMN = {
    "check_regressors_train": "wants the training score above 0.5 on data that depend on ten columns; one cannot explain it",
}
FOUR_TEMPERATURES = "fits data with 3 distinct temperatures; a cubic needs 4 and says so"
CUBIC = ONE_COLUMN | {
    "check_estimators_dtypes": FOUR_TEMPERATURES,
    "check_sample_weights_not_an_array": FOUR_TEMPERATURES,
    "check_sample_weights_pandas_series": FOUR_TEMPERATURES,
}


@pytest.mark.parametrize(
    ("estimator", "cannot"),
    [(FirstColumn(2), ONE_COLUMN), (FirstColumn(3), CUBIC)],
    ids=["parabola", "cubic"],
)
def test_the_estimators_keep_scikit_learns_contract(estimator: CrystalRegressor, cannot: dict[str, str]) -> None:
    results = check_estimator(estimator, expected_failed_checks=cannot, on_fail=None, on_skip=None)
    failed = {result["check_name"]: result["exception"] for result in results if result["status"] == "failed"}
    assert failed == {}
    assert sum(result["status"] == "passed" for result in results) > 40  # that checks ran at all
    unneeded = {r["check_name"] for r in results if r["status"] == "passed"} & set(cannot)
    assert unneeded == set(), "a listed exception passes: take it off the list"


def test_too_few_temperatures_are_refused_in_words() -> None:
    with pytest.raises(CurveError, match=r"3 distinct temperatures .* cannot determine degree 3; it needs 4"):
        CrystalRegressor(3).fit([[1.0], [2.0], [3.0], [3.0]], [1.0, 2.0, 3.0, 3.0])


def test_a_degree_out_of_bounds_is_refused() -> None:
    with pytest.raises(CurveError, match='curve is 11; expected a degree from 1 to 10, or "spline"'):
        CrystalRegressor(11).fit([[1.0], [2.0]], [1.0, 2.0])


def test_several_columns_are_refused() -> None:
    with pytest.raises(ValueError, match="X has 3 columns; expected the temperature in degC, or time"):
        CrystalRegressor(1).fit([[1.0, 2.0, 3.0], [2.0, 3.0, 4.0]], [1.0, 2.0])
