"""A chart as data: panels of series over one axis. ``drawing`` draws it for the page, the page's script to explore it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tcomp.arrays import FloatArray, IntArray

Mark = Literal[
    "dot", "dash", "square", "tick", "disc", "block", "line", "dashed", "dotted", "mixed", "long", "steps", "bars"
]
"""How a series is drawn; marks and dashes differ, so that colour is never all that tells two series apart."""
LINES: frozenset[Mark] = frozenset({"line", "dashed", "dotted", "mixed", "long", "steps"})
ROOM = 0.04
"""Room beyond the data at each end, as a share of their span."""


@dataclass(frozen=True, eq=False)
class Series:
    """Points or a line; NaN breaks a line. Without a name it is not in the legend. Colours are names of the style sheet's.

    Of ``bars`` there is one edge more than there are heights; ``faint`` ones stand behind what is made of them.
    """

    name: str
    x: FloatArray
    y: FloatArray
    mark: Mark
    colour: str
    faint: bool = False


@dataclass(frozen=True, eq=False)
class Band:
    """What lies between two lines."""

    name: str
    x: FloatArray
    low: FloatArray
    high: FloatArray
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

    ``name`` is its identifier in the page, where a script lets readers zoom and read off values.
    """

    name: str
    question: str
    alt: str
    caption: str
    x_words: str
    panels: tuple[Panel, ...]
    x_log: bool = False
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


def axis_of(values: list[FloatArray], *, log: bool = False, room: float = ROOM) -> Axis:
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
    if series.mark == "bars":
        return series
    line = series.mark in LINES
    order = np.arange(series.x.size) if line else np.argsort(series.x, kind="stable")
    if order.size > most:
        extremes = _extremes(series.y[order], most // 2 if line else most // 8)
        even = np.linspace(0, order.size - 1, 3 * most // 4).astype(np.int64)
        others = np.flatnonzero(~np.isfinite(series.y)) if line else even
        order = order[np.unique(np.concatenate([extremes, others]))]
    return replace(series, x=series.x[order], y=series.y[order])


def _extremes(values: FloatArray, stretches: int) -> IntArray:
    """Places of the least and the largest of every stretch of so many; what is not finite is neither."""
    starts = np.linspace(0, values.size, stretches + 1).astype(np.int64)[:-1]
    ends = np.append(starts[1:], values.size)
    least, largest = np.where(np.isfinite(values), values, np.inf), np.where(np.isfinite(values), values, -np.inf)
    pairs = [
        (start + int(least[start:end].argmin()), start + int(largest[start:end].argmax()))
        for start, end in zip(starts, ends, strict=True)
    ]
    return np.array(pairs, dtype=np.int64).ravel()


@dataclass(frozen=True)
class Tick:
    """A label beside a chart: its text, and its place as a share of the axis, from the left or the bottom."""

    text: str
    at: float


@dataclass(frozen=True)
class Axis:
    """Ends of an axis, and whether equal steps are equal factors."""

    low: float
    high: float
    log: bool = False

    def place(self, values: FloatArray) -> FloatArray:
        """Share of the axis at which values lie; 0 is its low end."""
        low, high, at = (self._scaled(np.asarray(one, dtype=np.float64)) for one in (self.low, self.high, values))
        return np.asarray((at - low) / (high - low))

    def ticks(self, most: int = 7) -> tuple[Tick, ...]:
        """Round numbers between the ends, so many at most.

        Examples
        --------
        >>> [tick.text for tick in Axis(-20.4, 60.2).ticks()]
        ['-20', '0', '20', '40', '60']
        >>> [tick.text for tick in Axis(0.4, 700.0, log=True).ticks()]
        ['0.5', '1', '5', '10', '50', '100', '500']
        """
        values, words = _factors(self.low, self.high) if self.log else _steps(self.low, self.high, most)
        places = self.place(np.array(values))
        return tuple(Tick(words(value), round(float(at), 4)) for value, at in zip(values, places, strict=True))

    def _scaled(self, values: FloatArray) -> FloatArray:
        return np.log10(np.maximum(values, 1e-300)) if self.log else values


def _steps(low: float, high: float, most: int) -> tuple[list[float], Callable[[float], str]]:
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= raw * 0.999)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [count * step for count in range(first, last + 1)], lambda value: f"{value:z.{digits}f}"


def _factors(low: float, high: float) -> tuple[list[float], Callable[[float], str]]:
    decades = math.log10(high / low)
    every = max(1, math.ceil(decades / 6))
    factors = (1.0, 2.0, 5.0) if decades < 2 else (1.0, 5.0) if decades < 3.5 else (1.0,)
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    values = [factor * 10.0**power for power in powers if power % every == 0 for factor in factors]
    return [value for value in values if low * 0.999 <= value <= high * 1.001], lambda value: f"{value:g}"
