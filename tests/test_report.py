"""The page: self-contained, accessible, safe with any name, and true to summary.json."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
import shutil
import xml.etree.ElementTree as ET
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tcomp import workflow
from tcomp.documents.proof import CountRange, LookupCost, ProofDocument, TargetProof
from tcomp.documents.summary import BudgetEntry
from tcomp.job import read_job
from tcomp.report.answer import answer, next_steps, warnings
from tcomp.report.commands import Commands
from tcomp.report.words import number, with_u
from tcomp.results import Folder
from tcomp.verdict.options import REGULARLY
from tcomp.verdict.verdict import judge

STATION = Path(__file__).parent.parent / "sample_runs" / "weather_station" / "station_clock.toml"
HOSTILE = "x</title><script>alert(1)</script> \"q\" 'a' & ]]> $x$ $\\frac{ {{ 7*7 }} <!-- -->"
HOSTILE_LOG = "a\"b'<script>$x$&]]>.csv"
LOADING = {"src", "href", "xlink:href", "srcset", "poster", "action", "data", "background", "formaction"}
FOREIGN = {"link", "iframe", "object", "embed", "img", "base", "form", "audio", "video", "source"}


@dataclass
class Page(HTMLParser):
    """What stands in a page: tags with their attributes, and the text by the tag or class that holds it."""

    tags: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    cards: list[list[str]] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)
    text: str = ""
    style: str = ""
    scripts: list[tuple[str, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()
        self._open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.tags.append((tag, given))
        if tag not in {"meta", "br"}:
            self._open.append(tag)
        if tag == "script":
            self.scripts.append((given.get("type", ""), ""))
        if given.get("class") == "card":
            self.cards.append([])
        if tag == "tr":
            self.rows.append([])
        if tag in {"td", "th"}:
            self.rows[-1].append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if "style" in self._open:
            self.style += data
            return
        if "script" in self._open:
            kind, text = self.scripts[-1]
            self.scripts[-1] = (kind, text + data)
            return
        self.text += data
        if "svg" not in self._open and self._open[-1:] in (["span"], ["b"]) and self.cards and "td" not in self._open:
            self.cards[-1].append(data)
        if {"td", "th"} & set(self._open):
            self.rows[-1][-1] += data


def parsed(html: str) -> Page:
    page = Page()
    page.feed(html)
    return page


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> workflow.BuildResult:
    return workflow.build(read_job(STATION), tmp_path_factory.mktemp("station"))


@pytest.fixture(scope="module")
def html(station: workflow.BuildResult) -> str:
    return (station.folder.path / "report.html").read_text(encoding="utf-8")


def report_of(folder: Path, job: str, log_name: str, log: str) -> str:
    """The page of a small job, without a proof."""
    (folder / log_name).write_text(log)
    (folder / "job.toml").write_text(job)
    checked, into = read_job(folder / "job.toml"), Folder(folder / "out")
    fit_result = workflow.fit(checked, workflow.inspect_runs(checked, into, print), into, print)
    workflow.design(checked, fit_result.curve, into, print)
    into.write_proof(ProofDocument.not_run("no C compiler was found"))
    workflow.report(checked, into, print)
    return (folder / "out" / "report.html").read_text(encoding="utf-8")


def sweep_log() -> str:
    """Up and down over 50 degC, a parabola about 25 degC; invented."""
    up = np.linspace(0.0, 50.0, 400)
    temperature_c = np.concatenate([up, up[::-1]])
    offset_ppb = -3.0 * (temperature_c - 25.0) ** 2 + np.random.default_rng(8).normal(0.0, 2.0, temperature_c.size)
    pairs = zip(temperature_c, offset_ppb, strict=True)
    rows = [f"{1_700_000_000 + 10 * i},{t:.4f},{y:.4f}" for i, (t, y) in enumerate(pairs)]
    return "utc,t,y\n" + "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> str:
    run = f'file = {json.dumps(HOSTILE_LOG)}\ntime = "utc"\ntemperature = "t"\noffset = "y"\noffset_unit = "ppb"\n'
    job = f"[oscillator]\nname = {json.dumps(HOSTILE)}\n[[run]]\n{run}"
    return report_of(tmp_path_factory.mktemp("hostile"), job, HOSTILE_LOG, sweep_log())


PAGES = resources.files("tcomp.report").joinpath("pages")


def test_the_page_loads_nothing_from_anywhere(html: str) -> None:
    page = parsed(html)
    assert FOREIGN.isdisjoint(tag for tag, _ in page.tags)
    for tag, given in page.tags:
        for name in LOADING & given.keys():
            assert given[name].startswith("#"), (tag, name, given[name][:60])
        assert not [name for name in given if name.startswith("on")]
    styles = page.style + "".join(given.get("style", "") for _, given in page.tags)
    assert "@import" not in styles
    assert "url(" not in styles


def test_a_planted_picture_from_elsewhere_would_be_found(html: str) -> None:
    planted = html.replace("</main>", '<img src="https://example.org/x.png"></main>')
    with pytest.raises(AssertionError):
        test_the_page_loads_nothing_from_anywhere(planted)


def digests(texts: list[str]) -> list[str]:
    return [f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in texts]


def test_the_browser_is_told_to_load_nothing_and_to_run_two_scripts_by_their_digests(html: str) -> None:
    # Content Security Policy Level 3 (W3C): default-src 'none' forbids what no other directive allows; a digest allows a text.
    page = parsed(html)
    meta = [given for tag, given in page.tags if tag == "meta" and "http-equiv" in given]
    assert [given["http-equiv"] for given in meta] == ["Content-Security-Policy"]
    policy = dict(part.strip().partition(" ")[::2] for part in meta[0]["content"].split(";"))
    assert set(policy) == {"default-src", "script-src", "style-src", "base-uri", "form-action"}
    assert policy["default-src"] == policy["base-uri"] == policy["form-action"] == "'none'"
    programs = [text for kind, text in page.scripts if kind != "application/json"]
    assert programs == [PAGES.joinpath(name).read_text("utf-8") for name in ("uPlot.iife.min.js", "explore.js")]
    assert policy["script-src"].split() == digests(programs)
    assert policy["style-src"].split() == digests([page.style])
    assert not re.search(r"\beval\(|\bFunction\(", "".join(programs))


def test_the_drawing_library_is_the_one_that_was_published() -> None:
    # uPlot 1.6.32: the file of that version in the npm registry's package, as the registry's client unpacks it.
    digest = hashlib.sha256(PAGES.joinpath("uPlot.iife.min.js").read_bytes()).hexdigest()
    assert digest == "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"
    assert "The MIT License" in PAGES.joinpath("uPlot.LICENSE").read_text("utf-8")


def test_every_picture_has_a_name_of_its_own_and_is_sound_xml(html: str) -> None:
    # WAI-ARIA 1.2: role img needs an accessible name.
    pictures = [ET.fromstring(found) for found in PICTURE.findall(html)]
    # Gain 3, table 2, curve 2, spread 1, time 2, loop 1, the run 2, its stability 1.
    assert len(pictures) == 14
    names = [picture.get("aria-label", "") for picture in pictures]
    assert all(names)
    assert len(set(names)) == len(names)


PICTURE = re.compile(r'<svg class="plot.*?</svg>\s*<line.*?</svg>', re.DOTALL)
"""A panel: an SVG element with one within it."""


def test_no_identifier_stands_twice(html: str) -> None:
    # HTML Living Standard 3.2.6: an id is unique in its tree.
    identifiers = [given["id"] for _, given in parsed(html).tags if "id" in given]
    assert len(identifiers) > 15
    assert len(set(identifiers)) == len(identifiers)


def test_every_head_of_a_grid_says_something(html: str) -> None:
    assert all(cell.strip() for row in parsed(html).rows for cell in row[:1])


def test_the_ladder_holds_the_figures_of_the_summary(html: str, station: workflow.BuildResult) -> None:
    rows = {row[0]: row[1] for row in parsed(html).rows if len(row) == 3}
    found = station.summary
    sensor = [one.size_ppb for one in found.error_budget if one.name in ("sensor's steps", "sensor's noise")]
    for what, value in {
        "uncorrected, lowest to highest": found.curve.spread_ppb,
        "held-out sweeps on the bench, 95 %": found.residual.held_out_p95_ppb,
        "curve at its worst, k = 2": 2 * found.curve.worst_u_ppb,
        "sensor's steps and noise, k = 2": 2 * math.hypot(*sensor),
        "table, at most": found.table.max_error_ppb,
    }.items():
        assert float(rows[what]) == pytest.approx(value, rel=5e-3), what  # three digits are shown


def test_four_answers_stand_first_each_with_a_word(html: str) -> None:
    found = re.findall(r'<li class="card (good|look|stop)"><h2>(\S+) <span class="mark">', html)
    assert [question for _, question in found] == ["Now", "Table", "Oven?", "Next"]
    # The sample's job states no need: what it is in use, and whether an oven is needed, is open.
    assert [mark for mark, _ in found] == ["look", "good", "look", "good"]
    assert html.index('class="answers"') < html.index("<nav")
    assert "needed_ppb" in parsed(html).text


def test_the_grids_are_those_of_the_files(html: str, station: workflow.BuildResult) -> None:
    rows = {row[0]: row[1:] for row in parsed(html).rows}
    scores = pd.read_csv(station.folder.path / "validation.csv")
    for _, score in scores.iterrows():
        shown = [float(cell) for cell in rows[score["model"]]]
        wanted = [score[name] for name in ("coefficients", "rms_ppb", "p95_ppb", "max_ppb")]
        assert shown[:4] == pytest.approx(wanted, rel=5e-3)
    budget = {row[0]: row[1] for row in parsed(html).rows if len(row) == 4 and row[2].endswith(" %")}
    for one in station.summary.error_budget:
        assert float(budget[one.name]) == pytest.approx(one.size_ppb, rel=5e-3)
    assert rows["codes compared, in each build"] == ["65536"]


def test_the_cost_of_a_lookup_stands_beside_each_target_that_was_run(
    html: str, station: workflow.BuildResult, tmp_path: Path
) -> None:
    # Invented figures, as a target that was run, one that stopped, and one that this machine lacks leave them.
    cost = LookupCost(
        instructions=CountRange(least=58, mean=63.39, largest=64), cycles=CountRange(least=71, mean=76.39, largest=77),
        code_bytes=108, table_bytes=162, table_in_ram=True,
    )  # fmt: skip
    lacking = TargetProof.not_run("cortex-m0plus", "there is no package unicorn")
    ran = replace(
        lacking, target="avr", holds=True, reason="", compiler="avr-gcc", version="5.4.0", codes=65536, lookup=cost
    )
    uncounted = replace(ran, target="cortex-m4", lookup=replace(cost, cycles=None, table_in_ram=False))
    stopped = replace(ran, target="rv32imc", holds=False, compiler="zig cc", version="1", codes=0, lookup=None)
    shutil.copytree(station.folder.path, tmp_path / "out")
    folder = Folder(tmp_path / "out")
    folder.write_proof(replace(folder.read_proof(), targets=(ran, uncounted, stopped, lacking)))
    workflow.report(read_job(STATION), folder, print)
    page = parsed((folder.path / "report.html").read_text(encoding="utf-8"))
    rows = {row[0]: row[1:] for row in page.rows}
    equal = "equal everywhere"
    assert rows["avr"] == [
        "avr-gcc 5.4.0", equal, "65536", "58 / 63.4 / 64", "71 / 76.4 / 77", "108", "162, and in RAM"
    ]  # fmt: skip
    assert rows["cortex-m4"] == ["avr-gcc 5.4.0", equal, "65536", "58 / 63.4 / 64", "-", "108", "162"]
    assert rows["rv32imc"] == ["zig cc 1", "DIFFERS", "0", "-", "-", "-", "-"]
    assert rows["cortex-m0plus"] == ["-", "not run", "0", "-", "-", "-", "-"]
    assert "cortex-m0plus was not run: there is no package unicorn" in page.text
    # A build runs the C on the host alone.
    assert "target" not in {row[0] for row in parsed(html).rows}


def test_the_page_is_small(html: str) -> None:
    assert len(html.encode("utf-8")) < 2_000_000


def test_the_same_results_give_the_same_page(html: str, station: workflow.BuildResult) -> None:
    workflow.report(read_job(STATION), station.folder, print)
    assert (station.folder.path / "report.html").read_text(encoding="utf-8") == html


def test_hostile_names_stay_words(hostile: str) -> None:
    page = parsed(hostile)
    test_the_page_loads_nothing_from_anywhere(hostile)
    assert page.text.count(HOSTILE) >= 3  # title, heading, caption: as it was given, and no more than text
    assert HOSTILE_LOG in page.text
    labels = [given["aria-label"] for tag, given in page.tags if given.get("role") == "img"]
    assert f"Temperature and offset of {HOSTILE_LOG} against time: offset [ppb]" in labels
    assert "49" not in re.findall(r"<h1>(.*?)</h1>", hostile)[0]  # no template within the template
    for found in PICTURE.findall(hostile):
        ET.fromstring(found)


def test_a_page_without_a_proof_says_so_first(hostile: str) -> None:
    assert "Not proven: no C compiler was found" in parsed(hostile).text
    assert "The C is not verified: no C compiler was found." in parsed(hostile).text


def test_an_unordered_table_has_a_page(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    temperature_c = rng.permutation(np.linspace(-10.0, 50.0, 120))
    rows = [f"{t:.3f};{-35.0 * (t - 25) ** 2 / 1000 + rng.normal(0, 0.02):.5f}" for t in temperature_c]  # invented
    job = '[oscillator]\nname = "fork"\ncut = "tuning-fork"\n'
    job += '[[run]]\nfile = "log.csv"\ntemperature = 1\noffset = 2\noffset_unit = "ppm"\n'
    page = parsed(report_of(tmp_path, job, "log.csv", "\n".join(rows) + "\n"))
    assert re.search(r"lag\b.* could not be determined; see which soaks", page.text)
    assert "unordered" in [cell for row in page.rows for cell in row]


def test_a_proof_that_does_not_hold_is_shouted(station: workflow.BuildResult) -> None:
    figures = replace(station.summary, proof=replace(station.summary.proof, holds=False))
    assert "DIFFERS FROM ITS SPECIFICATION" in warnings(figures)[0]
    assert f"{figures.table.bytes} bytes" in answer(figures)


def test_a_contribution_that_nobody_has_described_yet_has_its_place_on_the_page(
    station: workflow.BuildResult,
) -> None:
    new = BudgetEntry(name="air humidity", size_ppb=1e6, share=0.9, basis="invented", assumed=False)
    figures = replace(station.summary, error_budget=(new, *station.summary.error_budget))
    curve, commands = station.folder.read_curve(), Commands("a.toml", "a.out")
    texts = [step.text for step in next_steps(read_job(STATION), curve, figures, (), commands)]
    words = "air humidity, 1000000 ppb RMS on the last day before a trim, 90 % of the mean square."
    assert f"To do better, begin with what limits most: {words}" in texts
    without = replace(station.summary, error_budget=())
    assert not any("limits most" in step.text for step in next_steps(read_job(STATION), curve, without, (), commands))


def test_the_report_and_the_verdict_name_the_same_limit(tmp_path: Path) -> None:
    # Of the sample, by the issue: the report said the sensor's steps, the verdict ageing.  One list, one unit: RMS on the last day.
    job = read_job(STATION)
    need = replace(job, use=replace(job.use, needed_ppb=1e6))
    built = workflow.build(job, tmp_path)
    curve, table = built.folder.read_curve(), built.folder.read_table()
    verdict = judge(need, curve, table)
    option = next(one for one in verdict.options if one.option.name == REGULARLY)
    assert built.summary.error_budget[0].name == option.limited_by
    assert {one.name: one.size_ppb for one in built.summary.error_budget} == {
        line.name: pytest.approx(line.rms) for line in option.budget.lines
    }
    assert [one.size_ppb for one in built.summary.error_budget] == sorted(
        (one.size_ppb for one in built.summary.error_budget), reverse=True
    )


@pytest.mark.parametrize(
    ("value", "digits", "shown"),
    [
        (0.0, 3, "0"),
        (-0.0, 3, "0"),
        (float("nan"), 3, "unknown"),
        (float("-inf"), 3, "unknown"),
        (None, 3, "unknown"),
        (999.6, 3, "1000"),
        (0.09996, 3, "0.100"),
        (-12.345, 3, "-12.3"),
        (123456789.0, 3, "123456789"),
        (1e12, 3, "1e+12"),
        (1.234e-7, 3, "1.23e-07"),
    ],
)
def test_numbers_read_as_people_write_them(value: float | None, digits: int, shown: str) -> None:
    assert number(value, digits) == shown


@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (169.412, 0.537, "169.41 s (u 0.54 s)"),
        (-3.0, 12.4, "-3 s (u 12 s)"),
        (26.381471, 0.000371, "26.38147 s (u 0.00037 s)"),
        (5.0, 0.0, "5.0000 s"),
        (5.0, float("nan"), "5.0000 s"),
        (1.0, 0.0996, "1.00 s (u 0.10 s)"),
        (-0.0004, 0.5, "0.00 s (u 0.50 s)"),
    ],
)
def test_a_value_is_cut_where_its_uncertainty_is(value: float, u: float, shown: str) -> None:
    # Two digits of the uncertainty, and the value to the same decimal: GUM (JCGM 100:2008) 7.2.6.
    assert with_u(value, u, "s") == shown
