"""The runs before any fit: what they hold and lack on the terminal, and six panels of each as a picture."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.estimation.sensor_columns import SensorComparison
from tcomp.logs.inspection import Inspection, Noise, Survey
from tcomp.logs.legs import Leg
from tcomp.logs.neighbours import segments_of
from tcomp.logs.stability import CONFIDENCE, Stability
from tcomp.report.layout import Part, Row
from tcomp.report.pictures import COOLING, CURVE, DROPPED, HEATING, INK, QUIET, write_picture
from tcomp.report.words import number, with_u
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_MINUTE, degc_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, SubFigure

MAX_LEGS = 6
"""Heating and cooling legs of a run that are shown one by one, and soaks; of more, all together in a line for each kind."""


def survey_parts(survey: Survey, legs_file: str = "legs.csv") -> Iterator[Part]:
    """Each run, then what all of them can tell together; ``legs_file`` is where the legs stand that are only summed up."""
    for seen in survey.runs:
        yield [*run_rows(seen, legs_file)]
    yield [*_together_rows(survey)]


def _together_rows(survey: Survey) -> Iterator[Row]:
    yield "all runs together", ""
    for effect, reason in survey.not_identifiable.items():
        yield f"  {effect}", f"not identifiable: {reason}" if reason else "identifiable"
    for sentence in survey.unseen:
        yield "  range", sentence


def sensor_rows(compared: SensorComparison) -> Iterator[Row]:
    """Several sensors by the error that each leaves on sweeps left out, and which to take."""
    yield "sensor columns", "by the error on sweeps left out"
    for one in compared.columns:
        lag = "" if math.isnan(one.lag_s) else f", lag {number(one.lag_s)} s"
        left = f"{with_u(one.held_out_rms_ppb, one.u_ppb, 'ppb')} RMS{lag}"
        yield "  column", f"{one.column!r}: {one.fault or left}"
    yield "  sensor to take", compared.advice


def run_rows(seen: Inspection, legs_file: str = "legs.csv") -> Iterator[Row]:
    """One run."""
    run = seen.prepared.run
    dropped = ", ".join(f"{count} {reason}" for reason, count in run.dropped_counts.items()) or "none"
    each = f"in cells of {run.interval_s:.4g} s" if run.has_cells else f"{run.interval_s:.4g} s apart"
    every = "" if math.isnan(run.interval_s) else f", {each}, over {hours_text(seen.duration_s)}"
    yield run.name, f"{run.samples_kept} samples kept{every}"
    yield "  dropped", dropped
    if run.gaps:
        yield "  gaps", f"{len(run.gaps)}, {hours_text(sum(gap.duration_s for gap in run.gaps))} together"
    yield "  range", f"{degc_text(seen.range_c[0])} to {degc_text(seen.range_c[1])} degC"
    yield from _leg_rows(seen, legs_file)
    yield "  noise", noise_text(seen.noise)
    yield "  sensor", sensor_text(seen)
    yield "  drift", drift_text(seen)
    for warning in run.warnings:
        yield "  warning", warning
    for hint in seen.hints:
        yield "  hint", hint


def _leg_rows(seen: Inspection, legs_file: str) -> Iterator[Row]:
    """Each leg, or where there are many, all of a kind in a line."""
    moving, soaks = seen.legs("heating", "cooling"), seen.legs("soak")
    # A remnant of a sweep in the other direction belongs to its sweep, but is called what it is.
    kinds = {"heating": [leg for leg in moving if leg.rate_c_per_min > 0]}
    kinds["cooling"] = [leg for leg in moving if leg.rate_c_per_min <= 0]
    if len(moving) <= MAX_LEGS:
        for leg in moving:
            kind = "heating" if leg.rate_c_per_min > 0 else "cooling"
            yield (
                f"  {kind}",
                f"{_ends(leg)} degC at {number(leg.rate_c_per_min, 2)} degC/min, {hours_text(leg.duration_s)}",
            )
    else:
        yield from ((f"  {kind}", _many_legs(legs)) for kind, legs in kinds.items() if legs)
    if len(soaks) <= MAX_LEGS:
        each = [f"{hours_text(leg.duration_s)} at {(leg.low_c + leg.high_c) / 2:.3g} degC" for leg in soaks]
        yield "  soaks", ", ".join(each) or "none"
    else:
        shortest, longest = min(leg.duration_s for leg in soaks), max(leg.duration_s for leg in soaks)
        yield "  soaks", f"{len(soaks)}, {hours_text(shortest)} to {hours_text(longest)}, {_span(soaks)}"
    if max(len(moving), len(soaks)) > MAX_LEGS:
        yield "  legs", f"each in {legs_file}"


def _many_legs(legs: list[Leg]) -> str:
    rates = sorted(abs(leg.rate_c_per_min) for leg in legs)
    whole = hours_text(sum(leg.duration_s for leg in legs))
    return f"{len(legs)}, {_span(legs)} at {number(rates[0], 2)} to {number(rates[-1], 2)} degC/min, {whole} in all"


def _span(legs: list[Leg]) -> str:
    return f"{degc_text(min(leg.low_c for leg in legs))} to {degc_text(max(leg.high_c for leg in legs))} degC"


def _ends(leg: Leg) -> str:
    low, high = degc_text(leg.low_c), degc_text(leg.high_c)
    return f"{low} to {high}" if leg.rate_c_per_min > 0 else f"{high} to {low}"


def noise_text(noise: Noise | None) -> str:
    """The noise at the interval, and how far averaging helps."""
    if noise is None:
        return "unknown: the samples have no order in time, or are too few"
    least_ppb, tau_s = noise.floor
    low, high = (number(ends[0]) for ends in (noise.still.low_ppb, noise.still.high_ppb))
    at_interval = (
        f"{number(noise.at_interval_ppb)} ppb over {noise.still.tau_s[0]:.4g} s ({low} to {high} at "
        f"{100 * CONFIDENCE:g} %)"
    )
    if least_ppb == noise.at_interval_ppb:
        return f"{at_interval}; averaging does not lower it"
    return f"{at_interval}, least {number(least_ppb, 2)} ppb over {tau_s:.4g} s; then temperature or drift shows"


def sensor_text(seen: Inspection) -> str:
    """The sensor's steps, in degC and in what they do to the offset."""
    sensor = seen.sensor
    steps = f"steps of {sensor.found_c:.3g} degC" if sensor.found_c else "shows no steps"
    if not math.isfinite(sensor.steepest_ppb_per_c):
        return steps
    weigh = f", {number(sensor.rms_ppb, 2)} ppb RMS" if sensor.used_c else ""
    return f"{steps}{weigh} where the offset is steepest, {number(sensor.steepest_ppb_per_c, 2)} ppb/degC"


