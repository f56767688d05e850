"""Every candidate judged on sweeps that it has not seen.

One whole sweep is held out at a time; where there is only one, contiguous blocks of temperature
are.  Neighbouring samples share lag, ripple and drift, so a shuffled split scores a curve on
points that it has all but seen, promises too much, and picks too high a degree.  It is not
offered.

No curve is refitted per fold.  With the columns orthogonalised once, a fold's coefficients come
from sums over the other folds of small matrices, the same to round-off as a refit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.candidates import Candidate
from tcomp.estimation.coarse_readings import FittedReadings
from tcomp.estimation.samples import Cells
from tcomp.estimation.single_samples import largest, mean_square, size_of_share
from tcomp.estimation.smoothing import fold_parts, smoothed_held_out
from tcomp.estimation.spline_basis import SplineBasis
from tcomp.estimation.weights import rounding_sd

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

LOOP_CELLS = 20
"""Cells of temperature in which heating and cooling are compared."""
BLOCKS = 10
"""Contiguous temperature blocks where there is one sweep only; the two end blocks are never held
out, since that would test extrapolation."""
WORST_CONDITION = 1e-10
"""A fold whose other folds leave a direction of the curve less determined than this has no score."""

NEARLY_DEPENDENT = 1e-3
"""Least over largest eigenvalue of the columns' products below which Cholesky's factor loses too many digits: what is left
of their products is round-off over it, 1e-13."""

LEAST_SWEEPS = 3
"""Sweeps that separate shifts of the base from a shape: between two sweeps a shift is the mean difference itself."""
MOSTLY = 0.5
"""Share of the mean square that shifts of the base are where they are taken off before candidates are compared."""
SAME_C = 1e-6
"""Temperatures of two sweeps that turn at one point differ by round-off behind the lag filter: whether the last sample is scored
must not depend on it. [degC]"""


@dataclass(frozen=True)
class Score:
    """How a candidate does on data it has not seen.  ``fold_mse`` has one entry per fold. [ppb**2]"""

    candidate: Candidate
    size: float
    """Coefficients, or for the spline what its smoothing leaves of them: what "simplest" counts."""
    fold_mse: tuple[float, ...]
    rms_ppb: float
    p95_ppb: float
    max_ppb: float
    heating_minus_cooling_ppb: float

    @property
    def mse(self) -> float:
        """Mean over folds. [ppb**2]"""
        return float(np.mean(self.fold_mse))

    @property
    def mse_se(self) -> float:
        """Standard error of that mean over folds. [ppb**2]"""
        return float(np.std(self.fold_mse, ddof=1) / np.sqrt(len(self.fold_mse))) if len(self.fold_mse) > 1 else 0.0


@dataclass(frozen=True)
class Validation:
    """Scores, simplest candidate first; which was chosen; how it was done and what limits it, in words."""

    scores: tuple[Score, ...]
    chosen: Candidate
    method: str
    remarks: tuple[str, ...]
    unscored: tuple[str, ...]
    held_out_ppb: Floats
    """Held-out error of the chosen candidate at every sample, NaN where it was not scored. [ppb]"""
    smoothing: float = 0.0
    """Strength of the spline's penalty, if a spline competed."""

    @property
    def score(self) -> Score:
        """The chosen candidate's."""
        return next(score for score in self.scores if score.candidate == self.chosen)


