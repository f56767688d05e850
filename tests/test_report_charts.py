"""Charts: true to their data, few enough points, told apart without colours, in colours that can be seen."""

from __future__ import annotations

import json
import re
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tcomp import workflow
from tcomp.job import read_job
from tcomp.report import charts as report_charts
from tcomp.report.chart import Axis, Chart, Level, Panel, Series, thinned
from tcomp.report.charts import RampOfUse
from tcomp.report.drawing import EDGE, HEIGHT, WIDTH, drawn
from tcomp.report.render import chart_text
from tcomp.report.verdict_charts import CHART_COLOURS, DASHES
from tcomp.results import Folder

STATION = Path(__file__).parent.parent / "sample_runs" / "weather_station" / "station_clock.toml"
STYLE = resources.files("tcomp.report").joinpath("pages", "page.css").read_text("utf-8")


@pytest.fixture(scope="module")
def charts(tmp_path_factory: pytest.TempPathFactory) -> list[Chart]:
    """All of a report without a verdict."""
    into = Folder(tmp_path_factory.mktemp("station"))
    job = read_job(STATION)
    fit_result = workflow.fit(job, workflow.inspect_runs(job, into, print), into, print)
    table = workflow.design(job, fit_result.curve, into, print)
    curve, fitted = into.read_curve(), into.read_fitted()
    over_time = report_charts.residuals_over_time(curve, fitted)
    assert over_time is not None
    return [
        report_charts.gain("station", curve, table, fitted, RampOfUse(0.1)),
        report_charts.curve_and_residuals(curve, fitted), over_time, report_charts.spread(curve, fitted),
        report_charts.loop(curve, fitted), report_charts.table_error(curve, table, None),
        report_charts.run_against_time(0, into.read_runs()[0], curve, 2000),
    ]  # fmt: skip


def plain(*series: Series, shown: tuple[float, float] | None = None) -> Chart:
    return Chart("x", "?", "alt", "", "x", (Panel("y", series, levels=(Level("need", 1.0),), shown=shown),))


def test_a_point_is_drawn_where_its_axes_say() -> None:
    x, y = np.array([0.0, 5.0, 10.0]), np.array([-1.0, 0.0, 1.0])
    chart = plain(Series("a", x, y, "dot", "curve"), shown=(-1.0, 1.0))
    (panel,) = drawn(chart).panels
    (shape,) = [one for one in panel.shapes if one.mark == "dot"]
    places = [tuple(map(int, found)) for found in re.findall(r"M(\d+) (\d+)h0", shape.path)]
    # A fiftieth of the span lies beyond the data at either end of x; points at the ends of y keep clear of the edge.
    middle = (WIDTH // 2, HEIGHT // 2)
    room = round(WIDTH * 0.02 / 1.04)
    assert places == [(room, HEIGHT - EDGE), middle, (WIDTH - room, EDGE)]
    assert [tick.text for tick in panel.steps] == ["0", "2", "4", "6", "8", "10"]


def test_what_lies_beyond_a_panel_is_drawn_at_its_edge_and_told_as_it_is() -> None:
    chart = plain(Series("a", np.array([0.0, 1.0]), np.array([0.0, 1e6]), "square", "dropped"), shown=(-1.0, 1.0))
    (shape,) = [one for one in drawn(chart).panels[0].shapes if one.mark == "square"]
    assert shape.path.endswith(f" {EDGE}h1")
    assert json.loads(chart_text([chart]))[0]["panels"][0]["series"][0]["y"] == [0, 1000000]


def test_a_line_breaks_where_nothing_was_measured() -> None:
    y = np.array([0.0, 1.0, np.nan, 0.0, 1.0])
    (shape,) = [
        one
        for one in drawn(plain(Series("a", np.arange(5.0), y, "line", "curve"))).panels[0].shapes
        if one.mark == "line"
    ]
    assert shape.path.count("M") == 2
    assert json.loads(chart_text([plain(Series("a", np.arange(5.0), y, "line", "curve"))]))[0]["panels"][0]["series"][
        0
    ]["y"] == [0, 1, None, 0, 1]


def test_of_many_samples_those_between_the_extremes_are_drawn_too_and_that_some_are_left_out_is_said() -> None:
    y = np.random.default_rng(4).normal(size=100_000)
    samples = Series("a", np.arange(100_000.0), y, "dot", "curve")
    few = thinned(samples, 3000)
    # A normal sample has 38.3 % within half a sigma (tables of the normal distribution); three quarters of what is drawn is
    # such a sample, whose share of 2250 has a standard deviation of 1 %; the extremes of 267 samples lie far out.
    assert np.mean(np.abs(few.y) < 0.5) == pytest.approx(0.383 * 0.75, abs=0.03)
    assert "Of more than 3000 samples" in drawn(plain(samples)).caption
    assert drawn(plain(few)).caption == ""


def test_a_thinned_line_keeps_its_breaks() -> None:
    y = np.sin(np.arange(10_000.0))
    y[[2000, 7000]] = np.nan
    few = thinned(Series("a", np.arange(10_000.0), y, "line", "curve"), 500)
    assert few.x[~np.isfinite(few.y)].tolist() == [2000.0, 7000.0]
    assert few.x.size <= 502


@settings(derandomize=True, max_examples=60)
@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=400), st.integers(10, 60))
def test_thinning_keeps_the_extremes_and_makes_no_point(values: list[float], most: int) -> None:
    x, y = np.arange(float(len(values))), np.array(values)
    few = thinned(Series("a", x, y, "dot", "curve"), most)
    assert few.x.size <= max(most, 1)
    assert {few.y.min(), few.y.max()} == {y.min(), y.max()}
    assert set(zip(few.x, few.y, strict=True)) <= set(zip(x, y, strict=True))


