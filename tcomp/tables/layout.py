"""The integer specification: what the firmware holds, and the one way in which it is read.

A table is a layout, which says where its entries lie and how a code between them is read, with the entries.  The generated
C is held against :meth:`CorrectionTable.lookup`, code by code.  Each layout has a module of its own in ``layouts/``.
"""

from __future__ import annotations

import zlib
from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike

from tcomp.arrays import BoolArray, FloatArray, IntArray
from tcomp.documents.fields import to_json
from tcomp.errors import TableError
from tcomp.tables.code_scale import CodeScale

Entries = tuple[int, ...]
Interpolation = Literal["linear", "nearest", "quadratic"]
INTERPOLATIONS: tuple[Interpolation, ...] = ("linear", "nearest", "quadratic")
SCHEMA_NAME, SCHEMA_VERSION = "tcomp table", 4
SCHEMA = f"{SCHEMA_NAME} {SCHEMA_VERSION}"

INT32_MIN, INT32_MAX = -(2**31), 2**31 - 1
LARGEST_UNIT_LOG2_PPT = 16
"""A 16-bit entry times 2**16 ppt fills an int32; 32-bit entries are in ppt already."""
PART_BITS = 16
"""The way from one knot to the next has 2**16 parts, whatever its length in codes."""
ONE = 1 << PART_BITS
LARGEST_STEP_LOG2 = 15
"""65 535 * 32 767 + 16 384 < 2**31: a wider step would let a product of 16-bit entries overflow."""
LARGEST_RISE = 2**15 - 1
"""What an int16 holds of the difference between neighbouring entries, so that one 32-bit product does:
32 767 * 65 535 + 32 768 < 2**31."""


def interpolated(before: IntArray, after: IntArray, part: IntArray, part_bits: int = PART_BITS) -> IntArray:
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


def curved(before: IntArray, at: IntArray, after: IntArray, part: IntArray) -> IntArray:
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


