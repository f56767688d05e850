"""Covariance that holds although neighbouring residuals resemble each other.

Residuals of a sweep are autocorrelated, so the textbook covariance, which counts every sample as
news, is far too small.  This is the heteroscedasticity and autocorrelation consistent (HAC) one:
W. K. Newey and K. D. West, Econometrica 55 (1987) 703-708, with the bandwidth by D. W. K. Andrews,
Econometrica 59 (1991) 817-858, for an autoregression of first order (citations from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bounds = list[tuple[int, int]]


def bandwidth(residuals: Floats, bounds: Bounds, memory: int = 0) -> int:
    """Number of neighbours over which residuals count as related.

    ``bounds`` are the (start, stop) of the stretches within which samples are neighbours;
    ``memory`` is a number of samples that they are known to remember at least: noise of the sensor
    that passed the lag filter is small beside that of the readings, and an autoregression
    overlooks it, but it averages out far more slowly.
    """
    n = residuals.size
    squares = float(residuals @ residuals)
    if squares == 0:
        return 0
    pairs = sum(float(residuals[a : b - 1] @ residuals[a + 1 : b]) for a, b in bounds)
    rho = min(max(pairs / squares, -0.97), 0.97)
    alpha = 4 * rho**2 / ((1 - rho) ** 2 * (1 + rho) ** 2)
    return int(min(max(math.ceil(1.1447 * (alpha * n) ** (1 / 3)), memory), n // 4))


def hac_covariance(
    design: Floats,
    residuals: Floats,
    bounds: Bounds,
    weight: Floats | None = None,
    penalty: Floats | None = None,
    memory: int = 0,
) -> Floats:
    """Covariance of (weighted, penalised) least-squares coefficients, shape (p, p).

    Parameters
    ----------
    design : ndarray of shape (n, p)
    residuals : ndarray of shape (n,)
    bounds : list of (start, stop)
        Stretches within which samples are neighbours.
    weight : ndarray of shape (n,), default=None
        Weights of the fit, up to a common factor.
    penalty : ndarray of shape (p, p), default=None
        What was added to design' W design.
    memory : int, default=0
        Samples that the residuals are known to remember; see `bandwidth`.

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
    width = bandwidth(residuals * root, bounds, memory)
    for lag in range(1, width + 1):
        cross = np.zeros((p, p))
        for a, b in bounds:
            if b - a > lag:
                cross += scores[a : b - lag].T @ scores[a + lag : b]
        meat += (1 - lag / (width + 1)) * (cross + cross.T)
    gram = columns.T @ columns
    if penalty is not None:
        gram += penalty / np.outer(scale, scale)
    bread = np.linalg.pinv(gram, rcond=1e-14, hermitian=True)
    variance = float((residuals * root) @ (residuals * root)) / max(n - p, 1)
    found = _never_below(bread @ meat @ bread * n / max(n - p, 1), variance * bread @ (columns.T @ columns) @ bread)
    return np.asarray(found / np.outer(scale, scale))


def _never_below(found: Floats, floor: Floats) -> Floats:
    """The covariance found, raised in every direction to what independent residuals would give.

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
