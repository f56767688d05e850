"""The integer specification: what the firmware holds, and the one way in which it is read.

The generated C is held against :meth:`CorrectionTable.lookup`, code by code.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tcomp.errors import TableError
from tcomp.table.code_scale import CodeScale, scale_of_json

Interpolation = Literal["linear", "nearest"]
SCHEMA_NAME, SCHEMA_VERSION = "tcomp table", 2
SCHEMA = f"{SCHEMA_NAME} {SCHEMA_VERSION}"

INT32_MIN, INT32_MAX = -(2**31), 2**31 - 1
LARGEST_STEP_LOG2 = 15
"""65 535 * 32 767 + 16 384 < 2**31: a wider step would let a product of 16-bit entries overflow."""
LARGEST_UNIT_LOG2_PPT = 16
"""A 16-bit entry times 2**16 ppt fills an int32; 32-bit entries are in ppt already."""


def interpolated(
    before: NDArray[np.int64], after: NDArray[np.int64], part: NDArray[np.int64], step_log2: int
) -> NDArray[np.int64]:
    """Value between two entries, rounded to the nearest integer, ties upwards.

    before + floor(((after - before) * part + half) / 2**step_log2), with half = 2**step_log2 / 2.

    Parameters
    ----------
    before, after : arrays of int64
        Entries at the knot below and the knot above. [entry units]
    part : array of int64
        Codes since the knot below, 0 to 2**step_log2.
    step_log2 : int
        The knots are 2**step_log2 codes apart.

    Examples
    --------
    Halfway between 1 and 2, and between -2 and -1: a tie goes up.

    >>> interpolated(np.array([1, -2]), np.array([2, -1]), np.array([8, 8]), 4)
    array([ 2, -1])
    """
    half = (1 << step_log2) >> 1
    return before + (((after - before) * part + half) >> step_log2)


@dataclass(frozen=True)
class CorrectionTable:
    """Offset against code, as integers at knots 2**step_log2 codes apart.

    Parameters
    ----------
    scale : CodeScale
        What the code stands for: a temperature in fixed steps (int16), or what the sensor's converter gives (uint16).
    low_code, high_code : int
        First and last code of the characterised range; outside it the end's value is held.
    first_code : int
        Code of entry 0.
    step_log2 : int
        2**step_log2 codes lie between knots, 0 to 15.
    entry_bits : int
        16 or 32.
    unit_log2_ppt : int
        One entry unit is 2**unit_log2_ppt ppt. [1e-12]
    interpolation : {"linear", "nearest"}
        Straight lines between knots, or the nearest knot (a code halfway takes the upper one).
    entries : tuple of int
        The offset at each knot. [entry units]
    max_error_ppb, rms_error_ppb : float
        Of the integer lookup against the curve, over every code of the range. [ppb]

    Raises
    ------
    TableError
        A value is outside what the firmware's integers hold, or the entries do not reach over the range.

    Examples
    --------
    >>> from tcomp.table.code_scale import TemperatureScale
    >>> table = CorrectionTable(
    ...     scale=TemperatureScale(100), low_code=0, high_code=512, first_code=0, step_log2=8, entry_bits=16,
    ...     unit_log2_ppt=4, interpolation="linear", entries=(-100, 0, 300), max_error_ppb=1.0,
    ...     rms_error_ppb=0.5)
    >>> table.lookup([0, 128, 256, 512, 9999])
    array([-100,  -50,    0,  300,  300])
    >>> table.offset_ppt([0])
    array([-1600])
    """

    scale: CodeScale
    low_code: int
    high_code: int
    first_code: int
    step_log2: int
    entry_bits: int
    unit_log2_ppt: int
    interpolation: Interpolation
    entries: tuple[int, ...]
    max_error_ppb: float
    rms_error_ppb: float

    def __post_init__(self) -> None:
        self._check_numbers()
        self._check_entries()
        self._check_reach()

    def _check_numbers(self) -> None:
        if self.interpolation not in ("linear", "nearest"):
            raise TableError(f'interpolation is "{self.interpolation}"; expected "linear" or "nearest"')
        if self.entry_bits not in (16, 32):
            raise TableError(f"entry_bits is {self.entry_bits}; expected 16 or 32")
        least, largest = self.scale.least_code, self.scale.largest_code
        _check_integer("low_code", self.low_code, least, largest)
        _check_integer("high_code", self.high_code, self.low_code, largest)
        ends_c = self.scale.temperature_of([self.low_code - 0.5, self.low_code, self.high_code, self.high_code + 0.5])
        if not np.isfinite(ends_c).all():
            raise TableError(
                f"the sensor cannot give all codes from {self.low_code} to {self.high_code}; expected a range that it can"
            )
        # A whole step below the least code is as far as a knot can lie and still be of use.
        _check_integer("first_code", self.first_code, least - (1 << LARGEST_STEP_LOG2), largest)
        _check_integer("step_log2", self.step_log2, 0, LARGEST_STEP_LOG2)
        _check_integer("unit_log2_ppt", self.unit_log2_ppt, 0, LARGEST_UNIT_LOG2_PPT)
        for name in ("max_error_ppb", "rms_error_ppb"):
            if not (np.isfinite(getattr(self, name)) and getattr(self, name) >= 0):
                raise TableError(f"{name} is {getattr(self, name)}; expected a number of ppb, 0 or more")

    def _check_entries(self) -> None:
        if not self.entries:
            raise TableError("the table has no entries; expected one at least")
        largest = (1 << (self.entry_bits - 1)) - 1
        for place, entry in enumerate(self.entries):
            _check_integer(f"entry {place}", entry, -largest - 1, largest)
        unit_ppt = 1 << self.unit_log2_ppt
        if max(self.entries) * unit_ppt > INT32_MAX or min(self.entries) * unit_ppt < INT32_MIN:
            raise TableError(
                f"unit_log2_ppt {self.unit_log2_ppt} takes the entries beyond an int32 of ppt "
                "(2147 ppm); expected a smaller unit"
            )

    def _check_reach(self) -> None:
        if self.low_code < self._origin_code:
            raise TableError(
                f"low_code {self.low_code} lies below the reach of the first entry, which begins at code "
                f"{self._origin_code}; expected entries over the whole range"
            )
        along = self.high_code - self._origin_code
        needed = along >> self.step_log2
        if self.interpolation == "linear" and along % self.step:
            needed += 1
        if needed >= len(self.entries):
            raise TableError(
                f"high_code {self.high_code} lies above the reach of the last entry: {len(self.entries)} "
                f"entries were given where {needed + 1} are needed"
            )

    @property
    def step(self) -> int:
        """Codes between two knots."""
        return 1 << self.step_log2

    @property
    def _origin_code(self) -> int:
        """First code that reads entry 0: the knot itself, or half a step below it for the nearest."""
        return self.first_code - (self.step >> 1 if self.interpolation == "nearest" else 0)

    @property
    def knot_codes(self) -> NDArray[np.int64]:
        """Code of each entry."""
        return self.first_code + self.step * np.arange(len(self.entries), dtype=np.int64)

    @property
    def codes(self) -> NDArray[np.int64]:
        """Every code of the characterised range."""
        return np.arange(self.low_code, self.high_code + 1, dtype=np.int64)

    @property
    def bytes(self) -> int:
        """What the entries take in the firmware. [bytes]"""
        return len(self.entries) * self.entry_bits // 8

    @property
    def crc32(self) -> int:
        """CRC-32 (ISO-HDLC) of the entries, little-endian two's complement, ``entry_bits`` wide.

        Check value of the algorithm: 0xCBF43926 for the ASCII text 123456789 (catalogue of
        parametrised CRC algorithms).
        """
        return zlib.crc32(np.array(self.entries, dtype=f"<i{self.entry_bits // 8}").tobytes())

    def lookup(self, codes: ArrayLike) -> NDArray[np.int64]:
        """Read the table as the firmware does.

        Parameters
        ----------
        codes : array-like of int
            Temperature codes; those outside the range are held at its ends.

        Returns
        -------
        array of int64, of the same shape
            Offset, rounded to nearest, ties upwards; at a knot its entry exactly. [entry units]
        """
        held = np.clip(np.asarray(codes, dtype=np.int64), self.low_code, self.high_code)
        along = held - self._origin_code
        index = along >> self.step_log2
        entries: NDArray[np.int64] = np.array(self.entries, dtype=np.int64)
        if self.interpolation == "nearest":
            return np.take(entries, index)
        # The last knot has none above it, and needs none: its part is 0.
        after = entries[np.minimum(index + 1, len(entries) - 1)]
        return interpolated(entries[index], after, along & (self.step - 1), self.step_log2)

    def offset_ppt(self, codes: ArrayLike) -> NDArray[np.int64]:
        """Offset at these codes; every value fits an int32. [ppt]"""
        return self.lookup(codes) << self.unit_log2_ppt

    def in_range(self, codes: ArrayLike) -> NDArray[np.bool_]:
        """Say which codes lie in the characterised range."""
        given = np.asarray(codes, dtype=np.int64)
        return (given >= self.low_code) & (given <= self.high_code)

    @property
    def all_codes(self) -> NDArray[np.int64]:
        """Every code that the firmware's type holds, 65 536 of them."""
        return np.arange(self.scale.least_code, self.scale.largest_code + 1, dtype=np.int64)

    def code_of(self, temperature_c: ArrayLike) -> NDArray[np.int64]:
        """Code of a temperature, rounded to nearest, held within what the codes can say."""
        return self.scale.code_of(temperature_c)

    def temperature_of(self, code: ArrayLike) -> NDArray[np.float64]:
        """Temperature that a code stands for; infinite where a sensor cannot give that code. [degC]"""
        return self.scale.temperature_of(code)

    @property
    def step_c(self) -> tuple[float, float]:
        """Least and largest size of a step within the range: they differ where a sensor is not straight. [degC]"""
        sizes_c = self.step * self.scale.degc_per_count(self.codes)
        return float(sizes_c.min()), float(sizes_c.max())

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``table.json`` holds: each field, the schema, and the CRC-32 of the entries."""
        content: dict[str, Any] = {field.name: getattr(self, field.name) for field in fields(self)}
        return content | {
            "scale": self.scale.to_json_dict(),
            "entries": list(self.entries),
            "schema": SCHEMA,
            "crc32": f"0x{self.crc32:08X}",
        }

    @classmethod
    def from_json_dict(cls, content: object) -> CorrectionTable:
        """Read a table from what :meth:`to_json_dict` gave.

        Raises
        ------
        TableError
            A key is missing, unknown or of the wrong kind, the schema is another one, or the
            entries do not have the CRC-32 that was stored with them.
        """
        names = tuple(field.name for field in fields(cls))
        if not isinstance(content, dict):
            raise TableError(f'this is no table: expected a JSON object with "schema": "{SCHEMA}"')
        _check_schema(content.get("schema"))
        expected = {*names, "schema", "crc32"}
        if content.keys() != expected:
            odd = ", ".join(sorted(str(key) for key in content.keys() ^ expected))
            raise TableError(f"the keys of the table are not those of {SCHEMA}: missing or unknown are {odd}")
        for name in ("max_error_ppb", "rms_error_ppb"):
            if isinstance(content[name], bool) or not isinstance(content[name], (int, float)):
                raise TableError(f"{name} is {content[name]!r}; expected a number")
        if not isinstance(content["entries"], list):
            raise TableError("entries is no list; expected a list of integers")
        read = {"scale": scale_of_json(content["scale"]), "entries": tuple(content["entries"])}
        table = cls(**{name: content[name] for name in names} | read)
        if content["crc32"] != f"0x{table.crc32:08X}":
            raise TableError(
                f"the entries have CRC-32 0x{table.crc32:08X} and the table says {content['crc32']}: "
                "it was changed or damaged; design it again"
            )
        return table


def table_text(table: CorrectionTable) -> str:
    """Return the text of ``table.json``: sorted keys, a newline at the end, the same bytes each time."""
    return json.dumps(table.to_json_dict(), indent=1, sort_keys=True, allow_nan=False) + "\n"


def read_table(path: str | Path) -> CorrectionTable:
    """Read ``table.json``.

    Raises
    ------
    TableError
        The file is missing, is no JSON, or holds no sound table; the message begins with its name.
    """
    name = Path(path).name
    try:
        content = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise TableError(f"{name}: cannot be read ({error.strerror}); run the table stage first") from error
    except ValueError as error:
        raise TableError(f"{name}: is no JSON text ({error})") from error
    try:
        return CorrectionTable.from_json_dict(content)
    except TableError as error:
        raise TableError(f"{name}: {error}") from error


def _check_schema(schema: object) -> None:
    """Refuse another version, with what to do about it."""
    if schema == SCHEMA:
        return
    name, _, version = str(schema).rpartition(" ")
    if name != SCHEMA_NAME or not version.isdecimal():
        raise TableError(f'this is no table: expected a JSON object with "schema": "{SCHEMA}"')
    if int(version) < SCHEMA_VERSION:
        raise TableError(
            f'this is a table of an older form ("{schema}", where "{SCHEMA}" is expected): run `tcomp table` on its job again'
        )
    raise TableError(
        f'this is a table of a newer form ("{schema}"; "{SCHEMA}" is expected): read it with a newer tcomp'
    )


def _check_integer(name: str, value: object, least: int, largest: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= largest:
        raise TableError(f"{name} is {value!r}; expected an integer from {least} to {largest}")
