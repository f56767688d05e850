"""Knots evenly spaced, any number of them, on a polynomial perhaps: a product finds them, whatever their distance in codes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from typing import Any, ClassVar

import numpy as np

from tcomp.arrays import FloatArray, IntArray
from tcomp.errors import TableError
from tcomp.tables.coded_curve import CodedCurve
from tcomp.tables.design import Designs, Family, finished
from tcomp.tables.layout import (
    INTERPOLATIONS,
    LARGEST_RISE,
    LARGEST_UNIT_LOG2_PPT,
    ONE,
    PART_BITS,
    CorrectionTable,
    Entries,
    Interpolation,
    KnotLayout,
    Layout,
    check_choice,
    check_integer,
)
from tcomp.tables.layouts.polynomial import Polynomial, argument_scale, minimax_polynomial, polynomial_table
from tcomp.tables.layouts.steps import Align
from tcomp.tables.minimax import minimax_entries, sampled_entries
from tcomp.tables.rounding import UNIT_SHARE, best_integers, to_units, unit_ppb

LIKELY_FIRST: tuple[Interpolation, ...] = ("quadratic", "linear", "nearest")
UNITS_TRIED = 8
"""A residual of 8 bits is tried in so many units, each twice the one before."""


@dataclass(frozen=True, kw_only=True)
class EvenLayout(KnotLayout):
    """Evenly spaced knots, on a polynomial perhaps.

    One product gives the interval of a code and the way along it: position = (code - first_code) * codes_to_index_q16, cut
    in two, the upper bits and the lower 16.  The factor is an integer, so that the result is exact for every code.

    Parameters
    ----------
    first_code : int
        Code at which the first interval begins. "linear": that of entry 0.  "nearest": the first code
        of the cell that reads entry 0.  "quadratic": the first code of the cell about entry 1.
    codes_to_index_q16 : int
        2**-16 intervals that a code is long, 1 to 65536.
    interpolation : {"linear", "nearest", "quadratic"}
        Straight lines between knots; one entry per cell; or the parabola through the entry of the cell
        and its two neighbours.
    polynomial : Polynomial or None
        What the entries stand on: they are the residuals, of 8 or 16 bits. The polynomial has 16 bits.

    Examples
    --------
    Three knots over 100 codes: 50 codes are 65536 parts, so a code is 1310.72, in integers 1310.

    >>> layout = EvenLayout(count=3, first_code=0, codes_to_index_q16=1310, interpolation="linear")
    >>> layout.locate(np.array([0, 50, 51, 100]))
    (array([0, 0, 1, 1]), array([    0, 65500,  1274, 65464]))
    >>> layout.read(np.array([-100, 0, 300]), np.array([0, 25, 50, 51, 100]))
    array([-100,  -50,    0,    6,  300])
    """

    first_code: int
    codes_to_index_q16: int
    interpolation: Interpolation
    polynomial: Polynomial | None = field(default=None)
    form: ClassVar[str] = "even"

    @property
    def name(self) -> str:
        """The layout in a word or two."""
        return "even" if self.polynomial is None else "even on a polynomial"

    @property
    def knot_codes(self) -> FloatArray:
        """Code at which each entry stands."""
        from_first = {"linear": 0.0, "nearest": 0.5, "quadratic": -0.5}[self.interpolation]
        return self.first_code + (np.arange(self.count, dtype=np.float64) + from_first) * (
            ONE / self.codes_to_index_q16
        )

    def locate(self, codes: IntArray) -> tuple[IntArray, IntArray]:
        """Interval of each code, counted from the first, and the way along it in 2**-16 of its length."""
        position = (codes - self.first_code) * self.codes_to_index_q16
        return position >> PART_BITS, position & (ONE - 1)

    def read(self, entries: IntArray, codes: IntArray) -> IntArray:
        """Value at codes of the range. [entry units]"""
        value = super().read(entries, codes)
        return value if self.polynomial is None else value + self.polynomial.value(codes)

    @property
    def degree(self) -> int | None:
        """Degree of the polynomial that the entries stand on; None: they stand on none."""
        return None if self.polynomial is None else self.polynomial.degree

    def value_bits(self, entry_bits: int) -> int:
        """Width of what the lookup returns: that of the polynomial where there is one. [bit]"""
        return entry_bits if self.polynomial is None else 16

    @property
    def index_bytes(self) -> int:
        """The polynomial's coefficients."""
        return 0 if self.polynomial is None else 2 * len(self.polynomial.coefficients)

    def raised(self, entries: Entries, units: int) -> tuple[Layout, Entries]:
        """So many units higher: the polynomial is, where the entries stand on one."""
        if self.polynomial is None:
            return super().raised(entries, units)
        return replace(self, polynomial=self.polynomial.raised(units)), entries

    def description(self, table: CorrectionTable) -> str:
        """How the entries lie and are read."""
        step = ONE / self.codes_to_index_q16
        between = {
            "linear": "straight lines between",
            "nearest": "the nearest one is taken",
            "quadratic": "a parabola through the nearest one and its neighbours",
        }[self.interpolation]
        on = f", on a polynomial of degree {self.polynomial.degree}" if self.polynomial else ""
        return (
            f"one every {step:.6g} codes ({table.degc_words(step)} degC) from code {self.knot_codes[0]:.8g} on, "
            f"{between}{on}"
        )

    def check(self, table: CorrectionTable) -> None:
        """Check the interpolation, the width of the entries, and where the knots begin."""
        check_choice("interpolation", self.interpolation, INTERPOLATIONS)
        check_choice("entry_bits", table.entry_bits, (16, 32) if self.polynomial is None else (8, 16))
        check_integer("first_code", self.first_code, table.scale.least_code - ONE, table.low_code)
        check_integer("codes_to_index_q16", self.codes_to_index_q16, 1, ONE)
        if table.high_code - self.first_code >= ONE:
            raise TableError(
                f"high_code {table.high_code} lies more than {ONE - 1} codes above first_code {self.first_code}; "
                "expected a first knot closer to the range"
            )

    def check_reach(self, table: CorrectionTable) -> None:
        """Check that there are entries for all codes, and that sums and differences fit their bits."""
        if self.interpolation == "quadratic":
            _check_bends(table)
        index, part = self.locate(table.codes[-1:])
        needed = int(index[0]) + {"nearest": 1, "linear": 2 if part[0] else 1, "quadratic": 3}[self.interpolation]
        self.check_count(table, needed)
        if self.polynomial is not None:
            self.polynomial.check_range(table.low_code, table.high_code, 16)
        values = table.lookup(table.codes)
        most = 2 ** (table.value_bits - 1)
        check_integer("the least value", int(values.min()), -most, most - 1)
        check_integer("the largest value", int(values.max()), -most, most - 1)

    @classmethod
    def from_json(cls, count: int, content: Mapping[str, Any]) -> EvenLayout:
        """Read it back."""
        polynomial = content["polynomial"]
        polynomial = None if polynomial is None else Polynomial.from_json(polynomial)
        return cls(count=count, **(dict(content) | {"polynomial": polynomial}))


