"""What a page is made of: sections with texts, charts and grids."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any


@dataclass(frozen=True)
class Gauge:
    """A figure with a bar beside it from ``low`` to ``high``, a point ``at`` and a limit, in per cent of its length."""

    text: str
    low: float
    high: float
    at: float | None = None
    limit: float | None = None


@dataclass(frozen=True)
class Row:
    """A row of a grid; ``link`` is a page that its first cell leads to."""

    cells: tuple[str | Gauge, ...]
    chosen: bool = False
    link: str = ""


@dataclass(frozen=True)
class Grid:
    """A table of the page; ``numbers`` are the columns set to the right; ``folded`` are the words on which it unfolds."""

    head: tuple[str, ...]
    rows: tuple[Row, ...]
    numbers: tuple[int, ...] = ()
    caption: str = ""
    folded: str = ""
    open: bool = False


@dataclass(frozen=True)
class Step:
    """What to do, with the command that does it."""

    text: str
    command: str = ""


@dataclass(frozen=True)
class Section:
    """A section of the page; ``first`` are grids before its charts, ``small`` are charts beside each other."""

    title: str
    texts: tuple[str, ...] = ()
    charts: tuple[Any, ...] = ()
    grids: tuple[Grid, ...] = ()
    points: tuple[str, ...] = ()
    first: tuple[Grid, ...] = ()
    steps: tuple[Step, ...] = ()
    small: tuple[Any, ...] = ()
    small_title: str = ""

    def with_charts(self, drawn: Callable[[Any], Any]) -> Section:
        """The section with its charts drawn."""
        return replace(self, charts=tuple(map(drawn, self.charts)), small=tuple(map(drawn, self.small)))
