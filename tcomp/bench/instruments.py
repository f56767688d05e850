"""Instruments: their lines become readings, and the readings of all of them come in the order of their arrival."""

from __future__ import annotations

import contextlib
import math
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from tcomp.bench.clock import Clock
from tcomp.bench.line import LineReader, UnusableError, shown, text_of
from tcomp.bench.links.link import MAX_LINE, ByteLink, GoneError
from tcomp.errors import BenchError
from tcomp.job import Source

LATE_TIMES = 3.0
"""An answer is waited for up to three times the timeout; then the question is asked again."""
MAX_RECEIVED = 400
"""The last bytes that are kept to recognise a wrong baud rate or framing."""
MAX_ECHOES_MISSED = 3
"""Missing echoes in a row after which an instrument is taken as one that does not echo any more."""
REOPEN_S = 1.0
"""Time between two attempts to open a source that is gone. [s]"""
CLOSE_S = 1.5
"""How long all sources together are waited for at the end. [s]"""


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


Arrival = Reading | Fault


class StepFilter:
    """Rejects a sample that is far from the one before, until the next one agrees with it.

    Examples
    --------
    The first sample is held back until a second agrees; a jump is accepted when it is seen twice:

    >>> steps = StepFilter(("temperature",), (5.0,))
    >>> [steps.why_not({"temperature": value}) for value in (21.5, 21.6)]
    [None, '']
    >>> steps.why_not({"temperature": 1.6})
    'temperature 1.6 is 20 from the sample before; largest_step is 5'
    >>> [bool(steps.why_not({"temperature": value})) for value in (21.7, 58.0, 58.1)]
    [False, True, False]
    """

    def __init__(self, gives: tuple[str, ...], largest_step: tuple[float, ...]) -> None:
        self._max_step = {what: step for what, step in zip(gives, largest_step, strict=False) if step > 0}
        self.reset()

    def reset(self) -> None:
        """Start again, as after a gap."""
        self._accepted: dict[str, float] | None = None
        self._rejected: dict[str, float] | None = None

    def why_not(self, values: dict[str, float]) -> str | None:
        """Why a sample is rejected; empty if it is accepted, None if it is the first."""
        earlier = [one for one in (self._accepted, self._rejected) if one is not None]
        reasons = [self._too_far(values, one) for one in earlier] if self._max_step else [""]
        if "" in reasons:
            self._accepted, self._rejected = values, None
            return ""
        self._rejected = values
        return reasons[0] if reasons else None

    def _too_far(self, values: dict[str, float], before: dict[str, float]) -> str:
        for what, step in self._max_step.items():
            distance = abs(values[what] - before[what])
            if not distance <= step:
                return f"{what} {values[what]:.10g} is {distance:.4g} from the sample before; largest_step is {step:g}"
        return ""


