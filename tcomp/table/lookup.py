"""The integer specification: what the firmware holds, and the one way in which it is read.

The generated C is held against :meth:`CorrectionTable.lookup`, code by code.  Each form of table has a
module of its own: where its entries stand, and how a code between them is read.
"""

from __future__ import annotations

import zlib
from abc import ABC, abstractmethod
from dataclasses import dataclass, fields, replace
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tcomp.errors import TableError
from tcomp.table.code_scale import CodeScale

Integers = NDArray[np.int64]
Interpolation = Literal["linear", "nearest", "quadratic"]
SCHEMA_NAME, SCHEMA_VERSION = "tcomp table", 3
SCHEMA = f"{SCHEMA_NAME} {SCHEMA_VERSION}"

INT32_MIN, INT32_MAX = -(2**31), 2**31 - 1
LARGEST_UNIT_LOG2_PPT = 16
"""A 16-bit entry times 2**16 ppt fills an int32; 32-bit entries are in ppt already."""
PART_BITS = 16
"""The way from one knot to the next has 2**16 parts, whatever its length in codes."""


def interpolated(before: Integers, after: Integers, part: Integers, part_bits: int = PART_BITS) -> Integers:
    """Value between two entries, rounded to the nearest integer, ties upwards.

    before + floor(((after - before) * part + half) / 2**part_bits), with half = 2**part_bits / 2.

    Parameters
    ----------
    before, after : arrays of int64
        Entries at the knot below and the knot above. [entry units]
    part : array of int64
        Way since the knot below, 0 to 2**part_bits.
    part_bits : int
        The whole way to the knot above is 2**part_bits.

    Examples
    --------
    Halfway between 1 and 2, and between -2 and -1: a tie goes up.

    >>> interpolated(np.array([1, -2]), np.array([2, -1]), np.array([8, 8]), 4)
    array([ 2, -1])
    """
    half = (1 << part_bits) >> 1
    return before + (((after - before) * part + half) >> part_bits)


