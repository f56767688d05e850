"""The words of the trade and of this tool, from ``terms.toml``."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources


@dataclass(frozen=True)
class Term:
    """A word with what it means.

    Attributes
    ----------
    also : tuple of str
        Other names that it is found by: labels, columns and keys that mean the same.
    source : str
        The standard or handbook; "common practice, no source"; or "of this tool".
    see : tuple of str
        Names of terms that go with it.
    """

    name: str
    text: str
    source: str
    unit: str = ""
    also: tuple[str, ...] = ()
    see: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """All that it is found by."""
        return (self.name, *self.also)


@cache
def terms() -> tuple[Term, ...]:
    """All terms, in the order of ``terms.toml``: from the oscillator to the lot.

    >>> terms()[0].name
    'offset'
    """
    text = (resources.files("tcomp.glossary") / "terms.toml").read_text(encoding="utf-8")
    return tuple(
        Term(
            entry["name"],
            entry["text"],
            entry["source"],
            entry.get("unit", ""),
            tuple(entry.get("also", ())),
            tuple(entry.get("see", ())),
        )
        for entry in tomllib.loads(text)["term"]
    )


def plain(word: str) -> str:
    """A word as it is looked up: without case, plural, hyphens and marks.

    >>> plain("Held-out"), plain("max_error_ppb"), plain("  soaks"), plain("hysteresis"), plain("frequencies")
    ('held out', 'max error ppb', 'soak', 'hysteresis', 'frequency')
    """
    parts = re.sub(r"[^a-z0-9%=/^+]+", " ", word.casefold()).split()
    return " ".join(_singular(part) for part in parts)


def _singular(part: str) -> str:
    if len(part) < 4 or not part.endswith("s") or part.endswith(("ss", "is", "us")):
        return part
    return f"{part[:-3]}y" if part.endswith("ies") else part[:-1]
