"""A sum of Chebyshev's polynomials in integers: factors that stay small, so that 16 bits and products of 16 bits do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import ClassVar

import numpy as np

from tcomp.arrays import FloatArray, IntArray
from tcomp.errors import TableError
from tcomp.tables.coded_curve import CodedCurve
from tcomp.tables.coefficients import (
    ARGUMENT_BITS,
    COARSE,
    LARGEST_DEGREE,
    Coefficients,
    IntegerForm,
    best_coefficients,
    chebyshev_factors,
)
from tcomp.tables.design import Designs, Family, best_of, finished, rounded_ppb
from tcomp.tables.layout import (
    INT32_MAX,
    INT32_MIN,
    LARGEST_UNIT_LOG2_PPT,
    CorrectionTable,
    Entries,
    Interpolation,
    Layout,
    check_choice,
    check_integer,
)
from tcomp.tables.layouts.steps import Align
from tcomp.tables.rounding import smallest_unit_log2_ppt, unit_ppb

VALUE_BITS = (16, 32)
HALF_INT16 = 2**15
HALF = 1 << ARGUMENT_BITS >> 1
MIDDLES = 3
"""Other middles that are tried, of those in which the factor of T1 is next to an integer."""


@dataclass(frozen=True, kw_only=True)
class ChebyshevLayout(Layout):
    """The entries are the factors of Chebyshev's polynomials T1, T2 ...; that of T0 is the base.

    x = (code - middle_code) * codes_to_x / 2**15, from -1 to less than 1 over the range, is exact for every code. With
    products rounded to nearest, ties upwards, and n entries e1 ... en:

    - T0 = 1, T1 = x T0 and T(k+1) = 2 x T(k) - T(k-1), each but T0 an int16 in units of 2**-15; with three entries or more,
      all begin from T0 = 511/512, as T3 and T4 reach 1 within the range, and rounding may add to a peak;
    - value = base + (e1 T1 + ... + en Tn) * 2**fine_bits, the sum in 32 bits and rounded once.

    So no factor needs room for its sums, as in Clenshaw's order, whose int16 comes no nearer than 4 ppb to the parabola of a
    tuning fork over 125 degC. With fine_bits above 0 value and base have 32 bits and are in ppt; all products have 16 by 16
    bits in either case.

    Parameters
    ----------
    middle_code : int
        Code at which x is 0.
    codes_to_x : int
        2**-15 of x that a code is long.
    fine_bits : int
        The value is in units of 2**-fine_bits of the entries' unit.
    base : int
        [units of the value]

    Examples
    --------
    1000 T1 + 500 T2 at x = 0, 1/2 and -1, above the base: -500, 500 - 250 and -1000 + 500.

    >>> layout = ChebyshevLayout(count=2, middle_code=0, codes_to_x=1, fine_bits=0, base=7)
    >>> layout.read(np.array([1000, 500]), np.array([0, 16384, -32768])).tolist()
    [-493, 257, -493]
    """

    middle_code: int
    codes_to_x: int
    fine_bits: int
    base: int
    form: ClassVar[str] = "chebyshev"

    def __post_init__(self) -> None:
        check_integer("middle_code", self.middle_code, -(2**16), 2**16)
        check_integer("codes_to_x", self.codes_to_x, 1, HALF_INT16)
        check_integer("fine_bits", self.fine_bits, 0, ARGUMENT_BITS)
        check_integer("base", self.base, -(2 ** (self.value_bits(16) - 1)), 2 ** (self.value_bits(16) - 1) - 1)

    def argument(self, codes: IntArray) -> IntArray:
        """x, in units of 2**-15."""
        return (codes - self.middle_code) * self.codes_to_x

    @property
    def t0(self) -> int:
        """T0, in units of 2**-15."""
        return t0_of(self.count)

    def polynomials(self, codes: IntArray) -> list[IntArray]:
        """T1 to the last one, in units of 2**-15."""
        x = self.argument(codes)
        before, found = np.full_like(x, self.t0), [(x * self.t0 + HALF) >> ARGUMENT_BITS]
        for _ in range(self.count - 1):
            found.append(((found[-1] * x + (HALF >> 1)) >> ARGUMENT_BITS - 1) - before)
            before = found[-2]
        return found

    def total(self, entries: IntArray, codes: IntArray) -> IntArray:
        """e1 T1 + ... + en Tn, in 2**-15 of the entries' unit."""
        found = self.polynomials(codes)
        total: IntArray = np.sum([entry * one for entry, one in zip(entries, found, strict=True)], axis=0)
        return total

    def value(self, total: IntArray) -> IntArray:
        """Value that belongs to a total. [units of the value]"""
        return self.base + ((total + (HALF >> self.fine_bits)) >> ARGUMENT_BITS - self.fine_bits)

    def read(self, entries: IntArray, codes: IntArray) -> IntArray:
        """Value at codes of the range. [units of the value]"""
        return self.value(self.total(entries, codes))

    @property
    def knot_codes(self) -> FloatArray:
        """Empty: factors stand at no code."""
        return np.zeros(0)

    @property
    def degree(self) -> int | None:
        """The highest power."""
        return self.count

    def value_bits(self, entry_bits: int) -> int:
        """Width of what the lookup returns. [bit]"""
        return 16 if self.fine_bits == 0 else 32

    @property
    def index_bytes(self) -> int:
        """The base."""
        return self.value_bits(16) // 8

    def raised(self, entries: Entries, units: int) -> tuple[Layout, Entries]:
        """So many units higher: the base is."""
        return replace(self, base=self.base + units), entries

    def description(self, table: CorrectionTable) -> str:
        """How the entries are read."""
        fine = f", in 1/{2**self.fine_bits} of the entries' unit" if self.fine_bits else ""
        return (
            f"the factors of Chebyshev's polynomials T1 to T{self.count}, that of T1 first; that of T0 is {self.base}{fine}; "
            f"the argument is 0 at code {self.middle_code} and 1 {HALF_INT16 / self.codes_to_x:.8g} codes above"
        )

    def check(self, table: CorrectionTable) -> None:
        """Check the width of the entries, and their number."""
        check_choice("entry_bits", table.entry_bits, (16,))
        self.check_unit(table)
        check_integer("the number of entries", self.count, 1, LARGEST_DEGREE)

    def check_unit(self, table: CorrectionTable) -> None:
        """Check that a value of 32 bits is in ppt, so that it cannot leave them when it is turned into ppt."""
        if self.fine_bits:
            check_integer("unit_log2_ppt of a value of 32 bits", table.unit_log2_ppt, 0, 0)

    def check_reach(self, table: CorrectionTable) -> None:
        """Check that every number on the way fits its bits."""
        entries = np.array(table.entries, dtype=np.int64)
        fault = self.fault(entries, table.codes)
        if fault:
            raise TableError(fault)
        largest = int(np.abs(self.read(entries, table.codes)).max()) << table.unit_log2_ppt
        check_integer("the largest value in ppt", largest, 0, INT32_MAX)

    def fault(self, entries: IntArray, codes: IntArray) -> str:
        """What leaves its bits at some of these codes; empty: nothing does."""
        x = self.argument(codes[[0, -1]])
        if x.min() < -HALF_INT16 or x.max() >= HALF_INT16:
            return (
                f"codes_to_x {self.codes_to_x} takes the codes {codes[0]} to {codes[-1]} beyond an int16 about the middle "
                f"code {self.middle_code}; expected a smaller one"
            )
        if any(one.min() < -HALF_INT16 or one.max() >= HALF_INT16 for one in self.polynomials(codes)):
            return "a polynomial leaves 16 bits; expected a smaller codes_to_x"
        total = self.total(entries, codes)
        if total.min() < INT32_MIN or total.max() > INT32_MAX - HALF:
            return "the sum of the products leaves 32 bits; expected a larger unit"
        value, most = self.value(total), 2 ** (self.value_bits(16) - 1)
        if value.min() < -most or value.max() >= most:
            return f"the value leaves {self.value_bits(16)} bits; expected a larger unit"
        return ""


