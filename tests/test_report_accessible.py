"""The pages in a browser: for every reader, by keyboard too, without a fault, and without a word to anywhere."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsers import Opened, chromium, shown
from click.testing import CliRunner
from lots import log_text, sound_logs, write_lot

from tcomp import workflow
from tcomp.bench.monitor import RunState
from tcomp.bench.session import Session, SessionOptions
from tcomp.cli import main
from tcomp.job import read_job
from tcomp.lot.lot import make_lot
from tcomp.report.chart import Chart, Panel, Series
from tcomp.report.live_page import PageView
from tcomp.report.render import rendered
from tcomp.report.section import Section
from tcomp.results import Folder

ROOT = Path(__file__).parent.parent
RIVER = ROOT / "sample_runs" / "river_gauge" / "gauge07.toml"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as opened:
        yield opened


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The report of the sample with its verdict, the page of a small lot, and that of a run that goes on, and that has ended."""
    folder = tmp_path_factory.mktemp("pages")
    built = workflow.build(read_job(RIVER), folder / "river")
    logs = sound_logs(9) | {"g05": log_text(5, slope=-420.0), "g07": "utc,board_c,osc_hz\n"}
    make_lot(write_lot(folder, logs), folder / "lot", jobs=1)
    (folder / "bench").mkdir()
    going, ended = _logged(folder / "bench")
    return {
        "report": built.folder.path / "report.html",
        "lot": folder / "lot" / "lot.html",
        "live": going,
        "ended": ended,
    }


class Keeps:
    """A view that keeps the last page of a run that still goes on."""

    def __init__(self, view: PageView) -> None:
        self.view, self.text, self.patience_s = view, "", 60.0

    def show(self, state: RunState) -> None:
        if state.rows > 200 and not self.text:
            self.text = self.view.page(state)

    def notify(self, event: Any) -> None:
        pass

    def close(self) -> None:
        pass


def _logged(folder: Path) -> tuple[Path, Path]:
    text = CliRunner().invoke(main, ["log", "--example"]).stdout
    job, going, ended = folder / "bench.toml", folder / "going.html", folder / "ended.html"
    job.write_text(re.sub(r"speed = 600.*", "speed = 0", text))
    keeps = Keeps(PageView(folder / "unused.html", print))
    Session(read_job(job), SessionOptions(for_s=4000.0), (PageView(ended, print), keeps)).run()
    going.write_text(keeps.text)
    return going, ended


@pytest.mark.parametrize(
    ("dark", "width"), [(False, 1100), (True, 1100), (False, 360)], ids=["light", "dark", "narrow"]
)
@pytest.mark.parametrize("name", ["report", "lot", "live", "ended"])
def test_no_rule_of_accessibility_is_broken(
    browser: Any, pages: dict[str, Path], name: str, dark: bool, width: int
) -> None:
    with shown(browser, pages[name], dark=dark, width=width) as opened:
        opened.seen_through()
        if name == "live":
            opened.page.click("#hold")
        opened.page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
        assert opened.violations() == []
        # Nothing but the page itself was asked for, and the browser had nothing to complain of.
        assert {url.split("/")[-1] for url in opened.asked} == {pages[name].name}
        assert opened.said == []
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= width


FAULTS = {
    "svg-img-alt": ('role="img" aria-label="', 'role="img" data-label="'),
    "color-contrast": ("--soft: #525a68", "--soft: #b8bcc4"),
    "heading-order": ("<h2 id=", "<h5 id="),
    "scrollable-region-focusable": (' tabindex="0"', ""),
    "html-has-lang": ('<html lang="en">', "<html>"),
}


@pytest.mark.parametrize("rule", FAULTS)
def test_a_planted_fault_is_found(browser: Any, pages: dict[str, Path], tmp_path: Path, rule: str) -> None:
    html = pages["report"].read_text(encoding="utf-8")
    old, new = FAULTS[rule]
    assert old in html
    # Without the policy: a changed style sheet would be refused by it, and the page be black on white.
    html = re.sub(r'<meta http-equiv="Content-Security-Policy".*?>', "", html)
    (tmp_path / "planted.html").write_text(html.replace(old, new), encoding="utf-8")
    with shown(browser, pages["report"], width=360) as opened:
        assert opened.violations(rule) == []
    with shown(browser, tmp_path / "planted.html", width=360) as opened:
        assert [line.split(":")[0] for line in opened.violations(rule)] == [rule]


