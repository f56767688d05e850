"""Real-valued entries: the curve sampled at the knots, or the entries of least worst error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.table.coded_curve import CodedCurve, per_code
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
    """Entries before they are rounded, and the largest error with them, each code's divided by its allowance. [ppb]"""

    entries_ppb: Floats
    worst_ppb: float

    @property
    def bound_ppb(self) -> float:
        """What no entries of this shape go below, if these are the minimax ones. [ppb]"""
        return self.worst_ppb * (1 - 1 / PREFERENCE) - NEGLIGIBLE_PPB


def sampled_entries(curve: CodedCurve, shape: Shape) -> RealEntries:
    """Take the curve at the knots.

    A knot beyond the range takes the value with which its chord meets the curve at the range's end, as far as the
    firmware's int32 of ppt can hold that; for parabolas, that of the curve's own parabola there.
    """
    knots = shape.knot_codes
    entries_ppb = np.interp(knots, curve.codes, curve.offset_ppb)
    if shape.interpolation == "linear":
        low_ppb, high_ppb = curve.offset_ppb[[0, -1]]
        if shape.count == 2:
            slope = (high_ppb - low_ppb) / (curve.high_code - curve.low_code)
            entries_ppb = low_ppb + slope * (knots - curve.low_code)
        else:
            second, last_but_one = entries_ppb[[1, -2]]
            steps = np.diff(knots)
            entries_ppb[0] = second + (low_ppb - second) * steps[0] / (knots[1] - curve.low_code)
            if curve.high_code > knots[-2]:
                rest = curve.high_code - knots[-2]
                entries_ppb[-1] = last_but_one + (high_ppb - last_but_one) * steps[-1] / rest
        entries_ppb = np.clip(entries_ppb, 1 - LARGEST_OFFSET_PPB, LARGEST_OFFSET_PPB - 1)
    elif shape.interpolation == "quadratic":
        entries_ppb[[0, -1]] = _continued(curve, knots[[0, -1]])
    return RealEntries(entries_ppb, _Rows.of(curve, shape).worst_ppb(entries_ppb))


def _continued(curve: CodedCurve, knots: Floats) -> Floats:
    """The curve at two knots below and above the range, on along the parabola with which it ends there. [ppb]"""
    ends = np.array([curve.low_code, curve.high_code], dtype=np.float64)
    # As far into the range as the knot lies beyond it, and as far again.
    inside, further = (np.interp(ends + times * (ends - knots), curve.codes, curve.offset_ppb) for times in (1, 2))
    continued: Floats = 3 * curve.offset_ppb[[0, -1]] - 3 * inside + further
    return continued


def least_error_bound_ppb(curve: CodedCurve, shape: Shape) -> float:
    """Return an error that no entries of this shape can go below. [ppb]

    Nearest knot: half of the curve's span within a cell, which is also reached.  Straight lines:
    half of the curve's largest distance from the chord of an interval, as no line passes closer to
    the three points concerned (the alternation theorem for three points).  Both are divided by the
    largest allowance; parabolas have no such shortcut, and get 0.
    """
    if shape.interpolation == "quadratic":
        return 0.0
    most = float(np.max(curve.allowance))
    index, part = shape.placed(curve.codes)
    if shape.interpolation == "nearest":
        low, high = _cell_ends(curve, index)
        return float(((high - low) / 2).max()) / most
    first = _starts(index)
    # A code on the knot that ends an interval serves as its last point too; one beyond it is read from the next line.
    last = np.append(first[1:] - (part[first[1:]] != 0), len(index) - 1)
    codes = np.arange(len(index))
    run = np.maximum(last - first, 1)
    interval = np.repeat(np.arange(len(first)), np.diff(np.append(first, len(index))))
    weight = (codes - first[interval]) / run[interval]
    chord = (1 - weight) * curve.offset_ppb[first][interval] + weight * curve.offset_ppb[last][interval]
    return float(np.abs(curve.offset_ppb - chord).max() / 2) / most


def minimax_entries(curve: CodedCurve, shape: Shape) -> RealEntries:
    """Find the entries whose largest error over every code is least.

    Lines and parabolas: a linear programme.  The largest error alone would leave the entries free away
    from the worst interval, so the sum of the intervals' own largest errors counts as well, so
    little that the largest stays within 1 / PREFERENCE of itself of the least one.
    """
    rows = _Rows.of(curve, shape)
    if shape.interpolation == "nearest" and np.size(curve.allowance) == 1:
        low, high = _cell_ends(curve, rows.index)
        return RealEntries((low + high) / 2, float(((high - low) / 2).max()))
    sampled = sampled_entries(curve, shape)
    if sampled.worst_ppb <= NEGLIGIBLE_PPB:
        return sampled
    entries_ppb = _least_errors(rows, _rooms(curve, shape, sampled))
    return RealEntries(entries_ppb, rows.worst_ppb(entries_ppb))


