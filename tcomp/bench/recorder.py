"""A run is recorded: samples in, rows out, faults survived, counted and told."""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Any, Protocol

from tcomp.bench.clock import stamp
from tcomp.bench.columns import Layout
from tcomp.bench.events import Event, What
from tcomp.bench.feed import Arrival, Feed
from tcomp.bench.join import Join, Row
from tcomp.bench.log_file import LogFile
from tcomp.bench.source import LATE_TIMES, Fault, Reading
from tcomp.bench.watch import Watch
from tcomp.errors import BenchError
from tcomp.job import Job, Source, header
from tcomp.job.written import written
from tcomp.units import offset_ppb_of_frequency

MOST_HEAD = 150
"""Lines of the job that the head of a log shows; readers look for its headings among the first 200."""
NOTED = 20
"""Faults of a kind and source that are written into the log in full; later ones are counted, and each hundredth noted."""
FARTHEST_PPB = 1_000_000.0
"""No crystal is a thousandth off its nominal frequency: such a reading is in another unit, or a broken line."""
COLDEST_C, HOTTEST_C = -200.0, 400.0
LOOK_S = 1.0
WAIT_S = 0.05
MOST_TRIED = 5
"""Lines that are of no use after which a source is said not to work, at the start."""


class Clock(Protocol):
    """The log's clock."""

    def now_s(self) -> float:
        """UTC as Unix time. [s]"""

    def step_s(self) -> float:
        """By how much the wall clock was set since the last look. [s]"""


def identity(job: Job) -> str:
    """Whose log it is, in a line that a log of another job does not have."""
    nominal = f", {job.oscillator.nominal_hz:.15g} Hz" if job.oscillator.nominal_hz else ""
    sources = "; ".join(f"{source.name}: {', '.join(source.gives)}" for source in job.sources)
    return f"of {job.oscillator.name}{nominal}; {sources}"


def about(job: Job, start_s: float) -> list[str]:
    """The head of a log: what the job says of the oscillator, the reference, the sensor and the sources."""
    lines = [
        identity(job),
        f"times are UTC, stamped on arrival; the clock was set by the wall clock at {stamp(start_s)} and runs on evenly",
        "lines that begin with #. are samples as they came, #? what gave none, #! events",
    ]
    named: list[tuple[str, Any]] = [(name, getattr(job, name)) for name in ("oscillator", "reference", "sensor", "log")]
    for name, section in [*named, *(("source", source) for source in job.sources)]:
        given = [item.name for item in fields(section) if getattr(section, item.name) != item.default]
        lines += [header(name), *(f"{item} = {written(getattr(section, item))}" for item in given)] if given else []
    return lines[:MOST_HEAD]


@dataclass(frozen=True)
class Outcome:
    """How a run ended."""

    reason: str
    rows: int
    lost_lines: int
    faults: dict[str, int]
    held: bool
    """Whether all that was to be kept is kept."""


def _patience_s(source: Source) -> float:
    """How long the first sample is waited for: half a second more than its own verdict takes. [s]"""
    return source.timeout_s * (LATE_TIMES if source.ask is not None else 1.0) + source.period_s + 0.5


