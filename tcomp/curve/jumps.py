"""Steps of the crystal's frequency: found, dated, and split at, never fitted through."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.run.cells import MAD_TO_SD

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

REACH = 15
"""Samples to either side that a step is judged on."""
OUTSTANDING = 8.0
"""Size of a step against the usual of such differences, from which it is a candidate: with normal noise, once in
1e15 samples; the margin is for residuals that are not white."""


NEAR_REVERSAL_C = 5.0
"""A loop has come through within this (common practice, no source)."""


@dataclass(frozen=True)
class Jump:
    """A step of the frequency: when, how high, and how well known. [s] [ppb]"""

    time_s: float
    height_ppb: float
    uncertainty_ppb: float


def candidate_steps(
    residual_ppb: Floats, bounds: list[tuple[int, int]], barred: NDArray[np.bool_], most: int = 3
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
    usual = MAD_TO_SD * float(np.median(np.abs(heights)))
    found: list[tuple[int, float]] = []
    size = np.where(barred, 0.0, np.abs(heights))
    while len(found) < most and usual > 0 and size.max() > OUTSTANDING * usual:
        index = int(np.argmax(size))
        found.append((index, float(heights[index])))
        size[max(index - 2 * REACH, 0) : index + 2 * REACH] = 0.0
    return found


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


def split(part: Ints, index: int) -> Ints:
    """Parts again, with the one that holds the sample cut before it."""
    later = np.zeros(part.size, dtype=np.int64)
    later[index:] = 1
    return part + later
