"""Held-out scores against scikit-learn's, and the choice of a curve."""

from __future__ import annotations

import numpy as np
import pytest
from independent import at_cubic, chamber_c, simulate
from recovery import learn_logs
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.model_selection import LeaveOneGroupOut, cross_val_score

from tcomp.errors import CurveError
from tcomp.estimation.candidates import candidates
from tcomp.estimation.crystal_regressor import CrystalRegressor
from tcomp.estimation.held_out import parts_of
from tcomp.estimation.least_squares import least_squares
from tcomp.estimation.spline_basis import SplineBasis, knots_for
from tcomp.estimation.validation import Loop, _inside_training, _orthogonal, validate

EVERY = candidates("auto", "unknown")


def sweeps(count: int, noise_ppb: float, seed: int = 1) -> tuple[np.ndarray, ...]:
    """Invented data with a known truth: a cubic seen by sweeps up and down, each a little off the others."""
    rng = np.random.default_rng(seed)
    up = np.linspace(-20.0, 60.0, 400)
    temperature_c = np.concatenate([up if number % 2 == 0 else up[::-1] for number in range(count)])
    sweep = np.repeat(np.arange(count), up.size)
    d = temperature_c - 26.0
    offset_ppb = -220.0 * d + 0.1086 * d**3 + rng.normal(0, noise_ppb, d.size) + rng.normal(0, 2.0, count)[sweep]
    return temperature_c, offset_ppb, sweep, np.where(sweep % 2 == 0, 0.5, -0.5)


def test_scores_equal_those_of_refitting_every_fold() -> None:
    # scikit-learn's cross_val_score with LeaveOneGroupOut, to 1e-9 relative.
    temperature_c, offset_ppb, sweep, direction = sweeps(5, noise_ppb=3.0)
    found = validate(temperature_c, offset_ppb, sweep, direction, EVERY)
    assert len(found.scores) == 9
    for score in found.scores:
        refitted = -cross_val_score(
            CrystalRegressor(score.candidate.degree), temperature_c[:, None], offset_ppb,
            groups=sweep, cv=LeaveOneGroupOut(), scoring="neg_mean_squared_error",
        )  # fmt: skip
        np.testing.assert_allclose(score.fold_mse, refitted, rtol=1e-9)


def test_the_true_degree_is_taken_and_not_a_richer_one() -> None:
    temperature_c, offset_ppb, sweep, direction = sweeps(6, noise_ppb=3.0)
    assert validate(temperature_c, offset_ppb, sweep, direction, EVERY).chosen.name == "poly3"


def test_shuffled_folds_would_promise_too_much() -> None:
    # Why they are not offered: with errors common to a sweep, a shuffled split claims less error than a new sweep has.
    rng = np.random.default_rng(2)
    temperature_c, offset_ppb, sweep, direction = sweeps(4, noise_ppb=1.0)
    phase = rng.uniform(0, 2 * np.pi, 4)[sweep]
    offset_ppb = offset_ppb + 30.0 * np.sin(temperature_c / 12.0 + phase)
    by_sweep = validate(temperature_c, offset_ppb, sweep, direction, EVERY)
    shuffled = validate(temperature_c, offset_ppb, rng.permutation(sweep), direction, EVERY)
    assert min(s.rms_ppb for s in shuffled.scores) < 0.9 * by_sweep.score.rms_ppb
    assert by_sweep.chosen.size <= shuffled.chosen.size


def test_one_sweep_is_judged_on_blocks_of_temperature_with_the_ends_kept() -> None:
    temperature_c, offset_ppb, sweep, direction = sweeps(1, noise_ppb=3.0)
    found = validate(temperature_c, offset_ppb, sweep, direction, EVERY)
    assert found.method == "leave one of 10 temperature blocks out (one sweep only), ends kept"
    held_out = ~np.isnan(found.held_out_ppb)
    assert held_out.sum() == 320
    assert temperature_c[held_out].min() > temperature_c.min()
    assert found.chosen.name == "poly3"


def test_samples_beyond_the_other_sweeps_are_not_scored() -> None:
    temperature_c, offset_ppb, sweep, direction = sweeps(2, noise_ppb=1.0)
    keep = (sweep == 0) | (temperature_c < 40.0)
    found = validate(temperature_c[keep], offset_ppb[keep], sweep[keep], direction[keep], EVERY)
    assert found.remarks == ("samples beyond the temperatures of the other sweeps are not scored",)
    assert np.isnan(found.held_out_ppb[temperature_c[keep] > 40.5]).all()


