"""Pages: self-contained, they load nothing, and run no script but the two that came with the program."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.glossary import terms
from tcomp.report.chart import LINES, Band, Chart, Panel, Series, thinned
from tcomp.report.drawing import drawn
from tcomp.report.section import Answer, Grid, Section

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


EXPLORING, STYLES = ("uPlot.iife.min.js", "explore.js"), ("uPlot.min.css", "page.css")
"""Scripts that let readers explore charts, and the styles of a page that has them."""


def rendered(
    *,
    name: str,
    subject: str,
    answer: str,
    warnings: Sequence[str],
    sections: tuple[Section, ...],
    cards: tuple[tuple[str, str, str], ...] = (),
    answers: tuple[Answer, ...] = (),
    ladder: Grid | None = None,
    glossary: bool = False,
) -> str:
    """A page: warnings, four answers and a ladder or cards, then its sections; with explanations of its terms, if asked."""
    explored = [chart for section in sections for chart in section.charts if chart.panels]
    scripts, styles = (EXPLORING, STYLES) if explored else ((), STYLES[1:])
    return environment().get_template("page.html").render(
        name=name,
        subject=subject,
        answer=answer,
        warnings=warnings,
        cards=cards,
        answers=answers,
        ladder=ladder,
        sections=sections,
        drawn=drawn,
        terms=linker() if glossary else lambda text: [(text, "")],
        glossary=linked_terms() if glossary else (),
        **enclosed(styles, scripts, chart_text(explored) if explored else ""),
    )  # fmt: skip


@cache
def environment() -> Environment:
    """Of the templates; all that they are handed is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("tcomp.report", "pages"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )


def enclosed(styles: tuple[str, ...], scripts: tuple[str, ...], data: str = "") -> dict[str, Markup]:
    """Style sheet, scripts and data as elements of a page, and the policy that allows these and nothing else.

    Content Security Policy Level 3 (W3C): what no directive allows, ``default-src 'none'`` forbids; a hash allows one text.
    """
    from markupsafe import Markup

    style, programs = "".join(map(_text, styles)), [_text(name) for name in scripts]
    allowed = " ".join(map(_digest, programs)) or "'none'"
    elements = [f"<script>{text}</script>" for text in programs]
    if data:
        elements.insert(0, f'<script type="application/json" id="charts">{data}</script>')
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src {_digest(style)}; base-uri 'none'; form-action 'none'"
    )
    return {
        # Files of the program and numbers: there is nothing of a user's in them but chart_text's JSON, which is escaped.
        "policy": Markup(policy),
        "style": Markup(f"<style>{style}</style>"),
        "scripts": Markup("\n".join(elements)),
    }


@cache
def _text(name: str) -> str:
    return resources.files("tcomp.report").joinpath("pages", name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}'"


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


MAX_POINTS = 5000
"""Points of a series; of more, the least and largest of each stretch."""
DIGITS = 6


def chart_text(charts: list[Chart]) -> str:
    """JSON that may stand in a script element: no character of it can end the element.

    Examples
    --------
    >>> chart_text([Chart("x", "", "", "", "</script>", ())])
    '[{"name":"x","words":"\\\\u003c/script>","log":false,"ends":[0,1],"panels":[]}]'
    """
    text = json.dumps([_chart(one) for one in charts], separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    # HTML Living Standard 13.1.3, "Restrictions on the contents of raw text elements": it is all about the sign "<".
    return text.replace("<", r"\u003c")


def _chart(chart: Chart) -> dict[str, object]:
    axis = chart.x_axis() if chart.panels else None
    return {
        "name": chart.name,
        "words": chart.x_words,
        "log": chart.x_log,
        "ends": _numbers(np.array([axis.low, axis.high])) if axis else [0, 1],
        "panels": [_panel(panel) for panel in chart.panels],
    }


def _panel(panel: Panel) -> dict[str, object]:
    axis = panel.y_axis()
    return {
        "words": panel.words,
        "log": panel.log,
        "low": panel.low,
        "ends": _numbers(np.array([axis.low, axis.high])),
        "series": [_series(thinned(one, MAX_POINTS)) for one in panel.series if one.x.size],
        "bands": [_band(band) for band in panel.bands],
        "levels": [{"at": level.at, "upright": level.upright} for level in panel.levels],
        "spans": [[span.start, span.end] for span in panel.spans],
        "notes": [[note.text, note.x, note.y] for note in panel.notes],
    }


def _series(series: Series) -> dict[str, object]:
    y = np.append(series.y, np.nan) if series.mark == "bars" else series.y
    known = np.isfinite(series.x) & (np.isfinite(y) | (series.mark in {*LINES, "bars"}))
    return {
        "name": series.name,
        "mark": series.mark,
        "colour": series.colour,
        **({"faint": True} if series.faint else {}),
        "x": _numbers(series.x[known]),
        "y": _numbers(y[known]),
    }


def _band(band: Band) -> dict[str, object]:
    return {"colour": band.colour, "x": _numbers(band.x), "low": _numbers(band.low), "high": _numbers(band.high)}


def _numbers(values: FloatArray) -> list[float | int | None]:
    """Rounded to what an eye on a screen can tell; whole ones without a point."""
    found: list[float | int | None] = []
    for value in values.tolist():
        short = float(f"{value:.{DIGITS}g}") if np.isfinite(value) else None
        found.append(int(short) if short is not None and short.is_integer() and abs(short) < 1e15 else short)
    return found
