"""Samples that cannot be true are dropped, each with its reason; samples that only look odd are kept.

Frequency jumps, activity dips, steep ramps and coarse sensors are real: samples are compared with their near neighbours only,
never with a fitted curve.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray

from tcomp.arrays import BoolArray, FloatArray, IntArray
from tcomp.errors import RunError
from tcomp.job.sensors import POSSIBLE_C
from tcomp.logs.frozen import frozen_stretches
from tcomp.logs.neighbours import (
    NEIGHBOURS_IN_TEMPERATURE,
    NEIGHBOURS_IN_TIME,
    gap_before,
    is_outlier,
    neighbour_values,
    quantum_of,
    row_median,
    segments_of,
)
from tcomp.logs.quantities import LARGEST_OFFSET_PPB
from tcomp.logs.record import GAP_INTERVALS, REGRESSOR, CleanRun, Gap, RawRun
from tcomp.logs.times import restart_of
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, short

Codes = NDArray[np.int8]
"""Why each sample is dropped, as an index into REASONS; 0: it is kept."""

NOT_A_NUMBER = "not a number"
TIME_REPEATED = "time repeated"
TIME_BACKWARDS = "time backwards"
IMPOSSIBLE = "impossible value"
OUT_OF_RANGE = "sensor out of range"
STUCK_SENSOR = "stuck sensor"
STUCK_COUNTER = "stuck counter"
OUTLIER = "outlier"
REASONS = (
    "", NOT_A_NUMBER, TIME_REPEATED, TIME_BACKWARDS, IMPOSSIBLE, OUT_OF_RANGE, STUCK_SENSOR, STUCK_COUNTER, OUTLIER,
)  # fmt: skip
_CODE = {reason: code for code, reason in enumerate(REASONS)}

STUCK_SAMPLES = 10
"""Length from which a stretch of one value is stuck, if it begins or ends with a jump."""

GLITCH_SAMPLES = 3
"""The same, for a stretch that begins and ends with a jump."""

JITTER_S = 30.0
"""Deviation of the interval that a late logger explains, where the clock is set back. [s]"""

FIRST_PART = 8
"""One part in so many of a run's steps is examined first: if it holds many steps as large as a suspected jump, there is none."""
CONSTANT_PPB = 1e-3
"""An offset within one ppt, the firmware's unit, does not depend on temperature: no free crystal is so still."""
MIN_SCALE_C = 0.001
MIN_SCALE_PPB = 0.01
"""Deviations on this scale are never outliers, however quiet the run."""


def clean_run(raw: RawRun, resolution_c: float | None = None) -> CleanRun:
    """Mark the samples to drop, each with its reason.

    The reasons are tested in this order, each on the samples that remain: "sensor out of range" (a resistance or code that the
    sensor cannot have: an infinite temperature); "not a number"; "time repeated" and "time backwards" (the longest increasing
    sequence of times is kept, so that one wrong time stamp does not drop all rows behind it); "impossible value" (beyond
    2000 ppm, or -100 to 200 degC); "stuck sensor" and "stuck counter" (equal values that begin or end with a jump); "outlier"
    (far from the neighbours on both sides).

    Parameters
    ----------
    raw : RawRun
        The run as logged.
    resolution_c : float, default=None
        Step of the sensor's values; None: found from the data. [degC]

    Raises
    ------
    RunError
        No sample is kept, or all have the same temperature; or the clock restarts, or is too coarse to separate the rows.
    """
    import pandas as pd

    time_s, temperature_c, offset_ppb = (
        raw.frame[name].to_numpy(dtype=np.float64) for name in ("time_s", "temperature_c", "offset_ppb")
    )
    ordered = raw.time_kind != "none"
    if ordered:
        refuse_disorder(raw)
    known_c = raw.quantum_c if resolution_c is None else resolution_c
    dropped, quantum_c = faults(time_s, temperature_c, offset_ppb, ordered=ordered, quantum_c=known_c)
    frozen = _drop_frozen(raw, dropped) if ordered else ()
    for name in raw.frame:
        if str(name).startswith(REGRESSOR):
            dropped[(dropped == 0) & ~np.isfinite(raw.frame[name].to_numpy(dtype=np.float64))] = _CODE[NOT_A_NUMBER]
    reasons = pd.Series(np.array(REASONS, dtype=object)[dropped], index=raw.frame.index, dtype=str)
    gaps, interval_s = gaps_of(time_s[dropped == 0]) if ordered else ((), float("nan"))
    assumptions = (
        (*raw.assumptions, *_daylight_saving(raw, interval_s)) if raw.time_kind == "clock" else raw.assumptions
    )
    swapped = _swapped_days(raw, interval_s) if raw.time_kind == "clock" else ()
    warnings = (*raw.warnings, *swapped, *frozen)
    frame = raw.frame.assign(dropped=reasons)
    quantum_ppb = quantum_of(offset_ppb[dropped == 0])
    run = CleanRun(
        raw.name,
        raw.time_kind,
        frame,
        gaps,
        assumptions,
        interval_s,
        quantum_c,
        quantum_ppb,
        _first(offset_ppb, dropped),
        warnings,
    )
    refuse_useless(run)
    return run


