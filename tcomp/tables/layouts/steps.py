"""Knots a power of two of codes apart: a shift finds them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from typing import ClassVar, Literal

import numpy as np

from tcomp.arrays import FloatArray, IntArray
from tcomp.errors import TableError
from tcomp.tables.code_scale import CodeScale
from tcomp.tables.coded_curve import CodedCurve, OffsetOfTemperature, coded_curve
from tcomp.tables.design import Designs, Family, best_of, sampled
from tcomp.tables.layout import (
    INTERPOLATIONS,
    LARGEST_STEP_LOG2,
    PART_BITS,
    CorrectionTable,
    Interpolation,
    KnotLayout,
    check_choice,
    check_integer,
)

Align = Literal["auto", "range", "step"]


@dataclass(frozen=True, kw_only=True)
class StepLayout(KnotLayout):
    """Knots 2**step_log2 codes apart, straight lines between them, or the nearest one.

    Parameters
    ----------
    first_code : int
        Code of entry 0.
    step_log2 : int
        2**step_log2 codes lie between knots, 0 to 15.
    interpolation : {"linear", "nearest"}
        Straight lines between knots, or the nearest knot (a code halfway takes the upper one).

    Examples
    --------
    >>> from tcomp.tables.code_scale import TemperatureScale
    >>> table = CorrectionTable(
    ...     layout=StepLayout(count=3, first_code=0, step_log2=8, interpolation="linear"),
    ...     scale=TemperatureScale(100), low_code=0, high_code=512, entry_bits=16, unit_log2_ppt=4,
    ...     entries=(-100, 0, 300), max_error_ppb=1.0, rms_error_ppb=0.5)
    >>> table.lookup([0, 128, 256, 512, 9999])
    array([-100,  -50,    0,  300,  300])
    >>> table.offset_ppt([0])
    array([-1600])
    """

    first_code: int
    step_log2: int
    interpolation: Interpolation
    form: ClassVar[str] = "steps"

    @property
    def step(self) -> int:
        """Codes between two knots."""
        return 1 << self.step_log2

    @property
    def origin_code(self) -> int:
        """First code that reads entry 0: the knot itself, or half a step below it for the nearest."""
        return self.first_code - (self.step >> 1 if self.interpolation == "nearest" else 0)

    @property
    def knot_codes(self) -> FloatArray:
        """Code of each entry."""
        return self.first_code + self.step * np.arange(self.count, dtype=np.float64)

    def locate(self, codes: IntArray) -> tuple[IntArray, IntArray]:
        """Index and way; a code on the last knot is a whole way along the interval before it."""
        along = codes - self.origin_code
        if self.interpolation == "nearest":
            return along >> self.step_log2, np.zeros_like(along)
        index = np.minimum(along >> self.step_log2, max(self.count - 2, 0))
        return index, (along - (index << self.step_log2)) << (PART_BITS - self.step_log2)

    def description(self, table: CorrectionTable) -> str:
        """How the entries lie and are read."""
        between = {"linear": "straight lines between", "nearest": "the nearest one is taken"}[self.interpolation]
        return f"one every {self.step} codes ({table.degc_words(self.step)} degC) from code {self.first_code} on, {between}"

    def check(self, table: CorrectionTable) -> None:
        """Check the interpolation, the width of the entries, and where the knots begin."""
        check_choice("interpolation", self.interpolation, ("linear", "nearest"))
        check_choice("entry_bits", table.entry_bits, (16, 32))
        # A whole step below the least code is as far as a knot can lie and still be of use.
        least_code, largest_code = table.scale.least_code, table.scale.largest_code
        check_integer("first_code", self.first_code, least_code - (1 << LARGEST_STEP_LOG2), largest_code)
        check_integer("step_log2", self.step_log2, 0, LARGEST_STEP_LOG2)

    def check_reach(self, table: CorrectionTable) -> None:
        """Check that the entries reach from the first to the last code."""
        if table.low_code < self.origin_code:
            raise TableError(
                f"low_code {table.low_code} lies below the reach of the first entry, which begins at code "
                f"{self.origin_code}; expected entries over the whole range"
            )
        along = table.high_code - self.origin_code
        between = self.interpolation == "linear" and along % self.step != 0
        self.check_count(table, (along >> self.step_log2) + (2 if between else 1))


def step_layouts(curve: CodedCurve, step_log2: int, interpolation: Interpolation, align: Align) -> list[StepLayout]:
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
        placings.append(
            StepLayout(count=count, interpolation=interpolation, first_code=origin + half, step_log2=step_log2)
        )
    return placings


@dataclass(frozen=True)
class StepFamily(Family):
    """Knots a power of two of codes apart."""

    interpolation: Interpolation
    align: Align
    form: ClassVar[str] = "steps"

    @cached_property
    def _layouts(self) -> list[StepLayout]:
        every = [
            layout
            for step_log2 in range(LARGEST_STEP_LOG2, -1, -1)
            for layout in step_layouts(self.curve, step_log2, self.interpolation, self.align)
        ]
        return sorted(every, key=lambda layout: layout.count)

    @property
    def sizes(self) -> range:
        """Number of the placing, fewest entries first."""
        return range(len(self._layouts))

    def layout(self, size: int) -> StepLayout:
        """The placing."""
        return self._layouts[size]

    def bytes(self, size: int) -> float:
        """Those of the placing."""
        return self._layouts[size].bytes(self.entry_bits)

    def error_lower_bound_ppb(self, size: int) -> float:
        """The bound of the placing."""
        return self.designs.bound_ppb(self._layouts[size], self.entry_bits)

    def table(self, size: int) -> CorrectionTable:
        """Design one placing."""
        return self.designs.table(self._layouts[size], self.entry_bits)


def step_families(designs: Designs, interpolation: Interpolation | None, align: Align) -> Iterator[Family]:
    """Entries of 16 and of 32 bits, read in one way, or in each."""
    for entry_bits in (16, 32):
        for read_as in INTERPOLATIONS if interpolation is None else (interpolation,):
            if read_as != "quadratic":
                yield StepFamily(designs, entry_bits, read_as, align)


def smallest_sampled_table(
    offset_ppb_of: OffsetOfTemperature,
    *,
    low_c: float,
    high_c: float,
    scale: CodeScale,
    interpolation: Interpolation,
    align: Align,
    max_error_ppb: float,
) -> CorrectionTable:
    """Find the smallest table of plain samples with at most that error: the rival in a report.

    Parameters
    ----------
    offset_ppb_of : callable
        The curve: temperatures in (array, degC), offsets out (array of the same shape, ppb).
    low_c, high_c : float
        The range that the curve is good for. [degC]
    scale : CodeScale
        What the firmware's code stands for.
    interpolation, align
        As of :func:`step_layouts`.
    max_error_ppb : float
        The largest error over every code. [ppb]

    Raises
    ------
    TableError
        Even one sample per code, of 32 bits, is not good enough.
    """
    curve = coded_curve(offset_ppb_of, low_c, high_c, scale)
    choices = [
        (layout.bytes(entry_bits), entry_bits, layout)
        for entry_bits in (16, 32)
        for step_log2 in range(LARGEST_STEP_LOG2, -1, -1)
        for layout in step_layouts(curve, step_log2, interpolation, align)
    ]
    choices.sort(key=lambda choice: choice[0])
    for _, equal in groupby(choices, key=lambda choice: choice[0]):
        table = best_of([sampled(curve, layout, entry_bits) for _, entry_bits, layout in equal], curve)
        if table.max_error_ppb <= max_error_ppb:
            return table
    raise TableError(f"no table of samples meets {max_error_ppb:g} ppb; expected a larger max_error_ppb")