def t0_of(degree: int) -> int:
    """T0 of so many entries, in units of 2**-15."""
    return HALF_INT16 if degree <= 2 else HALF_INT16 - 64


def chebyshev_argument(curve: CodedCurve) -> tuple[int, int]:
    """Middle code, and the largest factor that keeps every code of the range within an int16 about it."""
    middle_code = (curve.low_code + curve.high_code + 1) // 2
    reach = max(middle_code - curve.low_code, curve.high_code - middle_code + 1, 1)
    # T2 of -1 would be 1, which is no int16.
    return middle_code, max(1, (HALF_INT16 - 1) // reach)


def _other_arguments(curve: CodedCurve, table: CorrectionTable, factors_ppb: FloatArray) -> list[tuple[int, int]]:
    """Middles away from the range's, and smaller factors, in which the factor of T1 is next to an integer.

    The argument is exact with any of them, and up to degree 2 the rounding of the two factors is most of the error.
    """
    layout = table.layout
    assert isinstance(layout, ChebyshevLayout)
    reach = max(layout.middle_code - curve.low_code, curve.high_code - layout.middle_code + 1)
    unit = unit_ppb(table.unit_log2_ppt + layout.fine_bits)
    _, slope, bend = np.append(np.polynomial.chebyshev.cheb2poly(factors_ppb), [0.0, 0.0])[:3] / unit
    found: list[tuple[int, int]] = []
    for codes_to_x in range(layout.codes_to_x, max(0, layout.codes_to_x - 2), -1):
        room = (HALF_INT16 - 1) // codes_to_x - reach
        shifts = np.arange(-room, room + 1)
        moved, scale = shifts * layout.codes_to_x / HALF_INT16, layout.codes_to_x / codes_to_x
        factor_of_t1 = (slope + 2 * bend * moved) * scale
        nearest = np.argsort(np.abs(factor_of_t1 - np.rint(factor_of_t1)), kind="stable")[:MIDDLES]
        found += [(layout.middle_code + int(shift), codes_to_x) for shift in shifts[nearest]]
    return found


def _argument(curve: CodedCurve, middle_code: int, codes_to_x: int) -> FloatArray:
    return np.ldexp((curve.codes - middle_code).astype(np.float64) * codes_to_x, -ARGUMENT_BITS)


@dataclass(frozen=True, eq=False)
class _Chebyshev(IntegerForm):
    """Factors of Chebyshev's polynomials, the base first."""

    fine_bits: int
    degree: int
    middle_code: int
    codes_to_x: int

    def layout(self, coefficients: Coefficients) -> ChebyshevLayout:
        return ChebyshevLayout(
            count=self.degree, middle_code=self.middle_code, codes_to_x=self.codes_to_x, fine_bits=self.fine_bits,
            base=coefficients[0],
        )  # fmt: skip

    @cached_property
    def _rows(self) -> IntArray:
        return np.array(self.layout((0,) * (self.degree + 1)).polynomials(self.curve.codes))

    def value(self, coefficients: Coefficients) -> IntArray:
        return self.layout(coefficients).value(np.array(coefficients[1:]) @ self._rows)

    def fits(self, coefficients: Coefficients) -> bool:
        if any(not -HALF_INT16 < c < HALF_INT16 for c in coefficients[1:]):
            return False
        try:
            layout = self.layout(coefficients)
        except TableError:
            return False
        return not layout.fault(np.array(coefficients[1:]), self.curve.codes)

    def columns(self, degree: int, places: IntArray) -> FloatArray:
        columns = np.ldexp(self._rows[:, places].T.astype(np.float64), self.fine_bits - ARGUMENT_BITS)
        return np.column_stack([np.ones(len(places)), columns])


def chebyshev_table(curve: CodedCurve, degree: int, value_bits: int) -> CorrectionTable:
    """Design the sum of Chebyshev's polynomials up to one degree.

    Parameters
    ----------
    degree : int
        1 to 9.
    value_bits : int
        16: in the unit of the factors.  32: in ppt.

    Raises
    ------
    TableError
        No unit lets all sums fit.
    """
    factors_ppb, worst_ppb = chebyshev_factors(curve, _argument(curve, *chebyshev_argument(curve)), degree)
    table = _designed(curve, degree, value_bits, *chebyshev_argument(curve))
    if table is None:
        raise TableError(
            f"no unit lets Chebyshev's factors up to degree {degree} fit 16 bits; expected a smaller degree"
        )
    # Where the degree itself errs by more than the rounding does, there is nothing to gain.
    if degree > 2 or table.max_error_ppb <= COARSE * worst_ppb:
        return table
    others = [_designed(curve, degree, value_bits, *one) for one in _other_arguments(curve, table, factors_ppb)]
    return best_of([table, *(one for one in others if one is not None)], curve)


def _designed(
    curve: CodedCurve, degree: int, value_bits: int, middle_code: int, codes_to_x: int
) -> CorrectionTable | None:
    """The table of one argument; None: no unit lets it fit."""
    factors_ppb, worst_ppb = chebyshev_factors(curve, _argument(curve, middle_code, codes_to_x), degree)
    least = smallest_unit_log2_ppt(factors_ppb[1:], 16)
    in_ppt = value_bits == 32
    for entry_log2_ppt in range(max(least, int(in_ppt)), (ARGUMENT_BITS if in_ppt else LARGEST_UNIT_LOG2_PPT) + 1):
        fine_bits = entry_log2_ppt if in_ppt else 0
        form = _Chebyshev(curve, unit_ppb(entry_log2_ppt - fine_bits), fine_bits, degree, middle_code, codes_to_x)
        factors = factors_ppb[1:] / (unit_ppb(entry_log2_ppt) * (t0_of(degree) / HALF_INT16))
        start = tuple(int(c) for c in np.rint(np.append(factors_ppb[0] / form.unit, factors)))
        if not form.fits(start):
            continue
        best = best_coefficients(form, start, worst_ppb)
        table = finished(curve, form.layout(best), 16, entry_log2_ppt - fine_bits, best[1:])
        return replace(table, bound_ppb=rounded_ppb(worst_ppb))
    return None


@dataclass(frozen=True)
class ChebyshevFamily(Family):
    """No knots: one sum of Chebyshev's polynomials."""

    value_bits: int
    form: ClassVar[str] = "chebyshev"
    priority: ClassVar[int] = 0
    is_shown: ClassVar[bool] = True
    patience: ClassVar[int] = 3  # each further degree rounds once more

    @property
    def sizes(self) -> range:
        """Degree."""
        return range(1, LARGEST_DEGREE + 1)

    @cached_property
    def _bounds_ppb(self) -> dict[int, float]:
        return {}

    def layout(self, size: int) -> ChebyshevLayout:
        """So many factors."""
        middle_code, codes_to_x = chebyshev_argument(self.curve)
        return ChebyshevLayout(
            count=size,
            middle_code=middle_code,
            codes_to_x=codes_to_x,
            fine_bits=0 if self.value_bits == 16 else 1,
            base=0,
        )

    def bytes(self, size: int) -> float:
        """Those of the factors, with the base."""
        return 2 * size + self.value_bits // 8

    def error_lower_bound_ppb(self, size: int) -> float:
        """The error of the best real factors."""
        if size not in self._bounds_ppb:
            try:
                argument = _argument(self.curve, *chebyshev_argument(self.curve))
                self._bounds_ppb[size] = chebyshev_factors(self.curve, argument, size)[1]
            except TableError:
                self._bounds_ppb[size] = np.inf
        return self._bounds_ppb[size]

    def table(self, size: int) -> CorrectionTable | None:
        """Design this degree."""
        return chebyshev_table(self.curve, size, self.value_bits)


def chebyshev_families(designs: Designs, interpolation: Interpolation | None, align: Align) -> Iterator[Family]:
    """Values of 16 and of 32 bits; a polynomial is not interpolated."""
    if interpolation is None:
        for value_bits in VALUE_BITS:
            yield ChebyshevFamily(designs, 16, value_bits)