@dataclass(frozen=True, eq=False)
class _Rows:
    """What each code of a curve reads: weights of the entries from an index on, its offset, its allowance."""

    index: Integers
    weights: Floats
    offset_ppb: Floats
    allowance: Floats

    @classmethod
    def of(cls, curve: CodedCurve, shape: Shape) -> _Rows:
        index, weights = shape.weights(curve.codes)
        return cls(index, weights, curve.offset_ppb, per_code(curve.allowance, curve))

    def misfit(self, entries_ppb: Floats) -> Floats:
        """Error at each code, divided by its allowance. [ppb]"""
        read = sum(self.weights[:, k] * entries_ppb[self.index + k] for k in range(self.weights.shape[1]))
        misfit: Floats = (read - self.offset_ppb) / self.allowance
        return misfit

    def worst_ppb(self, entries_ppb: Floats) -> float:
        return float(np.abs(self.misfit(entries_ppb)).max())

    def start(self) -> NDArray[np.bool_]:
        """Pick codes to begin with: a few per interval, evenly, and both ends of the range."""
        starts = _starts(self.index)
        lengths = np.diff(np.append(starts, len(self.index)))
        fed = np.zeros(len(self.index), dtype=np.bool_)
        for quarter in range(FIRST_CODES):
            fed[starts + lengths * quarter // FIRST_CODES] = True
        fed[[0, -1]] = True
        return fed


def _rooms(curve: CodedCurve, shape: Shape, sampled: RealEntries) -> Floats:
    """Least and largest value of each entry that the programme may choose. Shape (count, 2). [ppb]

    A knot beyond the range carries little weight and would wander far for a trifle: it stays within
    twice the sampled table's error of its sample.
    """
    spread_ppb = sampled.worst_ppb * float(np.max(curve.allowance))
    ends = np.array([sampled.entries_ppb.min() - spread_ppb, sampled.entries_ppb.max() + spread_ppb])
    rooms = np.tile(ends, (shape.count, 1))
    beyond = (shape.knot_codes < curve.low_code) | (shape.knot_codes > curve.high_code)
    rooms[beyond] = sampled.entries_ppb[beyond, None] + 2 * spread_ppb * np.array([-1.0, 1.0])
    return rooms


def _least_errors(rows: _Rows, rooms: Floats) -> Floats:
    """Solve for the entries, feeding the programme only those codes that turn out to matter.

    The worst codes of each interval are added until none exceeds the error that the programme
    has for its interval by more than the tolerance.
    """
    fed = rows.start()
    starts = _starts(rows.index)
    interval = np.cumsum(np.isin(np.arange(len(rows.index)), starts)) - 1
    while True:
        entries_ppb, errors_ppb = _solve(rows, interval, rooms, np.flatnonzero(fed))
        misfit = rows.misfit(entries_ppb)
        worst = np.zeros_like(fed)
        for signed in (misfit, -misfit):
            worst |= signed >= np.maximum.reduceat(signed, starts)[interval]
        missing = worst & ~fed & (np.abs(misfit) > errors_ppb[interval] + TOLERANCE_PPB)
        if not missing.any():
            return entries_ppb
        fed |= missing


def _solve(rows: _Rows, interval: Integers, rooms: Floats, codes: Integers) -> tuple[Floats, Floats]:
    """Minimise PREFERENCE * intervals * largest + sum of errors; unknowns: entries, errors, largest.

    misfit <= error and -misfit <= error at each code, error <= largest in each interval.
    """
    from scipy.optimize import linprog
    from scipy.sparse import coo_array, vstack

    number, count = np.arange(len(codes)), len(rooms)
    allowance = rows.allowance[codes]
    read = rows.weights.shape[1]
    target = rows.offset_ppb[codes] / allowance
    intervals = int(interval[-1]) + 1
    unknowns = count + intervals + 1
    of_entries = coo_array(
        (
            (rows.weights[codes] / allowance[:, None]).T.ravel(),
            (np.tile(number, read), np.concatenate([rows.index[codes] + k for k in range(read)])),
        ),
        shape=(len(codes), unknowns),
    )
    of_errors = coo_array((np.ones(len(codes)), (number, count + interval[codes])), shape=of_entries.shape)
    each = np.arange(intervals)
    below_largest = coo_array(
        (
            np.repeat([1.0, -1.0], intervals),
            (np.tile(each, 2), np.concatenate([count + each, np.full(intervals, unknowns - 1)])),
        ),
        shape=(intervals, unknowns),
    )
    solution = linprog(
        np.concatenate([np.zeros(count), np.ones(intervals), [PREFERENCE * intervals]]),
        A_ub=vstack([of_entries - of_errors, -of_entries - of_errors, below_largest]).tocsr(),
        b_ub=np.concatenate([target, -target, np.zeros(intervals)]),
        bounds=[*map(tuple, rooms.tolist()), *[(0.0, None)] * (intervals + 1)],
        method="highs",
    )
    if solution.x is None:  # The sampled entries meet every row, so there is a solution.
        raise ArithmeticError(f"the linear programme ended with: {solution.message}")
    return solution.x[:count], solution.x[count:-1]


def _cell_ends(curve: CodedCurve, index: Integers) -> tuple[Floats, Floats]:
    """Least and largest offset of the curve in each cell of the nearest-knot table."""
    starts = _starts(index)
    return np.minimum.reduceat(curve.offset_ppb, starts), np.maximum.reduceat(curve.offset_ppb, starts)


def _starts(index: Integers) -> Integers:
    """Place of the first code of each interval; a shape has no interval without one."""
    return np.flatnonzero(np.diff(index, prepend=-1))
