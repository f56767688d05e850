"""Noise in cells of time: white, of the sensor, and a wander whose size follows from its restricted likelihood.

Least squares give coefficients b = A y with A = (X'WX + P)^-1 X'W; the covariance is A S A' (the sandwich), and S, in cells of
time of each run, the sum of

- noise of the readings, from the differences of neighbours, and as much more as means over minutes scatter beyond it;
- noise of the sensor, through the curve's slope: smoothing spreads it over neighbours, and takes nothing off a mean over more;
- errors that many samples share;
- a wander about the level of each run, which is free: a random walk of the frequency, a drift that is one, or noise that forgets
  itself over minutes or hours (Gauss-Markov of first order).

The size of the wander is not known but distributed, by its restricted likelihood (REML; H. D. Patterson and R. Thompson,
Biometrika 58 (1971) 545-554) and a prior that is flat in its standard deviation (A. Gelman, Bayesian Analysis 1 (2006)
515-534); all kinds have the same prior.  Both citations are from memory.  Where no wander is
seen a drift that walks is in the shape, but not in the base: no residual speaks against what it would be at a run's end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

CELLS, ALL_CELLS = 100, 400
"""Cells of a run and of all runs, at most: the work goes with the cube of the first."""
MIN_CELLS = 24
"""Fewer cells in all say nothing of how noise wanders."""
EXCESS = (1.0, 2.0, 4.0, 8.0, 16.0)
"""Times the variance of independent readings that a mean over minutes may have."""
SIZES = np.geomspace(0.02, 5000.0, 16)
"""Sizes of the wander over the longest run that are tried first, in units of the noise of a cell."""
NEAR, FINER = 8.0, 16
"""Fall of the log-likelihood within which a size counts, a share of 3e-4, and sizes that are tried there."""
GAIN = 4.0
"""Gain of the restricted log-likelihood from which wander is seen: twice that, 8, is exceeded by a chi-square of one freedom in
0.5 % of cases, and by chance half as often, as a variance cannot be negative."""
WALK, DRIFT, FORGETFUL = range(3)
"""Kinds of wander: a random walk, its integral, and Gauss-Markov noise."""
KINDS = (WALK, DRIFT, FORGETFUL)
MEMORY = 1 / 25
"""Of the last, in longest runs: of nine hours, some 20 minutes."""
FINEST_PPB = 1e-7
"""No mean is known better: far below the firmware's unit, so that matrices keep an inverse."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Residuals:
    """What a weighted least-squares fit left, and where its columns stand.

    Attributes
    ----------
    design : ndarray of shape (n, p)
    weight, left_ppb : ndarray of shape (n,)
    run : ndarray of int of shape (n,)
        In order; samples of a run are in the order of time.
    time_h : ndarray of shape (n,)
        [h]
    sensor_ppb : ndarray of shape (n,)
        Noise of the sensor before it was smoothed, through the curve's slope: a standard deviation. [ppb]
    shared_ppb : ndarray of shape (n, k)
        Errors that samples share, each of unit variance and independent of the others. [ppb]
    widths : sequence of int
        Samples over which the sensor was smoothed, by run.
    one, level : ndarray of shape (p,)
        Coefficients of a constant, and what the coefficients are multiplied by for the curve's mean over the range.
    penalty : ndarray of shape (p, p) or None
    """

    design: Floats
    weight: Floats
    left_ppb: Floats
    run: Ints
    time_h: Floats
    sensor_ppb: Floats
    shared_ppb: Floats
    widths: Sequence[int]
    one: Floats
    level: Floats
    penalty: Floats | None = None


@dataclass(frozen=True)
class Mixed:
    """Mean squares of each kind of wander between the ends of the longest run [ppb**2], the factor of ``EXCESS``, and the gain."""

    squares: tuple[float, ...]
    excess: float
    gain: float


