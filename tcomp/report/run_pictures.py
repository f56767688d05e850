"""The pictures of an inspection: for each run six panels."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tcomp.report.picture_file import write_picture
from tcomp.report.pictures import COOLING, CURVE, DROPPED, HEATING, INK, QUIET
from tcomp.run.inspection import Inspection, Noise, Survey
from tcomp.run.neighbours import segments_of
from tcomp.run.stability import CONFIDENCE, Stability
from tcomp.units import SECONDS_PER_HOUR, SECONDS_PER_MINUTE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

Floats = NDArray[np.float64]

HEIGHT_OF_RUN = 7.4
RATE_SPAN_C = 1.0
"""Rates are slopes over so much travel at the usual rate, and over five samples at least: quanta vanish in it. [degC]"""
SHAPE_DEGREE = 3
"""Of the polynomial in temperature that is taken off to show the loop: a crystal's main shape is a cubic at most."""


def write_survey(survey: Survey, path: Path) -> Path:
    """All runs, one below the other, as SVG or PNG.

    Raises
    ------
    TcompError
        The name ends in neither, or the file cannot be written.
    """
    alt = "For each run temperature, offset and rate against time, offset and loop against temperature, and stability"
    return write_picture(path, panels(survey), name="inspect", alt=alt, height=HEIGHT_OF_RUN * len(survey.runs))


def panels(survey: Survey) -> Callable[[Figure], None]:
    """Time on the left, temperature and averaging time on the right."""

    def draw(figure: Figure) -> None:
        blocks = np.atleast_1d(np.asarray(figure.subfigures(len(survey.runs), 1)))
        for block, seen in zip(blocks, survey.runs, strict=True):
            _run(block, seen)

    return draw


def _run(figure: SubFigure, seen: Inspection) -> None:
    figure.suptitle(seen.prepared.run.name, fontsize=11, fontweight="bold")
    axes = figure.subplots(3, 2)
    for ax in axes[:2, 0]:
        ax.sharex(axes[2, 0])
        ax.tick_params(labelbottom=False)
    axes[0, 1].sharex(axes[1, 1])
    axes[0, 1].tick_params(labelbottom=False)
    if seen.prepared.run.time_kind == "none":
        for ax in axes[:, 0]:
            _nothing(ax, "no time in the log")
    else:
        _against_time(axes[0, 0], seen, "temperature_c", "sensor [degC]")
        _against_time(axes[1, 0], seen, "offset_ppb", "offset [ppb]")
        _rate(axes[2, 0], seen)
    _against_temperature(axes[0, 1], axes[1, 1], seen)
    _stability(axes[2, 1], seen.noise)
    figure.align_ylabels(axes)


def _nothing(ax: Axes, words: str) -> None:
    ax.text(0.5, 0.5, words, transform=ax.transAxes, ha="center")
    ax.set_xticks([])
    ax.set_yticks([])


def _hours(seen: Inspection, time_s: Floats) -> Floats:
    return np.asarray((time_s - seen.prepared.run.kept["time_s"].iloc[0]) / SECONDS_PER_HOUR)


def _against_time(ax: Axes, seen: Inspection, column: str, words: str) -> None:
    """Kept samples by leg; what was dropped as crosses, those far away at the edge."""
    run = seen.prepared.run
    hours, values = _hours(seen, run.kept["time_s"].to_numpy()), run.kept[column].to_numpy()
    _legs(ax, seen, hours, values)
    dropped = run.frame[(run.frame["dropped"] != "") & run.frame["time_s"].between(*run.kept["time_s"].iloc[[0, -1]])]
    room = 0.08 * np.ptp(values)
    shown = dropped[column].clip(values.min() - room, values.max() + room)
    if shown.notna().any():
        at = _hours(seen, dropped["time_s"].to_numpy())
        ax.plot(at, shown, "x", color=DROPPED, markersize=3.5, label="dropped")
    _gaps(ax, seen)
    _legend(ax)
    ax.set_ylabel(words)


def _gaps(ax: Axes, seen: Inspection) -> None:
    for gap in seen.prepared.run.gaps:
        ax.axvspan(*_hours(seen, np.array([gap.start_s, gap.end_s])), color=QUIET, alpha=0.3, linewidth=0)


def _legs(ax: Axes, seen: Inspection, along: Floats, values: Floats) -> None:
    """Samples in the colour of their leg."""
    for kind, colour in (("heating", HEATING), ("cooling", COOLING), ("soak", QUIET), ("unordered", CURVE)):
        parts = [np.arange(leg.start, leg.stop) for leg in seen.prepared.legs if leg.kind == kind]
        if parts:
            at = np.concatenate(parts)
            ax.plot(along[at], values[at], ".", color=colour, markersize=2, label=kind, rasterized=True)


