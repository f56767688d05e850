"""A clock's rows as readings of its time error, and the frequency of each day."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects import Effect, Exposure
from tcomp.estimation.samples import ClockRows, Samples
from tcomp.logs.clock_noise import Readings, Whitener
from tcomp.units import SECONDS_PER_DAY

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

KNOT_S, MOST_KNOTS = 5 * SECONDS_PER_DAY, 120
"""Between the points of time at which a slow wander is described, and their largest number."""
TOUCHING = 1e-3
"""Share of a row by which it may miss the end of the one before and still go on from there: round-off of times."""
FOLDS = 10
FEWEST_FOLDS = 3
MOST_PER_DAY = 0.5
"""Share of a day that must be measured for its mean to be a day's."""


@dataclass(frozen=True, eq=False)
class ClockLog:
    """Rows of all runs as readings of the clock's time error.

    Attributes
    ----------
    time_s : ndarray of shape (readings,)
        Times of the readings. [s]
    readings : Readings
        One more for each stretch than it has rows.
    end : ndarray of shape (rows,)
        The reading at the end of each row.
    """

    interval_s: Floats
    time_s: Floats
    readings: Readings
    end: Ints

    @classmethod
    def of(cls, samples: Samples, rows: ClockRows) -> ClockLog:
        """The readings at the ends of rows; a row that begins where the one before ends shares its reading."""
        start_s, end_s = samples.time_s - rows.interval_s / 2, samples.time_s + rows.interval_s / 2
        goes_on = np.abs(start_s[1:] - end_s[:-1]) < TOUCHING * rows.interval_s[1:]
        goes_on &= samples.run[1:] == samples.run[:-1]
        first = np.concatenate([[True], ~goes_on])
        end = np.arange(len(first)) + np.cumsum(first)
        count = int(end[-1]) + 1
        time_s, noise_ns, anew = np.empty(count), np.empty(count), np.zeros(count, dtype=bool)
        time_s[end], noise_ns[end] = end_s, rows.end_u_ns
        time_s[end[first] - 1], noise_ns[end[first] - 1] = start_s[first], rows.start_u_ns[first]
        anew[end[first] - 1] = True
        step_s = np.diff(time_s)
        # Between runs the clock may have been set; the wander goes on over any gap.
        return cls(rows.interval_s, time_s, Readings(np.maximum(step_s, 1e-6), anew[1:], noise_ns), end)

    def phase_ns(self, rows: Floats) -> Floats:
        """Rows of offsets, shape (rows, k), as time errors from 0 at each stretch's beginning, shape (readings, k). [ppb s]"""
        steps = np.zeros((len(self.readings.phase_ns), rows.shape[1]))
        steps[self.end] = rows * self.interval_s[:, None]
        total = np.cumsum(steps, axis=0)
        starts = np.flatnonzero(np.concatenate([[True], self.readings.anew]))
        stretch = np.cumsum(np.concatenate([[0], self.readings.anew]))
        return np.asarray(total - total[starts][stretch])

    def whitened(self, whitener: Whitener, rows: Floats) -> Floats:
        """Rows of offsets whitened by the clock's noise, of the same shape. [1]"""
        return whitener.rows(self.phase_ns(rows))[self.end - 1]


@dataclass(frozen=True, eq=False)
class Days:
    """Daily frequencies, each the slope of a straight line through the day's phase, stretches with levels of their own.

    A slope takes all of a day's events, where the difference of the first and the last would have the noise of two.
    """

    log: ClockLog
    day: Ints
    """Of each reading, counted over the days that have any."""
    lever_s: Floats
    """Weight of each reading in its day's slope. [1/s]"""
    timing_ppb: Floats
    """Standard deviation of each day's slope by white phase noise."""
    counted: Mask
    """Days of which enough was measured."""
    fold: Ints
    """Of each day: blocks of neighbours."""

    @classmethod
    def of(cls, log: ClockLog) -> Days:
        _, day = np.unique(np.floor(log.time_s / SECONDS_PER_DAY).astype(np.int64), return_inverse=True)
        stretch = np.cumsum(np.concatenate([[0], log.readings.anew]))
        piece = np.cumsum(np.concatenate([[0], (np.diff(day) != 0) | (np.diff(stretch) != 0)]))
        first = np.flatnonzero(np.diff(piece, prepend=-1))
        weight = 1.0 / log.readings.phase_ns**2
        since_s = log.time_s - log.time_s[first][piece]
        middle_s = np.bincount(piece, weight * since_s) / np.bincount(piece, weight)
        away_s = since_s - middle_s[piece]
        squares = np.bincount(day, weight * away_s**2)
        measured_s = np.bincount(day[first], np.maximum.reduceat(since_s, first))
        counted = (measured_s >= MOST_PER_DAY * SECONDS_PER_DAY) & (squares > 0)
        squares = np.where(squares > 0, squares, np.inf)
        folds = int(np.clip(counted.sum() // 3, FEWEST_FOLDS, FOLDS))
        place = np.cumsum(counted) - 1
        fold = np.clip(place, 0, None) * folds // max(int(counted.sum()), 1)
        return cls(log, day, weight * away_s / squares[day], 1.0 / np.sqrt(squares), counted, fold)

    def slopes(self, rows: Floats) -> Floats:
        """Daily frequencies of rows of offsets, shape (days, k). [ppb]"""
        return np.column_stack([np.bincount(self.day, self.lever_s * one) for one in self.log.phase_ns(rows).T])

    @property
    def of_row(self) -> Ints:
        """The day of each row: that of its end."""
        return self.day[self.log.end]


@dataclass(frozen=True)
class SlowWander(Effect):
    """A frequency that wanders over weeks, straight between points of time, as a Gauss-Markov process at these.

    It is no finding: it stands in the fit so that what it may do to curve and drift is in their uncertainties.

    Attributes
    ----------
    knots_s : tuple of float
        [s]
    sd_ppb, memory_s : float
        Standard deviation [ppb] and time constant [s] of the process.
    """

    name: ClassVar[str] = "slow wander"
    unit: ClassVar[str] = "ppb"

    knots_s: tuple[float, ...]
    sd_ppb: float = 1.0
    memory_s: float = 10 * SECONDS_PER_DAY

    @classmethod
    def over(cls, time_s: Floats) -> SlowWander:
        """For a log of these times."""
        span_s = float(np.ptp(time_s))
        count = int(np.clip(np.ceil(span_s / KNOT_S), 1, MOST_KNOTS)) + 1
        return cls(tuple(np.linspace(time_s.min(), time_s.max(), count).tolist()))

    @property
    def finding_names(self) -> tuple[str, ...]:
        """None."""
        return ()

    @property
    def reported(self) -> tuple[str, ...]:
        """None."""
        return ()

    @property
    def size(self) -> int:
        """One column for each point."""
        return len(self.knots_s)

    def columns(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """Hat functions: 1 at a point, 0 at the others."""
        own = np.array(self.knots_s)
        place = np.interp(exposure.time_s, own, np.arange(own.size))
        return np.asarray(np.maximum(1.0 - np.abs(place[:, None] - np.arange(own.size)), 0.0))

    def covariance(self) -> Floats:
        """Of the values at the points, shape (size, size). [ppb^2]"""
        own = np.array(self.knots_s)
        apart = np.abs(own[:, None] - own)
        return np.asarray(self.sd_ppb**2 * (np.exp(-apart / self.memory_s) + 1e-9 * np.eye(own.size)))
