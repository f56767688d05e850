"""The penalised spline against SciPy's splines, against refits, and where polynomials fail."""

from __future__ import annotations

import json
from dataclasses import asdict
from itertools import pairwise

import numpy as np
import pytest
from scipy.interpolate import BSpline, make_lsq_spline, make_smoothing_spline
from sklearn.utils.estimator_checks import check_estimator

from tcomp.errors import CurveError
from tcomp.estimation.crystal_regressor import CrystalRegressor
from tcomp.estimation.samples import Samples
from tcomp.estimation.smoothing import STRENGTHS, choose_smoothing, generalised_smoothing, held_out_error
from tcomp.estimation.spline_basis import SplineBasis, knots_for
from tcomp.simulation.crystal import AtCut

EVEN = SplineBasis(tuple(np.linspace(-20.0, 60.0, 21).tolist()))


def solved(basis: SplineBasis, temperature_c: np.ndarray, y: np.ndarray, strength: float) -> np.ndarray:
    """Coefficients by NumPy's own least squares on the design with the penalty's rows below it."""
    rows = np.sqrt(strength) * basis.penalty_rows()
    design = np.vstack([basis.values(temperature_c), rows])
    return np.linalg.lstsq(design, np.concatenate([y, np.zeros(len(rows))]), rcond=None)[0]


