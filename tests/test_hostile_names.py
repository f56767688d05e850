"""Names that try to leave the place in which they are shown: C, HTML, SVG, CSV, the terminal, the folder."""

from __future__ import annotations

import csv
import re
import subprocess
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hostile_runs import job_of, refusal, sweep_log, tcomp
from hypothesis import given, settings
from hypothesis import strategies as st

from tcomp.cli.options import shown
from tcomp.files import csv_field
from tcomp.firmware.exporter import cell_text, comment_text
from tcomp.proof.compilers import first_compiler
from tcomp.results import RESULTS

C_NAME = '*/ int stolen = 1; /* ??/ \\ " %s {0} °µ\N{RIGHT-TO-LEFT OVERRIDE}é,=cmd|"/c calc"!A1;@SUM(1)'
HTML_NAME = "\"><script>alert(1)</script><svg/onload=alert(2)> ' onmouseover=alert(3) {{ 7*7 }} {% raw %}"
FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What spreadsheets take for the beginning of a formula (OWASP, CSV Injection)."""


class Tags(HTMLParser):
    """The tags of a page, with their attributes."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def built(folder: Path, name: str, file: str = "log.csv", more: str = "") -> Path:
    (folder / file).write_text(sweep_log())
    job = job_of(
        folder, name=name, file=file, run=f'[firmware]\nsymbol = "gauge"\nformats = ["c", "csv", "json"]\n{more}'
    )
    out = folder / "out"
    result = tcomp("build", job, "--into", out)
    assert result.exit_code == 0, result.output
    return out


@pytest.fixture(scope="module")
def c_named(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory.mktemp("c"), C_NAME)


@pytest.fixture(scope="module")
def html_named(tmp_path_factory: pytest.TempPathFactory) -> Path:
    # On Linux a file may have any name without a slash.
    return built(tmp_path_factory.mktemp("html"), HTML_NAME.replace("/", "|"), HTML_NAME.replace("/", "|") + ".csv")


def test_a_name_stays_in_its_comment_of_the_c(c_named: Path) -> None:
    for file in ("gauge.c", "gauge.h", "gauge_selftest.c"):
        text = (c_named / file).read_bytes()
        assert text.isascii(), file
        # C99 5.2.1.1 and 5.1.1.2: trigraphs and joined lines come before comments.
        assert b"??/" not in text, file
        code = re.sub(rb"/\*.*?\*/|//[^\n]*", b"", text, flags=re.DOTALL)
        assert b"stolen" not in code, file
        assert b"stolen" in text or file != "gauge.h", file


def test_the_c_with_such_a_name_compiles_with_trigraphs_on(c_named: Path, tmp_path: Path) -> None:
    compiler = first_compiler()
    command = [*compiler.command, "-std=c99", "-trigraphs", "-Wall", "-Wextra", "-Werror", "-c", "-o"]
    for file in ("gauge.c", "gauge_selftest.c"):
        subprocess.run([*command, tmp_path / "x.o", c_named / file], check=True, capture_output=True, timeout=120)


@settings(derandomize=True, max_examples=300)
@given(st.text(st.sampled_from("*/?\\ \n\r\t\x0b\x1b\"'=,;+-@%°é\u2028ab"), max_size=24))
def test_no_text_leaves_a_comment(text: str) -> None:
    found = comment_text(text)
    assert found.isascii()
    assert found.isprintable()
    assert not re.search(r"\*/|/\*|\?\?|\\", found)
    for cell in re.split("[,;|]", cell_text(f"a,{text}"))[1:]:
        assert not cell.lstrip().startswith(("=", "+", "-", "@"))


@settings(derandomize=True, max_examples=300)
@given(st.text(st.sampled_from("=+-@\t\r\n,;\"' ab"), min_size=1, max_size=12), st.sampled_from(",;\t"))
def test_no_text_leaves_its_cell_of_a_csv_file(text: str, separator: str) -> None:
    # RFC 4180, read by the standard library.
    rows = list(csv.reader([csv_field(text, separator) + separator + "next"], delimiter=separator, strict=True))
    if not any(mark in text for mark in "\r\n"):
        assert rows[0][1] == "next"
        assert rows[0][0] in (text, f"'{text}")
        assert not rows[0][0].startswith(("=", "+", "-", "@"))


