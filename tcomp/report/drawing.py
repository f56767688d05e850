"""Charts as the page draws them: paths that stretch with the page, and labels that keep their size.

The drawing library takes a tenth of a second for a picture, and a second for the page: a quarter of a whole build. What the page
needs of it are paths and round numbers. So a panel is an SVG element without a size of its own: its labels stand at shares of
it, its paths in a part that stretches to it, with strokes that do not; colours are the style sheet's, in light and dark.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from tcomp.arrays import BoolArray, FloatArray, IntArray
from tcomp.report.chart import LINES, Axis, Band, Chart, Level, Mark, Panel, Series, Span, Tick, thinned

WIDTH, HEIGHT = 4000, 1600
"""Of the stretched part, in its own units: so fine that whole numbers will do."""
EDGE = 20
"""From the edge, where a point beyond it is drawn, so that it can be seen."""
MAX_POINTS = 3000
"""Points of a series that are drawn; of more, the least and largest of each stretch."""


@dataclass(frozen=True)
class Shape:
    """A path and the style it is drawn in."""

    path: str
    mark: str
    colour: str
    faint: bool = False


@dataclass(frozen=True)
class Placed:
    """Words at a place, in shares from the left and the top; ``end``: they end there; ``below``: they hang from it."""

    text: str
    x: float
    y: float
    end: bool
    below: bool


@dataclass(frozen=True)
class DrawnPanel:
    """A panel as the template takes it."""

    words: str
    alt: str
    low: bool
    shapes: tuple[Shape, ...]
    rises: tuple[Tick, ...]
    steps: tuple[Tick, ...]
    labelled: bool
    notes: tuple[Placed, ...]


@dataclass(frozen=True)
class Drawn:
    """A chart as the template takes it."""

    name: str
    question: str
    caption: str
    x_words: str
    legend: tuple[tuple[str, str, str], ...]
    panels: tuple[DrawnPanel, ...]
    heading: bool


def drawn(chart: Chart) -> Drawn:
    """All panels, below each other; the lowest carries the labels of x."""
    x_axis = chart.x_axis()
    return Drawn(
        chart.name,
        chart.question,
        f"{chart.caption} {_left_out(chart)}".strip(),
        chart.x_words,
        tuple(chart.legend()),
        tuple(_panel(chart, panel, x_axis, panel is chart.panels[-1]) for panel in chart.panels),
        chart.heading,
    )


def _left_out(chart: Chart) -> str:
    """What is said of samples that are not drawn."""
    samples = [one.x.size for panel in chart.panels for one in panel.series if one.mark not in LINES]
    if max(samples, default=0) <= MAX_POINTS:
        return ""
    return f"Of more than {MAX_POINTS} samples of a kind some are drawn, the least and the largest of every stretch among them."


def _panel(chart: Chart, panel: Panel, x: Axis, last: bool) -> DrawnPanel:
    y = panel.y_axis()
    notes = [
        Placed(
            note.text,
            _share(x, note.x),
            1 - _share(y, note.y),
            end=_share(x, note.x) > 0.8,
            below=_share(y, note.y) > 0.85,
        )
        for note in panel.notes
    ]
    alone = len(chart.panels) == 1
    return DrawnPanel(
        panel.words,
        chart.alt if alone else f"{chart.alt}: {panel.words}",
        panel.low,
        tuple(_shapes(panel, x, y)),
        y.ticks(most=4 if panel.low else 7),
        x.ticks(most=7 if chart.heading else 4),
        last,
        tuple(notes),
    )


def _share(axis: Axis, value: float) -> float:
    return round(float(axis.place(np.array(value)).clip(0.0, 1.0)), 4)


def _shapes(panel: Panel, x: Axis, y: Axis) -> Iterator[Shape]:
    """In the order of drawing: what is behind comes first."""
    for span in panel.spans:
        yield Shape(_stripe(span, x), "band", "quiet")
    for band in panel.bands:
        yield Shape(_between(band, x, y), "band", band.colour)
    for level in panel.levels:
        yield Shape(_across(level, x, y), "level", "ink")
    for one in panel.series:
        path = _path(thinned(one, MAX_POINTS), x, y)
        if path:
            yield Shape(path, "line" if one.mark == "steps" else one.mark, one.colour, one.faint)


def _stripe(span: Span, x: Axis) -> str:
    left, right = _across_x(x, np.array([span.start, span.end]))
    return f"M{left} 0H{right}V{HEIGHT}H{left}Z"


def _across(level: Level, x: Axis, y: Axis) -> str:
    at = np.array([level.at])
    return f"M{_across_x(x, at)[0]} 0V{HEIGHT}" if level.upright else f"M0 {_up_y(y, at)[0]}H{WIDTH}"


def _between(band: Band, x: Axis, y: Axis) -> str:
    along = np.concatenate([band.x, band.x[::-1]])
    edge = np.concatenate([band.low, band.high[::-1]])
    return f"M{_joined(_across_x(x, along), _up_y(y, edge))}Z"


def _path(series: Series, x: Axis, y: Axis) -> str:
    if series.mark == "bars":
        return _bars(series, x, y)
    finite = np.isfinite(series.x) & np.isfinite(series.y)
    if series.mark in LINES:
        return _line(series, finite, x, y)
    inside = _up_y(y, series.y[finite]).clip(EDGE, HEIGHT - EDGE)
    ends = _across_x(x, series.x[finite]), inside
    return "".join(POINTS[series.mark].format(across, up) for across, up in zip(*ends, strict=True))


POINTS: dict[Mark, str] = {
    "dot": "M{0} {1}h0",
    "square": "M{0} {1}h1",
    "disc": "M{0} {1}h0",
    "block": "M{0} {1}h1",
    "dash": "M{0} {1}m0-13v26",
    "tick": "M{0} {1}m0-60v120",
}
"""A point of each kind, about its place: a stroke's round or square end (of some length: a square end of none is left out on
paper), or upright, as only the height is always the same."""


def _line(series: Series, finite: BoolArray, x: Axis, y: Axis) -> str:
    across, up = _across_x(x, np.where(finite, series.x, x.low)), _up_y(y, np.where(finite, series.y, y.low))
    pieces = np.split(np.arange(series.x.size), np.flatnonzero(~finite))
    steps = series.mark == "steps"
    found = []
    for piece in pieces:
        inside = piece[finite[piece]]
        if steps:
            inside, at_x = np.repeat(inside, 2)[:-1], np.repeat(inside, 2)[1:]
            found.append(_joined(across[at_x], up[inside]) if inside.size else "")
        else:
            found.append(_joined(across[inside], up[inside]))
    return "".join(f"M{piece}" for piece in found if piece)


def _bars(series: Series, x: Axis, y: Axis) -> str:
    """Bars from the foot of the panel; ``x`` holds their edges, one more than there are bars."""
    edges, tops = _across_x(x, series.x), _up_y(y, series.y)
    bars = zip(edges[:-1], edges[1:], tops, strict=False)
    return "".join(f"M{left + 6} {HEIGHT}V{top}H{right - 6}V{HEIGHT}Z" for left, right, top in bars if top < HEIGHT)


def _joined(across: IntArray, up: IntArray) -> str:
    return " ".join(map(str, np.column_stack([across, up]).ravel().tolist()))


def _across_x(axis: Axis, values: FloatArray) -> IntArray:
    return np.asarray(np.rint(axis.place(values).clip(-1.0, 2.0) * WIDTH), dtype=np.int64)


def _up_y(axis: Axis, values: FloatArray) -> IntArray:
    """From the top, as pictures count; what lies beyond the axis is drawn at its edge."""
    return np.asarray(np.rint((1.0 - axis.place(values).clip(0.0, 1.0)) * HEIGHT), dtype=np.int64)
