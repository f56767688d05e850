"""The pages on the method, its promises and large lots stay honest: what they name is there, and their examples run."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PAGES = ("method.md", "promises.md", "many_units.md")
NAMED = re.compile(r"`((?:tcomp|tests|benchmarks|docs|firmware_export|sample_runs)/[\w./-]*)`")
FENCED = re.compile(r"^```python\n(.*?)^```$", re.DOTALL | re.MULTILINE)


def page(name: str) -> str:
    return (ROOT / "docs" / name).read_text(encoding="utf-8")


def missing(text: str) -> list[str]:
    """Files and folders that a page names and that are not there."""
    return [name for name in NAMED.findall(text) if not (ROOT / name).exists()]


def failures(text: str, name: str) -> tuple[int, int]:
    """How many of a page's examples fail, and how many there are."""
    examples = "\n".join(FENCED.findall(text))
    test = doctest.DocTestParser().get_doctest(examples, {}, name, name, 0)
    found = doctest.DocTestRunner(verbose=False).run(test, out=lambda _: None)
    return found.failed, found.attempted


@pytest.mark.parametrize("name", PAGES)
def test_what_a_page_names_is_there(name: str) -> None:
    assert missing(page(name)) == []
    assert NAMED.search(page(name))


@pytest.mark.parametrize(("name", "least"), [("method.md", 40), ("many_units.md", 10)])
def test_the_examples_of_a_page_run(name: str, least: int) -> None:
    failed, attempted = failures(page(name), name)
    assert failed == 0
    assert attempted >= least


def test_a_name_that_is_not_there_and_an_example_that_fails_are_found() -> None:
    assert missing("`tests/test_none.py` and `tests/test_docs_method.py`") == ["tests/test_none.py"]
    assert failures("```python\n>>> 1 + 1\n3\n```\n", "planted") == (1, 1)


def test_every_source_that_the_method_cites_is_listed_and_every_one_listed_is_cited() -> None:
    text, _, sources = page("method.md").partition("## Sources")
    listed = {int(number) for number in re.findall(r"^(\d+)\. ", sources, re.MULTILINE)}
    prose = re.sub(r"\$[^$]*\$|`[^`]*`|^```.*?^```$", "", text, flags=re.DOTALL | re.MULTILINE)
    cited = {int(number) for number in re.findall(r"\[(\d+)\]", prose)}
    assert cited == listed == set(range(1, len(listed) + 1))
