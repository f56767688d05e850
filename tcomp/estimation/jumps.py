"""Steps of the crystal's frequency: found, dated, and split at, never fitted through.

They are looked for twice.  A step far above the noise stands in the offset itself, from one sample to the next, and is
found there before anything is fitted: a curve that is fitted through it bends, and so do lag and ageing.  Smaller steps
are found in what the fit leaves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.arrays import MAD_TO_SD
from tcomp.estimation.samples import Samples
from tcomp.estimation.thermal_lag import segment_bounds
from tcomp.logs.neighbours import quantum_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REACH = 15
"""Samples to either side that a step is judged on."""
OUTSTANDING = 8.0
"""Size of a step against the usual of such differences, from which it is a candidate: with normal noise, once in
1e15 samples; the margin is for residuals that are not white."""


NEAR_REVERSAL_C = 5.0
"""A loop has come through within this (common practice, no source)."""
SUDDEN_NEAR_REVERSAL_C = 1.0
"""The same of a loop that comes through from one sample to the next."""
STILL_C = 0.1
"""A temperature that moves less than this share of the distance to the reversal brings no loop through."""
MIN_SIDE = 5
"""Samples that a sudden step needs to either side."""
SHARP_STEPS = 3
"""Steps between samples over which a sudden one may spread: a reading is a mean over its gate."""
MIN_SUDDEN = 1e-3
"""No smaller step is looked for: of an offset one ppt, the firmware's unit."""


@dataclass(frozen=True)
class Jump:
    """A step of the frequency: when, how high, and how well known. [s] [ppb]"""

    time_s: float
    height_ppb: float
    uncertainty_ppb: float


def candidate_steps(
    residual_ppb: Floats,
    bounds: list[tuple[int, int]],
    barred: NDArray[np.bool_],
    most: int = 3,
    least_ppb: float = 0.0,
) -> list[tuple[int, float]]:
    """Samples before which the residuals may step, with the step's height there, the most outstanding first.

    A straight line with a step is laid through the ``REACH`` samples to either side; residuals that
    drift are thus no steps.  Both edges of an activity dip are candidates too: whether the base
    stays elsewhere is for a fit to tell.

    Parameters
    ----------
    residual_ppb : ndarray of shape (n,)
        Residuals in order of time. [ppb]
    bounds : list of (start, stop)
        Runs.
    barred : ndarray of shape (n,)
        Where no step is looked for.
    most : int, default=3
        How many are returned.
    least_ppb : float, default=0
        Least standard deviation of a sample: that of the counter's rounding, which residuals that stand still do not show.

    Examples
    --------
    >>> r = np.random.default_rng(1).normal(size=400)
    >>> r[250:] += 8.0
    >>> [index for index, height_ppb in candidate_steps(r, [(0, 400)], np.zeros(400, dtype=bool))]
    [250]
    """
    place = np.arange(-REACH, REACH) + 0.5
    design = np.column_stack([np.ones_like(place), place, np.sign(place) / 2])
    step_row = np.linalg.pinv(design)[2]
    heights = np.zeros(residual_ppb.size)
    for start, stop in bounds:
        if stop - start > 2 * REACH:
            windows = np.lib.stride_tricks.sliding_window_view(residual_ppb[start:stop], 2 * REACH)
            heights[start + REACH : stop - REACH + 1] = windows @ step_row
    usual = max(MAD_TO_SD * float(np.median(np.abs(heights))), least_ppb * float(np.linalg.norm(step_row)))
    found: list[tuple[int, float]] = []
    size = np.where(barred, 0.0, np.abs(heights))
    while len(found) < most and usual > 0 and size.max() > OUTSTANDING * usual:
        index = int(np.argmax(size))
        found.append((index, float(heights[index])))
        size[max(index - 2 * REACH, 0) : index + 2 * REACH] = 0.0
    return found


def sudden_steps(
    values: Floats, bounds: list[tuple[int, int]], barred: NDArray[np.bool_], least: float, most: int
) -> list[tuple[int, float]]:
    """Samples before which a series itself steps and stays, with the step's height, the highest first.

    The difference to the sample before, less the median of such differences about it, is outstanding, and straight lines
    through the samples to either side lie as far apart as it.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Offsets [ppb], or temperatures [degC], in order of time.
    bounds : list of (start, stop)
        Stretches without gaps.
    barred : ndarray of shape (n,)
        Where no step is looked for.
    least : float
        Steps no higher than this are not looked for, in the unit of the values.
    most : int
        So many at most.

    Examples
    --------
    Invented: a ramp of 2 ppb from sample to sample with noise of 1 ppb, a gross error, and a step of 3000 ppb:

    >>> y = 2.0 * np.arange(400) + np.random.default_rng(1).normal(size=400)
    >>> y[100] += 500.0
    >>> y[250:] += 3000.0
    >>> [(index, round(height_ppb, -1)) for index, height_ppb in sudden_steps(y, [(0, 400)], np.zeros(400, dtype=bool), 0.0, 3)]
    [(250, 3000.0)]
    """
    from scipy.ndimage import median_filter

    excess = np.zeros(values.size)
    for start, stop in bounds:
        if stop - start > 2 * MIN_SIDE:
            difference = np.diff(values[start:stop])
            excess[start + 1 : stop] = difference - median_filter(difference, 2 * MIN_SIDE + 1, mode="nearest")
    usual = MAD_TO_SD * float(np.median(np.abs(excess)))
    size = np.where(barred, 0.0, np.abs(excess))
    outstanding = np.flatnonzero(size > max(OUTSTANDING * usual, least, MIN_SUDDEN))
    done = np.zeros(values.size, dtype=bool)
    found: list[tuple[int, float]] = []
    for index in outstanding[np.argsort(-size[outstanding], kind="stable")].tolist():
        if done[index] or len(found) == most:
            continue
        done[max(index - SHARP_STEPS, 0) : index + SHARP_STEPS + 1] = True
        bound = next(bound for bound in bounds if bound[0] <= index < bound[1])
        height = _height_at(values, index, bound)
        near = excess[index - 1 : index + 2]
        sharp = float(near[np.sign(near) == np.sign(height)].sum())
        if abs(height) > max(OUTSTANDING * usual, MIN_SUDDEN) and 0.5 < sharp / height < 2.0:
            found.append((index, height))
    return found


