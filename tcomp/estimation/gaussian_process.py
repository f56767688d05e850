"""Gaussian processes on few points: noise of a known covariance, white noise, and a smooth shape (Matern 5/2).

What is not known is what makes the evidence largest, the logarithm of the marginal likelihood (C. E. Rasmussen and C. K. I.
Williams, Gaussian Processes for Machine Learning, MIT Press 2006, 2.3 and 5.4; citation from memory).  Distances are taken
once and the gradient is exact, so that a fit takes milliseconds; scikit-learn's regressor gives the same and is what the
tests hold this against.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

VARIANCES, WHITES = (1e-6, 1e8), (1e-6, 1e6)
"""Bounds of the search, in units of the noise: wide enough to mean none, and all."""
FIRST_VARIANCE, FIRST_WHITE = 1.0, 0.1


@dataclass(frozen=True, eq=False)
class Process:
    """The process of most evidence; without a shape ``variance`` is 0.

    ``weights`` are the inverse covariance times the values: the shape at the points is its own covariance times these.
    """

    white: float
    variance: float
    length: float
    log_evidence: float
    weights: Floats


def matern(apart: Floats, length: float) -> Floats:
    """Correlation of a shape that is twice differentiable, at these distances (Rasmussen and Williams, 4.17).

    >>> matern(np.array([0.0, 1.0, 10.0]), 1.0).round(3).tolist()
    [1.0, 0.524, 0.0]
    """
    scaled = math.sqrt(5.0) / length * apart
    return np.asarray((1.0 + scaled + scaled**2 / 3.0) * np.exp(-scaled))


def without_shape(y: Floats, noise: Floats) -> Process:
    """The process of known and white noise alone."""
    return _Search(None, y, noise).most([(FIRST_WHITE, WHITES)])


def with_shape(apart: Floats, y: Floats, noise: Floats, length: float, lengths: tuple[float, float]) -> Process:
    """The process of noise and a shape, the search for whose length starts at ``length`` and keeps to ``lengths``.

    Parameters
    ----------
    apart, noise : ndarray of shape (n, n)
        Distances between the points, and the covariance of the known noise.
    y : ndarray of shape (n,) or (n, sets)
        Values; sets are independent of each other.
    """
    return _Search(apart, y, noise).most([(FIRST_WHITE, WHITES), (FIRST_VARIANCE, VARIANCES), (length, lengths)])


def evidence_by_size(sizes: Floats, shape: Floats, noise: Floats, y: Floats) -> Floats:
    """Log evidence, up to a constant, with a shape of this correlation and of each of these standard deviations.

    Examples
    --------
    Of ten independent values of 2 beside noise of 1, the most likely is the root of 3 (2^2 less 1):

    >>> found = evidence_by_size(np.array([1.0, 3**0.5, 2.5]), np.eye(10), np.eye(10), np.full(10, 2.0))
    >>> int(np.argmax(found))
    1
    """
    from scipy.linalg import eigh

    # In coordinates in which noise and shape are both independent every size is a sum.
    strength, axes = eigh(shape, noise)
    squares = (y @ axes) ** 2
    variance = 1.0 + sizes[:, np.newaxis] ** 2 * np.maximum(strength, 0.0)
    return np.asarray(-0.5 * np.sum(squares / variance + np.log(variance), axis=1))


@dataclass(frozen=True, eq=False)
class _Search:
    """Points of which white noise and, with distances, variance and length of a shape are to be found."""

    apart: Floats | None
    y: Floats
    noise: Floats

    def most(self, searched: list[tuple[float, tuple[float, float]]]) -> Process:
        """The most evidence, from a start within bounds for each of the values."""
        from scipy.optimize import Bounds, minimize

        def loss(logarithms: Floats) -> tuple[float, Floats]:
            evidence, slopes, _ = self.evidence(np.exp(logarithms))
            return -evidence, -slopes

        start = np.log([first for first, _ in searched])
        bounds = Bounds(*np.log([ends for _, ends in searched]).T)
        values = np.exp(minimize(loss, start, method="L-BFGS-B", jac=True, bounds=bounds).x)
        evidence, _, weights = self.evidence(values)
        white, variance, length = (*values.tolist(), 0.0, math.nan)[:3]
        return Process(white, variance, length, evidence, weights)

    def evidence(self, values: Floats) -> tuple[float, Floats, Floats]:
        """Log evidence of white noise, variance and length; its slopes against their logarithms; and the weights."""
        from scipy.linalg import cho_factor, cho_solve

        parts = [values[0] * np.eye(len(self.noise))]
        covariance = self.noise + parts[0]
        if self.apart is not None:
            scaled = math.sqrt(5.0) / values[2] * self.apart
            falling = values[1] * np.exp(-scaled)
            parts += [(1.0 + scaled + scaled**2 / 3.0) * falling, scaled**2 * (1.0 + scaled) / 3.0 * falling]
            covariance += parts[1]
        factor = cho_factor(covariance, lower=True)
        weights = cho_solve(factor, self.y)
        sets = self.y.size // len(self.noise)
        half_log_det = np.log(np.diagonal(factor[0])).sum() + len(self.noise) / 2 * math.log(2 * math.pi)
        pull = weights.reshape(-1, sets) @ weights.reshape(-1, sets).T - sets * cho_solve(
            factor, np.eye(len(self.noise))
        )
        slopes = np.array([0.5 * np.sum(pull * part) for part in parts])
        return float(-0.5 * np.sum(self.y * weights) - sets * half_log_det), slopes, weights
