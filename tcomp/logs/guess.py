"""What the columns of a log probably hold, from their names and their values: a start for a job.

Examples
--------
>>> head = Head(("t", "T", "f"), [["0", "21.5", "8000.01"], ["10", "21.6", "8000.02"]])
>>> guess = guess_of(head)
>>> guess.keys["frequency"], guess.keys["frequency_unit"], guess.nominal_hz, guess.keys["time"]
('f', 'kHz', 8000000.0, 't')
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import RunError
from tcomp.job import RunLog
from tcomp.logs.columns import number_and_unit, without_marks
from tcomp.logs.dialect import MISSING_WORDS, fields_of, is_date, is_number, is_time_of_day
from tcomp.logs.quantities import MAX_SPREAD, nominal_text
from tcomp.logs.temperatures import SET_POINT_NAME, degc_per_count_of
from tcomp.logs.text import read_text
from tcomp.logs.time_formats import fitting_formats, number_clock, unit_of_name
from tcomp.units import HZ_PER_UNIT

if TYPE_CHECKING:
    from tcomp.logs.text import LogText

LIKELY = {
    "time": re.compile(
        r"time|utc|date|stamp|mjd|unix|elapsed|seconds|milli(s|second)|micros|minutes|hours|^days$|^(ms|us|min|hrs?)$"
        r"|^t([_ ](s|ms|us|ns|min|h|d)|\s*[\[(](s|ms|us|ns|min|h|d)[\])])?$"
    ),
    "temperature": re.compile(r"temp|deg_?[cf]\b|_[cf]$|°|celsius|fahrenheit|^T$|^T[_ \[(]", re.ASCII),
    "frequency": re.compile(r"freq|hz\b|^f$|^f[_ \[(]"),
    "offset": re.compile(r"pp[mbt]|offset|^y$|s(ec)?[ _/]*(per)?[ _/]*(day|month)|^d[ _]?f$"),
    "phase": re.compile(r"phase|departure|time.?interval|\btic\b|^tic_|_tic_|_ti\b"),
}
"""Patterns of names by what the column holds; all but a single capital T are matched in lower case too."""
QUANTITIES = ("frequency", "offset", "phase")
"""A run has one of these: the first that is found."""
FAHRENHEIT = re.compile(r"fahrenheit|deg_?f\b|°\s*f\b|[_ \[(]f[\])]?$", re.IGNORECASE)
HEADER_LINES = 50
ROWS = 200
"""Rows that are examined at either end of the log."""
LIKELY_C = (-100.0, 200.0)
MIN_FREQUENCY_HZ = 1e3
LIKELY_HZ = (3e4, 3e8)
"""Frequencies of crystals, from those of clocks to overtones."""


@dataclass(frozen=True)
class Head:
    """The names of a log's columns, or their numbers if it has no header, and the rows at both its ends as text."""

    names: tuple[str, ...]
    rows: list[list[str]]
    has_header: bool = True

    def column(self, name: str) -> list[str]:
        """The fields of a column that are not missing."""
        at = self.names.index(name)
        return [row[at] for row in self.rows if len(row) > at and row[at].lower() not in MISSING_WORDS]

    def numbers(self, name: str) -> FloatArray:
        """A column as numbers; empty if any field is text."""
        fields = self.column(name)
        plain = [_plain(field) for field in fields]
        return np.array([float(field.replace(",", ".")) for field in plain] if all(map(is_number, plain)) else [])


def _plain(field: str) -> str:
    """A number without its unit and its thousands marks; any other field as it is."""
    if is_number(field):
        return field
    number, _ = number_and_unit(field) or (field, "")
    return number if is_number(number) else without_marks(number, ".") or field