def test_a_candidate_that_the_other_sweeps_cannot_determine_has_no_score() -> None:
    temperature_c = np.repeat([0.0, 10.0, 20.0, 30.0, 40.0, 50.0], 10)
    sweep = np.repeat([0, 1, 0, 1, 0, 1], 10)
    rng = np.random.default_rng(3)
    found = validate(temperature_c, temperature_c + rng.normal(size=60), sweep, np.zeros(60), EVERY)
    assert [score.candidate.name for score in found.scores] == ["poly1", "poly2"]
    rest = ", ".join(candidate.name for candidate in EVERY[2:])
    assert found.unscored == (f"{rest}: the other sweeps do not determine 4 to 10 coefficients",)


def test_no_candidate_left_is_an_error() -> None:
    with pytest.raises(CurveError, match="no curve can be validated: too few distinct temperatures"):
        validate(np.array([1.0, 1.0, 2.0, 2.0]), np.arange(4.0), np.array([0, 0, 1, 1]), np.zeros(4), EVERY)


def test_sweeps_that_share_no_temperature_cannot_hold_each_other_out() -> None:
    temperature_c, offset_ppb, sweep, direction = sweeps(2, noise_ppb=3.0)
    apart_c = temperature_c + 100.0 * sweep
    with pytest.raises(CurveError, match="log sweeps that go over the same temperatures"):
        validate(apart_c, offset_ppb, sweep, direction, EVERY)


def test_heating_minus_cooling_sees_a_loop_that_is_planted() -> None:
    temperature_c, offset_ppb, sweep, direction = sweeps(6, noise_ppb=1.0)
    found = validate(temperature_c, offset_ppb + 40.0 * direction, sweep, direction, EVERY)
    assert found.score.heating_minus_cooling_ppb == pytest.approx(40.0 * 6 / 5, rel=0.1)


def test_without_both_directions_there_is_no_difference_to_tell() -> None:
    assert np.isnan(Loop.of(np.array([1.0, 2.0, 3.0]), np.full(3, 0.5)).heating_minus_cooling(np.ones(3)))


class FixedSpline(RegressorMixin, BaseEstimator):
    """The spline at one smoothing, fitted anew by QR with the penalty's rows below the design."""

    def __init__(self, basis: SplineBasis | None = None, strength: float = 0.0) -> None:
        self.basis, self.strength = basis, strength

    def fit(self, X: np.ndarray, y: np.ndarray) -> FixedSpline:
        assert self.basis is not None
        rows = np.sqrt(self.strength) * self.basis.penalty_rows()
        design = np.vstack([self.basis.values(X[:, 0]), rows])
        self.coef_ = least_squares(design, np.concatenate([y, np.zeros(len(rows))])).coef
        return self

    def predict(self, X: np.ndarray) -> np.ndarray:
        assert self.basis is not None
        return np.asarray(self.basis.values(X[:, 0]) @ self.coef_)


def test_twelve_candidates_score_as_scikit_learn_scores_their_refits() -> None:
    temperature_c, offset_ppb, sweep, direction = sweeps(6, noise_ppb=3.0, seed=4)
    names = tuple(f"poly{degree}" for degree in range(1, 10))
    rivals = candidates((*names, "crystal", "spline"), "unknown")
    spline = SplineBasis(knots_for(temperature_c, -20.0, 60.0, 24))
    found = validate(temperature_c, offset_ppb, sweep, direction, rivals, None, spline)
    assert len(found.scores) == len(rivals) == 12
    for score in found.scores:
        degree = score.candidate.degree
        model = FixedSpline(spline, found.smoothing) if degree is None else CrystalRegressor(degree)
        refitted = -cross_val_score(
            model,
            temperature_c[:, None],
            offset_ppb,
            groups=sweep,
            cv=LeaveOneGroupOut(),
            scoring="neg_mean_squared_error",
        )
        np.testing.assert_allclose(score.fold_mse, refitted, rtol=1e-9)


