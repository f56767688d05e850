"""Real-valued entries: the curve sampled at the knots, or the entries of least worst error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.table.coded_curve import CodedCurve
from tcomp.table.fixed_point import LARGEST_OFFSET_PPB
from tcomp.table.shape import Shape

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

TOLERANCE_PPB = 1e-4
"""A tenth of the finest entry unit, 1 ppt: the largest excess that a code may be left with."""
PREFERENCE = 1e4
"""How much more the largest error counts than the mean of the intervals' errors, which it cannot be below."""
FIRST_CODES = 4
"""Codes per interval that the programme sees at first; the ones that matter are added."""
NEGLIGIBLE_PPB = 0.5e-3
"""Half the finest entry unit: no entry can express what is smaller, so no better ones are sought."""


@dataclass(frozen=True, eq=False)
class RealEntries:
    """Entries before they are rounded, and the largest error with them. [ppb]"""

    entries_ppb: Floats
    worst_ppb: float

    @property
    def bound_ppb(self) -> float:
        """What no entries of this shape go below, if these are the minimax ones. [ppb]"""
        return self.worst_ppb * (1 - 1 / PREFERENCE) - NEGLIGIBLE_PPB


def sampled_entries(curve: CodedCurve, shape: Shape) -> RealEntries:
    """Take the curve at the knots.

    A knot beyond the range takes the value with which its chord meets the curve at the range's end, as far as the
    firmware's int32 of ppt can hold that.
    """
    knots = shape.knot_codes
    inside = np.clip(knots, curve.low_code, curve.high_code) - curve.low_code
    entries_ppb = curve.offset_ppb[inside]
    if shape.interpolation == "nearest":
        misfit = entries_ppb[shape.cell_of(curve.codes)] - curve.offset_ppb
        return RealEntries(entries_ppb, float(np.abs(misfit).max()))
    step = 1 << shape.step_log2
    low_ppb, high_ppb = curve.offset_ppb[[0, -1]]
    if shape.count == 2:
        slope = (high_ppb - low_ppb) / (curve.high_code - curve.low_code)
        entries_ppb = low_ppb + slope * (knots - curve.low_code)
    else:
        second, last_but_one = entries_ppb[[1, -2]]
        entries_ppb[0] = second + (low_ppb - second) * step / (knots[1] - curve.low_code)
        entries_ppb[-1] = last_but_one + (high_ppb - last_but_one) * step / (curve.high_code - knots[-2])
    entries_ppb = np.clip(entries_ppb, 1 - LARGEST_OFFSET_PPB, LARGEST_OFFSET_PPB - 1)
    misfit = _Lines.of(curve, shape).misfit(entries_ppb)
    return RealEntries(entries_ppb, float(np.abs(misfit).max()))


def least_error_bound_ppb(curve: CodedCurve, shape: Shape) -> float:
    """Return an error that no entries of this shape can go below. [ppb]

    Nearest knot: half of the curve's span within a cell, which is also reached.  Straight lines:
    half of the curve's largest distance from the chord of an interval, as no line passes closer to
    the three points concerned (the alternation theorem for three points).
    """
    if shape.interpolation == "nearest":
        low, high = _cell_ends(curve, shape)
        return float(((high - low) / 2).max())
    index, _ = shape.interval_of(curve.codes)
    first = np.searchsorted(index, np.arange(shape.count - 1))
    # The knot that ends an interval serves as its last point too.
    last = np.append(first[1:], len(index) - 1)
    codes = np.arange(len(index))
    run = np.maximum(last - first, 1)
    weight = (codes - first[index]) / run[index]
    chord = (1 - weight) * curve.offset_ppb[first][index] + weight * curve.offset_ppb[last][index]
    return float(np.abs(curve.offset_ppb - chord).max() / 2)


def minimax_entries(curve: CodedCurve, shape: Shape) -> RealEntries:
    """Find the entries whose largest error over every code is least.

    Straight lines: a linear programme.  The largest error alone would leave the entries free away
    from the worst interval, so the sum of the intervals' own largest errors counts as well, so
    little that the largest stays within 1 / PREFERENCE of itself of the least one.
    """
    if shape.interpolation == "nearest":
        low, high = _cell_ends(curve, shape)
        return RealEntries((low + high) / 2, float(((high - low) / 2).max()))
    sampled = sampled_entries(curve, shape)
    if sampled.worst_ppb <= NEGLIGIBLE_PPB:
        return sampled
    lines = _Lines.of(curve, shape)
    # A knot beyond the range carries little weight and would wander far for a trifle.
    room = (
        float(sampled.entries_ppb.min() - sampled.worst_ppb),
        float(sampled.entries_ppb.max() + sampled.worst_ppb),
    )
    entries_ppb = _least_errors(lines, room)
    return RealEntries(entries_ppb, float(np.abs(lines.misfit(entries_ppb)).max()))


