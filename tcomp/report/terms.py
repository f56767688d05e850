"""Words of the glossary that the page explains: each is linked where it first stands."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from tcomp.glossary import terms

WRITTEN = {
    "ppb": r"ppb",
    "offset": r"offsets?",
    "RMS": r"RMS",
    "standard uncertainty": r"standard uncertaint(?:y|ies)|standard ones",
    "held out": r"held[- ]out|had not seen|has not seen",
    "sweep": r"sweeps?",
    "lag": r"thermal lag|lag",
    "hysteresis": r"hysteresis",
    "ageing": r"ageing|ages",
    "base": r"base",
    "trim": r"trimmed|trim",
    "code": r"codes?",
    "knot": r"entries",
    "effective samples": r"independent ones",
}
"""By their names in the glossary: how they are written on the page."""


@dataclass(frozen=True)
class Linked:
    """A word with the name of its place on the page, and what it means."""

    key: str
    name: str
    meaning: str


def linked_terms() -> tuple[Linked, ...]:
    """What the glossary says of the words that the page links.

    >>> linked_terms()[1].meaning[:33]
    'How far the oscillator is from it'
    """
    known = {term.name: term.text for term in terms()}
    return tuple(Linked(_key(name), name, known[name]) for name in WRITTEN)


def _key(name: str) -> str:
    return name.lower().replace(" ", "-")


def linker() -> Callable[[str], Iterator[tuple[str, str]]]:
    """A function that cuts a text into words and terms; each term is found once in a page, where it comes first.

    Examples
    --------
    >>> cut = linker()
    >>> list(cut("The base ages."))
    [('The ', ''), ('base', 'base'), (' ', ''), ('ages', 'ageing'), ('.', '')]
    >>> list(cut("base"))
    [('base', '')]
    """
    found: set[str] = set()

    def cut(text: str) -> Iterator[tuple[str, str]]:
        rest = 0
        for match in PATTERN.finditer(text):
            key = str(match.lastgroup).replace("_", "-")
            if key in found:
                continue
            found.add(key)
            if match.start() > rest:
                yield text[rest : match.start()], ""
            yield match.group(), key
            rest = match.end()
        if rest < len(text):
            yield text[rest:], ""

    return cut


PATTERN = re.compile(
    r"\b(?:" + "|".join(f"(?P<{_key(name).replace('-', '_')}>{written})" for name, written in WRITTEN.items()) + r")\b"
)
