"""What a shell offers: in a real bash, with the script that click writes for it."""

from __future__ import annotations

import os
import pty
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tcomp.cli.stages import TARGET_CHOICES
from tcomp.processors import TARGETS

BASH = shutil.which("bash")
pytestmark = pytest.mark.skipif(BASH is None, reason="no bash here: apt-get install bash")
ROOT = Path(__file__).parent.parent


@pytest.fixture
def here(tmp_path: Path) -> Path:
    """A folder with jobs, logs and results, and a ``tcomp`` on the path."""
    for name in ("gauge07.toml", "gauge08.toml", "log.csv", "gauge07.json", "notes.md"):
        (tmp_path / name).write_text("")
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "station.toml").write_text("")
    program = tmp_path / "bin" / "tcomp"
    program.parent.mkdir()
    code = "from tcomp.cli import main; main(prog_name='tcomp')"
    program.write_text(f'#!/bin/sh\nPYTHONPATH={ROOT} exec {sys.executable} -c "{code}" "$@"\n')
    program.chmod(0o755)
    return tmp_path


def environment(here: Path) -> dict[str, str]:
    return {**os.environ, "PATH": f"{here / 'bin'}:{os.environ['PATH']}", "PS1": "ready> ", "TERM": "dumb"}


def offered(here: Path, *words: str) -> list[str]:
    """What bash's completion function offers for the last of the words."""
    script = f"""
        eval "$(_TCOMP_COMPLETE=bash_source tcomp)"
        compopt() {{ :; }}  # works within a key press only; the test below presses keys
        COMP_WORDS=({" ".join(f"'{word}'" for word in words)}); COMP_CWORD={len(words) - 1}
        _tcomp_completion tcomp
        printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    done = subprocess.run(
        [str(BASH), "-c", script], cwd=here, env=environment(here), capture_output=True, text=True, check=True
    )
    return done.stdout.split()


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("tcomp", "b"), ["build"]),
        (("tcomp", "build", "g"), ["gauge07.toml", "gauge08.toml"]),
        (("tcomp", "build", "sub/"), ["sub/station.toml"]),
        (("tcomp", "check", "g"), ["gauge07.json"]),
        (("tcomp", "apply", "gauge07.json", ""), ["log.csv"]),
        (("tcomp", "start", ""), ["log.csv"]),
        (("tcomp", "explain", "turnover"), ["turnover-temperature"]),
        (("tcomp", "explain", "--schema", "su"), ["summary"]),
        (("tcomp", "prove", "gauge07.toml", "--target", "cortex"), ["cortex-m0plus", "cortex-m4"]),
        (("tcomp", "demo", "w"), ["weather_station"]),
        (("tcomp", "build", "gauge07.toml", "--qu"), ["--quiet"]),
    ],
    ids=lambda part: " ".join(part) if isinstance(part, tuple) else "",
)
def test_bash_offers_what_fits(here: Path, words: tuple[str, ...], expected: list[str]) -> None:
    assert offered(here, *words) == expected


def test_a_key_press_completes_a_job_and_a_folder(here: Path) -> None:
    """In an interactive bash on a pseudo-terminal; a folder gets no blank behind it, so that one may go on."""
    process, terminal = pty.fork()
    if process == 0:
        os.chdir(here)
        os.execve(str(BASH), ["bash", "--norc", "--noprofile", "-i"], environment(here))
    try:
        result(terminal, "ready> ")
        os.write(terminal, b'eval "$(_TCOMP_COMPLETE=bash_source tcomp)"; echo se""t\n')
        result(terminal, "\nset\r\n")
        os.write(terminal, b"echo tcomp; tcomp build gauge08\t")
        assert "gauge08.toml " in result(terminal, "gauge08.toml ")
        os.write(terminal, b"\x15: tcomp; tcomp build su\t")
        assert "sub/" in result(terminal, "sub/")
        os.write(terminal, b"sta\t")
        assert "station.toml" in result(terminal, "station.toml ")
    finally:
        os.write(terminal, b"\x03\x04")
        os.close(terminal)
        os.kill(process, 9)
        os.waitpid(process, 0)


def result(terminal: int, awaited: str) -> str:
    """What the shell prints until it has printed what is awaited."""
    text, until_s = "", time.monotonic() + 60.0
    while awaited not in text:
        assert select.select([terminal], [], [], max(0.0, until_s - time.monotonic()))[0], (
            f"waited for {awaited!r}: {text!r}"
        )
        text += os.read(terminal, 4096).decode()
    return text


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_each_shell_that_is_told_of_has_a_script(here: Path, shell: str) -> None:
    script = subprocess.run(
        ["tcomp"],
        env={**environment(here), "_TCOMP_COMPLETE": f"{shell}_source"},
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert f"_TCOMP_COMPLETE={shell}_complete" in script
    text = (ROOT / "docs" / "completion.md").read_text(encoding="utf-8")
    assert f"_TCOMP_COMPLETE={shell}_source tcomp" in text


def test_the_targets_that_are_offered_are_those_of_the_proof() -> None:
    assert ("host", *TARGETS, "all") == TARGET_CHOICES
