"""Charts and grids of the report, held against the frames that they show: by column, sign and unit.

What a page shows is read from the page itself, its JSON and its text. The faults that were once planted and that nothing found
stand in ``FAULTS``: a page with one of them must fail.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from tcomp import workflow
from tcomp.documents.verdict import Option, VerdictDocument
from tcomp.estimation.curve import Curve
from tcomp.job import read_job
from tcomp.report import charts
from tcomp.report.charts import RampOfUse, as_read
from tcomp.report.verdict import _in_numbers
from tcomp.report.verdict_charts import over_days
from tcomp.results import Folder
from tcomp.tables import CorrectionTable

RIVER = Path(__file__).parent.parent / "sample_runs" / "river_gauge" / "gauge07.toml"
CLOSE = {"rtol": 5e-6, "atol": 1e-9}
"""Six digits of a value stand in a page's JSON."""


def option(name: str, last_day: float, ppb_per_day: float) -> Option:
    """An option of which the error alone is known: by hand, so many ppb a day on days of its own."""
    days = [0.0, *np.geomspace(1.0, last_day, 23)]
    rows = tuple((float(day), 0.5 * ppb_per_day * day, ppb_per_day * day) for day in days)
    known = {field.name: None for field in fields(Option)} | {"name": name, "error_by_day": rows}
    return Option(**known)  # type: ignore[arg-type]


def test_the_errors_after_the_trim_stand_under_their_own_days() -> None:
    grid = _in_numbers([option("life", 1826.0, 2.0), option("trimmed", 180.0, 5.0)])
    assert grid.head == ("option", "day 0", "day 7", "day 30", "day 180", "day 365", "day 1826")
    assert grid.rows[0].cells == ("life", "0", "14.0", "60.0", "360", "730", "3652")
    assert grid.rows[1].cells == ("trimmed", "0", "35.0", "150", "900", "-", "-")


@dataclass(frozen=True)
class Shown:
    """A page, and all that it was made from."""

    html: str
    fitted: pd.DataFrame
    curve: Curve
    table: CorrectionTable
    verdict: VerdictDocument

    @property
    def charts(self) -> dict[str, Any]:
        data = re.search(r'<script type="application/json" id="charts">(.*?)</script>', self.html, re.DOTALL)
        assert data is not None
        return {one["name"]: one for one in json.loads(data.group(1))}

    def series(self, chart: str, panel: int, name: str) -> tuple[np.ndarray, np.ndarray]:
        (found,) = [one for one in self.charts[chart]["panels"][panel]["series"] if one["name"] == name]
        return tuple(np.array([np.nan if v is None else v for v in found[axis]], dtype=float) for axis in ("x", "y"))

    def rows(self, caption: str) -> list[list[str]]:
        """Cells of the grid whose caption begins like this, its head first."""
        for text in re.findall(r"<table>.*?</table>", self.html, re.DOTALL):
            if re.search(rf"<caption><span>{re.escape(caption)}", text):
                rows = re.findall(r"<tr.*?</tr>", text, re.DOTALL)
                return [[plain(cell) for cell in re.findall(r"<t[hd].*?</t[hd]>", row, re.DOTALL)] for row in rows]
        raise AssertionError(f"no grid '{caption}'")


