"""Real entries become integers by trial: every choice is judged by what the integer lookup returns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tcomp.table.coded_curve import CodedCurve
from tcomp.table.fixed_point import to_units, unit_ppb
from tcomp.table.lookup import interpolated
from tcomp.table.shape import Shape

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

REACH = 2
"""Entries are tried this many units to either side of the real optimum."""


def nearest_integers(entries_ppb: Floats, unit_log2_ppt: int, entry_bits: int) -> tuple[int, ...]:
    """Round each entry by itself, held within its width."""
    return tuple(int(entry) for entry in _held(to_units(entries_ppb, unit_log2_ppt), entry_bits))


def best_integers(
    curve: CodedCurve,
    shape: Shape,
    *,
    optimum_ppb: Floats,
    sampled_ppb: Floats,
    unit_log2_ppt: int,
    entry_bits: int,
) -> tuple[int, ...]:
    """Choose the integers with the least worst error over every code, then the least sum of squares.

    Each knot is tried at the rounded optimum, up to two units to either side of it, and at the
    rounded sample of the curve: so the result is never worse than the sampled table.
    """
    shifts = np.arange(-REACH, REACH + 1)
    tried = np.column_stack(
        [to_units(optimum_ppb, unit_log2_ppt)[:, None] + shifts, to_units(sampled_ppb, unit_log2_ppt)]
    )
    candidates = _held(tried, entry_bits)
    target = curve.offset_ppb / unit_ppb(unit_log2_ppt)
    if shape.interpolation == "nearest":
        chosen = _best_of_each_cell(candidates, target, shape.cell_of(curve.codes))
    else:
        chosen = _best_chain(*_interval_costs(candidates, target, shape, curve.codes))
    return tuple(int(entry) for entry in candidates[np.arange(shape.count), chosen])


def _held(entries: Floats, entry_bits: int) -> Integers:
    largest = 2 ** (entry_bits - 1) - 1
    return np.clip(entries, -largest - 1, largest).astype(np.int64)


def _best_of_each_cell(candidates: Integers, target: Floats, cell: Integers) -> Integers:
    starts = np.flatnonzero(np.diff(cell, prepend=-1))
    misfit = np.abs(candidates[cell] - target[:, None])
    worst = np.maximum.reduceat(misfit, starts)
    squares = np.add.reduceat(misfit**2, starts)
    squares[worst > worst.min(axis=1).max()] = np.inf
    chosen: Integers = squares.argmin(axis=1)
    return chosen


def _interval_costs(candidates: Integers, target: Floats, shape: Shape, codes: Integers) -> tuple[Floats, Floats]:
    """Worst error and sum of squares of each interval, for each pair of its two entries."""
    index, part = shape.interval_of(codes)
    starts = np.flatnonzero(np.diff(index, prepend=-1))
    tried = candidates.shape[1]
    worst = np.empty((shape.count - 1, tried, tried))
    squares = np.empty_like(worst)
    for i in range(tried):
        before = candidates[index, i]
        for j in range(tried):
            misfit = interpolated(before, candidates[index + 1, j], part, shape.step_log2) - target
            worst[:, i, j] = np.maximum.reduceat(np.abs(misfit), starts)
            squares[:, i, j] = np.add.reduceat(misfit * misfit, starts)
    return worst, squares


def _best_chain(worst: Floats, squares: Floats) -> Integers:
    """Choose one candidate per knot by dynamic programming along the knots."""
    reached = np.zeros(worst.shape[1])
    for interval in worst:
        reached = np.maximum(reached[:, None], interval).min(axis=0)
    allowed = np.where(worst <= reached.min(), squares, np.inf)
    total = np.zeros(worst.shape[1])
    came_from = np.empty(worst.shape[:2], dtype=np.int64)
    for place, interval in enumerate(allowed):
        sums = total[:, None] + interval
        came_from[place] = sums.argmin(axis=0)
        total = sums.min(axis=0)
    chosen = [int(total.argmin())]
    for choices in came_from[::-1]:
        chosen.append(int(choices[chosen[-1]]))
    return np.array(chosen[::-1])
