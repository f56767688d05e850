"""Moments of an instrument's switched-on life, drawn for many instruments of its kind."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.job import TemperatureWeight, Use
from tcomp.units import DAYS_PER_YEAR, MINUTES_PER_HOUR

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
TRIMS = 10
"""Trims of which the life of each drawn instrument is made, where it is trimmed regularly."""
GRID = 2001
"""Temperatures that a use is made of: what depends on temperature is computed once for each."""


@dataclass(frozen=True, eq=False)
class OperatingPoints:
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
    age_days : ndarray
        From the build to the last trim. [d]
    """

    range_c: tuple[float, float]
    at: Ints
    days: Floats
    minutes_on: Floats
    trim: Ints
    age_days: Floats


@dataclass(frozen=True)
class Service:
    """How an instrument is used, as far as its error depends on it.

    Attributes
    ----------
    use : Use
        The job's.
    range_c : (float, float)
        Temperatures of the board. [degC]
    dwell : sequence of TemperatureWeight
        Share of the time around each temperature; none: the temperature swings over the range as a sine does.
    trimmed : bool
        Whether it is trimmed every ``recalibrate_days``, or once for its life.
    wait_minutes : float
        From switch-on to the first reading. [min]
    """

    use: Use
    range_c: tuple[float, float]
    dwell: Sequence[TemperatureWeight] = ()
    trimmed: bool = True
    wait_minutes: float = 0.0

    @property
    def last_day(self) -> float:
        """The last day before the next trim, or of the life. [d]"""
        life_days = self.use.life_years * DAYS_PER_YEAR
        return self.use.recalibrate_days if self.trimmed else life_days

    def drawn(self, shape: tuple[int, int], rng: np.random.Generator, day: float | None = None) -> OperatingPoints:
        """Moments drawn alike over the time that is read at; ``day``: all of them so many days after the trim.

        Examples
        --------
        A sine is at its ends more often than in its middle: half of the time outside of the middle 71 % of its range.

        >>> found = Service(Use(), (0.0, 50.0)).drawn((1, 10_000), np.random.default_rng(1))
        >>> round(float(np.mean(np.abs(grid_c((0.0, 50.0))[found.at] - 25.0) > 25.0 * 0.7071)), 2)
        0.5
        """
        uniform = [rng.uniform(size=shape) for _ in range(4)]
        return self._moments(uniform[0], uniform[1], uniform[2], uniform[3], day)

    def even(self, day: float | None = None) -> OperatingPoints:
        """Moments of one instrument at which temperature, days and minutes each take all their values, as often as they should.

        What depends on one of the three has its mean over them without the chance of drawn moments; they rise together, so that
        what depends on two has not.
        """
        even = (np.arange(GRID)[np.newaxis] + 0.5) / GRID
        return self._moments(even, even, even, even, day)

    def _moments(
        self, temperatures: Floats, days: Floats, minutes: Floats, ages: Floats, day: float | None
    ) -> OperatingPoints:
        """Moments by the shares of their time that have passed. [1]"""
        use, count = self.use, temperatures.shape[1]
        on_minutes = MINUTES_PER_HOUR * use.hours_on_per_day
        trims = np.arange(count) * (TRIMS if self.trimmed else 1) // count
        last_trim_days = max(0.0, use.life_years * DAYS_PER_YEAR - use.recalibrate_days) if self.trimmed else 0.0
        # Of one moment per instrument the trims are drawn, of many they follow each other.
        passed = trims[np.newaxis] / max(TRIMS - 1, 1) + np.zeros_like(ages) if count > 1 else ages
        return OperatingPoints(
            range_c=self.range_c,
            at=self._at(temperatures),
            days=self.last_day * days if day is None else np.full_like(days, day),
            minutes_on=self.wait_minutes + max(0.0, on_minutes - self.wait_minutes) * minutes,
            trim=trims,
            age_days=last_trim_days * passed,
        )

    def _at(self, below: Floats) -> Ints:
        """Indices into the grid, by the share of the time that the instrument spends at lower temperatures."""
        if not self.dwell:
            return np.rint((GRID - 1) * (1 - np.cos(math.pi * below)) / 2).astype(np.int64)
        share = np.interp(grid_c(self.range_c), [one.c for one in self.dwell], [one.share for one in self.dwell])
        reached = np.cumsum(share) / share.sum() if share.any() else np.arange(1, GRID + 1) / GRID
        return np.searchsorted(reached, below, side="right").clip(max=GRID - 1)


def grid_c(range_c: tuple[float, float]) -> Floats:
    """The temperatures of a use. [degC]"""
    return np.linspace(*range_c, GRID)