def test_the_policy_stops_a_planted_script_and_a_planted_request(
    browser: Any, pages: dict[str, Path], tmp_path: Path
) -> None:
    html = pages["report"].read_text(encoding="utf-8")
    planted = '<script>document.title = "stolen"</script><img src="http://127.0.0.1:9/x.png" alt="x">'
    (tmp_path / "planted.html").write_text(html.replace("</main>", planted + "</main>"), encoding="utf-8")
    with shown(browser, tmp_path / "planted.html") as opened:
        opened.wait()
        assert opened.page.title() == "gauge 07: frequency against temperature"
        assert sum("Content Security Policy" in line for line in opened.said) == 2
        assert opened.refused == [("http://127.0.0.1:9/x.png", "csp")]


def figure(opened: Opened, name: str) -> Any:
    found = opened.page.locator(f"#chart-{name}")
    found.scroll_into_view_if_needed()
    opened.page.wait_for_selector(f"#chart-{name}.explored canvas")
    return found


def point(opened: Opened, found: Any, share: float) -> str:
    """Hold the mouse over a chart; what is read off there."""
    box = found.locator(".u-over").first.bounding_box()
    opened.page.mouse.move(box["x"] + share * box["width"], box["y"] + box["height"] / 2)
    opened.wait()
    return str(found.locator(".readout").text_content())


def test_pointing_reads_off_the_curve_as_it_is(browser: Any, pages: dict[str, Path]) -> None:
    curve = Folder(pages["report"].parent).read_curve()
    with shown(browser, pages["report"]) as opened:
        words = point(opened, figure(opened, "curve"), 0.5)
        at_c = float(re.match(r"crystal temperature (-?[\d.]+) degC\. offset", words).group(1))
        result = {name: float(value) for name, value in re.findall(r"(heating|cooling|curve) (-?[\d.]+)", words)}
        assert at_c == pytest.approx((curve.low_c + curve.high_c) / 2, abs=1.0)
        # Four digits are told of both: 0.005 degC at a slope of 220 ppb/degC, and half a ppb.
        assert result["curve"] == pytest.approx(float(curve.offset_ppb([at_c])[0]), abs=2.0)
        # The other panel of the chart is read off too; nothing without a name is.
        assert re.search(
            r"; sample minus curve \[ppb\]: heating -?[\d.]+, cooling -?[\d.]+, mean of heating -?[\d.]+", words
        )


def test_a_hostile_name_is_read_off_as_text(browser: Any, tmp_path: Path) -> None:
    name = "</script><img src=x onerror=alert(1)> {{ 7*7 }} \"'"
    x = np.array([0.0, 1.0, 2.0])
    chart = Chart(
        "odd",
        name,
        name,
        name,
        name,
        (Panel(name, (Series(name, x, np.full(3, 5.0), "line", "curve"),)),),
    )
    html = rendered(
        name=name, subject=name, answer=name, warnings=[], cards=(), sections=(Section(name, charts=(chart,)),)
    )
    (tmp_path / "odd.html").write_text(html, encoding="utf-8")
    with shown(browser, tmp_path / "odd.html") as opened:
        words = point(opened, figure(opened, "odd"), 0.5)
        # The name stands for axis, panel and line alike; the pointer is as near to 1 as a screen's points allow.
        assert re.fullmatch(re.escape(name) + r" (0\.99\d*|1|1\.0\d*)\. " + re.escape(f"{name}: {name} 5"), words)
        assert opened.said == []
        assert opened.page.locator("img").count() == 0


def test_drawing_across_a_chart_zooms_it_and_a_double_click_shows_all(browser: Any, pages: dict[str, Path]) -> None:
    with shown(browser, pages["report"]) as opened:
        found = figure(opened, "table")
        left, right = read_ends(opened, found)
        box = found.locator(".u-over").first.bounding_box()
        middle = box["y"] + box["height"] / 2
        opened.page.mouse.move(box["x"] + 0.4 * box["width"], middle)
        opened.page.mouse.down()
        opened.page.mouse.move(box["x"] + 0.6 * box["width"], middle, steps=5)
        opened.page.mouse.up()
        near_left, near_right = read_ends(opened, found)
        # A fifth of the width was drawn across.
        assert near_right - near_left == pytest.approx((right - left) / 5, rel=0.05)
        found.locator(".u-over").first.dblclick()
        assert read_ends(opened, found) == pytest.approx([left, right], abs=0.02 * (right - left))


