"""A polynomial in integers, by Horner's rule: what entries can stand on, or the whole of a correction."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.lookup import CorrectionTable, Integers, check_choice, check_integer

ARGUMENT_BITS = 15
"""The argument is the code from the middle of the range, shifted up, in units of 2**-15."""
LARGEST_DEGREE = 9


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

    def argument(self, codes: Integers) -> Integers:
        """x, in units of 2**-15."""
        return (codes - self.middle_code) << self.shift

    def sums(self, codes: Integers) -> list[Integers]:
        """The value after each coefficient, highest power first."""
        x = self.argument(codes)
        sums = [np.full(codes.shape, self.coefficients[-1], dtype=np.int64)]
        for coefficient in self.coefficients[-2::-1]:
            sums.append(coefficient + ((sums[-1] * x + (1 << ARGUMENT_BITS >> 1)) >> ARGUMENT_BITS))
        return sums

    def value(self, codes: Integers) -> Integers:
        """The polynomial at these codes. [entry units]"""
        return self.sums(codes)[-1]

    def shifted(self, units: int) -> Polynomial:
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

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``table.json`` holds of it."""
        return {"middle_code": self.middle_code, "shift": self.shift, "coefficients": list(self.coefficients)}

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
class PolynomialTable(CorrectionTable):
    """No knots at all: the entries are the coefficients of one polynomial over the whole range, c0 first.

    Parameters
    ----------
    middle_code, shift : int
        As of :class:`Polynomial`.

    Examples
    --------
    >>> from tcomp.table.code_scale import TemperatureScale
    >>> table = PolynomialTable(
    ...     scale=TemperatureScale(100), low_code=-16384, high_code=16384, middle_code=0, shift=0, entry_bits=16,
    ...     unit_log2_ppt=4, entries=(1000, 0, -2000), max_error_ppb=1.0, rms_error_ppb=0.5)
    >>> table.lookup([0, 16384])
    array([1000,  500])
    """

    middle_code: int
    shift: int
    form: ClassVar[str] = "polynomial"

    @property
    def polynomial(self) -> Polynomial:
        """The polynomial of the coefficients."""
        return Polynomial(self.middle_code, self.shift, self.entries)

    def shifted(self, units: int) -> CorrectionTable:
        """The same table, so many entry units higher everywhere."""
        return replace(self, entries=self.polynomial.shifted(units).coefficients)

    def _check_form(self) -> None:
        check_choice("entry_bits", self.entry_bits, (16, 32))

    def _check_reach(self) -> None:
        self.polynomial.check_range(self.low_code, self.high_code, self.entry_bits)
        largest = int(np.abs(self.polynomial.value(self.codes)).max()) << self.unit_log2_ppt
        check_integer("the largest value in ppt", largest, 0, 2**31 - 1)

    @property
    def knot_codes(self) -> NDArray[np.float64]:
        """None: coefficients stand at no code."""
        return np.zeros(0)

    @property
    def layout(self) -> str:
        """How the entries are read."""
        return (
            f"the coefficients of a polynomial of degree {self.polynomial.degree}, that of power 0 first; "
            f"its argument is 0 at code {self.middle_code} and 1 {2 ** (ARGUMENT_BITS - self.shift)} codes above"
        )

    def _read(self, codes: Integers) -> Integers:
        return self.polynomial.value(codes)
