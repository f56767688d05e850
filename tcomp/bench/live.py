"""A run while it goes on: its events, the user's commands that are run at them, and the views that show it."""

from __future__ import annotations

import queue
import subprocess
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, Protocol

if TYPE_CHECKING:
    from tcomp.bench.monitor import RunState

What = Literal["start", "set", "soak", "fault", "well", "clock", "gap", "safe", "alarm", "end"]
COMMAND_EVENTS: frozenset[What] = frozenset({"set", "soak", "fault", "well", "safe", "alarm", "end"})
"""Events at which the user's command is run."""
ALARM_EVENTS: frozenset[What] = frozenset({"alarm"})
"""Events at which the user's alarm is run."""
MAX_AT_ONCE = 4
"""Commands that may run at the same time."""
LOOK_S = 0.2
"""Time between two looks whether a command has ended. [s]"""
FINISH_S = 2.0
"""How long commands that still run at the end of the log are waited for. [s]"""
MAX_WAITING = 200
"""Events that wait for a view which is stuck; older ones are dropped, as the log has them."""


@dataclass(frozen=True)
class Event:
    """Something that happened: when, what, and a sentence."""

    time_s: float
    what: What
    text: str


class Announcer:
    """Runs a command of the user at events, from its own thread: nothing waits for it.

    ``key`` is its key in the job; ``at`` are the events at which it is run.
    """

    def __init__(self, key: str, command: tuple[str, ...], folder: Path, at: frozenset[What] = COMMAND_EVENTS) -> None:
        self._key, self._command, self._folder, self._at = key, command, folder, at
        self.troubles: list[str] = []
        self._reported = 0
        self._running: list[subprocess.Popen[bytes]] = []
        self._events: queue.SimpleQueue[Event | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name=key, daemon=True)

    def notify(self, event: Event) -> None:
        """Run the command with two more arguments, what and the sentence; not while `MAX_AT_ONCE` of them still run."""
        if not self._command or event.what not in self._at:
            return
        if self._thread.ident is None:
            self._thread.start()
        self._events.put(event)

    def _run(self) -> None:
        while True:
            try:
                event = self._events.get(timeout=LOOK_S)
            except queue.Empty:
                self._look_after()
                continue
            self._look_after()
            if event is None:
                break
            if len(self._running) < MAX_AT_ONCE:
                self._start(event)
        until_s = time.monotonic() + FINISH_S
        while self._running and time.monotonic() < until_s:
            time.sleep(0.01)
            self._look_after()

    def _start(self, event: Event) -> None:
        quiet = subprocess.DEVNULL
        try:
            self._running.append(
                subprocess.Popen(
                    [*self._command, event.what, event.text], cwd=self._folder, stdin=quiet, stdout=quiet, stderr=quiet,
                    start_new_session=True,
                )
            )  # fmt: skip
        except OSError as error:
            self._add_trouble(f"{self._key}: {self._command[0]} cannot be started ({error.strerror})")

    def _look_after(self) -> None:
        for process in [one for one in self._running if one.poll() is not None]:
            self._running.remove(process)
            if process.returncode:
                self._add_trouble(f"{self._key}: {self._command[0]} left with exit code {process.returncode}")

    def _add_trouble(self, text: str) -> None:
        if text not in self.troubles:
            self.troubles.append(text)

    def new_troubles(self) -> list[str]:
        """What went wrong with the command since the last call, each once."""
        new, self._reported = self.troubles[self._reported :], len(self.troubles)
        return new

    def finish(self) -> None:
        """Wait up to `FINISH_S` for the commands that still run, then leave them."""
        if self._thread.ident is not None:
            self._events.put(None)
            self._thread.join(FINISH_S + LOOK_S)


class View(Protocol):
    """Something that shows a run; its methods are called from one thread, and may block."""

    patience_s: float
    """How long its last frame is waited for at the end. [s]"""

    def show(self, state: RunState) -> None:
        """Show the state of the run; called a few times a second."""

    def notify(self, event: Event) -> None:
        """Show an event, at once."""

    def close(self) -> None:
        """The run is over."""


class Display:
    """All views of a run, each in its own thread: one that is stuck misses frames, and holds up nothing but itself.

    No call waits for a view, except `close`, which waits no longer than their patience.

    Examples
    --------
    >>> class Lines:
    ...     patience_s = 10.0
    ...     def show(self, state): print("a frame")
    ...     def notify(self, event): print(event.text)
    ...     def close(self): print("over")
    >>> display = Display((Lines(),))
    >>> display.notify(Event(0.0, "fault", "a port is gone"))
    >>> display.close()
    a port is gone
    over
    """

    def __init__(self, views: Sequence[View]) -> None:
        self._screens = [_Screen(view) for view in views]
        self._reported: set[str] = set()

    def show(self, state: RunState) -> None:
        """Show the state; a view that still draws the one before misses it."""
        for screen in self._screens:
            screen.show(state)

    def notify(self, event: Event) -> None:
        """Show an event; events keep their order."""
        for screen in self._screens:
            screen.notify(event)

    def new_troubles(self) -> list[str]:
        """Which views have failed since the last call; they are not drawn any more, and the run goes on."""
        new = [screen.trouble for screen in self._screens if screen.trouble and screen.trouble not in self._reported]
        self._reported.update(new)
        return new

    @property
    def has_views(self) -> bool:
        """Whether there is a view that has not failed."""
        return any(not screen.trouble for screen in self._screens)

    def close(self) -> None:
        """Let each view draw what waits, and end it; one that is stuck is left."""
        began_s = time.monotonic()
        for screen in self._screens:
            screen.close()
        for screen in self._screens:
            screen.join(began_s)


class _Screen:
    """One view, its thread, and what waits for it: some events, and the newest state."""

    def __init__(self, view: View) -> None:
        self._view = view
        self._wake = threading.Condition()
        self._events: deque[Event] = deque(maxlen=MAX_WAITING)
        self._state: RunState | None = None
        self._closing = False
        self.trouble = ""
        self._thread = threading.Thread(target=self._run, name="view", daemon=True)
        self._thread.start()

    def show(self, state: RunState) -> None:
        with self._wake:
            self._state = state
            self._wake.notify()

    def notify(self, event: Event) -> None:
        with self._wake:
            self._events.append(event)
            self._wake.notify()

    def close(self) -> None:
        with self._wake:
            self._closing = True
            self._wake.notify()

    def join(self, began_s: float) -> None:
        self._thread.join(max(0.0, began_s + self._view.patience_s - time.monotonic()))

    def _run(self) -> None:
        try:
            while self._draw():
                pass
            self._view.close()
        except Exception as error:
            self.trouble = f"a view of the run is left, {error!r}"

    def _draw(self) -> bool:
        """Draw what waits; whether there is more to come."""
        with self._wake:
            while not (self._events or self._state is not None or self._closing):
                self._wake.wait()
            events, state, over = list(self._events), self._state, self._closing
            self._events.clear()
            self._state = None
        for event in events:
            self._view.notify(event)
        if state is not None:
            self._view.show(state)
        return not over
