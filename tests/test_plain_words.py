"""Words that pages and messages do without: the field's word, or a plain one, stands in their place."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
INSTEAD = {
    r"as good as no\b": "worse than no",
    r"like nothing else": "independent of the other terms",
    r"gone on with": "resumed",
    r"\buntold\b|\btold apart\b": "identifiable, distinguished",
    r"says more\b": "defines any term",
    r"\bwill give\b": "predicted",
    r"\bfresh runs?\b": "verification run",
    r"pip install [\"']?tcomp\[": 'pip install ".[extra]": the name is not published, and a stranger may take it',
    r"(?m)^ *mind(?=:|$|  )": "warning",
    r"\bmathjax\b": "MathML: a page loads nothing from a network",
}
"""Patterns, and what to write in their place."""
NOT_READ = {"changelog.md"}
"""It lists words that were renamed."""


def pages() -> list[Path]:
    found = [ROOT / "README.md", ROOT / "firmware_export" / "README.md", *(ROOT / "docs").rglob("*.md")]
    return sorted(path for path in found if "build" not in path.parts and path.name not in NOT_READ)


def messages(source: str) -> list[str]:
    """Texts that a program may print: strings that are no docstrings, the parts of a formatted one together."""
    tree = ast.parse(source)
    comments = {
        id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            found.append("".join(str(part.value) for part in node.values if isinstance(part, ast.Constant)))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in comments:
            found.append(node.value)
    return found


def faults(text: str) -> list[str]:
    return [f"'{found.group()}': {better}" for bad, better in INSTEAD.items() for found in re.finditer(bad, text)]


def test_no_page_uses_a_word_that_has_a_plainer_one() -> None:
    found = {path.relative_to(ROOT).as_posix(): faults(path.read_text(encoding="utf-8")) for path in pages()}
    assert len(found) > 25
    assert {name: wrong for name, wrong in found.items() if wrong} == {}


def test_no_message_uses_a_word_that_has_a_plainer_one() -> None:
    found = {
        path.relative_to(ROOT).as_posix(): faults("\n".join(messages(path.read_text(encoding="utf-8"))))
        for path in sorted((ROOT / "tcomp").rglob("*.py"))
    }
    assert len(found) > 200
    assert {name: wrong for name, wrong in found.items() if wrong} == {}


def test_no_term_of_the_glossary_uses_a_word_that_has_a_plainer_one() -> None:
    assert faults((ROOT / "tcomp" / "glossary" / "terms.toml").read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "text",
    [
        "the log is gone on with",
        "see the fresh runs",
        'pip install "tcomp[log]"',
        "`tcomp explain WORD` says more",
        "mind: the sign",
    ],
)
def test_a_planted_word_is_found(text: str) -> None:
    assert faults(text)
    assert messages(f"def f():\n    '''{text}'''\n    return {text!r}") == [text]
    assert not faults('pip install ".[log]", a verification run, the log is resumed, a lot is identifiable')
