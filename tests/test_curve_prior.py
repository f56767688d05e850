"""A lot's prior: invented lots with a known mean and scatter, and a general library's mixed model."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from tcomp.errors import CurveError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.few_points import lot_curve
from tcomp.estimation.prior import Prior, posterior, prior_of
from tcomp.planning.soaks import next_soaks

LOW_C, HIGH_C = -20.0, 60.0
BASIS = ChebyshevBasis(3, LOW_C, HIGH_C)
GRID_C = np.linspace(LOW_C, HIGH_C, 161)


def unit_curve(rng: np.random.Generator, temperature_c: np.ndarray) -> np.ndarray:
    """An AT crystal of an invented lot: angle, inflection, cubic term and base vary from unit to unit."""
    # -84.7 ppb/degC per minute of arc (handbook value, Gerber and Ballato 1985, second-hand); a third of a minute of scatter.
    slope = -220.0 + 84.7 / 3 * rng.standard_normal()
    inflection, cubic = 26.4 + 0.3 * rng.standard_normal(), 0.1086 * (1 + 0.005 * rng.standard_normal())
    away = temperature_c - inflection
    return 500 * rng.standard_normal() + slope * away + cubic * away**3


def worst_u_ppb(prior: Prior, soaks_c: list[float], u_ppb: float) -> float:
    at = np.array(soaks_c)
    found = posterior(prior, at, BASIS.values(at) @ np.array(prior.mean), np.full(at.size, u_ppb))
    columns = BASIS.values(GRID_C)
    return float(np.sqrt(np.einsum("ij,jk,ik->i", columns, found.covariance, columns).max()))


def lot(rng: np.random.Generator, count: int, u_ppb: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """Coefficients of a lot's units as fitted to 40 points each, and their covariances."""
    temperature_c = np.linspace(LOW_C, HIGH_C, 40)
    columns = BASIS.values(temperature_c)
    inverse = np.linalg.inv(columns.T @ columns)
    y = np.array([unit_curve(rng, temperature_c) for _ in range(count)]) + u_ppb * rng.standard_normal((count, 40))
    return y @ columns @ inverse, np.broadcast_to(u_ppb**2 * inverse, (count, 4, 4))


def fit_result(rng: np.random.Generator, count: int = 40) -> Prior:
    coef, own = lot(rng, count)
    return prior_of(BASIS, [f"board {number}" for number in range(count)], coef, own)


def test_mean_and_scatter_are_those_of_restricted_maximum_likelihood() -> None:
    # statsmodels, MixedLM with random coefficients: for units that were all logged at the same temperatures its REML estimate
    # is the scatter of the fits less what their noise brings, as ours; only the correlations are shrunk by us.
    from statsmodels.regression.mixed_linear_model import MixedLM

    rng, count, points, noise = np.random.default_rng(3), 30, 12, 5.0
    basis = ChebyshevBasis(1, -1.0, 1.0)
    columns = basis.values(np.linspace(-1.0, 1.0, points))
    truth = np.array([100.0, 50.0]) + rng.standard_normal((count, 2)) * [20.0, 10.0]
    y = truth @ columns.T + noise * rng.standard_normal((count, points))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        groups = np.repeat(np.arange(count), points)
        theirs = MixedLM(y.ravel(), np.tile(columns, (count, 1)), groups, np.tile(columns, (count, 1))).fit(reml=True)
    inverse = np.linalg.inv(columns.T @ columns)
    own = np.broadcast_to(theirs.scale * inverse, (count, 2, 2))
    ours = prior_of(basis, [str(number) for number in range(count)], y @ columns @ inverse, own)
    assert ours.left_out == ()
    assert ours.mean == pytest.approx(theirs.fe_params, rel=1e-6)
    # Their optimiser stops at some 1e-3 of the variance.
    assert np.diag(np.array(ours.between)) == pytest.approx(np.diag(theirs.cov_re), rel=5e-3)


def test_a_few_soaks_place_a_new_unit_and_the_bands_hold() -> None:
    rng = np.random.default_rng(11)
    covered, worst = [], {2: [], 3: [], 4: []}
    for _ in range(60):
        prior = fit_result(rng, 30)
        truth_at = rng.bit_generator.state
        for count, soaks_c in ((2, [-10.0, 50.0]), (3, [-15.0, 20.0, 55.0]), (4, [-18.0, 10.0, 35.0, 58.0])):
            rng.bit_generator.state = truth_at  # the same unit for 2, 3 and 4 soaks
            both_c = np.concatenate((GRID_C, soaks_c))
            truth = unit_curve(rng, both_c)
            measured = truth[GRID_C.size :] + 2.0 * rng.standard_normal(count)
            found = posterior(prior, np.array(soaks_c), measured, np.full(count, 2.0))
            error = BASIS.values(GRID_C) @ found.coef - truth[: GRID_C.size]
            columns = BASIS.values(GRID_C)
            u = np.sqrt(np.einsum("ij,jk,ik->i", columns, found.covariance, columns))
            covered.append(np.mean(np.abs(error) <= 1.96 * u))
            worst[count].append(np.abs(error).max())
    # Errors along a curve go together: 60 lots with one unit each know the share to about 2.5 %; twice that.
    assert np.mean(covered) == pytest.approx(0.95, abs=0.05)
    assert np.median(worst[3]) < 0.7 * np.median(worst[2])
    assert np.median(worst[4]) < np.median(worst[3])


