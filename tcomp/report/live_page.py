"""The page of a run that goes on: self-contained, written anew as a whole, it loads itself again."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from tcomp.bench.events import Event
from tcomp.bench.state import State
from tcomp.errors import TcompError
from tcomp.files import write_text
from tcomp.report import live_text as words
from tcomp.report.cautions import CHAMBER_CAUTIONS
from tcomp.report.drawing import drawn
from tcomp.report.live_charts import over_time
from tcomp.report.render import enclosed, environment

WRITE_S = 0.35
"""Between two writings; a glance from another room is then less than half a second late. [s]"""
SHOWN_EVENTS = 12

Card = tuple[str, str, str, str]
"""What, value, basis, and how it is marked."""


class PageView:
    """Keeps a page up to date; a page that cannot be written is told once and does not end the run."""

    def __init__(self, path: Path, say: Callable[[str], None]) -> None:
        self._path, self._say = path, say
        self._written_s = float("-inf")
        self._told = False
        self._ended = False

    def show(self, state: State) -> None:
        """Write the page, if it is time."""
        now_s = time.monotonic()
        if now_s - self._written_s < WRITE_S and not self._ended:
            return
        self._written_s = now_s
        try:
            write_text(self._path, self.page(state), lasting=False)  # a slow disk must not hold up the run
        except TcompError as error:
            if not self._told:
                self._told = True
                self._say(f"the page is not written: {error}")

    def page(self, state: State) -> str:
        """The page as text."""
        time_s, temperature_c, offset_ppb = state.drawn.T[:3]
        charts = (
            over_time(
                "temperature", "What is the temperature?", "temperature [degC]", "heating", time_s, temperature_c
            ),
            over_time("offset", "What is the offset?", "offset [ppb]", "cooling", time_s, offset_ppb),
        )
        return (
            environment()
            .get_template("live.html")
            .render(
                state=state,
                ended=self._ended,
                clock=words.clock_words(state.time_s),
                span=words.span_words(state.elapsed_s),
                left=words.span_words(state.progress.left_s if state.progress is not None else 0.0),
                warnings=tuple(words.warnings(state)),
                cards=cards(state),
                charts=[drawn(one) for one in charts if one is not None],
                sources=[
                    (source.name, _values(source.values), source.samples, _faults(source.faults), source.gone)
                    for source in state.sources
                ],
                events=[words.event_line(event) for event in state.events[::-1][:SHOWN_EVENTS]],
                cautions=CHAMBER_CAUTIONS if state.chamber else (),
                **enclosed(("page.css",), () if self._ended else ("live.js",)),
            )
        )

    def tell(self, event: Event) -> None:
        """Show it at the next look; the last event is the last look."""
        self._ended = self._ended or event.what == "end"
        self._written_s = float("-inf")

    def close(self) -> None:
        """Nothing is open."""


def cards(state: State) -> tuple[Card, ...]:
    """The figures that matter: what, value, basis, mark."""
    settled = words.settled_words(state)
    reference = words.reference_words(state)
    found = [
        ("temperature", words.celsius(state.temperature_c), words.rate_words(state), ""),
        ("offset", words.offset(state.offset_ppb), "positive: the oscillator is fast", ""),
        ("noise (Allan deviation)", *_halves(words.noise_words(state)), ""),
        ("soak", settled, words.settled_reason(state), "good" if settled == "settled" else ""),
        ("reference", reference, "", "warn" if state.reference_well is False else ""),
    ]
    if state.chamber:
        found.append(("chamber", state.chamber, "", "warn" if state.chamber.startswith("NOT") else ""))
    elif state.progress is not None:
        found.append(("set the chamber to", words.celsius(state.progress.set_point_c), "now", ""))
    else:
        found.append(("time", words.progress_words(state), "", ""))
    return tuple(found)


def _halves(text: str) -> tuple[str, str]:
    value, _, rest = text.partition(" (")
    return value, f"95 %: {rest[:-1]} ppb" if rest else ""


def _values(values: dict[str, float]) -> str:
    return ", ".join(f"{name} {value:.12g}" for name, value in values.items())


def _faults(faults: dict[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in faults.items()) or "none"