@dataclass(frozen=True, kw_only=True)
class Layout(ABC):
    """How the entries of a table lie and are read: everything but the numbers.

    Parameters
    ----------
    count : int
        Number of entries.
    """

    count: int

    form: ClassVar[str]
    """Name of the layout in jobs and files."""

    @abstractmethod
    def read(self, entries: IntArray, codes: IntArray) -> IntArray:
        """Value at codes of the range. [entry units]"""

    @property
    @abstractmethod
    def knot_codes(self) -> FloatArray:
        """Code at which each entry stands, between two codes perhaps; empty where entries stand at no code."""

    @abstractmethod
    def description(self, table: CorrectionTable) -> str:
        """How the entries of a table lie and are read; a sentence goes on with it after "12 entries of 16 bits; "."""

    @abstractmethod
    def check(self, table: CorrectionTable) -> None:
        """Check what only this layout has.

        Raises
        ------
        TableError
        """

    @abstractmethod
    def check_reach(self, table: CorrectionTable) -> None:
        """Check that there is an entry wherever a code of the range reads one, and that every value fits its bits.

        Raises
        ------
        TableError
        """

    @property
    def read_as(self) -> str:
        """The interpolation; empty where there is none."""
        return ""

    @property
    def name(self) -> str:
        """The layout in a word or two."""
        return self.form

    @property
    def degree(self) -> int | None:
        """Degree of the polynomial that the lookup evaluates; None: there is none."""
        return None

    def value_bits(self, entry_bits: int) -> int:
        """Width of what the lookup returns. [bit]"""
        return entry_bits

    @property
    def index_bytes(self) -> int:
        """What the firmware holds besides the entries to find its way among them. [bytes]"""
        return 0

    def bytes(self, entry_bits: int) -> int:
        """What the entries, and the numbers that find them, take in the firmware. [bytes]"""
        return self.count * entry_bits // 8 + self.index_bytes

    def raised(self, entries: Entries, units: int) -> tuple[Layout, Entries]:
        """Layout and entries of the table that is so many units higher everywhere."""
        return self, tuple(entry + units for entry in entries)

    @classmethod
    def json_keys(cls) -> tuple[str, ...]:
        """The keys of ``table.json`` that only this layout has."""
        return tuple(field.name for field in fields(cls) if field.init and field.name != "count")

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``table.json`` holds of it."""
        return {name: to_json(getattr(self, name)) for name in self.json_keys()}

    @classmethod
    def from_json(cls, count: int, content: Mapping[str, Any]) -> Layout:
        """Read it back.

        Raises
        ------
        TableError
        """
        return cls(count=count, **content)


@dataclass(frozen=True, kw_only=True)
class KnotLayout(Layout):
    """Entries at knots: a code reads the entries about it, in one of three ways.

    ``interpolation``: "linear", straight lines between knots; "nearest", one entry per cell; "quadratic", the parabola
    through the entry of the cell and its two neighbours.
    """

    interpolation: Interpolation

    @abstractmethod
    def locate(self, codes: IntArray) -> tuple[IntArray, IntArray]:
        """Index of the first entry that each code reads, and the way since then in 2**-16 of the interval.

        The last code may lie on the last knot: a whole way along the interval before it, or at the beginning of one that
        has no entry above.
        """

    @property
    def read_as(self) -> str:
        """The interpolation."""
        return self.interpolation

    def read(self, entries: IntArray, codes: IntArray) -> IntArray:
        """Value at codes of the range. [entry units]"""
        index, part = self.locate(codes)
        if self.interpolation == "nearest":
            return np.take(entries, index)
        if self.interpolation == "quadratic":
            return curved(entries[index], entries[index + 1], entries[index + 2], part)
        # The last knot has none above it, and needs none: its part is 0.
        return interpolated(entries[index], entries[np.minimum(index + 1, len(entries) - 1)], part)

    def weights(self, codes: IntArray) -> tuple[IntArray, FloatArray]:
        """First entry that each code reads, and how much it and the next ones count. Shapes (n,), (n, m)."""
        index, part = self.locate(codes)
        way = part / ONE
        if self.interpolation == "nearest":
            return index, np.ones((len(codes), 1))
        if self.interpolation == "linear":
            return index, np.column_stack([1 - way, way])
        t = way - 0.5
        return index, np.column_stack([t * (t - 1) / 2, 1 - t * t, t * (t + 1) / 2])

    def check_count(self, table: CorrectionTable, needed: int) -> None:
        """Refuse fewer entries than the codes of the range read.

        Raises
        ------
        TableError
        """
        if needed > self.count:
            raise TableError(
                f"high_code {table.high_code} lies above the reach of the last entry: {self.count} "
                f"entries were given where {needed} are needed"
            )


@dataclass(frozen=True, kw_only=True)
class CorrectionTable:
    """Offset against code, as integers.

    Parameters
    ----------
    layout : Layout
        Where the entries lie, and how a code between them is read.
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

    layout: Layout
    scale: CodeScale
    low_code: int
    high_code: int
    entry_bits: int
    unit_log2_ppt: int
    entries: tuple[int, ...]
    max_error_ppb: float
    rms_error_ppb: float
    bound_ppb: float | None = None

    def __post_init__(self) -> None:
        self._check_numbers()
        self.layout.check(self)
        self._check_entries()
        self.layout.check_reach(self)

    def __repr__(self) -> str:
        low_c, high_c = self.temperature_of([self.low_code, self.high_code])
        return (
            f"CorrectionTable: {self.summary}, {self.bytes} bytes\n"
            f"  range  {min(low_c, high_c):.6g} to {max(low_c, high_c):.6g} degC, codes {self.low_code} to {self.high_code}\n"
            f"  error  {self.max_error_ppb:.4g} ppb at most, {self.rms_error_ppb:.4g} ppb RMS, against the curve"
        )

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
        if len(self.entries) != self.layout.count:
            raise TableError(
                f"the layout has {self.layout.count} entries and the table {len(self.entries)}; expected equal"
            )
        largest = (1 << (self.entry_bits - 1)) - 1
        for place, entry in enumerate(self.entries):
            check_integer(f"entry {place}", entry, -largest - 1, largest)
        unit_ppt = 1 << self.unit_log2_ppt
        if max(self.entries) * unit_ppt > INT32_MAX or min(self.entries) * unit_ppt < INT32_MIN:
            raise TableError(
                f"unit_log2_ppt {self.unit_log2_ppt} takes the entries beyond an int32 of ppt "
                "(2147 ppm); expected a smaller unit"
            )

    @property
    def form(self) -> str:
        """Name of the layout in jobs and files."""
        return self.layout.form

    @property
    def summary(self) -> str:
        """The table in a few words, such as "even, 34 entries of 16 bits, linear"."""
        read_as = f", {self.layout.read_as}" if "interpolation" in self.layout.json_keys() else ""
        return f"{self.layout.name}, {len(self.entries)} entries of {self.entry_bits} bits{read_as}"

    @property
    def description(self) -> str:
        """How the entries lie and are read: words that go on from "12 entries of 16 bits, 24 bytes; "."""
        return self.layout.description(self)

    def shifted(self, units: int) -> CorrectionTable:
        """The same table, so many entry units higher everywhere.

        Raises
        ------
        TableError
            An entry would leave its bits.
        """
        layout, entries = self.layout.raised(self.entries, units)
        return replace(self, layout=layout, entries=entries)

    @property
    def knot_codes(self) -> FloatArray:
        """Code at which each entry stands, between two codes perhaps; empty where entries stand at no code."""
        return self.layout.knot_codes

    @property
    def value_bits(self) -> int:
        """Width of what the lookup returns. [bit]"""
        return self.layout.value_bits(self.entry_bits)

    @property
    def index_bytes(self) -> int:
        """What the firmware holds besides the entries to find its way among them. [bytes]"""
        return self.layout.index_bytes

    @property
    def bytes(self) -> int:
        """What the entries, and the numbers that find them, take in the firmware. [bytes]"""
        return self.layout.bytes(self.entry_bits)

    @property
    def codes(self) -> IntArray:
        """Every code of the characterised range."""
        return np.arange(self.low_code, self.high_code + 1, dtype=np.int64)

    @property
    def crc32(self) -> int:
        """CRC-32 (ISO-HDLC) of the entries, little-endian two's complement, ``entry_bits`` wide.

        Check value of the algorithm: 0xCBF43926 for the ASCII text 123456789 (catalogue of
        parametrised CRC algorithms).
        """
        return zlib.crc32(np.array(self.entries, dtype=f"<i{self.entry_bits // 8}").tobytes())

    def lookup(self, codes: ArrayLike) -> IntArray:
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
        return self.layout.read(np.array(self.entries, dtype=np.int64), held)

    def offset_ppt(self, codes: ArrayLike) -> IntArray:
        """Offset at these codes; every value fits an int32. [ppt]"""
        return self.lookup(codes) << self.unit_log2_ppt

    def in_range(self, codes: ArrayLike) -> BoolArray:
        """Say which codes lie in the characterised range."""
        given = np.asarray(codes, dtype=np.float64)
        return (given >= self.low_code) & (given <= self.high_code)

    @property
    def all_codes(self) -> IntArray:
        """Every code that the firmware's type holds, 65 536 of them."""
        return np.arange(self.scale.least_code, self.scale.largest_code + 1, dtype=np.int64)

    def code_of(self, temperature_c: ArrayLike) -> IntArray:
        """Code of a temperature, rounded to nearest, held within what the codes can say."""
        return self.scale.code_of(temperature_c)

    def temperature_of(self, code: ArrayLike) -> FloatArray:
        """Temperature that a code stands for; infinite where a sensor cannot give that code. [degC]"""
        return self.scale.temperature_of(code)

    def degc_words(self, step_codes: float) -> str:
        """So many codes in degC: one number, or the least and the largest where the sensor is not straight."""
        sizes_c = step_codes * self.scale.degc_per_count(self.codes)
        return " to ".join(dict.fromkeys(f"{size_c:.6g}" for size_c in (sizes_c.min(), sizes_c.max())))

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``table.json`` holds: each field and those of the layout, the form, the schema, and the CRC-32."""
        content = {name: to_json(getattr(self, name)) for name in table_keys()}
        return (
            content
            | self.layout.to_json_dict()
            | {"scale": self.scale.to_json_dict(), "form": self.form, "schema": SCHEMA, "crc32": f"0x{self.crc32:08X}"}
        )


def table_keys() -> tuple[str, ...]:
    """The fields that tables of every layout have."""
    return tuple(field.name for field in fields(CorrectionTable) if field.name != "layout")


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
        names = [f'"{choice}"' if isinstance(choice, str) else str(choice) for choice in choices]
        given = f'"{value}"' if isinstance(value, str) else str(value)
        raise TableError(f"{name} is {given}; expected {', '.join(names[:-1])}{' or ' if names[1:] else ''}{names[-1]}")
