"""Charts as the page's script takes them: rounded numbers, few enough for a page that opens at once."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.report.chart import LINES, Band, Chart, Panel, Series, thinned

Floats = NDArray[np.float64]
MOST = 5000
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


def _chart(chart: Chart) -> dict[str, Any]:
    axis = chart.x_axis() if chart.panels else None
    return {
        "name": chart.name,
        "words": chart.x_words,
        "log": chart.x_log,
        "ends": _numbers(np.array([axis.low, axis.high])) if axis else [0, 1],
        "panels": [_panel(panel) for panel in chart.panels],
    }


def _panel(panel: Panel) -> dict[str, Any]:
    axis = panel.y_axis()
    return {
        "words": panel.words,
        "log": panel.log,
        "low": panel.low,
        "ends": _numbers(np.array([axis.low, axis.high])),
        "series": [_series(thinned(one, MOST)) for one in panel.series if one.x.size],
        "bands": [_band(band) for band in panel.bands],
        "levels": [{"at": level.at, "upright": level.upright} for level in panel.levels],
        "spans": [[span.start, span.end] for span in panel.spans],
    }


def _series(series: Series) -> dict[str, Any]:
    known = np.isfinite(series.x) & (np.isfinite(series.y) | (series.mark in LINES))
    return {
        "name": series.name,
        "mark": series.mark,
        "colour": series.colour,
        "x": _numbers(series.x[known]),
        "y": _numbers(series.y[known]),
    }


def _band(band: Band) -> dict[str, Any]:
    return {"colour": band.colour, "x": _numbers(band.x), "low": _numbers(band.low), "high": _numbers(band.high)}


def _numbers(values: Floats) -> list[float | int | None]:
    """Rounded to what an eye on a screen can tell; whole ones without a point."""
    found: list[float | int | None] = []
    for value in values.tolist():
        short = float(f"{value:.{DIGITS}g}") if np.isfinite(value) else None
        found.append(int(short) if short is not None and short.is_integer() and abs(short) < 1e15 else short)
    return found
