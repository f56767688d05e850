"""Real entries become integers: the unit of an entry, and every choice judged by what the integer lookup returns."""

from __future__ import annotations

import numpy as np

from tcomp.arrays import FloatArray, IntArray
from tcomp.errors import TableError
from tcomp.tables.coded_curve import CodedCurve, per_code
from tcomp.tables.layout import (
    LARGEST_RISE,
    LARGEST_UNIT_LOG2_PPT,
    KnotLayout,
    curved,
    interpolated,
)
from tcomp.units import PPT_PER_PPB

LARGEST_OFFSET_PPB = (2**31 - 1) / PPT_PER_PPB
"""What an int32 of ppt holds: 2147 ppm."""
REACH = 2
"""Entries are tried this many units to either side of the real optimum."""
ROUNDS = 20
"""Passes over the entries of parabolas at most; a few suffice, as a pass that changes nothing is the last."""
UNIT_SHARE = 0.45
"""Over thousands of codes, whole units miss a sloping curve by half a unit somewhere; nearly, to be on the safe side."""


def smallest_unit_log2_ppt(offset_ppb: FloatArray, entry_bits: int) -> int:
    """Return the smallest unit, as a power of two of ppt, at which the offsets fit the entries.

    Raises
    ------
    TableError
        An offset is beyond what an int32 of ppt holds.

    Examples
    --------
    32 767 ppt is the largest entry at a unit of 1 ppt; 40 ppb needs units of 2 ppt:

    >>> smallest_unit_log2_ppt(np.array([-32.0, 32.0]), 16)
    0
    >>> smallest_unit_log2_ppt(np.array([-32.0, 40.0]), 16)
    1
    """
    largest_entry = 2 ** (entry_bits - 1) - 1
    for unit_log2_ppt in range(LARGEST_UNIT_LOG2_PPT + 1):
        entries = to_units(offset_ppb, unit_log2_ppt)
        in_ppt = entries * 2.0**unit_log2_ppt
        fits_entry = entries.max() <= largest_entry and entries.min() >= -largest_entry - 1
        if fits_entry and in_ppt.max() < 2**31 and in_ppt.min() >= -(2**31):
            return unit_log2_ppt
    raise TableError(
        f"an offset of {offset_ppb[np.argmax(np.abs(offset_ppb))]:.6g} ppb is beyond what the firmware's "
        f"int32 of ppt holds ({LARGEST_OFFSET_PPB:.0f} ppb); check the nominal frequency"
    )


def to_units(offset_ppb: FloatArray, unit_log2_ppt: int) -> FloatArray:
    """Nearest whole number of entry units, still as floats (they may not fit an entry yet)."""
    return np.rint(offset_ppb * (PPT_PER_PPB / 2.0**unit_log2_ppt))


def unit_ppb(unit_log2_ppt: int) -> float:
    """Size of one entry unit. [ppb]"""
    return float(2.0**unit_log2_ppt / PPT_PER_PPB)


def nearest_integers(entries_ppb: FloatArray, unit_log2_ppt: int, entry_bits: int) -> tuple[int, ...]:
    """Round each entry by itself, held within its width."""
    return tuple(int(entry) for entry in _held(to_units(entries_ppb, unit_log2_ppt), entry_bits))


def best_integers(
    curve: CodedCurve,
    layout: KnotLayout,
    *,
    optimum_ppb: FloatArray,
    sampled_ppb: FloatArray,
    unit_log2_ppt: int,
    entry_bits: int,
    enough_ppb: float = 0.0,
    entry_shift: int = 0,
) -> tuple[int, ...]:
    """Choose the integers with the least worst error over every code, then the least sum of squares.

    Each knot is tried at the rounded optimum, up to two units to either side of it, and at the
    rounded sample of the curve: so the result is never worse than the sampled table.  Errors are
    divided by the curve's allowance, squares multiplied by its share; a worst error of ``enough_ppb``
    is as good as a lesser one, and leaves the squares more choice.  Entries may be 2**entry_shift
    units large each, while what is read between them is rounded to a unit.
    """
    entry_log2_ppt = unit_log2_ppt + entry_shift
    shifts = np.arange(-REACH, REACH + 1)
    tried = np.column_stack(
        [to_units(optimum_ppb, entry_log2_ppt)[:, None] + shifts, to_units(sampled_ppb, entry_log2_ppt)]
    )
    candidates = _held(tried, entry_bits) << entry_shift
    judge = _Judge.of(curve, layout, unit_log2_ppt, enough_ppb)
    if layout.interpolation == "nearest":
        chosen = judge.best_of_each_cell(candidates)
    elif layout.interpolation == "linear":
        chosen = _best_chain(*judge.interval_costs(candidates), judge.enough)
    else:
        return tuple(int(entry) for entry in judge.improved(candidates) >> entry_shift)
    return tuple(int(entry) for entry in candidates[np.arange(layout.count), chosen] >> entry_shift)


def _held(entries: FloatArray, entry_bits: int) -> IntArray:
    largest = 2 ** (entry_bits - 1) - 1
    return np.clip(entries, -largest - 1, largest).astype(np.int64)


