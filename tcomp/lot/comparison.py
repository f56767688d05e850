"""The units compared: their curves in one basis, and the units that do not belong to the lot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tcomp.arrays import BoolArray, FloatArray
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.curve import Curve
from tcomp.estimation.prior import ODD, ROBUST_FROM, of_the_lot, robust_spread

SHORT_SHARE = 0.1
"""Share of the lot's usual range by which a unit's may end early at either side."""
MAX_DEGREE = 9
"""Highest degree of the common basis, as of the candidate polynomials."""
MAX_MISS = 0.1
"""Share of the units' held-out RMS below which the common basis may miss their curves: it adds half a percent to it."""


@dataclass(frozen=True, eq=False)
class Curves:
    """Units' curves in one basis.

    Attributes
    ----------
    basis : ChebyshevBasis
        Over the range that all of these units share.
    names : tuple of str, length n
        The units.
    coef, own : ndarray of shape (n, k), (n, k, k)
        Their coefficients and the covariance of each. [ppb, ppb**2]
    missed_ppb : float
        RMS of what the basis cannot follow, of the unit where that is the median.
    short : tuple of str
        Units whose range ends so early that they are left out.
    """

    basis: ChebyshevBasis
    names: tuple[str, ...]
    coef: FloatArray
    own: FloatArray
    missed_ppb: float
    short: tuple[str, ...]


def common_curves(curves: Mapping[str, Curve]) -> Curves | None:
    """Curves by unit in a basis of the lowest degree that follows most of them; None where no two share a range."""
    names, short = _of_usual_range(curves)
    kept = [curves[name] for name in names]
    low_c, high_c = max((c.low_c for c in kept), default=0.0), min((c.high_c for c in kept), default=0.0)
    if len(kept) < 2 or low_c >= high_c:
        return None
    allowed_ppb = MAX_MISS * float(np.nanmedian([curve.held_out.rms_ppb for curve in kept]))
    for degree in range(1, MAX_DEGREE + 1):
        found = _brought(names, kept, ChebyshevBasis(degree, low_c, high_c), short)
        if found.missed_ppb <= allowed_ppb:
            break
    return found


def _of_usual_range(curves: Mapping[str, Curve]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    low_c, high_c = (
        float(np.median([getattr(c, end) for c in curves.values()] or [0.0])) for end in ("low_c", "high_c")
    )
    room_c = SHORT_SHARE * (high_c - low_c)
    usual = {name: c.low_c <= low_c + room_c and c.high_c >= high_c - room_c for name, c in curves.items()}
    return tuple(n for n, is_usual in usual.items() if is_usual), tuple(
        n for n, is_usual in usual.items() if not is_usual
    )


def _brought(names: tuple[str, ...], curves: list[Curve], basis: ChebyshevBasis, short: tuple[str, ...]) -> Curves:
    """Least squares at Chebyshev's nodes: linear in a curve's coefficients, so that their covariance comes along exactly."""
    nodes = np.cos(np.pi * (np.arange(NODES) + 0.5) / NODES)
    temperature_c = 0.5 * (basis.low_c + basis.high_c) + 0.5 * (basis.high_c - basis.low_c) * nodes
    columns = basis.values(temperature_c)
    to_basis = np.linalg.pinv(columns)
    maps = [to_basis @ curve.basis.values(temperature_c) for curve in curves]
    coef = np.array([m @ np.array(curve.coef) for m, curve in zip(maps, curves, strict=True)])
    own = np.array([m @ np.array(curve.covariance) @ m.T for m, curve in zip(maps, curves, strict=True)])
    away = np.array([curve.continued_ppb(temperature_c) for curve in curves]) - coef @ columns.T
    return Curves(basis, names, coef, own, float(np.median(np.sqrt(np.mean(away**2, axis=1)))), short)


NODES = 65
"""Temperatures at which curves are compared: more than any of their bases has columns."""


MIN_UNITS = 5
"""Units of which fewer say nothing about a sixth (common practice, no source)."""
DRAWN = 4000
"""Lots that are drawn for the limit of a small lot."""
SEED = 1986


@dataclass(frozen=True, eq=False)
class Judgement:
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
    away: FloatArray
    odd: BoolArray


def judge_units(figures: FloatArray) -> Judgement:
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
    if count < MIN_UNITS or size == 0:
        return Judgement("", away, np.zeros(count, dtype=np.bool_))
    if count >= ROBUST_FROM * size:
        method = f"distance in {size} figures, by the minimum covariance determinant and an F statistic"
        return Judgement(method, away, ~of_the_lot(away[:, tells]))
    limit = _limit(count, size)
    method = f"largest of {size} figures, each in robust spreads from its median, beyond {limit:.1f}"
    return Judgement(method, away, np.abs(away).max(axis=1) > limit)


@lru_cache
def _limit(count: int, size: int) -> float:
    """What the largest deviation of a unit exceeds with the chance ODD."""
    drawn = np.random.RandomState(SEED).standard_normal((DRAWN, count, size))
    spread = 1.4826 * np.median(np.abs(drawn - np.median(drawn, axis=1, keepdims=True)), axis=1, keepdims=True)
    away = np.abs(drawn - np.median(drawn, axis=1, keepdims=True)) / spread
    return float(np.quantile(away.max(axis=2), 1 - ODD))
