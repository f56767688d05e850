"""Tables of one form, from the coarsest to the finest: how each form is placed on a curve."""

from __future__ import annotations

from abc import ABC, abstractmethod
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import islice, product, takewhile
from typing import ClassVar

import numpy as np

from tcomp.errors import TableError
from tcomp.table.breakpoint_table import Breakpoints
from tcomp.table.coded_curve import CodedCurve
from tcomp.table.design import Designs, finished
from tcomp.table.fixed_point import to_units, unit_ppb
from tcomp.table.lookup import LARGEST_UNIT_LOG2_PPT, CorrectionTable, Interpolation
from tcomp.table.minimax import minimax_entries, sampled_entries
from tcomp.table.polynomial import LARGEST_DEGREE, Polynomial
from tcomp.table.polynomial_design import argument_scale, minimax_polynomial, polynomial_table
from tcomp.table.rounding import best_integers
from tcomp.table.segment_table import Segments
from tcomp.table.segmenting import free_knots, intervals_needed, segments_within
from tcomp.table.shape import Align, BreakpointShape, EvenShape, SegmentShape, StepShape, even_shape, shapes
from tcomp.table.step_table import LARGEST_STEP_LOG2

LEVELS_PER_OCTAVE = 8
"""Segments are laid for errors 2**(-1/8) apart: 9 %, which is 4 % of the entries."""
PATIENCE = 12
"""Designs that may miss the error that was hoped for: with the form's integers, none will meet it then."""
NO_BYTES = 2**31
"""As good as no table."""
UNIT_SHARE = 0.45
"""Over thousands of codes, whole units miss a sloping curve by half a unit somewhere; nearly, to be on the safe side."""
UNITS_TRIED = 8
"""A residual of 8 bits is tried in so many units, each twice the one before."""


@dataclass(frozen=True)
class Family(ABC):
    """Tables of one form on one curve, by size: more bytes and a lesser error, as a rule."""

    designs: Designs
    entry_bits: int

    form: ClassVar[str]
    """Name of the form in jobs and files."""

    @property
    def curve(self) -> CodedCurve:
        """What the tables are designed for."""
        return self.designs.curve

    @property
    @abstractmethod
    def sizes(self) -> range:
        """Sizes, from the coarsest on."""

    @abstractmethod
    def hope_ppb(self, size: int) -> float:
        """An error that the table of this size will hardly go below, found without designing it. [ppb]"""

    @abstractmethod
    def table(self, size: int) -> CorrectionTable | None:
        """Design the table of this size; None: there is none of it."""

    @abstractmethod
    def bytes(self, size: int) -> float:
        """What the table of this size will take; infinite where there is none. [bytes]"""

    @property
    def floor_ppb(self) -> float:
        """An error that no size goes below. [ppb]"""
        return 0.0

    def hopeful(self, max_error_ppb: float, max_bytes: float) -> Iterator[int]:
        """Sizes of so few bytes that can be hoped to meet an error, from the coarsest on."""
        fitting = takewhile(lambda size: self.bytes(size) <= max_bytes, self.sizes)
        return (size for size in fitting if self.hope_ppb(size) <= max_error_ppb)

    def smallest(self, max_error_ppb: float, max_bytes: float = np.inf) -> CorrectionTable | None:
        """The coarsest table that meets an error; None: there is none, or none of so few bytes."""
        if self.floor_ppb > max_error_ppb:
            return None
        for size in islice(self.hopeful(max_error_ppb, max_bytes), PATIENCE):
            table = self.table(size)
            if table is not None and table.bytes > max_bytes:
                return None
            if table is not None and self.curve.judged_ppb(table) <= max_error_ppb:
                return table
        return None

    def finest(self, max_bytes: int) -> CorrectionTable | None:
        """The finest table of so few bytes: bytes grow with the size."""
        fitting = bisect_right(self.sizes, max_bytes, key=lambda size: int(min(self.bytes(size), NO_BYTES)))
        return self.table(self.sizes[fitting - 1]) if fitting else None


@dataclass(frozen=True)
class Steps(Family):
    """Knots a power of two of codes apart."""

    interpolation: Interpolation
    align: Align
    form: ClassVar[str] = "steps"

    @cached_property
    def _placings(self) -> list[StepShape]:
        every = [
            shape
            for step_log2 in range(LARGEST_STEP_LOG2, -1, -1)
            for shape in shapes(self.curve, step_log2, self.interpolation, self.align)
        ]
        return sorted(every, key=lambda shape: shape.count)

    @property
    def sizes(self) -> range:
        """Number of the placing, fewest entries first."""
        return range(len(self._placings))

    def bytes(self, size: int) -> float:
        """Those of the placing."""
        return self._placings[size].bytes(self.entry_bits)

    def hope_ppb(self, size: int) -> float:
        """The bound of the placing."""
        return self.designs.bound_ppb(self._placings[size], self.entry_bits)

    def table(self, size: int) -> CorrectionTable:
        """Design one placing."""
        return self.designs.table(self._placings[size], self.entry_bits)