class _Judge:
    """The codes of a curve by the interval that they read, and what a error there costs. [entry units]"""

    def __init__(
        self,
        index: IntArray,
        part: IntArray,
        target: FloatArray,
        allowance: FloatArray,
        share: FloatArray,
        enough: float,
    ) -> None:
        self.index, self.part, self.target = index, part, target
        self.allowance, self.share, self.enough = allowance, share, enough
        self.starts = np.flatnonzero(np.diff(index, prepend=-1))

    @classmethod
    def of(cls, curve: CodedCurve, layout: KnotLayout, unit_log2_ppt: int, enough_ppb: float) -> _Judge:
        index, part = layout.locate(curve.codes)
        unit = unit_ppb(unit_log2_ppt)
        allowance, share = per_code(curve.allowance, curve), per_code(curve.share, curve)
        return cls(index, part, curve.offset_ppb / unit, allowance, share, enough_ppb / unit)

    def costs(self, read: FloatArray | IntArray) -> tuple[FloatArray, FloatArray]:
        """Worst error and sum of squares in each interval, for what is read at every code."""
        error = read - self.target
        worst = np.maximum.reduceat(np.abs(error) / self.allowance, self.starts)
        return worst, np.add.reduceat(error * error * self.share, self.starts)

    def best_of_each_cell(self, candidates: IntArray) -> IntArray:
        """The best candidate of each cell, by itself."""
        each = [self.costs(candidates[self.index, choice]) for choice in range(candidates.shape[1])]
        worst, squares = (np.column_stack(columns) for columns in zip(*each, strict=True))
        squares[worst > max(worst.min(axis=1).max(), self.enough)] = np.inf
        chosen: IntArray = squares.argmin(axis=1)
        return chosen

    def interval_costs(self, candidates: IntArray) -> tuple[FloatArray, FloatArray]:
        """Worst error and sum of squares of each interval, for each pair of its two entries."""
        tried = candidates.shape[1]
        worst = np.zeros((len(candidates) - 1, tried, tried))
        squares = np.zeros_like(worst)
        # An interval that no code reads costs nothing.
        read = self.index[self.starts]
        for i in range(tried):
            before = candidates[self.index, i]
            for j in range(tried):
                after = candidates[self.index + 1, j]
                worst[read, i, j], squares[read, i, j] = self.costs(interpolated(before, after, self.part))
        return worst, squares

    def improved(self, candidates: IntArray) -> IntArray:
        """Entries of parabolas, each of which three intervals read: bettered one by one until none can be."""
        both = [_Curved(self, column) for column in (candidates[:, REACH], candidates[:, -1])]
        best = min(both, key=lambda entries: entries.price)
        for _ in range(ROUNDS):
            before = best.price
            for place, tried in enumerate(candidates.tolist()):
                for candidate in dict.fromkeys(tried):
                    best.try_at(place, candidate)
            if best.price == before:
                break
        return best.entries


class _Curved:
    """Entries of parabolas, and what each interval costs with them."""

    def __init__(self, judge: _Judge, entries: IntArray) -> None:
        self.judge, self.entries = judge, entries.copy()
        self.ends = np.append(judge.starts, len(judge.index))
        self.worst, self.squares = self._costs(0, len(judge.starts))

    @property
    def price(self) -> tuple[float, float]:
        """Worst error, then sum of squares, of all codes."""
        return max(float(self.worst.max()), self.judge.enough), float(self.squares.sum())

    def try_at(self, place: int, entry: int) -> None:
        """Keep this entry here if that is better."""
        first, last = max(place - 2, 0), min(place + 1, len(self.judge.starts))
        kept = self.entries[place], self.worst[first:last].copy(), self.squares[first:last].copy()
        price, self.entries[place] = self.price, entry
        self.worst[first:last], self.squares[first:last] = self._costs(first, last)
        if self.price >= price:
            self.entries[place], self.worst[first:last], self.squares[first:last] = kept

    def _costs(self, first: int, last: int) -> tuple[FloatArray, FloatArray]:
        """Worst error and sum of squares of the intervals from first to before last."""
        near = self.entries[first : last + 2]
        if max(np.abs(near[2:] - near[:-2]).max(), np.abs(np.diff(near, 2)).max()) > LARGEST_RISE:
            return np.full(last - first, np.inf), np.full(last - first, np.inf)
        judge, here = self.judge, slice(self.ends[first], self.ends[last])
        index = judge.index[here]
        three = (self.entries[index], self.entries[index + 1], self.entries[index + 2])
        error = curved(*three, judge.part[here]) - judge.target[here]
        starts = judge.starts[first:last] - judge.starts[first]
        worst = np.maximum.reduceat(np.abs(error) / judge.allowance[here], starts)
        return worst, np.add.reduceat(error * error * judge.share[here], starts)


def _best_chain(worst: FloatArray, squares: FloatArray, enough: float) -> IntArray:
    """Choose one candidate per knot by dynamic programming along the knots."""
    reached = np.zeros(worst.shape[1])
    for interval in worst:
        reached = np.maximum(reached[:, None], interval).min(axis=0)
    allowed = np.where(worst <= max(reached.min(), enough), squares, np.inf)
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