def validate(
    temperature_c: Floats,
    offset_ppb: Floats,
    sweep: Ints,
    direction: Floats,
    candidates: tuple[Candidate, ...],
    weight: Floats | None = None,
    spline: SplineBasis | None = None,
    cells: Cells | None = None,
    known: Mask | None = None,
    alike_ppb2: float = 0.0,
    readings: FittedReadings | None = None,
) -> Validation:
    """Score every candidate on held-out sweeps and choose the simplest within one standard error of the best.

    Parameters
    ----------
    temperature_c, offset_ppb : ndarray of shape (n,)
        Crystal temperature, and offset with base and ageing of each run taken off. [degC] [ppb]
    sweep : ndarray of shape (n,)
        Number of the sweep that each sample belongs to.
    direction : ndarray of shape (n,)
        +0.5 heating, -0.5 cooling, 0 neither.
    candidates : tuple of Candidate
        Simplest first.
    weight : ndarray of shape (n,), default=None
        Weight of each sample in the fits; scores count all alike.
    spline : SplineBasis, default=None
        Of the candidate "spline"; its smoothing is chosen on the same held-out sweeps.
    cells : Cells, default=None
        Where each sample is a cell of many: scores are those of single samples.
    known : ndarray of bool of shape (n,), default=None
        Samples whose temperature is known well enough to judge a curve by, None for all: in a soak of a coarse sensor every
        sweep has the same error, and a curve that follows it would win.
    alike_ppb2 : float, default=0.0
        Mean square of an error that the sweeps may have alike, so that holding one out does not show it: curves that differ by
        less are equally good. [ppb**2]
    readings : FittedReadings, default=None
        Coarse readings about their responses, of which ``offset_ppb`` is what bases and ageing leave.  Folds are then compared
        by the likelihood of the readings, -2 ln in units of the noise squared, and the errors that are stated are those of
        the readings as they are shown.

    Raises
    ------
    CurveError
        No candidate could be scored, or no sample lies within the temperatures of the other sweeps.
    """
    weight = np.ones(temperature_c.size) if weight is None else weight
    folds, scored, method = _folds(temperature_c, sweep)
    seen = _inside_training(temperature_c, folds, scored)
    beyond = bool((np.isin(folds, scored) & ~seen).any())
    remarks: list[str] = []
    if known is not None and (seen & known).any():
        seen &= known
        remarks.append("soaks of a coarse sensor are not scored")
    held_out = _polynomials_held_out(temperature_c, offset_ppb, weight, candidates, folds=folds, scored=scored)
    sizes: dict[Candidate, float] = {candidate: candidate.size for candidate in held_out}
    strength = 0.0
    for candidate in candidates:
        if candidate.degree is None and spline is not None and seen.any():
            found = _spline_held_out(temperature_c, offset_ppb, weight, spline, seen, folds=folds, scored=scored)
            if found is not None:
                held_out[candidate], strength, sizes[candidate] = found
    if not held_out:
        raise CurveError("no curve can be validated: too few distinct temperatures outside each sweep; log more sweeps")
    if not seen.any():
        raise CurveError(
            "no curve can be validated: no sweep has samples within the temperatures of the other sweeps; log sweeps that go "
            "over the same temperatures"
        )
    counted = seen & np.isin(folds, scored)
    judge = _Judge.of(temperature_c, direction, counted, folds, scored, cells, readings)
    scores = sorted(
        (judge.score(candidate, sizes[candidate], error) for candidate, error in held_out.items()),
        key=lambda score: score.size,
    )
    compared = scores
    if readings is None:
        shift_ppb = _base_shifts(held_out[min(scores, key=lambda score: score.mse).candidate], folds, counted)
        if shift_ppb is not None:
            compared = [judge.score(one.candidate, one.size, held_out[one.candidate] - shift_ppb) for one in scores]
    best = min(compared, key=lambda score: score.mse)
    chosen = next(score for score in compared if score.mse <= best.mse + max(best.mse_se, alike_ppb2)).candidate
    if beyond:
        remarks.append("samples beyond the temperatures of the other sweeps are not scored")
    unscored = _undetermined([candidate for candidate in candidates if candidate not in held_out])
    shown = held_out[chosen] if readings is None else readings.moved(-held_out[chosen]).error_ppb
    held_out_ppb = np.where(seen, shown, np.nan)
    return Validation(tuple(scores), chosen, method, tuple(remarks), unscored, held_out_ppb, strength)


def _base_shifts(error: Floats, folds: Ints, counted: Mask) -> Floats | None:
    """What all errors of a sweep have in common, at each sample, where that is most of the error of the best curve; else None.

    The base that shifts from sweep to sweep adds to the error of every candidate alike, and so much to its scatter over the
    sweeps that a straight line would be as good as a shape that every sweep shows. [ppb]
    """
    own = folds[counted]
    count = np.bincount(own, minlength=int(folds.max()) + 1)
    mean = np.bincount(own, error[counted], minlength=count.size) / np.maximum(count, 1)
    scored = count > 0
    squares = np.bincount(own, error[counted] ** 2, minlength=count.size)[scored] / count[scored]
    if scored.sum() < LEAST_SWEEPS or np.mean(mean[scored] ** 2) < MOSTLY * np.mean(squares):
        return None
    return np.asarray(mean[folds])


