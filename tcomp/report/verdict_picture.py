"""The verdict as a picture: what limits each option, how its error grows, and what it takes.

Colours tell options apart, in the middle part alone; contributions differ by mark.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tcomp.documents.verdict import Option, VerdictDocument
from tcomp.report.chart_picture import draw_chart, height_of
from tcomp.report.pictures import INK, QUIET, write_picture
from tcomp.report.verdict_charts import over_days
from tcomp.report.words import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

MARKS = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "*")
SMALL = 0.01
"""Share of the mean square below which a contribution is not drawn."""
PER_OPTION = 0.55
"""Height of an option's row. [inch]"""
ROOM = (0.5, 1.4)
"""Room beyond the smallest and the largest error. [1]"""


def write_verdict_picture(verdict: VerdictDocument, path: Path) -> Path:
    """All three parts, one below the other, as SVG or PNG, by the file's name."""
    rows = PER_OPTION * len(verdict.options)
    growth = over_days(verdict)
    heights = (rows + 2.0, height_of(growth) + 1.6, rows + 1.1)

    def draw(figure: Figure) -> None:
        parts = figure.subfigures(3, 1, height_ratios=heights, squeeze=False)[:, 0]
        draw_limits(parts[0], verdict)
        draw_chart(parts[1], growth)
        draw_what_it_takes(parts[2], verdict)

    alt = (
        "For each option its error on the last day before a trim and what that is made of, on a logarithmic axis; its error "
        "against days since the trim; probability, cost and power"
    )
    return write_picture(path, draw, name="verdict", alt=alt, height=sum(heights))


def draw_limits(figure: Figure | SubFigure, verdict: VerdictDocument) -> None:
    """A bar up to the error of each option, its contributions as marks in it, and the need as a line. [ppb]"""
    ax = figure.subplots()
    options = verdict.options[::-1]
    marks = _marks(options)
    sizes = {
        (place, line.name): _size_ppb(option, line.share_of_variance)
        for place, option in enumerate(options)
        for line in option.budget
        if line.name in marks and line.share_of_variance >= SMALL
    }
    low = ROOM[0] * min([*sizes.values(), verdict.needed_ppb])
    for place, option in enumerate(options):
        ax.barh(place, option.need_met_ppb - low, left=low, color=QUIET, alpha=0.3, height=0.62)
        ax.annotate(
            f" {number(option.need_met_ppb)} ppb",
            (1.0, place),
            xycoords=("axes fraction", "data"),
            va="center",
            fontsize=9,
            annotation_clip=False,
        )
    for name, mark in marks.items():
        places = [place for place, other in sizes if other == name]
        own = [size for (_, other), size in sizes.items() if other == name]
        ax.plot(own, places, mark, color=INK, markersize=5, fillstyle="none", label=name)
    ax.axvline(verdict.needed_ppb, color=INK, linestyle="--", linewidth=1, label="need")
    ax.set_xscale("log")
    ax.set_xlim(low, ROOM[1] * max(option.need_met_ppb for option in options))
    ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_xlabel("bar: error on the last day before a trim, 95 %; marks: its contributions [ppb]")
    ax.grid(axis="y", visible=False)
    _options_at_left(ax, options)
    figure.suptitle("What is each option's error made of?", x=0.01, ha="left", fontsize=10, fontweight="bold")
    figure.legend(loc="outside lower left", ncols=3, fontsize=8)


def _size_ppb(option: Option, share: float) -> float:
    """A contribution as large as its share of the option's mean square makes it. [ppb]"""
    return float(option.need_met_ppb * share**0.5)


def _marks(options: Sequence[Option]) -> dict[str, str]:
    """A mark for each contribution that is drawn somewhere, the largest first."""
    lines = sorted((line for option in options for line in option.budget), key=lambda line: -line.share_of_variance)
    names = dict.fromkeys(line.name for line in lines if line.share_of_variance >= SMALL)
    return dict(zip(names, MARKS * len(names), strict=False))


def draw_what_it_takes(figure: Figure | SubFigure, verdict: VerdictDocument) -> None:
    """Probability of meeting the need, cost over the life, and watts, option beside option."""
    options = verdict.options[::-1]
    panels = figure.subplots(1, 3, sharey=True)
    probable, cost, watts = panels
    places = range(len(options))
    probable.barh(places, [option.probability for option in options], color=QUIET, height=0.5)
    probable.set_xlim(0, 1)
    probable.axvline(0.95, color=INK, linestyle="--", linewidth=0.8)
    cost.barh(places, [option.cost or 0.0 for option in options], color=QUIET, height=0.5)
    power = [option.power for option in options]
    watts.barh(places, [one.steady_watts for one in power], color=QUIET, height=0.5, label="lasting")
    watts.barh(places, [one.peak_watts for one in power], edgecolor=INK, fill=False, height=0.5, label="at most")
    for place, option in enumerate(options):
        if option.cost is None:
            cost.annotate("not given", (0, place), xytext=(3, 0), textcoords="offset points", va="center", fontsize=8.5)
    _options_at_left(probable, options)
    for ax, words in zip(
        panels, ("probability of meeting the need", "cost over the life", "watts from the rail"), strict=True
    ):
        ax.grid(axis="y", visible=False)
        ax.set_xlabel(words)
        ax.set_xlim(left=0)
    figure.suptitle("What does each option take?", x=0.01, ha="left", fontsize=10, fontweight="bold")
    watts.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=2, fontsize=8.5, borderaxespad=0.2)


def _options_at_left(ax: Axes, options: Sequence[Option]) -> None:
    ax.set_yticks(range(len(options)), [textwrap.fill(option.name, 24) for option in options], fontsize=8.5)