def test_a_prior_that_is_taken_for_certain_would_not_cover() -> None:
    # The planted fault: without what the finite number of units leaves open, and with a tenth of the scatter.
    rng, covered = np.random.default_rng(12), []
    for _ in range(40):
        prior = fit_result(rng, 30)
        narrow = Prior(BASIS, prior.mean, tuple(tuple(v / 100 for v in row) for row in prior.between), 10_000, (), 0.0)
        soaks_c = np.array([-10.0, 50.0])
        truth = unit_curve(rng, np.concatenate((GRID_C, soaks_c)))
        found = posterior(narrow, soaks_c, truth[-2:], np.full(2, 2.0))
        columns = BASIS.values(GRID_C)
        u = np.sqrt(np.einsum("ij,jk,ik->i", columns, found.covariance, columns))
        covered.append(np.mean(np.abs(columns @ found.coef - truth[:-2]) <= 1.96 * u))
    assert np.mean(covered) < 0.8


def test_units_of_the_lot_are_seldom_refused_and_strangers_always() -> None:
    rng, chances = np.random.default_rng(13), []
    soaks_c = np.array([-15.0, 20.0, 55.0])
    prior = fit_result(rng, 40)
    for _ in range(400):
        truth = unit_curve(rng, soaks_c) + 2.0 * rng.standard_normal(3)
        chances.append(posterior(prior, soaks_c, truth, np.full(3, 2.0)).chance)
    # Alike between 0 and 1 were the prior exact; one prior of 40 units is off by some, the same for all.
    assert np.mean(np.array(chances) < 0.05) < 0.12
    assert np.mean(np.array(chances) < 0.001) < 0.01
    # A crystal of another cut: a parabola.
    parabola = -35.0 * (soaks_c - 25.0) ** 2
    assert posterior(prior, soaks_c, parabola, np.full(3, 2.0)).chance < 1e-6


def test_an_odd_unit_does_not_teach() -> None:
    rng = np.random.default_rng(14)
    coef, own = lot(rng, 40)
    clean = prior_of(BASIS, [str(number) for number in range(40)], coef, own)
    odd = coef.copy()
    odd[7] += np.array([0.0, 0.0, 900.0, 0.0])
    found = prior_of(BASIS, [str(number) for number in range(40)], odd, own)
    assert "7" in found.left_out
    assert found.between[2][2] < 2 * clean.between[2][2]


def test_more_soaks_never_hurt_and_the_ends_tell_most() -> None:
    prior = fit_result(np.random.default_rng(15))
    two, three = (worst_u_ppb(prior, soaks, 2.0) for soaks in ([-20.0, 60.0], [-20.0, 20.0, 60.0]))
    assert three < two < worst_u_ppb(prior, [19.0, 21.0], 2.0)


def test_the_soaks_that_a_plan_chooses_leave_what_the_posterior_says_and_beat_others() -> None:
    prior = fit_result(np.random.default_rng(15))
    found = next_soaks(lot_curve(prior), np.full(81, 2.0), 0.0, 1e-3, 4)
    assert [len(best) for best in found.best_c] == [1, 2, 3, 4]
    for best_c, worst_ppb in zip(found.best_c, found.worst_of_best_ppb, strict=True):
        # The plan works in the covariance of the grid's values, the posterior in coefficients; 161 temperatures see a little
        # more than 81.
        assert worst_u_ppb(prior, list(best_c), 2.0) == pytest.approx(worst_ppb, rel=0.01)
    # Chosen by hand: evenly, and the points of the best design of a cubic (Guest 1958), which know nothing of the lot.
    assert found.worst_of_best_ppb[1] < worst_u_ppb(prior, [-20.0, 60.0], 2.0)
    assert found.worst_of_best_ppb[2] < worst_u_ppb(prior, [-20.0, 20.0, 60.0], 2.0)
    guest = [20.0 + 40.0 * x for x in (-1.0, -(5**-0.5), 5**-0.5, 1.0)]
    assert found.worst_of_best_ppb[3] <= 1.001 * worst_u_ppb(prior, guest, 2.0)  # which lie between degrees of the grid


@pytest.mark.parametrize(
    ("soak_c", "u_ppb", "message"),
    [(70.0, 1.0, "a point at 70 degC lies outside the lot's range, -20 to 60 degC"), (20.0, 0.0, "above 0")],
)
def test_points_that_cannot_be_used_are_said(soak_c: float, u_ppb: float, message: str) -> None:
    prior = fit_result(np.random.default_rng(16))
    with pytest.raises(CurveError, match=message):
        posterior(prior, np.array([soak_c]), np.array([0.0]), np.array([u_ppb]))


def test_too_few_units_are_no_lot() -> None:
    coef, own = lot(np.random.default_rng(17), 6)
    with pytest.raises(CurveError, match="needs 7 units or more, and the lot has 6"):
        prior_of(BASIS, list("abcdef"), coef, own)