def test_no_cell_of_a_csv_file_begins_a_formula(c_named: Path) -> None:
    for file in ("gauge.csv", "validation.csv"):
        text = (c_named / file).read_text()
        for separator in ",;\t":
            cells = [cell for row in csv.reader(text.splitlines(), delimiter=separator) for cell in row]
            odd = [cell for cell in cells if cell.startswith(FORMULA) or cell.lstrip().startswith(("=", "@"))]
            assert [cell for cell in odd if not re.match(r"-\d", cell)] == [], file
    # A planted formula is found by the same rule.
    assert next(csv.reader(["a,=1+1"]))[1].startswith(FORMULA)


def test_a_table_as_csv_with_such_a_name_is_read_back(c_named: Path) -> None:
    from firmware_files import read_csv_text

    from tcomp.tables import read_table

    assert read_csv_text((c_named / "gauge.csv").read_text()) == read_table(c_named / "table.json")


def test_a_plan_for_such_a_name_has_no_formula(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    text = (
        '[oscillator]\nname = "=1+1,=2+2"\nnominal_hz = 10e6\n[fit]\nrange_c = [0.0, 50.0]\n[plan]\ncurve_ppb = 50.0\n'
    )
    job.write_text(text)
    result = tcomp("plan", job, "--csv", tmp_path / "plan.csv", "--quiet")
    assert result.exit_code == 0, result.output
    rows = list(csv.reader((tmp_path / "plan.csv").read_text().splitlines()))
    odd = [cell for row in rows for cell in row if cell.startswith(FORMULA) and not re.fullmatch(r"-\d+(\.\d+)?", cell)]
    assert len(rows) > 3
    assert odd == []


def test_new_names_in_a_corrected_log_are_quoted_and_no_formulas(c_named: Path, tmp_path: Path) -> None:
    column = "=1+1, Hz"
    (tmp_path / "log.csv").write_text(f'utc,t,"{column}"\n1700000000,25,10000000\n1700000060,25,10000000\n')
    job = job_of(tmp_path, run='[firmware]\nsymbol = "gauge"')
    result = tcomp(
        "apply", c_named / "curve.json", tmp_path / "log.csv", "--frequency", column, "--job", job, "--into",
        tmp_path / "true.csv", "--quiet",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    rows = list(csv.reader((tmp_path / "true.csv").read_text().splitlines(), strict=True))
    assert rows[0] == ["utc", "t", column, f"'{column}_true", f"'{column}_u", "state"]
    assert [len(row) for row in rows] == [6, 6, 6]


def test_a_name_stays_text_in_the_page_and_its_pictures(html_named: Path) -> None:
    page = (html_named / "report.html").read_text(encoding="utf-8")
    tags = Tags(page).tags
    assert {"iframe", "img", "link", "object"}.isdisjoint(tag for tag, _ in tags)
    # The data, the drawing library and the program of the page: test_report.py holds the latter two against their files.
    assert sum(tag == "script" for tag, _ in tags) == 3
    assert not [name for _, attributes in tags for name in attributes if name.startswith("on")]
    assert "49" not in re.findall(r"<h1>(.*?)</h1>", page)[0]
    labels = [attributes["aria-label"] for _, attributes in tags if attributes.get("role") == "img"]
    assert any(HTML_NAME.replace("/", "|") in str(label) for label in labels)
    pictures = re.findall(r'<svg class="plot.*?</svg>\s*<line.*?</svg>', page, re.DOTALL)
    assert len(pictures) > 5
    for picture in pictures:
        ET.fromstring(picture)


@pytest.mark.parametrize("command", [("inspect", "--plot"), ("judge", "--plot")])
def test_pictures_of_such_names_are_sound_xml_without_events(html_named: Path, command: tuple[str, str]) -> None:
    job = html_named.parent / "job.toml"
    text = job.read_text(encoding="utf-8")
    judged = html_named.parent / "judged.toml"
    judged.write_text(text + "\n[use]\nneeded_ppb = 100.0\n", encoding="utf-8")
    picture = html_named.parent / f"{command[0]}.svg"
    result = tcomp(command[0], judged, "--into", html_named, command[1], picture, "--quiet")
    assert result.exit_code == 0, result.output
    for element in ET.fromstring(picture.read_text(encoding="utf-8")).iter():
        assert not element.tag.endswith("script")
        assert not [name for name in element.attrib if name.startswith("on")]


@settings(derandomize=True, max_examples=200)
@given(st.text(max_size=20))
def test_no_text_steers_the_terminal(text: str) -> None:
    found = shown(text)
    assert all(one == "\n" or one.isprintable() or one.isspace() for one in found)
    found.encode("utf-8")


def test_a_message_of_any_length_is_cut() -> None:
    assert len(shown("a" * 10**6)) < 5000


def test_what_a_log_holds_does_not_steer_the_terminal(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_bytes(b"utc,t,y\n1700000000,\x1b]0;owned\x07\x1b[31mred,3\n1700000010,2,3\n")
    said = refusal("inspect", job_of(tmp_path), "--into", tmp_path / "out")
    assert r"holds '\x1b]0;owned\x07\x1b[31mred'" in said
    assert said.isprintable()


def test_what_a_folder_of_results_holds_does_not_steer_the_terminal(c_named: Path, tmp_path: Path) -> None:
    text = (c_named / "curve.json").read_text()
    assert '"remarks": []' in text
    (tmp_path / "curve.json").write_text(text.replace('"remarks": []', r'"remarks": ["\u001b[2J\u202egone"]'))
    (tmp_path / "table.json").write_text((c_named / "table.json").read_text())
    result = tcomp("check", tmp_path / "curve.json", c_named.parent / "job.toml")
    assert result.exit_code in (0, 1)
    assert "\x1b" not in result.output
    assert "\u202e" not in result.output


@pytest.mark.parametrize("text", [r"a\u0000b", r"a\u001b[31m", r"a\nb", r"a\u0085b", r"a\u2028b"])
def test_control_characters_in_a_job_are_refused(tmp_path: Path, text: str) -> None:
    job = tmp_path / "job.toml"
    job.write_text(f'[oscillator]\nname = "{text}"\n[[run]]\nfile = "log.csv"\ntemperature = "t"\noffset = "y"\n')
    assert "job.toml:2: [oscillator] name" in (said := refusal("inspect", job))
    assert "expected text without control characters" in said
    job.write_text(f'[oscillator]\nname = "x"\n[[run]]\nfile = "{text}.csv"\ntemperature = "t"\noffset = "y"\n')
    assert "expected a file name without control characters" in refusal("inspect", job)


@pytest.mark.parametrize("symbol", ["../../x", "/etc/x", "a/b", "..", r"a\\b", "x.c", "ä", "a b", "a\\u0022", "int"])
@pytest.mark.parametrize("command", ["build", "export", "prove"])
def test_a_symbol_cannot_leave_the_folder(c_named: Path, tmp_path: Path, symbol: str, command: str) -> None:
    (tmp_path / "log.csv").write_text(sweep_log())
    for file in ("curve.json", "table.json"):
        (tmp_path / file).write_bytes((c_named / file).read_bytes())
    run = f'[firmware]\nsymbol = "{symbol}"\nformats = ["json", "csv", "bin", "ihex"]'
    before = sorted(tmp_path.rglob("*"))
    assert "[firmware] symbol: symbol" in refusal(command, job_of(tmp_path, run=run), "--into", tmp_path)
    assert sorted(tmp_path.rglob("*")) == sorted({*before, tmp_path / "job.toml"})


@pytest.mark.parametrize("name", [*RESULTS, "Validation"])
def test_a_symbol_cannot_take_the_place_of_a_result(tmp_path: Path, name: str) -> None:
    (tmp_path / "log.csv").write_text(sweep_log())
    said = refusal("build", job_of(tmp_path, run=f'[firmware]\nsymbol = "{name}"'), "--into", tmp_path / "out")
    assert f'"{name}" is the name of a file of the results; "{name}_table" would do' in said
    assert not (tmp_path / "out").exists()


def test_the_names_of_results_are_all_that_a_build_leaves(c_named: Path) -> None:
    left = {file.name.split(".")[0] for file in c_named.iterdir()}
    assert left - {"gauge", "gauge_selftest"} <= set(RESULTS)


def test_a_link_in_the_folder_is_replaced_and_not_followed(tmp_path: Path, c_named: Path) -> None:
    mine = tmp_path / "mine.txt"
    mine.write_text("mine")
    out = tmp_path / "out"
    out.mkdir()
    for file in ("curve.json", "table.json"):
        (out / file).write_bytes((c_named / file).read_bytes())
    for file in ("gauge.c", "gauge.h", "gauge.csv", "gauge.json", "gauge_selftest.c"):
        (out / file).symlink_to(mine)
    assert tcomp("export", c_named.parent / "job.toml", "--into", out, "--quiet").exit_code == 0
    assert mine.read_text() == "mine"
    assert not [file for file in out.iterdir() if file.is_symlink()]


def test_a_folder_that_is_a_link_is_written_through_and_one_that_leads_nowhere_is_one_sentence(
    c_named: Path, tmp_path: Path
) -> None:
    job = c_named.parent / "job.toml"
    (tmp_path / "real").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "real")
    assert tcomp("inspect", job, "--into", tmp_path / "out", "--quiet").exit_code == 0
    assert {path.name for path in (tmp_path / "real").iterdir()} == {"clean.parquet", "legs.csv", "made_from.json"}
    (tmp_path / "gone").symlink_to(tmp_path / "nowhere")
    assert "gone: cannot be written (File exists)" in refusal("inspect", job, "--into", tmp_path / "gone")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    assert "cannot be written" in refusal("inspect", job, "--into", tmp_path / "loop" / "out")


def test_links_and_damage_in_a_lots_folder_are_told_and_nothing_beyond_it_is_taken_away(tmp_path: Path) -> None:
    from lots import JOB, LOT, log_text

    (tmp_path / "logs").mkdir()
    (tmp_path / "logs" / "07.csv").write_text(log_text(7))
    (tmp_path / "lot.toml").write_text(LOT + JOB)
    words = ("lot", tmp_path / "lot.toml", "--into", tmp_path / "out", "--workers", "1", "--quiet")
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "kept").write_text("mine")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / ".begun").symlink_to(mine)
    (tmp_path / "out" / "lot.csv").symlink_to(mine / "kept")
    assert tcomp(*words).exit_code == 0
    assert (mine / "kept").read_text() == "mine"
    for damage in ("{}", "[]", "[" * 100_000, ""):
        (tmp_path / "out" / "07" / "summary.json").write_text(damage)
        assert "the results of unit '07' are damaged; take that folder away" in refusal(*words)
    (mine / "unit.json").write_text("{}")
    (tmp_path / "out" / "07").rename(tmp_path / "old")
    (tmp_path / "out" / "07").symlink_to(mine)
    assert tcomp(*words).exit_code == 0
    assert {path.name: path.read_text() for path in mine.iterdir()} == {"kept": "mine", "unit.json": "{}"}
    assert not (tmp_path / "out" / "07").is_symlink()