@dataclass(frozen=True)
class Guess:
    """The guessed keys of a [[run]], what else of the job follows from them, and remarks on what must be checked."""

    names: tuple[str, ...]
    keys: dict[str, Any]
    nominal_hz: float | None
    is_fahrenheit: bool
    degc_per_count: float | None
    remarks: tuple[str, ...]
    temperatures: tuple[str, ...] = ()
    """All columns that look like temperatures, the one in ``keys`` among them."""

    @property
    def lost(self) -> tuple[str, ...]:
        """Which of "quantity", "time" and "temperature" no column was found for."""
        has = {"quantity": any(key in self.keys for key in QUANTITIES)}
        has |= {key: key in self.keys for key in ("time", "temperature")}
        return tuple(name for name, found in has.items() if not found)


def temperature_names(names: Sequence[str]) -> tuple[str, ...]:
    """The names that look like a temperature, in their order.

    >>> temperature_names(["utc", "board_c", "box_temp", "osc_hz"])
    ('board_c', 'box_temp')
    """
    return tuple(name for name in names if _matches(LIKELY["temperature"], name))


def guess_columns(log: Path) -> Guess:
    """Guess what a log's columns hold.

    Raises
    ------
    RunError
        The log cannot be read, or no line of its head looks like a header.
    """
    return guess_of(_head_of_parquet(log) if log.suffix.lower() == ".parquet" else _head_of_text(log))


def guess_of(head: Head) -> Guess:
    """Guess what columns hold: from their names, and from their values where no name shows it."""
    keys: dict[str, Any] = _by_name(head)
    by_value = _by_value(head, keys)
    keys |= by_value
    remarks = [f"{key} = {keys[key]!r} was found from its values alone" for key in by_value]
    time_format, more = _time_format(head, keys.get("time"))
    keys |= {"time_format": time_format} if time_format else {}
    remarks += more
    time_unit, more = _time_unit(head, keys.get("time"))
    keys |= {"time_unit": time_unit} if time_unit else {}
    remarks += more
    keys |= _units(head, keys)
    if _holds_differences(head, keys):
        keys["offset"], keys["offset_unit"] = keys.pop("frequency"), "Hz"
        remarks.append(
            f"{keys['offset']!r} holds small values that vary widely, so it is taken as Hz off the nominal: fill in nominal_hz"
        )
    nominal_hz = _nominal_hz(head, keys)
    if nominal_hz is not None:
        remarks.append(f"nominal_hz = {nominal_hz:.10g} is the round value nearest to the log's frequencies")
    is_fahrenheit = bool(FAHRENHEIT.search(str(keys.get("temperature", ""))))
    if is_fahrenheit:
        remarks.append(f"{keys['temperature']!r} was taken as degF by its name, so [sensor] converts it to degC")
    values = head.numbers(keys["temperature"]) if "temperature" in keys else np.array([])
    parts = None if is_fahrenheit else degc_per_count_of(values)
    if parts is not None:
        remarks.append(
            f"{keys['temperature']!r} was taken as {1 / parts:.0f} counts per degC by its size, see [sensor]"
        )
    remarks += [f"no column looks like {lost}: name it yourself" for lost in _lost(keys)]
    temperatures = _temperatures(head, keys)
    if len(temperatures) > 1:
        remarks.append(
            f"{' and '.join(map(repr, temperatures))} look like temperatures, and {keys['temperature']!r} was taken: which "
            "sensor is nearest to the crystal? `tcomp inspect` compares them by the error on sweeps left out"
        )
    if not head.has_header:
        keys = {key: _numbered(value) if key in COLUMN_KEYS else value for key, value in keys.items()}
        remarks.insert(0, "the log has no header, so the columns are given by their numbers")
    return Guess(head.names, keys, nominal_hz, is_fahrenheit, parts, tuple(remarks), temperatures)


COLUMN_KEYS = ("time", "temperature", "frequency", "offset", "phase")


def _numbered(value: Any) -> Any:
    """Names that are numbers, as numbers."""
    return tuple(map(int, value)) if isinstance(value, tuple) else int(value)


LARGEST_DIFFERENCE_HZ = 1e3