@dataclass(frozen=True, kw_only=True)
class CorrectionTable(ABC):
    """Offset against code, as integers: what every form of table has.

    Parameters
    ----------
    scale : CodeScale
        What the code stands for: a temperature in fixed steps (int16), or what the sensor's converter gives (uint16).
    low_code, high_code : int
        First and last code of the characterised range; outside it the end's value is held.
    entry_bits : int
        Width of an entry: 8, 16 or 32.
    unit_log2_ppt : int
        One entry unit is 2**unit_log2_ppt ppt. [1e-12]
    entries : tuple of int
        What the firmware holds. [entry units]
    max_error_ppb, rms_error_ppb : float
        Of the integer lookup against the curve, over every code of the range. [ppb]
    bound_ppb : float or None
        What no entries of the same knots can go below, integers or not, but for the lookup's own
        rounding of half a unit: max_error_ppb - bound_ppb is how far from the optimum this table can
        be. [ppb]  None: not known.

    Raises
    ------
    TableError
        A value is outside what the firmware's integers hold, or the entries do not reach over the range.
    """

    scale: CodeScale
    low_code: int
    high_code: int
    entry_bits: int
    unit_log2_ppt: int
    entries: tuple[int, ...]
    max_error_ppb: float
    rms_error_ppb: float
    bound_ppb: float | None = None

    form: ClassVar[str]
    """Name of the form in files."""

    def __post_init__(self) -> None:
        self._check_numbers()
        self._check_form()
        self._check_entries()
        self._check_reach()

    def _check_numbers(self) -> None:
        least, largest = self.scale.least_code, self.scale.largest_code
        check_integer("low_code", self.low_code, least, largest)
        check_integer("high_code", self.high_code, self.low_code, largest)
        ends_c = self.scale.temperature_of([self.low_code - 0.5, self.low_code, self.high_code, self.high_code + 0.5])
        if not np.isfinite(ends_c).all():
            raise TableError(
                f"the sensor cannot give all codes from {self.low_code} to {self.high_code}; expected a range that it can"
            )
        check_integer("unit_log2_ppt", self.unit_log2_ppt, 0, LARGEST_UNIT_LOG2_PPT)
        for name in ("max_error_ppb", "rms_error_ppb"):
            if not (np.isfinite(getattr(self, name)) and getattr(self, name) >= 0):
                raise TableError(f"{name} is {getattr(self, name)}; expected a number of ppb, 0 or more")

    def _check_entries(self) -> None:
        if not self.entries:
            raise TableError("the table has no entries; expected one at least")
        largest = (1 << (self.entry_bits - 1)) - 1
        for place, entry in enumerate(self.entries):
            check_integer(f"entry {place}", entry, -largest - 1, largest)
        unit_ppt = 1 << self.unit_log2_ppt
        if max(self.entries) * unit_ppt > INT32_MAX or min(self.entries) * unit_ppt < INT32_MIN:
            raise TableError(
                f"unit_log2_ppt {self.unit_log2_ppt} takes the entries beyond an int32 of ppt "
                "(2147 ppm); expected a smaller unit"
            )

    @abstractmethod
    def _check_form(self) -> None:
        """Check what only this form has."""

    @abstractmethod
    def _check_reach(self) -> None:
        """Check that there is an entry wherever a code of the range reads one."""

    @abstractmethod
    def _read(self, codes: Integers) -> Integers:
        """Value at codes of the range. [entry units]"""

    @property
    @abstractmethod
    def knot_codes(self) -> NDArray[np.float64]:
        """Code at which each entry stands, between two codes perhaps; none where entries stand nowhere."""

    @property
    @abstractmethod
    def layout(self) -> str:
        """How the entries lie and are read, for a comment: words that go on from "12 entries of 16 bits, 24 bytes; "."""

    def shifted(self, units: int) -> CorrectionTable:
        """The same table, so many entry units higher everywhere.

        Raises
        ------
        TableError
            An entry would leave its bits.
        """
        return replace(self, entries=tuple(entry + units for entry in self.entries))

    @property
    def value_bits(self) -> int:
        """Width of what the lookup returns. [bit]"""
        return self.entry_bits

    @property
    def index_bytes(self) -> int:
        """What the firmware holds besides the entries to find its way among them. [bytes]"""
        return 0

    @property
    def bytes(self) -> int:
        """What the entries, and the numbers that find them, take in the firmware. [bytes]"""
        return len(self.entries) * self.entry_bits // 8 + self.index_bytes

    @property
    def codes(self) -> Integers:
        """Every code of the characterised range."""
        return np.arange(self.low_code, self.high_code + 1, dtype=np.int64)

    @property
    def crc32(self) -> int:
        """CRC-32 (ISO-HDLC) of the entries, little-endian two's complement, ``entry_bits`` wide.

        Check value of the algorithm: 0xCBF43926 for the ASCII text 123456789 (catalogue of
        parametrised CRC algorithms).
        """
        return zlib.crc32(np.array(self.entries, dtype=f"<i{self.entry_bits // 8}").tobytes())

    def lookup(self, codes: ArrayLike) -> Integers:
        """Read the table as the firmware does.

        Parameters
        ----------
        codes : array-like of int
            Codes; those outside the range are held at its ends.

        Returns
        -------
        array of int64, of the same shape
            Offset, rounded to nearest, ties upwards; at a knot its entry exactly. [entry units]
        """
        held = np.clip(np.asarray(codes, dtype=np.int64), self.low_code, self.high_code)
        return self._read(held)

    def offset_ppt(self, codes: ArrayLike) -> Integers:
        """Offset at these codes; every value fits an int32. [ppt]"""
        return self.lookup(codes) << self.unit_log2_ppt

    def in_range(self, codes: ArrayLike) -> NDArray[np.bool_]:
        """Say which codes lie in the characterised range."""
        given = np.asarray(codes, dtype=np.float64)
        return (given >= self.low_code) & (given <= self.high_code)

    @property
    def all_codes(self) -> Integers:
        """Every code that the firmware's type holds, 65 536 of them."""
        return np.arange(self.scale.least_code, self.scale.largest_code + 1, dtype=np.int64)

    def code_of(self, temperature_c: ArrayLike) -> Integers:
        """Code of a temperature, rounded to nearest, held within what the codes can say."""
        return self.scale.code_of(temperature_c)

    def temperature_of(self, code: ArrayLike) -> NDArray[np.float64]:
        """Temperature that a code stands for; infinite where a sensor cannot give that code. [degC]"""
        return self.scale.temperature_of(code)

    def degc_words(self, step_codes: float) -> str:
        """So many codes in degC: one number, or the least and the largest where the sensor is not straight."""
        sizes_c = step_codes * self.scale.degc_per_count(self.codes)
        return " to ".join(dict.fromkeys(f"{size_c:.6g}" for size_c in (sizes_c.min(), sizes_c.max())))

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``table.json`` holds: each field, the form, the schema, and the CRC-32 of the entries."""
        content: dict[str, Any] = {field.name: getattr(self, field.name) for field in fields(self)}
        content["entries"] = list(self.entries)
        return content | {
            "scale": self.scale.to_json_dict(),
            "form": self.form,
            "schema": SCHEMA,
            "crc32": f"0x{self.crc32:08X}",
        }


def check_integer(name: str, value: object, least: int, largest: int) -> None:
    """Refuse what is no integer from least to largest.

    Raises
    ------
    TableError
    """
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= largest:
        raise TableError(f"{name} is {value!r}; expected an integer from {least} to {largest}")


def check_choice(name: str, value: object, choices: tuple[object, ...]) -> None:
    """Refuse what is none of the choices.

    Raises
    ------
    TableError
    """
    if value not in choices:
        told = [f'"{choice}"' if isinstance(choice, str) else str(choice) for choice in choices]
        given = f'"{value}"' if isinstance(value, str) else str(value)
        raise TableError(f"{name} is {given}; expected {', '.join(told[:-1])}{' or ' if told[1:] else ''}{told[-1]}")