def faults(
    time_s: FloatArray,
    temperature_c: FloatArray,
    offset_ppb: FloatArray,
    *,
    ordered: bool,
    quantum_c: float | None = None,
    quantum_ppb: float | None = None,
) -> tuple[Codes, float]:
    """Why to drop each sample of a run, or of a part of one; and the step of its temperatures. [degC]

    Arrays have shape (n,).  Steps that are not given are found from the data.
    """
    dropped = np.zeros(len(time_s), dtype=np.int8)
    if not np.isfinite([temperature_c.sum(), offset_ppb.sum(), time_s.sum()]).all():
        finite = np.isfinite(temperature_c) & np.isfinite(offset_ppb) & (np.isfinite(time_s) | (not ordered))
        dropped[~finite] = _CODE[NOT_A_NUMBER]
        dropped[np.isinf(temperature_c)] = _CODE[OUT_OF_RANGE]
    if ordered:
        _drop_unordered_times(time_s, dropped)
    impossible = (np.abs(offset_ppb) > LARGEST_OFFSET_PPB) | ~_within(temperature_c, POSSIBLE_C)
    dropped[impossible & (dropped == 0)] = _CODE[IMPOSSIBLE]
    found_c = quantum_of(temperature_c[_remaining(dropped)]) if quantum_c is None else quantum_c

    def step_ppb() -> float:
        return quantum_of(offset_ppb[_remaining(dropped)]) if quantum_ppb is None else quantum_ppb

    if ordered:
        _drop_stuck(time_s, temperature_c, found_c, dropped, STUCK_SENSOR)
        _drop_stuck(time_s, offset_ppb, step_ppb(), dropped, STUCK_COUNTER)
        _drop_outliers_in_time(time_s, temperature_c, offset_ppb, found_c, step_ppb(), dropped)
    else:
        _drop_outliers_in_temperature(temperature_c, offset_ppb, step_ppb(), dropped)
    return dropped, found_c


def _first(values: FloatArray, dropped: Codes) -> float:
    """The first value that is kept; NaN where none is."""
    kept = np.flatnonzero(dropped == 0)
    return float(values[kept[0]]) if kept.size else float("nan")


def _remaining(dropped: Codes) -> IntArray | slice:
    """The samples that are not dropped so far; all of them as a slice, which copies nothing."""
    return np.flatnonzero(dropped == 0) if dropped.any() else slice(None)


def _drop(dropped: Codes, remaining: IntArray | slice, fault: BoolArray, reason: str) -> None:
    """Drop some of the remaining samples."""
    if fault.any():
        rows = np.arange(len(dropped))[remaining]
        dropped[rows[fault]] = _CODE[reason]


def _within(values: FloatArray, limits: tuple[float, float]) -> BoolArray:
    return np.asarray((values >= limits[0]) & (values <= limits[1]))


def _drop_unordered_times(time_s: FloatArray, dropped: Codes) -> None:
    remaining = _remaining(dropped)
    times = time_s[remaining]
    if np.all(np.diff(times) > 0):
        return
    kept = longest_increasing(times)
    before = np.concatenate([[-np.inf], times[kept]])[np.cumsum(kept)]
    _drop(dropped, remaining, ~kept & (times == before), TIME_REPEATED)
    _drop(dropped, remaining, ~kept & (times != before), TIME_BACKWARDS)


REPEATED_SHARE = 0.3
"""Share of rows with the time of the row before, from which the clock is too coarse."""
MIN_REPEATED = 10


def refuse_disorder(raw: RawRun) -> None:
    """Refuse a log of two runs, and one whose time stamps do not separate its rows.

    Raises
    ------
    RunError
        The clock goes back to its beginning and runs on from there, or many rows repeat the time of the row before.
    """
    time_s, line = _timed(raw)
    repeated = np.flatnonzero(np.diff(time_s) == 0) + 1
    if len(repeated) >= max(MIN_REPEATED, REPEATED_SHARE * len(time_s)):
        raise RunError(
            f"{raw.name}:{line[repeated[0]]}: {len(repeated)} of {len(time_s)} rows have the time of the row before, so the clock "
            "does not separate the rows; log finer times, or leave out `time` and give interval_s"
        )
    restart = restart_of(time_s)
    if restart is not None and not (
        raw.time_kind == "clock" and _is_end_of_summer(time_s[restart] - time_s[restart - 1])
    ):
        raise RunError(
            f"{raw.name}:{line[restart]}: the clock goes back from {time_s[restart - 1]:.10g} s to {time_s[restart]:.10g} s and "
            "runs on from there, so the log holds two runs; split it before this line, and give a [[run]] for each part"
        )