def kinked_sweeps(seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented data: an AT cubic with a kink of 20 ppb/degC at 31 degC, four sweeps, 2 ppb noise and 2 ppb per sweep."""
    rng = np.random.default_rng(seed)
    temperature_c = np.tile(np.linspace(-20.0, 60.0, 300), 4)
    sweep = np.repeat(np.arange(4), 300)
    truth = AtCut(2.6).offset_ppb(temperature_c) + 20.0 * np.maximum(temperature_c - 31.0, 0.0)
    return temperature_c, truth + rng.normal(0, 2.0, 1200) + rng.normal(0, 2.0, 4)[sweep], sweep


def test_without_penalty_it_is_scipys_least_squares_spline() -> None:
    temperature_c, y, _ = kinked_sweeps()
    knots = np.concatenate([np.repeat(-20.0, 3), EVEN.knots, np.repeat(60.0, 3)])
    # Older versions take no temperature twice: the mean of the four sweeps has the same least squares.
    scipys = make_lsq_spline(temperature_c[:300], y.reshape(4, 300).mean(axis=0), knots)
    ours = EVEN.values(temperature_c) @ solved(EVEN, temperature_c, y, 0.0)
    # Two solvers, values up to 7000 ppb: round-off.
    np.testing.assert_allclose(ours, scipys(temperature_c), atol=1e-8)


def test_near_the_smooth_limit_of_many_knots_it_finds_what_scipys_smoothing_spline_finds() -> None:
    # SciPy penalises the second derivative, we the fourth: on a sine with noise both, left to cross-validation, come
    # within twice the noise of a mean over a tenth of a period (25 samples at 0.1 each) of the truth and each other.
    temperature_c = np.linspace(0.0, 40.0, 1000)
    truth = 10.0 * np.sin(2 * np.pi * temperature_c / 10.0)
    y = truth + np.random.default_rng(4).normal(0, 0.1, 1000)
    scipys = make_smoothing_spline(temperature_c, y)(temperature_c)
    ours = CrystalRegressor("spline", pieces=40).fit(temperature_c[:, None], y).predict(temperature_c[:, None])
    for one, other in ((ours, truth), (scipys, truth), (ours, scipys)):
        assert np.sqrt(np.mean((one - other) ** 2)) < 2 * 0.1 / np.sqrt(25)


def test_values_and_slopes_are_those_of_scipys_b_splines() -> None:
    temperature_c = np.linspace(-20.0, 60.0, 77)
    knots = np.concatenate([np.repeat(-20.0, 3), EVEN.knots, np.repeat(60.0, 3)])
    for column in range(EVEN.size):
        one = BSpline(knots, np.eye(EVEN.size)[column], 3)
        np.testing.assert_allclose(EVEN.values(temperature_c)[:, column], one(temperature_c), atol=1e-13)
        slope = one.derivative()(temperature_c)
        np.testing.assert_allclose(EVEN.slopes(temperature_c)[:, column], slope, atol=1e-13)


def test_beyond_the_range_the_curve_goes_on_straight() -> None:
    coef = np.random.default_rng(1).normal(size=EVEN.size)
    outside_c = np.array([-25.0, -20.5, 60.5, 70.0])
    end_c = np.array([-20.0, -20.0, 60.0, 60.0])
    straight = EVEN.values(end_c) @ coef + (outside_c - end_c) * (EVEN.slopes(end_c) @ coef)
    np.testing.assert_allclose(EVEN.values(outside_c) @ coef, straight, rtol=1e-12)
    np.testing.assert_array_equal(EVEN.slopes(outside_c), EVEN.slopes(end_c))


def test_the_penalty_leaves_cubics_free_and_nothing_else() -> None:
    basis = SplineBasis((-20.0, -3.0, 0.0, 1.0, 2.0, 25.0, 31.0, 60.0))
    temperature_c = np.linspace(-20.0, 60.0, 400)
    cubic = solved(basis, temperature_c, AtCut(2.6).offset_ppb(temperature_c), 0.0)
    assert np.abs(basis.penalty_rows() @ cubic).max() < 1e-7  # round-off of coefficients up to 7000 ppb
    assert basis.size - np.linalg.matrix_rank(basis.penalty_rows()) == 4
    np.testing.assert_array_equal(basis.penalty(), basis.penalty().T)


def test_with_even_knots_the_penalty_tends_to_the_integral_of_the_squared_fourth_derivative() -> None:
    # sin(w T) over whole periods: the integral of (w^4 sin)^2 is w^8 times half the length.
    step, wave = 0.5, 2 * np.pi / 20.0
    basis = SplineBasis(tuple(np.arange(0.0, 40.0 + step / 2, step).tolist()))
    temperature_c = np.linspace(0.0, 40.0, 4001)
    coef = solved(basis, temperature_c, np.sin(wave * temperature_c), 0.0)
    # Two of 79 knots miss their share at the ends, where the sine's fourth derivative is near zero.
    assert coef @ basis.penalty() @ coef == pytest.approx(step**7 * wave**8 * 20.0, rel=0.02)


@pytest.mark.parametrize("strength", [0.0, 1.0, 1e9])
def test_a_cubic_comes_back_exactly_however_strong_the_smoothing(strength: float) -> None:
    temperature_c = np.linspace(-20.0, 60.0, 200)
    truth = AtCut(2.6).offset_ppb(temperature_c)
    found = EVEN.values(temperature_c) @ solved(EVEN, temperature_c, truth, strength)
    # Round-off, which a strong penalty magnifies by the square root of its ratio to the samples.
    np.testing.assert_allclose(found, truth, atol=1e-5)


def test_a_kink_that_polynomials_cannot_follow_is_recovered() -> None:
    temperature_c, y, sweep = kinked_sweeps()
    curve = CrystalRegressor("spline").fit(temperature_c[:, None], y, groups=sweep)
    asked_c = np.linspace(-20.0, 60.0, 400)
    truth = AtCut(2.6).offset_ppb(asked_c) + 20.0 * np.maximum(asked_c - 31.0, 0.0)
    error = curve.predict(asked_c[:, None]) - truth
    rival = CrystalRegressor(9).fit(temperature_c[:, None], y).predict(asked_c[:, None]) - truth
    # The sweeps' own 2 ppb is common to all temperatures: what is judged is the shape.
    spline_worst, polynomial_worst = np.abs(error - error.mean()).max(), np.abs(rival - rival.mean()).max()
    # A kink of 20 ppb/degC between knots 3.3 degC apart is rounded by about an eighth of their product.
    assert spline_worst < 20.0 * 80.0 / 24 / 8
    assert polynomial_worst > 2 * spline_worst


def test_the_chosen_smoothing_equals_refitting_without_each_fold() -> None:
    temperature_c, y, sweep = kinked_sweeps()
    values, penalty = EVEN.values(temperature_c), EVEN.penalty()
    weight = np.random.default_rng(2).uniform(0.5, 2.0, y.size)
    found = choose_smoothing(values, y, weight, sweep, (0, 2, 3), penalty)
    refitted = []
    for fold in (0, 2, 3):
        own = sweep == fold
        root = np.sqrt(weight[~own])[:, None]
        rows = np.sqrt(found.strength) * EVEN.penalty_rows()
        design = np.vstack([root * values[~own], rows])
        target = np.concatenate([root[:, 0] * y[~own], np.zeros(len(rows))])
        coef = np.linalg.lstsq(design, target, rcond=None)[0]
        refitted.append(np.average((y[own] - values[own] @ coef) ** 2, weights=weight[own]))
    np.testing.assert_allclose(found.fold_mse, refitted, rtol=1e-9)
    error = held_out_error(values, y, weight, sweep, (0, 2, 3), penalty, found.strength)
    own_mse = [np.average(error[sweep == fold] ** 2, weights=weight[sweep == fold]) for fold in (0, 2, 3)]
    np.testing.assert_allclose(own_mse, refitted, rtol=1e-9)
    assert np.isnan(error[sweep == 1]).all()


def test_no_strength_of_a_grid_does_better_on_held_out_sweeps() -> None:
    temperature_c, y, sweep = kinked_sweeps()
    values, penalty, ones = EVEN.values(temperature_c), EVEN.penalty(), np.ones(y.size)
    found = choose_smoothing(values, y, ones, sweep, range(4), penalty)
    unit = np.trace(values.T @ values) / np.trace(penalty)
    for strength in STRENGTHS[::3] * unit:
        error = held_out_error(values, y, ones, sweep, range(4), penalty, float(strength))
        assert found.mse <= np.mean(error**2) * (1 + 1e-9)


def test_samples_that_do_not_count_are_fitted_but_not_scored() -> None:
    temperature_c, y, sweep = kinked_sweeps()
    values, penalty, ones = EVEN.values(temperature_c), EVEN.penalty(), np.ones(y.size)
    wild = np.where((sweep == 0) & (temperature_c > 50.0), y + 1e5, y)
    counted = temperature_c <= 50.0
    found = choose_smoothing(values, wild, ones, sweep, [0], penalty, counted)
    error = held_out_error(values, wild, ones, sweep, [0], penalty, found.strength)
    np.testing.assert_allclose(found.fold_mse, np.mean(error[(sweep == 0) & counted] ** 2), rtol=1e-9)


def test_the_effective_size_runs_from_a_cubics_to_all_columns() -> None:
    temperature_c, y, _ = kinked_sweeps()
    values, penalty, ones = EVEN.values(temperature_c), EVEN.penalty(), np.ones(y.size)
    rng = np.random.default_rng(5)
    smooth = generalised_smoothing(
        values, AtCut(2.6).offset_ppb(temperature_c) + rng.normal(size=y.size), ones, penalty
    )
    rough = generalised_smoothing(values, values @ (1e4 * rng.normal(size=EVEN.size)), ones, penalty)
    assert 4.0 <= smooth.effective_size < 7.0
    assert EVEN.size - 0.1 < rough.effective_size <= EVEN.size


def test_generalised_cross_validation_is_least_at_the_chosen_strength() -> None:
    # The criterion by its definition, from the hat matrix (Golub, Heath and Wahba 1979).
    temperature_c, y, _ = kinked_sweeps()
    temperature_c, y = temperature_c[:300], y[:300]
    values, penalty = EVEN.values(temperature_c), EVEN.penalty()

    def criterion(strength: float) -> float:
        hat = values @ np.linalg.solve(values.T @ values + strength * penalty, values.T)
        return float(np.mean((y - hat @ y) ** 2) / (1 - np.trace(hat) / 300) ** 2)

    found = generalised_smoothing(values, y, np.ones(300), penalty)
    for factor in (0.1, 0.5, 2.0, 10.0):
        assert criterion(found.strength) < criterion(factor * found.strength)


def test_folds_that_leave_the_curve_undetermined_are_refused() -> None:
    temperature_c = np.concatenate([np.linspace(-20.0, 60.0, 50), np.repeat([0.0, 10.0, 20.0], 10)])
    folds = np.repeat([0, 1], [50, 30])
    with pytest.raises(CurveError, match="too few distinct temperatures, or too few outside a held-out sweep"):
        choose_smoothing(EVEN.values(temperature_c), temperature_c, np.ones(80), folds, [0], EVEN.penalty())


def test_knots_are_fine_about_a_dip_and_none_stand_where_nothing_was_measured() -> None:
    temperature_c = np.concatenate([np.linspace(-20.0, 10.0, 500), np.linspace(25.0, 60.0, 500)])
    knots = np.array(knots_for(temperature_c, -20.0, 60.0, 20, finer=((40.0, 0.8),)))
    assert (knots[0], knots[-1]) == (-20.0, 60.0)
    assert not np.any((knots > 12.0) & (knots < 25.0))
    near = knots[np.abs(knots - 40.0) < 1.5]
    np.testing.assert_allclose(np.diff(near), 0.2)
    for low, high in pairwise(knots):
        assert np.any((temperature_c >= low) & (temperature_c <= high))


def test_fine_knots_follow_a_dip_within_a_hundredth_while_the_rest_stays_smooth() -> None:
    # Invented data: a bell 260 ppb deep, 0.8 degC wide at half its depth, wherever it lies between the knots.
    rng = np.random.default_rng(6)
    temperature_c, sweep = np.tile(np.linspace(-20.0, 60.0, 8000), 2), np.repeat([0, 1], 8000)
    bell = -260.0 * np.exp(-4 * np.log(2) * ((temperature_c - 38.13) / 0.8) ** 2)
    truth = AtCut(2.6).offset_ppb(temperature_c) + bell
    basis = SplineBasis(knots_for(temperature_c, -20.0, 60.0, 24, finer=((38.0, 0.8),)))
    values, ones = basis.values(temperature_c), np.ones(16_000)
    y = truth + rng.normal(size=16_000)
    found = choose_smoothing(values, y, ones, sweep, (0, 1), basis.penalty())
    error = values @ solved(basis, temperature_c, y, found.strength) - truth
    near = np.abs(temperature_c - 38.13) < 2.0
    assert np.abs(error[near]).max() < 0.01 * 260.0
    assert np.sqrt(np.mean(error[~near] ** 2)) < 0.1  # 1 ppb over the square root of 16000 samples per 27 coefficients


def test_the_basis_can_be_written_as_json_and_read_back() -> None:
    again = SplineBasis(**{k: tuple(v) for k, v in json.loads(json.dumps(asdict(EVEN))).items()})
    assert again == EVEN
    assert (again.low_c, again.high_c, again.size) == (-20.0, 60.0, 23)


def test_the_confidence_band_covers_the_truth_as_often_as_it_says() -> None:
    # Nychka 1988: over the range, a band of twice the Bayesian standard error covers about 95 % of a smooth truth.
    temperature_c = np.linspace(-20.0, 60.0, 400)
    truth = 100.0 * np.sin(temperature_c / 12.0)
    covered = []
    for seed in range(20):
        y = truth + np.random.default_rng(seed).normal(0, 5.0, 400)
        found, u = (
            CrystalRegressor("spline").fit(temperature_c[:, None], y).predict(temperature_c[:, None], return_std=True)
        )
        covered.append(np.mean(np.abs(found - truth) < 1.96 * u))
    assert 0.90 < np.mean(covered) < 0.99


def test_the_prediction_band_adds_the_scatter_of_a_sample() -> None:
    temperature_c, y, _ = kinked_sweeps()
    curve = CrystalRegressor("spline").fit(temperature_c[:, None], y)
    _, of_curve = curve.predict(temperature_c[:, None], return_std=True)
    _, of_sample = curve.predict(temperature_c[:, None], return_std=True, new_sample=True)
    np.testing.assert_allclose(of_sample**2, of_curve**2 + curve.residual_sd_**2)


class FirstColumnSpline(CrystalRegressor):
    """For the estimator checks, which feed tables with several columns: takes the first."""

    def __init__(self, curve: str = "spline") -> None:
        super().__init__(curve)

    def _samples(self, table: np.ndarray, offset_ppb: np.ndarray, sweep: np.ndarray | None) -> Samples:
        return super()._samples(table[:, :1], offset_ppb, sweep)


FOUR_TEMPERATURES = "fits data with 3 distinct temperatures; a cubic spline needs 4 and says so"
CANNOT = {
    "check_regressors_train": "wants a training score above 0.5 on data that depend on ten columns; one cannot explain it",
    "check_estimators_dtypes": FOUR_TEMPERATURES,
    "check_sample_weights_not_an_array": FOUR_TEMPERATURES,
    "check_sample_weights_pandas_series": FOUR_TEMPERATURES,
    "check_sample_weight_equivalence_on_dense_data": "a weight is 1/variance, up to a common factor, and not a number of "
    "repetitions: cross-validation counts samples, so that repeated ones are smoothed less",
}


def test_the_estimator_keeps_scikit_learns_contract() -> None:
    results = check_estimator(FirstColumnSpline(), expected_failed_checks=CANNOT, on_fail=None, on_skip=None)
    failed = {result["check_name"]: result["exception"] for result in results if result["status"] == "failed"}
    assert failed == {}
    assert sum(result["status"] == "passed" for result in results) > 40  # that checks ran at all
    unneeded = {r["check_name"] for r in results if r["status"] == "passed"} & set(CANNOT)
    assert unneeded == set(), "a listed exception passes: take it off the list"


def test_too_few_temperatures_are_refused_in_words() -> None:
    with pytest.raises(CurveError, match=r"3 distinct temperatures .* cannot determine a cubic spline; it needs 4"):
        CrystalRegressor("spline").fit([[1.0], [2.0], [3.0], [3.0]], [1.0, 2.0, 3.0, 3.0])


def test_a_number_of_pieces_out_of_bounds_is_refused() -> None:
    with pytest.raises(CurveError, match="pieces is 0; expected a whole number of 1 or more"):
        CrystalRegressor("spline", pieces=0).fit([[1.0], [2.0]], [1.0, 2.0])


def test_several_columns_are_refused() -> None:
    with pytest.raises(ValueError, match="X has 3 columns; expected the temperature in degC, or time"):
        CrystalRegressor("spline").fit([[1.0, 2.0, 3.0], [2.0, 3.0, 4.0]], [1.0, 2.0])
