"""A line of an instrument becomes numbers with their unit."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import Decimal

from tcomp.job import Column, Source
from tcomp.job.bench import UNITS

NUMBER = r"[-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?"
FIELD = re.compile(rf"(?:[^=:]*[=:])?\s*[\"']?({NUMBER})[\"']?\s*([^\s\d,;{{}}\[\]]*)\s*[}}\]]*")
SEPARATORS: tuple[str, ...] = ("\t", ";", ",")
SHOWN = 60
"""Characters of a line that a message shows."""

SPELT = {
    "c": "degC", "°c": "degC", "degc": "degC", "celsius": "degC", "f": "degF", "°f": "degF", "degf": "degF", "k": "K",
    "ohm": "ohm", "ohms": "ohm", "\u03a9": "ohm", "\u2126": "ohm", "hz": "Hz", "khz": "kHz", "mhz": "MHz",
    "ghz": "GHz", "ppm": "ppm", "ppb": "ppb",
}  # fmt: skip
"""How instruments write units, in lower case.  (No instrument shows millihertz of an oscillator as mHz.)"""
WRITTEN_IN = {
    "degC": "degC", "degF": "degC", "K": "degC", "ohm": "ohm", "code": "code", "Hz": "Hz", "kHz": "Hz", "MHz": "Hz",
    "GHz": "Hz", "ppb": "ppb", "ppm": "ppb", "1": "ppb", "": "",
}  # fmt: skip
"""The unit in which the log keeps a value that came in this one."""
POWER_OF_TEN = {"kHz": 3, "MHz": 6, "GHz": 9, "ppm": 3, "1": 9}


class UnusableError(ValueError):
    """A line that gives no sample; ``kind`` is what is counted."""

    def __init__(self, kind: str, why: str) -> None:
        super().__init__(why)
        self.kind = kind


@dataclass
class LineReader:
    """Finds a source's values in its lines; a line of headings that names the fields is remembered."""

    source: Source
    turned: set[str] = field(default_factory=set)
    """Units that were met and are not those of the job, and were converted."""
    _headings: dict[str, int] = field(default_factory=dict)
    _pattern: re.Pattern[str] | None = None

    def __post_init__(self) -> None:
        self._pattern = re.compile(self.source.pattern) if self.source.pattern is not None else None
        given = self.source.unit or tuple(UNITS[quantity][0] for quantity in self.source.gives)
        self.units: dict[str, str] = dict(zip(self.source.gives, given, strict=True))

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
            match = re.search(rf"(?<![\w.]){re.escape(name)}[\"']?\s*[=: ]\s*({NUMBER}\s*[^\s\d,;{{}}\[\]]*)", line)
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
        for one in fields:  # a unit that a blank parts from its number
            if joined and one.lower() in SPELT and re.fullmatch(NUMBER, joined[-1]):
                joined[-1] = f"{joined[-1]} {one}"
            else:
                joined.append(one)
        return joined

    def _value(self, quantity: str, text: str, line: str) -> float:
        if quantity == "reference" and self.source.good is not None:
            return float(re.search(self.source.good, text) is not None)
        match = FIELD.fullmatch(text.strip())
        if match is None:
            raise UnusableError("garbage", f"{shown(text)} is no {quantity}, in the line {shown(line)}")
        try:
            number = Decimal(match[1].replace(",", "."))
            return self._in_log_unit(quantity, number, SPELT.get(match[2].lower(), ""), line)
        except ArithmeticError as error:  # an exponent of many digits
            raise UnusableError("garbage", f"{shown(text)} is no {quantity}, in the line {shown(line)}") from error

    def _in_log_unit(self, quantity: str, number: Decimal, spelt: str, line: str) -> float:
        given = self.units[quantity]
        unit = spelt or given
        if quantity == "reference":
            low, high = self.source.within or (0.0, 0.0)
            return float(low <= float(number) <= high)
        if WRITTEN_IN[unit] != WRITTEN_IN[given]:
            raise UnusableError(
                "another unit", f"the {quantity} is in {unit}, the job says {given}, in the line {shown(line)}"
            )
        if unit != given:
            self.turned.add(unit)
        if unit == "degF":
            return float((number - 32) * 5 / 9)
        return float(number - Decimal("273.15")) if unit == "K" else float(number.scaleb(POWER_OF_TEN.get(unit, 0)))


def shown(line: str) -> str:
    """A line as a message shows it.

    >>> shown("a" * 100)[-6:], shown("T=21.5")
    ("aa'...", "'T=21.5'")
    """
    return repr(line if len(line) <= SHOWN else f"{line[:SHOWN]}") + ("" if len(line) <= SHOWN else "...")
