"""What stands on a terminal of 80 columns: one screen, aligned, nothing said twice; and in a pipe."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from terminals import Screen, on_terminal

from tcomp.cli import main
from tcomp.cli.terminal import WIDEST

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
RUNS = Path(__file__).parent.parent / "sample_runs"


@pytest.fixture(scope="module")
def here(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the river gauge's job and logs, built; what that printed is in it."""
    folder = tmp_path_factory.mktemp("here")
    for path in (RUNS / "river_gauge").iterdir():
        shutil.copy(path, folder)
    screen = on_terminal(80, "build", "gauge07.toml", cwd=folder)
    assert screen.exit_code == 0, screen.sent
    (folder / "screen.txt").write_text("\n".join(screen.lines), encoding="utf-8")
    return folder


def widest(screen: Screen) -> int:
    return max(map(len, screen.lines))


def test_a_build_fits_on_one_screen_with_its_remarks(here: Path) -> None:
    lines = (here / "screen.txt").read_text(encoding="utf-8").splitlines()
    # Remarks and the four answers; then a blank line and the figures.
    assert lines.index("") <= 24
    assert len(lines) <= 54
    assert max(map(len, lines)) <= 80


def test_a_build_says_no_figure_twice(here: Path) -> None:
    lines = (here / "screen.txt").read_text(encoding="utf-8").splitlines()
    for name in (
        "Now  ",
        "Table  ",
        "Oven?  ",
        "Next  ",
        "lag  ",
        "ageing  ",
        "hysteresis  ",
        "curve  ",
        "proof of the C  ",
    ):
        assert sum(line.startswith(name) for line in lines) == 1, name
    text = " ".join(lines)
    for figure in ("169.9", "none seen", "no shape is left", "65536 codes"):
        assert text.count(figure) == 1, figure


def test_values_stand_below_each_other(here: Path) -> None:
    lines = (here / "screen.txt").read_text(encoding="utf-8").splitlines()
    rows = lines[next(at for at, line in enumerate(lines) if line.startswith("oscillator ")) :]
    column = rows[0].index("gauge 07")
    assert all(len(line) > column and line[column] != " " and line[column - 2 : column] == "  " for line in rows)


@pytest.mark.parametrize(
    "words",
    [
        ("judge", "gauge07.toml"),
        ("inspect", "gauge07.toml"),
        ("plan", "gauge07.toml"),
        ("check", "gauge07.out/table.json", "gauge07.toml"),
        ("prove", "gauge07.toml"),
        ("retrim", "gauge07.out", "--at", "23.5 degC, 9000 ppb, 5 ppb", "--time", "2026-06-01T10:00Z"),
        ("apply", "gauge07.out/curve.json", "2026-03-02_slow.csv", "--frequency", "osc_hz"),
    ],
    ids=lambda words: words[0],
)
def test_no_command_prints_wider_than_the_terminal_or_steers_it(here: Path, words: tuple[str, ...]) -> None:
    screen = on_terminal(80, *words, cwd=here)
    assert screen.exit_code in (0, 1), screen.sent
    assert widest(screen) <= 80
    assert "\x1b" not in screen.sent  # nothing but colours and bold
    assert any(len(line) > 60 for line in screen.lines)  # the width is used


def test_lines_follow_the_width_of_the_terminal_as_far_as_they_can_be_read(here: Path) -> None:
    narrow, wide, widest_of_all = (on_terminal(width, "judge", "gauge07.toml", cwd=here) for width in (80, 110, 300))
    assert len(wide.lines) < len(narrow.lines)
    assert 80 < widest(wide) <= 110
    assert widest(widest_of_all) <= WIDEST


def test_in_a_pipe_a_row_is_a_line_whatever_the_terminal_is(here: Path) -> None:
    def piped(columns: str) -> bytes:
        environment = {"PATH": "", "COLUMNS": columns, "PYTHONPATH": str(RUNS.parent)}
        command = [sys.executable, "-m", "tcomp", "report", "gauge07.toml"]
        return subprocess.run(command, cwd=here, env=environment, capture_output=True, check=True).stdout

    first = piped("40")
    assert first == piped("200")
    assert all(line[0] != " " for line in first.decode().splitlines()[:-1])  # the last explains u


def test_the_list_of_commands_cuts_no_sentence_short() -> None:
    lines = CliRunner().invoke(main, ["--help"], terminal_width=80).stdout.splitlines()
    listed = lines[lines.index("Commands:") + 1 :]
    assert len(listed) == len(main.commands)  # a line each
    assert not [line for line in listed if line.endswith("...")]
