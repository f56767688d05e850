"""A few segments, each with its own step, a power of two: fine where the curve bends, coarse where it does not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from tcomp.arrays import BoolArray, FloatArray, IntArray
from tcomp.errors import TableError
from tcomp.tables.coded_curve import CodedCurve, per_code
from tcomp.tables.design import Designs, Family
from tcomp.tables.layout import (
    LARGEST_STEP_LOG2,
    PART_BITS,
    CorrectionTable,
    Interpolation,
    KnotLayout,
    check_choice,
    check_integer,
)
from tcomp.tables.layouts.steps import Align
from tcomp.tables.rounding import unit_ppb

LARGEST_NUMBER = 8
"""More segments are breakpoints by another name, and slower than those."""
LARGEST_GRID = 1024
"""Places at which a segment may begin; finer ones gain nothing that an entry could show."""
LOOKS = 17
"""Codes at which the sag of an interval is looked at."""
ENTRY_BYTES, SEGMENT_BYTES = 2, 4
LEVELS_PER_OCTAVE = 8
"""Segments are laid for errors 2**(-1/8) apart: 9 %, which is 4 % of the entries."""


@dataclass(frozen=True, kw_only=True)
class SegmentLayout(KnotLayout):
    """Knots of a few segments, straight lines between them.

    Parameters
    ----------
    starts : tuple of int
        Code at which each segment begins, ascending; it is a knot of the segment before.
    step_log2s : tuple of int
        The knots of a segment are 2**step_log2 codes apart.

    Examples
    --------
    Two steps of 16 codes, then steps of 64:

    >>> layout = SegmentLayout(count=4, starts=(0, 32), step_log2s=(4, 6))
    >>> layout.locate(np.array([0, 24, 32, 64, 95]))
    (array([0, 1, 2, 2, 2]), array([    0, 32768,     0, 32768, 64512]))
    >>> layout.read(np.array([-100, 0, 300, 100]), np.array([0, 24, 64]))
    array([-100,  150,  200])
    """

    starts: tuple[int, ...]
    step_log2s: tuple[int, ...]
    interpolation: Interpolation = field(default="linear", init=False)
    form: ClassVar[str] = "segments"

    def __post_init__(self) -> None:
        check_integer("the number of segments", len(self.starts), 1, LARGEST_NUMBER)
        check_integer("the number of steps", len(self.step_log2s), len(self.starts), len(self.starts))
        for start, step_log2 in zip(self.starts, self.step_log2s, strict=True):
            check_integer("the start of a segment", start, -(2**16), 2**16)
            check_integer("step_log2", step_log2, 0, LARGEST_STEP_LOG2)
        lengths = np.diff(self.starts)
        if np.any(lengths <= 0) or np.any(lengths & ((1 << np.array(self.step_log2s[:-1], dtype=np.int64)) - 1)):
            raise TableError(
                "the segments do not ascend by whole steps; expected each to begin at a knot of the former"
            )

    @property
    def first_knots(self) -> tuple[int, ...]:
        """Number of the knot with which each segment begins."""
        knots = [0]
        for length, step_log2 in zip(np.diff(self.starts), self.step_log2s, strict=False):
            knots.append(knots[-1] + (int(length) >> step_log2))
        return tuple(knots)

    @property
    def knot_codes(self) -> FloatArray:
        """Code of each entry."""
        knots = np.arange(self.count, dtype=np.int64)
        segment = np.searchsorted(self.first_knots, knots, side="right") - 1
        since = knots - np.array(self.first_knots)[segment]
        codes = np.array(self.starts)[segment] + (since << np.array(self.step_log2s)[segment])
        return np.asarray(codes, dtype=np.float64)

    def locate(self, codes: IntArray) -> tuple[IntArray, IntArray]:
        """Interval of each code, and the way along it in 2**-16 of its length."""
        segment = np.searchsorted(self.starts, codes, side="right") - 1
        along = codes - np.array(self.starts, dtype=np.int64)[segment]
        step_log2 = np.array(self.step_log2s, dtype=np.int64)[segment]
        index = np.array(self.first_knots, dtype=np.int64)[segment] + (along >> step_log2)
        return index, (along & ((1 << step_log2) - 1)) << (PART_BITS - step_log2)

    @property
    def index_bytes(self) -> int:
        """Start (2 bytes), step and first knot (1 each) of every segment."""
        return 4 * len(self.starts)

    def description(self, table: CorrectionTable) -> str:
        """How the entries lie and are read."""
        parts = [f"{1 << s} from code {start} on" for start, s in zip(self.starts, self.step_log2s, strict=True)]
        return f"one every so many codes: {', '.join(parts)}; straight lines between"

    def check(self, table: CorrectionTable) -> None:
        """Check the width of the entries, and that the segments begin within the range."""
        check_choice("entry_bits", table.entry_bits, (16, 32))
        check_integer("the start of the first segment", self.starts[0], -(2**16), table.low_code)
        if self.starts[-1] > table.high_code:
            raise TableError(f"the last segment begins at code {self.starts[-1]}, above high_code {table.high_code}")

    def check_reach(self, table: CorrectionTable) -> None:
        """Check that there is an entry above the last code."""
        self.check_count(table, int(self.locate(table.codes[-1:])[0][0]) + 2)

    @classmethod
    def from_json(cls, count: int, content: Mapping[str, Any]) -> SegmentLayout:
        """Read it back."""
        for name, value in content.items():
            if not isinstance(value, list):
                raise TableError(f"{name} is no list; expected a list of integers")
        return cls(count=count, **{name: tuple(value) for name, value in content.items()})


def half_sags_ppb(curve: CodedCurve, first: IntArray, last: IntArray) -> FloatArray:
    """Error of the best line beside each interval's chord: half of the sag; to both sides, where it bends so. [ppb]

    Each code's is divided by its allowance.  ``first`` and ``last`` are places along the curve; what lies
    beyond its end is not looked at.
    """
    end = len(curve.offset_ppb) - 1
    last = np.minimum(last, end)
    way = np.linspace(0.0, 1.0, LOOKS)
    at = np.rint(first[:, None] + (last - first)[:, None] * way).astype(np.int64)
    along = (at - first[:, None]) / np.maximum(last - first, 1)[:, None]
    low_ppb, high_ppb = curve.offset_ppb[first][:, None], curve.offset_ppb[last][:, None]
    sag = (curve.offset_ppb[at] - low_ppb - (high_ppb - low_ppb) * along) / per_code(curve.allowance, curve)[at]
    halves: FloatArray = np.ptp(sag, axis=1) / 2
    return halves


def segments_within(curve: CodedCurve, error_ppb: float) -> SegmentLayout | None:
    """Lay segments of the fewest bytes whose intervals all keep an error; None: even single codes do not.

    Dynamic programming (Bellman) from the range's end: what the rest costs, for each place and step.
    """
    span = curve.high_code - curve.low_code
    finest = max(0, (span // LARGEST_GRID).bit_length())
    step_log2s = np.arange(finest, min(LARGEST_STEP_LOG2, span.bit_length()) + 1)
    places = np.arange(0, span + 1, 1 << finest)
    within = np.column_stack([half_sags_ppb(curve, places, places + (1 << int(s))) <= error_ppb for s in step_log2s])
    for segment_bytes in SEGMENT_BYTES * 2 ** np.arange(8):
        laid = _laid(within, step_log2s - finest, int(segment_bytes))
        if laid is None:
            return None
        if len(laid) <= LARGEST_NUMBER:
            starts = tuple(curve.low_code + (place << finest) for place, _ in laid)
            steps = tuple(int(step_log2s[step]) for _, step in laid)
            last_knot = SegmentLayout(count=0, starts=starts, step_log2s=steps).locate(curve.codes[-1:])[0][0]
            return SegmentLayout(count=int(last_knot) + 2, starts=starts, step_log2s=steps)
    return None


def _laid(within: BoolArray, jumps_log2: IntArray, segment_bytes: int) -> list[tuple[int, int]] | None:
    """Place and step of each segment of the cheapest way through."""
    count, steps = within.shape
    jumps = 1 << jumps_log2
    # What is left to pay from a place on, while a step goes on; beyond the end nothing.
    rest = np.zeros((count + int(jumps[-1]), steps))
    goes_on = np.zeros((count, steps), dtype=np.bool_)
    switched = np.zeros(count, dtype=np.int64)
    number = np.arange(steps)
    for place in range(count - 1, -1, -1):
        staying = np.where(within[place], ENTRY_BYTES + rest[place + jumps, number], np.inf)
        switched[place] = staying.argmin()
        switching = staying[switched[place]] + segment_bytes
        goes_on[place] = staying <= switching
        rest[place] = np.minimum(staying, switching)
    if not np.isfinite(rest[0, switched[0]]):
        return None
    place, step = 0, int(switched[0])
    laid = [(0, step)]
    while place < count:
        if not goes_on[place, step]:
            step = int(switched[place])
            laid.append((place, step))
        place += int(jumps[step])
    return laid


@dataclass(frozen=True)
class SegmentFamily(Family):
    """A few segments of steps that are powers of two."""

    form: ClassVar[str] = "segments"

    @cached_property
    def _coarsest_ppb(self) -> float:
        return max(float(np.ptp(self.curve.offset_ppb)) / 2, unit_ppb(0))

    def _error_ppb(self, size: int) -> float:
        return float(self._coarsest_ppb * 2 ** (-size / LEVELS_PER_OCTAVE))

    def layout(self, size: int) -> SegmentLayout | None:
        """Segments for the error of this level."""
        return segments_within(self.curve, self._error_ppb(size))

    @property
    def sizes(self) -> range:
        """Level of the error for which they are laid."""
        octaves = np.log2(self._coarsest_ppb / unit_ppb(0))
        return range(int(LEVELS_PER_OCTAVE * max(octaves, 0.0)) + 1)

    def bytes(self, size: int) -> float:
        """Those of the segments as they are laid."""
        layout = self.layout(size)
        return np.inf if layout is None else layout.bytes(self.entry_bits)

    def promising(self, max_error_ppb: float, max_bytes: float) -> Iterator[int]:
        """Laying the segments takes longer than their bound does: bytes are counted when they are laid."""
        return (size for size in self.sizes if self.error_lower_bound_ppb(size) <= max_error_ppb)

    def error_lower_bound_ppb(self, size: int) -> float:
        """The error for which they are laid, to a tenth: it is an estimate."""
        return 0.9 * self._error_ppb(size)

    def table(self, size: int) -> CorrectionTable | None:
        """Lay the segments, and design their entries."""
        layout = self.layout(size)
        return None if layout is None else self.designs.table(layout, self.entry_bits)


def segment_families(designs: Designs, interpolation: Interpolation | None, align: Align) -> Iterator[Family]:
    """Entries of 16 and of 32 bits; segments have straight lines only."""
    if interpolation in (None, "linear"):
        for entry_bits in (16, 32):
            yield SegmentFamily(designs, entry_bits)
