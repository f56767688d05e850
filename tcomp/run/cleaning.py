"""Samples that cannot be true are dropped, each with its reason; what only looks odd stays.

A frequency jump, an activity dip, a steep ramp and a coarse sensor are what the oscillator and its
surroundings really did: nothing here is held against a fitted curve, only against near neighbours.
"""

from __future__ import annotations

from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.run.neighbours import Floats, Ints, Mask, gap_before, neighbour_values, quantum_of, row_median, segments_of
from tcomp.run.outliers import NEIGHBOURS_IN_TEMPERATURE, NEIGHBOURS_IN_TIME, is_outlier
from tcomp.run.quantity import LARGEST_OFFSET_PPB
from tcomp.run.record import GAP_INTERVALS, CleanRun, Gap, RawRun
from tcomp.run.sensor import POSSIBLE_C
from tcomp.units import SECONDS_PER_HOUR

Codes = NDArray[np.int8]
"""Why each sample is dropped, as a place in REASONS; 0: it is kept."""

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
"""So many equal values in a row may be stuck, if they are left or entered by a jump."""

GLITCH_SAMPLES = 3
"""So few are stuck already if they are both entered and left by a jump."""

JITTER_S = 30.0
"""By how much the interval may be off where the clock is set back: a logger that is late, not another time. [s]"""

SHARE_ASKED = 8
"""Of a run's steps one part in so many is asked first whether they are as large as those that might be jumps."""
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
    import pandas as pd

    time_s, temperature_c, offset_ppb = (
        raw.frame[name].to_numpy(dtype=np.float64) for name in ("time_s", "temperature_c", "offset_ppb")
    )
    ordered = raw.time_kind != "none"
    dropped, quantum_c = faults(time_s, temperature_c, offset_ppb, ordered=ordered, quantum_c=resolution_c)
    reasons = pd.Series(np.array(REASONS, dtype=object)[dropped], index=raw.frame.index, dtype=str)
    gaps, interval_s = gaps_of(time_s[dropped == 0]) if ordered else ((), float("nan"))
    said = (*raw.assumptions, *_daylight_saving(raw, interval_s)) if raw.time_kind == "clock" else raw.assumptions
    frame = raw.frame.assign(dropped=reasons)
    run = CleanRun(raw.name, raw.time_kind, frame, gaps, said, interval_s, quantum_c)
    refuse_useless(run)
    return run


