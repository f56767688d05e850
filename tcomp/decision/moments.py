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
    days = use.recalibrate_days if trimmed else use.life_years * DAYS_PER_YEAR
    trims, minutes = TRIMS if trimmed else 1, MINUTES_PER_HOUR * use.hours_on_per_day
    return Moments(
        range_c=range_c,
        at=_drawn_temperatures(rng, shape, range_c, dwell),
        days=days * rng.uniform(size=shape),
        minutes_on=warm_after_minutes + max(0.0, minutes - warm_after_minutes) * rng.uniform(size=shape),
        trim=np.arange(shape[1]) * trims // shape[1],
    )


def grid_c(range_c: tuple[float, float]) -> Floats:
    """The temperatures of a use. [degC]"""
    return np.linspace(*range_c, GRID)


def _drawn_temperatures(
    rng: np.random.Generator, shape: tuple[int, int], range_c: tuple[float, float], dwell: Sequence[Dwell]
) -> Ints:
    """Indices into the grid, each as often as its share of the time."""
    if not dwell:
        return rng.integers(0, GRID, shape)
    share = np.interp(grid_c(range_c), [one.c for one in dwell], [one.share for one in dwell])
    below = np.cumsum(share) / share.sum() if share.any() else np.arange(1, GRID + 1) / GRID
    return np.searchsorted(below, rng.uniform(size=shape), side="right").clip(max=GRID - 1)
