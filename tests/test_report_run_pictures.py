"""What ``tcomp inspect`` shows, in words, figures and pictures."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from tcomp import workflow
from tcomp.cli import main
from tcomp.job import read_job
from tcomp.logs import prepare_runs
from tcomp.logs.inspection import Survey
from tcomp.report.runs import hours_text, panels, write_survey

ROOT = Path(__file__).parent.parent / "sample_runs"
RIVER = ROOT / "river_gauge" / "gauge07.toml"
STATION = ROOT / "weather_station" / "station_clock.toml"


def inspect(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["inspect", *(str(word) for word in words)], catch_exceptions=False)


@pytest.fixture(scope="module")
def river() -> Survey:
    job = read_job(RIVER)
    return workflow.survey(job, prepare_runs(job))


def drawn(survey: Survey) -> Figure:
    figure = Figure(figsize=(8.2, 7.4 * len(survey.runs)), layout="constrained")
    FigureCanvasAgg(figure)
    panels(survey)(figure)
    return figure


def test_two_runs_fit_on_two_screens(tmp_path: Path) -> None:
    result = inspect(RIVER, "--into", tmp_path, "--quiet")
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert len(lines) <= 48
    # In a pipe a value stays on its line; on a terminal it goes on below itself (tests/test_cli_screen.py).
    assert max(len(line) for line in lines if not line.startswith("  hint")) <= 140
    assert "  heating            -19.94 to 59.62 degC at 0.35 degC/min, 4.0 h" in lines
    assert sum(line.startswith("  noise") for line in lines) == 2
    assert (tmp_path / "clean.parquet").is_file()


def test_a_lag_holds_the_soaks_against_it(tmp_path: Path) -> None:
    assert "5 times the lag of 300 s" not in inspect(RIVER, "--into", tmp_path).stdout
    assert "make it 25 min, 5 times the lag of 300 s" in inspect(RIVER, "--into", tmp_path, "--lag", "300").stdout
    job = tmp_path / "given.toml"
    job.write_text(RIVER.read_text().replace('file = "', f'file = "{RIVER.parent}/') + "\n")
    job.write_text(job.read_text().replace("[fit]\n", "[fit]\nlag = 300\n"))
    assert "5 times the lag of 300 s" in inspect(job, "--into", tmp_path).stdout


def test_the_figures_for_machines_say_the_same(tmp_path: Path) -> None:
    figures = json.loads(inspect(STATION, "--into", tmp_path, "--quiet", "--json").stdout)
    (run,) = figures["runs"]
    assert run["noise"]["at_interval_ppb"] == pytest.approx(30.0, rel=0.05)  # planted, sample_runs/README.md
    assert run["noise"]["allan_as_logged"]["tau_s"][:3] == [20.0, 40.0, 80.0]
    assert run["drift"]["between"] == "sweeps"
    assert run["sensor"]["found_c"] == 0.1
    assert figures["not_identifiable"] == []


def test_what_one_sweep_cannot_tell_is_said(tmp_path: Path) -> None:
    rows = "".join(f"{10 * i},{0.1 * i:.3f},{-5.0 * i + i % 3:.2f}\n" for i in range(400))
    (tmp_path / "log.csv").write_text("t,c,y\n" + rows)
    job = tmp_path / "job.toml"
    job.write_text(
        '[oscillator]\nname = "x"\n[[run]]\nfile = "log.csv"\ntime = "t"\ntemperature = "c"\noffset = "y"\n'
        'offset_unit = "ppb"\n[fit]\nrange_c = [0, 60]\n'
    )
    words = inspect(job, "--into", tmp_path / "out").stdout
    assert re.search(r"ageing +not identifiable: one sweep only", words)
    assert re.search(r"lag +not identifiable: one sweep only", words)
    assert "the run only heats" in words
    assert "From 42 to 60 degC nothing was measured." in words
    figures = json.loads(inspect(job, "--into", tmp_path / "out", "--json", "--quiet").stdout)
    assert {one["effect"] for one in figures["not_identifiable"]} == {"lag", "hysteresis", "ageing", "response"}


def test_an_unordered_table_is_shown_without_time(tmp_path: Path) -> None:
    rows = "".join(f"{20 + index % 17}.5,{index % 17 + 0.1 * (index % 3)}\n" for index in range(90))
    (tmp_path / "table.csv").write_text("c,y\n" + rows)
    (tmp_path / "job.toml").write_text(
        '[oscillator]\nname = "x"\n[[run]]\nfile = "table.csv"\ntemperature = "c"\noffset = "y"\noffset_unit = "ppb"\n'
    )
    result = inspect(tmp_path / "job.toml", "--into", tmp_path, "--plot", tmp_path / "table.png")
    assert re.search(r"noise +unknown: the samples have no order in time", result.stdout)
    assert (tmp_path / "table.png").read_bytes().startswith(b"\x89PNG")


def test_each_run_has_its_six_panels_with_units(river: Survey) -> None:
    blocks = drawn(river).subfigs
    assert [block.get_suptitle() for block in blocks] == ["2026-03-02_slow.csv", "2026-03-03_fast.csv"]
    for block in blocks:
        assert [ax.get_ylabel() for ax in block.axes] == [
            "sensor [degC]", "offset [ppb]", "offset [ppb]", "less its cubic [ppb]", "rate [degC/min]", "deviation [ppb]",
        ]  # fmt: skip


def test_the_rate_that_is_drawn_is_the_programmed_one(river: Survey) -> None:
    # sample_runs/README.md: 0.35 and 0.9 degC/min; the board's lag and the controller's hunting leave some per cent.
    for block, planted in zip(drawn(river).subfigs, (0.35, 0.9), strict=True):
        per_min = np.concatenate([np.asarray(line.get_ydata()) for line in block.axes[4].get_lines()[:-1]])
        assert np.percentile(per_min, 90) == pytest.approx(planted, rel=0.1)
        assert np.percentile(per_min, 10) == pytest.approx(-planted, rel=0.1)


def test_every_dropped_sample_with_a_time_is_drawn(river: Survey) -> None:
    for block, seen in zip(drawn(river).subfigs, river.runs, strict=True):
        (crosses,) = [line for line in block.axes[0].get_lines() if line.get_label() == "dropped"]
        shown = int(np.isfinite(np.asarray(crosses.get_ydata(), dtype=float)).sum())
        frame = seen.prepared.run.frame
        first_s, last_s = seen.prepared.run.kept["time_s"].iloc[[0, -1]]
        gone = frame[(frame["dropped"] != "") & frame["temperature_c"].notna()]
        assert shown == int(gone["time_s"].between(first_s, last_s).sum()) > 0


@pytest.mark.parametrize("name", ["runs.svg", "runs.png"])
def test_a_picture_is_the_same_bytes_each_time(name: str, tmp_path: Path) -> None:
    job = read_job(STATION)
    survey = workflow.survey(job, prepare_runs(job))
    first = write_survey(survey, tmp_path / name).read_bytes()
    assert write_survey(survey, tmp_path / f"again_{name}").read_bytes() == first
    assert first.startswith(b"<svg" if name.endswith("svg") else b"\x89PNG")


def test_another_kind_of_picture_is_refused_in_a_sentence(tmp_path: Path) -> None:
    result = inspect(STATION, "--into", tmp_path, "--plot", tmp_path / "runs.pdf")
    assert result.exit_code == 2
    assert "a picture cannot be written as '.pdf'; expected a name that ends in .svg or .png" in result.stderr


def test_durations_are_said_as_people_say_them() -> None:
    assert [hours_text(s) for s in (119.0, 120.0, 7100.0, 7200.0)] == ["119 s", "2.0 min", "118 min", "2.0 h"]