def _holds_differences(head: Head, keys: dict[str, Any]) -> bool:
    """Whether a column that looks like a frequency holds its difference from the nominal."""
    values = head.numbers(keys["frequency"]) if "frequency" in keys else np.array([])
    if values.size < 2:
        return False
    middle = abs(float(np.median(values)))
    return middle < LARGEST_DIFFERENCE_HZ and float(np.ptp(values)) > MAX_SPREAD * middle


def _time_unit(head: Head, time: str | tuple[str, str] | None) -> tuple[str | None, list[str]]:
    """The unit of times that are plain numbers, where the column's name shows another than seconds."""
    values = head.numbers(time) if isinstance(time, str) else np.array([])
    unit = unit_of_name(time)
    if not values.size or unit in (None, "s"):
        return None, []
    clock = number_clock(values, RunLog(Path("log"), "", time=time))
    return (unit, [f"time_unit = {unit!r} is taken from the name {time!r}"]) if clock.kind == "elapsed" else (None, [])


def _temperatures(head: Head, keys: dict[str, Any]) -> tuple[str, ...]:
    """Columns of numbers whose names and values may be temperatures."""
    taken = {*_flat(value for key, value in keys.items() if key != "temperature")}
    names = [name for name in temperature_names(head.names) if name not in taken]
    return tuple(name for name in names if head.numbers(name).size and name != keys.get("time"))


def _lost(keys: dict[str, Any]) -> list[str]:
    lost = [] if any(key in keys for key in QUANTITIES) else ["a frequency, an offset or a phase"]
    lost += [words for key, words in (("time", "a time"), ("temperature", "a temperature")) if key not in keys]
    return lost + (["the unit of the offset"] if "offset" in keys and "offset_unit" not in keys else [])


def _head_of_text(log: Path) -> Head:
    text = read_text(log)
    for separators in (("\t", ";", ","), (" ",)):
        for number in range(1, min(text.line_count, HEADER_LINES)):
            for separator in separators:
                header = _header(text, number, separator)
                if header:
                    header = _names_above_units(text, number, separator, header)
                    return Head(header, _rows(text, number + 1, separator, len(header)))
    for separators in (("\t", ";", ","), (" ",)):
        for number in range(1, min(text.line_count, HEADER_LINES)):
            for separator in separators:
                width = _width_without_header(text, number, separator)
                if width:
                    return Head(
                        tuple(map(str, range(1, width + 1))), _rows(text, number, separator, width), has_header=False
                    )
    raise RunError(
        f"{log}: no header was found in its first {HEADER_LINES} lines; write the job by hand, columns by number"
    )


def _width_without_header(text: LogText, number: int, separator: str) -> int:
    """The number of fields in a line and the one below, if both are rows with at least two numbers; else 0."""
    rows = [
        fields_of(text.line(one), separator)
        for one in (number, number + 1)
        if not text.line(one).lstrip().startswith("#")
    ]
    alike = len(rows) == 2 and len(rows[0]) == len(rows[1])
    return len(rows[0]) if alike and all(sum(map(is_number, map(_plain, row))) > 1 for row in rows) else 0


def _head_of_parquet(log: Path) -> Head:
    import pyarrow.parquet

    from tcomp.logs.frames import parquet_names

    names = parquet_names(RunLog(log, ""))
    with pyarrow.parquet.ParquetFile(log) as file:
        batch = next(file.iter_batches(ROWS), None)
    rows = [] if batch is None else [[str(row[name]) for name in names] for row in batch.to_pylist()]
    return Head(names, rows)


def _rows(text: LogText, first: int, separator: str, width: int) -> list[list[str]]:
    ends = {
        *range(first, min(text.line_count, first + ROWS)),
        *range(max(first, text.line_count - ROWS), text.line_count),
    }
    lines = [text.line(number) for number in sorted(ends | {text.line_count})]
    rows = [fields_of(line, separator) for line in lines if line.strip() and not line.lstrip().startswith("#")]
    return [row for row in rows if len(row) == width]


