"""The pictures of the verdict: budgets, error against time since the trim, cost and power beside probability."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tcomp.report.picture_file import write_picture
from tcomp.report.pictures import COOLING, CURVE, DROPPED, HEATING, INK, QUIET

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = (COOLING, HEATING, CURVE, DROPPED, "#e69f00", "#5b6fd6", "#7a5c3e")
MARKS = ("o", "s", "^", "D", "v", "P", "X")
SMALL = 0.02
"""Share of the variance below which contributions are drawn as one."""
PER_OPTION = 0.55
"""Height of an option's bar. [inch]"""

Figures = dict[str, Any]
Draw = Callable[["Figure"], None]


def write_verdict_picture(figures: Figures, path: Path) -> Path:
    """All three, one below the other, as SVG or PNG, by the file's name."""

    def draw(figure: Figure) -> None:
        parts: Any = figure.subfigures(3, 1, height_ratios=[heights(figures)[0], 3.6, heights(figures)[1]])
        for part, panel in zip(parts, (budgets(figures), over_days(figures), footing(figures)), strict=True):
            panel(part)

    alt = "Uncertainty budgets of the options, their error against days since the trim, and cost and power beside probability"
    return write_picture(path, draw, name="verdict", alt=alt, height=3.6 + sum(heights(figures)))


def heights(figures: Figures) -> tuple[float, float]:
    """Of the pictures with a bar for each option: the budgets, and the footing. [inch]"""
    bars = PER_OPTION * len(figures["options"])
    return bars + 1.8, bars + 0.9


def budgets(figures: Figures) -> Draw:
    """The variance of each option, stacked by contribution; its expanded uncertainty beside it."""

    def draw(figure: Figure) -> None:
        ax = figure.subplots()
        options = figures["options"][::-1]
        colours = _colours(options)
        for place, option in enumerate(options):
            left = 0.0
            shares = {line["name"]: line["share_of_variance"] for line in option["budget"]}
            shown = {name: share for name, share in shares.items() if share >= SMALL}
            for name, share in (shown | {"all smaller ones": 1 - sum(shown.values())}).items():
                ax.barh(place, share, left=left, color=colours[name], edgecolor="white", linewidth=0.6, height=0.62)
                left += share
            ax.annotate(
                f"{_short(option['drawn_within_ppb'])} ppb",
                (1.01, place),
                va="center",
                fontsize=9,
                annotation_clip=False,
            )
        _options_at_left(ax, options)
        for name, colour in colours.items():
            ax.barh(0, 0, color=colour, label=name)
        ax.legend(loc="lower left", bbox_to_anchor=(-0.3, 1.0), ncols=3, fontsize=8.5, borderaxespad=0.2)
        ax.set_xlim(0, 1)
        ax.grid(axis="y", visible=False)
        ax.set_xlabel("share of the variance; at the right: 95 % of the errors are within")

    return draw


def over_days(figures: Figures) -> Draw:
    """What 95 % of the errors are within, from 68 % upwards as a band, against days since the trim."""

    def draw(figure: Figure) -> None:
        ax = figure.subplots()
        for option, colour, mark in zip(figures["options"], _cycle(COLOURS), _cycle(MARKS), strict=False):
            days, most, nearly = zip(*option["error_by_day"], strict=True)
            days = tuple(max(day, 0.5) for day in days)
            ax.fill_between(days, most, nearly, color=colour, alpha=0.15, linewidth=0)
            ax.plot(
                days, nearly, color=colour, marker=mark, markevery=4, markersize=4, linewidth=1.2, label=option["name"]
            )
        ax.axhline(figures["needed_ppb"], color=INK, linestyle="--", linewidth=1, label="need")
        ax.set_xscale("log")
        ax.set_yscale("log")
        ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
        ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
        ax.set_xlabel("days since the trim (at the left: the same day)")
        ax.set_ylabel("error, 95 % within [ppb]")
        ax.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=2, fontsize=8.5, borderaxespad=0.2)

    return draw


def footing(figures: Figures) -> Draw:
    """Probability of meeting the need, cost over the life, and watts, option beside option."""

    def draw(figure: Figure) -> None:
        options = figures["options"][::-1]
        panels = figure.subplots(1, 3, sharey=True, width_ratios=[1, 1, 1])
        places = range(len(options))
        probable, cost, watts = panels
        probable.barh(places, [option["probability"] for option in options], color=CURVE, height=0.5)
        probable.set_xlim(0, 1)
        probable.axvline(0.95, color=INK, linestyle="--", linewidth=0.8)
        cost.barh(places, [option["cost"] or 0.0 for option in options], color=COOLING, height=0.5)
        power = [option["power"] for option in options]
        watts.barh(places, [one["peak_watts"] for one in power], color=QUIET, height=0.5, label="at most")
        watts.barh(places, [one["steady_watts"] for one in power], color=HEATING, height=0.5, label="steady")
        for place, option in zip(places, options, strict=True):
            if option["cost"] is None:
                cost.annotate(
                    "not told", (0, place), xytext=(3, 0), textcoords="offset points", va="center", fontsize=8.5
                )
        _options_at_left(probable, options)
        labels = ("probability of meeting the need", "cost over the life", "watts from the rail")
        for ax, words in zip(panels, labels, strict=True):
            ax.grid(axis="y", visible=False)
            ax.set_xlabel(words)
            ax.set_xlim(left=0)
        watts.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=2, fontsize=8.5, borderaxespad=0.2)

    return draw


def _colours(options: list[Figures]) -> dict[str, str]:
    """One for each contribution that is drawn somewhere, the same for all options."""
    names: dict[str, None] = {}
    for option in options[::-1]:
        for line in sorted(option["budget"], key=lambda line: -line["share_of_variance"]):
            if line["share_of_variance"] >= SMALL:
                names.setdefault(line["name"])
    return dict(zip(names, _cycle(COLOURS), strict=False)) | {"all smaller ones": QUIET}


def _cycle(values: tuple[str, ...]) -> tuple[str, ...]:
    return values * 4


def _options_at_left(ax: Axes, options: list[Figures]) -> None:
    ax.set_yticks(range(len(options)), [textwrap.fill(option["name"], 24) for option in options], fontsize=8.5)


def _short(value: float) -> str:
    return f"{float(f'{value:.3g}'):g}"