def _legend(ax: Axes) -> None:
    """Above the panel, where it covers no sample."""
    ax.legend(
        loc="lower right", bbox_to_anchor=(1, 1), ncols=4, fontsize=8, borderaxespad=0.1, markerscale=1.6,
        handletextpad=0.1, columnspacing=0.8,
    )  # fmt: skip


def _rate(ax: Axes, seen: Inspection) -> None:
    run = seen.prepared.run
    time_s, temperature_c = (run.kept[name].to_numpy() for name in ("time_s", "temperature_c"))
    rates = [abs(leg.rate_c_per_min) for leg in seen.legs("heating", "cooling")]
    usual = float(np.median(rates)) / SECONDS_PER_MINUTE if rates else 0.0
    window_s = max(RATE_SPAN_C / usual if usual else 0.0, 5.0 * run.interval_s)
    segment = segments_of(time_s)
    for number in range(int(segment[-1]) + 1):
        inside = segment == number
        if np.ptp(time_s[inside]) < window_s:
            continue
        per_min = _slopes(time_s[inside], temperature_c[inside], window_s) * SECONDS_PER_MINUTE
        ax.plot(_hours(seen, time_s[inside]), per_min, color=CURVE, linewidth=1.0)
    _gaps(ax, seen)
    ax.axhline(0, color=INK, linewidth=0.8)
    ax.set_xlabel("time since start [h]")
    ax.set_ylabel("rate [degC/min]")


def _slopes(time_s: Floats, temperature_c: Floats, window_s: float) -> Floats:
    """Slope between the mean temperatures of the two halves of a window about each sample. [degC/s]"""
    at = np.clip(time_s, time_s[0] + window_s / 2, time_s[-1] - window_s / 2)
    summed = np.concatenate([[0.0], np.cumsum(temperature_c)])
    low, middle = (np.searchsorted(time_s, at + shift * window_s / 2) for shift in (-1, 0))
    high = np.searchsorted(time_s, at + window_s / 2, side="right")
    before, after = np.maximum(middle - low, 1), np.maximum(high - middle, 1)
    rise_c = (summed[high] - summed[middle]) / after - (summed[middle] - summed[low]) / before
    return np.asarray(rise_c / (window_s / 2))


def _against_temperature(above: Axes, below: Axes, seen: Inspection) -> None:
    """The offset as logged, and what is left of it less its main shape: the loop between heating and cooling."""
    kept = seen.prepared.run.kept
    temperature_c, offset_ppb = kept["temperature_c"].to_numpy(), kept["offset_ppb"].to_numpy()
    scaled = (temperature_c - temperature_c.mean()) / np.ptp(temperature_c)
    degree = min(SHAPE_DEGREE, len(np.unique(temperature_c)) - 1)
    shape_ppb = np.polynomial.Polynomial.fit(scaled, offset_ppb, degree)(scaled)
    _legs(above, seen, temperature_c, offset_ppb)
    _legs(below, seen, temperature_c, offset_ppb - shape_ppb)
    _legend(above)
    above.set_ylabel("offset [ppb]")
    below.set_ylabel("less its cubic [ppb]")
    below.set_xlabel("sensor [degC]")


def _stability(ax: Axes, noise: Noise | None) -> None:
    if noise is None:
        _nothing(ax, "no noise without an order in time")
        return
    _deviation(ax, noise.as_logged, QUIET, "as logged (Allan)")
    _deviation(ax, noise.still, HEATING, "within legs, ramp taken off (Hadamard)")
    white = noise.at_interval_ppb * np.sqrt(noise.still.tau_s[0] / noise.still.tau_s)
    ax.plot(noise.still.tau_s, white, ":", color=INK, linewidth=1.0, label="white noise")
    ax.set_xscale("log")
    ax.set_yscale("log")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(lambda value, _: f"{value:g}")
    handles, words = ax.get_legend_handles_labels()
    ax.legend(handles, words, loc="best", fontsize=7.5)
    ax.set_xlabel(f"averaging time [s]; bands {100 * CONFIDENCE:g} %")
    ax.set_ylabel("deviation [ppb]")


def _deviation(ax: Axes, found: Stability, colour: str, words: str) -> None:
    ax.fill_between(found.tau_s, found.low_ppb, found.high_ppb, color=colour, alpha=0.3, linewidth=0)
    ax.plot(found.tau_s, found.deviation_ppb, "o-", color=colour, markersize=3, linewidth=1.0, label=words)