def test_a_run_is_drawn_by_as_few_points_as_asked_for_with_its_extremes(charts: list[Chart]) -> None:
    sensor = charts[-1].panels[0].series[0]
    assert 1000 < sensor.x.size <= 2000
    # The scenario sweeps between -15 and 45 degC (sample_runs/README.md); its sensor's steps are 0.1 degC.
    assert (sensor.y.min(), sensor.y.max()) == pytest.approx((-15.0, 45.0), abs=0.2)


def test_all_that_a_report_draws_is_within_its_axes(charts: list[Chart]) -> None:
    for chart in charts:
        axis = chart.x_axis()
        for panel in chart.panels:
            for one in panel.series:
                places = axis.place(one.x[np.isfinite(one.x)])
                assert places.min() >= 0.0, chart.name
                assert places.max() <= 1.0, chart.name


def test_series_of_a_panel_differ_by_more_than_their_colour(charts: list[Chart]) -> None:
    # WCAG 2.2, 1.4.1: colour is not the only means of telling things apart.
    for chart in charts:
        for panel in chart.panels:
            marks = [one.mark for one in panel.series if one.name]
            assert len(set(marks)) == len(marks), chart.name
    assert len({(DASHES[i % len(DASHES)], CHART_COLOURS[i % len(CHART_COLOURS)]) for i in range(40)}) == 40


def shades(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z]+): (#[0-9a-f]{6})", block))


def luminance(shade: str) -> float:
    """Relative luminance of a colour: WCAG 2.2, definitions."""
    parts = [int(shade[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio: WCAG 2.2, definitions."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_reckoned_as_the_guidelines_do() -> None:
    # WCAG 2.2: black on white is 21 to 1. #767676 on white as the lightest grey of 4.5 to 1: from memory.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("dark", [False, True])
def test_what_is_drawn_and_written_stands_out_from_the_paper(dark: bool) -> None:
    light = shades(STYLE[: STYLE.index("@media screen")])
    seen = light | (shades(STYLE[STYLE.index("@media screen") : STYLE.index("* { box-sizing")]) if dark else {})
    for name in (*CHART_COLOURS, "heating"):
        assert contrast(seen[name], seen["paper"]) >= 3.0, name  # WCAG 2.2, 1.4.11: 3 to 1 for what is drawn
    for name in ("ink", "soft", "warn", "good", "link"):
        for paper in ("paper", "card"):
            assert contrast(seen[name], seen[paper]) >= 4.5, name  # WCAG 2.2, 1.4.3: 4.5 to 1 for what is written


# Viénot, Brettel, Mollon: Digital video colourmaps for checking the legibility of displays by dichromats, Color Research and
# Application 24 (1999), in linear RGB; the numbers from memory, so they are held against what they must do.
DICHROMATS = {
    "protanopia": [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]],
    "deuteranopia": [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]],
}


@pytest.mark.parametrize("eye", DICHROMATS)
def test_heating_and_cooling_are_told_apart_by_readers_who_see_no_red_or_green(eye: str) -> None:
    matrix = np.array(DICHROMATS[eye])
    assert matrix.sum(axis=1) == pytest.approx([1.0, 1.0, 1.0], abs=1e-4)  # white and greys stay
    assert matrix @ matrix == pytest.approx(matrix, abs=1e-3)  # what has lost a colour loses no more

    def seen(shade: str) -> np.ndarray:
        parts = np.array([int(shade[at : at + 2], 16) / 255 for at in (1, 3, 5)])
        linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
        return np.clip(matrix @ linear, 0, 1) ** (1 / 2.2)

    light = shades(STYLE[: STYLE.index("@media screen")])
    # A third of the way from black to white in some channel; a red and a green that do not reach it are the planted fault.
    assert np.abs(seen(light["heating"]) - seen(light["cooling"])).max() > 0.33
    assert np.abs(seen("#c80000") - seen("#3f7a00")).max() < 0.33


def test_round_numbers_lie_between_the_ends() -> None:
    for low, high in [(-20.4, 60.2), (0.0, 1e-6), (1e6, 1e6 + 3), (-5e-7, 7e5)]:
        ticks = Axis(low, high).ticks()
        assert 2 <= len(ticks) <= 8
        # As written: where it stands, to a thousandth of the axis.
        written = [(float(tick.text) - low) / (high - low) for tick in ticks]
        assert written == pytest.approx([tick.at for tick in ticks], abs=1e-3)
        assert min(written) >= -1e-3
        assert max(written) <= 1 + 1e-3


def test_no_data_can_end_its_script_element() -> None:
    name = "</script><!-- <b>"
    text = chart_text([plain(Series(name, np.array([1.0]), np.array([2.0]), "dot", "curve"))])
    assert "<" not in text
    assert json.loads(text)[0]["panels"][0]["series"][0]["name"] == name
