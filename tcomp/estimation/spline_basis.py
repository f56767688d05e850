"""A penalised cubic spline, for a crystal that neither a cubic nor a parabola describes.

Between its knots the curve is a cubic; at a knot its third derivative may jump, and the jumps are penalised.  A
penalty on the second or third derivative would pull every AT cut towards a straight line or a parabola; jumps of
the third derivative, the discrete form of a penalty on the fourth, leave any cubic free, so that the strongest
smoothing gives the crystal's own form, without bias.

A jump counts by how far it lifts the curve within one knot spacing, jump * spacing**3, in ppb: where the knots are
fine (about an activity dip) a sharp bend is as cheap as a gentle one is where they are coarse, and one strength
serves both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.interpolate import BSpline

Floats = NDArray[np.float64]

DEGREE = 3
FREE = DEGREE + 1
"""Coefficients of a cubic: what the penalty leaves free, and the least number of distinct temperatures."""
FINE_SHARE = 0.25
"""Knot spacing about a narrow feature, as a share of its width: a bell of full width 1 at half its height is
followed within 1 % of its depth (found by fitting one)."""
FINE_REACH = 2.0
"""Widths to either side of a narrow feature over which the knots are fine: a bell is 1e-5 of its depth there."""


@dataclass(frozen=True)
class SplineBasis:
    """Cubic B-splines between ``knots``, the first and last of which are the ends of the range. [degC]

    Beyond the range the curve goes on straight, with the value and slope of its end.

    Examples
    --------
    >>> basis = SplineBasis((0.0, 5.0, 10.0))
    >>> basis.size
    5
    >>> np.allclose(basis.values(np.array([-1.0, 0.0, 7.0, 12.0])).sum(axis=1), 1.0)
    True
    """

    knots: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.knots) < 2 or not all(one < other for one, other in pairwise(self.knots)):
            raise ValueError("the knots do not ascend, or are fewer than two")

    @property
    def size(self) -> int:
        """Number of columns."""
        return len(self.knots) + DEGREE - 1

    @property
    def low_c(self) -> float:
        """Lower end of the range. [degC]"""
        return self.knots[0]

    @property
    def high_c(self) -> float:
        """Upper end of the range. [degC]"""
        return self.knots[-1]

    def sparse_values(self, temperature_c: Floats) -> Any:
        """Columns of shape (n, size) within the range, as a sparse array: four of each row are not zero."""
        from scipy.interpolate import BSpline

        # All lie within: scipy's look whether they do takes a third of the time.
        return BSpline.design_matrix(temperature_c, self._columns.t, DEGREE, extrapolate=True)

    def values(self, temperature_c: Floats) -> Floats:
        """Columns of shape (n, size)."""
        asked_c = np.asarray(temperature_c, dtype=np.float64)
        inside_c = np.clip(asked_c, self.low_c, self.high_c)
        columns = self.sparse_values(inside_c).toarray()
        beyond = np.flatnonzero(asked_c != inside_c)
        columns[beyond] += (asked_c - inside_c)[beyond, None] * self.slopes(inside_c[beyond])
        return np.asarray(columns)

    def slopes(self, temperature_c: Floats) -> Floats:
        """Derivatives of the columns with respect to temperature, shape (n, size). [1/degC]"""
        inside_c = np.clip(np.asarray(temperature_c, dtype=np.float64), self.low_c, self.high_c)
        return np.asarray(self._columns.derivative()(inside_c))

    def slope(self, temperature_c: Floats, coef: Floats) -> Floats:
        """The derivative of the curve of these coefficients, shape (n,). [ppb/degC]"""
        from scipy.interpolate import BSpline

        inside_c = np.clip(np.asarray(temperature_c, dtype=np.float64), self.low_c, self.high_c)
        return np.asarray(BSpline(self._columns.t, coef, DEGREE).derivative()(inside_c))

    def penalty_rows(self) -> Floats:
        """Rows, one for each inner knot, whose squares sum to the penalty: to stand below a design. Shape (m, size).

        Where the spacing changes, the geometric mean of both sides is taken: between them in order of size too.
        """
        knots = np.array(self.knots)
        third = self._columns.derivative(DEGREE)((knots[1:] + knots[:-1]) / 2)
        spacing_c = np.sqrt(np.diff(knots)[1:] * np.diff(knots)[:-1])
        return np.asarray(np.diff(third, axis=0) * spacing_c[:, None] ** DEGREE)

    def penalty(self) -> Floats:
        """Matrix P of shape (size, size): coef' P coef is the sum over inner knots of (jump * spacing**3)**2.

        With even knots it tends to spacing**7 times the integral of the squared fourth derivative.
        """
        rows = self.penalty_rows()
        return np.asarray(rows.T @ rows)

    @cached_property
    def _columns(self) -> BSpline:
        """The spline whose coefficients are the unit matrix: all columns at once."""
        from scipy.interpolate import BSpline

        ends = (np.repeat(self.low_c, DEGREE), np.array(self.knots), np.repeat(self.high_c, DEGREE))
        return BSpline(np.concatenate(ends), np.eye(self.size), DEGREE)


def knots_for(
    temperature_c: Floats, low_c: float, high_c: float, count: int, finer: Sequence[tuple[float, float]] = ()
) -> tuple[float, ...]:
    """Knots from low_c to high_c for these samples, so that every piece between two of them holds samples.

    Parameters
    ----------
    temperature_c : ndarray of shape (n,)
        Where was measured. [degC]
    low_c, high_c : float
        The range. [degC]
    count : int
        Pieces of equal length that the range is cut into; fewer where nothing was measured.
    finer : sequence of (centre_c, width_c)
        Narrow features with their full width at half their depth, about which knots are finer. [degC]

    Examples
    --------
    >>> knots_for(np.array([0.5, 1.5, 8.5, 9.5]), 0.0, 10.0, 10)
    (0.0, 1.0, 2.0, 9.0, 10.0)
    """
    even_c = np.linspace(low_c, high_c, count + 1)[1:-1]
    fine_c = [np.empty(0)]
    for centre_c, width_c in finer:
        reach_c = FINE_REACH * width_c
        steps = np.arange(-FINE_REACH, FINE_REACH + FINE_SHARE / 2, FINE_SHARE)
        even_c = even_c[np.abs(even_c - centre_c) > reach_c]
        fine_c.append(centre_c + steps * width_c)
    wanted_c = np.unique(np.concatenate([even_c, *fine_c]))
    knots = [low_c]
    for knot_c in wanted_c[(wanted_c > low_c) & (wanted_c < high_c)].tolist():
        if _any_between(temperature_c, knots[-1], knot_c):
            knots.append(knot_c)
    if len(knots) > 1 and not _any_between(temperature_c, knots[-1], high_c, closed=True):
        knots.pop()
    return (*knots, high_c)


def _any_between(temperature_c: Floats, low_c: float, high_c: float, *, closed: bool = False) -> bool:
    below = temperature_c <= high_c if closed else temperature_c < high_c
    return bool(np.any((temperature_c >= low_c) & below))
