"""Every command that the page and the screen of a build print runs as it is printed."""

from __future__ import annotations

import html
import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tcomp.cli import main
from tcomp.results import Folder

STATION = Path(__file__).parent.parent / "sample_runs" / "weather_station"
LINE = re.compile(r'<code class="do">(.*?)</code>')


def run(line: str) -> str:
    """One line as a shell would split it; it must end with exit code 0."""
    words = shlex.split(line)
    assert words[0] == "tcomp", line
    done = CliRunner().invoke(main, words[1:], prog_name="tcomp", catch_exceptions=False)
    assert done.exit_code == 0, f"{line}\n{done.output}"
    return done.output


def commands_of(page: Path) -> list[str]:
    found = [html.unescape(line) for line in LINE.findall(page.read_text(encoding="utf-8"))]
    return [line for line in found if line.startswith("tcomp ")]


def needs_compiler() -> None:
    if not any(shutil.which(name) for name in ("cc", "gcc", "clang")):
        pytest.skip("needs a C compiler")


def copied_station(folder: Path, job: str) -> Path:
    """A copy of the sample under another name for its job; its log."""
    log = next(path for path in STATION.iterdir() if path.suffix == ".csv")
    shutil.copy(log, folder)
    (folder / job).write_text((STATION / "station_clock.toml").read_text(encoding="utf-8"))
    return log


def test_the_commands_of_a_page_run_as_they_are_printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    needs_compiler()
    monkeypatch.chdir(tmp_path)
    log = copied_station(tmp_path, "roof's clock.toml")
    run('tcomp build "roof\'s clock.toml"')
    results = tmp_path / "roof's clock.out"
    on_page = commands_of(results / "report.html")
    assert {shlex.split(line)[1] for line in on_page} >= {"retrim", "start", "check"}
    shutil.copy(log, tmp_path / "verification.csv")  # the page asks for such a run; here that of the build
    base_ppb = Folder(results).read_curve().base_ppb
    for line in on_page:
        run(line)
    # The point of the example is what the curve predicts, so that the base stays: to half a ppb, as it is printed.
    assert Folder(results).read_curve().base_ppb == pytest.approx(base_ppb, abs=0.5)


def test_the_commands_of_a_screen_run_as_they_are_printed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    copied_station(tmp_path, "station's.toml")
    screen = run('tcomp build "station\'s.toml" --into "what came out"')
    printed = [line.strip() for line in screen.splitlines() if line.strip().startswith("tcomp ")]
    assert printed
    for line in printed:
        run(line.replace("--target all", "--target host"))  # others are tried by tests/test_proof_targets.py


def test_runs_without_a_clock_are_trimmed_as_the_page_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    needs_compiler()
    up = np.linspace(0.0, 50.0, 300)
    temperature_c = np.concatenate([up, up[::-1]])
    offset_ppb = -3.0 * (temperature_c - 25.0) ** 2 + np.random.default_rng(8).normal(0.0, 2.0, 600)  # invented
    rows = "\n".join(
        f"{10 * i},{t:.4f},{y:.4f}" for i, (t, y) in enumerate(zip(temperature_c, offset_ppb, strict=True))
    )
    Path("log.csv").write_text(f"s,t,y\n{rows}\n")
    keys = 'file = "log.csv"\ntime = "s"\ntemperature = "t"\noffset = "y"\noffset_unit = "ppb"\n'
    Path("a.toml").write_text(f'[oscillator]\nname = "a"\n[[run]]\n{keys}')
    run("tcomp build a.toml --quiet")
    (line,) = [line for line in commands_of(Path("a.out/report.html")) if " retrim " in line]
    assert "--since" in line
    assert "TRIMMED" in run(line)


def test_a_planted_command_that_lacks_a_word_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(AssertionError):
        run('tcomp retrim FOLDER --at "23.5 degC, 120 ppb, 5 ppb"')