def faults(
    time_s: Floats,
    temperature_c: Floats,
    offset_ppb: Floats,
    *,
    ordered: bool,
    quantum_c: float | None = None,
    quantum_ppb: float | None = None,
) -> tuple[Codes, float]:
    """Why each sample of a run, or of a part of one, is to be dropped; and the step of its temperatures. [degC]

    Steps that are not given are found from the data.  Arrays are (n,).
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
    found_c = quantum_of(temperature_c[_left(dropped)]) if quantum_c is None else quantum_c

    def step_ppb() -> float:
        return quantum_of(offset_ppb[_left(dropped)]) if quantum_ppb is None else quantum_ppb

    if ordered:
        _drop_stuck(time_s, temperature_c, found_c, dropped, STUCK_SENSOR)
        _drop_stuck(time_s, offset_ppb, step_ppb(), dropped, STUCK_COUNTER)
        _drop_outliers_in_time(time_s, temperature_c, offset_ppb, found_c, step_ppb(), dropped)
    else:
        _drop_outliers_in_temperature(temperature_c, offset_ppb, step_ppb(), dropped)
    return dropped, found_c


def _left(dropped: Codes) -> Ints | slice:
    """The samples that are kept so far; all of them as a slice, which copies nothing."""
    return np.flatnonzero(dropped == 0) if dropped.any() else slice(None)


def _drop(dropped: Codes, left: Ints | slice, fault: Mask, reason: str) -> None:
    """Drop some of what was left."""
    if fault.any():
        rows = np.arange(len(dropped))[left]
        dropped[rows[fault]] = _CODE[reason]


def _within(values: Floats, limits: tuple[float, float]) -> Mask:
    return np.asarray((values >= limits[0]) & (values <= limits[1]))


def _drop_unordered_times(time_s: Floats, dropped: Codes) -> None:
    left = _left(dropped)
    times = time_s[left]
    if np.all(np.diff(times) > 0):
        return
    kept = longest_increasing(times)
    before = np.concatenate([[-np.inf], times[kept]])[np.cumsum(kept)]
    _drop(dropped, left, ~kept & (times == before), TIME_REPEATED)
    _drop(dropped, left, ~kept & (times != before), TIME_BACKWARDS)


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


def _drop_stuck(time_s: Floats, values: Floats, quantum: float, dropped: Codes, reason: str) -> None:
    """Drop stretches of one value that begin or end with a jump (no gap there).

    A jump exceeds five times the run's largest usual step, and three quanta.
    """
    left = _left(dropped)
    value, time_s = values[left], time_s[left]
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
        return  # resolved so coarsely that equal values in a row are usual
    _drop(dropped, left, np.repeat(stuck, lengths), reason)


def _jumps(step: Floats, time_s: Floats, quantum: float, edges: Ints) -> Mask:
    """Which steps are jumps; those at the edges of the stretches in question are asked first, as most are none."""
    segment = segments_of(time_s)
    largest = float(step[edges].max())
    part = slice(0, len(step) // SHARE_ASKED)
    reached = np.count_nonzero(_usual_steps(step[part], segment[part]) >= largest / 5.0)
    # The 99th percentile is at least what so many reach.
    if reached > 0.01 * len(step) + 2:
        return np.zeros(len(step), dtype=bool)
    usual = np.percentile(_usual_steps(step, segment), 99)
    return np.asarray((step > max(5.0 * usual, 3.0 * quantum)) & ~gap_before(time_s))


def _usual_steps(step: Floats, segment: Ints) -> Floats:
    """The median of five steps about each: blind to single outliers, not to ramps."""
    return row_median(neighbour_values(step, segment, range(-2, 3)))


def _drop_outliers_in_time(
    time_s: Floats, temperature_c: Floats, offset_ppb: Floats, quantum_c: float, quantum_ppb: float, dropped: Codes
) -> None:
    left = _left(dropped)
    segment = segments_of(time_s[left])
    outlier = is_outlier(temperature_c[left], segment, max(LEAST_SCALE_C, quantum_c), NEIGHBOURS_IN_TIME)
    outlier |= is_outlier(offset_ppb[left], segment, max(LEAST_SCALE_PPB, quantum_ppb), NEIGHBOURS_IN_TIME)
    _drop(dropped, left, outlier, OUTLIER)


def _drop_outliers_in_temperature(
    temperature_c: Floats, offset_ppb: Floats, quantum_ppb: float, dropped: Codes
) -> None:
    rows = np.flatnonzero(dropped == 0)
    rows = rows[np.argsort(temperature_c[rows], kind="stable")]
    segment = np.zeros(len(rows), dtype=np.int64)
    scale_ppb = max(LEAST_SCALE_PPB, quantum_ppb)
    _drop(dropped, rows, is_outlier(offset_ppb[rows], segment, scale_ppb, NEIGHBOURS_IN_TEMPERATURE), OUTLIER)


def gaps_of(time_s: Floats) -> tuple[tuple[Gap, ...], float]:
    """The gaps between samples, and the median interval [s]."""
    ends = np.flatnonzero(gap_before(time_s))
    interval_s = float(np.median(np.diff(time_s))) if len(time_s) > 1 else float("nan")
    return tuple(Gap(float(time_s[end - 1]), float(time_s[end])) for end in ends), interval_s


def refuse_useless(run: CleanRun) -> None:
    """Refuse a run that nothing can be learnt of.

    Raises
    ------
    RunError
        No sample is left, or all have one temperature.
    """
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
