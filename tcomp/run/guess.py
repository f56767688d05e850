"""What the columns of a log probably hold, told from their names and from the values in them: a start for a job.

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
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.run.dialect import MISSING_WORDS, fields_of, is_date, is_number, is_time_of_day
from tcomp.run.log_text import read_text
from tcomp.run.quantity import nominal_text
from tcomp.run.time_format import fitting_formats
from tcomp.units import HZ_PER_UNIT

if TYPE_CHECKING:
    from tcomp.run.log_text import LogText

LIKELY = {
    "time": re.compile(r"time|utc|date|stamp|mjd|unix|elapsed|seconds|^t(_s|\s*[\[(]s[\])])?$"),
    "temperature": re.compile(r"temp|deg_?[cf]\b|_[cf]$|°|celsius|fahrenheit|^T$|^T[_ \[(]", re.ASCII),
    "frequency": re.compile(r"freq|hz\b|^f$|^f[_ \[(]"),
    "offset": re.compile(r"ppm|ppb|offset|^y$"),
    "phase": re.compile(r"phase|departure"),
}
"""Words in a column's name that tell what it holds; all but a single capital T are looked for in lower case too."""
QUANTITIES = ("frequency", "offset", "phase")
"""Of these a run has one: the first that is found."""
FAHRENHEIT = re.compile(r"fahrenheit|deg_?f\b|°\s*f\b|[_ \[(]f[\])]?$", re.IGNORECASE)
HEADER_LINES = 50
ROWS = 200
"""Rows that are looked at, at either end of the log."""
MOST_SPREAD = 4e-3
"""Of a column of frequencies: it wanders by less than 2000 ppm to either side."""
LIKELY_C = (-100.0, 200.0)
LEAST_FREQUENCY_HZ = 1e3
LIKELY_HZ = (3e4, 3e8)
"""Where crystals' frequencies lie, from those of clocks to overtones."""


@dataclass(frozen=True)
class Head:
    """The names of a log's columns, and rows from both its ends as text."""

    names: tuple[str, ...]
    rows: list[list[str]]

    def column(self, name: str) -> list[str]:
        """The fields of a column that hold anything."""
        at = self.names.index(name)
        return [row[at] for row in self.rows if len(row) > at and row[at].lower() not in MISSING_WORDS]

    def numbers(self, name: str) -> NDArray[np.float64]:
        """A column as numbers; empty if any of it is text."""
        fields = self.column(name)
        return np.array([float(field.replace(",", ".")) for field in fields] if all(map(is_number, fields)) else [])


@dataclass(frozen=True)
class Guess:
    """What was guessed: keys of a [[run]], and what else of the job they tell; and in words what is to be checked."""

    names: tuple[str, ...]
    keys: dict[str, Any]
    nominal_hz: float | None
    is_fahrenheit: bool
    remarks: tuple[str, ...]


def guess_columns(log: Path) -> Guess:
    """Guess what a log's columns hold.

    Raises
    ------
    RunError
        The log cannot be read, or no line of its head looks like a header.
    """
    return guess_of(_head_of_parquet(log) if log.suffix.lower() == ".parquet" else _head_of_text(log))


def guess_of(head: Head) -> Guess:
    """Guess what columns hold: by name first, and by value what no name tells."""
    keys: dict[str, Any] = _by_name(head)
    by_value = _by_value(head, keys)
    keys |= by_value
    remarks = [f"{key} = {keys[key]!r} was told from its values alone" for key in by_value]
    time_format, said = _time_format(head, keys.get("time"))
    keys |= {"time_format": time_format} if time_format else {}
    remarks += said
    keys |= _units(head, keys)
    nominal_hz = _nominal_hz(head, keys)
    if nominal_hz is not None:
        remarks.append(f"nominal_hz = {nominal_hz:.10g} is what lies nearest to the log's frequencies")
    is_fahrenheit = bool(FAHRENHEIT.search(str(keys.get("temperature", ""))))
    if is_fahrenheit:
        remarks.append(f"{keys['temperature']!r} was taken for degF by its name, so [sensor] turns it into degC")
    remarks += [f"no column looks like {lost}: name it yourself" for lost in _lost(keys)]
    return Guess(head.names, keys, nominal_hz, is_fahrenheit, tuple(remarks))


def _lost(keys: dict[str, Any]) -> list[str]:
    lost = [] if any(key in keys for key in QUANTITIES) else ["a frequency, an offset or a phase"]
    lost += [words for key, words in (("time", "a time"), ("temperature", "a temperature")) if key not in keys]
    return lost + (["the unit of the offset"] if "offset" in keys and "offset_unit" not in keys else [])


def _head_of_text(log: Path) -> Head:
    text = read_text(log)
    for number in range(1, min(text.line_count, HEADER_LINES)):
        for separator in ("\t", ";", ","):
            header = _header(text, number, separator)
            if header:
                header = _names_above_units(text, number, separator, header)
                return Head(header, _rows(text, number + 1, separator, len(header)))
    raise RunError(
        f"{log}: no header was found in its first {HEADER_LINES} lines; write the job by hand, columns by number"
    )