def _header(text: LogText, number: int, separator: str) -> tuple[str, ...]:
    """The fields of a line if it looks like a header: names, above a line of as many fields of which some are numbers."""
    names = fields_of(text.line(number).lstrip("# \t"), separator)
    below = fields_of(text.line(number + 1), separator)
    numbers = any(map(is_number, map(_plain, below)))
    looks = len(names) > 1 and len(names) == len(below) and not any(map(is_number, names)) and numbers
    if looks and text.line(number).lstrip().startswith("#"):
        looks = _are_names(names)
    return tuple(names) if looks else ()


def _are_names(names: list[str]) -> bool:
    """Whether the fields of a comment are names of columns, and not parts of a sentence."""
    known = [key for key, pattern in LIKELY.items() if any(_matches(pattern, name) for name in names)]
    return len(known) > 1 and all(len(name.split()) <= MAX_WORDS for name in names)


MAX_WORDS = 3
"""Largest number of words in a column's name, including its unit."""


def _names_above_units(text: LogText, number: int, separator: str, header: tuple[str, ...]) -> tuple[str, ...]:
    """The names in the line above, if it holds as many: then the line that was found holds their units."""
    above = fields_of(text.line(number - 1).lstrip("# \t"), separator) if number > 1 else []
    names = tuple(name for name in above if name and not is_number(name))
    return names if len(names) == len(above) == len(header) else header


def _by_name(head: Head) -> dict[str, Any]:
    both = _date_and_time(head)
    found: dict[str, Any] = {"time": both} if both else {}
    for key, pattern in LIKELY.items():
        taken = {*found.values(), *both}
        names = [name for name in head.names if _matches(pattern, name) and name not in taken]
        if key == "temperature":
            names.sort(key=lambda name: bool(SET_POINT_NAME.search(name)))  # measured temperatures before set-points
        if names and key not in found and not (key in QUANTITIES and any(other in found for other in QUANTITIES)):
            found[key] = names[0]
    return found


def _matches(pattern: re.Pattern[str], name: str) -> bool:
    # A lone T is a temperature, a lone t a time.
    return bool(pattern.search(name) or (len(name) > 1 and pattern.search(name.lower())))


def _date_and_time(head: Head) -> tuple[str, ...]:
    """The names of the columns in which the first row holds a date and a time of day; empty if either is not there."""
    pairs = list(zip(head.names, head.rows[0], strict=True)) if head.rows else []
    dates, times = ([name for name, field in pairs if fits(field)] for fits in (is_date, is_time_of_day))
    return (dates[0], times[0]) if dates and times else ()


def _by_value(head: Head, keys: dict[str, Any]) -> dict[str, str]:
    """For what no name shows: the only remaining column whose values fit."""
    found: dict[str, str] = {}
    for key, fits in (("time", _may_be_time), ("frequency", _may_be_frequency), ("temperature", _may_be_temperature)):
        if key in keys or (key == "frequency" and any(other in keys for other in QUANTITIES)):
            continue
        taken = {*_flat(keys.values()), *found.values()}
        columns = [name for name in head.names if name not in taken and head.numbers(name).size > 1]
        fitting = [name for name in columns if fits(head.numbers(name))]
        if key == "time":
            fitting = [name for name in head.names if name not in taken and _is_timestamp(head, name)] or fitting
        if len(fitting) == 1:
            found[key] = fitting[0]
    return found


def _flat(values: Any) -> list[Any]:
    return list(itertools.chain.from_iterable(value if isinstance(value, tuple) else (value,) for value in values))


def _is_timestamp(head: Head, name: str) -> bool:
    fields = head.column(name)
    return bool(fields) and not is_number(fields[0]) and (_is_iso(fields[0]) or is_time_of_day(fields[0]))


def _may_be_time(values: FloatArray) -> bool:
    return bool((np.diff(values) > 0).all())