@dataclass(frozen=True)
class Even(Family):
    """Any number of evenly spaced knots."""

    interpolation: Interpolation
    form: ClassVar[str] = "even"

    @property
    def sizes(self) -> range:
        """Number of intervals, or of cells."""
        return range(1, self.curve.high_code - self.curve.low_code + 1)

    def bytes(self, size: int) -> float:
        """Those of the entries."""
        return even_shape(self.curve, size, self.interpolation).bytes(self.entry_bits)

    def hope_ppb(self, size: int) -> float:
        """The bound of these knots."""
        return _hope_ppb(self.designs, even_shape(self.curve, size, self.interpolation), self.entry_bits)

    def table(self, size: int) -> CorrectionTable | None:
        """Design this number of intervals."""
        try:
            return self.designs.table(even_shape(self.curve, size, self.interpolation), self.entry_bits)
        except TableError:  # A parabola's differences may leave their integers: then it is none of the rivals.
            return None


@dataclass(frozen=True)
class SegmentFamily(Family):
    """A few segments of steps that are powers of two."""

    form: ClassVar[str] = "segments"

    @cached_property
    def _coarsest_ppb(self) -> float:
        return max(float(np.ptp(self.curve.offset_ppb)) / 2, unit_ppb(0))

    def _error_ppb(self, size: int) -> float:
        return float(self._coarsest_ppb * 2 ** (-size / LEVELS_PER_OCTAVE))

    @property
    def sizes(self) -> range:
        """Level of the error for which they are laid."""
        octaves = np.log2(self._coarsest_ppb / unit_ppb(0))
        return range(int(LEVELS_PER_OCTAVE * max(octaves, 0.0)) + 1)

    def bytes(self, size: int) -> float:
        """Those of the segments as they are laid."""
        segments = segments_within(self.curve, self._error_ppb(size))
        return np.inf if segments is None else self._shape(segments).bytes(self.entry_bits)

    def hopeful(self, max_error_ppb: float, max_bytes: float) -> Iterator[int]:
        """Laying the segments takes longer than hoping does: bytes are counted when they are laid."""
        return (size for size in self.sizes if self.hope_ppb(size) <= max_error_ppb)

    def _shape(self, segments: Segments) -> SegmentShape:
        last = int(segments.placed(self.curve.codes[-1:])[0][0])
        return SegmentShape(last + 2, "linear", segments)

    def hope_ppb(self, size: int) -> float:
        """The error for which they are laid, to a tenth: it is an estimate."""
        return 0.9 * self._error_ppb(size)

    def table(self, size: int) -> CorrectionTable | None:
        """Lay the segments, and design their entries."""
        segments = segments_within(self.curve, self._error_ppb(size))
        return None if segments is None else self.designs.table(self._shape(segments), self.entry_bits)


