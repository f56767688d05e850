"""Moments of an instrument's switched-on life, drawn for many instruments of its kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.job import Dwell, Use
from tcomp.units import DAYS_PER_YEAR, MINUTES_PER_HOUR

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
TRIMS = 10
"""Trims of which the life of each drawn instrument is made, where it is trimmed regularly."""
GRID = 2001
"""Temperatures that a use is made of: what depends on temperature is computed once for each."""


@dataclass(frozen=True, eq=False)
class Moments:
    """What holds at each moment; arrays of shape (units, moments).

    Attributes
    ----------
    range_c : (float, float)
        Where it is used. [degC]
    at : ndarray of int
        Which of the GRID temperatures of the range the board has.
    days : ndarray
        Since the last trim. [d]
    minutes_on : ndarray
        Since the instrument was switched on. [min]
    trim : ndarray of shape (moments,)
        Which of a unit's trims the moment lies behind.
    """

    range_c: tuple[float, float]
    at: Ints
    days: Floats
    minutes_on: Floats
    trim: Ints


def drawn_moments(
    use: Use,
    range_c: tuple[float, float],
    dwell: Sequence[Dwell],
    *,
    trimmed: bool,
    warm_after_minutes: float = 0.0,
    shape: tuple[int, int],
    rng: np.random.Generator,
) -> Moments:
    """Draw moments alike over the switched-on time; temperatures alike over the range, or as the instrument dwells.

    ``trimmed``: days run from 0 to recalibrate_days, else to the end of life_years.  ``warm_after_minutes``: moments before
    that, counted from switch-on, are left out.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> drawn = drawn_moments(Use(), (5.0, 40.0), (), trimmed=True, shape=(3, 100), rng=rng)
    >>> grid_c(drawn.range_c)[[drawn.at.min(), drawn.at.max()]].round().tolist(), bool(drawn.days.max() <= 365)
    ([5.0, 40.0], True)
    """
    at = _dwelt(rng.uniform(size=shape), range_c, dwell) if dwell else rng.integers(0, GRID, shape)
    return _moments_at(use, range_c, trimmed, warm_after_minutes, at, rng.uniform(size=shape), rng.uniform(size=shape))


def even_moments(
    use: Use, range_c: tuple[float, float], dwell: Sequence[Dwell], *, trimmed: bool, warm_after_minutes: float = 0.0
) -> Moments:
    """Moments of one instrument at which temperature, days and minutes each take all their values, as often as they should.

    What depends on one of the three has its mean over them without the chance of drawn moments; they rise together, so that
    what depends on two has not.
    """
    even = (np.arange(GRID)[np.newaxis] + 0.5) / GRID
    at = _dwelt(even, range_c, dwell) if dwell else np.arange(GRID)[np.newaxis]
    return _moments_at(use, range_c, trimmed, warm_after_minutes, at, even, even)


def _moments_at(
    use: Use,
    range_c: tuple[float, float],
    trimmed: bool,
    warm_after_minutes: float,
    at: Ints,
    days: Floats,
    minutes: Floats,
) -> Moments:
    """Moments by their temperature, and by the shares of the days and of the minutes that have passed. [1]"""
    most_days = use.recalibrate_days if trimmed else use.life_years * DAYS_PER_YEAR
    trims, most_minutes = TRIMS if trimmed else 1, MINUTES_PER_HOUR * use.hours_on_per_day
    return Moments(
        range_c=range_c,
        at=at,
        days=most_days * days,
        minutes_on=warm_after_minutes + max(0.0, most_minutes - warm_after_minutes) * minutes,
        trim=np.arange(at.shape[1]) * trims // at.shape[1],
    )


def grid_c(range_c: tuple[float, float]) -> Floats:
    """The temperatures of a use. [degC]"""
    return np.linspace(*range_c, GRID)


def _dwelt(below: Floats, range_c: tuple[float, float], dwell: Sequence[Dwell]) -> Ints:
    """Indices into the grid, by the share of the time that the instrument dwells at lower temperatures."""
    share = np.interp(grid_c(range_c), [one.c for one in dwell], [one.share for one in dwell])
    reached = np.cumsum(share) / share.sum() if share.any() else np.arange(1, GRID + 1) / GRID
    return np.searchsorted(reached, below, side="right").clip(max=GRID - 1)
