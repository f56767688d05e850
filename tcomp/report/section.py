"""What a page is made of: sections with texts, charts and grids."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tcomp.report.chart import Chart, Tick

Mark = Literal["good", "look", "stop"]


@dataclass(frozen=True)
class Answer:
    """A question that every reader has, its answer in a sentence, and the command that it may lead to."""

    question: str
    mark: Mark
    text: str
    command: str = ""


@dataclass(frozen=True)
class Gauge:
    """A figure with a bar beside it from ``low`` to ``high``, a point ``at`` and a limit, in per cent of its length.

    A ``wide`` one is as wide as its column, under a ``Scale``, whose lines it carries on.
    """

    text: str
    low: float
    high: float
    at: float | None = None
    limit: float | None = None
    wide: bool = False
    lines: tuple[float, ...] = ()


@dataclass(frozen=True)
class Scale:
    """The head of a column of wide gauges: its words, and the labels of its axis."""

    words: str
    ticks: tuple[Tick, ...]


@dataclass(frozen=True)
class Row:
    """A row of a grid; ``link`` is a page that its first cell leads to."""

    cells: tuple[str | Gauge, ...]
    chosen: bool = False
    link: str = ""


@dataclass(frozen=True)
class Grid:
    """A table of the page; ``numbers`` are the columns set to the right; ``folded`` are the words on which it unfolds."""

    head: tuple[str | Scale, ...]
    rows: tuple[Row, ...]
    numbers: tuple[int, ...] = ()
    caption: str = ""
    folded: str = ""
    open: bool = False


@dataclass(frozen=True)
class Step:
    """What to do, with the commands or the line of source that do it."""

    text: str
    lines: tuple[str, ...] = ()


@dataclass(frozen=True)
class Section:
    """A section of the page; ``first`` are grids before its charts, ``small`` are charts beside each other."""

    title: str
    texts: tuple[str, ...] = ()
    charts: tuple[Chart, ...] = ()
    grids: tuple[Grid, ...] = ()
    points: tuple[str, ...] = ()
    first: tuple[Grid, ...] = ()
    steps: tuple[Step, ...] = ()
    small: tuple[Chart, ...] = ()
    small_title: str = ""
