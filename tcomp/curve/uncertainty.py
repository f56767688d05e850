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


def bandwidth(residuals: Floats, bounds: Bounds) -> int:
    """Number of neighbours over which residuals count as related.

    ``bounds`` are the (start, stop) of the stretches within which samples are neighbours.
    """
    n = residuals.size
    squares = float(residuals @ residuals)
    if squares == 0:
        return 0
    pairs = sum(float(residuals[a : b - 1] @ residuals[a + 1 : b]) for a, b in bounds)
    rho = min(max(pairs / squares, -0.97), 0.97)
    alpha = 4 * rho**2 / ((1 - rho) ** 2 * (1 + rho) ** 2)
    return int(min(math.ceil(1.1447 * (alpha * n) ** (1 / 3)), n // 4))


def hac_covariance(design: Floats, residuals: Floats, bounds: Bounds) -> Floats:
    """Covariance of least-squares coefficients, shape (p, p), from the design of shape (n, p).

    Examples
    --------
    Independent residuals give what the textbook gives, up to chance:

    >>> rng = np.random.default_rng(1)
    >>> X, e = np.ones((4000, 1)), rng.normal(size=4000)
    >>> bool(0.8 < hac_covariance(X, e, [(0, 4000)])[0, 0] * 4000 < 1.2)
    True
    """
    n, p = design.shape
    scores = design * residuals[:, None]
    meat = scores.T @ scores
    width = bandwidth(residuals, bounds)
    for lag in range(1, width + 1):
        cross = np.zeros((p, p))
        for a, b in bounds:
            if b - a > lag:
                cross += scores[a : b - lag].T @ scores[a + lag : b]
        meat += (1 - lag / (width + 1)) * (cross + cross.T)
    scale = np.linalg.norm(design, axis=0)
    bread = np.linalg.inv((design / scale).T @ (design / scale)) / np.outer(scale, scale)
    return np.asarray(bread @ meat @ bread * n / max(n - p, 1))


def effective_samples(residuals: Floats, bounds: Bounds) -> float:
    """Number of independent samples that would tell as much: n times variance over long-run variance."""
    n = residuals.size
    squares = float(residuals @ residuals)
    if squares == 0:
        return float(n)
    of_mean = float(hac_covariance(np.ones((n, 1)), residuals, bounds)[0, 0])
    return float(min(max(squares / n / of_mean, 1.0), n)) if of_mean > 0 else float(n)