def drift_text(seen: Inspection) -> str:
    """What moved between two visits to a temperature."""
    drift = seen.drift
    if drift is None:
        return "unknown before a fit"
    value = with_u(drift.ppb_per_day, drift.u_ppb_per_day, "ppb/day")
    return f"{value if drift.seen else f'none seen: {value}'}, {drift.where}, {hours_text(drift.days * SECONDS_PER_DAY)} apart"


def hours_text(duration_s: float) -> str:
    """A duration as people say it.

    >>> hours_text(25.0), hours_text(1500.0), hours_text(34200.0), hours_text(259200.0)
    ('25 s', '25 min', '9.5 h', '72 h')
    """
    if duration_s < 2 * SECONDS_PER_MINUTE:
        return f"{number(duration_s, 2)} s"
    if duration_s < 120 * SECONDS_PER_MINUTE:
        return f"{number(duration_s / SECONDS_PER_MINUTE, 2)} min"
    return f"{number(duration_s / SECONDS_PER_HOUR, 2)} h"


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


def _hours(seen: Inspection, time_s: FloatArray) -> FloatArray:
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


def _legs(ax: Axes, seen: Inspection, along: FloatArray, values: FloatArray) -> None:
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
    for place in range(int(segment[-1]) + 1):
        inside = segment == place
        if np.ptp(time_s[inside]) < window_s:
            continue
        per_min = _slopes(time_s[inside], temperature_c[inside], window_s) * SECONDS_PER_MINUTE
        ax.plot(_hours(seen, time_s[inside]), per_min, color=CURVE, linewidth=1.0)
    _gaps(ax, seen)
    ax.axhline(0, color=INK, linewidth=0.8)
    ax.set_xlabel("time since start [h]")
    ax.set_ylabel("rate [degC/min]")


def _slopes(time_s: FloatArray, temperature_c: FloatArray, window_s: float) -> FloatArray:
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