def _head_of_parquet(log: Path) -> Head:
    import pyarrow.parquet

    from tcomp.job import RunLog
    from tcomp.run.parquet_file import parquet_names

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
    """The fields of a line if it looks like a header: names, above a line of as many fields with numbers among them."""
    names = fields_of(text.line(number).lstrip("# \t"), separator)
    below = fields_of(text.line(number + 1), separator)
    looks = (
        len(names) > 1 and len(names) == len(below) and not any(map(is_number, names)) and any(map(is_number, below))
    )
    return tuple(names) if looks else ()


def _names_above_units(text: LogText, number: int, separator: str, header: tuple[str, ...]) -> tuple[str, ...]:
    """The line above, if it too holds as many names: then the line that was found holds their units."""
    above = fields_of(text.line(number - 1).lstrip("# \t"), separator) if number > 1 else []
    names = tuple(name for name in above if name and not is_number(name))
    return names if len(names) == len(above) == len(header) else header


def _by_name(head: Head) -> dict[str, Any]:
    both = _date_and_time(head)
    found: dict[str, Any] = {"time": both} if both else {}
    for key, pattern in LIKELY.items():
        taken = {*found.values(), *both}
        names = [name for name in head.names if _says(pattern, name) and name not in taken]
        if names and key not in found and not (key in QUANTITIES and any(other in found for other in QUANTITIES)):
            found[key] = names[0]
    return found


def _says(pattern: re.Pattern[str], name: str) -> bool:
    # A lone T is a temperature, a lone t a time.
    return bool(pattern.search(name) or (len(name) > 1 and pattern.search(name.lower())))


def _date_and_time(head: Head) -> tuple[str, ...]:
    """The names of the columns in which the first row holds a date and a time of day; empty if either is not there."""
    pairs = list(zip(head.names, head.rows[0], strict=True)) if head.rows else []
    dates, times = ([name for name, field in pairs if fits(field)] for fits in (is_date, is_time_of_day))
    return (dates[0], times[0]) if dates and times else ()


def _by_value(head: Head, keys: dict[str, Any]) -> dict[str, str]:
    """Of what no name tells: the one column, among those that are left, whose values can be nothing else."""
    found: dict[str, str] = {}
    for key, fits in (("time", _may_be_time), ("frequency", _may_be_frequency), ("temperature", _may_be_temperature)):
        if key in keys or (key == "frequency" and any(other in keys for other in QUANTITIES)):
            continue
        taken = {*_flat(keys.values()), *found.values()}
        columns = [name for name in head.names if name not in taken and head.numbers(name).size > 1]
        fitting = [name for name in columns if fits(head.numbers(name))]
        if len(fitting) == 1:
            found[key] = fitting[0]
    return found


def _flat(values: Any) -> list[Any]:
    return list(itertools.chain.from_iterable(value if isinstance(value, tuple) else (value,) for value in values))


def _may_be_time(values: NDArray[np.float64]) -> bool:
    return bool((np.diff(values) > 0).all())


def _may_be_frequency(values: NDArray[np.float64]) -> bool:
    return bool(values.min() > LEAST_FREQUENCY_HZ and 0 < np.ptp(values) < MOST_SPREAD * values.min())


def _may_be_temperature(values: NDArray[np.float64]) -> bool:
    return bool(LIKELY_C[0] < values.min() < values.max() < LIKELY_C[1])


def _time_format(head: Head, time: str | tuple[str, str] | None) -> tuple[str | None, list[str]]:
    """The format of times that ISO 8601 does not read, and what was assumed of it."""
    if time is None:
        return None, []
    fields = (
        head.column(time) if isinstance(time, str) else list(map(" ".join, zip(*map(head.column, time), strict=False)))
    )
    if not fields or all(map(is_number, fields)) or _is_iso(fields[0]):
        return None, []
    formats = fitting_formats(fields)
    if not formats:
        return None, [f"the times, such as {fields[0]!r}, are written in no usual way: give time_format"]
    also = f"; {formats[1]} would read them too: check which it is" if len(formats) > 1 else ""
    return formats[0], [f"time_format = {formats[0]} reads the times{also}"]


def _is_iso(field: str) -> bool:
    try:
        datetime.fromisoformat(field.replace(",", "."))
    except ValueError:
        return False
    return True


def _units(head: Head, keys: dict[str, Any]) -> dict[str, str]:
    if "offset" in keys:
        unit = re.search(r"ppm|ppb", keys["offset"], re.IGNORECASE)
        return {"offset_unit": unit[0].lower()} if unit else {}
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
    return {"frequency_unit": next(name for name in ("kHz", "MHz") if median * HZ_PER_UNIT[name] > LIKELY_HZ[0])}


def _nominal_hz(head: Head, keys: dict[str, Any]) -> float | None:
    values = head.numbers(keys["frequency"]) if "frequency" in keys else np.array([])
    median = float(np.median(values)) if values.size else 0.0
    return float(nominal_text(median * HZ_PER_UNIT[keys.get("frequency_unit", "Hz")])) if median > 0 else None
