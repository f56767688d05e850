"""A run that goes on, as text: a line now and then, and each event at once."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator

from tcomp.bench.clock import stamp
from tcomp.bench.live import Event
from tcomp.bench.monitor import RunState, SourceFigures
from tcomp.report.words import number

TITLES = {
    "start": "begins", "set": "set", "soak": "soak", "fault": "FAULT", "well": "well", "clock": "clock", "gap": "gap",
    "safe": "safe", "alarm": "ALARM", "end": "end",
}  # fmt: skip


def clock_text(time_s: float) -> str:
    """The time of day, UTC.

    >>> clock_text(1_772_436_600.25)
    '07:30:00'
    """
    return stamp(time_s)[11:19]


def span_text(seconds: float) -> str:
    """A time span, rounded to what a reader needs.

    >>> span_text(59.6), span_text(3720.0), span_text(float("inf"))
    ('1 min', '1 h 02 min', 'open')
    """
    if not math.isfinite(seconds):
        return "open"
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def celsius(value: float) -> str:
    """A temperature, or a dash."""
    return f"{value:.2f} degC" if math.isfinite(value) else "- degC"


def offset(value: float) -> str:
    """An offset with its sign, or a dash."""
    return f"{value:+.2f} ppb" if math.isfinite(value) else "- ppb"


def settled_text(state: RunState) -> str:
    """Whether a soak has settled."""
    soak = state.settled_soak
    if state.ramping:
        return "on a ramp"
    if soak is None or not soak.is_known:
        return "too early to tell"
    return "settled" if soak.settled else "not settled"


def settled_reason(state: RunState) -> str:
    """What may still drift, and what is allowed."""
    soak = state.settled_soak
    if state.ramping:
        return ""
    if soak is None or not soak.is_known:
        return "too few samples that are independent of each other"
    return (
        f"in {span_text(state.average_s)} up to {number(soak.drift_c, 2)} degC (allowed {number(soak.allowed_c, 2)}) "
        f"and {number(soak.drift_ppb, 2)} ppb (allowed {number(soak.allowed_ppb, 2)})"
    )


def noise_text(state: RunState) -> str:
    """The noise at the interval of the rows."""
    found = state.noise
    return "too few samples" if found is None else f"{number(found.deviation_ppb, 2)} ppb at {found.tau_s:.3g} s"


def noise_interval_text(state: RunState) -> str:
    """The 95 % interval of the noise in ppb; empty while it is not known."""
    found = state.noise
    return "" if found is None else f"{number(found.low_ppb, 2)} to {number(found.high_ppb, 2)}"


def reference_text(state: RunState) -> str:
    """The state of the reference."""
    return {None: "not watched", True: "well", False: "NOT WELL"}[state.reference_ok]


def source_text(source: SourceFigures) -> str:
    """One source in a line."""
    faults = ", ".join(f"{count} {kind}" for kind, count in source.faults.items())
    return f"{source.samples} samples{'; ' + faults if faults else ''}{'; GONE' if source.gone else ''}"


def progress_text(state: RunState) -> str:
    """How far the run has come."""
    progress = state.progress
    if progress is None:
        left = f", {span_text(max(0.0, state.for_s - state.elapsed_s))} left" if math.isfinite(state.for_s) else ""
        return f"{span_text(state.elapsed_s)}{left}"
    doing = ", averaging" if progress.averaging else ""
    return f"step {progress.number} of {progress.steps}{doing}, {span_text(progress.left_s)} left"


def rate_text(state: RunState) -> str:
    """Slope of the temperature."""
    return f"{state.rate_c_per_min:+.3f} degC/min" if math.isfinite(state.rate_c_per_min) else "- degC/min"


def status_line(state: RunState) -> str:
    """The state of the run in one line."""
    parts = [
        clock_text(state.time_s), celsius(state.temperature_c), offset(state.offset_ppb), rate_text(state),
        f"noise {noise_text(state)}", settled_text(state), progress_text(state),
    ]  # fmt: skip
    if state.reference_ok is False:
        parts.append("reference NOT WELL")
    return "  ".join([*parts, *warnings(state)])


def warnings(state: RunState) -> Iterator[str]:
    """Warnings that must not be overlooked."""
    yield from (f"{source.name} GONE" for source in state.sources if source.gone)
    if state.disk:
        yield f"DISK: {state.disk}"
    if state.chamber_unconfirmed:
        yield f"CHAMBER {state.chamber}"
    if state.alarm:
        yield f"ALARM: {state.alarm}"


def event_line(event: Event) -> str:
    """An event in one line."""
    return f"{clock_text(event.time_s)}  {TITLES[event.what]}: {event.text}"


class PlainView:
    """Lines, for a pipe or a file: one each ``every_s``, and each event at once; ``ring`` sounds an alarm. [s]"""

    patience_s = 1.0

    def __init__(self, notify: Callable[[str], None], every_s: float, ring: Callable[[], None] = lambda: None) -> None:
        self._print, self._every_s, self._ring = notify, every_s, ring
        self._printed_s = -math.inf

    def show(self, state: RunState) -> None:
        """Print the state, if it is time."""
        now_s = time.monotonic()
        if now_s - self._printed_s >= self._every_s:
            self._printed_s = now_s
            self._print(status_line(state))

    def notify(self, event: Event) -> None:
        """Print an event."""
        self._print(event_line(event))
        if event.what == "alarm":
            self._ring()

    def close(self) -> None:
        """Nothing is open."""
