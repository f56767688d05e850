"""Samples that cannot be true are dropped, each with its reason; what only looks odd stays.

A frequency jump, an activity dip, a steep ramp and a coarse sensor are what the oscillator and its
surroundings really did: nothing here is held against a fitted curve, only against near neighbours.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.run.neighbours import gap_before, neighbour_values, quantum_of, row_median, segments_of
from tcomp.run.quantity import LARGEST_OFFSET_PPB
from tcomp.run.record import GAP_INTERVALS, CleanRun, Gap, RawRun
from tcomp.run.sensor import POSSIBLE_C
from tcomp.units import SECONDS_PER_HOUR

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

NOT_A_NUMBER = "not a number"
TIME_REPEATED = "time repeated"
TIME_BACKWARDS = "time backwards"
IMPOSSIBLE = "impossible value"
OUT_OF_RANGE = "sensor out of range"
STUCK_SENSOR = "stuck sensor"
STUCK_COUNTER = "stuck counter"
OUTLIER = "outlier"

STUCK_SAMPLES = 10
"""So many equal values in a row may be stuck, if they are left or entered by a jump."""

GLITCH_SAMPLES = 3
"""So few are stuck already if they are both entered and left by a jump."""

JITTER_S = 30.0
"""By how much the interval may be off where the clock is set back: a logger that is late, not another time. [s]"""

OUTLIER_SCALES = 6.0
NEIGHBOURS_IN_TIME = 3
NEIGHBOURS_IN_TEMPERATURE = 7
NORMAL_DEVIATION = {NEIGHBOURS_IN_TIME: 2.42, NEIGHBOURS_IN_TEMPERATURE: 2.16}
"""Standard deviation of normal noise in medians of the deviation below, by neighbours (by simulation)."""

LEAST_SCALE_C = 0.001
LEAST_SCALE_PPB = 0.01
"""Deviations on this scale are never gross, however quiet the run."""


def clean_run(raw: RawRun, resolution_c: float | None = None) -> CleanRun:
    """Tell which samples to keep, and why not the others.

    The reasons are tried in this order, each on what is left: "sensor out of range" (a resistance or
    code that the sensor cannot have: an infinite temperature); "not a number"; "time repeated" and
    "time backwards" (the longest increasing sequence of times is kept, so that one wild stamp does
    not cost all that follow it); "impossible value" (beyond 2000 ppm, or -100 to 200 degC); "stuck
    sensor" and "stuck counter" (equal values that end or begin with a jump); "outlier" (far from the
    neighbours on both sides).

    Parameters
    ----------
    raw : RawRun
        The run as logged.
    resolution_c : float, default=None
        Step of the sensor's values [degC]; None: found from the data.

    Raises
    ------
    RunError
        No sample is left, or all have one temperature.
    """
    time_s, temperature_c, offset_ppb = (
        raw.frame[name].to_numpy(dtype=np.float64) for name in ("time_s", "temperature_c", "offset_ppb")
    )
    ordered = raw.time_kind != "none"
    dropped = np.full(len(raw.frame), "", dtype=object)
    finite = np.isfinite(temperature_c) & np.isfinite(offset_ppb) & (np.isfinite(time_s) | (not ordered))
    dropped[~finite] = NOT_A_NUMBER
    dropped[np.isinf(temperature_c)] = OUT_OF_RANGE
    if ordered:
        _drop_unordered_times(time_s, dropped)
    impossible = (np.abs(offset_ppb) > LARGEST_OFFSET_PPB) | ~_within(temperature_c, POSSIBLE_C)
    dropped[impossible & (dropped == "")] = IMPOSSIBLE
    left = dropped == ""
    quantum_c = resolution_c if resolution_c is not None else quantum_of(temperature_c[left])
    if ordered:
        _drop_stuck(time_s, temperature_c, quantum_c, dropped, STUCK_SENSOR)
        _drop_stuck(time_s, offset_ppb, quantum_of(offset_ppb[left]), dropped, STUCK_COUNTER)
        _drop_outliers_in_time(time_s, temperature_c, offset_ppb, quantum_c, dropped)
    else:
        _drop_outliers_in_temperature(temperature_c, offset_ppb, dropped)
    frame = raw.frame.assign(dropped=pd.Series(dropped, index=raw.frame.index, dtype=str))
    gaps, interval_s = _gaps(time_s[dropped == ""]) if ordered else ((), float("nan"))
    said = (*raw.assumptions, *_daylight_saving(raw, interval_s)) if raw.time_kind == "clock" else raw.assumptions
    run = CleanRun(raw.name, raw.time_kind, frame, gaps, said, interval_s, quantum_c)
    _refuse_useless(run)
    return run


def _within(values: Floats, limits: tuple[float, float]) -> Mask:
    return np.asarray((values >= limits[0]) & (values <= limits[1]))


def _drop_unordered_times(time_s: Floats, dropped: NDArray[np.object_]) -> None:
    rows = np.flatnonzero(dropped == "")
    times = time_s[rows]
    if np.all(np.diff(times) > 0):
        return
    kept = longest_increasing(times)
    before = np.concatenate([[-np.inf], times[kept]])[np.cumsum(kept)]
    dropped[rows[~kept & (times == before)]] = TIME_REPEATED
    dropped[rows[~kept & (times != before)]] = TIME_BACKWARDS


def _daylight_saving(raw: RawRun, interval_s: float) -> tuple[str, ...]:
    """What is said of a clock that goes back by whole hours and runs on from there."""
    rows = raw.frame[np.isfinite(raw.frame["time_s"])]
    step_s, line = np.diff(rows["time_s"]), rows["line"].to_numpy()[1:]
    hours = np.round((interval_s - step_s) / SECONDS_PER_HOUR)
    whole = np.abs(interval_s - step_s - hours * SECONDS_PER_HOUR) <= min(interval_s / 2, JITTER_S)
    runs_on = np.append(step_s[1:] < GAP_INTERVALS * interval_s, True)  # a wild stamp would come back
    back = np.flatnonzero((hours >= 1) & whole & runs_on)
    if not back.size:
        return ()
    by = "an hour" if hours[back[0]] == 1 else f"{hours[back[0]]:.0f} hours"
    return (
        f"At line {line[back[0]]} the times go back by exactly {by}, as local time does where daylight saving ends, and what "
        "stands twice is dropped: log in UTC.",
    )


def longest_increasing(times: Floats) -> Mask:
    """Which values form the longest strictly increasing sequence; of equal ones the first.

    Patience sorting: ``ends[k]`` is the smallest value that ends a sequence of k + 1.

    Examples
    --------
    One wild stamp ahead costs itself alone:

    >>> longest_increasing(np.array([1.0, 2.0, 99.0, 3.0, 3.0, 4.0])).tolist()
    [True, True, False, True, False, True]
    """
    ends: list[float] = []
    rows: list[int] = []
    previous = np.full(len(times), -1)
    for row, time in enumerate(times.tolist()):
        at = len(ends) if not ends or time > ends[-1] else bisect_left(ends, time)
        if at == len(ends):
            ends.append(time)
            rows.append(row)
        elif time < ends[at]:
            ends[at], rows[at] = time, row
        else:
            continue
        previous[row] = rows[at - 1] if at else -1
    kept = np.zeros(len(times), dtype=bool)
    row = rows[-1] if rows else -1
    while row >= 0:
        kept[row] = True
        row = int(previous[row])
    return kept


def _drop_stuck(time_s: Floats, values: Floats, quantum: float, dropped: NDArray[np.object_], reason: str) -> None:
    """Drop stretches of one value that begin or end with a jump (no gap there).

    A jump exceeds five times the run's largest usual step, and three quanta.
    """
    rows = np.flatnonzero(dropped == "")
    if len(rows) < STUCK_SAMPLES:
        return
    value, after_gap = values[rows], gap_before(time_s[rows])
    step = np.abs(np.diff(value, prepend=value[0]))
    # The median of five steps is blind to single outliers, not to ramps.
    usual = np.percentile(row_median(neighbour_values(step, segments_of(time_s[rows]), range(-2, 3))), 99)
    jump = (step > max(5.0 * usual, 3.0 * quantum)) & ~after_gap
    starts = np.flatnonzero((step > 0) | (np.arange(len(rows)) == 0))
    lengths = np.diff(np.append(starts, len(rows)))
    entered, left = jump[starts], np.append(jump[starts[1:]], False)
    long = lengths >= STUCK_SAMPLES
    stuck = (long & (entered | left)) | ((lengths >= GLITCH_SAMPLES) & entered & left)
    if reason == STUCK_COUNTER and np.sum(lengths[long & ~stuck]) > 0.01 * len(rows):
        return  # resolved so coarsely that equal values in a row are usual
    dropped[rows[np.repeat(stuck, lengths)]] = reason


def _drop_outliers_in_time(
    time_s: Floats, temperature_c: Floats, offset_ppb: Floats, quantum_c: float, dropped: NDArray[np.object_]
) -> None:
    rows = np.flatnonzero(dropped == "")
    segment = segments_of(time_s[rows])
    scale_ppb = max(LEAST_SCALE_PPB, quantum_of(offset_ppb[rows]))
    outlier = is_outlier(temperature_c[rows], segment, max(LEAST_SCALE_C, quantum_c), NEIGHBOURS_IN_TIME)
    outlier |= is_outlier(offset_ppb[rows], segment, scale_ppb, NEIGHBOURS_IN_TIME)
    dropped[rows[outlier]] = OUTLIER


def _drop_outliers_in_temperature(temperature_c: Floats, offset_ppb: Floats, dropped: NDArray[np.object_]) -> None:
    rows = np.flatnonzero(dropped == "")
    rows = rows[np.argsort(temperature_c[rows], kind="stable")]
    scale_ppb = max(LEAST_SCALE_PPB, quantum_of(offset_ppb[rows]))
    segment = np.zeros(len(rows), dtype=np.int64)
    dropped[rows[is_outlier(offset_ppb[rows], segment, scale_ppb, NEIGHBOURS_IN_TEMPERATURE)]] = OUTLIER


def is_outlier(values: Floats, segment: NDArray[np.int64], least_scale: float, reach: int) -> Mask:
    """Which values lie far from their neighbours on both sides.

    The deviation is the smallest of three: from the median of the neighbours before, of those after,
    and from the middle of these two.  So neither the samples beside a jump nor those on a ramp
    deviate; nor does an error of two or three samples' worth of a ramp, which is not gross.  The
    deviation is held against the larger of two scales: the median of all deviations in the run, and
    the upper quartile of the neighbours' own about their slope, large where a narrow dip is passed.

    Parameters
    ----------
    values : ndarray of shape (n,)
    segment : ndarray of shape (n,)
        Samples of different segments are no neighbours.
    least_scale : float
        A scale below it is not believed; the quantum of the values.
    reach : int
        Neighbours looked at on either side.
    """
    if len(values) == 0:
        return np.zeros(0, dtype=bool)
    before = neighbour_values(values, segment, range(-reach, 0))
    after = neighbour_values(values, segment, range(1, reach + 1))
    low, high = row_median(before), row_median(after)
    away = np.abs(np.stack([values - low, values - high, values - (low + high) / 2]))
    deviation = np.fmin.reduce(away)
    steps = np.concatenate([np.arange(-reach, 0), np.arange(1, reach + 1)])
    slope = np.nan_to_num((high - low) / (reach + 1))  # the medians lie reach + 1 samples apart
    around = np.concatenate([before, after], axis=1) - slope[:, np.newaxis] * steps
    told = np.sum(~np.isnan(around), axis=1) >= NEIGHBOURS_IN_TIME
    usual = float(np.median(deviation[told])) if told.any() else 0.0
    scale = np.maximum(max(least_scale, NORMAL_DEVIATION[reach] * usual), _upper_quartile_apart(around))
    return np.asarray(told & (deviation > OUTLIER_SCALES * scale))


def _upper_quartile_apart(around: Floats) -> Floats:
    """How far the values of each row lie from their median: the upper quartile, NaN left out."""
    apart = np.sort(np.abs(around - row_median(around)[:, np.newaxis]), axis=1)
    count = np.sum(~np.isnan(apart), axis=1, keepdims=True)
    at = np.maximum(np.ceil(0.75 * count).astype(np.int64) - 1, 0)
    return np.asarray(np.take_along_axis(apart, at, axis=1)[:, 0])


def _gaps(time_s: Floats) -> tuple[tuple[Gap, ...], float]:
    ends = np.flatnonzero(gap_before(time_s))
    interval_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else float("nan")
    return tuple(Gap(float(time_s[end - 1]), float(time_s[end])) for end in ends), interval_s


def _refuse_useless(run: CleanRun) -> None:
    counts = ", ".join(f"{reason}: {count}" for reason, count in run.dropped_counts.items())
    if run.kept.empty:
        raise RunError(
            f"{run.name}: no sample is left of {len(run.frame)} ({counts}); check the columns in the job file"
        )
    kept_c = run.kept["temperature_c"]
    if kept_c.min() == kept_c.max():
        raise RunError(
            f"{run.name}: all {len(kept_c)} kept samples have the temperature {kept_c[0]:g} degC, so nothing can be "
            "learnt of it; check the temperature column, and that the sensor was read anew for each sample"
        )
