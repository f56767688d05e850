"""Covariance that holds although neighbouring residuals resemble each other.

Residuals of a sweep are autocorrelated, so the textbook covariance, which counts every sample as
news, is far too small.  The curve's covariance is clustered: whole blocks of a leg are left out,
one at a time, and the coefficients' scatter is taken (jackknife).  A block that the fit leans on,
as it does on a soak at the end of the range, is thereby not judged by residuals that the fit has
bent to itself (the "CR3" form; A. C. Cameron and D. L. Miller, J. Human Resources 50 (2015)
317-372, from memory).

How many independent samples there are follows from the heteroscedasticity and autocorrelation
consistent (HAC) covariance of the mean: W. K. Newey and K. D. West, Econometrica 55 (1987) 703-708,
with the bandwidth by D. W. K. Andrews, Econometrica 59 (1991) 817-858 (from memory).
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Bounds = list[tuple[int, int]]


GONE = 1e-6
"""Share of a transient's squares outside a block below which nothing is left of it when the block is left out."""
NO_COLUMN = 1e-100
"""A column of a smaller norm is one of zeros: what has decayed over hundreds of time constants underflows in squares."""
UNKNOWN_VARIANCE = 1e30
"""Of coefficients where there are no two blocks to compare: so large that nothing is significant."""