def _timed(raw: RawRun) -> tuple[FloatArray, IntArray]:
    """The times that are not missing [s], and their lines."""
    time_s, line = raw.frame["time_s"].to_numpy(dtype=np.float64), raw.frame["line"].to_numpy()
    timed = np.isfinite(time_s)
    return (time_s, line) if timed.all() else (time_s[timed], line[timed])


def _is_end_of_summer(step_s: float) -> bool:
    """Whether a clock goes back by one hour or two."""
    return any(abs(step_s + hours * SECONDS_PER_HOUR) <= JITTER_S for hours in (1, 2))


def _drop_frozen(raw: RawRun, dropped: Codes) -> tuple[str, ...]:
    """Drop the samples of a sensor that had stopped; return a warning for each stretch."""
    remaining = np.flatnonzero(dropped == 0)
    temperature_c, offset_ppb = (
        raw.frame[name].to_numpy(dtype=np.float64)[remaining] for name in ("temperature_c", "offset_ppb")
    )
    warnings = []
    for one in frozen_stretches(temperature_c, offset_ppb):
        dropped[remaining[one.start : one.stop]] = _CODE[STUCK_SENSOR]
        first, last = (int(raw.frame["line"].iloc[remaining[row]]) for row in (one.start, one.stop - 1))
        warnings.append(
            f"the sensor stands still at {temperature_c[one.start]:.4g} degC from line {first} to {last} while the offset moves by "
            f"some {short(one.moved_ppb)} ppb, so these {one.stop - one.start} samples are left out: see why the sensor stopped"
        )
    return tuple(warnings)


def _swapped_days(raw: RawRun, interval_s: float) -> tuple[str, ...]:
    """A warning where a clock jumps ahead by a month at a midnight, as when day and month are swapped."""
    time_s, line = _timed(raw)
    days, rest_s = np.divmod(np.diff(time_s), SECONDS_PER_DAY)
    midnight = np.floor(time_s[1:] / SECONDS_PER_DAY) * SECONDS_PER_DAY
    # A step to the next day becomes a step to the next month, less the day that has passed.
    jump = (days >= 27) & (days <= 30) & (rest_s <= GAP_INTERVALS * interval_s)
    jump &= time_s[1:] - midnight <= GAP_INTERVALS * interval_s
    if not jump.any():
        return ()
    at = int(np.argmax(jump))
    return (
        f"at line {line[at + 1]} the time jumps ahead by {days[at]:.0f} days from just before to just after a midnight: "
        "day and month are probably swapped; check time_format",
    )


def _daylight_saving(raw: RawRun, interval_s: float) -> tuple[str, ...]:
    """A remark where a clock goes back by whole hours and runs on from there."""
    rows = raw.frame[np.isfinite(raw.frame["time_s"])]
    step_s, line = np.diff(rows["time_s"]), rows["line"].to_numpy()[1:]
    hours = np.round((interval_s - step_s) / SECONDS_PER_HOUR)
    whole = np.abs(interval_s - step_s - hours * SECONDS_PER_HOUR) <= min(interval_s / 2, JITTER_S)
    runs_on = np.append(step_s[1:] < GAP_INTERVALS * interval_s, True)  # after a wrong stamp the times would return
    back = np.flatnonzero((hours >= 1) & whole & runs_on)
    if not back.size:
        return ()
    by = "an hour" if hours[back[0]] == 1 else f"{hours[back[0]]:.0f} hours"
    return (
        f"At line {line[back[0]]} the times go back by exactly {by}, as local time does when daylight saving ends; the repeated "
        "times are dropped: log in UTC.",
    )