@dataclass
class LineSource:
    """A source whose readings are lines: open, read, close.

    ``now_s`` is the clock of the log; setting ``stopping`` ends a wait early.
    """

    job: Source
    link: ByteLink
    now_s: Callable[[], float]
    stopping: threading.Event = field(default_factory=threading.Event)
    _due_s: float = 0.0
    _is_unsure: bool = False
    """Whether the next line may be the rest of another one, or the answer to an earlier question."""
    _is_unanswered: bool = False
    """Whether it did not answer a question, and may still do so."""
    _echoes: bool = False
    """Whether it sends back what is sent to it."""
    _echoes_missed: int = 0
    _had_nuls: bool = False
    _received: bytearray = field(default_factory=bytearray)

    def __post_init__(self) -> None:
        self.lines = LineReader(self.job)
        self._steps = StepFilter(self.job.gives, self.job.largest_step)
        self._question = (self.job.ask or "").strip().encode()
        self._sent = {self._question, *(line.strip().encode() for line in self.job.start)} - {b""}

    @property
    def name(self) -> str:
        """Its name in the job."""
        return self.job.name

    @property
    def patience_s(self) -> float:
        """How long the first sample is waited for: half a second longer than `read` takes to report that none came. [s]"""
        is_asked = self.job.ask is not None
        lines = 1 + self.link.is_port + bool(self.job.largest_step)
        late_s = (LATE_TIMES - 1.0) * self.job.timeout_s if is_asked else 0.0
        return lines * (self.job.timeout_s + (self.job.period_s if is_asked else 0.0)) + late_s + 0.5

    def open(self) -> None:
        """Open the link, and send the lines that the job wants sent first.

        Raises
        ------
        BenchError
            It cannot be opened.
        GoneError
            It broke while the first lines were sent.
        """
        self.link.open()
        # An instrument that speaks by itself may be in the middle of a line, and an earlier program may have asked.
        self._is_unsure, self._is_unanswered = self.link.is_port, False
        self._echoes, self._echoes_missed = self.job.echo is True and bool(self._question), 0
        self._had_nuls = False
        self._steps.reset()
        self._due_s = 0.0
        for line in self.job.start:
            self.link.send(line)

    def close(self) -> None:
        """Close the link."""
        self.link.close()

    def read(self) -> Arrival | None:
        """One sample, or why there is none; None: nothing to report (the end, headings, or a line that is not certain yet).

        Raises
        ------
        GoneError
            The link is broken.
        """
        asked_s = self._ask()
        try:
            values = self._values(asked_s)
        except UnusableError as error:
            return None if self.stopping.is_set() else self._unusable(error, asked_s)
        late = time.monotonic() - asked_s > self.job.timeout_s
        if self._is_doubtful(asked_s) or values is None or self.stopping.is_set():
            return None
        why_not = self._steps.why_not(values)
        if why_not is None:
            return None
        if why_not:
            return Fault(self.name, self.now_s(), "step", f"{self.link.description}: {why_not}")
        return Reading(self.name, self.now_s(), values, late)

    def _is_doubtful(self, asked_s: float) -> bool:
        """Whether the line that came may belong to an earlier line or question; decides that for the next one, too."""
        was_unsure = self._is_unsure
        if was_unsure:
            until_s = asked_s + LATE_TIMES * self.job.timeout_s
            # Answers to two questions may be under way: only after silence does the next line answer the next question.
            while self._is_unanswered and time.monotonic() < until_s:
                if self._line(time.monotonic(), 1.0) is None:
                    self._is_unanswered = False
            self._is_unsure = self._is_unanswered
        return was_unsure

    def _unusable(self, error: UnusableError, asked_s: float) -> Fault | None:
        if error.kind == "silent":
            # What comes next may be the rest of this line, or the answer to this question.
            self._is_unsure = self._is_unsure or self._may_come_late()
            self._is_unanswered = self.job.ask is not None
        elif self._is_doubtful(asked_s) and error.kind != "no line end":
            return None
        why = str(error) if error.kind == "silent" else f"{self.link.description}: {error}"
        has_bytes = error.kind != "silent" or bool(self.link.unfinished)
        hint = self.link.framing_hint(bytes(self._received)) if has_bytes else ""
        return Fault(self.name, self.now_s(), error.kind, hint or why)

    def _may_come_late(self) -> bool:
        loses_parts = math.isinf(self.link.slice_s)
        return self.job.ask is not None or loses_parts or (self.link.is_port and bool(self.link.unfinished))

    def _values(self, asked_s: float) -> dict[str, float] | None:
        """Values of the first line that is not an echo, and that matches the pattern where an answer may have several lines."""
        echo_is_due, skipped = self._echoes, None
        while True:
            line = self._line(asked_s, LATE_TIMES if self.job.ask is not None and skipped is None else 1.0)
            if line is None:
                break
            self._keep(line)
            bare = line.strip(b"\0 \t")
            if bare in self._sent:
                self._echoes = self._echoes or bare == self._question
                echo_is_due = echo_is_due and bare != self._question
                continue
            if echo_is_due:
                if not bare.startswith(self._question):
                    why = f"expected {self._question!r} back first, got {shown(text_of(line))}"
                    skipped = UnusableError("no echo", why)
                    continue
                echo_is_due, line = False, bare.removeprefix(self._question)
            try:
                found = self._values_in(line)
            except UnusableError as error:
                if self.job.ask is None or self.job.pattern is None:
                    raise
                skipped = error
            else:
                self._echoes_missed = 0
                return found
        self._count_echo(is_missed=echo_is_due and skipped is not None)
        raise skipped or UnusableError("silent", self._why_silent())

    def _count_echo(self, *, is_missed: bool) -> None:
        """An echo that came before and does not come any more is not waited for in the end."""
        self._echoes_missed = self._echoes_missed + 1 if is_missed else 0
        if self._echoes_missed >= MAX_ECHOES_MISSED and self.job.echo == "auto":
            self._echoes, self._echoes_missed = False, 0

    def _values_in(self, line: bytes) -> dict[str, float] | None:
        if len(line) > MAX_LINE:
            raise UnusableError("no line end", f"a line of more than {MAX_LINE} bytes: {shown(text_of(line))}")
        bare = line.lstrip(b"\0")
        had_nuls, self._had_nuls = self._had_nuls, len(bare) < len(line)
        if self._had_nuls and not had_nuls and self.job.checksum is None:
            # Fill characters come before each line; before one line alone, they are what a disturbance left of its start.
            raise UnusableError("garbage", f"NUL before {shown(text_of(bare))}, as if its first characters were lost")
        return self.lines.values(text_of(self.lines.checked(bare.rstrip(b"\0 \t"))))

    def _ask(self) -> float:
        """Wait until the question is due and ask it; when that was. [s]"""
        if self.job.ask is not None:
            self.stopping.wait(max(0.0, self._due_s - time.monotonic()))
            self.link.drain()
            self.link.send(self.job.ask)
        asked_s = time.monotonic()
        next_s = self._due_s + self.job.period_s
        self._due_s = next_s if next_s > asked_s else asked_s + self.job.period_s
        return asked_s

    def _line(self, asked_s: float, times: float) -> bytes | None:
        """The next line, if it comes within ``times`` the timeout."""
        while not self.stopping.is_set():
            left_s = asked_s + times * self.job.timeout_s - time.monotonic()
            line = self.link.receive(max(0.0, min(left_s, self.link.slice_s)))
            if line is not None:
                return line
            if left_s <= 0:
                break
        return None

    def _keep(self, line: bytes) -> None:
        self._received += line
        del self._received[:-MAX_RECEIVED]

    def _why_silent(self) -> str:
        link, timeout_s, rest = self.link.description, self.job.timeout_s, self.link.unfinished
        if rest:
            self._keep(rest)
            return (
                f"{link}: a line that does not end within {timeout_s:g} s: {shown(text_of(rest))}; expected a line feed or "
                "carriage return"
            )
        if self.job.ask is None:
            return f"{link}: nothing answers within {timeout_s:g} s; does it want to be asked? then give ask"
        return (
            f"{link}: nothing answers to {self.job.ask!r} within {timeout_s:g} s; check ask, line_end and the cable; if it needs "
            "longer, give timeout_s"
        )


