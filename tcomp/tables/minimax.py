"""Real-valued entries: the curve sampled at the knots, or the entries of least worst error."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tcomp.arrays import BoolArray, FloatArray, IntArray
from tcomp.errors import TableError
from tcomp.tables.coded_curve import CodedCurve, per_code
from tcomp.tables.layout import KnotLayout
from tcomp.tables.rounding import LARGEST_OFFSET_PPB

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

    entries_ppb: FloatArray
    worst_ppb: float

    @property
    def bound_ppb(self) -> float:
        """What no entries of this layout go below, if these are the minimax ones. [ppb]"""
        return self.worst_ppb * (1 - 1 / PREFERENCE) - NEGLIGIBLE_PPB


def sampled_entries(curve: CodedCurve, layout: KnotLayout) -> RealEntries:
    """Take the curve at the knots.

    A knot beyond the range takes the value with which its chord meets the curve at the range's end, as far as the
    firmware's int32 of ppt can hold that; for parabolas, that of the curve's own parabola there.
    """
    knots = layout.knot_codes
    entries_ppb = np.interp(knots, curve.codes, curve.offset_ppb)
    if layout.interpolation == "linear":
        low_ppb, high_ppb = curve.offset_ppb[[0, -1]]
        if layout.count == 2:
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
    elif layout.interpolation == "quadratic":
        entries_ppb[[0, -1]] = _continued(curve, knots[[0, -1]])
    return RealEntries(entries_ppb, _Rows.of(curve, layout).worst_ppb(entries_ppb))


def _continued(curve: CodedCurve, knots: FloatArray) -> FloatArray:
    """The curve at two knots below and above the range, on along the parabola with which it ends there. [ppb]"""
    ends = np.array([curve.low_code, curve.high_code], dtype=np.float64)
    # As far into the range as the knot lies beyond it, and as far again.
    inside, further = (np.interp(ends + times * (ends - knots), curve.codes, curve.offset_ppb) for times in (1, 2))
    continued: FloatArray = 3 * curve.offset_ppb[[0, -1]] - 3 * inside + further
    return continued


def least_error_bound_ppb(curve: CodedCurve, layout: KnotLayout) -> float:
    """Return an error that no entries of this layout can go below. [ppb]

    Nearest knot: half of the curve's span within a cell, which is also reached.  Straight lines:
    half of the curve's largest distance from the chord of an interval, as no line passes closer to
    the three points concerned (the alternation theorem for three points).  Both are divided by the
    largest allowance; parabolas have no such shortcut, and get 0.
    """
    if layout.interpolation == "quadratic":
        return 0.0
    most = float(np.max(curve.allowance))
    index, part = layout.locate(curve.codes)
    if layout.interpolation == "nearest":
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


def minimax_entries(curve: CodedCurve, layout: KnotLayout) -> RealEntries:
    """Find the entries whose largest error over every code is least.

    Lines and parabolas: a linear programme.  The largest error alone would leave the entries free away
    from the worst interval, so the sum of the intervals' own largest errors counts as well, so
    little that the largest stays within 1 / PREFERENCE of itself of the least one.

    Raises
    ------
    TableError
        The solver of the linear programme fails.
    """
    rows = _Rows.of(curve, layout)
    if layout.interpolation == "nearest" and np.size(curve.allowance) == 1:
        low, high = _cell_ends(curve, rows.index)
        return RealEntries((low + high) / 2, float(((high - low) / 2).max()))
    sampled = sampled_entries(curve, layout)
    if sampled.worst_ppb <= NEGLIGIBLE_PPB:
        return sampled
    rooms = _rooms(curve, layout, sampled)
    try:
        entries_ppb = _least_errors(rows, rooms)
    except _UnsolvedError:  # errors far below the offsets reach the solver's round-off
        entries_ppb = _refined(rows, rooms, sampled)
    return RealEntries(entries_ppb, rows.worst_ppb(entries_ppb))


class _UnsolvedError(TableError):
    """The solver gave up, although the sampled entries meet every row."""


def _refined(rows: _Rows, rooms: FloatArray, sampled: RealEntries) -> FloatArray:
    """The entries as small changes of the sampled ones, in units of their error; the sampled ones if that fails as well."""
    scale = sampled.worst_ppb
    left = replace(rows, offset_ppb=-rows.misfit(sampled.entries_ppb) * rows.allowance / scale)
    try:
        change = _least_errors(left, (rooms - sampled.entries_ppb[:, None]) / scale)
    except _UnsolvedError:
        return sampled.entries_ppb
    refined = sampled.entries_ppb + scale * change
    return refined if rows.worst_ppb(refined) < sampled.worst_ppb else sampled.entries_ppb


@dataclass(frozen=True, eq=False)
class _Rows:
    """What each code of a curve reads: weights of the entries from an index on, its offset, its allowance."""

    index: IntArray
    weights: FloatArray
    offset_ppb: FloatArray
    allowance: FloatArray

    @classmethod
    def of(cls, curve: CodedCurve, layout: KnotLayout) -> _Rows:
        index, weights = layout.weights(curve.codes)
        return cls(index, weights, curve.offset_ppb, per_code(curve.allowance, curve))

    def misfit(self, entries_ppb: FloatArray) -> FloatArray:
        """Error at each code, divided by its allowance. [ppb]"""
        read = sum(self.weights[:, k] * entries_ppb[self.index + k] for k in range(self.weights.shape[1]))
        misfit: FloatArray = (read - self.offset_ppb) / self.allowance
        return misfit

    def about(self, entries_ppb: FloatArray) -> _Rows:
        """The rows of what these entries leave of the offsets."""
        left_ppb = -self.misfit(entries_ppb) * self.allowance
        return _Rows(self.index, self.weights, left_ppb, self.allowance)

    def worst_ppb(self, entries_ppb: FloatArray) -> float:
        return float(np.abs(self.misfit(entries_ppb)).max())

    def start(self) -> BoolArray:
        """Pick codes to begin with: a few per interval, evenly, and both ends of the range."""
        starts = _starts(self.index)
        lengths = np.diff(np.append(starts, len(self.index)))
        fed = np.zeros(len(self.index), dtype=np.bool_)
        for quarter in range(FIRST_CODES):
            fed[starts + lengths * quarter // FIRST_CODES] = True
        fed[[0, -1]] = True
        return fed


def _rooms(curve: CodedCurve, layout: KnotLayout, sampled: RealEntries) -> FloatArray:
    """Least and largest value of each entry that the programme may choose. Shape (count, 2). [ppb]

    A knot beyond the range carries little weight and would wander far for a trifle: it stays within
    twice the sampled table's error of its sample.
    """
    spread_ppb = sampled.worst_ppb * float(np.max(curve.allowance))
    ends = np.array([sampled.entries_ppb.min() - spread_ppb, sampled.entries_ppb.max() + spread_ppb])
    rooms = np.tile(ends, (layout.count, 1))
    beyond = (layout.knot_codes < curve.low_code) | (layout.knot_codes > curve.high_code)
    rooms[beyond] = sampled.entries_ppb[beyond, None] + 2 * spread_ppb * np.array([-1.0, 1.0])
    return rooms


def _least_errors(rows: _Rows, rooms: FloatArray) -> FloatArray:
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


def _solve(rows: _Rows, interval: IntArray, rooms: FloatArray, codes: IntArray) -> tuple[FloatArray, FloatArray]:
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
    if solution.x is None:
        raise _UnsolvedError(f"no entries of least error could be found for {count} knots ({solution.message})")
    return solution.x[:count], solution.x[count:-1]


def _cell_ends(curve: CodedCurve, index: IntArray) -> tuple[FloatArray, FloatArray]:
    """Least and largest offset of the curve in each cell of the nearest-knot table."""
    starts = _starts(index)
    return np.minimum.reduceat(curve.offset_ppb, starts), np.maximum.reduceat(curve.offset_ppb, starts)


def _starts(index: IntArray) -> IntArray:
    """Place of the first code of each interval; a layout has no interval without one."""
    return np.flatnonzero(np.diff(index, prepend=-1))
