"""A line of an instrument becomes numbers in the units of the log."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from functools import partial, reduce
from operator import xor

from tcomp.job import Column, Source
from tcomp.job.recording import UNITS

NUMBER = r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?"
FIELD = re.compile(rf"(?:[^=:]*[^\W\d][^=:]*[=:])?\s*[\"']?({NUMBER})[\"']?\s*([^\s\d,;{{}}\[\]]*)\s*[}}\]]*")
"""A number, perhaps after a name that contains a letter, and before a unit."""
WORD = re.compile(r"°|[^\W\d_]{2}.*")
"""An unknown unit.  A single letter or sign is more likely a digit that was disturbed."""
SEPARATORS: tuple[str, ...] = ("\t", ";", ",")
MAX_SHOWN = 60
"""Characters of a line that a message shows."""

UNIT_SPELLINGS = {
    "c": "degC", "°c": "degC", "degc": "degC", "celsius": "degC", "f": "degF", "°f": "degF", "degf": "degF", "k": "K",
    "ohm": "ohm", "ohms": "ohm", "\u03a9": "ohm", "\u2126": "ohm", "hz": "Hz", "khz": "kHz", "mhz": "MHz",
    "ghz": "GHz", "ppm": "ppm", "ppb": "ppb",
}  # fmt: skip
"""Units as instruments write them, in lower case.  (No instrument shows an oscillator in millihertz.)"""
LOG_UNITS = {
    "degC": "degC", "degF": "degC", "K": "degC", "ohm": "ohm", "code": "code", "Hz": "Hz", "kHz": "Hz", "MHz": "Hz",
    "GHz": "Hz", "ppb": "ppb", "ppm": "ppb", "1": "ppb", "": "",
}  # fmt: skip
"""The unit of the log for a value that came in this one."""
POWER_OF_TEN = {"kHz": 3, "MHz": 6, "GHz": 9, "ppm": 3, "1": 9}


def xor_of(data: bytes) -> int:
    """Exclusive or of all bytes (NMEA 0183).

    >>> f"{xor_of(b'AB'):02X}"
    '03'
    """
    return reduce(xor, data, 0)


def crc_of(
    data: bytes, *, width: int, polynomial: int, initial: int = 0, reflected: bool = False, final: int = 0
) -> int:
    """Cyclic redundancy check of 8 bits or more, bit by bit.

    Parameters
    ----------
    data : bytes
    width : int
        Bits of the remainder.
    polynomial : int
        Polynomial without its highest term, most significant bit first.
    initial : int
        Initial value of the register.
    reflected : bool
        Whether each byte, and the remainder, have their least significant bit first.
    final : int
        Value that is combined with the remainder at the end, by exclusive or.

    Examples
    --------
    >>> f"{crc_of(b'123456789', width=16, polynomial=0x1021):04X}"
    '31C3'
    """
    register, top = initial, 1 << (width - 1)
    for byte in data:
        bits = int(f"{byte:08b}"[::-1], 2) if reflected else byte
        register ^= bits << (width - 8)
        for _ in range(8):
            register = (register << 1) ^ (polynomial if register & top else 0)
            register &= (top << 1) - 1
    if reflected:
        register = int(f"{register:0{width}b}"[::-1], 2)
    return register ^ final


CHECKSUMS: dict[str, tuple[tuple[int, ...], Callable[[bytes], int]]] = {
    "xor": ((2,), xor_of),
    "sum": ((2, 4), sum),
    "crc8-07": ((2,), partial(crc_of, width=8, polynomial=0x07)),
    "crc8-31": ((2,), partial(crc_of, width=8, polynomial=0x31, reflected=True)),
    "crc16-1021": ((4,), partial(crc_of, width=16, polynomial=0x1021)),
    "crc16-1021-ffff": ((4,), partial(crc_of, width=16, polynomial=0x1021, initial=0xFFFF)),
    "crc16-hdlc": (
        (4,), partial(crc_of, width=16, polynomial=0x1021, initial=0xFFFF, reflected=True, final=0xFFFF)
    ),
    "crc16-8005": ((4,), partial(crc_of, width=16, polynomial=0x8005, reflected=True)),
    "crc16-8005-ffff": ((4,), partial(crc_of, width=16, polynomial=0x8005, initial=0xFFFF, reflected=True)),
}  # fmt: skip
"""For each kind of checksum: how many hexadecimal digits it may have, and the function that computes it."""


class UnusableError(ValueError):
    """A line that gives no sample; ``kind`` is what is counted."""

    def __init__(self, kind: str, why: str) -> None:
        super().__init__(why)
        self.kind = kind


@dataclass
class LineReader:
    """Finds the values of a source in its lines; a line of headings that names the fields is remembered."""

    source: Source
    converted: set[str] = field(default_factory=set)
    """Units that came, differ from those of the job, and were converted."""
    _headings: dict[str, int] = field(default_factory=dict)
    _pattern: re.Pattern[str] | None = None

    def __post_init__(self) -> None:
        self._pattern = re.compile(self.source.pattern) if self.source.pattern is not None else None
        self._checksum_pattern = re.compile(self.source.checksum_pattern.encode(), re.DOTALL)
        given = self.source.unit or tuple(UNITS[quantity][0] for quantity in self.source.gives)
        self.units: dict[str, str] = dict(zip(self.source.gives, given, strict=True))

    def checked(self, line: bytes) -> bytes:
        """A line without its checksum; the whole line if the job names none.

        Raises
        ------
        UnusableError
            The checksum is wrong or missing.

        Examples
        --------
        >>> meter = LineReader(Source("board", "serial", ("temperature",), port="p", checksum="xor"))
        >>> meter.checked(b"$21.5*18")
        b'21.5'
        >>> meter.checked(b"$11.5*18")
        Traceback (most recent call last):
        tcomp.bench.line.UnusableError: the checksum is 1B, the line says 18: '$11.5*18'
        """
        if self.source.checksum is None:
            return line
        digits, of = CHECKSUMS[self.source.checksum]
        match = self._checksum_pattern.search(line)
        if match is None or len(match["sum"] or b"") not in digits:
            raise UnusableError("checksum", f"there is no checksum in the line {shown(text_of(line))}")
        count, data = len(match["sum"]), match["data"] or b""
        found = f"{of(data) % 16**count:0{count}X}"
        if found != match["sum"].decode().upper():
            raise UnusableError(
                "checksum",
                f"the checksum is {found}, the line says {match['sum'].decode()}: {shown(text_of(line))}",
            )
        return data

    def values(self, line: str) -> dict[str, float] | None:
        """The value of each quantity, in the unit of the log; None: the line holds headings.

        Raises
        ------
        UnusableError
            The line does not hold them.

        Examples
        --------
        >>> meter = LineReader(Source("board", "serial", ("temperature", "frequency"), unit=("degC", "MHz"), port="p"))
        >>> meter.values("21.5, 12.800001234")
        {'temperature': 21.5, 'frequency': 12800001.234}
        >>> meter.values("70.7 degF, 12800001.234 Hz")
        {'temperature': 21.5, 'frequency': 12800001.234}
        """
        if self._pattern is not None:
            found = self._by_pattern(line)
        elif any(isinstance(name, str) for name in self.source.fields):
            by_name = self._by_name(line)
            if by_name is None:
                return None
            found = by_name
        else:
            found = self._by_position(line)
        return {quantity: self._value(quantity, text, line) for quantity, text in found.items()}

    def _by_pattern(self, line: str) -> dict[str, str]:
        match = self._pattern.search(line) if self._pattern is not None else None
        if match is None:
            raise UnusableError(
                "no match", f"the pattern {self.source.pattern!r} does not match the line {shown(line)}"
            )
        if set(match.re.groupindex) == set(self.source.gives):
            return {quantity: match[quantity] or "" for quantity in self.source.gives}
        return {quantity: match[number] or "" for number, quantity in enumerate(self.source.gives, 1)}

    def _by_position(self, line: str) -> dict[str, str]:
        fields = self._split(line)
        numbers = self.source.fields or tuple(range(1, len(self.source.gives) + 1))
        return dict(self._picked(fields, numbers, line))

    def _picked(self, fields: list[str], numbers: tuple[Column, ...], line: str) -> Iterator[tuple[str, str]]:
        for quantity, number in zip(self.source.gives, numbers, strict=True):
            at = self._headings.get(number, -1) if isinstance(number, str) else number - 1
            if not 0 <= at < len(fields):
                raise UnusableError("half line", f"there is no field {number} in the line {shown(line)}")
            yield quantity, fields[at]

    def _by_name(self, line: str) -> dict[str, str] | None:
        fields = self._split(line)
        bare = [one.strip("\"' #") for one in fields]
        if set(self.source.fields) <= set(bare):
            self._headings = {name: bare.index(str(name)) for name in map(str, self.source.fields)}
            return None
        if self._headings:
            return dict(self._picked(fields, self.source.fields, line))
        found: dict[str, str] = {}
        for quantity, name in zip(self.source.gives, self.source.fields, strict=True):
            if isinstance(name, int):
                found |= {quantity: fields[name - 1]} if name <= len(fields) else {}
                continue
            match = re.search(
                rf"(?<![\w.]){re.escape(name)}[\"']?\s*[=: ]\s*({NUMBER}(?:\s*(?![^\s,;]*[=:])[^\s\d,;{{}}\[\]]+)?)",
                line,
            )
            found |= {quantity: match[1]} if match else {}
        if len(found) < len(self.source.gives):
            lost = ", ".join(
                str(n) for q, n in zip(self.source.gives, self.source.fields, strict=True) if q not in found
            )
            raise UnusableError("no match", f"there is no {lost} in the line {shown(line)}")
        return found

    def _split(self, line: str) -> list[str]:
        separator: str = self.source.separator or next((one for one in SEPARATORS if one in line), " ")
        fields = line.split() if separator == " " else [one.strip() for one in line.split(separator)]
        if separator != " ":
            return fields
        joined: list[str] = []
        for one in fields:  # a unit that is separated from its number by a blank
            if joined and one.lower() in UNIT_SPELLINGS and re.fullmatch(NUMBER, joined[-1]):
                joined[-1] = f"{joined[-1]} {one}"
            else:
                joined.append(one)
        return joined

    def _value(self, quantity: str, text: str, line: str) -> float:
        if quantity == "reference" and self.source.good is not None:
            return float(re.search(self.source.good, text) is not None)
        match = FIELD.fullmatch(text.strip())
        unit = match[2].lower() if match is not None else ""
        if match is None or not (unit in UNIT_SPELLINGS or not unit or WORD.fullmatch(unit)):
            raise UnusableError("garbage", f"{shown(text)} is not a valid {quantity}, in the line {shown(line)}")
        try:
            number = Decimal(match[1].replace(",", "."))
            return self._in_log_unit(quantity, number, UNIT_SPELLINGS.get(unit, ""), line)
        except ArithmeticError as error:  # an exponent of many digits
            raise UnusableError(
                "garbage", f"{shown(text)} is not a valid {quantity}, in the line {shown(line)}"
            ) from error

    def _in_log_unit(self, quantity: str, number: Decimal, spelt: str, line: str) -> float:
        given = self.units[quantity]
        unit = spelt or given
        if quantity == "reference":
            low, high = self.source.within or (0.0, 0.0)
            return float(low <= float(number) <= high)
        if LOG_UNITS[unit] != LOG_UNITS[given]:
            raise UnusableError(
                "another unit", f"the {quantity} is in {unit}, the job says {given}, in the line {shown(line)}"
            )
        if unit != given:
            self.converted.add(unit)
        if unit == "degF":
            return float((number - 32) * 5 / 9)
        return float(number - Decimal("273.15")) if unit == "K" else float(number.scaleb(POWER_OF_TEN.get(unit, 0)))


def text_of(line: bytes) -> str:
    """A line as text, without blanks around it."""
    return line.decode("utf-8", errors="replace").strip()


def shown(line: str) -> str:
    """A line as a message shows it.

    >>> shown("a" * 100)[-6:], shown("T=21.5")
    ("aa'...", "'T=21.5'")
    """
    return repr(line if len(line) <= MAX_SHOWN else f"{line[:MAX_SHOWN]}") + ("" if len(line) <= MAX_SHOWN else "...")