def longest_increasing(times: FloatArray) -> BoolArray:
    """Mask of the longest strictly increasing sequence of values, of shape (n,); of equal values the first.

    Patience sorting: ``ends[k]`` is the smallest value that ends a sequence of k + 1.

    Examples
    --------
    One wrong value ahead drops itself alone:

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


def _drop_stuck(time_s: FloatArray, values: FloatArray, quantum: float, dropped: Codes, reason: str) -> None:
    """Drop stretches of one value that begin or end with a jump, unless a gap is there.

    A jump exceeds five times the run's largest usual step, and three quanta.
    """
    remaining = _remaining(dropped)
    value, time_s = values[remaining], time_s[remaining]
    step = np.abs(np.diff(value, prepend=value[:1]))
    if len(value) < STUCK_SAMPLES or step.max() <= 3.0 * quantum:
        return
    starts = np.flatnonzero((step > 0) | (np.arange(len(value)) == 0))
    lengths = np.diff(np.append(starts, len(value)))
    if lengths.max() < GLITCH_SAMPLES:
        return
    still = np.flatnonzero(lengths >= GLITCH_SAMPLES)
    jump = _jumps(step, time_s, quantum, starts[np.append(still, np.minimum(still + 1, len(starts) - 1))])
    entered, leaving = jump[starts], np.append(jump[starts[1:]], False)
    long = lengths >= STUCK_SAMPLES
    stuck = (long & (entered | leaving)) | ((lengths >= GLITCH_SAMPLES) & entered & leaving)
    if reason == STUCK_COUNTER and np.sum(lengths[long & ~stuck]) > 0.01 * len(value):
        return  # the steps are so coarse that equal values in a row are usual
    _drop(dropped, remaining, np.repeat(stuck, lengths), reason)


def _jumps(step: FloatArray, time_s: FloatArray, quantum: float, edges: IntArray) -> BoolArray:
    """Which steps are jumps.  Only steps at ``edges`` matter, and a part of the run may already show that they are usual."""
    segment = segments_of(time_s)
    largest = float(step[edges].max())
    part = slice(0, len(step) // FIRST_PART)
    reached = np.count_nonzero(_usual_steps(step[part], segment[part]) >= largest / 5.0)
    # So many steps reach it that the 99th percentile does too.
    if reached > 0.01 * len(step) + 2:
        return np.zeros(len(step), dtype=bool)
    usual = np.percentile(_usual_steps(step, segment), 99)
    return np.asarray((step > max(5.0 * usual, 3.0 * quantum)) & ~gap_before(time_s))


def _usual_steps(step: FloatArray, segment: IntArray) -> FloatArray:
    """The median of the five steps around each: it ignores single outliers, but not ramps."""
    return row_median(neighbour_values(step, segment, range(-2, 3)))


def _drop_outliers_in_time(
    time_s: FloatArray,
    temperature_c: FloatArray,
    offset_ppb: FloatArray,
    quantum_c: float,
    quantum_ppb: float,
    dropped: Codes,
) -> None:
    remaining = _remaining(dropped)
    segment = segments_of(time_s[remaining])
    outlier = is_outlier(temperature_c[remaining], segment, max(MIN_SCALE_C, quantum_c), NEIGHBOURS_IN_TIME)
    outlier |= is_outlier(offset_ppb[remaining], segment, max(MIN_SCALE_PPB, quantum_ppb), NEIGHBOURS_IN_TIME)
    _drop(dropped, remaining, outlier, OUTLIER)


def _drop_outliers_in_temperature(
    temperature_c: FloatArray, offset_ppb: FloatArray, quantum_ppb: float, dropped: Codes
) -> None:
    rows = np.flatnonzero(dropped == 0)
    rows = rows[np.argsort(temperature_c[rows], kind="stable")]
    segment = np.zeros(len(rows), dtype=np.int64)
    scale_ppb = max(MIN_SCALE_PPB, quantum_ppb)
    _drop(dropped, rows, is_outlier(offset_ppb[rows], segment, scale_ppb, NEIGHBOURS_IN_TEMPERATURE), OUTLIER)


def gaps_of(time_s: FloatArray) -> tuple[tuple[Gap, ...], float]:
    """The gaps between samples, and the median interval. [s]"""
    ends = np.flatnonzero(gap_before(time_s))
    interval_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else float("nan")
    return tuple(Gap(float(time_s[end - 1]), float(time_s[end])) for end in ends), interval_s


def refuse_useless(run: CleanRun) -> None:
    """Refuse a run that determines nothing.

    Raises
    ------
    RunError
        No sample is kept, or all have the same temperature or offset.
    """
    counts = ", ".join(f"{reason}: {count}" for reason, count in run.dropped_counts.items())
    if run.kept.empty:
        raise RunError(
            f"{run.name}: none of {len(run.frame)} samples is kept ({counts}); check the columns in the job file"
        )
    kept_c = run.kept["temperature_c"]
    if kept_c.min() == kept_c.max():
        raise RunError(
            f"{run.name}: all {len(kept_c)} kept samples have the temperature {kept_c[0]:g} degC, so they determine no curve; "
            "check the temperature column, and that the sensor was read for each sample"
        )
    kept_ppb = run.kept["offset_ppb"]
    if len(kept_ppb) >= STUCK_SAMPLES and kept_ppb.max() - kept_ppb.min() <= CONSTANT_PPB:
        raise RunError(
            f"{run.name}: all {len(kept_ppb)} kept samples have the offset {kept_ppb[0]:g} ppb, whatever the temperature: the "
            "counter probably runs on the oscillator that it measures; give it a reference of its own, and check the column "
            "of the reading and that its steps are fine enough" + "".join(f"; {one}" for one in run.warnings)
        )