class Recorder:
    """One run, from the first sample to the end.

    ``tell`` is called with each event, ``look`` a few times a second with the state of the run.
    """

    def __init__(self, job: Job, layout: Layout, feed: Feed, clock: Clock, tell: Callable[[Event], None]) -> None:
        self.job, self.layout, self.feed, self.clock = job, layout, feed, clock
        self.watch = Watch(job, layout)
        self.log: LogFile | None = None
        self._tell = tell
        self._join = Join(layout, job.log.join_s)
        self._noted: Counter[tuple[str, str]] = Counter()
        self._raw = layout.joined
        self._trouble = ""
        self._looked_s = -math.inf
        self._started_s = math.nan

    def begin(self, stop: Callable[[], bool] = lambda: False) -> None:
        """Open the sources, wait for the first sample of each, and only then begin or go on with the file.

        Raises
        ------
        BenchError
            A source cannot be opened or gives no sample, or the file cannot be used; nothing was written.
        """
        self.feed.open()
        try:
            early = self._first_arrivals(stop)
            self._started_s = early[0].time_s if early else self.clock.now_s()
            log = LogFile(self.layout.path, about(self.job, self._started_s), self.layout.header, self.job.log.sync_s)
            log.open()
        except BaseException:
            self.feed.close()
            raise
        self.log = log
        if log.last_row_s is not None:
            gap_s = self._started_s - log.last_row_s
            self.event("gap", f"started again; {gap_s:.0f} s without rows since {stamp(log.last_row_s)}")
            if gap_s < 0:
                self.event(
                    "fault",
                    "the wall clock is behind the last row: rows will overlap; check the clock, or begin a new log",
                )
        else:
            self.event("start", f"{self.layout.path.name}, {identity(self.job)}")
        for arrival in early:
            self.take(arrival)

    def _first_arrivals(self, stop: Callable[[], bool]) -> list[Arrival]:
        """What came until each source has given a sample; nobody waits two days for a cable that is not there."""
        early: list[Arrival] = []
        missing = {source.name: _patience_s(source) for source in self.job.sources}
        began_s = time.monotonic()
        while missing and not stop():
            for arrival in map(self._plausible, self.feed.take(WAIT_S)):
                early.append(arrival)
                if isinstance(arrival, Reading):
                    missing.pop(arrival.source, None)
            for name, patience_s in missing.items():
                faults = [one for one in early if isinstance(one, Fault) and one.source == name]
                waited_s = time.monotonic() - began_s
                gone = any(fault.kind == "gone" for fault in faults)
                if gone or len(faults) >= MOST_TRIED or waited_s > patience_s:
                    why = faults[-1].text if faults else f"no sample within {waited_s:.1f} s"
                    raise BenchError(f"source {name}: {why}")
        return early

    def take(self, arrival: Arrival) -> None:
        """One sample or fault: into the file, to those who look, and into a row."""
        arrival = self._plausible(arrival)
        was_gone, was_well = self.watch.sources[arrival.source].gone, self.watch.reference_well
        self.watch.see(arrival)
        if isinstance(arrival, Fault):
            self._note(arrival, was_gone=was_gone)
            return
        self._tell_reference(arrival, was_well)
        if self._raw or "reference" in arrival.values:
            values = " ".join(f"{name}={value!r}" for name, value in arrival.values.items())
            self._add(f"#. {stamp(arrival.time_s)} {arrival.source} {values}{' late' if arrival.late else ''}")
        self._join.add(arrival)

    def write_rows(self, *, last: bool = False) -> Iterator[Row]:
        """Write the rows that are complete, and give them."""
        for row in self._join.rows(self.clock.now_s(), last=last):
            self._add(self._row_text(row))
            self.watch.see_row(row)
            yield row

    def _row_text(self, row: Row) -> str:
        texts = [stamp(row.time_s)]
        for column, value, how in zip(self.layout.columns, row.values, row.hows, strict=True):
            # A frequency against a reference that is not well says nothing of the oscillator.
            said = column.quantity == "temperature" or self.watch.reference_well is not False
            texts.append(repr(value) if said and not math.isnan(value) else "")
            texts += [] if column.source == self.layout.rows_of else [how]
        return ",".join(texts)

    def look_after(self) -> None:
        """Once a second: the wall clock, and the disk."""
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOK_S:
            return
        self._looked_s = now_s
        step_s = self.clock.step_s()
        if step_s:
            self.event("clock", f"the wall clock was set by {step_s:+.3f} s; the log's clock runs on evenly")
        if self.log is not None:
            self.log.look_after()
            if self.log.trouble != self._trouble:
                self._trouble = self.log.trouble
                self.event(
                    "fault" if self._trouble else "well", self._trouble or "the disk takes what is written again"
                )

    def end(self, reason: str, *, held: bool = True) -> Outcome:
        """Write what waits, close the sources and the file."""
        self.feed.close()
        for arrival in self.feed.take(0.0):
            self.take(arrival)
        for _ in self.write_rows(last=True):
            pass
        self.event("end", reason)
        lost = 0
        if self.log is not None:
            self.log.close()
            lost = self.log.lost_lines
        return Outcome(reason, self.watch.rows, lost, self.watch.faults(), held and not lost)

    def event(self, what: What, text: str) -> None:
        """Something happened: into the file, and told."""
        event = Event(self.clock.now_s(), what, text)
        self._add(f"#! {stamp(event.time_s)} {what}: {text}")
        self.watch.events.append(event)
        self._tell(event)

    def _add(self, line: str) -> None:
        if self.log is not None:
            self.log.add(line.replace("\n", " ").replace("\r", " "))

    def _plausible(self, arrival: Arrival) -> Arrival:
        """A sample that cannot be is a fault."""
        if isinstance(arrival, Fault):
            return arrival
        for quantity, value in arrival.values.items():
            why = self._why_not(quantity, value)
            if why:
                kind = "another unit" if "looks like" in why else "out of range"
                return Fault(arrival.source, arrival.time_s, kind, why)
        return arrival

    def _why_not(self, quantity: str, value: float) -> str:
        if not math.isfinite(value):
            return f"{quantity} {value:g} is no number"
        column = self.layout.of(quantity)
        if quantity == "temperature" and column is not None and column.unit == "degC":
            return "" if COLDEST_C < value < HOTTEST_C else f"temperature {value:g} degC cannot be"
        run = self.layout.run
        nominal_hz = run.reference_hz if run is not None and run.role == "timebase" else self.job.oscillator.nominal_hz
        if quantity == "frequency" and nominal_hz:
            if abs(offset_ppb_of_frequency(value, nominal_hz)) < FARTHEST_PPB:
                return ""
            for unit, factor in (("kHz", 1e3), ("MHz", 1e6)):
                if abs(offset_ppb_of_frequency(value * factor, nominal_hz)) < FARTHEST_PPB:
                    return f"frequency {value:.10g} Hz looks like {unit}; the job says Hz: give unit, or set the instrument"
            return f"frequency {value:.10g} Hz is far from the {nominal_hz:.10g} Hz of the job"
        return ""

    def _note(self, fault: Fault, *, was_gone: bool) -> None:
        """Write a fault into the log and tell of it, but not of each of thousands."""
        if fault.kind == "back":
            self.event("well", f"{fault.source}: {fault.text}")
            return
        count = self._noted[fault.source, fault.kind] = self._noted[fault.source, fault.kind] + 1
        if count <= NOTED or count % 100 == 0:
            self._add(f"#? {stamp(fault.time_s)} {fault.source} {fault.kind}: {fault.text}")
        if (count == 1 and fault.kind != "gone") or (fault.kind == "gone" and not was_gone) or count % 100 == 0:
            times = f" ({count} times)" if count > 1 else ""
            self._announce(fault, times)

    def _announce(self, fault: Fault, times: str) -> None:
        self.event("fault", f"{fault.source}, {fault.kind}{times}: {fault.text}")

    def _tell_reference(self, reading: Reading, was_well: bool | None) -> None:
        if "reference" not in reading.values or self.watch.reference_well == was_well:
            return
        if self.watch.reference_well:
            if was_well is False:
                self.event("well", f"{reading.source}: the reference is well again")
        else:
            self.event("fault", f"{reading.source}: the reference is not well; rows are written without a frequency")
