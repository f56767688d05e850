"""The pictures of the report, as SVG that follows the page's light and dark.

Ink is drawn in a colour that is then replaced by the page's own; the series' colours are readable
on both (Okabe and Ito's palette for colour-blind readers, 2008; from memory).
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tcomp.curve.curve import Curve
from tcomp.curve.jumps import Jump
from tcomp.run.prepared import PreparedRun
from tcomp.table import CorrectionTable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#123457"
HEATING, COOLING, CURVE, DROPPED, QUIET = "#d55e00", "#2a8fd0", "#009e73", "#cc4c8f", "#8a8f98"
STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 10,
    "text.color": INK,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": QUIET,
    "grid.alpha": 0.25,
    "legend.frameon": False,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
}
BAND = 2.0
"""Bands are drawn at k = 2."""


def svg(draw: Callable[[Figure], None], *, name: str, alt: str, height: float = 3.4) -> str:
    """Draw a figure and return it as an SVG element with a text alternative.

    ``name`` makes the identifiers inside it differ from those of the page's other pictures.
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with mpl.rc_context({**STYLE, "svg.hashsalt": name}):
        figure = Figure(figsize=(8.2, height), layout="constrained")
        FigureCanvasSVG(figure)
        draw(figure)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", dpi=180, metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :].replace(INK, "currentColor")
    # The drawing library counts its groups from 1 in each picture: in one page these names would stand several times.
    referred = set(re.findall(r"#([\w-]+)", text))
    text = re.sub(r' id="([^"]*)"', lambda found: found.group(0) if found.group(1) in referred else "", text)
    return text.replace("<svg ", f'<svg role="img" aria-label="{alt}" ', 1)


def gain(curve: Curve, fitted: pd.DataFrame) -> Callable[[Figure], None]:
    """Before and after: the offset as it is, trimmed once at the reference, and what is left when corrected."""

    def draw(figure: Figure) -> None:
        top, bottom = figure.subplots(2, 1, sharex=True)
        at_reference = curve.offset_ppb(np.array([curve.reference_c]))[0]
        _legs(top, fitted, "crystal_c", fitted["corrected_ppb"] - at_reference)
        _label(top, "", "uncorrected [ppb]")
        _legs(bottom, fitted, "crystal_c", fitted["held_out_ppb"])
        bottom.axhline(0, color=INK, linewidth=0.8)
        _label(bottom, "crystal temperature [degC]", "corrected [ppb]")
        _direction_legend(top)

    return draw


def run_against_time(prepared: PreparedRun, jumps: tuple[Jump, ...] = ()) -> Callable[[Figure], None]:
    """Temperature and offset of one run against time, with what was dropped, gaps, and jumps of the crystal."""

    def draw(figure: Figure) -> None:
        frame = prepared.run.frame
        unordered = prepared.run.time_kind == "none"
        along = frame["temperature_c"] if unordered else (frame["time_s"] - frame["time_s"].min()) / 3600
        dropped = (frame["dropped"] != "").to_numpy()
        panels = {"temperature_c": "sensor [degC]", "offset_ppb": "offset [ppb]"}
        axes = figure.subplots(len(panels), 1, sharex=True)
        for ax, (column, words) in zip(axes, panels.items(), strict=True):
            kept = frame.loc[~dropped, column]
            ax.plot(along[~dropped], kept, ".", color=CURVE, markersize=1.5, rasterized=True)
            low, high = kept.min(), kept.max()
            room = 0.15 * (high - low)
            shown = frame.loc[dropped, column].clip(low - room, high + room)
            ax.plot(along[dropped], shown, "x", color=DROPPED, markersize=5, label="dropped (far ones at the edge)")
            for gap in prepared.run.gaps:
                start_s = frame["time_s"].min()
                ax.axvspan((gap.start_s - start_s) / 3600, (gap.end_s - start_s) / 3600, color=QUIET, alpha=0.25)
            for jump in jumps if prepared.run.time_kind != "none" else ():
                if frame["time_s"].min() < jump.time_s < frame["time_s"].max():
                    ax.axvline((jump.time_s - frame["time_s"].min()) / 3600, color=HEATING, linewidth=1, linestyle="--")
            _label(ax, "", words)
        axes[-1].set_xlabel("temperature [degC]" if unordered else "time since start [h]")
        if dropped.any():
            _legend(axes[0], axes[-1])

    return draw


def offset_against_temperature(curve: Curve, fitted: pd.DataFrame) -> Callable[[Figure], None]:
    """The loop that the sensor saw, less the curve's coarse shape, and the curve that the crystal saw."""

    def draw(figure: Figure) -> None:
        left, right = figure.subplots(1, 2)
        _legs(left, fitted, "temperature_c", fitted["offset_ppb"])
        _label(left, "sensor temperature [degC]", "offset as logged [ppb]")
        _legs(right, fitted, "crystal_c", fitted["corrected_ppb"])
        temperature_c = np.linspace(curve.low_c, curve.high_c, 400)
        centre = curve.offset_ppb(temperature_c)
        spread = BAND * curve.uncertainty_ppb(temperature_c, new_sample=True)
        right.fill_between(temperature_c, centre - spread, centre + spread, color=CURVE, alpha=0.3, linewidth=0)
        right.plot(temperature_c, centre, color=CURVE, linewidth=1.2, label="curve, band for one sample (k = 2)")
        _legend(right)
        _label(right, "crystal temperature [degC]", "base and ageing off [ppb]")
        _direction_legend(left)

    return draw