def _check_bends(table: CorrectionTable) -> None:
    if table.entry_bits == 32:
        raise TableError('interpolation "quadratic" takes entries of 16 bits at most; entry_bits is 32')
    entries = np.array(table.entries, dtype=np.int64)
    across, bend = entries[2:] - entries[:-2], np.diff(entries, 2)
    if len(entries) < 3 or max(np.abs(across).max(), np.abs(bend).max()) > LARGEST_RISE:
        raise TableError(
            "the entries of a quadratic table are fewer than three, or neighbours differ by more than an int16 holds; "
            "expected three or more, in a larger unit or closer together"
        )


def even_layout(
    curve: CodedCurve, pieces: int, interpolation: Interpolation, polynomial: Polynomial | None = None
) -> EvenLayout:
    """Divide the range into this many intervals (cells, where each has an entry of its own), of a code each at least.

    The factor is the largest with which the last code stays inside the last interval, so that the
    firmware need not ask whether there is a knot above.
    """
    span = curve.high_code - curve.low_code
    factor = (min(pieces, span) * ONE - 1) // span
    pieces = (span * factor >> PART_BITS) + 1
    return EvenLayout(
        count=pieces + {"nearest": 0, "linear": 1, "quadratic": 2}[interpolation],
        interpolation=interpolation,
        first_code=curve.low_code,
        codes_to_index_q16=factor,
        polynomial=polynomial,
    )


