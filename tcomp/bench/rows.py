"""The rows of the log: its columns, and samples of several sources joined to the times of one of them."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from tcomp.bench.instruments import Reading
from tcomp.bench.line import LOG_UNITS
from tcomp.errors import JobError
from tcomp.job import Job, RunLog, Source
from tcomp.job.keys import to_toml
from tcomp.job.recording import UNITS

NAMES = {
    "degC": "temperature_c",
    "ohm": "temperature_ohm",
    "code": "temperature_code",
    "Hz": "frequency_hz",
    "ppb": "offset_ppb",
}


@dataclass(frozen=True)
class LogColumn:
    """A column of the log: its name, quantity, unit and source."""

    name: str
    quantity: str
    unit: str
    source: str


@dataclass(frozen=True)
class LogLayout:
    """Columns of the log; there is a row for each sample of one source."""

    path: Path
    time: str
    columns: tuple[LogColumn, ...]
    rows_of: str
    run: RunLog | None
    """The [[run]] block of the job that names this log, if it has one."""

    @property
    def joined(self) -> bool:
        """Whether there is more than one source, so that values are interpolated."""
        return len({column.source for column in self.columns}) > 1

    @property
    def header(self) -> str:
        """The line of headings; a value that may be interpolated has a second column, which says so."""
        names = [self.time]
        for column in self.columns:
            names += [column.name] if column.source == self.rows_of else [column.name, f"{column.name}_how"]
        return ",".join(names)

    def column_of(self, quantity: str) -> LogColumn | None:
        """The column of a quantity."""
        return next((column for column in self.columns if column.quantity == quantity), None)

    def run_block(self, role: str = "oscillator") -> str:
        """The [[run]] block with which `tcomp inspect` and `tcomp build` read the log."""
        lines = ["[[run]]", f"file = {to_toml(self.path.name)}", f"time = {to_toml(self.time)}"]
        for column in self.columns:
            lines.append(f"{column.quantity} = {to_toml(column.name)}")
            lines += ['offset_unit = "ppb"'] if column.quantity == "offset" else []
        return "\n".join([*lines, f"role = {to_toml(role)}"])


def log_layout(job: Job) -> LogLayout:
    """The columns of the log of a job.

    Raises
    ------
    JobError
        The sources give no temperature, or neither a frequency nor an offset; or what is logged does not fit the job.
    """
    where = job.location("source", "gives")
    gives = {quantity: source for source in job.sources for quantity in source.gives}
    if "temperature" not in gives or not {"frequency", "offset"} & set(gives):
        raise JobError(
            f"{where}: the sources give {', '.join(gives) or 'nothing'}; a log needs [[source]] blocks that give a temperature, "
            "and a frequency or an offset; `tcomp log --example` prints a job that has them"
        )
    if "frequency" in gives and job.oscillator.nominal_hz is None:
        raise JobError(f"{job.path}: a source of the frequency needs [oscillator] nominal_hz")
    path = job.path.parent / (job.log.file or f"{job.path.stem}.log.csv")
    run = next((run for run in job.runs if run.file.resolve() == path.resolve()), None)
    quantities = [name for name in ("temperature", "frequency", "offset") if name in gives]
    columns = tuple(_column(quantity, gives[quantity], run) for quantity in quantities)
    _check_sensor(job, columns[0])
    time = run.time if run is not None and isinstance(run.time, str) else "utc"
    return LogLayout(path, time, columns, job.log.rows_of or gives[quantities[1]].name, run)


def _column(quantity: str, source: Source, run: RunLog | None) -> LogColumn:
    given = source.unit[source.gives.index(quantity)] if source.unit else UNITS[quantity][0]
    unit = LOG_UNITS[given]
    named = getattr(run, quantity, None)
    return LogColumn(named if isinstance(named, str) else NAMES[unit], quantity, unit, source.name)


def _check_sensor(job: Job, column: LogColumn) -> None:
    kind, resistive = job.sensor.kind, job.sensor.kind in ("pt100", "pt1000", "ntc")
    holds = "degC" if kind == "celsius" else "ohm" if resistive and job.sensor.divider is None else "code"
    if column.unit != holds and not (kind == "linear" and column.unit == "ohm"):
        raise JobError(
            f'{job.location("sensor", "kind")}: [sensor] kind = "{kind}" takes {holds}, and source {column.source} gives '
            f"{column.unit}; make unit and [sensor] agree"
        )


Origin = Literal["measured", "interpolated", "held", "none"]
"""measured: at this very time; interpolated: between a sample before and one after; held: the last one, as none came
after it in time; none: no sample near enough."""
MAX_BRIDGED = 5.0
"""Intervals of a source over which is interpolated; a longer step is a gap (as `tcomp inspect` defines it)."""
MIN_BRIDGED_S = 1.0
MAX_WAITED = 2.5
"""Intervals of another source for which a row waits for its next sample."""
DIGITS = 6


@dataclass(frozen=True)
class LogRow:
    """A row of the log: the value of each column and where it comes from."""

    time_s: float
    values: tuple[float, ...]
    origins: tuple[Origin, ...]


@dataclass
class _Track:
    """The last samples of one source, and its usual interval. [s]"""

    kept: deque[Reading] = field(default_factory=deque)
    interval_s: float = math.nan

    def add(self, reading: Reading) -> None:
        if self.kept:
            step_s = reading.time_s - self.kept[-1].time_s
            # Smoothed, so that a gap changes it little.
            is_first = math.isnan(self.interval_s)
            self.interval_s = (
                step_s if is_first else self.interval_s + 0.1 * (min(step_s, 3 * self.interval_s) - self.interval_s)
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

    >>> from tcomp.bench.rows import LogColumn
    >>> from pathlib import Path
    >>> columns = (LogColumn("t", "temperature", "degC", "probe"), LogColumn("f", "frequency", "Hz", "counter"))
    >>> join = Join(LogLayout(Path("log.csv"), "utc", columns, "counter", None), None)
    >>> for reading in (Reading("probe", 0.0, {"temperature": 20.0}), Reading("counter", 5.0, {"frequency": 10e6}),
    ...                 Reading("probe", 10.0, {"temperature": 21.0})):
    ...     join.add(reading)
    >>> [(row.time_s, row.values, row.origins) for row in join.rows(10.0)]
    [(5.0, (20.5, 10000000.0), ('interpolated', 'measured'))]
    """

    def __init__(self, layout: LogLayout, bridged_s: float | None) -> None:
        self._layout, self._bridged_s = layout, bridged_s
        self._tracks = {column.source: _Track() for column in layout.columns if column.source != layout.rows_of}
        self._waiting: deque[Reading] = deque()

    def add(self, reading: Reading) -> None:
        """Add a sample; those of sources without a column are ignored."""
        if reading.source == self._layout.rows_of:
            self._waiting.append(reading)
        elif reading.source in self._tracks:
            self._tracks[reading.source].add(reading)

    def rows(self, now_s: float, *, last: bool = False) -> Iterator[LogRow]:
        """The rows that are complete, or have waited long enough; at the ``last`` all of them. [s]"""
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
        return math.inf if math.isnan(track.interval_s) else max(MAX_BRIDGED * track.interval_s, MIN_BRIDGED_S)

    def _should_wait(self, track: _Track, time_s: float, now_s: float) -> bool:
        if track.kept and track.kept[-1].time_s >= time_s:
            return False
        usual_s = MIN_BRIDGED_S if math.isnan(track.interval_s) else track.interval_s
        return now_s - time_s < max(MAX_WAITED * usual_s, MIN_BRIDGED_S)

    def _row(self, first: Reading) -> LogRow:
        values, origins = [], []
        for column in self._layout.columns:
            how: Origin = "measured"
            if column.source == first.source:
                value = first.values[column.quantity]
            else:
                value, how = self._between(self._tracks[column.source], column.quantity, first.time_s)
            values.append(value)
            origins.append(how)
        return LogRow(first.time_s, tuple(values), tuple(origins))

    def _between(self, track: _Track, quantity: str, time_s: float) -> tuple[float, Origin]:
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
