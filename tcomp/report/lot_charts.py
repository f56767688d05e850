"""The charts of a lot: its curves beside each other, how its figures are spread, its errors beside the need."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.report.chart import Band, Chart, Level, Note, Panel, Series
from tcomp.report.numbers import number

Figures = dict[str, Any]
Floats = NDArray[np.float64]
LINES = 200
"""Units up to which each is drawn; of more, bands say more."""
NAMED = 6
"""Odd units named in the chart."""
EDGE = 5.0
"""Robust spreads from the median, beyond which a value stands at the edge."""


def curves(figures: Figures) -> Chart:
    """Above: the median curve; below: each unit less the median, odd ones by name."""
    shown = figures["curves"]
    at_c, odd = np.array(shown["temperature_c"]), {one["unit"] for one in figures["odd"]["units"]}
    usual = np.array([away for name, away in shown["away_ppb"].items() if name not in odd])
    named = [(name, np.array(away)) for name, away in shown["away_ppb"].items() if name in odd]
    shown_ppb = _shown(usual, np.array([away for _, away in named]))
    return Chart(
        "curves",
        "How alike are the units?",
        "Median curve, and each unit's difference from it",
        "Above: the median of all units. Below: each unit less that; level: another base; tilted: another cut angle."
        + (" Odd units that lie far off run along the edge." if shown_ppb is not None else ""),
        "crystal temperature [degC]",
        (
            Panel("median unit [ppb]", (Series("", at_c, np.array(shown["median_ppb"]), "line", "curve"),), low=True),
            Panel(
                "unit minus median [ppb]",
                (*_usual(at_c, usual), *(Series("odd unit", at_c, away, "dashed", "dropped") for _, away in named)),
                tuple(_bands(at_c, usual)),
                notes=tuple(Note(name, float(at_c[-1]), float(away[-1])) for name, away in named[:NAMED]),
                shown=shown_ppb,
            ),
        ),
    )


def _shown(usual: Floats, odd: Floats) -> tuple[float, float] | None:
    """The ends of y where odd units would make a flat line of all others; None where all can be shown. [ppb]"""
    if not usual.size or not odd.size:
        return None
    low, high = float(usual.min()), float(usual.max())
    room = 0.5 * (high - low)
    far = np.nanmin(odd) < low - 4 * room or np.nanmax(odd) > high + 4 * room
    return (low - room, high + room) if far and room > 0 else None


def _usual(at_c: Floats, away_ppb: Floats) -> Iterator[Series]:
    if len(away_ppb) <= LINES:
        yield from (Series("unit", at_c, away, "line", "cooling") for away in away_ppb)


def _bands(at_c: Floats, away_ppb: Floats) -> Iterator[Band]:
    if len(away_ppb) <= LINES:
        return
    for share in (0.99, 0.9, 0.5):
        low, high = np.quantile(away_ppb, [(1 - share) / 2, (1 + share) / 2], axis=0)
        yield Band(f"{100 * share:.0f} % of units", at_c, low, high, "cooling")


def histograms(figures: Figures) -> Iterator[Chart]:
    """A chart for each figure: how the units are spread, the median as a line; far ones stand at the edge."""
    for place, (name, one) in enumerate(figures["figures"].items()):
        values = np.array(one["values"], dtype=np.float64)
        if values.size:
            yield _histogram(f"spread{place}", f"{name} [{one['unit']}]", values, one)


def _histogram(identifier: str, words: str, values: Floats, one: Figures) -> Chart:
    room = EDGE * one["robust_spread"] if one["robust_spread"] else np.inf
    near = np.clip(values, one["median"] - room, one["median"] + room)
    far = int((near != values).sum())
    counts, edges = np.histogram(near, bins=min(40, max(6, round(2 * len(near) ** 0.5))))
    heights = np.append(counts.astype(np.float64), 0.0)
    median = Level("", float(one["median"]), upright=True)
    panel = Panel(
        words, (Series("", edges, heights, "bars", "cooling"),), levels=(median,), shown=(0.0, 1.08 * counts.max()), low=True
    )  # fmt: skip
    alt = f"Units by {words}: median {number(one['median'], 5)}, robust spread {number(one['robust_spread'], 2)}"
    caption = f"{far} far off, at the edge" if far else ""
    return Chart(identifier, "", alt, caption, "", (panel,), heading=False)


def errors(figures: Figures, errors_ppb: list[float]) -> Chart:
    """Share of the units whose error stays below a value, beside the need."""
    found = np.sort(np.array(errors_ppb, dtype=np.float64))
    share = 100 * np.arange(1, found.size + 1) / figures["units"]
    series = [Series("", found, share, "steps", "cooling")]
    if found.size <= LINES:
        series.append(Series("unit", found, share, "dot", "cooling"))
    needed = figures["yield"]["needed_ppb"] if figures["yield"] is not None else None
    need = (Level(f"need, {number(needed)} ppb", float(needed), upright=True),) if needed is not None else ()
    ends = np.array([*found, *([needed] if needed is not None else [])])
    # Not drawn, but within the axis: the need, and the foot of the steps.
    series.append(Series("", ends, np.full(ends.size, np.nan), "dot", "cooling"))
    return Chart(
        "errors",
        "How many units stay within which error?",
        "Share of units within an error",
        "Share of all units whose error stays below a value; failed and short ones never do. Dashed: the need.",
        "error that 95 % of corrected readings stay within [ppb]",
        (Panel("share of all units [%]", tuple(series), levels=need, shown=(0.0, 102.0)),),
        x_log=True,
    )
