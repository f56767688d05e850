"""A polynomial in integers, by Horner's rule: what entries can stand on, or the whole of a correction."""

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
    LARGEST_DEGREE,
    Coefficients,
    IntegerForm,
    best_coefficients,
    chebyshev_factors,
)
from tcomp.tables.design import Designs, Family, finished, rounded_ppb
from tcomp.tables.layout import (
    LARGEST_UNIT_LOG2_PPT,
    CorrectionTable,
    Entries,
    Interpolation,
    Layout,
    check_choice,
    check_integer,
)
from tcomp.tables.layouts.steps import Align
from tcomp.tables.rounding import UNIT_SHARE, smallest_unit_log2_ppt, unit_ppb

UNITS_SWEPT = 16
"""A curve that spans fewer units may lie near whole ones by chance."""


@dataclass(frozen=True)
class Polynomial:
    """value = c0 + x * (c1 + x * (c2 + ...)), each product rounded to nearest, ties upwards.

    Parameters
    ----------
    middle_code : int
        Code at which x is 0.
    shift : int
        x = (code - middle_code) * 2**shift / 2**15, from -1 to less than 1 over the range.
    coefficients : tuple of int
        c0 first. [entry units]

    Examples
    --------
    1 - 2 x**2 in units of 1/1000, at x = 0, 1/2 and -1:

    >>> Polynomial(0, 0, (1000, 0, -2000)).value(np.array([0, 16384, -32768]))
    array([ 1000,   500, -1000])
    """

    middle_code: int
    shift: int
    coefficients: tuple[int, ...]

    def __post_init__(self) -> None:
        check_integer("middle_code", self.middle_code, -(2**16), 2**16)
        check_integer("shift", self.shift, 0, ARGUMENT_BITS)
        check_integer("the number of coefficients", len(self.coefficients), 1, LARGEST_DEGREE + 1)
        for power, coefficient in enumerate(self.coefficients):
            check_integer(f"coefficient {power}", coefficient, -(2**31), 2**31 - 1)

    @property
    def degree(self) -> int:
        """The highest power."""
        return len(self.coefficients) - 1

    def argument(self, codes: IntArray) -> IntArray:
        """x, in units of 2**-15."""
        return (codes - self.middle_code) << self.shift

    def sums(self, codes: IntArray) -> list[IntArray]:
        """The value after each coefficient, highest power first."""
        x = self.argument(codes)
        sums = [np.full(codes.shape, self.coefficients[-1], dtype=np.int64)]
        for coefficient in self.coefficients[-2::-1]:
            sums.append(coefficient + ((sums[-1] * x + (1 << ARGUMENT_BITS >> 1)) >> ARGUMENT_BITS))
        return sums

    def value(self, codes: IntArray) -> IntArray:
        """The polynomial at these codes. [entry units]"""
        return self.sums(codes)[-1]

    def raised(self, units: int) -> Polynomial:
        """The same polynomial, so many units higher everywhere: the last sum takes the first coefficient as it is."""
        return replace(self, coefficients=(self.coefficients[0] + units, *self.coefficients[1:]))

    def check_range(self, low_code: int, high_code: int, bits: int) -> None:
        """Refuse a polynomial that leaves its integers somewhere in a range.

        Raises
        ------
        TableError
            x leaves -1 to 1, or a sum on the way leaves ``bits`` bits.
        """
        codes = np.arange(low_code, high_code + 1, dtype=np.int64)
        x = self.argument(codes[[0, -1]])
        if x.min() < -(2**ARGUMENT_BITS) or x.max() >= 2**ARGUMENT_BITS:
            raise TableError(
                f"shift {self.shift} takes the codes {low_code} to {high_code} beyond an int16 about the middle code "
                f"{self.middle_code}; expected a smaller shift"
            )
        if any(sums.min() < -(2 ** (bits - 1)) or sums.max() >= 2 ** (bits - 1) for sums in self.sums(codes)):
            raise TableError(f"the polynomial leaves {bits} bits on the way to its value; expected a larger unit")

    @classmethod
    def from_json(cls, content: object) -> Polynomial:
        """Read it back.

        Raises
        ------
        TableError
        """
        keys = {"middle_code", "shift", "coefficients"}
        if not isinstance(content, dict) or content.keys() != keys or not isinstance(content["coefficients"], list):
            raise TableError(f"polynomial is {content!r}; expected middle_code, shift and a list of coefficients")
        return cls(content["middle_code"], content["shift"], tuple(content["coefficients"]))