def test_sweeps_that_come_by_turns_score_as_sweeps_in_a_row() -> None:
    # Rows of sweeps in a row are slices, any other order is picked out: the same but for round-off.
    temperature_c, offset_ppb, sweep, direction = sweeps(4, noise_ppb=3.0)
    turned = np.arange(sweep.size).reshape(4, -1).T.ravel()
    one = validate(temperature_c, offset_ppb, sweep, direction, EVERY)
    other = validate(temperature_c[turned], offset_ppb[turned], sweep[turned], direction[turned], EVERY)
    for a, b in zip(one.scores, other.scores, strict=True):
        np.testing.assert_allclose(a.fold_mse, b.fold_mse, rtol=1e-10)


def test_columns_that_are_nearly_dependent_are_orthogonal_all_the_same() -> None:
    # Nine powers of temperatures that differ by a millionth: Cholesky's factor alone would lose them.
    close = 1.0 + 1e-6 * np.linspace(0.0, 1.0, 200)
    columns = np.vander(close, 4)
    orthogonal = _orthogonal(columns)
    np.testing.assert_allclose(orthogonal.T @ orthogonal, np.eye(4), rtol=0, atol=1e-12)


def test_samples_at_the_very_ends_are_scored_whatever_the_round_off() -> None:
    # Two sweeps between the same ends; the second's are off by what the lag filter's arithmetic may leave.
    temperature_c = np.concatenate([np.linspace(-20.0, 60.0, 50), np.linspace(60.0 + 1e-13, -20.0 - 1e-13, 50)])
    inside = _inside_training(temperature_c, np.repeat([0, 1], 50), [0, 1])
    assert inside.all()
    temperature_c[50] = 60.1  # that is no round-off
    assert not _inside_training(temperature_c, np.repeat([0, 1], 50), [0, 1])[50]


def test_the_noise_of_a_reading_is_told_from_the_error_of_the_curve() -> None:
    # Invented: a curve that is off by a slow wave of 5 ppb RMS, white noise of 12 ppb; two sweeps.
    rng = np.random.default_rng(4)
    place = np.linspace(0, 4 * np.pi, 4000)
    error_ppb = 5 * np.sqrt(2) * np.sin(place) + 12 * rng.normal(size=4000)
    found = parts_of(error_ppb, np.repeat([0, 1], 2000), float(np.sqrt(np.mean(error_ppb**2))))
    # The mean product of 4000 neighbours scatters by (12^2 + 5^2) / sqrt(4000) = 2.7 ppb^2, 0.27 ppb of 5; three times that.
    assert found.curve_rms_ppb == pytest.approx(5.0, abs=0.8)
    assert found.noise_rms_ppb == pytest.approx(12.0, abs=0.5)
    assert found.base_shift_ppb < 0.5


def test_a_shape_that_each_sweep_shows_is_kept_though_the_base_shifts_between_them() -> None:
    # Invented: a cubic of +-60 ppb beside shifts of 100 ppb from sweep to sweep, noise of 3 ppb.
    rng = np.random.default_rng(2)
    sweeps, one_c = 6, np.linspace(-20.0, 60.0, 300)
    sweep = np.repeat(np.arange(sweeps), one_c.size)
    temperature_c = np.concatenate([one_c if number % 2 == 0 else one_c[::-1] for number in range(sweeps)])
    scaled = (temperature_c - 20) / 40
    shape_ppb = 60 * (4 * scaled**3 - 3 * scaled)
    offset_ppb = shape_ppb + 100 * rng.normal(size=sweeps)[sweep] + 3 * rng.normal(size=sweep.size)
    direction = np.where(sweep % 2 == 0, 0.5, -0.5)
    found = validate(temperature_c, offset_ppb, sweep, direction, candidates("auto", "AT"))
    assert found.chosen.size >= 4  # by the plain rule a straight line, or less
    parts = parts_of(found.held_out_ppb, sweep, found.score.rms_ppb)
    assert parts.base_shift_ppb > 0.9 * parts.curve_rms_ppb


def test_parts_of_the_range_where_one_sweep_went_alone_are_untested() -> None:
    log = learn_logs(
        simulate(1, chamber=chamber_c([(0, 10), (60, 60), (60, 10), (25, 35), (25, 10)], 0.0), curve=at_cubic)
    )
    low_c, high_c = log.curve.held_out.untested_c[0]
    assert low_c == pytest.approx(0.0, abs=1.5)  # a lag of the simulator's crystal, and twentieths of the range
    assert high_c == pytest.approx(25.0, abs=3.0)
