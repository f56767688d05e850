"""The terminal view of a run that goes on."""

from __future__ import annotations

from typing import Any

from tcomp.bench.events import Event
from tcomp.bench.state import State
from tcomp.errors import BenchError
from tcomp.report import live_text as words

SHOWN_EVENTS = 6
ALARMS = frozenset({"fault", "safe", "end", "set", "soak"})
"""Events at which the terminal's bell sounds."""


class TerminalView:
    """A screen that is kept up to date; BenchError if the library for it is not there."""

    def __init__(self) -> None:
        try:
            from rich.console import Console
            from rich.live import Live
        except ImportError as error:
            raise BenchError('the terminal view needs rich: pip install "tcomp[log]", or log with --plain') from error
        self._console = Console(stderr=True)
        self._live = Live(console=self._console, auto_refresh=False, transient=False)
        self._begun = False

    def show(self, state: State) -> None:
        """Draw the state."""
        if not self._begun:
            self._begun = True
            self._live.start()
        self._live.update(screen(state), refresh=True)

    def tell(self, event: Event) -> None:
        """Sound the bell; what happened is drawn at the next look."""
        if event.what in ALARMS:
            self._console.bell()

    def close(self) -> None:
        """Leave the last state on the screen."""
        if self._begun:
            self._live.stop()


def screen(state: State) -> Any:
    """The state as something that rich draws."""
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
        sources.add_row(Text(source.name, style="dim"), Text(words.source_words(source), style=style))
    parts += [Text(""), sources]
    parts += [Text(f"{warning}", style="bold red") for warning in words.warnings(state)]
    parts += [Text(""), *(_event(event) for event in state.events[-SHOWN_EVENTS:])]
    title = f"{state.name}  {words.clock_words(state.time_s)} UTC"
    return Panel(Group(*parts), title=title, subtitle=f"{state.rows} rows in {state.file.name}", title_align="left")


def _figures(state: State) -> list[tuple[str, str, str]]:
    settled = words.settled_words(state)
    found = [
        ("temperature", f"{words.celsius(state.temperature_c)}   {words.rate_words(state)}", "bold"),
        ("offset", words.offset(state.offset_ppb), "bold"),
        ("noise", words.noise_words(state), ""),
        ("reference", words.reference_words(state), "bold red" if state.reference_well is False else ""),
        ("soak", settled, "bold green" if settled == "settled" else ""),
        ("", words.settled_reason(state), "dim"),
    ]
    if state.chamber:
        found.append(("chamber", state.chamber, "bold red" if state.chamber.startswith("NOT") else ""))
    if state.progress is not None:
        found += [
            ("plan", words.progress_words(state), ""),
            ("now", state.progress.words, "bold"),
            ("set-point", words.celsius(state.progress.set_point_c), ""),
        ]
    else:
        found.append(("time", words.progress_words(state), ""))
    return found


def _event(event: Event) -> Any:
    from rich.text import Text

    style = {"fault": "red", "soak": "green", "safe": "yellow"}.get(event.what, "dim")
    return Text(words.event_line(event), style=style, overflow="ellipsis", no_wrap=True)