def _may_be_frequency(values: FloatArray) -> bool:
    return bool(values.min() > MIN_FREQUENCY_HZ and 0 < np.ptp(values) < MAX_SPREAD * values.min())


def _may_be_temperature(values: FloatArray) -> bool:
    return bool(LIKELY_C[0] < values.min() < values.max() < LIKELY_C[1])


def _time_format(head: Head, time: str | tuple[str, str] | None) -> tuple[str | None, list[str]]:
    """The format of times that are not ISO 8601, and remarks on it."""
    if time is None:
        return None, []
    fields = (
        head.column(time) if isinstance(time, str) else list(map(" ".join, zip(*map(head.column, time), strict=False)))
    )
    if fields and all(map(str.isdecimal, fields)) and all(len(field) in (12, 14) for field in fields):
        formats = fitting_formats(fields)
        return (formats[0], [f"time_format = {formats[0]} reads the times"]) if formats else (None, [])
    if not fields or all(map(is_number, fields)) or _is_iso(fields[0]):
        return None, []
    if isinstance(time, str) and is_time_of_day(fields[0]):
        return None, [f"{time!r} holds times without a date, which are continued at each midnight"]
    formats = fitting_formats(fields)
    if not formats:
        return None, [f"the times, such as {fields[0]!r}, have no usual format: give time_format"]
    also = f"; {formats[1]} would read them too: check which it is" if len(formats) > 1 else ""
    return formats[0], [f"time_format = {formats[0]} reads the times{also}"]


def _is_iso(field: str) -> bool:
    try:
        datetime.fromisoformat(field.replace(",", "."))
    except ValueError:
        return False
    return True


def _units(head: Head, keys: dict[str, Any]) -> dict[str, str]:
    if "phase" in keys:
        unit = re.search(r"(?:^|[\W_])([nu\u00b5m]?s)(?:$|[\W_])", keys["phase"], re.IGNORECASE)
        named = unit[1].lower().replace("\u00b5", "u") if unit else "s"
        return {} if named == "s" else {"phase_unit": named}
    if "offset" in keys:
        return _offset_unit(keys["offset"])
    if "frequency" not in keys:
        return {}
    unit = re.search(r"[km](?=hz)", keys["frequency"], re.IGNORECASE)
    if unit:
        return {"frequency_unit": {"k": "kHz", "m": "MHz"}[unit[0].lower()]}
    named_hz = re.search(r"hz", keys["frequency"], re.IGNORECASE)
    values = head.numbers(keys["frequency"])
    median = float(np.median(values)) if values.size else 0.0
    if named_hz or not 0 < median < LIKELY_HZ[0]:
        return {}
    unit_name = next((name for name in ("kHz", "MHz") if median * HZ_PER_UNIT[name] > LIKELY_HZ[0]), None)
    return {"frequency_unit": unit_name} if unit_name is not None else {}


def _offset_unit(name: str) -> dict[str, str]:
    """The unit of an offset, if the column's name shows it."""
    if unit := re.search(r"pp[mbt](?![a-z])", name, re.IGNORECASE):
        return {"offset_unit": unit[0].lower()}
    if unit := re.search(r"s(?:ec)?[ _/]*(?:per)?[ _/]*(day|month)", name, re.IGNORECASE):
        return {"offset_unit": f"s/{unit[1].lower()}"}
    if unit := re.search(r"(?:e|10\^?)-(6|7|8|9|10|11|12)(?!\d)", name, re.IGNORECASE):
        return {"offset_unit": f"1e-{unit[1]}"}
    return {"offset_unit": "Hz"} if re.search(r"(?<![a-z])hz", name, re.IGNORECASE) else {}


def _nominal_hz(head: Head, keys: dict[str, Any]) -> float | None:
    values = head.numbers(keys["frequency"]) if "frequency" in keys else np.array([])
    median = float(np.median(values)) if values.size else 0.0
    return float(nominal_text(median * HZ_PER_UNIT[keys.get("frequency_unit", "Hz")])) if median > 0 else None
