"""Charts of a run that goes on: a line over time, in markup of a few kilobytes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tcomp.report.chart import Chart, Panel, Series

Floats = NDArray[np.float64]
BROKEN = 5.0
"""Intervals longer than this many of the usual break the line (as `tcomp inspect` takes a gap)."""
ROOM = 0.15
UNITS = (("h", 3600.0, 7200.0), ("min", 60.0, 120.0), ("s", 1.0, 0.0))
"""Unit of the times, its length, and the span from which it is taken. [s]"""


def over_time(name: str, question: str, words: str, colour: str, time_s: Floats, values: Floats) -> Chart | None:
    """Draw values over time; None where there are not two.

    Parameters
    ----------
    name, question, words, colour : str
        Identifier, heading, what the values are with their unit, and the style sheet's name of a colour.
    time_s, values : ndarray of shape (n,)
        NaN breaks the line. [s, any unit]

    Examples
    --------
    >>> found = over_time("offset", "?", "offset [ppb]", "cooling", np.array([0.0, 60.0, 600.0]), np.array([0.0, 1.0, 2.0]))
    >>> found.x_words, found.panels[0].series[0].x.tolist()
    ('time since the start [min]', [0.0, 1.0, 10.0])
    """
    finite = np.isfinite(values)
    if finite.sum() < 2 or time_s[-1] <= time_s[0]:
        return None
    elapsed_s = time_s - time_s[0]
    unit, length_s = next((u, s) for u, s, least in UNITS if elapsed_s[-1] >= least)
    steps_s = np.diff(time_s)
    breaks = np.flatnonzero(steps_s > BROKEN * np.median(steps_s)) + 1
    along, shown = np.insert(elapsed_s / length_s, breaks, np.nan), np.insert(values, breaks, np.nan)
    line = Series("", along, shown, "line", colour)
    panel = Panel(f"{words}; gross errors are drawn at the edge", (line,), shown=_ends(values[finite]), low=True)
    return Chart(name, question, f"{words} over time", "", f"time since the start [{unit}]", (panel,))


def _ends(values: Floats) -> tuple[float, float]:
    """All but gross errors, which would make all else a flat line."""
    least, low, high, most = np.percentile(values, [0.0, 1.0, 99.0, 100.0])
    room = ROOM * (high - low)
    low, high = float(max(least, low - room)), float(min(most, high + room))
    return (low, high) if high - low >= 1e-9 else (low - 0.5, high + 0.5)
