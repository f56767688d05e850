"""A few segments, each with its own step, a power of two: fine where the curve bends, coarse where it does not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.lookup import PART_BITS, CorrectionTable, Integers, check_choice, check_integer, interpolated
from tcomp.table.step_table import LARGEST_STEP_LOG2

LARGEST_NUMBER = 8
"""More segments are breakpoints by another name, and slower than those."""


@dataclass(frozen=True)
class Segments:
    """Where knots lie in segments that join.

    Parameters
    ----------
    starts : tuple of int
        Code of the first knot of each segment, ascending; a whole number of the former segment's steps apart.
    step_log2s : tuple of int
        The knots of each segment are 2**step_log2 codes apart.

    Examples
    --------
    Two steps of 16 codes, then steps of 64:

    >>> segments = Segments((0, 32), (4, 6))
    >>> segments.placed(np.array([0, 24, 32, 64, 96]))
    (array([0, 1, 2, 2, 3]), array([    0, 32768,     0, 32768,     0]))
    """

    starts: tuple[int, ...]
    step_log2s: tuple[int, ...]

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

    def placed(self, codes: Integers) -> tuple[Integers, Integers]:
        """Interval of each code, and the way along it in 2**-16 of its length."""
        segment = np.searchsorted(self.starts, codes, side="right") - 1
        along = codes - np.array(self.starts, dtype=np.int64)[segment]
        step_log2 = np.array(self.step_log2s, dtype=np.int64)[segment]
        index = np.array(self.first_knots, dtype=np.int64)[segment] + (along >> step_log2)
        return index, (along & ((1 << step_log2) - 1)) << (PART_BITS - step_log2)

    def knot_codes(self, count: int) -> Integers:
        """Code of each of the first ``count`` knots."""
        knots = np.arange(count, dtype=np.int64)
        segment = np.searchsorted(self.first_knots, knots, side="right") - 1
        since = knots - np.array(self.first_knots)[segment]
        codes: Integers = np.array(self.starts)[segment] + (since << np.array(self.step_log2s)[segment])
        return codes


@dataclass(frozen=True, kw_only=True)
class SegmentTable(CorrectionTable):
    """Entries at the knots of a few segments, straight lines between them.

    Parameters
    ----------
    starts, step_log2s : tuple of int
        As of :class:`Segments`.

    Examples
    --------
    >>> from tcomp.table.code_scale import TemperatureScale
    >>> table = SegmentTable(
    ...     scale=TemperatureScale(100), low_code=0, high_code=95, starts=(0, 32), step_log2s=(4, 6), entry_bits=16,
    ...     unit_log2_ppt=4, entries=(-100, 0, 300, 100), max_error_ppb=1.0, rms_error_ppb=0.5)
    >>> table.lookup([0, 24, 64])
    array([-100,  150,  200])
    """

    starts: tuple[int, ...]
    step_log2s: tuple[int, ...]
    form: ClassVar[str] = "segments"

    @property
    def segments(self) -> Segments:
        """Where the knots lie."""
        return Segments(self.starts, self.step_log2s)

    def _check_form(self) -> None:
        check_choice("entry_bits", self.entry_bits, (16, 32))
        check_integer("the start of the first segment", self.segments.starts[0], -(2**16), self.low_code)
        if self.starts[-1] > self.high_code:
            raise TableError(f"the last segment begins at code {self.starts[-1]}, above high_code {self.high_code}")

    def _check_reach(self) -> None:
        needed = int(self.segments.placed(np.array([self.high_code]))[0][0]) + 2
        if needed > len(self.entries):
            raise TableError(
                f"high_code {self.high_code} lies above the reach of the last entry: {len(self.entries)} "
                f"entries were given where {needed} are needed"
            )

    @property
    def index_bytes(self) -> int:
        """Start (2 bytes), step and first knot (1 each) of every segment."""
        return 4 * len(self.starts)

    @property
    def knot_codes(self) -> NDArray[np.float64]:
        """Code of each entry."""
        return self.segments.knot_codes(len(self.entries)).astype(np.float64)

    @property
    def layout(self) -> str:
        """How the entries lie and are read."""
        parts = [f"{1 << s} from code {start} on" for start, s in zip(self.starts, self.step_log2s, strict=True)]
        return f"one every so many codes: {', '.join(parts)}; straight lines between"

    def _read(self, codes: Integers) -> Integers:
        index, part = self.segments.placed(codes)
        entries: Integers = np.array(self.entries, dtype=np.int64)
        return interpolated(entries[index], entries[index + 1], part)

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``table.json`` holds."""
        return super().to_json_dict() | {"starts": list(self.starts), "step_log2s": list(self.step_log2s)}
