"""Where the knots lie: everything of a table but its numbers."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.breakpoint_table import Breakpoints, BreakpointTable
from tcomp.table.coded_curve import CodedCurve
from tcomp.table.even_table import ONE, EvenTable, evenly_placed
from tcomp.table.lookup import PART_BITS, CorrectionTable, Interpolation
from tcomp.table.polynomial import Polynomial
from tcomp.table.segment_table import Segments, SegmentTable
from tcomp.table.step_table import LARGEST_STEP_LOG2, StepTable

Align = Literal["auto", "range", "step"]
Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


@dataclass(frozen=True)
class Shape(ABC):
    """Just enough knots for the range of a curve.

    Parameters
    ----------
    count : int
        Number of entries.
    interpolation : {"linear", "nearest", "quadratic"}
        How the firmware reads between them.
    """

    count: int
    interpolation: Interpolation

    @property
    @abstractmethod
    def knot_codes(self) -> Floats:
        """Code of each entry, between two codes perhaps."""

    @abstractmethod
    def placed(self, codes: Integers) -> tuple[Integers, Integers]:
        """Index of the first entry that each code reads, and the way since then in 2**-16.

        Straight lines: a code at the last knot belongs to the interval that ends there, a whole
        length along it, so that every code has a knot above.
        """

    @abstractmethod
    def table(self, **fields: Any) -> CorrectionTable:
        """The table of these knots with the other fields given."""

    @property
    def index_bytes(self) -> int:
        """What is held besides the entries to find the way among them. [bytes]"""
        return 0

    def bytes(self, entry_bits: int) -> int:
        """What the entries take, and the numbers that find them. [bytes]"""
        return self.count * entry_bits // 8 + self.index_bytes

    def weights(self, codes: Integers) -> tuple[Integers, Floats]:
        """First entry that each code reads, and how much it and the next ones count. Shapes (n,), (n, m)."""
        index, part = self.placed(codes)
        way = part / ONE
        if self.interpolation == "nearest":
            return index, np.ones((len(codes), 1))
        if self.interpolation == "linear":
            return index, np.column_stack([1 - way, way])
        t = way - 0.5
        return index, np.column_stack([t * (t - 1) / 2, 1 - t * t, t * (t + 1) / 2])


@dataclass(frozen=True)
class StepShape(Shape):
    """Knots 2**step_log2 codes apart."""

    first_code: int
    step_log2: int

    @property
    def knot_codes(self) -> Floats:
        """Code of each entry."""
        return self.first_code + (np.arange(self.count, dtype=np.float64) * 2.0**self.step_log2)

    def placed(self, codes: Integers) -> tuple[Integers, Integers]:
        """Index and way; the nearest knot, halfway between two, is the upper one."""
        along = codes - self.first_code
        if self.interpolation == "nearest":
            return (along + (1 << self.step_log2 >> 1)) >> self.step_log2, np.zeros_like(along)
        index = np.minimum(along >> self.step_log2, self.count - 2)
        return index, (along - (index << self.step_log2)) << (PART_BITS - self.step_log2)

    def table(self, **fields: Any) -> StepTable:
        """The table of these knots."""
        return StepTable(
            first_code=self.first_code, step_log2=self.step_log2, interpolation=self.interpolation, **fields
        )


@dataclass(frozen=True)
class EvenShape(Shape):
    """Any number of knots, evenly spaced, on a polynomial perhaps."""

    first_code: int
    pace: int
    polynomial: Polynomial | None = field(default=None)

    @property
    def knot_codes(self) -> Floats:
        """Code of each entry."""
        from_first = {"linear": 0.0, "nearest": 0.5, "quadratic": -0.5}[self.interpolation]
        return self.first_code + (np.arange(self.count, dtype=np.float64) + from_first) * (ONE / self.pace)

    def placed(self, codes: Integers) -> tuple[Integers, Integers]:
        """Index and way."""
        return evenly_placed(codes, self.first_code, self.pace)

    @property
    def index_bytes(self) -> int:
        """The polynomial's coefficients."""
        return 0 if self.polynomial is None else 2 * len(self.polynomial.coefficients)

    def table(self, **fields: Any) -> EvenTable:
        """The table of these knots."""
        return EvenTable(
            first_code=self.first_code,
            pace=self.pace,
            interpolation=self.interpolation,
            polynomial=self.polynomial,
            **fields,
        )


@dataclass(frozen=True)
class SegmentShape(Shape):
    """Knots of a few segments."""

    segments: Segments

    @property
    def knot_codes(self) -> Floats:
        """Code of each entry."""
        return self.segments.knot_codes(self.count).astype(np.float64)

    def placed(self, codes: Integers) -> tuple[Integers, Integers]:
        """Index and way."""
        return self.segments.placed(codes)

    @property
    def index_bytes(self) -> int:
        """What finds the segment."""
        return 4 * len(self.segments.starts)

    def table(self, **fields: Any) -> SegmentTable:
        """The table of these knots."""
        return SegmentTable(starts=self.segments.starts, step_log2s=self.segments.step_log2s, **fields)


@dataclass(frozen=True)
class BreakpointShape(Shape):
    """Free knots."""

    breakpoints: Breakpoints

    @property
    def knot_codes(self) -> Floats:
        """Code of each entry."""
        return np.array(self.breakpoints.knots, dtype=np.float64)

    def placed(self, codes: Integers) -> tuple[Integers, Integers]:
        """Index and way."""
        return self.breakpoints.placed(codes)

    @property
    def index_bytes(self) -> int:
        """What finds the interval, and its reciprocal."""
        return 4 * (self.count - 1)

    def table(self, **fields: Any) -> BreakpointTable:
        """The table of these knots."""
        return BreakpointTable(knots=self.breakpoints.knots, **fields)


def shapes(curve: CodedCurve, step_log2: int, interpolation: Interpolation, align: Align) -> list[StepShape]:
    """Every placing of knots 2**step_log2 codes apart that an alignment allows.

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
        placings.append(StepShape(count, interpolation, origin + half, step_log2))
    return placings


def even_shape(
    curve: CodedCurve, pieces: int, interpolation: Interpolation, polynomial: Polynomial | None = None
) -> EvenShape:
    """Divide the range into this many intervals (cells, where each has an entry of its own), of a code each at least.

    The pace is the largest with which the last code stays inside the last interval, so that the
    firmware need not ask whether there is a knot above.
    """
    span = curve.high_code - curve.low_code
    pace = (min(pieces, span) * ONE - 1) // span
    pieces = (span * pace >> PART_BITS) + 1
    count = pieces + {"nearest": 0, "linear": 1, "quadratic": 2}[interpolation]
    return EvenShape(count, interpolation, curve.low_code, pace, polynomial)