def test_the_first_zoom_fits_the_heights_to_what_is_shown(browser: Any, pages: dict[str, Path]) -> None:
    found = charts_of(pages["report"])["table"]["panels"][1]
    table = found["series"][0]
    x, y = np.array(table["x"]), np.array(table["y"])
    with shown(browser, pages["report"]) as opened:
        figure(opened, "table").get_by_role("button", name="Zoom in").click()
        opened.wait()
        low, high = (opened.page.evaluate(f"uPlot.sync('table').plots[1].scales.y.{end}") for end in ("min", "max"))
        left, right = (opened.page.evaluate(f"uPlot.sync('table').plots[0].scales.x.{end}") for end in ("min", "max"))
    inside = np.concatenate(
        [np.array(one["y"])[(np.array(one["x"]) >= left) & (np.array(one["x"]) <= right)] for one in found["series"]]
    )
    # All that is seen is within, and the room beyond it is a small part of the whole.
    assert low <= inside.min() < inside.max() <= high
    assert high - low < 1.5 * np.ptp(inside)
    assert np.ptp(x) > 1.9 * (right - left)
    assert high - low < 0.75 * np.ptp(y)  # the middle of this table is better than its ends


def charts_of(page: Path) -> dict[str, Any]:
    """The data of a page's charts, by name."""
    text = page.read_text(encoding="utf-8")
    data = re.search(r'<script type="application/json" id="charts">(.*?)</script>', text, re.DOTALL).group(1)
    return {one["name"]: one for one in json.loads(data)}


def test_the_spots_stand_under_the_pointer_and_the_slider_follows(browser: Any, pages: dict[str, Path]) -> None:
    with shown(browser, pages["report"]) as opened:
        found = figure(opened, "curve")
        words = point(opened, found, 0.3)
        plot = found.locator(".u-over").first.bounding_box()
        spots = [one.bounding_box() for one in found.locator(".panel").first.locator(".spot").all()]
        assert len(spots) == 3  # heating, cooling and the curve
        for spot in spots:
            # A sample may lie 3 % of the width away; the curve is read off where the pointer is.
            assert (spot["x"] + spot["width"] / 2 - plot["x"]) / plot["width"] == pytest.approx(0.3, abs=0.031)
        nearest = min(abs((one["x"] + one["width"] / 2 - plot["x"]) / plot["width"] - 0.3) for one in spots)
        assert nearest < 0.003
        slider = found.get_by_role("slider")
        assert int(slider.input_value()) == pytest.approx(300, abs=4)
        # What is said of the slider's place is a temperature, the one that is read off.
        assert slider.get_attribute("aria-valuetext") == re.search(r"temperature (-?[\d.]+ degC)\.", words).group(1)


def test_a_finger_reads_off_too(browser: Any, pages: dict[str, Path]) -> None:
    with shown(browser, pages["report"]) as opened:
        found = figure(opened, "curve")
        found.locator(".u-over").first.evaluate(
            """one => {
                const {left, top, width} = one.getBoundingClientRect(), at = {clientX: left + 0.25 * width, clientY: top + 9};
                one.dispatchEvent(new PointerEvent("pointermove", {pointerType: "touch", ...at}));
            }"""
        )
        opened.wait()
        assert int(found.get_by_role("slider").input_value()) == pytest.approx(250, abs=4)


@pytest.mark.parametrize("name", ["report", "lot"])
def test_every_chart_is_explored_without_moving_the_page(browser: Any, pages: dict[str, Path], name: str) -> None:
    with shown(browser, pages[name]) as opened:
        before = opened.page.evaluate("document.documentElement.scrollHeight")
        places = "[...document.querySelectorAll('h2')].map(one => one.offsetTop)"
        headings = opened.page.evaluate(places)
        opened.seen_through()
        assert opened.page.evaluate("document.documentElement.scrollHeight") == before
        assert opened.page.evaluate(places) == headings
        figures = opened.page.locator("figure:not(.small figure)")
        assert figures.count() == opened.page.locator("figure.explored").count() == len(charts_of(pages[name]))


