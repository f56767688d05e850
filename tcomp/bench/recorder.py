"""A run is recorded: samples come in, rows go out, faults are counted and reported, and none ends the run."""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from typing import Any

from tcomp.bench.clock import Clock, stamp
from tcomp.bench.instruments import Arrival, Fault, Feed, Reading
from tcomp.bench.live import Event, What
from tcomp.bench.log_file import LogWriter
from tcomp.bench.monitor import Monitor
from tcomp.bench.rows import Join, LogLayout, LogRow
from tcomp.documents.log import LogDocument
from tcomp.errors import BenchError
from tcomp.job import Job, header
from tcomp.job.keys import to_toml
from tcomp.units import offset_ppb_of_frequency

MAX_HEAD = 150
"""Lines of the job that the head of a log shows; readers look for its headings among the first 200."""
MAX_NOTED = 20
"""Faults of a kind and source that are written into the log in full; later ones are counted, and each hundredth is written."""
MAX_OFFSET_PPB = 1_000_000.0
"""No crystal is a thousandth off its nominal frequency: such a reading is in another unit, or a broken line."""
MIN_TEMPERATURE_C, MAX_TEMPERATURE_C = -200.0, 400.0
LOOK_S = 1.0
WAIT_S = 0.05
MAX_TRIED = 5
"""Unusable lines at the start after which a source is reported as not working."""


def identity(job: Job) -> str:
    """Whose log it is, in one line that the log of another job does not have."""
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
        lines += [header(name), *(f"{item} = {to_toml(getattr(section, item))}" for item in given)] if given else []
    return lines[:MAX_HEAD]


