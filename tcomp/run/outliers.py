"""Values that no neighbour on either side bears out."""

from __future__ import annotations

import numpy as np

from tcomp.run.neighbours import Floats, Ints, Mask, neighbour_values, row_median

OUTLIER_SCALES = 6.0
NEIGHBOURS_IN_TIME = 3
NEIGHBOURS_IN_TEMPERATURE = 7
NORMAL_DEVIATION = {NEIGHBOURS_IN_TIME: 2.42, NEIGHBOURS_IN_TEMPERATURE: 2.16}
"""Standard deviation of normal noise in medians of the deviation below, by neighbours (by simulation)."""


def is_outlier(values: Floats, segment: Ints, least_scale: float, reach: int) -> Mask:
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
    outlier = np.zeros(len(values), dtype=bool)
    if len(values) < 2 or _steps_too_small(values, least_scale, reach):
        return outlier
    deviation, told = _deviations(values, segment, reach)
    suspects = _suspects(deviation, told, least_scale, NORMAL_DEVIATION[reach])
    if suspects.size:
        usual = float(np.median(deviation[told]))
        scale = np.maximum(
            max(least_scale, NORMAL_DEVIATION[reach] * usual), _own_scale(values, segment, reach, suspects)
        )
        outlier[suspects] = deviation[suspects] > OUTLIER_SCALES * scale
    return outlier


def _steps_too_small(values: Floats, least_scale: float, reach: int) -> bool:
    """Whether no value can be far from its neighbours: the median of those before is at most so many steps away."""
    return bool(reach * np.abs(np.diff(values)).max() <= OUTLIER_SCALES * least_scale)


def _suspects(deviation: Floats, told: Mask, least_scale: float, normal: float) -> Ints:
    """The few whose own neighbours need to be looked at: beyond what the run's median deviation allows.

    That median is at least a value that half of the deviations reach, which is told faster than the median itself.
    """
    if not told.any():
        return np.empty(0, dtype=np.int64)
    deviation = np.where(told, deviation, 0.0)
    enough = float(deviation.max()) / (OUTLIER_SCALES * normal)
    if 2 * int(np.count_nonzero(deviation >= enough)) > int(np.count_nonzero(told)) + 1:
        return np.empty(0, dtype=np.int64)
    usual = float(np.median(deviation[told]))
    return np.flatnonzero(deviation > OUTLIER_SCALES * max(least_scale, normal * usual))


def _deviations(values: Floats, segment: Ints, reach: int) -> tuple[Floats, Mask]:
    """How far each value lies from its neighbours, and whether there are enough of them to tell."""
    count = len(values)
    deviation, told = np.zeros(count), np.ones(count, dtype=bool)
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
    told[rows] = np.sum(~np.isnan(before), axis=1) + np.sum(~np.isnan(after), axis=1) >= NEIGHBOURS_IN_TIME
    return deviation, told


def _median_of_three(values: Floats) -> Floats:
    one, two, three = values[:-2], values[1:-1], values[2:]
    low, high = np.minimum(one, two), np.maximum(one, two)
    return np.asarray(np.maximum(low, np.minimum(high, three)))


def _away(values: Floats, low: Floats, high: Floats) -> Floats:
    """The smallest of the distances to both medians and to their middle; NaN of a side without neighbours left out."""
    from_one = np.fmin(np.abs(values - low), np.abs(values - high))
    return np.asarray(np.fmin(from_one, np.abs(values - (low + high) / 2)))


def _own_scale(values: Floats, segment: Ints, reach: int, rows: Ints) -> Floats:
    """The upper quartile of how far the neighbours of each row lie from their median, about their slope."""
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