@dataclass(frozen=True, kw_only=True)
class PolynomialLayout(Layout):
    """No knots at all: the entries are the coefficients of one polynomial over the whole range, c0 first.

    Parameters
    ----------
    middle_code, shift : int
        As of :class:`Polynomial`.

    Examples
    --------
    >>> layout = PolynomialLayout(count=3, middle_code=0, shift=0)
    >>> layout.read(np.array([1000, 0, -2000]), np.array([0, 16384]))
    array([1000,  500])
    """

    middle_code: int
    shift: int
    form: ClassVar[str] = "polynomial"

    def polynomial(self, entries: Entries) -> Polynomial:
        """The polynomial of these coefficients."""
        return Polynomial(self.middle_code, self.shift, entries)

    def read(self, entries: IntArray, codes: IntArray) -> IntArray:
        """Value at codes of the range. [entry units]"""
        return self.polynomial(tuple(entries.tolist())).value(codes)

    @property
    def knot_codes(self) -> FloatArray:
        """Empty: coefficients stand at no code."""
        return np.zeros(0)

    @property
    def degree(self) -> int | None:
        """The highest power."""
        return self.count - 1

    def raised(self, entries: Entries, units: int) -> tuple[Layout, Entries]:
        """So many units higher."""
        return self, self.polynomial(entries).raised(units).coefficients

    def description(self, table: CorrectionTable) -> str:
        """How the entries are read."""
        return (
            f"the coefficients of a polynomial of degree {self.degree}, that of power 0 first; "
            f"its argument is 0 at code {self.middle_code} and 1 {2 ** (ARGUMENT_BITS - self.shift)} codes above"
        )

    def check(self, table: CorrectionTable) -> None:
        """Check the width of the coefficients."""
        check_choice("entry_bits", table.entry_bits, (16, 32))

    def check_reach(self, table: CorrectionTable) -> None:
        """Check that every sum of Horner's rule fits its bits."""
        polynomial = self.polynomial(table.entries)
        polynomial.check_range(table.low_code, table.high_code, table.entry_bits)
        largest = int(np.abs(polynomial.value(table.codes)).max()) << table.unit_log2_ppt
        check_integer("the largest value in ppt", largest, 0, 2**31 - 1)


def polynomial_table(curve: CodedCurve, degree: int, bits: int) -> CorrectionTable:
    """Design the polynomial of one degree in integers of one width.

    Parameters
    ----------
    degree : int
        1 to 9.
    bits : int
        16: products of 16 by 16 bits.  32: of 32 by 16 bits.

    Raises
    ------
    TableError
        No unit lets all sums of Horner's rule fit.
    """
    middle_code, shift = argument_scale(curve)
    real_ppb, worst_ppb = minimax_polynomial(curve, middle_code, shift, degree)
    for unit_log2_ppt in range(smallest_unit_log2_ppt(curve.offset_ppb, bits), LARGEST_UNIT_LOG2_PPT + 1):
        unit = unit_ppb(unit_log2_ppt)
        form = _Horner(curve, unit, middle_code, shift, bits)
        start = tuple(int(c) for c in np.rint(real_ppb / unit))
        if not form.fits(start):
            continue
        layout = PolynomialLayout(count=degree + 1, middle_code=middle_code, shift=shift)
        table = finished(curve, layout, bits, unit_log2_ppt, best_coefficients(form, start, worst_ppb))
        return replace(table, bound_ppb=rounded_ppb(worst_ppb))
    raise TableError(f"no unit lets a polynomial of degree {degree} fit {bits} bits; expected a smaller degree")


