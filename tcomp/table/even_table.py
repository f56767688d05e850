"""Knots evenly spaced, any number of them: a product finds them, whatever their distance in codes."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.lookup import (
    PART_BITS,
    CorrectionTable,
    Integers,
    Interpolation,
    check_choice,
    check_integer,
    interpolated,
)
from tcomp.table.polynomial import Polynomial

ONE = 1 << PART_BITS
LARGEST_RISE = 2**15 - 1
"""What an int16 holds of the difference between neighbouring entries, so that one 32-bit product does."""


def evenly_placed(codes: Integers, first_code: int, pace: int) -> tuple[Integers, Integers]:
    """Interval of each code, counted from the first, and the way along it in 2**-16 of its length.

    Both are one product, position = (code - first_code) * pace, cut in two: the upper bits and the lower 16.
    ``pace`` is an integer, so that the result is exact for every code.

    Examples
    --------
    Three knots over 100 codes: 50 codes are 65536 parts, so a code is 1310.72, in integers 1310.

    >>> evenly_placed(np.array([0, 50, 51, 100]), 0, 1310)
    (array([0, 0, 1, 1]), array([    0, 65500,  1274, 65464]))
    """
    position = (codes - first_code) * pace
    return position >> PART_BITS, position & (ONE - 1)


@dataclass(frozen=True, kw_only=True)
class EvenTable(CorrectionTable):
    """Entries at evenly spaced knots, on a polynomial perhaps.

    Parameters
    ----------
    first_code : int
        Code at which the first interval begins. "linear": that of entry 0.  "nearest": the first code
        of the cell that reads entry 0.  "quadratic": the first code of the cell about entry 1.
    pace : int
        2**-16 intervals that a code is long, 1 to 65536.
    interpolation : {"linear", "nearest", "quadratic"}
        Straight lines between knots; one entry per cell; or the parabola through the entry of the cell
        and its two neighbours.
    polynomial : Polynomial or None
        What the entries stand on: they are the rest, of 8 or 16 bits. The polynomial has 16 bits.

    Examples
    --------
    >>> from tcomp.table.code_scale import TemperatureScale
    >>> table = EvenTable(
    ...     scale=TemperatureScale(100), low_code=0, high_code=100, first_code=0, pace=1310, entry_bits=16,
    ...     unit_log2_ppt=4, interpolation="linear", entries=(-100, 0, 300), max_error_ppb=1.0,
    ...     rms_error_ppb=0.5)
    >>> table.lookup([0, 25, 50, 51, 100, 9999])
    array([-100,  -50,    0,    6,  300,  300])
    """

    first_code: int
    pace: int
    interpolation: Interpolation
    polynomial: Polynomial | None = field(default=None)
    form: ClassVar[str] = "even"

    def _check_form(self) -> None:
        check_choice("interpolation", self.interpolation, ("linear", "nearest", "quadratic"))
        check_choice("entry_bits", self.entry_bits, (16, 32) if self.polynomial is None else (8, 16))
        check_integer("first_code", self.first_code, self.scale.least_code - ONE, self.low_code)
        check_integer("pace", self.pace, 1, ONE)
        if self.high_code - self.first_code >= ONE:
            raise TableError(
                f"high_code {self.high_code} lies more than {ONE - 1} codes above first_code {self.first_code}; "
                "expected a first knot closer to the range"
            )

    def _check_bends(self) -> None:
        if self.entry_bits == 32:
            raise TableError('interpolation "quadratic" takes entries of 16 bits at most; entry_bits is 32')
        entries = np.array(self.entries, dtype=np.int64)
        across, bend = entries[2:] - entries[:-2], np.diff(entries, 2)
        if len(entries) < 3 or max(np.abs(across).max(), np.abs(bend).max()) > LARGEST_RISE:
            raise TableError(
                "the entries of a quadratic table are fewer than three, or neighbours differ by more than an int16 holds; "
                "expected three or more, in a larger unit or closer together"
            )

    def _check_reach(self) -> None:
        if self.interpolation == "quadratic":
            self._check_bends()
        last = int(evenly_placed(np.array([self.high_code]), self.first_code, self.pace)[0][0])
        on_knot = (self.high_code - self.first_code) * self.pace % ONE == 0
        needed = last + {"nearest": 1, "linear": 1 if on_knot else 2, "quadratic": 3}[self.interpolation]
        if needed > len(self.entries):
            raise TableError(
                f"high_code {self.high_code} lies above the reach of the last entry: {len(self.entries)} "
                f"entries were given where {needed} are needed"
            )
        if self.polynomial is not None:
            self.polynomial.check_range(self.low_code, self.high_code, 16)
        values = self._read(self.codes)
        most = 2 ** (self.value_bits - 1)
        check_integer("the least value", int(values.min()), -most, most - 1)
        check_integer("the largest value", int(values.max()), -most, most - 1)

    def shifted(self, units: int) -> CorrectionTable:
        """The same table, so many entry units higher: its polynomial is, where the entries stand on one."""
        if self.polynomial is None:
            return super().shifted(units)
        return replace(self, polynomial=self.polynomial.shifted(units))

    @property
    def value_bits(self) -> int:
        """Width of what the lookup returns: that of the polynomial where there is one. [bit]"""
        return self.entry_bits if self.polynomial is None else 16

    @property
    def index_bytes(self) -> int:
        """The polynomial's coefficients."""
        return 0 if self.polynomial is None else 2 * len(self.polynomial.coefficients)

    @property
    def knot_codes(self) -> NDArray[np.float64]:
        """Code at which each entry stands."""
        from_first = {"linear": 0.0, "nearest": 0.5, "quadratic": -0.5}[self.interpolation]
        return self.first_code + (np.arange(len(self.entries), dtype=np.float64) + from_first) * (ONE / self.pace)

    @property
    def layout(self) -> str:
        """How the entries lie and are read."""
        step = ONE / self.pace
        between = {
            "linear": "straight lines between",
            "nearest": "the nearest one is taken",
            "quadratic": "a parabola through the nearest one and its neighbours",
        }[self.interpolation]
        on = f", on a polynomial of degree {self.polynomial.degree}" if self.polynomial else ""
        return (
            f"one every {step:.6g} codes ({self.degc_words(step)} degC) from code {self.knot_codes[0]:.8g} on, "
            f"{between}{on}"
        )

    def _read(self, codes: Integers) -> Integers:
        index, part = evenly_placed(codes, self.first_code, self.pace)
        entries: Integers = np.array(self.entries, dtype=np.int64)
        below = 0 if self.polynomial is None else self.polynomial.value(codes)
        if self.interpolation == "nearest":
            return np.take(entries, index) + below
        if self.interpolation == "quadratic":
            return curved(entries[index], entries[index + 1], entries[index + 2], part) + below
        # The last knot has none above it, and needs none: its part is 0.
        after = entries[np.minimum(index + 1, len(entries) - 1)]
        return interpolated(entries[index], after, part) + below

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``table.json`` holds."""
        polynomial = None if self.polynomial is None else self.polynomial.to_json_dict()
        return super().to_json_dict() | {"polynomial": polynomial}


def curved(before: Integers, at: Integers, after: Integers, part: Integers) -> Integers:
    """Value of the parabola through three entries, within half a step of the middle one.

    With t = part / 2**16 - 1/2:  at + t/2 * ((after - before) + t * (before - 2 at + after)), both
    products rounded to nearest, ties upwards (Newton's interpolation with central differences).

    Examples
    --------
    The squares 1, 4, 9, half a step below the middle one, at it, and a quarter above: 1.5**2, 2**2, 2.25**2.

    >>> curved(np.array([100]), np.array([400]), np.array([900]), np.array([0, 32768, 49152]))
    array([225, 400, 506])
    """
    way = part - (ONE >> 1)
    slope = (after - before) + (((before - 2 * at + after) * way + (ONE >> 1)) >> PART_BITS)
    return at + ((slope * way + ONE) >> (PART_BITS + 1))
