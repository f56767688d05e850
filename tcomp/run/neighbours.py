"""Each sample's neighbours, as far as no gap lies between."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tcomp.run.record import GAP_INTERVALS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]


def gap_before(time_s: Floats) -> NDArray[np.bool_]:
    """Whether a gap lies between a sample and the one before it, for increasing times."""
    gap = np.zeros(len(time_s), dtype=bool)
    step_s = np.diff(time_s)
    # The median is no less than the least step, so even steps need none.
    if len(time_s) > 1 and step_s.max() > GAP_INTERVALS * step_s.min():
        gap[1:] = step_s > GAP_INTERVALS * np.median(step_s)
    return gap


def segments_of(time_s: Floats) -> Ints:
    """Number of the stretch without gaps that each sample lies in, from 0."""
    return np.cumsum(gap_before(time_s), dtype=np.int64)


def neighbour_values(values: Floats, segment: Ints, steps: range, rows: Ints | None = None) -> Floats:
    """Values some steps away from each sample, or from the samples of some rows; NaN where they lie in another segment.

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


def row_median(matrix: Floats) -> Floats:
    """Median of each row without its NaN; NaN for a row of NaN alone.  (numpy's own is far slower.)

    >>> row_median(np.array([[3.0, np.nan, 1.0], [np.nan, np.nan, np.nan]])).tolist()
    [2.0, nan]
    """
    ordered = np.sort(matrix, axis=1)
    count = np.sum(~np.isnan(matrix), axis=1, keepdims=True)
    low = np.take_along_axis(ordered, np.maximum(count - 1, 0) // 2, axis=1)
    high = np.take_along_axis(ordered, np.minimum(count // 2, matrix.shape[1] - 1), axis=1)
    return np.asarray((low + high)[:, 0] / 2)


def quantum_of(values: Floats) -> float:
    """The step in which values come, 0 if they show none.

    Distances between distinct values are whole multiples of the smallest, or most of them are about
    equal (a binary sensor printed with few decimals).  A noiseless ramp does the same but never
    stands still, so its step is no quantum.

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
