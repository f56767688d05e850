"""How strongly a curve is held smooth: chosen on data that it has not seen.

The penalised fit minimises sum(weight * (y - values @ coef)**2) + strength * coef' penalty coef.  It is linear
in y, so that a fold's held-out error follows from sums of small matrices over the other folds, the same to
round-off as a refit, at every strength at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Columns = Any
"""An ndarray, or a sparse array where most of it is zero, as of a spline."""

STRENGTHS = np.logspace(-9.0, 7.0, 49)
"""Strengths that are tried, in units of trace(gram) / trace(penalty): from a curve that bends freely to one that
hardly leaves what the penalty does not see; three to a decade, since the error changes slowly with the logarithm."""
ROUND_OFF = 1e-13
"""Share of the largest penalty along an axis below which there is none."""
WORST_CONDITION = 1e-12
"""Least over largest eigenvalue of gram + penalty below which samples do not determine the curve; round-off is 1e-16."""


@dataclass(frozen=True)
class Smoothing:
    """A chosen strength; the held-out mean square of each scored fold there; and how many coefficients it leaves.

    ``fold_mse`` is empty where no fold was held out. ``effective_size`` is trace((gram + strength penalty)^-1 gram):
    from the size of what the penalty does not see (very strong) to the number of coefficients (0).
    """

    strength: float
    fold_mse: tuple[float, ...]
    effective_size: float

    @property
    def mse(self) -> float:
        """Mean over the folds; NaN where none was held out."""
        return float(np.mean(self.fold_mse)) if self.fold_mse else float("nan")


def choose_smoothing(
    values: Columns,
    y: Floats,
    weight: Floats,
    folds: Ints,
    scored: Sequence[int],
    penalty: Floats,
    counted: Mask | None = None,
) -> Smoothing:
    """The strength whose error on held-out folds, averaged over the folds, is least.

    Parameters
    ----------
    values : ndarray or sparse array of shape (n, p)
        Columns of the curve at each sample.
    y, weight : ndarray of shape (n,)
        What is fitted, and the weight of each sample.
    folds : ndarray of int of shape (n,)
        Fold of each sample, counted from 0.
    scored : sequence of int
        Folds that are held out, one at a time; the others are always fitted.
    penalty : ndarray of shape (p, p)
        Symmetric, not negative.
    counted : ndarray of bool of shape (n,), default=None
        Samples whose held-out error counts, None for all: those beyond the temperatures of the other folds
        would test extrapolation.  They are fitted all the same when another fold is held out.

    Returns
    -------
    Smoothing
        ``fold_mse`` in the order of ``scored``; a fold without counted weight is left out.

    Raises
    ------
    CurveError
        The samples, or those outside a scored fold, do not determine what the penalty leaves free.

    Examples
    --------
    A straight line asks for hardly more than its two coefficients.

    >>> T = np.linspace(-1.0, 1.0, 40)
    >>> noise = np.random.default_rng(1).normal(size=40)
    >>> found = choose_smoothing(np.column_stack([np.ones(40), T, T**2]), 3 * T + noise, np.ones(40),
    ...                          np.arange(40) % 4, range(4), np.diag([0.0, 0.0, 1.0]))
    >>> bool(2.0 <= found.effective_size < 2.5), len(found.fold_mse)
    (True, 4)
    """
    return _chosen(_Sums.of(values, y, weight, folds, penalty, counted), scored, penalty)


def _chosen(sums: _Sums, scored: Sequence[int], penalty: Floats) -> Smoothing:
    kept = [fold for fold in scored if sums.own_weights[fold] > 0]
    for fold in kept:
        _check_determined(sums.grams[sums.others(fold)].sum(axis=0), penalty)
    strength = _least(lambda strength: float(np.mean(sums.fold_mse(strength, kept))), sums.gram, penalty)
    return Smoothing(strength, sums.fold_mse(strength, kept), _effective_size(sums.gram, penalty, strength))


def generalised_smoothing(values: Columns, y: Floats, weight: Floats, penalty: Floats) -> Smoothing:
    """The strength by generalised cross-validation, for samples whose errors are independent of each other.

    Minimises n RSS / (n - effective_size)**2 (G. H. Golub, M. Heath and G. Wahba, Technometrics 21 (1979)
    215-223; citation from memory).  Neighbouring samples of a sweep are not independent: there it bends too
    much, and whole sweeps are to be held out instead.
    """
    everything = np.zeros(y.size, dtype=np.int64)
    sums = _Sums.of(values, y, weight, everything, penalty, None)
    n = int((weight > 0).sum())

    def criterion(strength: float) -> float:
        left = max(n - _effective_size(sums.gram, penalty, strength), 1e-9)
        return sums.mse(sums.away(strength, [0]), 0) / left**2

    strength = _least(criterion, sums.gram, penalty)
    return Smoothing(strength, (), _effective_size(sums.gram, penalty, strength))


def held_out_error(
    values: Columns, y: Floats, weight: Floats, folds: Ints, scored: Sequence[int], penalty: Floats, strength: float
) -> Floats:
    """y less what a fit without the sample's own fold says, shape (n,); NaN in folds that are not held out."""
    return _held_out(_Sums.of(values, y, weight, folds, penalty, None), values, y, folds, scored, strength)


