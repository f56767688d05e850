"""A chart of the page as a picture of its own: the same series, bands and levels, as SVG or PNG."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.report.chart import LINES, Chart, Panel, Series
from tcomp.report.pictures import COOLING, CURVE, DROPPED, HEATING, INK, QUIET, write_picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

COLOURS = {
    "heating": HEATING, "cooling": COOLING, "curve": CURVE, "dropped": DROPPED, "quiet": QUIET, "gold": "#b58900",
    "violet": "#7a6fd6", "ink": INK,
}  # fmt: skip
"""The style sheet's names in colours that are seen on light and on dark."""
DASHES = {"line": "-", "dashed": "--", "dotted": ":", "mixed": "-.", "long": (0, (8, 3)), "steps": "-"}
MARKERS = {"dot": ".", "dash": "_", "square": "s", "tick": "|", "disc": "o", "block": "s"}
HIGH, LOW = 2.6, 1.8
"""Height of a panel, and of a low one. [inch]"""
HEAD = 0.9
"""Height that heading, legend and axis of a chart take. [inch]"""
ARROWS = 8
"""Arrows at an edge for one series, about: they say that it lies beyond, and where."""


def write_charts(charts: Sequence[Chart], path: Path, *, name: str) -> Path:
    """Charts one below the other, as SVG or PNG, by the file's name.

    Raises
    ------
    TcompError
        The name ends in neither, or the file cannot be written.
    """
    heights = [height_of(chart) for chart in charts]

    def draw(figure: Figure) -> None:
        parts = figure.subfigures(len(charts), 1, height_ratios=heights, squeeze=False)
        for part, chart in zip(parts[:, 0], charts, strict=True):
            draw_chart(part, chart)

    alt = re.sub(r'[<>&"]', "", "; ".join(chart.alt for chart in charts))
    return write_picture(path, draw, name=name, alt=alt, height=sum(heights))


def height_of(chart: Chart) -> float:
    """Height of a chart with its heading. [inch]"""
    return HEAD + sum(LOW if panel.low else HIGH for panel in chart.panels)


def draw_chart(figure: Figure | SubFigure, chart: Chart) -> None:
    """The panels of a chart below each other over one x, its question as the heading."""
    heights = [LOW if panel.low else HIGH for panel in chart.panels]
    axes = figure.subplots(len(chart.panels), 1, sharex=True, squeeze=False, height_ratios=heights)[:, 0]
    x_axis = chart.x_axis()
    figure.suptitle(chart.question, x=0.01, ha="left", fontsize=10, fontweight="bold")
    for ax, panel in zip(axes, chart.panels, strict=True):
        _panel(ax, panel)
    axes[-1].set_xlim(x_axis.low, x_axis.high)
    if chart.x_log:
        axes[-1].set_xscale("log")
        axes[-1].xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes[-1].set_xlabel(chart.x_words)
    named = {words: line for ax in axes for line, words in zip(*ax.get_legend_handles_labels(), strict=True)}
    if named:
        labels = [textwrap.fill(words, 46) for words in named]
        figure.legend(named.values(), labels, loc="outside lower left", ncols=min(3, len(named)), fontsize=8)


def _panel(ax: Axes, panel: Panel) -> None:
    axis = panel.y_axis()
    ax.set_ylabel(textwrap.fill(panel.words, 30), fontsize=8.5)
    if panel.log:
        ax.set_yscale("log")
        ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_ylim(axis.low, axis.high)
    for span in panel.spans:
        ax.axvspan(span.start, span.end, color=QUIET, alpha=0.2, linewidth=0, label=span.name)
    for band in panel.bands:
        colour = COLOURS[band.colour]
        ax.fill_between(band.x, band.low, band.high, color=colour, alpha=0.2, linewidth=0, label=band.name or "_")
    for series in panel.series:
        colour, name = COLOURS[series.colour], series.name or "_"
        if series.mark == "bars":
            ax.stairs(series.y, series.x, fill=True, color=colour, alpha=0.6, label=name)
            continue
        for x, y, style in _drawn(series, axis.low, axis.high):
            ax.plot(x, y, color=colour, **{"label": name, **style})
    for level in panel.levels:
        line = ax.axvline if level.upright else ax.axhline
        line(level.at, color=INK, linestyle="--", linewidth=0.9, label=level.name or "_")
    for note in panel.notes:
        ax.annotate(note.text, (note.x, min(max(note.y, axis.low), axis.high)), fontsize=8)


def _drawn(series: Series, low: float, high: float) -> Iterator[tuple[FloatArray, FloatArray, dict[str, Any]]]:
    """Points with how they are drawn; of what lies beyond the panel, some arrows at its edge."""
    x, y = series.x, series.y
    if series.mark in LINES:
        yield x, y, {"linestyle": DASHES[series.mark], "linewidth": 1.3, "alpha": 0.4 if series.faint else 1.0}
    else:
        size, inside = 2.0 if series.mark in ("dot", "dash") else 5.0, (y >= low) & (y <= high)
        alpha = 0.25 if series.faint else 0.9
        style = {"linestyle": "none", "marker": MARKERS[series.mark], "markersize": size, "alpha": alpha}
        yield x[inside], y[inside], style
    for beyond, edge, arrow in ((y > high, high, "^"), (y < low, low, "v")):
        at = x[beyond][:: max(1, int(beyond.sum()) // ARROWS)]
        if at.size:
            yield at, np.full(at.size, edge), {"linestyle": "none", "marker": arrow, "clip_on": False, "label": "_"}
