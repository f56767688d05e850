"""A board and a chamber's controller at pseudo-terminals, and `tcomp log --drive` of them whose output nobody reads; invented."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from bench_instruments import PtyBoard, board, job_text

from tcomp.bench.clock import unix_s

ROOT = Path(__file__).parent.parent
SENSOR_LOST_S = 4.0
"""Longer than a busy machine holds up a thread. [s]"""
PLAN = "what,from_c,to_c,minutes,settle_min,average_min\nramp,20,40,0.02,,\nsoak,40,40,60,5,55\n"
JOB = """
[log]
settled_c = 1
settled_ppb = 1
sync_s = 1
[chamber]
lowest_c = -20
highest_c = 60
[controller]
port = "{port}"
set = "SP {{:.2f}}"
echo = "^SP ([-0-9.]+)$"
safe_c = 20
timeout_s = 2
sensor_lost_s = {lost_s}
watchdog = "alive"
alarm_command = ["touch", "alarm"]
"""


class Bench:
    """A board and a controller at pseudo-terminals, which note when they sent and were set; and `tcomp log`, unread.

    The board is at the set-point at once, or at what ``temperature_c`` says.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.temperature_c: Callable[[], float] = lambda: self.set_points[-1][1] if self.set_points else 20.0
        self.set_points: list[tuple[float, float]] = []
        self.sent_s: list[float] = []
        self.board = PtyBoard(folder / "board", self._line, 0.02)
        self.controller = PtyBoard(folder / "plate", self._take, asked=True)
        (folder / "plan.csv").write_text(PLAN)
        job = JOB.format(port=self.controller.link, lost_s=SENSOR_LOST_S)
        (folder / "job.toml").write_text(job_text(board(self.board.link), job))
        self.process: subprocess.Popen[bytes] | None = None
        self.handles: list[int] = []

    def _line(self, _: str) -> bytes:
        self.sent_s.append(time.time())
        return f"{self.temperature_c():.4f},12800001.25\n".encode()

    def _take(self, line: str) -> bytes:
        match = re.fullmatch(r"SP (\S+)", line)
        assert match is not None
        self.set_points.append((time.time(), float(match[1])))
        return line.encode() + b"\n"

    def start(self, way: str) -> subprocess.Popen[bytes]:
        """With stdout and stderr on something that nobody reads: a terminal, or a pipe that is full already."""
        if way == "terminal":
            ours, theirs = os.openpty()
        else:
            ours, theirs = os.pipe()
            os.set_blocking(theirs, False)
            with suppress(BlockingIOError):
                while os.write(theirs, b"x" * 4096):
                    pass
            os.set_blocking(theirs, True)
        command = [sys.executable, "-m", "tcomp", "log", "job.toml", "--plan", "plan.csv", "--drive", "--every", "0.1"]
        environment = os.environ | {"PYTHONPATH": str(ROOT), "TERM": "xterm"}
        self.process = subprocess.Popen(
            command, cwd=self.folder, stdout=theirs, stderr=theirs, env=environment, start_new_session=True
        )
        os.close(theirs)
        self.handles.append(ours)
        return self.process

    def is_driven(self) -> bool:
        """Whether the ramp has come to its end."""
        return bool(self.set_points) and self.set_points[-1][1] == 40.0

    @property
    def log(self) -> str:
        path = self.folder / "job.log.csv"
        return path.read_text() if path.exists() else ""

    def rows_s(self) -> list[float]:
        return [unix_s(stamp) for stamp in re.findall(r"^(2\S+?Z),.*\n", self.log, flags=re.M)]

    def close(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
        for handle in self.handles:
            os.close(handle)
        self.board.unplug()
        self.controller.unplug()


def until(holds: Callable[[], object], what: str, seconds: float = 60.0) -> float:
    """Wait for it; how long that took. [s]"""
    began_s = time.monotonic()
    while not holds():
        assert time.monotonic() - began_s < seconds, f"{what}: not within {seconds:g} s"
        time.sleep(0.01)
    return time.monotonic() - began_s