class Recorder:
    """One run, from the first sample to the end; ``notify`` is called with each event."""

    def __init__(self, job: Job, layout: LogLayout, feed: Feed, clock: Clock, notify: Callable[[Event], None]) -> None:
        self.job, self.layout, self.feed, self.clock = job, layout, feed, clock
        self.monitor = Monitor(job, layout)
        self.log: LogWriter | None = None
        self._notify = notify
        self._join = Join(layout, job.log.join_s)
        self._noted: Counter[tuple[str, str]] = Counter()
        self._raw = layout.joined
        self._trouble = ""
        self._file_faults: list[str] = []
        self._looked_s = -math.inf
        self._started_s = math.nan

    def begin(self, stop: Callable[[], bool] = lambda: False) -> None:
        """Open the sources, wait for the first sample of each, and only then begin the file or append to it.

        Raises
        ------
        BenchError
            A source cannot be opened or gives no sample, or the file cannot be used; nothing was written.
        """
        self.feed.open()
        try:
            early = self._first_arrivals(stop)
            self._started_s = early[0].time_s if early else self.clock.now_s()
            head = about(self.job, self._started_s)
            log = LogWriter(self.layout.path, head, self.layout.header, self.job.log.sync_s)
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
        """What came until each source has given a sample: a cable that is not there is reported now, not in two days."""
        early: list[Arrival] = []
        missing = dict(self.feed.patience_s)
        began_s = time.monotonic()
        while missing and not stop():
            for arrival in map(self._plausible, self.feed.take(WAIT_S)):
                early.append(arrival)
                if isinstance(arrival, Reading):
                    missing.pop(arrival.source, None)
            for name, allowed_s in missing.items():
                faults = [one for one in early if isinstance(one, Fault) and one.source == name]
                waited_s = time.monotonic() - began_s
                gone = any(fault.kind == "gone" for fault in faults)
                if gone or len(faults) >= MAX_TRIED or waited_s > allowed_s:
                    why = faults[-1].text if faults else f"no sample within {waited_s:.1f} s"
                    raise BenchError(f"source {name}: {why}")
        return early

    def take(self, arrival: Arrival) -> None:
        """Put one sample or fault into the file, the monitor, and a row."""
        arrival = self._plausible(arrival)
        was_gone, was_ok = self.monitor.sources[arrival.source].gone, self.monitor.reference_ok
        self.monitor.add(arrival)
        if isinstance(arrival, Fault):
            self._report_fault(arrival, was_gone=was_gone)
            return
        self._report_reference(arrival, was_ok)
        if self._raw or "reference" in arrival.values:
            values = " ".join(f"{name}={value!r}" for name, value in arrival.values.items())
            self._add(f"#. {stamp(arrival.time_s)} {arrival.source} {values}{' late' if arrival.late else ''}")
        self._join.add(arrival)

    def write_rows(self, *, last: bool = False) -> Iterator[LogRow]:
        """Write the rows that are complete, and yield them; at the ``last``, those that still wait, too."""
        for row in self._join.rows(self.clock.now_s(), last=last):
            self._add(self._row_text(row))
            self.monitor.add_row(row)
            yield row

    def _row_text(self, row: LogRow) -> str:
        texts = [stamp(row.time_s)]
        for column, value, origin in zip(self.layout.columns, row.values, row.origins, strict=True):
            # A frequency against a reference that is not well says nothing about the oscillator.
            is_valid = column.quantity == "temperature" or self.monitor.reference_ok is not False
            texts.append(repr(value) if is_valid and not math.isnan(value) else "")
            texts += [] if column.source == self.layout.rows_of else [origin]
        return ",".join(texts)

    def look_after(self) -> None:
        """Check the wall clock and the disk, once a second."""
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOK_S:
            return
        self._looked_s = now_s
        step_s = self.clock.step_s()
        if step_s:
            self.event("clock", f"the wall clock was set by {step_s:+.3f} s; the log's clock runs on evenly")
        if self.log is not None:
            self._check_file(self.log)
            if self.log.trouble != self._trouble:
                self._trouble = self.log.trouble
                self.event(
                    "fault" if self._trouble else "well", self._trouble or "the disk takes what is written again"
                )

    def _check_file(self, log: LogWriter) -> None:
        log.look_after()
        for text in log.new_faults():
            self._file_faults.append(text)
            self.event("fault", text)

    def end(self, reason: str, *, held: bool = True) -> LogDocument:
        """Write what waits, close the sources and the file; how the run ended."""
        self.feed.close()
        for arrival in self.feed.take(0.0):
            self.take(arrival)
        for _ in self.write_rows(last=True):
            pass
        if self.log is not None:
            self._check_file(self.log)
        self.event("end", reason)
        if self.log is not None:
            self.log.close()
            for text in self.log.new_faults():  # the file is closed: these are reported only
                self._file_faults.append(text)
                self._notify(Event(self.clock.now_s(), "fault", text))
        return self.outcome(reason, held=held and not self._file_faults)

    def outcome(self, reason: str, *, held: bool) -> LogDocument:
        """How the run ended."""
        lost = self.log.lost_lines if self.log is not None else 0
        layout = self.layout if self.log is None else replace(self.layout, path=self.log.path)
        return LogDocument(
            file=str(layout.path), reason=reason, held=held and not lost, rows=self.monitor.rows, lost_lines=lost,
            file_faults=tuple(self._file_faults), faults=self.monitor.faults(), alarms=(), run=layout.run_block(),
        )  # fmt: skip

    def event(self, what: What, text: str) -> None:
        """Something happened: write it into the file, and notify."""
        event = Event(self.clock.now_s(), what, text)
        self.note(event)
        self._notify(event)

    def note(self, event: Event) -> None:
        """Write an event into the file of which others were notified already."""
        self._add(f"#! {stamp(event.time_s)} {event.what}: {event.text}")
        self.monitor.events.append(event)

    def _add(self, line: str) -> None:
        if self.log is not None:
            self.log.add(line.replace("\n", " ").replace("\r", " "))

    def _plausible(self, arrival: Arrival) -> Arrival:
        """The arrival; a sample that is impossible becomes a fault."""
        if isinstance(arrival, Fault):
            return arrival
        for quantity, value in arrival.values.items():
            kind, why = self._implausible(quantity, value)
            if why:
                return Fault(arrival.source, arrival.time_s, kind, why)
        return arrival

    def _implausible(self, quantity: str, value: float) -> tuple[str, str]:
        """Kind of the fault and why a value is impossible; an empty reason if it is possible."""
        kind, possible = "out of range", ("", "")
        if not math.isfinite(value):
            return kind, f"{quantity} {value:g} is not a number"
        column = self.layout.column_of(quantity)
        if quantity == "temperature" and column is not None and column.unit == "degC":
            if MIN_TEMPERATURE_C < value < MAX_TEMPERATURE_C:
                return possible
            return kind, f"temperature {value:g} degC is impossible"
        run = self.layout.run
        nominal_hz = run.reference_hz if run is not None and run.role == "timebase" else self.job.oscillator.nominal_hz
        if quantity != "frequency" or not nominal_hz or _is_near(value, nominal_hz):
            return possible
        for unit, factor in (("kHz", 1e3), ("MHz", 1e6)):
            if _is_near(value * factor, nominal_hz):
                advice = "the job says Hz: give unit, or set the instrument"
                return "another unit", f"frequency {value:.10g} Hz looks like {unit}; {advice}"
        return kind, f"frequency {value:.10g} Hz is far from the {nominal_hz:.10g} Hz of the job"

    def _report_fault(self, fault: Fault, *, was_gone: bool) -> None:
        """Write a fault into the log and notify of it, but not of each of thousands."""
        if fault.kind == "back":
            self.event("well", f"{fault.source}: {fault.text}")
            return
        count = self._noted[fault.source, fault.kind] = self._noted[fault.source, fault.kind] + 1
        if count <= MAX_NOTED or count % 100 == 0:
            self._add(f"#? {stamp(fault.time_s)} {fault.source} {fault.kind}: {fault.text}")
        is_first = not was_gone if fault.kind == "gone" else count == 1
        if is_first or count % 100 == 0:
            times = f" ({count} times)" if count > 1 else ""
            self.event("fault", f"{fault.source}, {fault.kind}{times}: {fault.text}")

    def _report_reference(self, reading: Reading, was_ok: bool | None) -> None:
        if "reference" not in reading.values or self.monitor.reference_ok == was_ok:
            return
        if self.monitor.reference_ok:
            if was_ok is False:
                self.event("well", f"{reading.source}: the reference is well again")
        else:
            self.event("fault", f"{reading.source}: the reference is not well; rows are written without a frequency")


def _is_near(frequency_hz: float, nominal_hz: float) -> bool:
    return abs(offset_ppb_of_frequency(frequency_hz, nominal_hz)) < MAX_OFFSET_PPB