def test_an_explored_chart_keeps_its_name_and_its_controls_have_their_own(browser: Any, pages: dict[str, Path]) -> None:
    with shown(browser, pages["report"]) as opened:
        opened.seen_through()
        names = [one.get_attribute("aria-label") for one in opened.page.locator("svg.plot").all()]
        assert len(set(names)) == len(names) > 10
        assert all(opened.page.get_by_role("img", name=name, exact=True).count() == 1 for name in names)
        # In the tree of accessibility the canvas is hidden: the drawing stands for it, with its words.
        assert opened.page.locator("canvas").count() == opened.page.locator("[aria-hidden=true] canvas").count() > 10
        buttons = [one.get_attribute("aria-label") for one in opened.page.locator(".tools button").all()]
        groups = [one.get_attribute("aria-label") for one in opened.page.locator(".tools").all()]
        assert len(set(buttons)) == len(buttons)
        assert len(set(groups)) == len(groups) > 5


def told_x(words: str) -> float:
    """The place on the axis that is read off."""
    return float(re.match(r"[a-z ]+ (-?[\d.]+)", words).group(1))


def read_ends(opened: Opened, found: Any) -> list[float]:
    """The x that is read off close to both ends of the first panel."""
    return [told_x(point(opened, found, share)) for share in (0.01, 0.99)]


def test_the_keyboard_reads_off_and_zooms(browser: Any, pages: dict[str, Path]) -> None:
    with shown(browser, pages["report"]) as opened:
        found = figure(opened, "time")
        slider = found.get_by_role("slider", name="Read off Does anything drift or jump with time?")
        slider.focus()
        read = []
        for _ in range(2):
            slider.press("ArrowRight")
            opened.wait()
            read.append(told_x(found.locator(".readout").text_content()))
        assert read[1] > read[0]
        wide = read[1] - read[0]
        slider.press("Tab")
        assert opened.page.evaluate("document.activeElement.textContent") == "Zoom in"
        opened.page.keyboard.press("Enter")
        slider.focus()
        for _ in range(2):
            slider.press("ArrowRight")
            opened.wait()
            read.append(told_x(found.locator(".readout").text_content()))
        # A step of the slider is the same share of half the stretch.
        assert read[3] - read[2] == pytest.approx(wide / 2, rel=0.1)


def test_without_scripts_and_on_paper_the_drawings_stand(browser: Any, pages: dict[str, Path]) -> None:
    with shown(browser, pages["report"], scripts=False) as opened:
        # Days, watts, price; gain 3, table 2, curve 2, spread, time 2, loop; two runs with 2 and their stability.
        assert opened.page.locator("svg.plot").count() == 20
        assert all(one.is_visible() for one in opened.page.locator("svg.plot").all())
    with shown(browser, pages["report"]) as opened:
        figure(opened, "curve")
        seen = "getComputedStyle(document.querySelector('#chart-curve svg.plot')).opacity"
        assert opened.page.evaluate(seen) == "0"
        opened.page.emulate_media(media="print", color_scheme="dark")
        assert opened.page.evaluate(seen) == "1"
        assert not opened.page.locator("#chart-curve canvas").first.is_visible()
        # What is folded on a screen is open on paper, and paper is white in the dark too.
        assert opened.page.locator("#chart-days ~ details td").first.is_visible()
        assert opened.page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"


def test_a_drawing_in_the_dark_is_drawn_in_the_colours_of_the_dark(browser: Any, pages: dict[str, Path]) -> None:
    shades = []
    for dark in (False, True):
        with shown(browser, pages["report"], dark=dark) as opened:
            path = opened.page.locator("#chart-gain path.dot").first
            shades.append(path.evaluate("one => getComputedStyle(one).stroke"))
    assert shades == ["rgb(194, 74, 0)", "rgb(255, 138, 76)"]


def test_the_page_of_a_run_loads_itself_again_until_a_reader_holds_it(
    browser: Any, pages: dict[str, Path], tmp_path: Path
) -> None:
    page = tmp_path / "live.html"
    shutil.copy(pages["live"], page)
    with shown(browser, page) as opened:
        page.write_text(page.read_text().replace("<h1>gauge 07", "<h1>gauge 08"))
        opened.page.wait_for_selector("h1:has-text('gauge 08')", timeout=5000)
        opened.page.click("text=Hold still")
        page.write_text(page.read_text().replace("<h1>gauge 08", "<h1>gauge 09"))
        opened.wait(2500)
        assert opened.page.text_content("h1") == "gauge 08"
        opened.page.click("text=Go on")
        opened.page.wait_for_selector("h1:has-text('gauge 09')", timeout=5000)


@pytest.mark.parametrize(("name", "most"), [("report", 2_000_000), ("lot", 500_000), ("live", 200_000)])
def test_the_pages_are_small(pages: dict[str, Path], name: str, most: int) -> None:
    assert 10_000 < pages[name].stat().st_size < most
