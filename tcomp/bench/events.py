"""What happens in a run besides samples, and the user's own command that is told of it."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

What = Literal["start", "set", "soak", "fault", "well", "clock", "gap", "safe", "end"]
TOLD: frozenset[What] = frozenset({"set", "soak", "fault", "well", "safe", "end"})
"""Events at which the user's command is run."""
MOST_AT_ONCE = 4


@dataclass(frozen=True)
class Event:
    """Something that happened: what, when, in a sentence."""

    time_s: float
    what: What
    text: str


@dataclass
class Announcer:
    """Runs the user's command at events, beside the log: it is not waited for."""

    command: tuple[str, ...]
    folder: Path
    troubles: list[str] = field(default_factory=list)
    _told: int = 0
    _running: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def tell(self, event: Event) -> None:
        """Run the command with two words more, what and the sentence; not while four of it still run."""
        self._look_after()
        if not self.command or event.what not in TOLD or len(self._running) >= MOST_AT_ONCE:
            return
        quiet = subprocess.DEVNULL
        try:
            self._running.append(
                subprocess.Popen(
                    [*self.command, event.what, event.text], cwd=self.folder, stdin=quiet, stdout=quiet, stderr=quiet,
                    start_new_session=True,
                )
            )  # fmt: skip
        except OSError as error:
            self._trouble(f"at_event: {self.command[0]} cannot be started ({error.strerror})")

    def _look_after(self) -> None:
        for process in [one for one in self._running if one.poll() is not None]:
            self._running.remove(process)
            if process.returncode:
                self._trouble(f"at_event: {self.command[0]} left with exit code {process.returncode}")

    def _trouble(self, text: str) -> None:
        if text not in self.troubles:
            self.troubles.append(text)

    def new_troubles(self) -> list[str]:
        """What went wrong with the command since the last look, each once."""
        self._look_after()
        new, self._told = self.troubles[self._told :], len(self.troubles)
        return new

    def finish(self, wait_s: float = 5.0) -> None:
        """Give the commands that still run a little time, then leave them."""
        for process in self._running:
            try:
                process.wait(wait_s)
            except subprocess.TimeoutExpired:
                continue
        self._look_after()
