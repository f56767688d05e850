"""Remarks and progress: on a terminal, in a pipe, and not at all."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tcomp.cli import terminal as terminal_module
from tcomp.cli.terminal import Terminal

ROOT = Path(__file__).parent.parent
STATION = ROOT / "sample_runs" / "weather_station" / "station_clock.toml"
RIVER = ROOT / "sample_runs" / "river_gauge" / "gauge07.toml"


class Screen(io.StringIO):
    """A stream that is a terminal."""

    def isatty(self) -> bool:
        return True

    def lines(self) -> list[str]:
        """What stands there in the end, each line as it was last written over."""
        return [part.split("\r")[-1].rstrip() for part in self.getvalue().replace("\r\n", "\n").split("\n")]


class Clock:
    def __init__(self) -> None:
        self.now_s = 100.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    clock = Clock()
    monkeypatch.setattr(terminal_module, "time", clock)
    return clock


def read_for(clock: Clock, terminal: Terminal, seconds: int) -> None:
    """A log of 100 MB, of which 10 MB are read each second."""
    for second in range(seconds + 1):
        terminal.progress("reading gauge.csv", 10.0 * second, 100.0, "MB")
        clock.now_s += 1.0


def test_a_stage_of_some_seconds_tells_rate_and_time_left(clock: Clock) -> None:
    screen = Screen()
    read_for(clock, Terminal(False, screen), 4)
    assert screen.lines() == ["reading gauge.csv: 40 %, 10 MB/s, 6 s left"]


def test_what_is_done_within_a_second_tells_nothing(clock: Clock) -> None:
    screen = Screen()
    terminal = Terminal(False, screen)
    for percent in range(101):
        terminal.progress("reading gauge.csv", percent, 100.0, "MB")
        clock.now_s += 0.009
    assert screen.getvalue() == ""


def test_the_line_is_gone_when_the_stage_is_done_and_when_a_remark_is_said(clock: Clock) -> None:
    screen = Screen()
    terminal = Terminal(False, screen)
    read_for(clock, terminal, 5)
    terminal.notify("gauge.csv: Fields are separated by commas.")
    read_for(clock, terminal, 10)
    assert screen.lines() == ["gauge.csv: Fields are separated by commas.", ""]


def test_each_stage_begins_anew(clock: Clock) -> None:
    screen = Screen()
    terminal = Terminal(False, screen)
    read_for(clock, terminal, 3)
    terminal.progress("learning the curve", 0, 8)
    clock.now_s += 2.0
    terminal.progress("learning the curve", 1, 8)
    assert screen.lines() == ["learning the curve: 12 %, 14 s left"]


def test_a_pipe_gets_remarks_and_no_progress(clock: Clock) -> None:
    pipe = io.StringIO()
    terminal = Terminal(False, pipe)
    read_for(clock, terminal, 4)
    terminal.notify("gauge.csv: Fields are separated by commas.")
    assert pipe.getvalue() == "gauge.csv: Fields are separated by commas.\n"


def test_quiet_is_quiet_on_a_terminal(clock: Clock) -> None:
    screen = Screen()
    terminal = Terminal(True, screen)
    read_for(clock, terminal, 4)
    terminal.notify("gauge.csv: Fields are separated by commas.")
    assert screen.getvalue() == ""


@pytest.mark.parametrize("options", [(), ("--quiet",)])
def test_a_piped_command_writes_no_line_over(tmp_path: Path, options: tuple[str, ...]) -> None:
    command = [sys.executable, "-m", "tcomp", "inspect", str(STATION), "--into", str(tmp_path), *options]
    done = subprocess.run(command, capture_output=True, check=True)
    assert b"\r" not in done.stderr
    assert bool(done.stderr) == (not options)


def loaded_by(*words: str | Path) -> set[str]:
    """Libraries, and rooms of ours, that a command has loaded when it ends."""
    code = (
        "import sys\nfrom tcomp.cli import main\n"
        f"try:\n    main({[str(word) for word in words]!r}, standalone_mode=False)\nexcept SystemExit:\n    pass\n"
        "print('LOADED', *sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    modules = re.search(r"^LOADED (.*)$", done.stdout, re.MULTILINE)
    assert modules is not None
    names = {name.split(".")[0] for name in modules[1].split()}
    ours = {name.split(".")[1] for name in modules[1].split() if name.startswith("tcomp.")}
    return (names & LIBRARIES) | ours


LIBRARIES = {"numpy", "scipy", "pandas", "pyarrow", "sklearn", "matplotlib", "jinja2", "unicorn", "ziglang"}

COMMAND_LINE = {"cli", "errors", "kernels", "processors"}


@pytest.mark.parametrize("words", [("--help",), ("build", "--help"), ("check", "--help"), ("--version",)])
def test_help_loads_the_command_line_alone(words: tuple[str, ...]) -> None:
    assert loaded_by(*words) == COMMAND_LINE


def test_cheap_commands_load_no_more_than_the_job(tmp_path: Path) -> None:
    assert loaded_by("build", "--explain") == COMMAND_LINE | {"job", "units"}
    assert loaded_by("start", "--into", tmp_path / "job.toml") == COMMAND_LINE | {"files", "job", "starter", "units"}


@pytest.mark.parametrize("words", [("explain",), ("explain", "held", "out"), ("explain", "--schema", "summary")])
def test_to_explain_a_word_loads_no_library(words: tuple[str, ...]) -> None:
    assert LIBRARIES & loaded_by(*words) == set()


def test_stages_load_no_library_of_another_stage(tmp_path: Path) -> None:
    stage = (RIVER, "--into", tmp_path, "--quiet")
    assert LIBRARIES & loaded_by("inspect", *stage) == {"numpy", "pandas", "pyarrow", "scipy"}
    assert LIBRARIES & loaded_by("fit", *stage) == {"numpy", "pandas", "pyarrow", "scipy"}
    assert LIBRARIES & loaded_by("table", *stage) == {"numpy", "scipy"}
    assert LIBRARIES & loaded_by("export", *stage) == {"numpy"}
