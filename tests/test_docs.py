"""The pages hold: their commands run, what they show is what is printed, their links lead somewhere."""

from __future__ import annotations

import itertools
import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from markdown_it import MarkdownIt
from pages import PAGES, ROOT, BuildResult, Walk, blocks_of, fits, folder_for_a_page, shortened

from tcomp.cli import main
from tcomp.job import SECTIONS
from tcomp.lot.lot_file import LOT_SECTIONS

COMMANDS = ROOT / "docs" / "commands"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, ...], BuildResult]:
    """Builds that several pages begin with: made once."""
    return {}


def walked(text: str, folder: Path, kept: dict[tuple[str, ...], BuildResult], monkeypatch: pytest.MonkeyPatch) -> Walk:
    monkeypatch.chdir(folder_for_a_page(folder / "page"))
    return Walk(Path.cwd(), kept).page(text)


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_the_commands_of_a_page_run_and_print_what_it_shows(
    page: Path, tmp_path: Path, kept: dict[tuple[str, ...], BuildResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    walk = walked(page.read_text(encoding="utf-8"), tmp_path, kept, monkeypatch)
    assert not walk.faults, "\n".join(walk.faults)
    if walk.lacking:
        pytest.skip(f"needs {', '.join(sorted(walk.lacking))}")


PLANTED = {
    "an option that does not exist": ("```sh\ntcomp start --everything\n```\n", "exit code 2, not 0"),
    "a file that is not there": ("```sh\ntcomp inspect none.toml\n```\n", "none.toml"),
    "another exit code than is said": ("<!-- exit code: 1 -->\n```sh\ntcomp start\n```\n", "exit code 0, not 1"),
    "a fault behind a sound line": ("```sh\ntcomp start && tcomp start\n```\n", "is there already"),
    "another output": ("```sh\ntcomp start\n```\n\n```text\nmine.toml\n```\n", "but there is printed\njob.toml"),
    "an output that is left out": ("```sh\ntcomp start\n```\n```text\n```\n", "but there is printed\njob.toml"),
    "a program that a page may not run": ("```sh\nrm -r sample_runs\n```\n", "not among the commands"),
    "an example in Python": ("```python\n>>> 1 + 1\n3\n```\n", "Expected:\n    3\nGot:\n    2"),
    "Python that is no example": ("```python\n1 + 1\n```\n", "no test runs it"),
}


@pytest.mark.parametrize(("text", "fault"), PLANTED.values(), ids=PLANTED)
def test_a_planted_fault_of_a_page_is_found(
    text: str, fault: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert fault in "\n".join(walked(text, tmp_path, {}, monkeypatch).faults)


SOUND = """
<!-- file: log.csv -->
```text
utc,board_c,osc_hz
1,2,3
```
```sh
tcomp start log.csv --into a.toml   # a guess
```
```text
a.[...]l
[...]
```
<!-- exit code: 2 -->
```sh
tcomp start --into a.toml
```
<!-- not run: needs a board -->
```sh
flash it
```
<!-- needs: none-of-this-name -->
```sh
cat none.txt
```
```text
of a block that was not run
```
```sh
python3 -m venv .venv && .venv/bin/tcomp --version > said.txt && cat said.txt
tcomp --version | head -1
```
```text
tcomp [...]
tcomp [...]
```
```python
>>> a = 1
```
```{doctest}
>>> a
1
```
"""


def test_a_page_without_a_fault_has_none_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    walk = walked(SOUND, tmp_path, {}, monkeypatch)
    assert not walk.faults, "\n".join(walk.faults)
    assert walk.lacking == {"none-of-this-name"}
    assert len(walk.printed) == 2
    assert Path("log.csv").read_text(encoding="utf-8") == "utc,board_c,osc_hz\n1,2,3\n"


def test_a_build_that_two_pages_begin_with_is_made_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept: dict[tuple[str, ...], BuildResult] = {}
    page = "<!-- exit code: 2 -->\n```sh\ntcomp build none.toml\n```\n"
    (tmp_path / "1").mkdir()
    (tmp_path / "2").mkdir()
    walked(page, tmp_path / "1", kept, monkeypatch)
    assert list(kept) == [("tcomp build none.toml",)]
    built = kept["tcomp build none.toml",]
    (built.copy / "made.txt").write_text("", encoding="utf-8")
    walked(page, tmp_path / "2", kept, monkeypatch)
    assert (tmp_path / "2" / "page" / "made.txt").exists()
    other = walked("```sh\ntcomp start\n```\n" + page, tmp_path / "3", kept, monkeypatch)
    assert not (other.folder / "made.txt").exists()


def test_an_ellipsis_stands_for_anything_and_nothing_else_does() -> None:
    assert fits("first\n[...]\nlast\n", "first\nsecond  \nthird\nlast\n")
    assert fits("first\n[...]\nlast\n", "first\nlast\n")
    assert fits("holds ([...]) twice\n", "holds (here) twice\n")
    assert fits("holds (gcc)\n", "holds (zig cc ziglang\n       0.17.1, clang version 22.1.8)\n")
    assert not fits("first\nlast\n", "first\nsecond\nlast\n")
    assert not fits("first\n[...]\nlast\n", "first\nsecond\nlast\nmore\n")


def test_what_is_written_anew_keeps_its_ellipses() -> None:
    printed = [f"{name} new" for name in "abcdefg"]
    assert shortened(["a old", "b old"], printed) == printed
    assert shortened(["a old", "b old", "[...]"], printed) == ["a new", "b new", "[...]"]
    assert shortened(["[...]", "d old", "[...]", "g old"], printed) == ["[...]", "d new", "[...]", "g new"]


def links_of(page: Path) -> list[str]:
    tokens = MarkdownIt("commonmark").enable("table").parse(page.read_text(encoding="utf-8"))
    inline = [child for token in tokens for child in token.children or ()]
    found = [str(child.attrs.get("href") or child.attrs.get("src") or "") for child in inline]
    raw = [match for child in inline + tokens for match in re.findall(r'(?:src|srcset|href)="([^"]+)"', child.content)]
    return [link for link in [*found, *raw] if link and not re.match(r"[a-z]+:", link)]


def anchors_of(page: Path) -> set[str]:
    """The anchors of headings, as a viewer of Markdown makes them."""
    tokens = MarkdownIt("commonmark").parse(page.read_text(encoding="utf-8"))
    titles = [after.content for token, after in itertools.pairwise(tokens) if token.type == "heading_open"]
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


def broken_links(page: Path) -> list[str]:
    broken = []
    anchors = cache(anchors_of)  # a page is parsed once, not for each link to it
    for link in links_of(page):
        name, _, anchor = link.partition("#")
        target = page.parent / name if name else page
        if not target.exists() or (anchor and target.suffix == ".md" and anchor not in anchors(target)):
            broken.append(link)
    return broken


@pytest.mark.parametrize("page", [*PAGES, ROOT / "DEVELOPERS.md"], ids=lambda path: str(path.relative_to(ROOT)))
def test_the_links_of_a_page_lead_somewhere(page: Path) -> None:
    assert broken_links(page) == []


def test_a_planted_link_that_leads_nowhere_is_found(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("# A title\n[a](#a-title) [b](page.md#a-title) [c](none.md) [d](#other) ![e](none.svg)\n")
    assert broken_links(page) == ["none.md", "#other", "none.svg"]


def lines_drawn(picture: str) -> list[np.ndarray]:
    """The lines of a picture that have many corners, each scaled to its own height: its place on the page may differ."""
    drawn = []
    for path in re.findall(r'<path d="([^"]+)"', picture):
        corners = np.array(re.findall(r"[ML] (\S+) (\S+)", path), dtype=float)
        if len(corners) > MANY_CORNERS:
            drawn.append((corners[:, 1] - corners[:, 1].min()) / np.ptp(corners[:, 1]))
    return drawn


def same_lines(one: str, other: str) -> bool:
    """Whether two pictures draw the same lines, to a hundredth of their height: half a pixel, what drawing may round."""
    pairs = list(zip(lines_drawn(one), lines_drawn(other), strict=True))
    return all(len(a) == len(b) and np.abs(a - b).max() < 0.01 for a, b in pairs)


MANY_CORNERS = 50


def test_the_pictures_are_those_that_the_program_draws_today(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    walk = walked("```sh\npython benchmarks/by_hand.py pictures\n```\n", tmp_path, {}, monkeypatch)
    assert not walk.faults
    for name in ("gain_light.svg", "gain_dark.svg"):
        drawn, kept = ((root / "docs" / "pictures" / name).read_text(encoding="utf-8") for root in (walk.folder, ROOT))
        assert len(lines_drawn(drawn)) == 5  # two runs; an array, a polynomial and the table
        assert same_lines(drawn, kept)
    moved = re.sub(r"L (\S+) (\S+)", r"L \1 100.0", kept, count=80)
    assert not same_lines(drawn, moved)


@pytest.mark.parametrize("name", main.commands)
def test_each_command_has_a_page_that_runs_it_and_lists_its_options(name: str) -> None:
    text = (COMMANDS / f"{name}.md").read_text(encoding="utf-8")
    assert f"\n{name}\n" in (COMMANDS / "index.md").read_text(encoding="utf-8")
    assert f"```{{command-options}} {name}\n" in text
    run = "".join(block.text for block in blocks_of(text) if block.kind == "sh" and "not run" not in block.said)
    assert re.search(rf"^tcomp {name}\b", run, re.MULTILINE), "no line of its page runs it"


def test_the_page_of_the_job_file_has_every_section() -> None:
    text = (ROOT / "docs" / "job_file.md").read_text(encoding="utf-8")
    assert re.findall(r"```\{job-keys\} (\w+)\n", text) == [*SECTIONS, *LOT_SECTIONS]
