"""A run that goes on, in words: a line now and then, and each event at once."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator

from tcomp.bench.clock import stamp
from tcomp.bench.events import Event
from tcomp.bench.state import SourceFigures, State
from tcomp.report.numbers import number

TITLES = {
    "start": "begins", "set": "set", "soak": "soak", "fault": "FAULT", "well": "well", "clock": "clock", "gap": "gap",
    "safe": "safe", "end": "end",
}  # fmt: skip


def clock_words(time_s: float) -> str:
    """The time of day, UTC.

    >>> clock_words(1_772_436_600.25)
    '07:30:00'
    """
    return stamp(time_s)[11:19]


def span_words(seconds: float) -> str:
    """A time span for people.

    >>> span_words(59.6), span_words(3720.0), span_words(float("inf"))
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


def settled_words(state: State) -> str:
    """Whether a soak is over, in a few words."""
    judged = state.judged
    if state.ramping:
        return "on a ramp"
    if judged is None or not (math.isfinite(judged.temperature_c) and math.isfinite(judged.offset_ppb)):
        return "too early to tell"
    return "settled" if judged.settled else "not settled"


def settled_reason(state: State) -> str:
    """What may still drift, against what it may."""
    judged = state.judged
    if state.ramping:
        return ""
    if judged is None or not (math.isfinite(judged.temperature_c) and math.isfinite(judged.offset_ppb)):
        return "too few samples that are independent of each other"
    return (
        f"in {span_words(state.average_s)} up to {number(judged.temperature_c, 2)} degC (allowed {number(judged.allowed_c, 2)}) "
        f"and {number(judged.offset_ppb, 2)} ppb (allowed {number(judged.allowed_ppb, 2)})"
    )


def noise_words(state: State) -> str:
    """The noise at the interval of the rows, with its 95 % interval."""
    found = state.noise
    if found is None:
        return "too few samples"
    interval = f"{number(found.low_ppb, 2)} to {number(found.high_ppb, 2)}"
    return f"{number(found.deviation_ppb, 2)} ppb at {found.tau_s:.3g} s ({interval})"


def reference_words(state: State) -> str:
    """What is known of the reference."""
    return {None: "not watched", True: "well", False: "NOT WELL"}[state.reference_well]


def source_words(source: SourceFigures) -> str:
    """One source in a line."""
    faults = ", ".join(f"{count} {kind}" for kind, count in source.faults.items())
    return f"{source.samples} samples{'; ' + faults if faults else ''}{'; GONE' if source.gone else ''}"


def progress_words(state: State) -> str:
    """Where in the plan the run is."""
    progress = state.progress
    if progress is None:
        left = f", {span_words(max(0.0, state.for_s - state.elapsed_s))} left" if math.isfinite(state.for_s) else ""
        return f"{span_words(state.elapsed_s)}{left}"
    doing = ", averaging" if progress.averaging else ""
    return f"step {progress.number} of {progress.steps}{doing}, {span_words(progress.left_s)} left"


def rate_words(state: State) -> str:
    """How fast the temperature moves."""
    return f"{state.rate_c_per_min:+.3f} degC/min" if math.isfinite(state.rate_c_per_min) else "- degC/min"


def line_of(state: State) -> str:
    """The state of the run in one line."""
    parts = [
        clock_words(state.time_s), celsius(state.temperature_c), offset(state.offset_ppb), rate_words(state),
        f"noise {noise_words(state).split(' (')[0]}", settled_words(state), progress_words(state),
    ]  # fmt: skip
    if state.reference_well is False:
        parts.append("reference NOT WELL")
    return "  ".join([*parts, *warnings(state)])


def warnings(state: State) -> Iterator[str]:
    """What must not be overlooked."""
    yield from (f"{source.name} GONE" for source in state.sources if source.gone)
    if state.disk:
        yield f"DISK: {state.disk}"
    if state.chamber.startswith("NOT"):
        yield f"CHAMBER {state.chamber}"


def event_line(event: Event) -> str:
    """An event in one line."""
    return f"{clock_words(event.time_s)}  {TITLES[event.what]}: {event.text}"


class PlainView:
    """Lines, for a pipe or a file: one each ``every_s``, and each event at once. [s]"""

    def __init__(self, say: Callable[[str], None], every_s: float) -> None:
        self._say, self._every_s = say, every_s
        self._said_s = -math.inf

    def show(self, state: State) -> None:
        """Say the state, if it is time."""
        now_s = time.monotonic()
        if now_s - self._said_s >= self._every_s:
            self._said_s = now_s
            self._say(line_of(state))

    def tell(self, event: Event) -> None:
        """Say an event."""
        self._say(event_line(event))

    def close(self) -> None:
        """Nothing is open."""