def _undetermined(candidates: list[Candidate]) -> tuple[str, ...]:
    """Which candidates could not compete, in one sentence."""
    if not candidates:
        return ()
    names, sizes = ", ".join(one.name for one in candidates), sorted({one.size for one in candidates})
    many = f"{sizes[0]}" if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
    return (f"{names}: the other sweeps do not determine {many} coefficients",)


def _polynomials_held_out(
    temperature_c: Floats,
    y: Floats,
    weight: Floats,
    candidates: tuple[Candidate, ...],
    *,
    folds: Ints,
    scored: list[int],
) -> dict[Candidate, Floats]:
    """Held-out error of each polynomial that the folds determine: all from one set of orthogonal columns."""
    degrees = [candidate.degree for candidate in candidates if candidate.degree is not None]
    order = min(max(degrees, default=0), np.unique(temperature_c).size - 1)
    basis = ChebyshevBasis(order, float(temperature_c.min()), float(temperature_c.max()))
    root = np.sqrt(weight)
    orthogonal = _orthogonal(basis.values(temperature_c) * root[:, None])
    able = [candidate for candidate in candidates if candidate.degree is not None and candidate.degree <= order]
    errors = _held_out(orthogonal, y * root, folds, scored, [candidate.size for candidate in able])
    return {
        candidate: np.divide(error, root, out=error)
        for candidate, error in zip(able, errors, strict=True)
        if error is not None
    }


def _spline_held_out(
    temperature_c: Floats,
    y: Floats,
    weight: Floats,
    spline: SplineBasis,
    counted: NDArray[np.bool_],
    *,
    folds: Ints,
    scored: list[int],
) -> tuple[Floats, float, float] | None:
    """Held-out error of the spline at its best smoothing, that smoothing, and what it leaves of the coefficients."""
    inside_c = np.clip(temperature_c, spline.low_c, spline.high_c)
    columns = spline.sparse_values(temperature_c) if (inside_c == temperature_c).all() else spline.values(temperature_c)
    try:
        smoothing, error = smoothed_held_out(columns, y, weight, folds, scored, spline.penalty_rows(), counted)
    except CurveError:
        return None
    return error, smoothing.strength, smoothing.effective_size