@dataclass(frozen=True)
class BreakpointFamily(Family):
    """Free knots."""

    form: ClassVar[str] = "breakpoints"

    @property
    def sizes(self) -> range:
        """Number of intervals; with two codes each there is nothing left to choose."""
        return range(1, max(2, (self.curve.high_code - self.curve.low_code) // 4))

    def hopeful(self, max_error_ppb: float, max_bytes: float) -> Iterator[int]:
        """Begin where going as far as the error allows needs so many intervals."""
        first = max(0, intervals_needed(self.curve, max_error_ppb) - 2)
        return takewhile(lambda size: self.bytes(size) <= max_bytes, iter(self.sizes[first:]))

    def bytes(self, size: int) -> float:
        """Entry, code and reciprocal."""
        return self.entry_bits // 8 * (size + 1) + 4 * size

    def _knots(self, size: int) -> tuple[tuple[int, ...], float]:
        return free_knots(self.curve, size)

    def hope_ppb(self, size: int) -> float:
        """The error for which the knots are laid, to a fifth: it is an estimate."""
        return 0.8 * self._knots(size)[1]

    def table(self, size: int) -> CorrectionTable:
        """Lay the knots, and design their entries."""
        knots, _ = self._knots(size)
        return self.designs.table(BreakpointShape(len(knots), "linear", Breakpoints(knots)), self.entry_bits)


@dataclass(frozen=True)
class Polynomials(Family):
    """No knots: one polynomial."""

    form: ClassVar[str] = "polynomial"

    @property
    def sizes(self) -> range:
        """Degree."""
        return range(1, LARGEST_DEGREE + 1)

    @cached_property
    def _scale(self) -> tuple[int, int]:
        return argument_scale(self.curve)

    def bytes(self, size: int) -> float:
        """Those of the coefficients."""
        return self.entry_bits // 8 * (size + 1)

    def hope_ppb(self, size: int) -> float:
        """The error of the best real coefficients."""
        return minimax_polynomial(self.curve, *self._scale, size)[1]

    def table(self, size: int) -> CorrectionTable | None:
        """Design this degree."""
        try:
            return polynomial_table(self.curve, size, self.entry_bits)
        except TableError:  # The sums may leave their integers: then it is none of the rivals.
            return None


@dataclass(frozen=True)
class Residuals(Family):
    """Evenly spaced entries of 8 or 16 bits on a polynomial of low degree."""

    interpolation: Interpolation
    degree: int
    form: ClassVar[str] = "even"

    @cached_property
    def _base(self) -> tuple[Polynomial, CodedCurve, int] | None:
        """The polynomial, what it leaves of the curve, and the unit of both."""
        try:
            coarse = polynomial_table(self.curve, self.degree, 16)
        except TableError:  # No unit lets its sums fit.
            return None
        middle_code, shift = argument_scale(self.curve)
        last = min(coarse.unit_log2_ppt + UNITS_TRIED, LARGEST_UNIT_LOG2_PPT + 1)
        real_ppb, _ = minimax_polynomial(self.curve, middle_code, shift, self.degree)
        for unit_log2_ppt in range(coarse.unit_log2_ppt, last):
            coefficients = tuple(int(c) for c in to_units(real_ppb, unit_log2_ppt))
            polynomial = Polynomial(middle_code, shift, coefficients)
            below_ppb = np.asarray(polynomial.value(self.curve.codes) * unit_ppb(unit_log2_ppt), dtype=np.float64)
            rest = self.curve.less(below_ppb)
            # The optimum swings a little wider than the curve does.
            if np.abs(rest.offset_ppb).max() <= 0.95 * 2 ** (self.entry_bits - 1) * unit_ppb(unit_log2_ppt):
                return polynomial, rest, unit_log2_ppt
        return None

    def _shape(self, size: int) -> EvenShape | None:
        if self._base is None:
            return None
        return even_shape(self.curve, size, self.interpolation, self._base[0])

    @property
    def sizes(self) -> range:
        """Number of intervals, or of cells."""
        return range(1, self.curve.high_code - self.curve.low_code + 1)

    def hope_ppb(self, size: int) -> float:
        """The bound of these knots for what the polynomial leaves."""
        shape = self._shape(size)
        if shape is None or self._base is None:
            return np.inf
        return _hope_ppb(Designs(self._base[1]), shape, 32) - unit_ppb(self._base[2]) / 2

    @property
    def floor_ppb(self) -> float:
        """Nearly half a unit."""
        return np.inf if self._base is None else UNIT_SHARE * unit_ppb(self._base[2])

    def bytes(self, size: int) -> float:
        """Those of the entries and the coefficients."""
        shape = self._shape(size)
        return np.inf if shape is None else shape.bytes(self.entry_bits)

    def table(self, size: int) -> CorrectionTable | None:
        """Design this number of intervals."""
        shape = self._shape(size)
        if shape is None or self._base is None:
            return None
        _, rest, unit_log2_ppt = self._base
        optimum, rival = minimax_entries(rest, shape), sampled_entries(rest, shape)
        if np.abs(to_units(optimum.entries_ppb, unit_log2_ppt)).max() >= 2 ** (self.entry_bits - 1):
            return None
        entries = best_integers(
            rest,
            shape,
            optimum_ppb=optimum.entries_ppb,
            sampled_ppb=rival.entries_ppb,
            unit_log2_ppt=unit_log2_ppt,
            entry_bits=self.entry_bits,
            enough_ppb=self.designs.enough_ppb,
        )
        try:
            return finished(self.curve, shape, self.entry_bits, unit_log2_ppt, entries)
        except TableError:
            return None


def _hope_ppb(designs: Designs, shape: EvenShape, entry_bits: int) -> float:
    """A bound; for parabolas, which have none that is cheap, half of the sampled table's error: designing gains less."""
    if shape.interpolation == "quadratic":
        return sampled_entries(designs.curve, shape).worst_ppb / 2
    return designs.bound_ppb(shape, entry_bits)


def every_family(designs: Designs, interpolations: tuple[Interpolation, ...], align: Align) -> list[Family]:
    """All forms that read their entries in one of these ways, those first that are likely to be small."""
    found: list[Family] = []
    for bits, degree in product((8, 16), (3, 2, 1)):
        found += [Residuals(designs, bits, interpolation, degree) for interpolation in interpolations]
    for bits in (16, 32):
        if "quadratic" in interpolations and bits == 16:
            found.append(Even(designs, bits, "quadratic"))
        if "linear" in interpolations:
            found += [Even(designs, bits, "linear"), Steps(designs, bits, "linear", align)]
            found += [SegmentFamily(designs, bits), BreakpointFamily(designs, bits)]
        if "nearest" in interpolations:
            found += [Even(designs, bits, "nearest"), Steps(designs, bits, "nearest", align)]
    return found
