"""The offset to take off a reading, with its uncertainty, for temperatures that come in batches."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tcomp.decision.crystal_filter import CrystalFilter
from tcomp.decision.subject import Subject

Floats = NDArray[np.float64]

STATES = ("ok", "after a start", "outside range", "no reading", "no time", "no temperature")
"""What is to be said of a row; a later word outweighs an earlier one."""
OK, AFTER_A_START, OUTSIDE, NO_READING, NO_TIME, NO_TEMPERATURE = range(len(STATES))

GRID = 4097
"""Temperatures at which uncertainty and slope are taken; straight between them."""
FINE = 2**16 + 1
"""Temperatures at which the curve is: over 80 degC a straight line between them is 6e-6 ppb off where a crystal bends by
30 ppb/degC**2, and 1e-4 ppb in a narrow dip."""
COARSE = 64
"""Intervals over which the slope of a table alone is taken."""


class Drift(Protocol):
    """How the base has moved since it was stated."""

    def moved(self, time_s: Floats) -> tuple[Floats, Floats]:
        """By how much, and with what standard uncertainty. [ppb]"""


@dataclass(frozen=True, eq=False)
class Offsets:
    """Offset and standard uncertainty of each row, NaN where unknown, and its state; shape (n,). [ppb]"""

    offset_ppb: Floats
    u_ppb: Floats
    state: NDArray[np.int8]


class Corrector:
    """Gives the offsets of a log, batch after batch.

    The variance is the sum of those of the curve (its covariance and the reference), of the table (rectangular, JCGM
    100:2008 4.3.7), of the lag (slope times rate times the time constant's uncertainty), of the sensor's reading
    (slope times its uncertainty), and of the drift.  Beyond the range the offset of its end is held, and its
    uncertainty is not known.

    Parameters
    ----------
    subject : Subject
        The curve, or table with its curve.
    sensor_u_c : float, default=0.0
        Standard uncertainty of a reading of the sensor. [degC]
    drift : Drift, default=None
        How the base has moved; None: it has not.
    timed : bool, default=True
        False: the readings have no time, so that the crystal is taken to be as warm as its sensor.

    Examples
    --------
    A table that says +1000 ppb everywhere, within 1.73 ppb:

    >>> from tcomp.table import StepTable, TemperatureScale
    >>> table = StepTable(
    ...     scale=TemperatureScale(16), low_code=0, high_code=512, first_code=0, step_log2=9, entry_bits=16,
    ...     unit_log2_ppt=6, interpolation="linear", entries=(15625, 15625), max_error_ppb=1.7320508, rms_error_ppb=1.0)
    >>> found = Corrector(Subject(None, table)).offsets(np.zeros(2), np.array([20.0, 40.0]))
    >>> found.offset_ppb.tolist(), found.u_ppb.round(3).tolist(), [STATES[one] for one in found.state]
    ([1000.0, 1000.0], [1.0, nan], ['ok', 'outside range'])
    """

    def __init__(
        self, subject: Subject, *, sensor_u_c: float = 0.0, drift: Drift | None = None, timed: bool = True
    ) -> None:
        self.subject, self._drift = subject, drift
        self._filter = CrystalFilter(subject.lags_s if timed else ())
        low_c, high_c = subject.range_c
        self._grid_c = np.linspace(low_c, high_c, GRID)
        curve, table = subject.curve, subject.table
        constant = 0.0 if table is None else table.max_error_ppb**2 / 3
        of_curve = 0.0 if curve is None else curve.uncertainty_ppb(self._grid_c) ** 2
        slope = self._slope_ppb_per_c()
        self._variance = of_curve + constant + (slope * sensor_u_c) ** 2
        self._lag_variance = (slope * self._relative_lag_u()) ** 2
        # Read once, at so many temperatures that a straight line between them is the curve to 1e-4 ppb: the same time for
        # every kind of curve.  Of a table at its own codes.
        at_c = np.linspace(low_c, high_c, FINE) if table is None else np.sort(table.temperature_of(table.codes))
        self._shape = at_c, subject.shape_ppb(at_c)

    def _slope_ppb_per_c(self) -> Floats:
        """On the grid; of a table alone from point to point so far apart that its steps do not show."""
        if self.subject.curve is not None:
            return self.subject.curve.slope_ppb_per_c(self._grid_c)
        apart_c = self._grid_c[:: GRID // COARSE]
        return np.interp(self._grid_c, apart_c, np.gradient(self.subject.shape_ppb(apart_c), apart_c))

    def _relative_lag_u(self) -> float:
        """Of all time constants together, against their sum."""
        curve, total_s = self.subject.curve, sum(self.subject.lags_s)
        if curve is None or total_s == 0:
            return 0.0
        us = [one.uncertainty for one in curve.effects if one.unit == "s" and one.value and one.uncertainty > 0]
        return math.hypot(*us) / abs(total_s)

    def offsets(self, time_s: Floats, sensor_c: Floats, ahead: tuple[Floats, Floats] | None = None) -> Offsets:
        """Offsets of a batch that follows the last one.

        Parameters
        ----------
        time_s, sensor_c : ndarray of shape (n,)
            NaN where missing. [s] [degC]
        ahead : tuple of ndarray, default=None
            Times and temperatures of the next batch.
        """
        sensor_c = np.where(np.isfinite(sensor_c), sensor_c, np.nan)
        crystal_c, settled = self._filter.follow(time_s, sensor_c, ahead)
        low_c, high_c = self.subject.range_c
        held_c = np.clip(crystal_c, low_c, high_c)
        offset_ppb = np.interp(held_c, *self._shape)
        variance = np.interp(held_c, self._grid_c, self._variance)
        # Sensor minus crystal is the time constant times the crystal's rate: the filter's own equation.
        variance += np.interp(held_c, self._grid_c, self._lag_variance) * (sensor_c - crystal_c) ** 2
        if self._drift is not None:
            moved_ppb, u_ppb = self._drift.moved(time_s)
            offset_ppb, variance = offset_ppb + moved_ppb, variance + u_ppb**2
        outside = (crystal_c < low_c) | (crystal_c > high_c)
        state = np.where(settled, OK, AFTER_A_START).astype(np.int8)
        state[outside] = OUTSIDE
        state[np.isnan(offset_ppb)] = NO_TIME
        state[np.isnan(sensor_c) | (np.isfinite(time_s) & np.isnan(crystal_c))] = NO_TEMPERATURE
        return Offsets(offset_ppb, np.where(outside, np.nan, np.sqrt(variance)), state)
