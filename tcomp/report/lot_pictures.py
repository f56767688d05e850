"""The pictures of a lot: its curves beside each other, how its figures are spread, its errors beside the need."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from tcomp.report.numbers import number
from tcomp.report.pictures import COOLING, CURVE, DROPPED, INK

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Figures = dict[str, Any]
Draw = Callable[["Figure"], None]
LINES = 200
"""Units up to which each is drawn; of more, bands and steps say more."""
NAMED = 6
"""Odd units named in the picture."""
COLUMNS = 3
ROW_HEIGHT = 2.1
"""Of a row of histograms. [inch]"""


def curves(figures: Figures) -> Draw:
    """Above: the median curve; below: each unit less the median, odd ones by name."""

    def draw(figure: Figure) -> None:
        shown = figures["curves"]
        temperature_c, odd = np.array(shown["temperature_c"]), {one["unit"] for one in figures["odd"]["units"]}
        top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=[1, 1.6])
        top.plot(temperature_c, shown["median_ppb"], color=CURVE, linewidth=1.4)
        top.set_ylabel("median unit [ppb]")
        usual = np.array([away for name, away in shown["away_ppb"].items() if name not in odd])
        _usual(bottom, temperature_c, usual)
        named = [(name, away) for name, away in shown["away_ppb"].items() if name in odd]
        for place, (name, away) in enumerate(named):
            bottom.plot(temperature_c, away, color=DROPPED, linewidth=1.2, label="odd unit" if place == 0 else None)
            if place < NAMED:
                at = (temperature_c[-1], away[-1])
                bottom.annotate(
                    name, at, xytext=(4, 0), textcoords="offset points", fontsize=8.5, annotation_clip=False
                )
        bottom.set_xlabel("crystal temperature [degC]")
        bottom.set_ylabel("unit minus median [ppb]")
        bottom.legend(loc="lower left", bbox_to_anchor=(0, 1), ncols=4, fontsize=9, borderaxespad=0.2)

    return draw


def _usual(ax: Axes, temperature_c: Any, away_ppb: Any) -> None:
    if len(away_ppb) <= LINES:
        for place, away in enumerate(away_ppb):
            ax.plot(temperature_c, away, color=COOLING, linewidth=0.7, alpha=0.7, label="unit" if place == 0 else None)
        return
    for share, alpha in ((0.99, 0.18), (0.9, 0.25), (0.5, 0.35)):
        low, high = np.quantile(away_ppb, [(1 - share) / 2, (1 + share) / 2], axis=0)
        ax.fill_between(
            temperature_c, low, high, color=COOLING, alpha=alpha, linewidth=0, label=f"{100 * share:.0f} % of units"
        )


def histograms_height(figures: Figures) -> float:
    """Of the picture of all histograms. [inch]"""
    return ROW_HEIGHT * math.ceil(len(figures["figures"]) / COLUMNS)


def histograms(figures: Figures) -> Draw:
    """A panel for each figure: how the units are spread, the median as a line; far ones stand at the edge."""

    def draw(figure: Figure) -> None:
        shown = figures["figures"]
        rows = math.ceil(len(shown) / COLUMNS)
        panels = figure.subplots(rows, COLUMNS, squeeze=False).ravel()
        for ax, (name, one) in zip(panels, shown.items(), strict=False):
            _histogram(ax, name, one)
        for ax in panels[len(shown) :]:
            ax.set_axis_off()

    return draw


EDGE = 5.0
"""Robust spreads from the median, beyond which a value stands at the edge."""


def _histogram(ax: Axes, name: str, one: Figures) -> None:
    values = np.array(one["values"])
    room = EDGE * one["robust_spread"] if one["robust_spread"] else np.inf
    near = np.clip(values, one["median"] - room, one["median"] + room)
    far = int((near != values).sum())
    if len(near):
        ax.hist(near, bins=min(40, max(6, round(2 * len(near) ** 0.5))), color=COOLING, alpha=0.8)
        ax.axvline(one["median"], color=INK, linewidth=1)
    ax.set_title(f"{name} [{one['unit']}]", fontsize=9, loc="left")
    if far:
        ax.annotate(f"{far} far off,\nat the edge", (1, 1), xycoords="axes fraction", ha="right", va="top", fontsize=8)
    ax.locator_params(axis="y", integer=True, nbins=4)
    ax.locator_params(axis="x", nbins=4)
    ax.ticklabel_format(axis="x", useOffset=False)
    ax.tick_params(labelsize=8)


def errors(figures: Figures, errors_ppb: Any) -> Draw:
    """Share of the units whose error stays below a value, beside the need."""

    def draw(figure: Figure) -> None:
        ax = figure.subplots()
        found = np.sort(np.array(errors_ppb))
        share = np.arange(1, found.size + 1) / figures["units"]
        ax.step(found, 100 * share, where="post", color=COOLING, linewidth=1.4)
        if found.size <= LINES:
            ax.plot(found, 100 * share, "o", color=COOLING, markersize=3)
        if figures["yield"] is not None:
            needed = figures["yield"]["needed_ppb"]
            ax.axvline(needed, color=INK, linestyle="--", linewidth=1, label=f"need, {number(needed)} ppb")
            ax.legend(loc="lower left", bbox_to_anchor=(0, 1), fontsize=9, borderaxespad=0.2)
        ax.set_xscale("log")
        ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
        ax.xaxis.set_minor_formatter(lambda value, _: f"{value:g}" if f"{value:e}"[0] in "25" else "")
        ax.set_ylim(0, 102)
        ax.set_xlabel("error that 95 % of corrected readings stay within [ppb]")
        ax.set_ylabel("share of all units [%]")

    return draw