@dataclass(frozen=True, eq=False)
class _Run:
    """Cells of one run, and their covariances without wander and, of unit size, with each kind of it.

    ``to`` (p, m + 1) leads from the cells' errors, and last the wander at the end of the run, to the coefficients'.
    """

    own: Ints
    """Cells of this run among all."""
    noise: Floats
    """Variance of white noise, shape (m,). [ppb**2]"""
    shared: Floats
    """Covariance of errors that a sensor's cells share, shape (m, m). [ppb**2]"""
    kinds: tuple[Floats, ...]
    """Covariances of each kind of wander, with the end of the run last, shape (m + 1, m + 1)."""
    to: Floats


@dataclass(frozen=True, eq=False)
class CellNoise:
    """All runs in cells.  ``design`` (m, p), ``left`` (m,): means of columns and residuals."""

    runs: tuple[_Run, ...]
    design: Floats
    left: Floats
    one: Floats
    level: Floats
    penalty: Floats | None
    white_ppb: float
    longest_h: float

    @classmethod
    def of(cls, residuals: Residuals) -> CellNoise | None:
        """None where there are too few cells."""
        weight, run, time_h = residuals.weight, residuals.run, residuals.time_h
        white = _white(residuals.left_ppb, weight, run)
        starts, numbers = _cells(run, time_h, residuals.widths)
        if len(starts) < MIN_CELLS:
            return None
        total = np.add.reduceat(weight, starts)

        def mean(values: Floats) -> Floats:
            weights = weight if values.ndim == 1 else weight[:, None]
            sums = np.add.reduceat(weights * values, starts)
            return np.asarray(sums / (total if values.ndim == 1 else total[:, None]))

        of_one = weight * white + weight**2 * residuals.sensor_ppb**2
        noise = np.maximum(np.add.reduceat(of_one, starts) / total**2, FINEST_PPB**2)
        design, shared_ppb, middle_h = mean(residuals.design), mean(residuals.shared_ppb), mean(time_h)
        to = _inverse(residuals) @ (design.T * total)
        longest_h = max(float(np.ptp(time_h[run == number])) for number in np.unique(run))
        runs = []
        for number in np.unique(run):
            own = np.flatnonzero(numbers == number)
            times_h = time_h[run == number]
            since_h = middle_h[own] - times_h[0]
            end_h = float(times_h[-1] - times_h[0])
            kinds = tuple(covariance(since_h, end_h, longest_h) for covariance in COVARIANCES)
            at_end = residuals.one if number == run.max() else np.zeros_like(residuals.one)
            shared = shared_ppb[own] @ shared_ppb[own].T
            runs.append(_Run(own, noise[own], shared, kinds, np.column_stack([to[:, own], -at_end])))
        white_ppb = math.sqrt(white / float(np.median(weight)))
        return cls(
            tuple(runs),
            design,
            mean(residuals.left_ppb),
            residuals.one,
            residuals.level,
            residuals.penalty,
            white_ppb,
            longest_h,
        )

    @cached_property
    def unit_ppb(self) -> float:
        """Noise of a cell that tells as much as cells do on average. [ppb]"""
        return float(np.mean(np.concatenate([1.0 / run.noise for run in self.runs])) ** -0.5)

    @cached_property
    def column_size(self) -> Floats:
        """Size of each column in units of the noise: a scale that is the same for any wander."""
        variance = np.concatenate([run.noise for run in self.runs])
        squares = np.sum(self.design**2 / variance[:, None], axis=0)
        return np.sqrt(np.where(squares > 0, squares, 1.0))

    def likelihood(self, kind: int, size_ppb: float, excess: float, left: Floats, kept: Mask | None) -> float:
        """Restricted log-likelihood of a wander of this size, but for a constant."""
        from scipy.linalg import cho_factor, cho_solve

        count = self.design.shape[1]
        information, pull, squares, log_determinant = np.zeros((count, count)), np.zeros(count), 0.0, 0.0
        for run in self.runs:
            among = run.shared + size_ppb**2 * run.kinds[kind][:-1, :-1] + np.diag(excess * run.noise)
            factor = cho_factor(among, lower=True, overwrite_a=True, check_finite=False)
            columns = self.design[run.own]
            solved = cho_solve(factor, np.column_stack([columns, left[run.own]]), check_finite=False)
            information += columns.T @ solved[:, :-1]
            pull += columns.T @ solved[:, -1]
            squares += float(left[run.own] @ solved[:, -1])
            log_determinant += 2.0 * float(np.log(np.diagonal(factor[0])).sum())
        if self.penalty is not None:
            information += self.penalty
        if kept is not None:
            information, pull = information[np.ix_(kept, kept)], pull[kept]
        scale = self.column_size if kept is None else self.column_size[kept]
        values, axes = np.linalg.eigh(information / np.outer(scale, scale))
        clear = values > 1e-10 * values[-1]
        load = axes[:, clear].T @ (pull / scale)
        squares -= float(load @ (load / values[clear]))
        return -0.5 * (log_determinant + float(np.log(values[clear]).sum()) + squares)

    def covariance(self, mixed: Mixed) -> Floats:
        """Covariance of all coefficients, shape (p, p); that of the base is of the end of the last run. [ppb**2]

        A reference that wanders along a run is about as far off in its mean: where wander is seen, that is in the base too.
        """
        found = np.zeros((self.design.shape[1],) * 2)
        for run in self.runs:
            to = run.to[:, :-1]
            found += to @ (run.shared + np.diag(mixed.excess * run.noise)) @ to.T
            for number, (square, kind) in enumerate(zip(mixed.squares, run.kinds, strict=True)):
                lead = run.to
                if number == DRIFT and mixed.gain <= GAIN:
                    lead = np.column_stack([to - np.outer(self.one, self.level @ to), np.zeros(to.shape[0])])
                found += square * lead @ kind @ lead.T
        if mixed.gain > GAIN:
            last = self.runs[-1]
            for square, kind in zip(mixed.squares, last.kinds, strict=True):
                own = kind[:-1, :-1]
                found += square * float(np.diagonal(own).mean() - own.mean()) * np.outer(self.one, self.one)
        return found