def test_results_cannot_go_into_a_file(tmp_path: Path, c_named: Path) -> None:
    (tmp_path / "file").write_text("mine")
    (tmp_path / "log.csv").write_text(sweep_log())
    assert tcomp("build", job_of(tmp_path), "--into", tmp_path / "file").exit_code == 2
    said = refusal("build", job_of(tmp_path), "--into", tmp_path / "file" / "out")
    assert "cannot be written (Not a directory)" in said
    said = refusal("apply", c_named / "curve.json", tmp_path / "log.csv", "--frequency", "y", "--job", job_of(tmp_path),
                   "--into", tmp_path)  # fmt: skip
    assert "cannot be written (Is a directory)" in said
    assert (tmp_path / "file").read_text() == "mine"


def test_a_job_is_started_for_a_log_with_hostile_names(tmp_path: Path) -> None:
    log = tmp_path / 'a"b\\c\x7f.csv'
    log.write_bytes(b'utc,temp"\\_c,\x1b[31mred\x7f_hz\n1700000000,2,3\n1700000010,2,3\n')
    assert tcomp("start", log, "--into", tmp_path / "job.toml").exit_code == 0
    text = (tmp_path / "job.toml").read_text()
    assert "\x1b" not in text
    assert "\x7f" not in text
    # What a job cannot hold is refused with its line, once the job is used.
    assert "[[run]] file" in refusal("inspect", tmp_path / "job.toml")


def test_a_name_that_is_no_unicode_is_one_sentence(tmp_path: Path) -> None:
    log = tmp_path / b"a\xff.csv".decode("utf-8", "surrogateescape")
    log.write_text(sweep_log())
    assert "is not UTF-8; rename that file" in refusal("start", log, "--into", tmp_path / "job.toml")
    assert not (tmp_path / "job.toml").exists()


def test_a_unit_of_a_lot_is_no_formula(tmp_path: Path) -> None:
    from lots import JOB, LOT

    from tcomp.lot.figures import lot_csv, lot_figures
    from tcomp.lot.lot_file import read_lot
    from tcomp.lot.unit_work import Outcome

    (tmp_path / "lot.toml").write_text(LOT + JOB)
    outcome = Outcome("=1+1", reason="@SUM(1), he said")
    figures = lot_figures(read_lot(tmp_path / "lot.toml"), [outcome], {})
    rows = list(csv.reader(lot_csv(figures).splitlines(), strict=True))
    assert (rows[1][0], rows[1][-1]) == ("'=1+1", "'@SUM(1), he said")
