"""Where the knots lie: everything of a table but its numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.coded_curve import CodedCurve
from tcomp.table.lookup import Interpolation
from tcomp.table.step_table import LARGEST_STEP_LOG2

Align = Literal["auto", "range", "step"]


@dataclass(frozen=True)
class Shape:
    """Knots 2**step_log2 codes apart, just enough of them for the range of a curve."""

    first_code: int
    step_log2: int
    count: int
    interpolation: Interpolation

    @property
    def knot_codes(self) -> NDArray[np.int64]:
        """Code of each knot."""
        return self.first_code + (np.arange(self.count, dtype=np.int64) << self.step_log2)

    def bytes(self, entry_bits: int) -> int:
        """What the entries take. [bytes]"""
        return self.count * entry_bits // 8

    def interval_of(self, codes: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Index of the knot below each code, and the codes since then.

        A code at the last knot belongs to the interval that ends there, a whole step along it, so
        that every code has a knot above.
        """
        along = codes - self.first_code
        index = np.minimum(along >> self.step_log2, self.count - 2)
        return index, along - (index << self.step_log2)

    def cell_of(self, codes: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of the knot nearest to each code; halfway, of the upper one."""
        return (codes - self.first_code + (1 << self.step_log2 >> 1)) >> self.step_log2


def shapes(curve: CodedCurve, step_log2: int, interpolation: Interpolation, align: Align) -> list[Shape]:
    """Every placing of the knots that an alignment allows.

    "step": the code of each knot is a multiple of the step.  "range": the first knot (for the
    nearest knot: the first cell) begins with the range.  "auto": both, and the range's other end.
    """
    if align not in ("auto", "range", "step"):
        raise TableError(f'align is "{align}"; expected "auto", "range" or "step"')
    if interpolation not in ("linear", "nearest"):
        raise TableError(f'interpolation is "{interpolation}"; expected "linear" or "nearest"')
    if not 0 <= step_log2 <= LARGEST_STEP_LOG2:
        raise TableError(f"step_log2 is {step_log2}; expected 0 to {LARGEST_STEP_LOG2}")
    step = 1 << step_log2
    # For the nearest knot the cells are laid: each begins half a step before its knot, and ends
    # one code before the next; intervals of straight lines share the knot between them.
    half = step >> 1 if interpolation == "nearest" else 0
    length = curve.high_code - curve.low_code + (1 if interpolation == "nearest" else 0)
    at_step = ((curve.low_code + half) >> step_log2) * step - half
    at_low = curve.low_code
    at_high = curve.low_code + length - -(-length // step) * step
    origins = {"step": [at_step], "range": [at_low], "auto": [at_step, at_low, at_high]}[align]
    placings = []
    for origin in dict.fromkeys(origins):
        pieces = -(-(curve.low_code + length - origin) // step)
        count = pieces if interpolation == "nearest" else pieces + 1
        placings.append(Shape(origin + half, step_log2, count, interpolation))
    return placings
