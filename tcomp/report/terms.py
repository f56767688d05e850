"""Words of the field that a reader of the page may not know, each explained in a sentence or two."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass


@dataclass(frozen=True)
class Term:
    """A word, the ways in which it is written, and what it means."""

    key: str
    name: str
    written: str
    meaning: str


TERMS = (
    Term(
        "ppb",
        "ppb",
        r"ppb",
        "Parts in 1e9 of the nominal frequency. 1 ppb is 86.4 microseconds a day; 1000 ppb are 1 ppm.",
    ),
    Term(
        "offset",
        "offset",
        r"offsets?",
        "How much too fast the oscillator runs: (f - nominal) / nominal, positive when it is fast (IEEE Std 1139).",
    ),
    Term(
        "rms",
        "RMS",
        r"RMS",
        "Root mean square: the usual size of an error. Of errors that scatter normally two thirds are smaller, and 95 "
        "% within twice as much.",
    ),
    Term(
        "u",
        "standard uncertainty (u, k = 1)",
        r"standard uncertaint(?:y|ies)|standard ones",
        "How well a figure is known, as a standard deviation. With k = 2 it is doubled: about 95 % of such figures "
        "are then right.",
    ),
    Term(
        "held-out",
        "held out",
        r"held[- ]out|had not seen|has not seen",
        "Kept from the curve while it is learnt, then held against it: an honest test, as the curve cannot have "
        "learnt its noise.",
    ),
    Term(
        "sweep",
        "sweep",
        r"sweeps?",
        "One heating or one cooling of the chamber, with the soak at its end.",
    ),
    Term(
        "lag",
        "thermal lag",
        r"thermal lag|lag",
        "Crystal and sensor do not warm at the same time. The lag is the time constant between them; left in, heating "
        "and cooling seem to give two curves.",
    ),
    Term(
        "hysteresis",
        "hysteresis",
        r"hysteresis",
        "What heating and cooling still differ by, however slow: no table over temperature can take it off.",
    ),
    Term(
        "ageing",
        "ageing",
        r"ageing|ages",
        "The slow drift of the whole curve with time. A trim of the base takes it off.",
    ),
    Term(
        "base",
        "base, trim",
        r"base|trimmed|trim",
        "The base is the curve's value at the reference temperature. It moves with time; to trim is to measure it "
        "again against a trusted frequency.",
    ),
    Term(
        "code",
        "code",
        r"codes?",
        "The integer that the firmware looks up: a temperature in fixed steps, or what the sensor's converter gives.",
    ),
    Term(
        "entry",
        "entry",
        r"entries",
        "A number stored in the table. Between entries the firmware goes along a straight line or a parabola, or "
        "takes the nearest one.",
    ),
    Term(
        "effective",
        "independent samples",
        r"independent ones",
        "Neighbouring samples share their errors. So many samples without that would tell as much.",
    ),
)


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
    r"\b(?:" + "|".join(f"(?P<{term.key.replace('-', '_')}>{term.written})" for term in TERMS) + r")\b"
)
