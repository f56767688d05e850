"""A source: a way to an instrument, how it is asked, and what its lines hold."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tcomp.bench.line import LineReader, UnusableError, shown
from tcomp.bench.link import FileLink, Link, ProgramLink, SerialLink
from tcomp.bench.visa import VisaLink
from tcomp.job import Controller, Source

LATE_TIMES = 3.0
"""An answer is waited for as long as three times its time; then it is asked anew."""
USUAL_BAUD = "1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200"
TEXT = frozenset(range(32, 127)) | {9, 0xB0, 0xC2, 0xCE, 0xA9, 0xE2, 0x84, 0xA6}
"""Bytes that an instrument's line is made of: ASCII, and those of degree and ohm signs."""
NO_TEXT_SHARE = 0.25


@dataclass(frozen=True)
class Reading:
    """One sample of a source, stamped when its line had arrived; values in the unit of the log."""

    source: str
    time_s: float
    values: dict[str, float]
    late: bool = False


@dataclass(frozen=True)
class Fault:
    """Something that gave no sample; ``kind`` is what is counted."""

    source: str
    time_s: float
    kind: str
    text: str


@dataclass
class LineSource:
    """A source whose readings are lines: open, read, close.

    ``now_s`` is the log's clock; ``stopping`` ends a wait early.
    """

    job: Source
    link: Link
    now_s: Callable[[], float]
    stopping: threading.Event = field(default_factory=threading.Event)
    _due_s: float = 0.0
    _skip: bool = False
    _odd: int = 0
    _seen: int = 0

    def __post_init__(self) -> None:
        self.lines = LineReader(self.job)

    @property
    def name(self) -> str:
        """What the job calls it."""
        return self.job.name

    def open(self) -> None:
        """Open the way to it, and send what the job wants sent first.

        Raises
        ------
        BenchError
            It cannot be opened.
        GoneError
            It broke while the first lines were sent.
        """
        self.link.open()
        # Who speaks by itself may be in the middle of a line: what is left of that is not a sample.
        self._skip = self.job.ask is None and self.job.kind == "serial"
        self._due_s = 0.0
        for line in self.job.start:
            self.link.send(line)

    def close(self) -> None:
        """Close the way to it."""
        self.link.close()

    def read(self) -> Reading | Fault | None:
        """One sample, or why there is none; None: nothing to tell (an end, or headings).

        Raises
        ------
        GoneError
            The way to it is broken.
        """
        asked_s = self._ask()
        line, late = self._line(asked_s)
        if self.stopping.is_set():
            return None
        now_s = self.now_s()
        if line is None:
            return Fault(self.name, now_s, "silent", self._why_silent())
        self._look_at(line)
        if self._skip:
            self._skip = False
            return None
        try:
            values = self.lines.values(_text(line))
        except UnusableError as error:
            return Fault(self.name, now_s, error.kind, self._baud_words() or f"{self.link.words}: {error}")
        return Reading(self.name, now_s, values, late) if values is not None else None

    def _ask(self) -> float:
        """Wait until it is due and ask; when that was. [s]"""
        if self.job.ask is not None:
            self.stopping.wait(max(0.0, self._due_s - time.monotonic()))
            self.link.drain()
            self.link.send(self.job.ask)
        asked_s = time.monotonic()
        next_s = self._due_s + self.job.period_s
        self._due_s = next_s if next_s > asked_s else asked_s + self.job.period_s
        return asked_s

    def _line(self, asked_s: float) -> tuple[bytes | None, bool]:
        """The next line, and whether it came later than it should."""
        patience_s = self.job.timeout_s * (LATE_TIMES if self.job.ask is not None else 1.0)
        while not self.stopping.is_set():
            left_s = asked_s + patience_s - time.monotonic()
            line = self.link.receive(max(0.0, min(left_s, self.link.slice_s)))
            if line is not None:
                return line, time.monotonic() - asked_s > self.job.timeout_s
            if left_s <= 0:
                break
        return None, False

    def _look_at(self, line: bytes) -> None:
        self._seen = self._seen // 2 + len(line) if self._seen > 400 else self._seen + len(line)
        odd = sum(byte not in TEXT for byte in line)
        self._odd = self._odd // 2 + odd if self._seen > 400 else self._odd + odd

    def _why_silent(self) -> str:
        rest = self.link.unfinished
        if rest:
            self._look_at(rest)
            return self._baud_words() or (
                f"{self.link.words}: a line that does not end: {shown(_text(rest))}; expected a line feed or carriage return"
            )
        asked = f" to {self.job.ask!r}" if self.job.ask is not None else ""
        hint = (
            "; does it want to be asked? then give ask"
            if self.job.ask is None
            else "; check ask, line_end and the cable"
        )
        return f"{self.link.words}: nothing answers{asked} within {self.job.timeout_s:g} s{hint}"

    def _baud_words(self) -> str:
        """What a wrong baud rate looks like; empty if the bytes look like text."""
        if self.job.kind != "serial" or self._seen < 8 or self._odd < NO_TEXT_SHARE * self._seen:
            return ""
        return (
            f"{self.link.words}: {self._odd} of {self._seen} bytes are no text: the baud rate is probably wrong; usual ones are "
            f"{USUAL_BAUD}"
        )


def _text(line: bytes) -> str:
    return line.decode("utf-8", errors="replace").strip()


def link_of(job: Source | Controller, folder: Path) -> Link:
    """The way to a source or a controller that the job describes; paths are relative to the job's folder."""
    if job.kind == "serial":
        return SerialLink(job.port or "", job.baud, job.line_end)
    if job.kind == "visa":
        return VisaLink(job.resource or "", job.library, job.baud, job.line_end)
    if job.kind == "command":
        return ProgramLink(job.command, folder, job.line_end)
    assert isinstance(job, Source)
    return FileLink(folder / (job.file or ""))
