"""A chart as data: panels of series over one axis. ``drawing`` draws it for the page, the page's script to explore it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.report.ticks import Axis

Floats = NDArray[np.float64]
Mark = Literal["dot", "dash", "square", "tick", "line", "dashed", "dotted", "mixed", "long", "steps", "bars"]
"""How a series is drawn; marks and dashes differ, so that colour is never all that tells two series apart."""
LINES: frozenset[Mark] = frozenset({"line", "dashed", "dotted", "mixed", "long", "steps"})
ROOM = 0.04
"""Room beyond the data at each end, as a share of their span."""


@dataclass(frozen=True, eq=False)
class Series:
    """Points or a line; NaN breaks a line. Without a name it is not in the legend. Colours are names of the style sheet's."""

    name: str
    x: Floats
    y: Floats
    mark: Mark
    colour: str


@dataclass(frozen=True, eq=False)
class Band:
    """What lies between two lines."""

    name: str
    x: Floats
    low: Floats
    high: Floats
    colour: str


@dataclass(frozen=True)
class Level:
    """A dashed line across the panel, at a value of y, or of x if ``upright``."""

    name: str
    at: float
    upright: bool = False


@dataclass(frozen=True)
class Span:
    """A grey stripe over a stretch of x."""

    name: str
    start: float
    end: float


@dataclass(frozen=True)
class Note:
    """Words at a point of the panel."""

    text: str
    x: float
    y: float


@dataclass(frozen=True, eq=False)
class Panel:
    """One pair of axes. ``shown`` are the ends of y where they are not those of the data: what lies beyond is drawn at the edge."""

    words: str
    series: tuple[Series, ...]
    bands: tuple[Band, ...] = ()
    levels: tuple[Level, ...] = ()
    spans: tuple[Span, ...] = ()
    notes: tuple[Note, ...] = ()
    shown: tuple[float, float] | None = None
    log: bool = False
    low: bool = False

    def y_axis(self) -> Axis:
        """Ends of y with some room, or as given."""
        if self.shown is not None:
            return Axis(*self.shown, log=self.log)
        found = [one.y for one in self.series] + [end for band in self.bands for end in (band.low, band.high)]
        return axis_of([*found, np.array([level.at for level in self.levels if not level.upright])], log=self.log)


@dataclass(frozen=True, eq=False)
class Chart:
    """Panels below each other over one x; ``question`` is the heading that the chart answers.

    ``name`` is its identifier in the page; with ``explored`` the page's script lets readers zoom and read off values.
    """

    name: str
    question: str
    alt: str
    caption: str
    x_words: str
    panels: tuple[Panel, ...]
    x_log: bool = False
    explored: bool = False
    heading: bool = True

    def x_axis(self) -> Axis:
        """Ends of x with some room."""
        found = [one.x for panel in self.panels for one in panel.series]
        found += [band.x for panel in self.panels for band in panel.bands]
        return axis_of(found, log=self.x_log, room=ROOM / 2)

    def legend(self) -> Iterator[tuple[str, str, str]]:
        """What stands for what: name, mark and colour, each once."""
        found: dict[str, tuple[str, str]] = {}
        for panel in self.panels:
            for one in panel.series:
                found.setdefault(one.name, (one.mark, one.colour))
            for band in panel.bands:
                found.setdefault(band.name, ("band", band.colour))
            for level in panel.levels:
                found.setdefault(level.name, ("upright" if level.upright else "level", "ink"))
            for span in panel.spans:
                found.setdefault(span.name, ("band", "quiet"))
        return ((name, mark, colour) for name, (mark, colour) in found.items() if name)


def axis_of(values: list[Floats], *, log: bool = False, room: float = ROOM) -> Axis:
    """An axis that holds all finite values, with some room beyond them."""
    together = np.concatenate([np.asarray(one, dtype=np.float64).ravel() for one in values])
    together = together[np.isfinite(together) & ((together > 0) if log else True)]
    if not together.size:
        return Axis(0.0, 1.0) if not log else Axis(0.1, 10.0, log=True)
    low, high = float(together.min()), float(together.max())
    if log:
        beyond = (high / low) ** room if high > low else 2.0
        return Axis(low / beyond, high * beyond, log=True)
    beyond = room * (high - low) or 0.5 * max(abs(high) * 1e-6, 1.0)
    return Axis(low - beyond, high + beyond)


def thinned(series: Series, most: int) -> Series:
    """At most so many points, in the order of x, among them the least and the largest of every stretch.

    Of a line these and its breaks are enough. Of samples they would look like two bands with nothing between: three
    quarters of the points are samples at even distances.

    Examples
    --------
    >>> x = np.arange(10_000.0)
    >>> y = np.where(x == 4321, 50.0, np.sin(x))
    >>> few = thinned(Series("offset", x, y, "dot", "curve"), 100)
    >>> few.x.size <= 100, float(few.y.max())
    (True, 50.0)
    """
    line = series.mark in LINES
    order = np.arange(series.x.size) if line else np.argsort(series.x, kind="stable")
    if order.size > most:
        extremes = _extremes(series.y[order], most // 2 if line else most // 8)
        even = np.linspace(0, order.size - 1, 3 * most // 4).astype(np.int64)
        others = np.flatnonzero(~np.isfinite(series.y)) if line else even
        order = order[np.unique(np.concatenate([extremes, others]))]
    return replace(series, x=series.x[order], y=series.y[order])


def _extremes(values: Floats, stretches: int) -> NDArray[np.int64]:
    """Places of the least and the largest of every stretch of so many; what is not finite is neither."""
    starts = np.linspace(0, values.size, stretches + 1).astype(np.int64)[:-1]
    ends = np.append(starts[1:], values.size)
    least, largest = np.where(np.isfinite(values), values, np.inf), np.where(np.isfinite(values), values, -np.inf)
    pairs = [
        (start + int(least[start:end].argmin()), start + int(largest[start:end].argmax()))
        for start, end in zip(starts, ends, strict=True)
    ]
    return np.array(pairs, dtype=np.int64).ravel()
