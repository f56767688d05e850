"""The neighbours of each sample, where no gap lies between, and the outliers that no neighbour supports."""

from __future__ import annotations

import numpy as np

from tcomp.arrays import BoolArray, FloatArray, IntArray
from tcomp.logs.record import GAP_INTERVALS


def gap_before(time_s: FloatArray) -> BoolArray:
    """Whether a gap lies before each sample, for increasing times of shape (n,)."""
    gap = np.zeros(len(time_s), dtype=bool)
    step_s = np.diff(time_s)
    # The median is at least the smallest step, so nearly equal steps need no median.
    if len(time_s) > 1 and step_s.max() > GAP_INTERVALS * step_s.min():
        gap[1:] = step_s > GAP_INTERVALS * np.median(step_s)
    return gap


def segments_of(time_s: FloatArray) -> IntArray:
    """The number of the segment between gaps that holds each sample, from 0."""
    return np.cumsum(gap_before(time_s), dtype=np.int64)


def neighbour_values(values: FloatArray, segment: IntArray, steps: range, rows: IntArray | None = None) -> FloatArray:
    """Values some steps away from each sample, or from the samples ``rows``; NaN where they lie in another segment.

    Returns
    -------
    ndarray of shape (n, len(steps))
        Column j holds the value of sample i + steps[j].

    Examples
    --------
    >>> neighbour_values(np.array([1.0, 2.0, 3.0]), np.array([0, 0, 1]), range(-1, 2))
    array([[nan,  1.,  2.],
           [ 1.,  2., nan],
           [nan,  3., nan]])
    """
    count = len(values)
    if rows is not None:
        at = rows[:, np.newaxis] + np.asarray(steps)
        inside = np.clip(at, 0, count - 1)
        near = (at == inside) & (segment[inside] == segment[rows][:, np.newaxis])
        return np.where(near, values[inside], np.nan)
    found = np.full((count, len(steps)), np.nan)
    for column, step in enumerate(steps):
        here = slice(max(0, -step), max(0, count - max(0, step)))
        there = slice(max(0, step), max(0, count - max(0, -step)))
        found[here, column] = np.where(segment[here] == segment[there], values[there], np.nan)
    return found


