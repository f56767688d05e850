"""A word looked up: among the terms, the keys of the job file, the columns of files and the keys of JSON."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from tcomp.documents.fields import Key
from tcomp.documents.schemas import schema_keys
from tcomp.errors import TcompError
from tcomp.glossary.columns import columns
from tcomp.glossary.terms import Term, plain, terms
from tcomp.job import default_text, header
from tcomp.job.keys import keys_of

Sections = dict[str, type[Any]]
NEAREST = 4
"""Words that are named where one is not known."""


@dataclass(frozen=True)
class Explanation:
    """What one meaning of a word is: its name or place, the text, and what else is to be said."""

    what: str
    text: str
    beside: tuple[tuple[str, str], ...] = ()


def explanations(word: str, sections: Sections) -> tuple[Explanation, ...]:
    """All that a word means, the term first; ``sections`` are those of the job file, and of a lot's.

    Raises
    ------
    TcompError
        It is not known; the nearest words are named.
    """
    bare = re.sub(
        r" \[[^\]]*\]$", "", re.sub(r"^(u of|on) ", "", word.strip())
    )  # "u of base [ppb]", a column of lot.csv
    found = tuple(dict.fromkeys((*_all(word, sections), *_all(bare, sections))))
    if not found:
        raise TcompError(f"'{word}' is no word of this tool{_nearest(word, sections)}; `tcomp explain` lists all terms")
    return found


def _all(word: str, sections: Sections) -> Iterator[Explanation]:
    yield from _of_terms(word)
    yield from _of_job(word, sections)
    for column in columns():
        if column.is_named(word):
            yield Explanation(f"column of {column.file}", _with_unit(column.text, column.unit))
    yield from _of_json(word)


def _of_terms(word: str) -> Iterator[Explanation]:
    for term in terms():
        if plain(word) in map(plain, term.names):
            yield Explanation(term.name, _with_unit(term.text, term.unit), tuple(_beside(term)))


def _beside(term: Term) -> Iterator[tuple[str, str]]:
    yield "source", term.source
    if term.see:
        yield "see also", ", ".join(term.see)


def _of_job(word: str, sections: Sections) -> Iterator[Explanation]:
    asked = plain(word)
    for name, kind in sections.items():
        for item in keys_of(kind):
            if asked in (plain(item.name), plain(f"{name} {item.name}")):
                doc = str(item.metadata["doc"])
                yield Explanation(f"{header(name)} {item.name}", f"{doc}. Default: {default_text(item.default)}")


def _of_json(word: str) -> Iterator[Explanation]:
    """The same meaning in several documents is given once."""
    places: dict[str, list[Key]] = {}
    for key in schema_keys():
        if plain(key.name) == plain(word):
            places.setdefault(key.meaning, []).append(key)
    for meaning, found in places.items():
        yield Explanation("JSON", meaning, tuple(("in", f"{key.document}: {key.path}") for key in found))


def _with_unit(text: str, unit: str) -> str:
    return f"{text} [{unit}]" if unit else text


def known_words(sections: Sections) -> tuple[str, ...]:
    """All that may be asked for, terms first."""
    found = [name for term in terms() for name in term.names]
    found += [item.name for kind in sections.values() for item in keys_of(kind)]
    found += [column.name for column in columns()] + [key.name for key in schema_keys()]
    return tuple(dict.fromkeys(found))


def _nearest(word: str, sections: Sections) -> str:
    names = {plain(name): name for name in reversed(known_words(sections))}
    near = difflib.get_close_matches(plain(word), names, n=NEAREST, cutoff=0.5)
    return f"; the nearest are {', '.join(names[one] for one in near)}" if near else ""