def _folds(temperature_c: Floats, sweep: Ints) -> tuple[Ints, list[int], str]:
    """Fold of each sample, the folds that are held out, and the method in words."""
    numbers = np.unique(sweep)
    if numbers.size > 1:
        return np.searchsorted(numbers, sweep), list(range(numbers.size)), f"leave one sweep out, {numbers.size} sweeps"
    blocks = int(np.clip(np.unique(temperature_c).size // 3, 3, BLOCKS))
    rank = np.argsort(np.argsort(temperature_c, kind="stable"), kind="stable")
    folds = rank * blocks // temperature_c.size
    return (
        folds,
        list(range(1, blocks - 1)),
        f"leave one of {blocks} temperature blocks out (one sweep only), ends kept",
    )


def _inside_training(temperature_c: Floats, folds: Ints, scored: list[int]) -> NDArray[np.bool_]:
    """Samples that lie within the temperatures that the other folds have seen: no credit or blame for extrapolation."""
    inside = np.zeros(temperature_c.size, dtype=bool)
    parts = fold_parts(folds)
    # A fold may be empty: it has seen nothing.
    lows = np.array([temperature_c[part].min(initial=np.inf) for part in parts])
    highs = np.array([temperature_c[part].max(initial=-np.inf) for part in parts])
    for fold in scored:
        own_c, others = temperature_c[parts[fold]], np.arange(len(parts)) != fold
        low_c, high_c = lows[others].min() - SAME_C, highs[others].max() + SAME_C
        inside[parts[fold]] = (own_c >= low_c) & (own_c <= high_c)
    return inside


def fold_mse(temperature_c: Floats, columns: Floats, y: Floats, sweep: Ints, weight: Floats) -> Floats:
    """Weighted mean square of the held-out error per fold; infinite where the other folds do not determine the fit,
    NaN where they have not seen its temperatures."""
    folds, scored, _ = _folds(temperature_c, sweep)
    root = np.sqrt(weight)
    (error,) = _held_out(_orthogonal(columns * root[:, None]), y * root, folds, scored, [columns.shape[1]])
    if error is None:
        return np.full(len(scored), np.inf)
    error = np.where(_inside_training(temperature_c, folds, scored), error, np.nan)
    parts = [error[(folds == fold) & np.isfinite(error)] for fold in scored]
    return np.array([np.mean(part**2) if part.size else np.nan for part in parts])


def least_folds_mse(
    effects: Floats, curve: Floats, y: Floats, temperature_c: Floats, folds: Ints, weight: Floats
) -> tuple[Floats, int]:
    """Weighted mean square of the held-out error of each fold, numbered from 0, with all columns of the effects and as many of
    the curve's as do best, and how many these are; infinite where a fold leaves the fit undetermined, NaN where the others have
    not seen its temperatures."""
    root = np.sqrt(weight)
    count = int(folds.max()) + 1
    seen = _inside_training(temperature_c, folds, list(range(count)))
    samples = np.bincount(folds, seen, minlength=count)
    columns = np.hstack([effects, curve]) * root[:, None]
    sizes = range(min(effects.shape[1] + 2, columns.shape[1]), columns.shape[1] + 1)
    best, curve_size = np.full(count, np.inf), curve.shape[1]
    errors = _held_out(_orthogonal(columns), y * root, folds, list(range(count)), list(sizes))
    for size, error in zip(sizes, errors, strict=True):
        if error is not None:
            squares = np.bincount(folds, np.where(seen, error, 0.0) ** 2, minlength=count)
            found = np.divide(squares, samples, out=np.full(count, np.nan), where=samples > 0)
            if np.isfinite(found).any() and not np.nanmean(found) >= np.nanmean(best):
                best, curve_size = found, size - effects.shape[1]
    return best, curve_size


def _orthogonal(columns: Floats) -> Floats:
    """Columns of the same spans, orthogonal to each other.

    By Cholesky's factor of their products, which leaves them as orthogonal as Householder's way does in a tenth of the time,
    unless they are nearly dependent (Y. Yamamoto et al., ETNA 44 (2015) 306-326, from memory).
    """
    gram = columns.T @ columns
    size = np.linalg.eigvalsh(gram)
    if size[0] <= NEARLY_DEPENDENT * size[-1]:
        return np.asarray(np.linalg.qr(columns)[0])
    return np.asarray(columns @ np.linalg.inv(np.linalg.cholesky(gram)).T)


def _held_out(columns: Floats, y: Floats, folds: Ints, scored: list[int], sizes: list[int]) -> list[Floats | None]:
    """Held-out error at every sample with so many of the columns, which are orthogonal over all; None if a fold leaves
    them undetermined."""
    parts = fold_parts(folds)
    grams = np.array([columns[part].T @ columns[part] for part in parts])
    loads = np.array([columns[part].T @ y[part] for part in parts])
    errors, determined = np.full((len(sizes), y.size), np.nan), np.ones(len(sizes), dtype=bool)
    for fold in scored:
        others = np.arange(len(grams)) != fold
        gram, load = grams[others].sum(axis=0), loads[others].sum(axis=0)
        coef = np.zeros((len(sizes), columns.shape[1]))
        for which, size in enumerate(sizes):
            if np.linalg.eigvalsh(gram[:size, :size])[0] < WORST_CONDITION:
                determined[which] = False
            else:
                coef[which, :size] = np.linalg.solve(gram[:size, :size], load[:size])
        errors[:, parts[fold]] = y[parts[fold]] - coef @ columns[parts[fold]].T
    return [error if sure else None for error, sure in zip(errors, determined, strict=True)]


@dataclass(frozen=True)
class _Judge:
    """Scores held-out errors: which samples of each fold count, where they stand in the loop, and what cells say."""

    parts: list[slice | Ints]
    counted: slice | Ints
    loop: Loop
    cells: Cells | None
    readings: FittedReadings | None

    @classmethod
    def of(
        cls,
        temperature_c: Floats,
        direction: Floats,
        counted: Mask,
        folds: Ints,
        scored: list[int],
        cells: Cells | None,
        readings: FittedReadings | None,
    ) -> _Judge:
        """The judge of all candidates; ``counted`` are the samples of scored folds that the others have seen."""
        parts: list[slice | Ints] = []
        for fold, own in enumerate(fold_parts(folds)):
            whole = isinstance(own, slice) and bool(counted[own].all())
            part = own if isinstance(own, slice) and whole else np.flatnonzero((folds == fold) & counted)
            if fold in scored and (isinstance(part, slice) or part.size):
                parts.append(part)
        everything: slice | Ints = slice(None) if counted.all() else np.flatnonzero(counted)
        return cls(parts, everything, Loop.of(temperature_c, direction, everything), cells, readings)

    def score(self, candidate: Candidate, size: float, error: Floats) -> Score:
        """The score of one candidate."""
        squares = tuple(self._mean_square(error, part) for part in self.parts)
        rounding_ppb = 0.0
        if self.readings is not None:
            error = self.readings.moved(-error).error_ppb
            rounding_ppb = float(np.sqrt(np.mean(rounding_sd(self.readings.readings.step_ppb) ** 2)))
        every, cells = error[self.counted], self._cells(self.counted)
        return Score(
            candidate,
            size,
            squares,
            # In soaks the readings may happen to stand near the truth: that is no merit of the curve.
            rms_ppb=max(float(np.sqrt(mean_square(every, cells))), rounding_ppb),
            p95_ppb=size_of_share(every, cells, 0.95),
            max_ppb=largest(every, cells),
            heating_minus_cooling_ppb=self.loop.heating_minus_cooling(every),
        )

    def _mean_square(self, error: Floats, part: slice | Ints) -> float:
        if self.readings is None:
            return mean_square(error[part], self._cells(part))
        own = self.readings.moved(-error).part(part)
        return own.noise_ppb**2 * -2.0 * float(own.logs.sum() / own.readings.count.sum())

    def _cells(self, part: slice | Ints) -> Cells | None:
        return None if self.cells is None else self.cells.part(part)


@dataclass(frozen=True, eq=False)
class Loop:
    """Where samples stand in the loop: at a cell of temperature, heated or cooled.

    Neighbours at the same ``place`` make a stretch, shape (stretches,); ``count`` says how many samples a place has.

    Examples
    --------
    >>> loop = Loop.of(np.array([10.0, 20.0, 10.0, 20.0]), np.array([0.5, 0.5, -0.5, -0.5]))
    >>> round(loop.heating_minus_cooling(np.array([1.0, 3.0, 0.0, 0.0])), 6)
    2.0
    """

    starts: Ints
    place: Ints
    count: Ints

    @classmethod
    def of(cls, temperature_c: Floats, direction: Floats, counted: slice | Ints = slice(None)) -> Loop:
        """The counted samples' places in the loop of all: heated, behind them cooled, last those of neither direction."""
        low, high = float(temperature_c.min()), float(temperature_c.max())
        cell = ((temperature_c - low) * (LOOP_CELLS / max(high - low, 1e-12))).astype(np.int64)
        cell = np.minimum(cell, LOOP_CELLS - 1) + LOOP_CELLS * (direction < 0)
        place = np.where(direction == 0, 2 * LOOP_CELLS, cell)[counted]
        starts = np.flatnonzero(np.diff(place, prepend=-1))
        return cls(starts, place[starts], np.bincount(place, minlength=2 * LOOP_CELLS + 1))

    def heating_minus_cooling(self, error: Floats) -> float:
        """Mean over cells that both directions visit of heating mean minus cooling mean; NaN if none. [ppb]"""
        total = np.bincount(self.place, np.add.reduceat(error, self.starts), minlength=len(self.count))
        mean = np.where(self.count > 0, total / np.maximum(self.count, 1), np.nan)
        difference = mean[:LOOP_CELLS] - mean[LOOP_CELLS : 2 * LOOP_CELLS]
        return float(np.nanmean(difference)) if np.isfinite(difference).any() else float("nan")
