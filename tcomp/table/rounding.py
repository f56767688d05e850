"""Real entries become integers by trial: every choice is judged by what the integer lookup returns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tcomp.table.coded_curve import CodedCurve, per_code
from tcomp.table.even_table import LARGEST_RISE, curved
from tcomp.table.fixed_point import to_units, unit_ppb
from tcomp.table.lookup import interpolated
from tcomp.table.shape import Shape

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

REACH = 2
"""Entries are tried this many units to either side of the real optimum."""
ROUNDS = 20
"""Passes over the entries of parabolas at most; a few suffice, as a pass that changes nothing is the last."""


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
    enough_ppb: float = 0.0,
) -> tuple[int, ...]:
    """Choose the integers with the least worst error over every code, then the least sum of squares.

    Each knot is tried at the rounded optimum, up to two units to either side of it, and at the
    rounded sample of the curve: so the result is never worse than the sampled table.  Errors are
    divided by the curve's allowance, squares multiplied by its share; a worst error of ``enough_ppb``
    is as good as a lesser one, and leaves the squares more choice.
    """
    shifts = np.arange(-REACH, REACH + 1)
    tried = np.column_stack(
        [to_units(optimum_ppb, unit_log2_ppt)[:, None] + shifts, to_units(sampled_ppb, unit_log2_ppt)]
    )
    candidates = _held(tried, entry_bits)
    judge = _Judge.of(curve, shape, unit_log2_ppt, enough_ppb)
    if shape.interpolation == "nearest":
        chosen = judge.best_of_each_cell(candidates)
    elif shape.interpolation == "linear":
        chosen = _best_chain(*judge.interval_costs(candidates), judge.enough)
    else:
        return tuple(int(entry) for entry in judge.improved(candidates))
    return tuple(int(entry) for entry in candidates[np.arange(shape.count), chosen])


def _held(entries: Floats, entry_bits: int) -> Integers:
    largest = 2 ** (entry_bits - 1) - 1
    return np.clip(entries, -largest - 1, largest).astype(np.int64)


class _Judge:
    """The codes of a curve by the interval that they read, and what a misfit there costs. [entry units]"""

    def __init__(
        self, index: Integers, part: Integers, target: Floats, allowance: Floats, share: Floats, enough: float
    ) -> None:
        self.index, self.part, self.target = index, part, target
        self.allowance, self.share, self.enough = allowance, share, enough
        self.starts = np.flatnonzero(np.diff(index, prepend=-1))

    @classmethod
    def of(cls, curve: CodedCurve, shape: Shape, unit_log2_ppt: int, enough_ppb: float) -> _Judge:
        index, part = shape.placed(curve.codes)
        unit = unit_ppb(unit_log2_ppt)
        allowance, share = per_code(curve.allowance, curve), per_code(curve.share, curve)
        return cls(index, part, curve.offset_ppb / unit, allowance, share, enough_ppb / unit)

    def costs(self, read: Floats | Integers) -> tuple[Floats, Floats]:
        """Worst error and sum of squares in each interval, for what is read at every code."""
        misfit = read - self.target
        worst = np.maximum.reduceat(np.abs(misfit) / self.allowance, self.starts)
        return worst, np.add.reduceat(misfit * misfit * self.share, self.starts)

    def best_of_each_cell(self, candidates: Integers) -> Integers:
        """The best candidate of each cell, by itself."""
        each = [self.costs(candidates[self.index, choice]) for choice in range(candidates.shape[1])]
        worst, squares = (np.column_stack(columns) for columns in zip(*each, strict=True))
        squares[worst > max(worst.min(axis=1).max(), self.enough)] = np.inf
        chosen: Integers = squares.argmin(axis=1)
        return chosen

    def interval_costs(self, candidates: Integers) -> tuple[Floats, Floats]:
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

    def improved(self, candidates: Integers) -> Integers:
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

    def __init__(self, judge: _Judge, entries: Integers) -> None:
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

    def _costs(self, first: int, last: int) -> tuple[Floats, Floats]:
        """Worst error and sum of squares of the intervals from first to before last."""
        near = self.entries[first : last + 2]
        if max(np.abs(near[2:] - near[:-2]).max(), np.abs(np.diff(near, 2)).max()) > LARGEST_RISE:
            return np.full(last - first, np.inf), np.full(last - first, np.inf)
        judge, here = self.judge, slice(self.ends[first], self.ends[last])
        index = judge.index[here]
        three = (self.entries[index], self.entries[index + 1], self.entries[index + 2])
        misfit = curved(*three, judge.part[here]) - judge.target[here]
        starts = judge.starts[first:last] - judge.starts[first]
        worst = np.maximum.reduceat(np.abs(misfit) / judge.allowance[here], starts)
        return worst, np.add.reduceat(misfit * misfit * judge.share[here], starts)


def _best_chain(worst: Floats, squares: Floats, enough: float) -> Integers:
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