def mixed_wander(model: CellNoise, left: Floats, kept: Mask | None = None, kinds: Sequence[int] = KINDS) -> Mixed:
    """The wander averaged over what its size and kind may be; ``kept`` are columns that are estimated, None: all."""
    unit = model.unit_ppb
    excess = max(EXCESS, key=lambda one: max(model.likelihood(0, size, one, left, kept) for size in unit * SIZES[::3]))
    tried = []
    for kind in kinds:
        sizes = unit * SIZES
        logs = np.array([model.likelihood(kind, size, excess, left, kept) for size in sizes])
        near = np.flatnonzero(logs > logs.max() - NEAR)
        first, last = max(near[0] - 1, 0), min(near[-1] + 1, sizes.size - 1)
        finer = np.geomspace(sizes[first], sizes[last], FINER)
        tried.append((finer, np.array([model.likelihood(kind, size, excess, left, kept) for size in finer])))
    best = max(float(logs.max()) for _, logs in tried)
    gain = best - model.likelihood(WALK, 0.0, excess, left, kept)
    # Flat in the size: on a grid of its logarithm each counts by the size itself.
    share = [np.exp(logs - best) * sizes * math.log(sizes[1] / sizes[0]) for sizes, logs in tried]
    total = math.fsum(float(one.sum()) for one in share)
    squares = [0.0] * len(KINDS)
    for kind, one, (sizes, _) in zip(kinds, share, tried, strict=True):
        squares[kind] = float(one @ sizes**2) / total
    return Mixed(tuple(squares), excess, gain)