def bandwidth(residuals: Floats, bounds: Bounds) -> int:
    """Number of neighbours over which residuals count as related.

    ``bounds`` are the (start, stop) of the blocks within which samples are neighbours.
    """
    n = residuals.size
    squares = float(residuals @ residuals)
    if squares == 0:
        return 0
    pairs = math.fsum(float(residuals[a : b - 1] @ residuals[a + 1 : b]) for a, b in bounds)
    rho = min(max(pairs / squares, -0.97), 0.97)
    alpha = 4 * rho**2 / ((1 - rho) ** 2 * (1 + rho) ** 2)
    return int(min(math.ceil(1.1447 * (alpha * n) ** (1 / 3)), n // 4))


def blocks(leg: Ints, memory: int, residuals: Floats, columns: int) -> Ints:
    """Number the blocks that are left out one at a time: legs, cut into parts of at most so many samples.

    Parameters
    ----------
    leg : ndarray of shape (n,)
        Leg of each sample, in the order of time.
    memory : int
        Samples over which the lag filter spreads the sensor's noise; a block is twice as long.
    residuals : ndarray of shape (n,)
        What the fit leaves; a block is also longer than they resemble each other.
    columns : int
        Coefficients: there are to be blocks enough to judge them by.

    Examples
    --------
    >>> blocks(np.array([0, 0, 0, 0, 1, 1]), 1, np.zeros(6), 1).tolist()
    [0, 0, 1, 1, 2, 2]
    """
    edges = np.flatnonzero(np.diff(leg)) + 1
    starts = np.concatenate([[0], edges])
    sizes = np.diff(np.append(starts, leg.size))
    bounds = list(zip(starts.tolist(), (starts + sizes).tolist(), strict=True))
    wanted = max(2 * memory, 3 * bandwidth(residuals, bounds), leg.size // 200, 1)
    length = max(min(wanted, leg.size // (3 * columns)), 1)
    parts = np.maximum(np.round(sizes / length), 1).astype(np.int64)
    place = np.arange(leg.size) - np.repeat(starts, sizes)
    return np.asarray(
        np.repeat(np.cumsum(parts) - parts, sizes) + place * np.repeat(parts, sizes) // np.repeat(sizes, sizes)
    )


def clustered_covariance(
    design: Floats,
    residuals: Floats,
    block: Ints,
    weight: Floats,
    penalty: Floats | None = None,
    transient: Mask | None = None,
    information: Floats | None = None,
) -> Floats:
    """Covariance of weighted, penalised least-squares coefficients by leaving one block out at a time, shape (p, p).

    Never below what independent residuals would give.

    Parameters
    ----------
    design : ndarray of shape (n, p)
    residuals, weight : ndarray of shape (n,)
    block : ndarray of shape (n,)
        Number of the block that each sample belongs to, in order.
    penalty : ndarray of shape (p, p), default=None
        What was added to design' W design.
    transient : ndarray of bool of shape (p,), default=None
        Columns that decay, as a start of the lag filter does.  Where a block that is left out holds all of one but a
        millionth, it stays as it is: that millionth would be asked for what it cannot tell, and disturb all others.
    information : ndarray of shape (n,), default=None
        What each sample is expected to tell, where the weights are what it happens to tell and the residuals are no measure
        of their own noise: the covariance is then never below its inverse.

    Examples
    --------
    The mean of samples that come in equal pairs is as uncertain as that of half as many:

    >>> e = np.repeat(np.random.default_rng(1).normal(size=500), 2)
    >>> found = clustered_covariance(np.ones((1000, 1)), e - e.mean(), np.arange(1000) // 2, np.ones(1000))
    >>> bool(0.95 < found[0, 0] * 500 / np.var(e[::2], ddof=1) < 1.05)
    True
    """
    n, p = design.shape
    root = np.sqrt(weight)
    scale = np.linalg.norm(design * root[:, None], axis=0)
    scale = np.where(scale > NO_COLUMN, scale, 1.0)
    columns, left = design * (root[:, None] / scale), residuals * root
    gram = columns.T @ columns
    if penalty is not None:
        gram += penalty / np.outer(scale, scale)
    starts = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    if len(starts) < 2:
        return np.eye(p) * UNKNOWN_VARIANCE
    parts = [slice(start, stop) for start, stop in pairwise([*starts.tolist(), n])]
    own = np.array([columns[part].T @ columns[part] for part in parts])
    pull = np.array([columns[part].T @ left[part] for part in parts])
    gone = 1.0 - np.diagonal(own, axis1=1, axis2=2) < GONE
    moves = np.ones_like(gone) if transient is None else ~(gone & transient)
    # What does not move has rows and columns of zeros, whose pseudoinverse is zero.
    rest = (gram - own) * moves[:, :, None] * moves[:, None, :]
    without = np.linalg.pinv(rest, rcond=1e-12, hermitian=True)
    moved = (without @ (pull * moves)[:, :, None])[:, :, 0]
    found = moved.T @ moved * (len(moved) - 1) / len(moved)
    if information is not None:
        columns, variance = design * (np.sqrt(information)[:, None] / scale), 1.0
        gram = columns.T @ columns + (0.0 if penalty is None else penalty / np.outer(scale, scale))
    else:
        variance = float(left @ left) / max(n - p, 1)
    bread = np.linalg.pinv(gram, rcond=1e-14, hermitian=True)
    return np.asarray(never_below(found, variance * bread @ (columns.T @ columns) @ bread) / np.outer(scale, scale))


def hac_covariance(design: Floats, residuals: Floats, bounds: Bounds, weight: Floats | None = None) -> Floats:
    """Covariance of (weighted, penalised) least-squares coefficients, shape (p, p).

    Parameters
    ----------
    design : ndarray of shape (n, p)
    residuals : ndarray of shape (n,)
    bounds : list of (start, stop)
        Stretches within which samples are neighbours.
    weight : ndarray of shape (n,), default=None
        Weights of the fit, up to a common factor.

    Examples
    --------
    Independent residuals give what the textbook gives, up to chance:

    >>> rng = np.random.default_rng(1)
    >>> X, e = np.ones((4000, 1)), rng.normal(size=4000)
    >>> bool(0.8 < hac_covariance(X, e, [(0, 4000)])[0, 0] * 4000 < 1.2)
    True
    """
    n, p = design.shape
    root = np.ones(n) if weight is None else np.sqrt(weight)
    scale = np.linalg.norm(design * root[:, None], axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    columns = design * (root[:, None] / scale)
    scores = columns * (residuals * root)[:, None]
    meat = scores.T @ scores
    width = bandwidth(residuals * root, bounds)
    for lag in range(1, width + 1):
        cross = np.zeros((p, p))
        for a, b in bounds:
            if b - a > lag:
                cross += scores[a : b - lag].T @ scores[a + lag : b]
        meat += (1 - lag / (width + 1)) * (cross + cross.T)
    bread = np.linalg.pinv(columns.T @ columns, rcond=1e-14, hermitian=True)
    variance = float((residuals * root) @ (residuals * root)) / max(n - p, 1)
    found = never_below(bread @ meat @ bread * n / max(n - p, 1), variance * bread @ (columns.T @ columns) @ bread)
    return np.asarray(found / np.outer(scale, scale))


def never_below(found: Floats, floor: Floats) -> Floats:
    """The covariance found, raised in every direction to a floor, such as what independent residuals would give.

    A fit absorbs part of the slow variation, so sums over many neighbours come out too small where
    the residuals are in truth independent; residuals that resemble each other never tell more.
    """
    size, axes = np.linalg.eigh(floor)
    keep = size > 1e-14 * size[-1]
    root = axes[:, keep] * np.sqrt(size[keep])
    whiten = axes[:, keep] / np.sqrt(size[keep])
    ratio, turned = np.linalg.eigh(whiten.T @ found @ whiten)
    back = root @ turned
    return np.asarray(back * np.maximum(ratio, 1.0) @ back.T)


def effective_samples(residuals: Floats, bounds: Bounds) -> float:
    """Number of independent samples that would tell as much: n times variance over long-run variance."""
    n = residuals.size
    squares = float(residuals @ residuals)
    if squares == 0:
        return float(n)
    of_mean = float(hac_covariance(np.ones((n, 1)), residuals, bounds)[0, 0])
    return float(min(max(squares / n / of_mean, 1.0), n)) if of_mean > 0 else float(n)
