"""The polynomial estimator against certified data, published worked examples and scikit-learn's own contract."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from sklearn.utils.estimator_checks import check_estimator

from tcomp.errors import CurveError
from tcomp.model.crystal import CubicCrystal, ParabolaCrystal
from tcomp.model.least_squares import least_squares
from tcomp.model.polynomial import PolynomialCurve

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
# The digits that are asked of a good solver; where a double's extended precision is missing, the Wampler sets with
# their huge noise lose one (round-off of the 1e7-fold residuals).
WIDE = np.finfo(np.longdouble).eps < np.finfo(np.float64).eps
DIGITS = {"Filip": 7.0, **dict.fromkeys(("Wampler4", "Wampler5"), 9.0 if WIDE else 8.0)}


def certified(name: str) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    entry = CERTIFIED[name]
    values = np.array([float(text) for text in entry["coefficients"]])
    spread = np.array([float(text) for text in entry["standard_deviations"]])
    return pd.read_csv(DATA / "nist_strd" / entry["file"], dtype=np.float64), values, spread


@pytest.mark.parametrize(("name", "degree"), POLYNOMIAL.items())
def test_certified_polynomial_coefficients_are_met(name: str, degree: int) -> None:
    data, values, spread = certified(name)
    curve = PolynomialCurve(degree).fit(data[["x"]].to_numpy(), data["y"])
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
    curve = PolynomialCurve(1).fit(data[["t_k_degC"]].to_numpy(), data["b_k_degC"])
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
    curve = PolynomialCurve(2).fit(temperature_c, rng.normal(size=40))
    _, of_curve = curve.predict(temperature_c, return_std=True)
    _, of_sample = curve.predict(temperature_c, return_std=True, new_sample=True)
    np.testing.assert_allclose(of_sample**2, of_curve**2 + curve.residual_sd_**2)


def test_weights_count_as_repeated_samples() -> None:
    rng = np.random.default_rng(4)
    x, y, weight = rng.uniform(-20, 60, 30), rng.normal(size=30), rng.integers(0, 4, 30)
    weighted = PolynomialCurve(3).fit(x[:, None], y, sample_weight=weight)
    repeated = PolynomialCurve(3).fit(np.repeat(x, weight)[:, None], np.repeat(y, weight))
    np.testing.assert_allclose(weighted.predict(x[:, None]), repeated.predict(x[:, None]), atol=1e-9)


class FirstColumn:
    """For the estimator checks, which feed tables with several columns: takes the first."""

    def _temperature(self, X: np.ndarray) -> np.ndarray:
        return X[:, 0]


class FirstColumnPolynomial(FirstColumn, PolynomialCurve):
    pass


class FirstColumnCubic(FirstColumn, CubicCrystal):
    pass


class FirstColumnParabola(FirstColumn, ParabolaCrystal):
    pass


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
    [(FirstColumnPolynomial(degree=2), ONE_COLUMN), (FirstColumnCubic(), CUBIC), (FirstColumnParabola(), ONE_COLUMN)],
    ids=["polynomial", "cubic", "parabola"],
)
def test_the_estimators_keep_scikit_learns_contract(estimator: PolynomialCurve, cannot: dict[str, str]) -> None:
    results = check_estimator(estimator, expected_failed_checks=cannot, on_fail=None, on_skip=None)
    failed = {result["check_name"]: result["exception"] for result in results if result["status"] == "failed"}
    assert failed == {}
    assert sum(result["status"] == "passed" for result in results) > 40  # that checks ran at all
    unneeded = {r["check_name"] for r in results if r["status"] == "passed"} & set(cannot)
    assert unneeded == set(), "a listed exception passes: take it off the list"


def test_too_few_temperatures_are_refused_in_words() -> None:
    with pytest.raises(CurveError, match=r"3 distinct temperatures .* cannot determine degree 3; it needs 4"):
        PolynomialCurve(3).fit([[1.0], [2.0], [3.0], [3.0]], [1.0, 2.0, 3.0, 3.0])


def test_a_degree_out_of_bounds_is_refused() -> None:
    with pytest.raises(CurveError, match="degree is 11; expected a whole number from 1 to 10"):
        PolynomialCurve(11).fit([[1.0], [2.0]], [1.0, 2.0])


def test_several_columns_are_refused() -> None:
    with pytest.raises(ValueError, match="X has 2 columns; expected one, the temperature in degC"):
        PolynomialCurve(1).fit([[1.0, 2.0], [2.0, 3.0]], [1.0, 2.0])
