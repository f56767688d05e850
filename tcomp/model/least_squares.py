"""Weighted linear least squares by QR: the one solver under every fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError

Floats = NDArray[np.float64]
RANK_TOLERANCE = 1e-12
"""A column whose part independent of the others is below this share of it is not determined.
Round-off of the factorisation is about 1e-15, so three digits are left to tell the two apart."""


@dataclass(frozen=True)
class LinearFit:
    """Coefficients of shape (p,), their covariance for independent errors, and what is left over."""

    coef: Floats
    covariance: Floats
    residuals: Floats
    residual_sd: float
    degrees_of_freedom: int


def least_squares(design: NDArray[np.floating], y: Floats, weight: Floats | None = None) -> LinearFit:
    """Minimise sum(weight * (y - design @ coef)**2).

    Parameters
    ----------
    design : ndarray of shape (n, p)
        One column per coefficient; in extended precision if the last digits matter.
    y : ndarray of shape (n,)
        What is fitted.
    weight : ndarray of shape (n,), default=None
        Weight of each sample, 1 / variance up to a common factor.

    Returns
    -------
    LinearFit
        ``covariance`` is residual_sd**2 (X'WX)^-1, for errors independent of each other.

    Raises
    ------
    CurveError
        Fewer samples with weight than columns, or a column that the others determine.

    Examples
    --------
    >>> fit = least_squares(np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]]), np.array([1.0, 3.0, 5.0]))
    >>> np.allclose(fit.coef, [1.0, 2.0])
    True
    """
    used = np.ones(len(y), dtype=bool) if weight is None else weight > 0
    n, p = int(used.sum()), design.shape[1]
    if n < p:
        raise CurveError(f"{n} samples cannot determine {p} coefficients; log more, or ask for a simpler curve")
    root = np.ones(n) if weight is None else np.sqrt(weight[used])
    columns = np.asarray(design[used], dtype=np.float64) * root[:, None]
    scale = np.linalg.norm(columns, axis=0)
    scale[scale == 0] = 1.0
    orthogonal, triangular = np.linalg.qr(columns / scale)
    if np.abs(np.diagonal(triangular)).min() < RANK_TOLERANCE:
        raise CurveError(
            f"the samples do not determine {p} coefficients (too few distinct temperatures); ask for a simpler curve"
        )
    inverse = np.linalg.solve(triangular, np.eye(p)) / scale[:, None]
    coef, residuals = _refined(inverse @ (orthogonal.T @ (y[used] * root)), inverse, design, y, weight)
    degrees_of_freedom = n - p
    squares = float(np.sum((residuals[used] * root) ** 2))
    residual_sd = np.sqrt(squares / degrees_of_freedom) if degrees_of_freedom else 0.0
    return LinearFit(coef, residual_sd**2 * inverse @ inverse.T, residuals, float(residual_sd), degrees_of_freedom)


def _refined(
    coef: Floats, inverse: Floats, design: NDArray[np.floating], y: Floats, weight: Floats | None
) -> tuple[Floats, Floats]:
    """Win back the digits that round-off took, by corrected seminormal equations.

    The gradient is summed in extended precision, where the machine has it; two steps are enough
    (A. Bjorck, Numerical Methods for Least Squares Problems, SIAM 1996, 6.6.5; from memory).
    """
    wide = design.astype(np.longdouble)
    for _ in range(2):
        left = y - wide @ coef
        gradient = np.asarray((left if weight is None else left * weight) @ wide, dtype=np.float64)
        coef = coef + inverse @ (inverse.T @ gradient)
    return coef, np.asarray(y - wide @ coef, dtype=np.float64)
