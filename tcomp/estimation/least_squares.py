"""Weighted linear least squares: the one solver under every fit.

Normal equations of scaled columns, whose solution is corrected once by its own residual, have all the digits of an orthogonal
factorisation where the columns are far from dependent (corrected normal equations; A. Bjorck, Numerical Methods for Least
Squares Problems, SIAM 1996, 2.9 and 6.6.5; from memory).  Where they are not, the columns are factorised: QR with pivoting.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError

Floats = NDArray[np.float64]
Wide = NDArray[np.floating]

RANK_TOLERANCE = 1e-12
"""A column whose part independent of the others is below this share of it is not determined.
Round-off of the factorisation is about 1e-15, so three digits are left to tell the two apart."""
WELL_CONDITIONED = 1e-6
"""Least over largest eigenvalue of the scaled normal equations above which they lose no more digits (six of sixteen) than one
correction wins back."""
DEPENDENT = 1e-7
"""Share of the largest pivot below which a direction of the columns is taken for round-off, and its coefficients for as
small as can be."""
CORRECTIONS = 2
"""Corrections where the last digits matter: two are enough (Bjorck)."""


@dataclass(frozen=True)
class LinearFit:
    """Coefficients of shape (p,), their covariance for independent errors, and the residuals."""

    coef: Floats
    covariance: Floats
    residuals: Floats
    residual_sd: float
    degrees_of_freedom: int


def weighted_solution(design: Wide, y: Floats, weight: Floats, penalty: Floats | None = None) -> Floats:
    """Coefficients that minimise sum(weight * (y - design @ coef)**2) + coef' penalty coef, shape (p,).

    Parameters
    ----------
    design : ndarray of shape (n, p)
        One column per coefficient; in extended precision if the last digits matter.
    y, weight : ndarray of shape (n,)
        What is fitted, and the weight of each sample. Columns that carry no weight get 0.
    penalty : ndarray of shape (k, k), default=None
        On the last k columns.

    Examples
    --------
    >>> line = np.array([[1.0, 0.0], [1.0, 1.0], [1.0, 2.0]])
    >>> weighted_solution(line, np.array([1.0, 3.0, 5.0]), np.ones(3)).round(12).tolist()
    [1.0, 2.0]
    """
    columns = np.asarray(design, dtype=np.float64)
    weighted = columns * weight[:, None]
    gram = columns.T @ weighted
    if penalty is not None:
        gram[-penalty.shape[0] :, -penalty.shape[0] :] += penalty
    scale = np.sqrt(np.diagonal(gram))
    there = scale > 0
    scale = np.where(there, scale, 1.0)
    scaled = gram / np.outer(scale, scale) + np.diag(np.where(there, 0.0, 1.0))
    size, axes = np.linalg.eigh(scaled)
    if size[0] < WELL_CONDITIONED * size[-1]:
        coef = _factorised(columns, y, weight, penalty, scale)
        inverse = (axes / np.maximum(size, DEPENDENT**2 * size[-1])) @ axes.T
        corrections = 0 if design.dtype == np.float64 else CORRECTIONS
    else:
        inverse = (axes / size) @ axes.T
        coef = inverse @ ((y @ weighted) / scale) / scale
        corrections = 1 if design.dtype == np.float64 else CORRECTIONS
    for _ in range(corrections):
        gradient = np.asarray((weight * (y - design @ coef)) @ design, dtype=np.float64)
        if penalty is not None:
            gradient[-penalty.shape[0] :] -= penalty @ coef[-penalty.shape[0] :]
        coef = coef + inverse @ (gradient / scale) / scale
    return np.asarray(coef)


def _factorised(columns: Floats, y: Floats, weight: Floats, penalty: Floats | None, scale: Floats) -> Floats:
    """The same by QR with pivoting of the scaled columns; along directions that they leave open the least coefficients."""
    from scipy.linalg import lstsq

    root = np.sqrt(weight)
    design, target = columns * (root[:, None] / scale), y * root
    if penalty is not None:
        size, axes = np.linalg.eigh(penalty)
        rows = np.zeros((len(penalty), design.shape[1]))
        rows[:, -len(penalty) :] = np.sqrt(np.maximum(size, 0.0))[:, None] * axes.T
        design, target = np.vstack([design, rows / scale]), np.append(target, np.zeros(len(penalty)))
    return np.asarray(lstsq(design, target, cond=DEPENDENT, lapack_driver="gelsy", check_finite=False)[0] / scale)


def least_squares(design: Wide, y: Floats, weight: Floats | None = None) -> LinearFit:
    """The same without a penalty, with covariance and residuals.

    Parameters
    ----------
    design : ndarray of shape (n, p)
    y, weight : ndarray of shape (n,)
        ``weight`` is 1 / variance up to a common factor; None: all alike.

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
    weight = np.ones(len(y)) if weight is None else weight
    used = weight > 0
    n, p = int(used.sum()), design.shape[1]
    if n < p:
        raise CurveError(f"{n} samples cannot determine {p} coefficients; log more, or ask for a simpler curve")
    columns = np.asarray(design[used], dtype=np.float64) * np.sqrt(weight[used])[:, None]
    scale = np.linalg.norm(columns, axis=0)
    scale[scale == 0] = 1.0
    triangular = np.linalg.qr(columns / scale, mode="r")
    if np.abs(np.diagonal(triangular)).min() < RANK_TOLERANCE:
        raise CurveError(
            f"the samples do not determine {p} coefficients (too few distinct temperatures); ask for a simpler curve"
        )
    inverse = np.linalg.solve(triangular, np.eye(p)) / scale[:, None]
    coef = weighted_solution(design, y, weight)
    residuals = np.asarray(y - design @ coef, dtype=np.float64)
    squares = float(weight @ residuals**2)
    residual_sd = np.sqrt(squares / (n - p)) if n > p else 0.0
    return LinearFit(coef, residual_sd**2 * inverse @ inverse.T, residuals, float(residual_sd), n - p)


def hstack(*columns: Floats) -> Floats:
    """Columns side by side, each in one piece of memory, in which they are made and multiplied fastest."""
    return np.concatenate([some.T for some in columns]).T


def embedded(penalty: Floats, own: slice, size: int) -> Floats:
    """A penalty on some columns, in a matrix for ``size`` of them.

    >>> embedded(np.array([[2.0]]), slice(1, 2), 2).tolist()
    [[0.0, 0.0], [0.0, 2.0]]
    """
    wide = np.zeros((size, size))
    wide[own, own] = penalty
    return wide
