"""Temperatures of a second log, with times of its own clock, interpolated at the times of the log with the offsets.

Temperatures are interpolated between neighbours in time, never across a gap.

Examples
--------
>>> series = TemperatureSeries("box.csv", np.array([0.0, 60.0, 120.0, 900.0]), np.array([20.0, 21.0, 22.0, 30.0]), "clock", ())
>>> series.at_c(np.array([30.0, 90.0, 500.0, 1000.0])).tolist()
[20.5, 21.5, nan, nan]

The same readings, by a clock that is 30 s behind:

>>> series.later_by(30.0).at_c(np.array([60.0])).tolist()
[20.5]
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import RunError
from tcomp.job import RunLog, Sensor
from tcomp.logs.cleaning import longest_increasing
from tcomp.logs.columns import LogColumns
from tcomp.logs.neighbours import quantum_of, segments_of
from tcomp.logs.record import TimeKind
from tcomp.logs.temperatures import sensor_warnings, temperature_c_of
from tcomp.logs.times import Unwrapper, is_newest_first, times_of, wrap_remark

SHORTEST_LAG_S = 0.1
"""A shorter lag is taken as none. [s]"""


@dataclass(frozen=True, eq=False)
class TemperatureSeries:
    """Temperatures of a second log, at increasing times. [s, degC]"""

    name: str
    time_s: FloatArray
    temperature_c: FloatArray
    time_kind: TimeKind
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...] = ()

    def later_by(self, offset_s: float) -> TemperatureSeries:
        """The same series with an offset added to its times."""
        return replace(self, time_s=self.time_s + offset_s)

    def at_c(self, time_s: FloatArray) -> FloatArray:
        """Temperatures at times of shape (n,); NaN before the first, after the last, and in a gap. [degC]"""
        behind = np.searchsorted(self.time_s, time_s, side="left")
        last = len(self.time_s) - 1
        covered = np.isfinite(time_s) & (time_s >= self.time_s[0]) & (time_s <= self.time_s[-1])
        right = np.clip(behind, 0, last)
        left = np.where(self.time_s[right] == time_s, right, np.clip(behind - 1, 0, last))
        segment = segments_of(self.time_s)
        inside = covered & (segment[left] == segment[right])
        return np.where(inside, np.interp(time_s, self.time_s, self.temperature_c), np.nan)

    def mean_c(self, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
        """Mean temperatures between pairs of times; NaN where an end has none, or a gap lies between. [degC]"""
        steps = np.diff(self.time_s) * (self.temperature_c[1:] + self.temperature_c[:-1]) / 2
        whole = np.concatenate([[0.0], np.cumsum(steps)])
        segment = segments_of(self.time_s)

        def integral(time_s: FloatArray) -> FloatArray:
            at = np.clip(np.searchsorted(self.time_s, time_s, side="right") - 1, 0, len(self.time_s) - 1)
            part_s = time_s - self.time_s[at]
            return np.asarray(whole[at] + part_s * (self.temperature_c[at] + self.at_c(time_s)) / 2)

        first, last = (np.clip(np.searchsorted(self.time_s, t, "right") - 1, 0, None) for t in (start_s, end_s))
        with np.errstate(all="ignore"):
            mean = (integral(end_s) - integral(start_s)) / (end_s - start_s)
        return np.where((end_s > start_s) & (segment[first] == segment[last]), mean, np.nan)

    def lagged(self, lag_s: float) -> TemperatureSeries:
        """The temperatures after a first-order lag, which restarts behind a gap."""
        if lag_s < SHORTEST_LAG_S:
            return self
        found = np.empty_like(self.temperature_c)
        starts = np.flatnonzero(np.diff(segments_of(self.time_s), prepend=-1))
        for start, stop in zip(starts, [*starts[1:], len(found)], strict=True):
            found[start:stop] = _first_order(self.time_s[start:stop], self.temperature_c[start:stop], lag_s)
        return replace(self, temperature_c=found)

    @property
    def quantum_c(self) -> float:
        """The step of the temperatures, 0 if none is visible. [degC]"""
        return quantum_of(self.temperature_c)


Columns = Callable[[RunLog], LogColumns]


def read_temperatures(log: RunLog, sensor: Sensor, columns_of: Columns) -> TemperatureSeries:
    """Read the temperatures of the second log that a [[run]] block names.

    Raises
    ------
    RunError
        It cannot be read or understood, or holds fewer than two temperatures.
    """
    assert log.temperature_file is not None
    second = RunLog(
        log.temperature_file, log.temperature, log.temperature_time, log.temperature_time_format, missing=log.missing
    )
    columns = columns_of(second)
    if not len(columns.line):
        raise RunError(f"{second.file}: holds no rows; expected one row for each temperature")
    times = times_of(columns, second)
    clock = Unwrapper(times.wrap_s, loose=times.has_no_date)
    temperature_c = temperature_c_of(columns, second, sensor)
    time_s = times.seconds
    assumptions = (*columns.assumptions, *times.assumptions)
    if is_newest_first(time_s):
        time_s, temperature_c = time_s[::-1], temperature_c[::-1]
        assumptions = (*assumptions, "The newest row comes first, so the log was reversed.")
    time_s = clock.follow(time_s)
    if clock.first is not None:
        assumptions = (*assumptions, f"{wrap_remark(times)}.")
    warnings = (*times.warnings, *sensor_warnings(temperature_c, sensor, log.temperature))
    known = np.isfinite(time_s) & np.isfinite(temperature_c)
    time_s, temperature_c = time_s[known], temperature_c[known]
    kept = longest_increasing(time_s)
    if int(kept.sum()) < 2:
        raise RunError(
            f"{second.file}: holds fewer than two temperatures with increasing times; check temperature_time"
        )
    if kept.sum() < len(kept):
        assumptions = (*assumptions, f"{len(kept) - int(kept.sum())} rows whose time does not advance are left out.")
    name = second.file.name
    return TemperatureSeries(
        name, time_s[kept], temperature_c[kept], times.kind, tuple(f"{name}: {one}" for one in assumptions),
        tuple(f"{name}: {one}" for one in warnings),
    )  # fmt: skip


def _first_order(time_s: FloatArray, temperature_c: FloatArray, lag_s: float) -> FloatArray:
    """The exact response of a first-order lag to a record that is linear between its times, on their median interval."""
    from scipy.signal import lfilter

    if len(time_s) < 2:
        return temperature_c
    step_s = float(np.median(np.diff(time_s)))
    even_s = np.arange(time_s[0], time_s[-1] + step_s, step_s)
    x = np.interp(even_s, time_s, temperature_c)
    ratio = step_s / lag_s
    decay = float(np.exp(-ratio))
    share = -float(np.expm1(-ratio)) / ratio
    now, before = 1.0 - share, share - decay
    y, _ = lfilter([now, before], [1.0, -decay], x, zi=[x[0] * (1.0 - now)])
    return np.interp(time_s, even_s, y)