@dataclass(frozen=True)
class EvenFamily(Family):
    """Any number of evenly spaced knots."""

    interpolation: Interpolation
    form: ClassVar[str] = "even"

    @property
    def is_shown(self) -> bool:
        """Whether it is worth showing among all layouts: what 32 bits add shows in straight lines."""
        return self.entry_bits == 16 or self.interpolation == "linear"

    @property
    def sizes(self) -> range:
        """Number of intervals, or of cells."""
        return range(1, self.curve.high_code - self.curve.low_code + 1)

    def layout(self, size: int) -> EvenLayout:
        """Knots of this number of intervals."""
        return even_layout(self.curve, size, self.interpolation)

    def bytes(self, size: int) -> float:
        """Those of the entries."""
        return self.layout(size).bytes(self.entry_bits)

    def error_lower_bound_ppb(self, size: int) -> float:
        """The bound of these knots."""
        return _bound_ppb(self.designs, self.layout(size), self.entry_bits)

    def table(self, size: int) -> CorrectionTable | None:
        """Design this number of intervals."""
        return self.designs.table(self.layout(size), self.entry_bits)


@dataclass(frozen=True)
class ResidualFamily(Family):
    """Evenly spaced entries of 8 or 16 bits on a polynomial of low degree."""

    interpolation: Interpolation
    degree: int
    form: ClassVar[str] = "even"
    priority: ClassVar[int] = 1

    @property
    def is_shown(self) -> bool:
        """Whether it is worth showing among all layouts: small entries on a polynomial that bends."""
        return self.entry_bits == 8 and self.interpolation != "nearest" and self.degree > 1

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

    def layout(self, size: int) -> EvenLayout | None:
        """Knots on the polynomial."""
        if self._base is None:
            return None
        return even_layout(self.curve, size, self.interpolation, self._base[0])

    @property
    def sizes(self) -> range:
        """Number of intervals, or of cells."""
        return range(1, self.curve.high_code - self.curve.low_code + 1)

    def error_lower_bound_ppb(self, size: int) -> float:
        """The bound of these knots for what the polynomial leaves."""
        layout = self.layout(size)
        if layout is None or self._base is None:
            return np.inf
        return _bound_ppb(Designs(self._base[1]), layout, 32) - unit_ppb(self._base[2]) / 2

    @property
    def floor_ppb(self) -> float:
        """Nearly half a unit."""
        return np.inf if self._base is None else UNIT_SHARE * unit_ppb(self._base[2])

    def bytes(self, size: int) -> float:
        """Those of the entries and the coefficients."""
        layout = self.layout(size)
        return np.inf if layout is None else layout.bytes(self.entry_bits)

    def table(self, size: int) -> CorrectionTable | None:
        """Design this number of intervals."""
        layout = self.layout(size)
        if layout is None or self._base is None:
            return None
        _, rest, unit_log2_ppt = self._base
        optimum, rival = minimax_entries(rest, layout), sampled_entries(rest, layout)
        if np.abs(to_units(optimum.entries_ppb, unit_log2_ppt)).max() >= 2 ** (self.entry_bits - 1):
            return None
        entries = best_integers(
            rest,
            layout,
            optimum_ppb=optimum.entries_ppb,
            sampled_ppb=rival.entries_ppb,
            unit_log2_ppt=unit_log2_ppt,
            entry_bits=self.entry_bits,
            enough_ppb=self.designs.enough_ppb,
        )
        try:
            return finished(self.curve, layout, self.entry_bits, unit_log2_ppt, entries)
        except TableError:
            return None


def _bound_ppb(designs: Designs, layout: EvenLayout, entry_bits: int) -> float:
    """A bound; for parabolas, which have none that is cheap, half of the sampled table's error: designing gains less."""
    if layout.interpolation == "quadratic":
        return sampled_entries(designs.curve, layout).worst_ppb / 2
    return designs.bound_ppb(layout, entry_bits)


def even_families(designs: Designs, interpolation: Interpolation | None, align: Align) -> Iterator[Family]:
    """Entries of all widths, read in one way, or in each; residuals first, which are likely to be small."""
    asked = INTERPOLATIONS if interpolation is None else (interpolation,)
    for entry_bits, degree, read_as in product((8, 16), (3, 2, 1), asked):
        yield ResidualFamily(designs, entry_bits, read_as, degree)
    for entry_bits, read_as in product((16, 32), LIKELY_FIRST):
        if read_as in asked and (entry_bits == 16 or read_as != "quadratic"):
            yield EvenFamily(designs, entry_bits, read_as)
