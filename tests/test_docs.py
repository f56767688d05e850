"""The pages hold: their commands run, what they show is what is printed, their links lead somewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from markdown_it import MarkdownIt
from pages import PAGES, ROOT, Walk, blocks_of, fits, folder_for_a_page

from tcomp.cli import main
from tcomp.job import SECTIONS
from tcomp.lot.lot_file import LOT_SECTIONS

COMMANDS = ROOT / "docs" / "commands"


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, int, str]]:
    """Builds that several pages begin with: made once."""
    return {}


def walked(text: str, folder: Path, kept: dict[str, tuple[Path, int, str]], monkeypatch: pytest.MonkeyPatch) -> Walk:
    monkeypatch.chdir(folder_for_a_page(folder / "page"))
    return Walk(Path.cwd(), kept).page(text)


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_the_commands_of_a_page_run_and_print_what_it_shows(
    page: Path, tmp_path: Path, kept: dict[str, tuple[Path, int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    text = page.read_text(encoding="utf-8")
    assert walked(text, tmp_path, kept, monkeypatch).faults == []


PLANTED = {
    "an option that does not exist": ("```sh\ntcomp start --everything\n```\n", "exit code 2, not 0"),
    "a file that is not there": ("```sh\ntcomp inspect none.toml\n```\n", "none.toml"),
    "another exit code than is said": ("<!-- exit code: 1 -->\n```sh\ntcomp start\n```\n", "exit code 0, not 1"),
    "a fault behind a sound line": ("```sh\ntcomp start && tcomp start\n```\n", "is there already"),
    "another output": ("```sh\ntcomp start\n```\n\n```text\nmine.toml\n```\n", "but there is printed\njob.toml"),
    "an output too short": ("```sh\ntcomp start a --into b; true\n```\n```text\n```\n", "there is printed"),
    "a program that a page may not run": ("```sh\nrm -r sample_runs\n```\n", "not among the commands"),
    "an example in Python": ("```python\n>>> 1 + 1\n3\n```\n", "Expected:\n    3\nGot:\n    2"),
    "Python that is no example": ("```python\n1 + 1\n```\n", "no test runs it"),
}


@pytest.mark.parametrize(("text", "fault"), PLANTED.values(), ids=PLANTED)
def test_a_planted_fault_of_a_page_is_found(
    text: str, fault: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert fault in "\n".join(walked(text, tmp_path, {}, monkeypatch).faults)


def test_a_page_without_a_fault_has_none_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = "<!-- file: log.csv -->\n```text\nutc,c,hz\n1,2,3\n```\n```sh\ntcomp start log.csv --into a.toml\n```\n```text\na.[...]l\n```\n"
    text += "<!-- exit code: 2 -->\n```sh\ntcomp start --into a.toml\n```\n<!-- not run: needs a board -->\n```sh\nflash it\n```\n"
    text += "```sh\ntcomp start > said.txt && cat said.txt\n```\n```text\njob.toml\n```\n```python\n>>> a = 1\n```\n```python\n>>> a\n1\n```\n"
    walk = walked(text, tmp_path, {}, monkeypatch)
    assert walk.faults == []
    assert [block.said for block in blocks_of(text)][:2] == [{"file": "log.csv"}, {}]


def test_an_ellipsis_stands_for_anything_and_nothing_else_does() -> None:
    assert fits("first\n[...]\nlast\n", "first\nsecond  \nthird\nlast\n")
    assert fits("holds ([...])\n", "holds (gcc)\n")
    assert not fits("first\nlast\n", "first\nsecond\nlast\n")
    assert not fits("first\n[...]\nlast\n", "first\nsecond\nlast\nmore\n")


def links_of(page: Path) -> list[str]:
    tokens = MarkdownIt("commonmark").enable("table").parse(page.read_text(encoding="utf-8"))
    inline = [child for token in tokens for child in token.children or ()]
    found = [str(child.attrs.get("href") or child.attrs.get("src") or "") for child in inline]
    raw = [match for child in inline + tokens for match in re.findall(r'(?:src|srcset|href)="([^"]+)"', child.content)]
    return [link for link in [*found, *raw] if link and not re.match(r"[a-z]+:", link)]


def anchors_of(page: Path) -> set[str]:
    """The anchors of headings, as a viewer of Markdown makes them."""
    tokens = MarkdownIt("commonmark").parse(page.read_text(encoding="utf-8"))
    titles = [after.content for token, after in zip(tokens, tokens[1:], strict=False) if token.type == "heading_open"]
    return {re.sub(r"[^\w\- ]", "", title.lower()).replace(" ", "-") for title in titles}


def broken_links(page: Path) -> list[str]:
    broken = []
    for link in links_of(page):
        name, _, anchor = link.partition("#")
        target = page.parent / name if name else page
        if not target.exists() or (anchor and target.suffix == ".md" and anchor not in anchors_of(target)):
            broken.append(link)
    return broken


@pytest.mark.parametrize("page", [*PAGES, ROOT / "DEVELOPERS.md"], ids=lambda path: str(path.relative_to(ROOT)))
def test_the_links_of_a_page_lead_somewhere(page: Path) -> None:
    assert broken_links(page) == []


def test_a_planted_link_that_leads_nowhere_is_found(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("# A title\n[a](#a-title) [b](page.md#a-title) [c](none.md) [d](#other) ![e](none.svg)\n")
    assert broken_links(page) == ["none.md", "#other", "none.svg"]


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