def residuals(curve: Curve, fitted: pd.DataFrame) -> Callable[[Figure], None]:
    """Residuals by leg, with the curve's own uncertainty."""

    def draw(figure: Figure) -> None:
        ax = figure.subplots()
        left = fitted["residual_ppb"]
        size = 1.3 * max(np.nanquantile(np.abs(left), 0.998), *(dip.depth_ppb for dip in curve.dips), 0.0)
        _legs(ax, fitted[fitted["used"]], "crystal_c", left)
        off = left.notna() & ~fitted["used"]
        ax.plot(fitted["crystal_c"][off], left[off].clip(-size, size), "x", color=DROPPED, markersize=4, alpha=0.7)
        if off.any():
            ax.plot([], [], "x", color=DROPPED, label="no weight (far ones at the edge)")
        for dip in curve.dips:
            ax.axvspan(dip.temperature_c - dip.width_c / 2, dip.temperature_c + dip.width_c / 2, color=QUIET, alpha=0.3)
            ax.annotate(
                f"dip at {dip.temperature_c:.1f} degC", (dip.temperature_c, size), ha="center", va="bottom", fontsize=8
            )
        temperature_c = np.linspace(curve.low_c, curve.high_c, 400)
        spread = BAND * curve.uncertainty_ppb(temperature_c)
        ax.fill_between(temperature_c, -spread, spread, color=CURVE, alpha=0.4, linewidth=0, label="curve (k = 2)")
        ax.set_ylim(-size, size)
        _direction_legend(ax)
        _label(ax, "crystal temperature [degC]", "sample minus curve [ppb]")

    return draw


def scores_by_model(scores: pd.DataFrame) -> Callable[[Figure], None]:
    """Held-out error of each candidate, with one standard error over the folds."""

    def draw(figure: Figure) -> None:
        ax = figure.subplots()
        place = np.arange(len(scores))
        middle = scores["fold_mean_square_ppb2"].to_numpy()
        error = scores["fold_mean_square_se_ppb2"].to_numpy()
        rms = np.sqrt(middle)
        below = rms - np.sqrt(np.maximum(middle - error, 0.25 * middle))
        above = np.sqrt(middle + error) - rms
        for i, row in enumerate(scores.itertuples()):
            colour = HEATING if row.chosen else COOLING
            ax.errorbar(place[i], rms[i], yerr=[[below[i]], [above[i]]], fmt="o", color=colour, capsize=4)
        best = int(np.argmin(middle))
        limit = np.sqrt(middle[best] + error[best])
        ax.axhline(limit, color=QUIET, linestyle="--", linewidth=1, label="best plus one standard error")
        chosen = int(np.flatnonzero(scores["chosen"])[0])
        ax.annotate("chosen", (chosen, rms[chosen]), xytext=(0, 14), textcoords="offset points", ha="center")
        ax.set_xticks(place, scores["model"])
        ax.set_yscale("log")
        ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
        ax.margins(y=0.2)
        _legend(ax)
        _label(ax, "candidate, simplest first", "held-out error [ppb]")

    return draw


def table_error(curve: Curve, table: CorrectionTable, rival: CorrectionTable | None) -> Callable[[Figure], None]:
    """What the integer lookup returns less the curve, over every code of the range."""

    def draw(figure: Figure) -> None:
        ax = figure.subplots()
        codes = table.codes
        temperature_c = table.temperature_of(codes)
        truth = curve.offset_ppb(temperature_c)
        if rival is not None and rival.bytes != table.bytes:
            label = f"plainly sampled, {rival.bytes} bytes"
            ax.plot(temperature_c, _ppb(rival, codes) - truth, color=QUIET, linewidth=0.6, label=label)
        label = f"designed, {table.bytes} bytes"
        ax.plot(temperature_c, _ppb(table, codes) - truth, color=COOLING, linewidth=0.8, label=label)
        knots_c = table.temperature_of(table.knot_codes[table.in_range(table.knot_codes)])
        ax.plot(knots_c, np.zeros(len(knots_c)), "|", color=INK, markersize=6, label="entries")
        for sign in (-1, 1):
            ax.axhline(sign * table.max_error_ppb, color=HEATING, linestyle="--", linewidth=0.8)
        _legend(ax)
        _label(ax, "code as temperature [degC]", "table minus curve [ppb]")

    return draw


def _ppb(table: CorrectionTable, codes: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.asarray(table.offset_ppt(codes) / 1000.0)


def _legs(ax: Axes, fitted: pd.DataFrame, x: str, y: pd.Series[Any]) -> None:
    for _, part in fitted.groupby("sweep", sort=True):
        heating = part["direction"].iloc[0] > 0
        neither = part["direction"].iloc[0] == 0
        colour = CURVE if neither else HEATING if heating else COOLING
        ax.plot(part[x], y.loc[part.index], ".", color=colour, markersize=1.8, alpha=0.6, rasterized=True)


def _direction_legend(ax: Axes) -> None:
    for colour, words in ((HEATING, "heating"), (COOLING, "cooling")):
        ax.plot([], [], ".", color=colour, label=words)
    _legend(ax)


def _legend(ax: Axes, of: Axes | None = None) -> None:
    """Above the panel, where it covers no sample, at the left, where a narrow screen begins.

    ``of`` is the panel whose labels it shows, if another.
    """
    handles, words = (of or ax).get_legend_handles_labels()
    ax.legend(handles, words, loc="lower left", bbox_to_anchor=(0, 1), ncols=4, fontsize=9, borderaxespad=0.2)


def _label(ax: Axes, x: str, y: str) -> None:
    ax.set_xlabel(x)
    ax.set_ylabel(y)