@dataclass(frozen=True, eq=False)
class _Lines:
    """Each code of a curve in its interval: (1 - weight) of the knot below, weight of the one above."""

    index: Integers
    weight: Floats
    offset_ppb: Floats

    @classmethod
    def of(cls, curve: CodedCurve, shape: Shape) -> _Lines:
        index, part = shape.interval_of(curve.codes)
        return cls(index, part / (1 << shape.step_log2), curve.offset_ppb)

    def misfit(self, entries_ppb: Floats) -> Floats:
        below, above = entries_ppb[self.index], entries_ppb[self.index + 1]
        return below + (above - below) * self.weight - self.offset_ppb

    def start(self) -> NDArray[np.bool_]:
        """Pick codes to begin with: a few per interval, evenly, and both ends of the range."""
        fed: NDArray[np.bool_] = self.weight * FIRST_CODES % 1 == 0
        fed[[0, -1]] = True
        return fed


def _least_errors(lines: _Lines, room: tuple[float, float]) -> Floats:
    """Solve for the entries, feeding the programme only those codes that turn out to matter.

    The worst codes of each interval are added until none exceeds the error that the programme
    has for its interval by more than the tolerance.
    """
    fed = lines.start()
    starts = _starts(lines.index)
    while True:
        entries_ppb, errors_ppb = _solve(lines, room, np.flatnonzero(fed))
        misfit = lines.misfit(entries_ppb)
        worst = np.zeros_like(fed)
        for signed in (misfit, -misfit):
            worst |= signed >= np.maximum.reduceat(signed, starts)[lines.index]
        missing = worst & ~fed & (np.abs(misfit) > errors_ppb[lines.index] + TOLERANCE_PPB)
        if not missing.any():
            return entries_ppb
        fed |= missing


def _solve(lines: _Lines, room: tuple[float, float], codes: Integers) -> tuple[Floats, Floats]:
    """Minimise PREFERENCE * intervals * largest + sum of errors; unknowns: entries, errors, largest.

    misfit <= error and -misfit <= error at each code, error <= largest in each interval.
    """
    from scipy.optimize import linprog
    from scipy.sparse import coo_array, vstack

    rows = np.arange(len(codes))
    index, weight, target = lines.index[codes], lines.weight[codes], lines.offset_ppb[codes]
    intervals = int(lines.index[-1]) + 1
    knots, unknowns = intervals + 1, 2 * intervals + 2
    of_entries = coo_array(
        (np.concatenate([1 - weight, weight]), (np.tile(rows, 2), np.concatenate([index, index + 1]))),
        shape=(len(codes), unknowns),
    )
    of_errors = coo_array((np.ones(len(codes)), (rows, knots + index)), shape=of_entries.shape)
    each = np.arange(intervals)
    below_largest = coo_array(
        (
            np.repeat([1.0, -1.0], intervals),
            (np.tile(each, 2), np.concatenate([knots + each, np.full(intervals, unknowns - 1)])),
        ),
        shape=(intervals, unknowns),
    )
    solution = linprog(
        np.concatenate([np.zeros(knots), np.ones(intervals), [PREFERENCE * intervals]]),
        A_ub=vstack([of_entries - of_errors, -of_entries - of_errors, below_largest]).tocsr(),
        b_ub=np.concatenate([target, -target, np.zeros(intervals)]),
        bounds=[room] * knots + [(0, None)] * (intervals + 1),
        method="highs",
    )
    if solution.x is None:  # The sampled entries meet every row, so there is a solution.
        raise ArithmeticError(f"the linear programme ended with: {solution.message}")
    return solution.x[:knots], solution.x[knots:-1]


def _cell_ends(curve: CodedCurve, shape: Shape) -> tuple[Floats, Floats]:
    """Least and largest offset of the curve in each cell of the nearest-knot table."""
    starts = _starts(shape.cell_of(curve.codes))
    return np.minimum.reduceat(curve.offset_ppb, starts), np.maximum.reduceat(curve.offset_ppb, starts)


def _starts(index: Integers) -> Integers:
    """Place of the first code of each interval; a shape has no interval without one."""
    return np.flatnonzero(np.diff(index, prepend=-1))