@dataclass(frozen=True, eq=False)
class _Horner(IntegerForm):
    """Horner's rule, coefficient of power 0 first."""

    middle_code: int
    shift: int
    bits: int

    def _polynomial(self, coefficients: Coefficients) -> Polynomial:
        return Polynomial(self.middle_code, self.shift, coefficients)

    def value(self, coefficients: Coefficients) -> IntArray:
        return self._polynomial(coefficients).value(self.curve.codes)

    def fits(self, coefficients: Coefficients) -> bool:
        if any(not -(2 ** (self.bits - 1)) < c < 2 ** (self.bits - 1) for c in coefficients):
            return False
        try:
            self._polynomial(coefficients).check_range(self.curve.low_code, self.curve.high_code, self.bits)
        except TableError:
            return False
        return True

    def columns(self, degree: int, places: IntArray) -> FloatArray:
        return np.vander(_argument(self.curve, self.middle_code, self.shift)[places], degree + 1, increasing=True)


def argument_scale(curve: CodedCurve) -> tuple[int, int]:
    """Middle code, and the largest shift that keeps every code of the range within an int16 about it."""
    middle_code = (curve.low_code + curve.high_code + 1) // 2
    reach = max(middle_code - curve.low_code, curve.high_code - middle_code + 1)
    return middle_code, max(0, ARGUMENT_BITS - (reach - 1).bit_length())


def minimax_polynomial(curve: CodedCurve, middle_code: int, shift: int, degree: int) -> tuple[FloatArray, float]:
    """Coefficients of least worst error, power 0 first, and an error that none go below. [ppb]"""
    chebyshev, promised = chebyshev_factors(curve, _argument(curve, middle_code, shift), degree)
    powers = np.zeros(degree + 1)
    found = np.polynomial.chebyshev.cheb2poly(chebyshev)
    powers[: len(found)] = found
    return powers, promised


def _argument(curve: CodedCurve, middle_code: int, shift: int) -> FloatArray:
    return np.ldexp((curve.codes - middle_code).astype(np.float64), shift - ARGUMENT_BITS)


@dataclass(frozen=True)
class PolynomialFamily(Family):
    """No knots: one polynomial."""

    form: ClassVar[str] = "polynomial"
    priority: ClassVar[int] = 0
    is_shown: ClassVar[bool] = True
    patience: ClassVar[int] = 3  # each further degree rounds once more

    @property
    def sizes(self) -> range:
        """Degree."""
        return range(1, LARGEST_DEGREE + 1)

    @cached_property
    def _scale(self) -> tuple[int, int]:
        return argument_scale(self.curve)

    @property
    def floor_ppb(self) -> float:
        """Nearly half a unit: the sum is rounded to it, and over many codes to either side."""
        unit = unit_ppb(smallest_unit_log2_ppt(self.curve.offset_ppb, self.entry_bits))
        return UNIT_SHARE * unit if np.ptp(self.curve.offset_ppb) > UNITS_SWEPT * unit else 0.0

    def layout(self, size: int) -> PolynomialLayout:
        """The coefficients of this degree."""
        middle_code, shift = self._scale
        return PolynomialLayout(count=size + 1, middle_code=middle_code, shift=shift)

    def bytes(self, size: int) -> float:
        """Those of the coefficients."""
        return self.entry_bits // 8 * (size + 1)

    def error_lower_bound_ppb(self, size: int) -> float:
        """The error of the best real coefficients."""
        try:
            return minimax_polynomial(self.curve, *self._scale, size)[1]
        except TableError:
            return np.inf

    def table(self, size: int) -> CorrectionTable | None:
        """Design this degree."""
        return polynomial_table(self.curve, size, self.entry_bits)


def polynomial_families(designs: Designs, interpolation: Interpolation | None, align: Align) -> Iterator[Family]:
    """Coefficients of 16 and of 32 bits; a polynomial is not interpolated."""
    if interpolation is None:
        for entry_bits in (16, 32):
            yield PolynomialFamily(designs, entry_bits)