def smoothed_held_out(
    values: Columns,
    y: Floats,
    weight: Floats,
    folds: Ints,
    scored: Sequence[int],
    rows: Floats,
    counted: Mask,
) -> tuple[Smoothing, Floats]:
    """Both `choose_smoothing` and the `held_out_error` at what it chooses, of one set of sums.

    The penalty is given by the rows whose squares sum to it.
    """
    penalty = rows.T @ rows
    sums = _Sums.of(values, y, weight, folds, penalty, counted, rows)
    smoothing = _chosen(sums, scored, penalty)
    return smoothing, _held_out(sums, values, y, folds, scored, smoothing.strength)


def _held_out(sums: _Sums, values: Columns, y: Floats, folds: Ints, scored: Sequence[int], strength: float) -> Floats:
    error, parts = np.full(y.size, np.nan), fold_parts(folds)
    for fold in scored:
        own = parts[fold]
        error[own] = y[own] - values[own] @ (sums.start + sums.away(strength, sums.others(fold)))
    return error


def fold_parts(folds: Ints) -> list[slice | Mask]:
    """Where each fold's samples are: a slice where all folds follow each other, as sweeps do, since that copies nothing.

    Examples
    --------
    >>> fold_parts(np.array([0, 0, 1]))
    [slice(0, 2, None), slice(2, 3, None)]
    """
    count = int(folds.max()) + 1
    if np.all(folds[1:] >= folds[:-1]):
        edges = np.searchsorted(folds, np.arange(count + 1)).tolist()
        return [slice(start, stop) for start, stop in pairwise(edges)]
    return [folds == fold for fold in range(count)]


@dataclass(frozen=True)
class _Sums:
    """Sums over each fold, with what a fit of what the penalty leaves free leaves of y in place of y: squares of what is
    small keep their digits.  ``start`` is that fit; the sums called ``own_`` are over the samples whose held-out error counts."""

    start: Floats
    axes: Floats
    stiffness: Floats
    grams: Floats
    loads: Floats
    own_grams: Floats
    own_loads: Floats
    own_squares: Floats
    own_weights: Floats

    @classmethod
    def of(
        cls,
        values: Columns,
        y: Floats,
        weight: Floats,
        folds: Ints,
        penalty: Floats,
        counted: Mask | None,
        rows: Floats | None = None,
    ) -> _Sums:
        root = np.sqrt(weight)
        rooted = _times(values, root)
        parts = fold_parts(folds)
        mine = [rooted[part] for part in parts]
        grams = np.array([_gram(columns) for columns in mine])
        gram = grams.sum(axis=0)
        _check_determined(gram, penalty)
        axes, stiffness = _axes(gram, penalty, rows)
        free = axes[:, stiffness == 0]
        start = free @ np.linalg.solve(free.T @ gram @ free, free.T @ (rooted.T @ (root * y)))
        left = root * (y - values @ start)
        loads = [columns.T @ left[part] for columns, part in zip(mine, parts, strict=True)]
        squares = [left[part] @ left[part] for part in parts]
        weights = [weight[part].sum() for part in parts]
        sums = cls(
            np.asarray(start), axes, stiffness, grams, np.array(loads), grams.copy(), np.array(loads), np.array(squares),
            np.array(weights),
        )  # fmt: skip
        for fold, part in enumerate(parts):
            among = np.ones(1, dtype=bool) if counted is None else counted[part]
            if not among.all():
                columns, rest = mine[fold][among], left[part][among]
                sums.own_grams[fold], sums.own_loads[fold] = _gram(columns), columns.T @ rest
                sums.own_squares[fold], sums.own_weights[fold] = rest @ rest, weight[part][among].sum()
        return sums

    @property
    def gram(self) -> Floats:
        """Of all folds."""
        return np.asarray(self.grams.sum(axis=0))

    def others(self, fold: int) -> list[int]:
        """All folds but this one."""
        return [other for other in range(len(self.grams)) if other != fold]

    @cached_property
    def _along_axes(self) -> tuple[Floats, Floats]:
        """Products and loads of each fold along the axes."""
        return self.axes.T @ self.grams @ self.axes, self.loads @ self.axes

    def away(self, strength: float, fitted: list[int]) -> Floats:
        """How far the fit of these folds is from the start, shape (p,)."""
        grams, loads = self._along_axes
        gram, load = grams[fitted].sum(axis=0) + np.diag(strength * self.stiffness), loads[fitted].sum(axis=0)
        # Where the penalty is strong the answer is as small as the axis is stiff: scaled so, no digits are lost to it.
        scale = 1.0 / np.sqrt(1.0 + strength * self.stiffness)
        return np.asarray(self.axes @ (scale * np.linalg.solve(scale[:, None] * gram * scale, scale * load)))

    def mse(self, away: Floats, fold: int) -> float:
        """Weighted mean square of the counted samples of a fold about a fit."""
        squares = self.own_squares[fold] - 2 * away @ self.own_loads[fold] + away @ self.own_grams[fold] @ away
        return float(max(squares, 0.0) / self.own_weights[fold])

    def fold_mse(self, strength: float, scored: list[int]) -> tuple[float, ...]:
        """Held-out mean square of each of these folds."""
        return tuple(self.mse(self.away(strength, self.others(fold)), fold) for fold in scored)


