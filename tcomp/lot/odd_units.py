"""Units that the lot does not support: too far from the others to be one of them by chance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.prior import ODD, ROBUST_FROM, of_the_lot, robust_spread

Floats = NDArray[np.float64]
LEAST = 5
"""Units of which fewer say nothing about a sixth (common practice, no source)."""
DRAWN = 4000
"""Lots that are drawn for the limit of a small lot."""
SEED = 1986


@dataclass(frozen=True, eq=False)
class Judged:
    """How far each unit stands from the others.

    Attributes
    ----------
    method : str
        In words; empty where the lot is too small to judge.
    away : ndarray of shape (n, p)
        Of each figure, in robust spreads from the median.
    odd : ndarray of shape (n,)
        Whether the lot does not support the unit.
    """

    method: str
    away: Floats
    odd: NDArray[np.bool_]


def judge_units(figures: Floats) -> Judged:
    """Find units whose figures, of shape (n, p), the other units do not support.

    A unit of the lot is taken for odd with the chance ODD.  With enough units for each figure that is by its distance from those
    that are near each other, correlations included (minimum covariance determinant, and an F statistic of the distance); with
    fewer by the figure that stands out most, in robust spreads, against lots of as many units drawn from a normal distribution:
    correlated figures are then taken for odd less often (Sidak, J. Am. Stat. Assoc. 62, 1967; citation from memory).

    Examples
    --------
    >>> level = np.array([[1.0], [2.0], [3.0], [2.0], [1.0], [2.5], [1.5], [900.0]])
    >>> judge_units(level).odd.tolist()
    [False, False, False, False, False, False, False, True]
    """
    count = len(figures)
    spread = robust_spread(figures)
    tells = spread > 0  # A figure that most units have in common tells nothing about a spread.
    away = np.where(tells, (figures - np.median(figures, axis=0)) / np.where(tells, spread, 1.0), 0.0)
    size = int(tells.sum())
    if count < LEAST or size == 0:
        return Judged("", away, np.zeros(count, dtype=np.bool_))
    if count >= ROBUST_FROM * size:
        method = f"distance in {size} figures, by the minimum covariance determinant and an F statistic"
        return Judged(method, away, ~of_the_lot(away[:, tells]))
    limit = _limit(count, size)
    method = f"largest of {size} figures, each in robust spreads from its median, beyond {limit:.1f}"
    return Judged(method, away, np.abs(away).max(axis=1) > limit)


@lru_cache
def _limit(count: int, size: int) -> float:
    """What the largest deviation of a unit exceeds with the chance ODD."""
    drawn = np.random.RandomState(SEED).standard_normal((DRAWN, count, size))
    spread = 1.4826 * np.median(np.abs(drawn - np.median(drawn, axis=1, keepdims=True)), axis=1, keepdims=True)
    away = np.abs(drawn - np.median(drawn, axis=1, keepdims=True)) / spread
    return float(np.quantile(away.max(axis=2), 1 - ODD))