class Feed(Protocol):
    """Where readings come from."""

    on_arrival: Callable[[Arrival], None]
    """Called with each arrival as it comes, from the thread that reads it, before `take` returns it."""
    lockstep: bool
    """Whether its clock moves only with `take`, as that of a simulated bench does."""

    @property
    def clock(self) -> Clock:
        """The clock of its readings."""

    @property
    def patience_s(self) -> dict[str, float]:
        """How long the first sample of each source is waited for. [s]"""

    @property
    def ended(self) -> bool:
        """Whether no more will come."""

    def open(self) -> None:
        """Open all sources, or raise BenchError."""

    def take(self, wait_s: float) -> list[Arrival]:
        """All that has arrived; waits up to ``wait_s`` if that is nothing. [s]"""

    def close(self) -> None:
        """Close all sources."""


def ignore_arrival(_: Arrival) -> None:
    """Do nothing with an arrival: the default of `Feed.on_arrival`."""


class ThreadedFeed:
    """Sources that are read at the same time, each in its own thread, and opened again when they are gone."""

    lockstep = False
    ended = False

    def __init__(self, sources: Sequence[LineSource], clock: Clock) -> None:
        self._sources, self.clock = sources, clock
        self.on_arrival: Callable[[Arrival], None] = ignore_arrival
        self._queue: queue.SimpleQueue[Arrival] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._threads: list[threading.Thread] = []
        for source in sources:
            source.stopping = self._stopping

    @property
    def patience_s(self) -> dict[str, float]:
        """How long the first sample of each source is waited for. [s]"""
        return {source.name: source.patience_s for source in self._sources}

    def open(self) -> None:
        """Open all sources.

        Raises
        ------
        BenchError
            One of them cannot be opened; none is left open.
        """
        try:
            for source in self._sources:
                try:
                    source.open()
                except GoneError as error:
                    raise BenchError(f"source {source.name}: {error}; check start") from error
                except BenchError as error:
                    raise BenchError(f"source {source.name}: {error}") from error
        except BenchError:
            for source in self._sources:
                source.close()
            raise
        self._threads = [
            threading.Thread(target=self._run, args=(source,), name=source.name, daemon=True)
            for source in self._sources
        ]
        for thread in self._threads:
            thread.start()

    def take(self, wait_s: float) -> list[Arrival]:
        """All that has arrived; waits up to ``wait_s`` if that is nothing. [s]"""
        arrived: list[Arrival] = []
        with contextlib.suppress(queue.Empty):
            arrived.append(self._queue.get(timeout=wait_s))
            while True:
                arrived.append(self._queue.get_nowait())
        return arrived

    def close(self) -> None:
        """End the threads, and close the sources."""
        self._stopping.set()
        until_s = time.monotonic() + CLOSE_S
        for thread in self._threads:
            thread.join(max(0.0, until_s - time.monotonic()))
        for source in self._sources:
            source.close()

    def _put(self, arrival: Arrival) -> None:
        self.on_arrival(arrival)
        self._queue.put(arrival)

    def _run(self, source: LineSource) -> None:
        while not self._stopping.is_set():
            try:
                while not self._stopping.is_set():
                    arrival = source.read()
                    if arrival is not None:
                        self._put(arrival)
            except GoneError as error:
                self._lose(source, str(error))
            except Exception as error:  # a defect of this program in one source must not silently end the others
                self._lose(source, f"error of the program, {error!r}")

    def _lose(self, source: LineSource, why: str) -> None:
        self._put(Fault(source.name, self.clock.now_s(), "gone", why))
        source.close()
        self._open_again(source)

    def _open_again(self, source: LineSource) -> None:
        while not self._stopping.wait(REOPEN_S):
            try:
                source.open()
            except (BenchError, GoneError):
                source.close()
                continue
            self._put(Fault(source.name, self.clock.now_s(), "back", f"{source.link.description} is back"))
            return