def sudden_jumps(samples: Samples, sensor_c: Floats, step_c: float, most: int) -> list[int]:
    """Samples before which the offset itself steps, but the temperature does not.

    Parameters
    ----------
    samples : Samples
    sensor_c : ndarray of shape (n,)
        The sensor's temperature, smoothed. [degC]
    step_c : float
        The sensor's step. [degC]
    most : int
        So many at most.
    """
    if not samples.has_time:
        return []
    bounds = segment_bounds(samples.segment)
    barred = brings_loop_through(sensor_c, samples.sweep)
    anywhere = np.zeros_like(barred)
    for index, _ in sudden_steps(samples.temperature_c, bounds, anywhere, 3 * step_c, samples.segment.size):
        barred[max(index - REACH, 0) : index + REACH] = True
    # A counter's own step is no jump.  Means of many readings show none.
    least_ppb = 3 * quantum_of(samples.offset_ppb) if samples.cells is None else 0.0
    return [index for index, _ in sudden_steps(samples.offset_ppb, bounds, barred, least_ppb, most)]


def _height_at(values: Floats, index: int, bound: tuple[int, int]) -> float:
    """How far apart straight lines through the samples to either side are before a sample; 0 where these are too few."""
    left = slice(max(bound[0], index - REACH), index - 1)
    right = slice(index + 1, min(bound[1], index + REACH + 1))
    if min(left.stop - left.start, right.stop - right.start) < MIN_SIDE - 1:
        return 0.0
    return _line_at(values, right, index - 0.5) - _line_at(values, left, index - 0.5)


def _line_at(values: Floats, samples: slice, place: float) -> float:
    """Value at a place of the straight line through some samples."""
    x = np.arange(samples.start, samples.stop) - place
    design = np.column_stack([np.ones_like(x), x])
    return float(np.linalg.lstsq(design, values[samples], rcond=None)[0][0])


def near_reversal(temperature_c: Floats, sweep: Ints, within_c: float = NEAR_REVERSAL_C) -> NDArray[np.bool_]:
    """Samples of a sweep that are not yet far from where it began: a loop comes through there, and looks like a step.

    Examples
    --------
    >>> near_reversal(np.array([0.0, 3.0, 9.0, 8.0, 2.0]), np.array([0, 0, 0, 1, 1])).tolist()
    [True, True, False, True, False]
    """
    near = np.zeros(temperature_c.size, dtype=bool)
    for number in np.unique(sweep):
        own = np.flatnonzero(sweep == number)
        near[own] = np.maximum.accumulate(np.abs(temperature_c[own] - temperature_c[own[0]])) < within_c
    return near


def brings_loop_through(temperature_c: Floats, sweep: Ints) -> NDArray[np.bool_]:
    """Samples about which a loop may come through from one to the next: just behind a reversal, and moving.

    Examples
    --------
    A soak of 40 samples, and a ramp of 0.1 degC from sample to sample:

    >>> T = np.concatenate([np.full(40, 20.0), 20.0 + 0.1 * np.arange(40)])
    >>> np.flatnonzero(brings_loop_through(T, np.zeros(80, dtype=int)))[[0, -1]].tolist()
    [31, 49]
    """
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    window = 2 * REACH + 1
    moved = maximum_filter1d(temperature_c, window) - minimum_filter1d(temperature_c, window)
    near = near_reversal(temperature_c, sweep, SUDDEN_NEAR_REVERSAL_C)
    return np.asarray(near & (moved > STILL_C * NEAR_REVERSAL_C))


def split_at(part: Ints, indices: list[int]) -> Ints:
    """Parts again, with those that hold a sample cut before it, for each of some samples.

    Examples
    --------
    >>> split_at(np.array([0, 0, 0, 1, 1]), [2, 4]).tolist()
    [0, 0, 1, 2, 3]
    """
    for index in indices:
        later = np.zeros(part.size, dtype=np.int64)
        later[index:] = 1
        part = part + later
    return part


BESIDE = 5
"""Samples on either side of a step whose medians are compared."""


def steps_at(values: Floats, index: int) -> bool:
    """Whether a quantity besides temperature steps there too, so that a step of the offset may be its doing.

    >>> steps_at(np.repeat([3.0, 3.3], 20), 20), steps_at(np.repeat([3.0, 3.3], 20), 10)
    (True, False)
    """
    before, after = values[max(index - BESIDE, 0) : index], values[index : index + BESIDE]
    step = abs(float(np.median(after) - np.median(before))) if before.size and after.size else 0.0
    return step > OUTSTANDING * float(np.median(np.abs(np.diff(values))))
