"""Where to measure a polynomial: the temperatures at which so many readings tell most.

The D-optimal design of degree n, which is also G-optimal (the largest variance of the curve is as
small as it can be), has equal weights at the zeros of (1 - x^2) P'_n, P_n Legendre's polynomial:
P. G. Guest, Ann. Math. Statist. 29 (1958) 294-299; P. G. Hoel, Ann. Math. Statist. 29 (1958)
1134-1145; J. Kiefer and J. Wolfowitz, Canad. J. Math. 12 (1960) 363-366.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial import Legendre
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def optimal_points(degree: int) -> Floats:
    """Points of the optimal design on [-1, 1], ascending, shape (degree + 1,); each has the same weight.

    Examples
    --------
    >>> optimal_points(3).round(4).tolist()
    [-1.0, -0.4472, 0.4472, 1.0]
    """
    inner = np.sort(Legendre.basis(degree).deriv().roots().real) if degree > 1 else np.empty(0)
    symmetric = (inner - inner[::-1]) / 2
    return np.concatenate([[-1.0], symmetric, [1.0]])


def blind_points(degree: int, count: int) -> Floats:
    """Points at which a term of one degree more shows most, although the optimal design does not see it; ascending.

    (1 - x^2) P'_n vanishes at every point of the design.  Its derivative is -n (n + 1) P_n (Legendre's equation), so it
    is largest at zeros of P_n; of two that are equal the upper is taken first.

    Examples
    --------
    >>> blind_points(3, 2).round(4).tolist(), blind_points(2, 1).round(4).tolist()
    ([0.0, 0.7746], [0.5774])
    """
    zeros = np.sort(Legendre.basis(degree).roots().real)
    unseen = np.abs((1 - zeros**2) * Legendre.basis(degree).deriv()(zeros)).round(9)
    order = np.lexsort((-zeros, -unseen))
    return np.sort(zeros[order[:count]]) + 0.0


def standardised_variance(degree: int, points: Floats, weights: Floats, at: Floats) -> Floats:
    """Variance of the fitted curve times the number of readings over that of one reading, at points of [-1, 1].

    Parameters
    ----------
    degree : int
        Of the curve.
    points, weights : ndarray of shape (n,)
        Where the readings are, and what share of them.
    at : ndarray of shape (m,)
        Where the variance is asked.

    Examples
    --------
    At most degree + 1 for the optimal design, (degree + 1)^2 at the ends of a uniform ramp:

    >>> ramp = np.linspace(-1, 1, 20001)
    >>> ends = np.array([-1.0, 1.0])
    >>> standardised_variance(3, optimal_points(3), np.full(4, 0.25), ends).round(6).tolist()
    [4.0, 4.0]
    >>> standardised_variance(3, ramp, np.full(ramp.size, 1 / ramp.size), ends).round(1).tolist()
    [16.0, 16.0]
    """
    columns, asked = (np.polynomial.legendre.legvander(np.asarray(x), degree) for x in (points, at))
    information = columns.T @ (columns * weights[:, None])
    return np.asarray(np.einsum("ij,ij->i", asked, np.linalg.solve(information, asked.T).T))