def row_median(matrix: FloatArray) -> FloatArray:
    """Median of each row without its NaN; NaN for a row of NaN alone.  (`numpy.nanmedian` is far slower.)

    >>> row_median(np.array([[3.0, np.nan, 1.0], [np.nan, np.nan, np.nan]])).tolist()
    [2.0, nan]
    """
    ordered = np.sort(matrix, axis=1)
    count = np.sum(~np.isnan(matrix), axis=1, keepdims=True)
    low = np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis=1)
    high = np.take_along_axis(ordered, np.minimum(count // 2, matrix.shape[1] - 1), axis=1)
    return np.asarray((low + high)[:, 0] / 2)


def quantum_of(values: FloatArray) -> float:
    """The step (quantum) of values, 0 if none is visible.

    The distances between distinct values are whole multiples of the smallest, or most of them are about equal (a binary sensor
    printed with few decimals).  A noiseless ramp has such distances too, but never repeats a value, so its step is no quantum.

    Examples
    --------
    >>> quantum_of(np.array([20.0, 20.06, 20.06, 20.13, 20.13, 20.19, 20.25, 20.25, 20.31]))
    0.062
    >>> quantum_of(np.array([20.0, 20.5, 20.5, 22.0, 22.0]))
    0.5
    """
    distinct = np.unique(values)
    spacing = np.diff(distinct)
    spacing = spacing[spacing > 1e-9 * np.max(np.abs(values), initial=1.0)]
    if spacing.size < 2:
        return float(spacing[0]) if spacing.size else 0.0
    middle, smallest = float(np.median(spacing)), float(spacing.min())
    even = np.abs(spacing - middle) <= 0.2 * middle
    multiple = np.abs(spacing / smallest - np.round(spacing / smallest)) <= 0.02
    if multiple.mean() >= 0.95:
        quantum = smallest
    elif spacing.size >= 5 and even.mean() >= 0.6:
        quantum = float(spacing[even].mean())
    else:
        return 0.0
    step = np.abs(np.diff(values))
    ramp = step.min() > 0 and np.median(step) < 1.5 * quantum
    return 0.0 if ramp else float(np.round(quantum, 9))


OUTLIER_SCALES = 6.0
NEIGHBOURS_IN_TIME = 3
NEIGHBOURS_IN_TEMPERATURE = 7
NORMAL_DEVIATION = {NEIGHBOURS_IN_TIME: 2.42, NEIGHBOURS_IN_TEMPERATURE: 2.16}
"""Standard deviation of normal noise over the median of the deviation below, by number of neighbours (simulated)."""


def is_outlier(values: FloatArray, segment: IntArray, least_scale: float, reach: int) -> BoolArray:
    """Mask of the values that lie far from their neighbours on both sides.

    The deviation is the smallest of three: from the median of the neighbours before, from that of the neighbours after, and
    from the middle of the two.  So the samples next to a jump do not deviate, nor those on a ramp, nor an error as large as
    two or three samples of a ramp.  It is compared with the larger of two scales: the median of all deviations of the run, and
    the upper quartile of the neighbours' own deviations about their slope, which is large in a narrow dip.

    Parameters
    ----------
    values : ndarray of shape (n,)
    segment : ndarray of shape (n,)
        Samples of different segments are not neighbours.
    least_scale : float
        Lower limit of the scale: the quantum of the values.
    reach : int
        Number of neighbours on either side.
    """
    outlier = np.zeros(len(values), dtype=bool)
    if len(values) < 2 or _steps_too_small(values, least_scale, reach):
        return outlier
    deviation, known = _deviations(values, segment, reach)
    suspects = _suspects(deviation, known, least_scale, NORMAL_DEVIATION[reach])
    if suspects.size:
        usual = float(np.median(deviation[known]))
        scale = np.maximum(
            max(least_scale, NORMAL_DEVIATION[reach] * usual), _own_scale(values, segment, reach, suspects)
        )
        outlier[suspects] = deviation[suspects] > OUTLIER_SCALES * scale
    return outlier


def _steps_too_small(values: FloatArray, least_scale: float, reach: int) -> bool:
    """Whether no value can be an outlier: the median of the neighbours before it is at most ``reach`` steps away."""
    return bool(reach * np.abs(np.diff(values)).max() <= OUTLIER_SCALES * least_scale)


def _suspects(deviation: FloatArray, known: BoolArray, least_scale: float, normal: float) -> IntArray:
    """The few values beyond what the run's median deviation allows; only their neighbours need to be examined.

    A value that half of the deviations reach is at most that median, and is found faster.
    """
    if not known.any():
        return np.empty(0, dtype=np.int64)
    deviation = np.where(known, deviation, 0.0)
    enough = float(deviation.max()) / (OUTLIER_SCALES * normal)
    if 2 * int(np.count_nonzero(deviation >= enough)) > int(np.count_nonzero(known)) + 1:
        return np.empty(0, dtype=np.int64)
    usual = float(np.median(deviation[known]))
    return np.flatnonzero(deviation > OUTLIER_SCALES * max(least_scale, normal * usual))


def _deviations(values: FloatArray, segment: IntArray, reach: int) -> tuple[FloatArray, BoolArray]:
    """The deviation of each value from its neighbours, and whether it has enough of them."""
    count = len(values)
    deviation, known = np.zeros(count), np.ones(count, dtype=bool)
    edges = np.flatnonzero(np.diff(segment)) + 1
    near = np.zeros(count, dtype=bool)
    for edge in (0, *edges.tolist(), count):
        near[max(edge - reach, 0) : edge + reach] = True
    if reach == NEIGHBOURS_IN_TIME and count > 2 * reach:
        middle = _median_of_three(values)  # of the values before, at and after the second, third, ...
        deviation[reach:-reach] = _away(values[reach:-reach], middle[: -reach - 1], middle[reach + 1 :])
        rows = np.flatnonzero(near)
    else:
        rows = np.arange(count)
    before = neighbour_values(values, segment, range(-reach, 0), rows)
    after = neighbour_values(values, segment, range(1, reach + 1), rows)
    deviation[rows] = _away(values[rows], row_median(before), row_median(after))
    known[rows] = np.sum(~np.isnan(before), axis=1) + np.sum(~np.isnan(after), axis=1) >= NEIGHBOURS_IN_TIME
    return deviation, known


def _median_of_three(values: FloatArray) -> FloatArray:
    one, two, three = values[:-2], values[1:-1], values[2:]
    low, high = np.minimum(one, two), np.maximum(one, two)
    return np.asarray(np.maximum(low, np.minimum(high, three)))


def _away(values: FloatArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """The smallest distance to both medians and to their middle; a side without neighbours, which is NaN, is ignored."""
    from_one = np.fmin(np.abs(values - low), np.abs(values - high))
    return np.asarray(np.fmin(from_one, np.abs(values - (low + high) / 2)))


def _own_scale(values: FloatArray, segment: IntArray, reach: int, rows: IntArray) -> FloatArray:
    """The upper quartile of the neighbours' deviations from their median, about their slope, for each row."""
    before = neighbour_values(values, segment, range(-reach, 0), rows)
    after = neighbour_values(values, segment, range(1, reach + 1), rows)
    steps = np.concatenate([np.arange(-reach, 0), np.arange(1, reach + 1)])
    # The medians lie reach + 1 samples apart.
    slope = np.nan_to_num((row_median(after) - row_median(before)) / (reach + 1))
    around = np.concatenate([before, after], axis=1) - slope[:, np.newaxis] * steps
    apart = np.sort(np.abs(around - row_median(around)[:, np.newaxis]), axis=1)
    count = np.sum(~np.isnan(apart), axis=1, keepdims=True)
    at = np.maximum(np.ceil(0.75 * count).astype(np.int64) - 1, 0)
    return np.asarray(np.take_along_axis(apart, at, axis=1)[:, 0])
