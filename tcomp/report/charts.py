"""The charts of the report: each answers the question that is its heading."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
import pandas as pd

from tcomp.arrays import FloatArray, IntArray
from tcomp.estimation.curve import Curve
from tcomp.frames import BIN_C, residual_bins, untested_c
from tcomp.logs.inspection import inspect_run
from tcomp.logs.prepared import PreparedRun
from tcomp.logs.stability import CONFIDENCE
from tcomp.report.chart import Band, Chart, Level, Mark, Note, Panel, Series, Span, thinned
from tcomp.tables import CorrectionTable
from tcomp.units import SECONDS_PER_HOUR, SECONDS_PER_MINUTE

BAND = 2.0
"""Bands are drawn at k = 2."""
ALONG = 200
"""Temperatures at which a curve is drawn."""
TEMPERATURE = "temperature of the sensor, in the lowest panel of the crystal [degC]"
CRYSTAL, SENSOR, SINCE = "crystal temperature [degC]", "sensor temperature [degC]", "time since the first sample [h]"


@dataclass(frozen=True)
class RampOfUse:
    """The fastest ramp that the job names, and whether the firmware follows it. [degC/min]"""

    rate_c_per_min: float
    followed: bool = False


def gain(name: str, curve: Curve, table: CorrectionTable, fitted: pd.DataFrame, ramp: RampOfUse) -> Chart:
    """As logged, as the firmware reads it on a ramp of use, and with all that moves taken off."""
    at_reference = curve.offset_ppb(np.array([curve.reference_c]))[0]
    p95_ppb = curve.held_out.p95_ppb
    sensor_c, read_ppb = as_read(curve, table, fitted, ramp)
    read = fitted.assign(sensor_c=sensor_c)
    how = "followed" if ramp.followed else f"at {ramp.rate_c_per_min:g} degC/min"
    return Chart(
        "gain",
        "What does the correction gain?",
        "Offset against temperature, before and after correction",
        f"Above: {name} as it was logged, trimmed once, at {curve.reference_c:g} degC; heating and cooling form a loop where "
        "the crystal lags behind the sensor. Middle: what is left when the firmware looks up the sensor's temperature, on the "
        "fastest ramp of use. Below: with lag, base and ageing taken off, each sweep against a curve fitted without it. Note "
        "the three scales.",
        TEMPERATURE,
        (
            Panel("as logged [ppb]", tuple(_legs(fitted, "temperature_c", fitted["offset_ppb"] - at_reference))),
            Panel(f"corrected in the firmware, {how} [ppb]", tuple(_legs(read, "sensor_c", pd.Series(read_ppb, fitted.index)))),
            Panel(
                "held out, lag and ageing off [ppb]",
                tuple(_legs(fitted, "crystal_c", fitted["held_out_ppb"])),
                levels=(Level("95 % of held-out samples lie between", p95_ppb), Level("", -p95_ppb))
                if np.isfinite(p95_ppb)
                else (),
            ),
        ),
    )  # fmt: skip


def as_read(
    curve: Curve, table: CorrectionTable, fitted: pd.DataFrame, ramp: RampOfUse
) -> tuple[FloatArray, FloatArray]:
    """What the sensor would show of each held-out sample on a steady ramp of its sweep, and the error after correction.

    On a ramp of rate r the crystal lags r tau behind the sensor; the firmware looks up the sensor. [degC] [ppb]
    """
    way = np.sign(_of(fitted, "direction"))
    crystal_c, held_out_ppb = _of(fitted, "crystal_c"), _of(fitted, "held_out_ppb")
    rate = 0.0 if ramp.followed else ramp.rate_c_per_min
    lag_s = sum(effect.value for effect in curve.effects if effect.name in ("lag", "second lag"))
    sensor_c = crystal_c + way * rate * lag_s / SECONDS_PER_MINUTE
    there_ppb = curve.offset_ppb(crystal_c) + held_out_ppb
    if not ramp.followed:
        there_ppb += way / 2 * curve.effect("hysteresis").value
    if curve.response is not None:
        there_ppb += way * rate * curve.response.at(crystal_c)
    return sensor_c, there_ppb - _ppb(table, table.code_of(sensor_c))


def curve_and_residuals(curve: Curve, fitted: pd.DataFrame) -> Chart:
    """The curve that the crystal saw among its samples, and the residuals: single ones, and means of 2 degC."""
    along_c = np.linspace(curve.low_c, curve.high_c, ALONG)
    centre_ppb = curve.offset_ppb(along_c)
    sample_ppb, curve_ppb = (BAND * curve.uncertainty_ppb(along_c, new_sample=new) for new in (True, False))
    size = residual_size(curve, fitted)
    used, off = fitted[fitted["used"]], fitted[fitted["residual_ppb"].notna() & ~fitted["used"]]
    no_weight = Series(
        "no weight (far ones at the edge)", _of(off, "crystal_c"), _of(off, "residual_ppb"), "square", "dropped"
    )
    lines, bands = _means(residual_bins(fitted, curve.low_c, curve.high_c))
    dots = (replace(one, faint=True) for one in _legs(used, "crystal_c", used["residual_ppb"]))
    return Chart(
        "curve",
        "Does the curve fit at every temperature?",
        "Offset and residuals against crystal temperature",
        "Above: the samples with lag, base and ageing taken off, and the curve. Below: the residuals, and their means over 2 "
        "degC with twice their standard uncertainty. A shape that heating and cooling share is a curve that is too simple; a "
        "gap between the two is lag or hysteresis that is not taken off.",
        CRYSTAL,
        (
            Panel(
                "offset, base and ageing off [ppb]",
                (*_legs(fitted, "crystal_c", fitted["corrected_ppb"]), Series("curve", along_c, centre_ppb, "line", "curve")),
                (Band("", along_c, centre_ppb - sample_ppb, centre_ppb + sample_ppb, "curve"),),
            ),
            Panel(
                "sample minus curve [ppb]",
                (*dots, *((no_weight,) if len(off) else ()), *lines),
                (Band("curve, k = 2", along_c, -curve_ppb, curve_ppb, "curve"), *bands),
                spans=(
                    *(
                        Span("activity dip", dip.temperature_c - dip.width_c / 2, dip.temperature_c + dip.width_c / 2)
                        for dip in curve.dips
                    ),
                    *(Span(UNTESTED, *ends) for ends in untested_c(fitted, curve.low_c, curve.high_c)),
                ),
                notes=tuple(Note(f"dip at {dip.temperature_c:.1f} degC", dip.temperature_c, 0.93 * size) for dip in curve.dips),
                shown=(-size, size),
            ),
        ),
    )  # fmt: skip


UNTESTED = "not tested: nothing was held out here"
FEWEST = 5
"""Samples of a bin below which no mean is drawn: so few say nothing of its uncertainty."""
MEANS: tuple[tuple[str, float, Mark, str], ...] = (
    ("mean of heating", 0.5, "line", "heating"),
    ("mean of cooling", -0.5, "dashed", "cooling"),
    ("mean", 0.0, "line", "violet"),
)


def _means(bins: pd.DataFrame) -> tuple[list[Series], list[Band]]:
    """Means of the bins as lines that break where there is none, and twice their u as bands."""
    lines, bands = [], []
    for words, direction, mark, colour in MEANS:
        own = bins[(bins["direction"] == direction) & (bins["samples"] >= FEWEST)].sort_values("at_c")
        if own.empty:
            continue
        at_c, mean_ppb, u_ppb = (_of(own, name) for name in ("at_c", "mean_ppb", "u_ppb"))
        breaks = np.flatnonzero(np.diff(at_c) > 1.5 * BIN_C) + 1
        lines.append(
            Series(words, np.insert(at_c, breaks, at_c[breaks]), np.insert(mean_ppb, breaks, np.nan), mark, colour)
        )
        for part in np.split(np.arange(at_c.size), breaks):
            known = part[np.isfinite(u_ppb[part])]
            if known.size > 1:
                around = BAND * u_ppb[known]
                bands.append(Band("", at_c[known], mean_ppb[known] - around, mean_ppb[known] + around, colour))
    return lines, bands


BARS = 41
"""Bars of the histogram of residuals."""


def spread(curve: Curve, fitted: pd.DataFrame) -> Chart:
    """How held-out residuals are spread, beside a normal distribution of the same RMS."""
    held_out_ppb = _of(fitted[fitted["held_out_ppb"].notna()], "held_out_ppb")
    rms_ppb = float(np.sqrt(np.mean(held_out_ppb**2))) if held_out_ppb.size else 1.0
    edges = np.linspace(-4.0 * rms_ppb, 4.0 * rms_ppb, BARS + 1)
    share = np.histogram(held_out_ppb.clip(edges[0], edges[-1]), edges)[0] / max(held_out_ppb.size, 1)
    along = np.linspace(edges[0], edges[-1], ALONG)
    normal = np.exp(-((along / rms_ppb) ** 2) / 2) / (rms_ppb * np.sqrt(2 * np.pi)) * (edges[1] - edges[0])
    p95_ppb = curve.held_out.p95_ppb
    return Chart(
        "spread",
        "How are the held-out residuals spread?",
        "Histogram of the held-out residuals",
        "Bars: shares of the held-out samples, far ones in the last bar. Line: a normal distribution of the same RMS.",
        "held-out residual [ppb]",
        (
            Panel(
                "share of the samples [%]",
                (
                    Series("held-out samples", edges, 100 * share, "bars", "cooling"),
                    Series("normal, same RMS", along, 100 * normal, "line", "ink"),
                ),
                levels=(Level("95 % lie between", p95_ppb, upright=True), Level("", -p95_ppb, upright=True))
                if np.isfinite(p95_ppb)
                else (),
                shown=(0.0, 108.0 * float(max(share.max(), normal.max()))),
                low=True,
            ),
        ),
    )


def stability_of(run: PreparedRun, place: int) -> Chart | None:
    """Allan deviation as logged, and Hadamard deviation within legs, with their intervals; None: a run without an order in time."""
    noise = inspect_run(run).noise
    if noise is None:
        return None
    series, bands = [], []
    for words, found, mark, colour in (
        ("as logged (Allan)", noise.as_logged, "dashed", "quiet"),
        ("within legs, ramp taken off (Hadamard)", noise.still, "line", "cooling"),
    ):
        series.append(Series(words, found.tau_s, found.deviation_ppb, cast("Mark", mark), colour))
        bands.append(Band("", found.tau_s, found.low_ppb, found.high_ppb, colour))
    return Chart(
        f"stability{place}",
        f"{run.run.name}: how still does it stand, over which time?",
        f"Deviation of {run.run.name} against averaging time",
        f"Bands: {100 * CONFIDENCE:g} % intervals. Averaging helps as long as the lower line falls.",
        "averaging time [s]",
        (Panel("deviation [ppb]", tuple(series), tuple(bands), log=True, low=True),),
        x_log=True,
    )


def residual_size(curve: Curve, fitted: pd.DataFrame) -> float:
    """How far residuals are shown: nearly all of them, and the dips. [ppb]"""
    far = float(np.nanquantile(np.abs(fitted["residual_ppb"]), 0.998))
    return 1.3 * max(far, *(dip.depth_ppb for dip in curve.dips), 1e-6)


def loop(curve: Curve, fitted: pd.DataFrame) -> Chart:
    """What the sensor saw, less the curve at what it showed: the loop that lag and hysteresis open, and the base of each run."""
    left_ppb = fitted["offset_ppb"] - curve.offset_ppb(fitted["temperature_c"].to_numpy())
    return Chart(
        "loop",
        "How far apart were heating and cooling, before lag and ageing were taken off?",
        "Offset as logged less the curve at the sensor's temperature, against that temperature",
        "A loop between heating and cooling is lag or hysteresis, steps between sweeps are base or ageing. The charts above show "
        "what is left when they are taken off.",
        SENSOR,
        (Panel("as logged, less the curve [ppb]", tuple(_legs(fitted, "temperature_c", left_ppb))),),
    )


def residuals_over_time(curve: Curve, fitted: pd.DataFrame) -> Chart | None:
    """What is left of each sample, in the order of time; None where the samples have none."""
    if not fitted["time_s"].notna().all() or fitted["time_s"].nunique() < len(fitted) / 2:
        return None
    hours = (fitted["time_s"] - fitted["time_s"].min()) / SECONDS_PER_HOUR
    timed = fitted.assign(hours=hours)
    used, size = timed[timed["used"]], residual_size(curve, fitted)
    return Chart(
        "time",
        "Does anything drift or jump with time?",
        "Residuals and sensor temperature against time",
        "A slope is ageing that is not taken off, a step a jump of the crystal or of the reference; a wave that follows the "
        "temperature below is lag.",
        SINCE,
        (
            Panel("sample minus curve [ppb]", tuple(_legs(used, "hours", used["residual_ppb"])), shown=(-size, size)),
            Panel(
                "sensor [degC]", (Series("", hours.to_numpy(), _of(timed, "temperature_c"), "dot", "quiet"),), low=True
            ),
        ),
    )


def table_error(curve: Curve, table: CorrectionTable, rival: CorrectionTable | None) -> Chart:
    """The entries on the curve; below, what the integer lookup returns less the curve, over every code of the range."""
    codes = table.codes
    at_c = table.temperature_of(codes)
    truth_ppb = curve.offset_ppb(at_c)
    knots = np.asarray(table.knot_codes[table.in_range(table.knot_codes)], dtype=np.int64)
    knots_c = table.temperature_of(knots)
    error_ppb = _ppb(table, codes) - truth_ppb
    series = [Series(f"this table, {table.bytes} bytes", at_c, error_ppb, "line", "cooling")]
    if rival is not None and rival.bytes != table.bytes:
        label = f"plainly sampled, {rival.bytes} bytes"
        series.append(Series(label, at_c, _ppb(rival, codes) - truth_ppb, "dotted", "gold"))
    if knots_c.size:
        series.append(Series("entries", knots_c, np.zeros(knots_c.size), "tick", "ink"))
    entries = [Series("curve", at_c, truth_ppb, "line", "curve")]
    if knots_c.size:
        entries.append(Series("returned at the entries", knots_c, _ppb(table, knots), "square", "ink"))
    worst_ppb = table.max_error_ppb
    return Chart(
        "table",
        "How far is the table from the curve, code by code?",
        "Error of the table over all codes",
        "Above: the curve, and what the table returns at its entries. Below: table minus curve at every code of the range; dashed: "
        "the largest error.",
        "code as temperature [degC]",
        (
            Panel("curve and entries [ppb]", tuple(entries), low=True),
            Panel(
                "table minus curve [ppb]",
                tuple(series),
                levels=(Level("largest error", worst_ppb), Level("", -worst_ppb)),
            ),
        ),
    )


def run_against_time(place: int, prepared: PreparedRun, curve: Curve, most: int) -> Chart:
    """Temperature and offset of one run against time, with what was dropped, gaps, and jumps; so many points at most."""
    run = prepared.run
    frame, unordered = run.frame, run.time_kind == "none"
    start_s = frame["time_s"].min()

    def hours(time_s: float) -> float:
        return float((time_s - start_s) / SECONDS_PER_HOUR)

    along = frame["temperature_c"] if unordered else (frame["time_s"] - start_s) / SECONDS_PER_HOUR
    last_s = frame["time_s"].max()
    lines = tuple(
        Level("jump of the crystal", hours(j.time_s), upright=True)
        for j in curve.jumps
        if start_s <= j.time_s <= last_s
    )
    gaps = tuple(Span("gap", hours(gap.start_s), hours(gap.end_s)) for gap in run.gaps)
    return Chart(
        f"run{place}",
        f"{run.name}: what was logged, and what was dropped?",
        f"Temperature and offset of {run.name} against time",
        "",
        "temperature [degC]" if unordered else "time since start [h]",
        (
            replace(_logged("sensor [degC]", frame, "temperature_c", along, most), levels=lines, spans=gaps, low=True),
            replace(_logged("offset [ppb]", frame, "offset_ppb", along, most), levels=lines, spans=gaps),
        ),
    )


def _logged(words: str, frame: pd.DataFrame, column: str, along: pd.Series[float], most: int) -> Panel:
    """What was kept, and what was dropped, which makes the scale no wider than it needs be."""
    gone = (frame["dropped"] != "").to_numpy()
    kept = frame.loc[~gone, column]
    room = 0.15 * (kept.max() - kept.min()) or 1.0
    series = [Series("kept", _values(along[~gone]), _values(kept), "dot", "curve")]
    at, dropped = _values(along[gone]), _values(frame.loc[gone, column])
    if np.isfinite(at).any():
        series.append(Series("dropped (far ones at the edge)", at, dropped, "square", "dropped"))
    shown = (float(kept.min() - room), float(kept.max() + room))
    return Panel(words, tuple(thinned(one, most) for one in series), shown=shown)


def _ppb(table: CorrectionTable, codes: IntArray) -> FloatArray:
    return np.asarray(table.offset_ppt(codes) / 1000.0)


def _of(frame: pd.DataFrame, column: str) -> FloatArray:
    return _values(frame[column])


def _values(column: pd.Series[float]) -> FloatArray:
    return np.asarray(column, dtype=np.float64)


DIRECTIONS: tuple[tuple[str, int, Mark, str], ...] = (
    ("heating", 1, "dot", "heating"),
    ("cooling", -1, "dash", "cooling"),
    ("unordered", 0, "dot", "curve"),
)


def _legs(fitted: pd.DataFrame, x: str, y: pd.Series[float]) -> Iterator[Series]:
    """Samples by the direction of the sweep that they belong to."""
    way = np.sign(fitted.groupby("sweep")["direction"].transform("first"))
    for words, sign, mark, colour in DIRECTIONS:
        here = way == sign
        if here.any():
            yield Series(words, _of(fitted[here], x), y[here].to_numpy(dtype=np.float64), mark, colour)