def _cells(run: Ints, time_h: Floats, widths: Sequence[int]) -> tuple[Ints, Ints]:
    """First sample of each cell, and its run: no shorter than the window in which the sensor was smoothed."""
    starts, numbers = [], []
    most = min(CELLS, ALL_CELLS // np.unique(run).size)
    for number in np.unique(run):
        own = np.flatnonzero(run == number)
        count = max(min(most, own.size // widths[number]), 1)
        since = (time_h[own] - time_h[own[0]]) / max(float(np.ptp(time_h[own])), 1e-9)
        first = np.flatnonzero(np.diff(np.floor(since * count * (1 - 1e-12)), prepend=-1.0))
        starts.append(own[first])
        numbers.append(np.full(first.size, number))
    return np.concatenate(starts), np.concatenate(numbers)


def _white(left_ppb: Floats, weight: Floats, run: Ints) -> float:
    """Variance of a sample of weight 1, from differences of neighbours. [1]"""
    both = run[1:] == run[:-1]
    own = 1.0 / (1.0 / weight[1:][both] + 1.0 / weight[:-1][both])
    return float(np.mean(own * np.diff(left_ppb)[both] ** 2)) if both.any() else 1.0


def _inverse(residuals: Residuals) -> Floats:
    """(X'WX + P)^-1, shape (p, p)."""
    gram = residuals.design.T @ (residuals.weight[:, None] * residuals.design)
    if residuals.penalty is not None:
        gram = gram + residuals.penalty
    scale = np.sqrt(np.maximum(np.diagonal(gram), 1e-300))
    inverse = np.linalg.pinv(gram / np.outer(scale, scale), rcond=1e-13, hermitian=True)
    return np.asarray(inverse / np.outer(scale, scale))


def _walk(since_h: Floats, end_h: float, longest_h: float) -> Floats:
    """Covariance of means of a random walk over cells, and at the end, of variance 1 after the longest run.

    The mean over a cell of length h about t has the variance t - h / 6, that of any two t of the earlier.
    """
    apart_h = np.diff(since_h)
    # No longer than to the nearer neighbour: cells do not overlap.
    length_h = np.minimum(np.append(np.inf, apart_h), np.append(apart_h, np.inf))
    length_h = np.where(np.isfinite(length_h), length_h, end_h)
    # The walk starts where the first cell does; a constant more or less is in the free level of the run.
    at = np.append(since_h, end_h) - since_h[0] + length_h[0] / 2
    found = np.minimum(at[:, None], at[None, :])
    place = np.arange(since_h.size)
    found[place, place] -= length_h / 6
    return np.asarray(found / longest_h)


def _integrated(since_h: Floats, end_h: float, longest_h: float) -> Floats:
    """Covariance of a random walk's integral, t^2 (3 u - t) / 6 for t < u, of variance 1 after the longest run."""
    at = np.append(since_h, end_h)
    early, late = np.minimum(at[:, None], at[None, :]), np.maximum(at[:, None], at[None, :])
    return np.asarray(early**2 * (3 * late - early) / (2 * longest_h**3))


def _forgetful(since_h: Floats, end_h: float, longest_h: float) -> Floats:
    """Covariance of noise with a memory, and at the end, of variance 1 between the ends of the longest run."""
    at = np.append(since_h, end_h) / longest_h
    return np.asarray(np.exp(-np.abs(at[:, None] - at[None, :]) / MEMORY) / (2 * -math.expm1(-1 / MEMORY)))


COVARIANCES = (_walk, _integrated, _forgetful)
"""Of each kind."""


def allan_ppb(squares: Sequence[float], longest_h: float, tau_h: float) -> float:
    """Allan deviation of the wander: half the mean square by which two means over tau, one after the other, differ. [ppb]

    A random walk has that of random-walk frequency noise, sqrt(q tau / 3) (W. J. Riley, NIST SP 1065, 2008, table 3):

    >>> round(allan_ppb([9.0 * 8.0, 0.0, 0.0], 8.0, 1.0), 2)
    1.73
    """
    count = 50
    at_h = (np.arange(2 * count) + 0.5) * tau_h / count
    apart = np.repeat([-1.0, 1.0], count) / count
    kinds = (covariance(at_h, 2 * tau_h, longest_h)[:-1, :-1] for covariance in COVARIANCES)
    return math.sqrt(
        math.fsum(square * float(apart @ kind @ apart) for square, kind in zip(squares, kinds, strict=True)) / 2
    )
