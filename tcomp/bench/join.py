"""Samples of several sources on one time: those of the others are interpolated to the rows' source."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from tcomp.bench.columns import Layout
from tcomp.bench.source import Reading

How = Literal["measured", "interpolated", "held", "none"]
"""measured: of this very moment; interpolated: between a sample before and one after; held: the last one, as none came
after it in time; none: no sample near enough."""
BRIDGED = 5.0
"""Intervals of a source that are interpolated over; a longer one is a gap (as `tcomp inspect` takes it)."""
LEAST_BRIDGED_S = 1.0
WAITED = 2.5
"""Intervals of another source for which a row waits for the sample after it."""
DIGITS = 6


@dataclass(frozen=True)
class Row:
    """A row of the log: the value of each column and how it came."""

    time_s: float
    values: tuple[float, ...]
    hows: tuple[How, ...]


@dataclass
class _Track:
    """The last samples of one source, and its usual interval. [s]"""

    kept: deque[Reading] = field(default_factory=deque)
    interval_s: float = math.nan

    def add(self, reading: Reading) -> None:
        if self.kept:
            step_s = reading.time_s - self.kept[-1].time_s
            # A smoothed interval that a gap does not spoil.
            usual = math.isnan(self.interval_s)
            self.interval_s = (
                step_s if usual else self.interval_s + 0.1 * (min(step_s, 3 * self.interval_s) - self.interval_s)
            )
        self.kept.append(reading)

    def forget_before(self, time_s: float) -> None:
        while len(self.kept) > 1 and self.kept[1].time_s <= time_s:
            self.kept.popleft()


class Join:
    """Rows at the samples of ``layout.rows_of``, in their order.

    Examples
    --------
    A counter reads midway between two temperatures:

    >>> from tcomp.bench.columns import Column
    >>> from pathlib import Path
    >>> columns = (Column("t", "temperature", "degC", "probe"), Column("f", "frequency", "Hz", "counter"))
    >>> join = Join(Layout(Path("log.csv"), "utc", columns, "counter", None), None)
    >>> for reading in (Reading("probe", 0.0, {"temperature": 20.0}), Reading("counter", 5.0, {"frequency": 10e6}),
    ...                 Reading("probe", 10.0, {"temperature": 21.0})):
    ...     join.add(reading)
    >>> [(row.time_s, row.values, row.hows) for row in join.rows(10.0)]
    [(5.0, (20.5, 10000000.0), ('interpolated', 'measured'))]
    """

    def __init__(self, layout: Layout, bridged_s: float | None) -> None:
        self._layout, self._bridged_s = layout, bridged_s
        self._tracks = {column.source: _Track() for column in layout.columns if column.source != layout.rows_of}
        self._waiting: deque[Reading] = deque()

    def add(self, reading: Reading) -> None:
        """Take a sample; those of sources that have no column are left aside."""
        if reading.source == self._layout.rows_of:
            self._waiting.append(reading)
        elif reading.source in self._tracks:
            self._tracks[reading.source].add(reading)

    def rows(self, now_s: float, *, last: bool = False) -> Iterator[Row]:
        """The rows that are complete, or can wait no longer; all of them at the last. [s]"""
        while self._waiting:
            first = self._waiting[0]
            for track in self._tracks.values():
                track.forget_before(first.time_s)
            if not last and any(self._should_wait(track, first.time_s, now_s) for track in self._tracks.values()):
                return
            self._waiting.popleft()
            yield self._row(first)

    def _reach_s(self, track: _Track) -> float:
        if self._bridged_s is not None:
            return self._bridged_s
        return math.inf if math.isnan(track.interval_s) else max(BRIDGED * track.interval_s, LEAST_BRIDGED_S)

    def _should_wait(self, track: _Track, time_s: float, now_s: float) -> bool:
        if track.kept and track.kept[-1].time_s >= time_s:
            return False
        usual_s = LEAST_BRIDGED_S if math.isnan(track.interval_s) else track.interval_s
        return now_s - time_s < max(WAITED * usual_s, LEAST_BRIDGED_S)

    def _row(self, first: Reading) -> Row:
        values, hows = [], []
        for column in self._layout.columns:
            how: How = "measured"
            if column.source == first.source:
                value = first.values[column.quantity]
            else:
                value, how = self._between(self._tracks[column.source], column.quantity, first.time_s)
            values.append(value)
            hows.append(how)
        return Row(first.time_s, tuple(values), tuple(hows))

    def _between(self, track: _Track, quantity: str, time_s: float) -> tuple[float, How]:
        before = [one for one in track.kept if one.time_s <= time_s][-1:]
        after = next((one for one in track.kept if one.time_s >= time_s), None)
        reach_s = self._reach_s(track)
        if before and after is not None and after.time_s - before[0].time_s <= reach_s:
            if after.time_s == time_s:
                return after.values[quantity], "measured"
            part = (time_s - before[0].time_s) / (after.time_s - before[0].time_s)
            low, high = before[0].values[quantity], after.values[quantity]
            return round(low + part * (high - low), DIGITS), "interpolated"
        if before and time_s - before[0].time_s <= reach_s / 2:
            return before[0].values[quantity], "held"
        return math.nan, "none"
