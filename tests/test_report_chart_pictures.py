"""Pictures that the commands write: the values of the frame or document that they show, each at its place."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

from tcomp import workflow
from tcomp.documents.verdict import VerdictDocument
from tcomp.job import read_job
from tcomp.report.chart import Chart, Panel, Series
from tcomp.report.chart_picture import draw_chart, write_charts
from tcomp.report.charts import curve_and_residuals, table_error
from tcomp.report.verdict_picture import draw_limits, draw_what_it_takes, write_verdict_picture
from tcomp.results import Folder

SAMPLES = Path(__file__).parent.parent / "sample_runs"
STATION = SAMPLES / "weather_station" / "station_clock.toml"
GAUGE = SAMPLES / "river_gauge" / "gauge07.toml"


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Folder:
    folder, job = Folder(tmp_path_factory.mktemp("station")), read_job(STATION)
    curve = workflow.fit(job, workflow.inspect_runs(job, folder), folder).curve
    workflow.design(job, curve, folder)
    return folder


@pytest.fixture(scope="module")
def verdict(tmp_path_factory: pytest.TempPathFactory) -> VerdictDocument:
    folder, job = Folder(tmp_path_factory.mktemp("gauge")), read_job(GAUGE)
    curve = workflow.fit(job, workflow.inspect_runs(job, folder), folder).curve
    workflow.design(job, curve, folder)
    return workflow.judge(job, folder, lambda _: None)


def drawn(chart: Chart) -> Figure:
    figure = Figure(layout="constrained")
    draw_chart(figure, chart)
    return figure


def points(figure: Figure, panel: int, label: str) -> np.ndarray:
    (line,) = [one for one in figure.axes[panel].get_lines() if one.get_label() == label]
    return np.asarray(line.get_xydata(), dtype=float)


def residuals_are_those_of_the_frame(chart: Chart, folder: Folder) -> bool:
    """Heating and cooling of the lower panel, within its ends, against the columns of fitted.parquet."""
    fitted = folder.read_fitted()
    low, high = chart.panels[1].y_axis().low, chart.panels[1].y_axis().high
    shown = fitted[fitted["used"] & fitted["residual_ppb"].between(low, high)]
    same = []
    for label, sign in (("heating", 1), ("cooling", -1)):
        own = shown[np.sign(shown.groupby("sweep")["direction"].transform("first")) == sign]
        expected = own[["crystal_c", "residual_ppb"]].to_numpy()
        found = points(drawn(chart), 1, label)
        same.append(found.shape == expected.shape and np.array_equal(found, expected))
    return all(same)


def test_the_picture_of_a_fit_shows_the_residuals_of_the_frame_and_swapped_legs_are_seen(station: Folder) -> None:
    chart = curve_and_residuals(station.read_curve(), station.read_fitted())
    assert residuals_are_those_of_the_frame(chart, station)
    names = {"heating": "cooling", "cooling": "heating"}
    below = chart.panels[1]
    swapped = replace(below, series=tuple(replace(one, name=names.get(one.name, one.name)) for one in below.series))
    assert not residuals_are_those_of_the_frame(replace(chart, panels=(chart.panels[0], swapped)), station)
    turned = replace(below, series=tuple(replace(one, y=-one.y) for one in below.series))
    assert not residuals_are_those_of_the_frame(replace(chart, panels=(chart.panels[0], turned)), station)


def test_the_picture_of_a_table_shows_its_error_at_every_code(station: Folder) -> None:
    curve, table = station.read_curve(), station.read_table()
    codes = table.codes
    away_ppb = table.offset_ppt(codes) / 1000 - curve.offset_ppb(codes / 10.0)  # the job: 10 counts per degC
    found = points(drawn(table_error(curve, table, None)), 1, f"this table, {table.bytes} bytes")
    assert found[:, 0] == pytest.approx(codes / 10.0)
    assert found[:, 1] == pytest.approx(away_ppb, abs=1e-9)
    assert not np.allclose(found[:, 1], -away_ppb, atol=0.1)


def test_what_lies_beyond_a_panel_is_an_arrow_at_its_edge() -> None:
    mark = Series("a", np.array([0.0, 1.0, 2.0]), np.array([0.0, 50.0, -50.0]), "dot", "curve")
    figure = drawn(Chart("x", "?", "alt", "", "x", (Panel("y", (mark,), shown=(-1.0, 1.0)),)))
    found = {one.get_marker(): np.asarray(one.get_xydata()).tolist() for one in figure.axes[0].get_lines()}
    assert found == {".": [[0.0, 0.0]], "^": [[1.0, 1.0]], "v": [[2.0, -1.0]]}


@pytest.mark.parametrize("name", ["fit.svg", "fit.png"])
def test_a_chart_is_the_same_bytes_each_time(name: str, tmp_path: Path, station: Folder) -> None:
    chart = curve_and_residuals(station.read_curve(), station.read_fitted())
    first = write_charts((chart,), tmp_path / name, name="fit").read_bytes()
    assert write_charts((chart,), tmp_path / f"again_{name}", name="fit").read_bytes() == first
    assert first.startswith(b"<svg" if name.endswith("svg") else b"\x89PNG")


def errors_are_those_of(figure: Figure, verdict: VerdictDocument) -> bool:
    """The ends of the bars, upwards, are the errors of the options from the last to the first. [ppb]"""
    ends = [bar.get_x() + bar.get_width() for bar in figure.axes[0].patches]
    return bool(np.allclose(ends, [one.need_met_ppb for one in verdict.options[::-1]], rtol=1e-9))


def test_bars_of_a_verdict_end_at_the_errors_so_that_a_large_one_is_seen_to_be_large(verdict: VerdictDocument) -> None:
    figure = Figure(layout="constrained")
    draw_limits(figure, verdict)
    assert errors_are_those_of(figure, verdict)
    assert figure.axes[0].get_xscale() == "log"
    assert not errors_are_those_of(figure, replace(verdict, options=verdict.options[::-1]))
    # The parts of a mean square add up to it: the marks of an option to at most its error, and nearly to it.
    for place, option in enumerate(verdict.options[::-1]):
        marks = [one for one in figure.axes[0].get_lines() if one.get_label() != "need"]
        own = [x for one in marks for x, y in np.asarray(one.get_xydata()).tolist() if y == place]
        assert 0.9 * option.need_met_ppb <= np.hypot.reduce(own) <= option.need_met_ppb * (1 + 1e-9)


def test_a_verdict_shows_lasting_and_peak_watts_each_as_itself(verdict: VerdictDocument) -> None:
    figure = Figure(layout="constrained")
    draw_what_it_takes(figure, verdict)
    options = verdict.options[::-1]
    lasting, peak = ([bar.get_width() for bar in bars] for bars in figure.axes[2].containers)
    assert lasting == [one.power.steady_watts for one in options]
    assert peak == [one.power.peak_watts for one in options]
    assert lasting != peak
    assert [bar.get_width() for bar in figure.axes[0].containers[0]] == [one.probability for one in options]


def test_a_verdict_is_the_same_bytes_each_time(verdict: VerdictDocument, tmp_path: Path) -> None:
    first, again = (write_verdict_picture(verdict, tmp_path / name).read_bytes() for name in ("a.svg", "b.svg"))
    assert first == again


@pytest.mark.parametrize("command", ["fit", "table"])
def test_a_stage_writes_its_picture(command: str, tmp_path: Path, station: Folder) -> None:
    words = ["--into", str(station.path), "--plot", str(tmp_path / "x.svg"), "--quiet"]
    subprocess.run([sys.executable, "-m", "tcomp", command, str(STATION), *words], check=True, capture_output=True)
    assert (tmp_path / "x.svg").read_text("utf-8").startswith("<svg")
