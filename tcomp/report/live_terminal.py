"""The terminal view of a run that goes on."""

from __future__ import annotations

import sys
from typing import Any, TextIO

from tcomp.bench.live import Event
from tcomp.bench.monitor import RunState
from tcomp.errors import BenchError
from tcomp.report import live_text

SHOWN_EVENTS = 6
BELLS = {"fault": 1, "safe": 1, "end": 1, "set": 1, "soak": 1, "alarm": 5}
"""How often the terminal's bell sounds at an event."""


class TerminalView:
    """A screen that is kept up to date; BenchError if its library is not installed."""

    patience_s = 1.0

    def __init__(self, stream: TextIO | None = None) -> None:
        try:
            from rich.console import Console
            from rich.live import Live
        except ImportError as error:
            raise BenchError("the terminal view needs rich: pip install rich, or log with --plain") from error
        self._console = Console(file=stream or sys.stderr)
        # Other output does not pass through the view: it would have to wait when the view is stuck.
        self._live = Live(
            console=self._console, auto_refresh=False, transient=False, redirect_stdout=False, redirect_stderr=False
        )
        self._begun = False

    def show(self, state: RunState) -> None:
        """Draw the state."""
        if not self._begun:
            self._begun = True
            self._live.start()
        self._live.update(screen(state), refresh=True)

    def notify(self, event: Event) -> None:
        """Sound the bell; the event itself is drawn with the next state."""
        for _ in range(BELLS.get(event.what, 0)):
            self._console.bell()

    def close(self) -> None:
        """Leave the last state on the screen."""
        if self._begun:
            self._live.stop()


def screen(state: RunState) -> Any:
    """The state as a renderable of rich."""
    from rich.console import Group
    from rich.panel import Panel
    from rich.progress_bar import ProgressBar
    from rich.table import Table
    from rich.text import Text

    figures = Table.grid(padding=(0, 2))
    for name, value, style in _figures(state):
        figures.add_row(Text(name, style="dim"), Text(value, style=style))
    parts: list[Any] = [figures]
    if state.progress is not None:
        parts += [Text(""), ProgressBar(total=1.0, completed=state.progress.part, complete_style="green")]
    sources = Table.grid(padding=(0, 2))
    for source in state.sources:
        style = "bold red" if source.gone else ""
        sources.add_row(Text(source.name, style="dim"), Text(live_text.source_text(source), style=style))
    parts += [Text(""), sources]
    parts += [Text(f"{warning}", style="bold red") for warning in live_text.warnings(state)]
    parts += [Text(""), *(_event(event) for event in state.events[-SHOWN_EVENTS:])]
    title = f"{state.name}  {live_text.clock_text(state.time_s)} UTC"
    return Panel(Group(*parts), title=title, subtitle=f"{state.rows} rows in {state.file.name}", title_align="left")


def _figures(state: RunState) -> list[tuple[str, str, str]]:
    settled, interval = live_text.settled_text(state), live_text.noise_interval_text(state)
    found = [
        ("temperature", f"{live_text.celsius(state.temperature_c)}   {live_text.rate_text(state)}", "bold"),
        ("offset", live_text.offset(state.offset_ppb), "bold"),
        ("noise", f"{live_text.noise_text(state)} ({interval})" if interval else live_text.noise_text(state), ""),
        ("reference", live_text.reference_text(state), "bold red" if state.reference_ok is False else ""),
        ("soak", settled, "bold green" if settled == "settled" else ""),
        ("", live_text.settled_reason(state), "dim"),
    ]
    if state.chamber:
        found.append(("chamber", state.chamber, "bold red" if state.chamber_unconfirmed else ""))
    if state.progress is not None:
        found += [
            ("plan", live_text.progress_text(state), ""),
            ("now", state.progress.summary, "bold"),
            ("set-point", live_text.celsius(state.progress.set_point_c), ""),
        ]
    else:
        found.append(("time", live_text.progress_text(state), ""))
    return found


def _event(event: Event) -> Any:
    from rich.text import Text

    style = {"fault": "red", "alarm": "bold white on red", "soak": "green", "safe": "yellow"}.get(event.what, "dim")
    return Text(live_text.event_line(event), style=style, overflow="ellipsis", no_wrap=True)
