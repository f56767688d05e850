"""The page of a run that goes on: self-contained, rewritten as a whole, and reloaded by itself."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.bench.live import Event
from tcomp.bench.monitor import RunState
from tcomp.errors import TcompError
from tcomp.files import write_text
from tcomp.report import live_text
from tcomp.report.chart import Chart, Panel, Series
from tcomp.report.drawing import drawn
from tcomp.report.render import EXPLORING, STYLES, chart_text, enclosed, environment
from tcomp.report.words import CHAMBER_CAUTIONS

WRITE_S = 0.35
"""Between two writings; a glance from another room is then less than half a second late. [s]"""
SHOWN_EVENTS = 12

Card = tuple[str, str, str, str]
"""What, value, basis, and how it is marked."""


class PageView:
    """Keeps a page up to date; a page that cannot be written is reported once and does not end the run."""

    patience_s = 10.0  # a page is drawn in a fraction of that, also on a machine that has much else to do

    def __init__(self, path: Path, notify: Callable[[str], None]) -> None:
        self._path, self._notify = path, notify
        self._written_s = float("-inf")
        self._reported = False
        self._ended = False

    def show(self, state: RunState) -> None:
        """Write the page, if it is time."""
        now_s = time.monotonic()
        if now_s - self._written_s < WRITE_S and not self._ended:
            return
        self._written_s = now_s
        try:
            write_text(self._path, self.page(state), lasting=False)  # a slow disk must not hold up the run
        except TcompError as error:
            if not self._reported:
                self._reported = True
                self._notify(f"the page is not written: {error}")

    def page(self, state: RunState) -> str:
        """The page as text."""
        time_s, temperature_c, offset_ppb = state.drawn.T[:3]
        charts = [
            time_chart(
                "temperature", "What is the temperature?", "temperature [degC]", "heating", time_s, temperature_c
            ),
            time_chart("offset", "What is the offset?", "offset [ppb]", "cooling", time_s, offset_ppb),
        ]
        shown = [one for one in charts if one is not None]
        return (
            environment()
            .get_template("live.html")
            .render(
                state=state,
                ended=self._ended,
                clock=live_text.clock_text(state.time_s),
                span=live_text.span_text(state.elapsed_s),
                left=live_text.span_text(state.progress.left_s if state.progress is not None else 0.0),
                warnings=tuple(live_text.warnings(state)),
                cards=cards(state),
                charts=[drawn(one) for one in shown],
                sources=[
                    (source.name, _values(source.values), source.samples, _faults(source.faults), source.gone)
                    for source in state.sources
                ],
                events=[live_text.event_line(event) for event in state.events[::-1][:SHOWN_EVENTS]],
                cautions=CHAMBER_CAUTIONS if state.chamber else (),
                **enclosed(STYLES, (*EXPLORING, *(() if self._ended else ("live.js",))), chart_text(shown)),
            )
        )

    def notify(self, event: Event) -> None:
        """Write the page at the next state; the last event ends its reloading."""
        self._ended = self._ended or event.what == "end"
        self._written_s = float("-inf")

    def close(self) -> None:
        """Nothing is open."""


def cards(state: RunState) -> tuple[Card, ...]:
    """The figures that matter: what, value, basis, mark."""
    settled = live_text.settled_text(state)
    reference, interval = live_text.reference_text(state), live_text.noise_interval_text(state)
    found = [
        ("temperature", live_text.celsius(state.temperature_c), live_text.rate_text(state), ""),
        ("offset", live_text.offset(state.offset_ppb), "positive: the oscillator is fast", ""),
        ("noise (Allan deviation)", live_text.noise_text(state), f"95 %: {interval} ppb" if interval else "", ""),
        ("soak", settled, live_text.settled_reason(state), "good" if settled == "settled" else ""),
        ("reference", reference, "", "warn" if state.reference_ok is False else ""),
    ]
    if state.chamber:
        found.append(("chamber", state.chamber, "", "warn" if state.chamber_unconfirmed else ""))
    elif state.progress is not None:
        found.append(("set the chamber to", live_text.celsius(state.progress.set_point_c), "now", ""))
    else:
        found.append(("time", live_text.progress_text(state), "", ""))
    return tuple(found)


def _values(values: dict[str, float]) -> str:
    return ", ".join(f"{name} {value:.12g}" for name, value in values.items())


def _faults(faults: dict[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in faults.items()) or "none"


GAP_INTERVALS = 5.0
"""A step longer than this many of the usual intervals breaks the line (as `tcomp inspect` defines a gap)."""
ROOM = 0.15
UNITS = (("h", 3600.0, 7200.0), ("min", 60.0, 120.0), ("s", 1.0, 0.0))
"""Unit of the times, its length, and the span from which it is taken. [s]"""


def time_chart(
    name: str, question: str, label: str, colour: str, time_s: FloatArray, values: FloatArray
) -> Chart | None:
    """Chart of values over time; None if there are fewer than two.

    Parameters
    ----------
    name, question, label, colour : str
        Identifier, heading, label of the values with their unit, and the style sheet's name of a colour.
    time_s, values : ndarray of shape (n,)
        NaN breaks the line. [s, any unit]

    Examples
    --------
    >>> found = time_chart("offset", "?", "offset [ppb]", "cooling", np.array([0.0, 60.0, 600.0]), np.array([0.0, 1.0, 2.0]))
    >>> found.x_words, found.panels[0].series[0].x.tolist()
    ('time since the start [min]', [0.0, 1.0, 10.0])
    """
    finite = np.isfinite(values)
    if finite.sum() < 2 or time_s[-1] <= time_s[0]:
        return None
    elapsed_s = time_s - time_s[0]
    unit, length_s = next((u, s) for u, s, shortest_s in UNITS if elapsed_s[-1] >= shortest_s)
    steps_s = np.diff(time_s)
    breaks = np.flatnonzero(steps_s > GAP_INTERVALS * np.median(steps_s)) + 1
    units = elapsed_s / length_s
    along, shown = np.insert(units, breaks, units[breaks]), np.insert(values, breaks, np.nan)
    line = Series("", along, shown, "line", colour)
    panel = Panel(f"{label}; gross errors are drawn at the edge", (line,), shown=_ends(values[finite]), low=True)
    return Chart(name, question, f"{label} over time", "", f"time since the start [{unit}]", (panel,))


def _ends(values: FloatArray) -> tuple[float, float]:
    """The range of all but gross errors, which would make everything else a flat line."""
    lowest, low, high, highest = np.percentile(values, [0.0, 1.0, 99.0, 100.0])
    room = ROOM * (high - low)
    low, high = float(max(lowest, low - room)), float(min(highest, high + room))
    return (low, high) if high - low >= 1e-9 else (low - 0.5, high + 0.5)
