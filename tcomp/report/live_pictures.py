"""Pictures for a page that is written anew each second: a line over time, in markup of a few kilobytes.

The report's drawing library takes a fifth of a second of a core for a picture, which would be most of what a
logger may take.  Labels are text of the page beside the line, not of the picture, so that they
keep their size on a narrow screen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
BROKEN = 5.0
"""Intervals longer than this many of the usual break the line (as `tcomp inspect` takes a gap)."""
ROOM = 0.15
WIDTH, HEIGHT = 1000, 300


@dataclass(frozen=True)
class Tick:
    """A label beside a picture: its text, and its place in per cent from the left or the bottom."""

    text: str
    at: float


@dataclass(frozen=True)
class Trace:
    """A line over time: pieces of points for a polyline each, and the labels of both axes."""

    title: str
    kind: str
    pieces: tuple[str, ...]
    rises: tuple[Tick, ...]
    times: tuple[Tick, ...]
    time_unit: str


def trace(title: str, kind: str, time_s: Floats, values: Floats) -> Trace | None:
    """Draw values over time; None where there are not two.

    Parameters
    ----------
    title, kind : str
        Above the picture; the class that gives the line its colour.
    time_s, values : ndarray of shape (n,)
        NaN breaks the line. [s, any unit]

    Examples
    --------
    >>> found = trace("offset [ppb]", "offset", np.array([0.0, 60.0, 120.0]), np.array([0.0, 10.0, 5.0]))
    >>> found.pieces, [tick.text for tick in found.rises], found.time_unit
    (('0,300 500,0 1000,150',), ['0', '2', '4', '6', '8', '10'], 'min')
    """
    finite = np.isfinite(values)
    if finite.sum() < 2 or time_s[-1] <= time_s[0]:
        return None
    low, high = _shown_range(values[finite])
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    elapsed_s = time_s - time_s[0]
    x = np.round(elapsed_s / elapsed_s[-1] * WIDTH, 1)
    y = np.round((high - np.clip(values, low, high)) / (high - low) * HEIGHT, 1)
    steps_s = np.diff(time_s)
    breaks = np.flatnonzero(steps_s > BROKEN * np.median(steps_s)) + 1
    pieces = [
        " ".join(f"{x[i]:g},{y[i]:g}" for i in part if finite[i]) for part in np.split(np.arange(time_s.size), breaks)
    ]
    unit, length_s = next((u, s) for u, s, least in UNITS if elapsed_s[-1] >= least)
    return Trace(
        title, kind, tuple(piece for piece in pieces if piece), _ticks(low, high), _ticks(0.0, elapsed_s[-1] / length_s), unit
    )  # fmt: skip


def _shown_range(values: Floats) -> tuple[float, float]:
    """All but gross errors, which would make all else a flat line; they are drawn at the edge."""
    least, low, high, most = np.percentile(values, [0.0, 1.0, 99.0, 100.0])
    room = ROOM * (high - low)
    return float(max(least, low - room)), float(min(most, high + room))


UNITS = (("h", 3600.0, 7200.0), ("min", 60.0, 120.0), ("s", 1.0, 0.0))
"""Unit of the times, its length, and the span from which it is taken. [s]"""


def _ticks(low: float, high: float) -> tuple[Tick, ...]:
    """Round numbers between the ends, three to six."""
    raw = (high - low) / 5.0
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= raw * 0.999)
    first = math.ceil(low / step - 1e-9)
    digits = max(0, -math.floor(math.log10(step)))
    found = []
    while first * step <= high + 1e-9 * step:
        value = first * step
        found.append(Tick(f"{value:.{digits}f}", round(100.0 * (value - low) / (high - low), 2)))
        first += 1
    return tuple(found)
