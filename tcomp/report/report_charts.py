"""The charts of the report: each answers the question that is its heading."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tcomp.curve.curve import Curve
from tcomp.report.chart import Band, Chart, Level, Mark, Note, Panel, Series, Span, thinned
from tcomp.run.prepared import PreparedRun
from tcomp.table import CorrectionTable
from tcomp.units import SECONDS_PER_HOUR

Floats = NDArray[np.float64]
BAND = 2.0
"""Bands are drawn at k = 2."""
ALONG = 200
"""Temperatures at which a curve is drawn."""
CRYSTAL, SENSOR, SINCE = "crystal temperature [degC]", "sensor temperature [degC]", "time since the first sample [h]"


def gain(name: str, curve: Curve, fitted: pd.DataFrame) -> Chart:
    """Before and after: the offset as it is, trimmed once at the reference, and what is left when corrected."""
    at_reference = curve.offset_ppb(np.array([curve.reference_c]))[0]
    p95_ppb = curve.held_out.p95_ppb
    return Chart(
        "gain",
        "What does the correction gain?",
        "Offset against crystal temperature, before and after correction",
        f"Above: {name} trimmed once, at {curve.reference_c:g} degC. Below: the same samples corrected, each sweep by a curve "
        "learnt without it. Mind the two scales.",
        CRYSTAL,
        (
            Panel("uncorrected [ppb]", tuple(_legs(fitted, "crystal_c", fitted["corrected_ppb"] - at_reference))),
            Panel(
                "corrected [ppb]",
                tuple(_legs(fitted, "crystal_c", fitted["held_out_ppb"])),
                levels=(Level("95 % of single samples lie between", p95_ppb), Level("", -p95_ppb))
                if np.isfinite(p95_ppb)
                else (),
            ),
        ),
    )


def curve_and_residuals(curve: Curve, fitted: pd.DataFrame) -> Chart:
    """The curve that the crystal saw among its samples, and what is left of them."""
    along_c = np.linspace(curve.low_c, curve.high_c, ALONG)
    centre_ppb = curve.offset_ppb(along_c)
    sample_ppb, curve_ppb = (BAND * curve.uncertainty_ppb(along_c, new_sample=new) for new in (True, False))
    size = residual_size(curve, fitted)
    used, off = fitted[fitted["used"]], fitted[fitted["residual_ppb"].notna() & ~fitted["used"]]
    no_weight = Series(
        "no weight (far ones at the edge)", _of(off, "crystal_c"), _of(off, "residual_ppb"), "square", "dropped"
    )
    return Chart(
        "curve",
        "Does the curve fit at every temperature?",
        "Offset and residuals against crystal temperature",
        "Above: the samples with lag, base and ageing taken off, and the curve. Below: what is left of each sample. A shape "
        "that heating and cooling share is a curve that is too simple; a gap between the two is lag or hysteresis that is not "
        "taken off.",
        CRYSTAL,
        (
            Panel(
                "offset, base and ageing off [ppb]",
                (*_legs(fitted, "crystal_c", fitted["corrected_ppb"]), Series("curve", along_c, centre_ppb, "line", "curve")),
                (Band("", along_c, centre_ppb - sample_ppb, centre_ppb + sample_ppb, "curve"),),
            ),
            Panel(
                "sample minus curve [ppb]",
                (*_legs(used, "crystal_c", used["residual_ppb"]), *((no_weight,) if len(off) else ())),
                (Band("curve, k = 2", along_c, -curve_ppb, curve_ppb, "curve"),),
                spans=tuple(
                    Span("activity dip", dip.temperature_c - dip.width_c / 2, dip.temperature_c + dip.width_c / 2)
                    for dip in curve.dips
                ),
                notes=tuple(Note(f"dip at {dip.temperature_c:.1f} degC", dip.temperature_c, 0.93 * size) for dip in curve.dips),
                shown=(-size, size),
            ),
        ),
        explored=True,
    )  # fmt: skip


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
        explored=True,
    )


def table_error(curve: Curve, table: CorrectionTable, rival: CorrectionTable | None) -> Chart:
    """What the integer lookup returns less the curve, over every code of the range."""
    codes = table.codes
    at_c = table.temperature_of(codes)
    truth_ppb = curve.offset_ppb(at_c)
    knots_c = table.temperature_of(table.knot_codes[table.in_range(table.knot_codes)])
    error_ppb = _ppb(table, codes) - truth_ppb
    series = [Series(f"this table, {table.bytes} bytes", at_c, error_ppb, "line", "cooling")]
    if rival is not None and rival.bytes != table.bytes:
        label = f"plainly sampled, {rival.bytes} bytes"
        series.append(Series(label, at_c, _ppb(rival, codes) - truth_ppb, "dotted", "gold"))
    if knots_c.size:
        series.append(Series("entries", knots_c, np.zeros(knots_c.size), "tick", "ink"))
    worst_ppb = table.max_error_ppb
    return Chart(
        "table",
        "How far is the table from the curve, code by code?",
        "Error of the table over all codes",
        "Table minus curve at every code of the range; dashed: the largest error.",
        "code as temperature [degC]",
        (
            Panel(
                "table minus curve [ppb]",
                tuple(series),
                levels=(Level("largest error", worst_ppb), Level("", -worst_ppb)),
            ),
        ),
        explored=True,
    )


def run_against_time(place: int, prepared: PreparedRun, curve: Curve, most: int) -> Chart:
    """Temperature and offset of one run against time, with what was dropped, gaps, and jumps; so many points at most."""
    run = prepared.run
    frame, unordered = run.frame, run.time_kind == "none"
    start_s = frame["time_s"].min()

    def hours(time_s: Any) -> Any:
        return (time_s - start_s) / SECONDS_PER_HOUR

    along = frame["temperature_c"] if unordered else hours(frame["time_s"])
    last_s = frame["time_s"].max()
    lines = tuple(
        Level("jump of the crystal", float(hours(j.time_s)), upright=True)
        for j in curve.jumps
        if start_s <= j.time_s <= last_s
    )
    gaps = tuple(Span("gap", float(hours(gap.start_s)), float(hours(gap.end_s))) for gap in run.gaps)
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


def _logged(words: str, frame: pd.DataFrame, column: str, along: pd.Series[Any], most: int) -> Panel:
    """What was kept, and what was dropped, which makes the scale no wider than it needs be."""
    gone = (frame["dropped"] != "").to_numpy()
    kept = frame.loc[~gone, column]
    room = 0.15 * (kept.max() - kept.min()) or 1.0
    series = [Series("kept", along[~gone].to_numpy(float), kept.to_numpy(float), "dot", "curve")]
    at, dropped = along[gone].to_numpy(float), frame.loc[gone, column].to_numpy(float)
    if np.isfinite(at).any():
        series.append(Series("dropped (far ones at the edge)", at, dropped, "square", "dropped"))
    shown = (float(kept.min() - room), float(kept.max() + room))
    return Panel(words, tuple(thinned(one, most) for one in series), shown=shown)


def _ppb(table: CorrectionTable, codes: NDArray[np.int64]) -> Floats:
    return np.asarray(table.offset_ppt(codes) / 1000.0)


def _of(frame: pd.DataFrame, column: str) -> Floats:
    return frame[column].to_numpy(dtype=np.float64)


DIRECTIONS: tuple[tuple[str, int, Mark, str], ...] = (
    ("heating", 1, "dot", "heating"),
    ("cooling", -1, "dash", "cooling"),
    ("unordered", 0, "dot", "curve"),
)


def _legs(fitted: pd.DataFrame, x: str, y: pd.Series[Any]) -> Iterator[Series]:
    """Samples by the direction of the sweep that they belong to."""
    way = np.sign(fitted.groupby("sweep")["direction"].transform("first"))
    for words, sign, mark, colour in DIRECTIONS:
        here = way == sign
        if here.any():
            yield Series(words, _of(fitted[here], x), y[here].to_numpy(dtype=np.float64), mark, colour)