def _times(columns: Columns, factor: Floats) -> Columns:
    """Each row times a factor."""
    if isinstance(columns, np.ndarray):
        return columns * factor[:, None]
    product = columns.tocsr(copy=True)  # scipy's product with a column would rather be general than fast
    product.data *= np.repeat(factor, np.diff(product.indptr))
    return product


def _gram(columns: Columns) -> Floats:
    product = columns.T @ columns
    return np.asarray(product if isinstance(product, np.ndarray) else product.toarray())


def _axes(gram: Floats, penalty: Floats, rows: Floats | None) -> tuple[Floats, Floats]:
    """Axes, as columns, along which samples and penalty do not mix, and the penalty along each: 0 where there is none.

    With the rows whose squares sum to the penalty what it leaves free keeps all its digits.
    """
    white = np.linalg.inv(np.linalg.cholesky(gram + _unit(gram, penalty) * penalty)).T
    if rows is None:
        stiffness, turned = np.linalg.eigh(white.T @ penalty @ white)
        return white @ turned, np.where(stiffness > ROUND_OFF * stiffness[-1], stiffness, 0.0)
    _, roots, turned = np.linalg.svd(rows @ white)
    return white @ turned.T, np.append(roots**2, np.zeros(len(gram) - len(roots)))


def _unit(gram: Floats, penalty: Floats) -> float:
    """The strength at which penalty and samples weigh alike; 0 where nothing is penalised."""
    size = float(np.trace(penalty))
    return float(np.trace(gram)) / size if size > 0 else 0.0


def _check_determined(gram: Floats, penalty: Floats) -> None:
    eigenvalues = np.linalg.eigvalsh(gram + _unit(gram, penalty) * penalty)
    if eigenvalues[0] <= WORST_CONDITION * eigenvalues[-1]:
        raise CurveError(
            f"too few distinct temperatures, or too few outside a held-out sweep, for a curve of {len(gram)} "
            "coefficients; log more sweeps, or ask for a simpler curve"
        )


def _effective_size(gram: Floats, penalty: Floats, strength: float) -> float:
    return float(np.trace(np.linalg.solve(gram + strength * penalty, gram)))


def _least(criterion: Callable[[float], float], gram: Floats, penalty: Floats) -> float:
    """The strength of least criterion: the best of the grid, then refined between its neighbours."""
    from scipy.optimize import minimize_scalar

    tried = STRENGTHS * _unit(gram, penalty)
    if tried[0] == 0:
        return 0.0
    found = [criterion(strength) for strength in tried]
    best = int(np.argmin(found))
    bounds = (math.log(tried[max(best - 1, 0)]), math.log(tried[min(best + 1, tried.size - 1)]))
    refined = minimize_scalar(lambda log: criterion(math.exp(log)), bounds=bounds, method="bounded")
    return math.exp(refined.x) if refined.fun < found[best] else float(tried[best])