def plain(cell: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<svg.*?</svg>|<.*?>", "", cell, flags=re.DOTALL)).strip()


@pytest.fixture(scope="module")
def river(tmp_path_factory: pytest.TempPathFactory) -> Folder:
    return workflow.build(read_job(RIVER), tmp_path_factory.mktemp("river")).folder


def shown(folder: Folder) -> Shown:
    html = (folder.path / "report.html").read_text(encoding="utf-8")
    return Shown(html, folder.read_fitted(), folder.read_curve(), folder.read_table(), folder.read_verdict())


@pytest.fixture(scope="module")
def page(river: Folder) -> Shown:
    return shown(river)


# --- what each chart and grid must show ------------------------------------------------------------------------------


def legs(fitted: pd.DataFrame, name: str) -> pd.DataFrame:
    """Heating: sweeps that rise. From the temperatures themselves, not from the column that says so."""
    ends = fitted.groupby("sweep")["temperature_c"].agg(lambda t: t.iloc[-50:].mean() - t.iloc[:50].mean())
    rising = fitted["sweep"].map(ends) > 0
    return fitted[rising if name == "heating" else ~rising]


def same_points(found: tuple[np.ndarray, np.ndarray], x: pd.Series, y: pd.Series) -> None:
    """All points of a chart are samples of the frame, in x and y together, and the extremes are among them."""
    wanted = pd.DataFrame({"x": x.to_numpy(), "y": y.to_numpy()}).dropna()
    order = np.argsort(wanted["x"].to_numpy(), kind="stable")
    at, value = wanted["x"].to_numpy()[order], wanted["y"].to_numpy()[order]
    # Each shown point beside the samples of the same x, to six digits.
    low = np.searchsorted(at, found[0] - 1e-5 * np.maximum(np.abs(found[0]), 1e-3))
    high = np.searchsorted(at, found[0] + 1e-5 * np.maximum(np.abs(found[0]), 1e-3))
    for y_shown, start, end in zip(found[1], low, high, strict=True):
        assert np.isclose(value[start:end], y_shown, rtol=2e-5, atol=1e-6).any()
    assert (found[1].min(), found[1].max()) == pytest.approx((value.min(), value.max()), rel=1e-5)
    assert found[0].size == min(value.size, 5000) or found[0].size > 2000


def gain_shows_logged_read_and_held_out(page: Shown) -> None:
    fitted, curve = page.fitted, page.curve
    base = float(curve.offset_ppb(np.array([curve.reference_c]))[0])
    for name in ("heating", "cooling"):
        own = legs(fitted, name)
        same_points(page.series("gain", 0, name), own["temperature_c"], own["offset_ppb"] - base)
        same_points(page.series("gain", 2, name), own["crystal_c"], own["held_out_ppb"])
        # By hand: on a ramp of 0.05 degC/min (the job's) the crystal lags 170 s x 0.05/60 degC behind the sensor, colder when
        # it heats. The error is what the crystal does there, less what the table says of the sensor's temperature.
        way = 1.0 if name == "heating" else -1.0
        lag_c = 169.97 / 60 * 0.05
        sensor_c = own["crystal_c"] + way * lag_c
        read = curve.offset_ppb(own["crystal_c"].to_numpy()) + own["held_out_ppb"]
        read -= page.table.offset_ppt(page.table.code_of(sensor_c.to_numpy())) / 1000
        x, y = page.series("gain", 1, name)
        # Codes are whole: within a millionth of an edge a sample falls on either side; a tenth of the points may.
        near = np.interp(x, np.sort(sensor_c), read.to_numpy()[np.argsort(sensor_c)])
        assert np.mean(np.abs(near - y) < 8.0) > 0.9
        cold = (x > -15) & (x < -5)  # there the slope is steep: 350 ppb/degC x 0.14 degC
        assert np.sign(np.median(y[cold])) == -way


def residuals_are_the_fit_s(page: Shown) -> None:
    used = page.fitted[page.fitted["used"]]
    for name in ("heating", "cooling"):
        own = legs(used, name)
        same_points(page.series("curve", 1, name), own["crystal_c"], own["residual_ppb"])
        x, y = page.series("curve", 1, f"mean of {name}")
        for at_c, mean in zip(x, y, strict=True):
            bin_of = own[(own["crystal_c"] - at_c).abs() <= 1.0]["residual_ppb"]
            if np.isfinite(mean) and len(bin_of) > 50 and -18 < at_c < 58:
                # The bin's middle to 2 degC: single samples at its edges may fall on either side.
                assert mean == pytest.approx(bin_of.mean(), abs=0.05)
    x, y = page.series("curve", 0, "curve")
    np.testing.assert_allclose(y, page.curve.offset_ppb(x), rtol=1e-4, atol=0.05)


def time_is_in_hours(page: Shown) -> None:
    used = page.fitted[page.fitted["used"]]
    first_s = page.fitted["time_s"].min()
    for name in ("heating", "cooling"):
        own = legs(used, name)
        same_points(page.series("time", 0, name), (own["time_s"] - first_s) / 3600, own["residual_ppb"])
    assert page.charts["time"]["words"].endswith("[h]")


def the_loop_is_logged_less_curve(page: Shown) -> None:
    for name in ("heating", "cooling"):
        own = legs(page.fitted, name)
        same_points(
            page.series("loop", 0, name),
            own["temperature_c"],
            own["offset_ppb"] - page.curve.offset_ppb(own["temperature_c"].to_numpy()),
        )


def the_table_s_error_is_table_minus_curve(page: Shown) -> None:
    table, curve = page.table, page.curve
    x, y = page.series("table", 1, f"this table, {table.bytes} bytes")
    codes = np.rint(x * 16).astype(np.int64)  # counts_per_c = 16 in the job
    np.testing.assert_allclose(y, table.offset_ppt(codes) / 1000 - curve.offset_ppb(codes / 16), rtol=1e-3, atol=5e-3)
    assert np.corrcoef(y, table.offset_ppt(codes) / 1000 - curve.offset_ppb(codes / 16))[0, 1] > 0.999
    at_c, entry_ppb = page.series("table", 0, "returned at the entries")
    np.testing.assert_allclose(entry_ppb, table.offset_ppt(np.rint(at_c * 16).astype(np.int64)) / 1000, rtol=1e-5)
    assert np.abs(at_c - np.rint(at_c)).max() < 1e-6  # an entry each degC (the layout says so)


def growth_shows_68_below_95(page: Shown) -> None:
    panel = page.charts["days"]["panels"][0]
    for one in page.verdict.options:
        days, likely, nearly = np.array(one.error_by_day).T
        if one.name not in {series["name"].split(";")[0] for series in panel["series"]}:
            continue  # drawn with another that is the same
        (line,) = [series for series in panel["series"] if series["name"].split(";")[0] == one.name]
        place = panel["series"].index(line)
        np.testing.assert_allclose(line["x"], np.maximum(days, 0.5), **CLOSE)
        np.testing.assert_allclose(line["y"], nearly, **CLOSE)
        np.testing.assert_allclose(panel["bands"][place]["low"], likely, **CLOSE)
        np.testing.assert_allclose(panel["bands"][place]["high"], nearly, **CLOSE)
        assert np.all(np.array(likely) < np.array(nearly))  # 68 % lie within less than 95 % do


def sweeps_have_mean_rms_and_largest(page: Shown) -> None:
    head, *rows = page.rows("Residuals of each sweep")
    assert head[2:5] == ["mean [ppb]", "RMS [ppb]", "largest [ppb]"]
    used = page.fitted[page.fitted["used"]]
    assert len(rows) == used["sweep"].nunique() == 4
    for row, (_, part) in zip(rows, used.groupby("sweep"), strict=True):
        left = part["residual_ppb"]
        wanted = (left.mean(), np.sqrt((left**2).mean()), left.abs().max())
        # Three digits are shown.
        assert [float(cell) for cell in row[2:5]] == pytest.approx(wanted, rel=6e-3)
        rises = part["temperature_c"].iloc[-50:].mean() > part["temperature_c"].iloc[:50].mean()
        assert row[1] == ("heating" if rises else "cooling")
        assert int(row[5]) == len(part)


def the_curve_in_numbers(page: Shown) -> None:
    head, *rows = page.rows("The curve with its base")
    assert head[1:4] == ["curve [ppb]", "its u [ppb]", "table - curve [ppb]"]
    for row in rows:
        at = np.array([float(row[0])])
        curve_ppb = float(page.curve.offset_ppb(at)[0])
        assert float(row[1]) == pytest.approx(curve_ppb, rel=1e-5)
        assert float(row[2]) == pytest.approx(float(page.curve.uncertainty_ppb(at)[0]), rel=0.06)
        table_ppb = float(page.table.offset_ppt(page.table.code_of(at))[0]) / 1000
        assert float(row[3]) == pytest.approx(table_ppb - curve_ppb, rel=6e-3, abs=6e-4)


def power_stands_peak_before_steady(page: Shown) -> None:
    head, *rows = page.rows("What they take")
    assert head[1] == "watts, most / steady / coldest"
    for row, one in zip(rows, page.verdict.options, strict=True):
        shown = [float(cell) for cell in row[1].split(" / ")]
        power = one.power
        # Two digits are shown.
        assert shown == pytest.approx([power.peak_watts, power.steady_watts, power.coldest_watts], rel=0.06)
        assert shown[0] >= shown[2] >= shown[1]


def the_runs_are_in_hours_and_ppb(page: Shown) -> None:
    frame = page.fitted[page.fitted["run"] == 0]
    x, y = page.series("run0", 1, "kept")
    assert x.max() == pytest.approx((frame["time_s"].max() - frame["time_s"].min()) / 3600, rel=0.01)
    assert (y.min(), y.max()) == pytest.approx((frame["offset_ppb"].min(), frame["offset_ppb"].max()), rel=0.01)


CHECKS: tuple[Callable[[Shown], None], ...] = (
    gain_shows_logged_read_and_held_out, residuals_are_the_fit_s, time_is_in_hours, the_loop_is_logged_less_curve,
    the_table_s_error_is_table_minus_curve, growth_shows_68_below_95, sweeps_have_mean_rms_and_largest, the_curve_in_numbers,
    power_stands_peak_before_steady, the_runs_are_in_hours_and_ppb,
)  # fmt: skip


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_what_the_page_shows_is_what_the_frames_hold(page: Shown, check: Callable[[Shown], None]) -> None:
    check(page)


# --- planted faults --------------------------------------------------------------------------------------------------


def with_data(page: Shown, change: Callable[[dict[str, Any]], None]) -> Shown:
    """The page with other data in its charts."""
    found = page.charts
    change(found)
    text = json.dumps(list(found.values())).replace("<", r"\u003c")
    start = page.html.index('id="charts">') + len('id="charts">')
    end = page.html.index("</script>", start)
    return replace(page, html=page.html[:start] + text + page.html[end:])


def named(charts: dict[str, Any], chart: str, panel: int, name: str) -> dict[str, Any]:
    return next(one for one in charts[chart]["panels"][panel]["series"] if one["name"].startswith(name))


def swap_names(charts: dict[str, Any], chart: str, panel: int) -> None:
    heating, cooling = (named(charts, chart, panel, name) for name in ("heating", "cooling"))
    heating["name"], cooling["name"] = "cooling", "heating"


def scale(chart: str, panel: int, name: str, axis: str, factor: float) -> Callable[[dict[str, Any]], None]:
    def change(charts: dict[str, Any]) -> None:
        one = named(charts, chart, panel, name)
        one[axis] = [None if value is None else factor * value for value in one[axis]]

    return change


def swap_bands(charts: dict[str, Any]) -> None:
    panel = charts["days"]["panels"][0]
    for line, band in zip(panel["series"], panel["bands"], strict=True):
        line["y"], band["low"], band["high"] = band["low"], band["high"], band["low"]


def swap_columns(page: Shown, caption: str, first: int, second: int) -> Shown:
    """Two columns of a grid in each other's place, under heads that stay."""
    text = next(one for one in re.findall(r"<table>.*?</table>", page.html, re.DOTALL) if f"<span>{caption}" in one)
    head, body = text.split("<tbody>")

    def turned(row: re.Match[str]) -> str:
        cells = re.findall(r"<t[hd].*?</t[hd]>", row.group(), re.DOTALL)
        other = list(cells)
        other[first], other[second] = cells[second], cells[first]
        return "<tr>" + "".join(other) + "</tr>"

    return replace(
        page, html=page.html.replace(text, head + "<tbody>" + re.sub(r"<tr.*?</tr>", turned, body, flags=re.DOTALL))
    )


def fitted_for_held_out(page: Shown) -> Shown:
    def change(charts: dict[str, Any]) -> None:
        for name in ("heating", "cooling"):
            residual = named(charts, "curve", 1, name)
            named(charts, "gain", 2, name).update(x=residual["x"], y=residual["y"])

    return with_data(page, change)


FAULTS: dict[str, tuple[Callable[[Shown], Shown], Callable[[Shown], None]]] = {
    "fitted for held out": (fitted_for_held_out, gain_shows_logged_read_and_held_out),
    "heating and cooling of the gain": (
        lambda page: with_data(page, lambda data: swap_names(data, "gain", 0)), gain_shows_logged_read_and_held_out,
    ),
    "heating and cooling as read": (
        lambda page: with_data(page, lambda data: swap_names(data, "gain", 1)), gain_shows_logged_read_and_held_out,
    ),
    "heating and cooling of the residuals": (
        lambda page: with_data(page, lambda data: swap_names(data, "curve", 1)), residuals_are_the_fit_s,
    ),
    "heating and cooling of the loop": (
        lambda page: with_data(page, lambda data: swap_names(data, "loop", 0)), the_loop_is_logged_less_curve,
    ),
    "the loop turned round": (
        lambda page: with_data(page, scale("loop", 0, "heating", "y", -1.0)), the_loop_is_logged_less_curve,
    ),
    "68 and 95 %": (lambda page: with_data(page, swap_bands), growth_shows_68_below_95),
    "hours for days": (
        lambda page: with_data(page, scale("days", 0, "crystal", "x", 24.0)), growth_shows_68_below_95,
    ),
    "minutes for hours": (lambda page: with_data(page, scale("time", 0, "heating", "x", 60.0)), time_is_in_hours),
    "minutes of a run": (lambda page: with_data(page, scale("run0", 1, "kept", "x", 60.0)), the_runs_are_in_hours_and_ppb),
    "table and curve turned round": (
        lambda page: with_data(page, scale("table", 1, "this table", "y", -1.0)), the_table_s_error_is_table_minus_curve,
    ),
    "ppt for ppb at the entries": (
        lambda page: with_data(page, scale("table", 0, "returned", "y", 1000.0)), the_table_s_error_is_table_minus_curve,
    ),
    "mean and RMS": (lambda page: swap_columns(page, "Residuals of each sweep", 2, 3), sweeps_have_mean_rms_and_largest),
    "RMS and largest": (lambda page: swap_columns(page, "Residuals of each sweep", 3, 4), sweeps_have_mean_rms_and_largest),
    "u and table - curve": (lambda page: swap_columns(page, "The curve with its base", 2, 3), the_curve_in_numbers),
    "most and steady watts": (
        lambda page: replace(page, html=re.sub(r">([\d.]+) / ([\d.]+) / ", r">\2 / \1 / ", page.html)),
        power_stands_peak_before_steady,
    ),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_found(page: Shown, fault: str) -> None:
    plant, check = FAULTS[fault]
    planted = plant(page)
    assert planted.html != page.html
    with pytest.raises(AssertionError):
        check(planted)


def test_options_that_run_alike_are_drawn_once_and_others_are_not() -> None:
    verdict = type("V", (), {})()
    verdict.options = [
        option("crystal, once", 1826.0, 2.0),
        option("crystal, often", 180.0, 2.02),
        option("oven", 180.0, 1.0),
    ]
    verdict.needed_ppb, verdict.use = 100.0, type("U", (), {"recalibrate_days": 180.0})()
    names = [one.name for one in over_days(verdict).panels[0].series]
    assert names == ["crystal, once; the same: crystal, often", "oven"]


def test_a_reading_on_a_ramp_is_off_by_slope_times_lag_times_rate(page: Shown) -> None:
    # By hand, without the samples' own error: d = slope x tau x rate, and as much the other way when it cools.
    curve, table = page.curve, page.table
    at_c = np.array([10.0, 10.0])
    made = pd.DataFrame({"crystal_c": at_c, "held_out_ppb": 0.0, "direction": [0.5, -0.5]})
    _, error_ppb = as_read(curve, table, made, RampOfUse(0.6))
    slope = float(curve.slope_ppb_per_c(np.array([10.0]))[0])
    lag_c = 169.97 * 0.6 / 60
    # The curve bends by 2 ppb/degC^2 there at most (0.109 x 6 x 16 degC), so 15 ppb over 1.7 degC twice; half a code is 5 ppb.
    assert error_ppb == pytest.approx([-slope * lag_c, slope * lag_c], abs=45.0)
    _, followed_ppb = as_read(curve, table, made, RampOfUse(0.6, followed=True))
    assert np.abs(followed_ppb).max() <= table.max_error_ppb + 5.0


def test_the_histogram_counts_every_held_out_sample(page: Shown) -> None:
    held_out = page.fitted["held_out_ppb"].dropna()
    chart = charts.spread(page.curve, page.fitted)
    bars, normal = chart.panels[0].series
    assert float(np.sum(bars.y)) == pytest.approx(100.0)
    # Within one bar of zero: by the frame.
    edge = float(bars.x[1] - bars.x[0]) / 2
    assert bars.y[len(bars.y) // 2] == pytest.approx(100 * float((held_out.abs() <= edge).mean()), rel=1e-9)
    assert float(np.sum(normal.y[:-1])) * (normal.x[1] - normal.x[0]) / (2 * edge) == pytest.approx(100.0, abs=0.1)
