"""The columns of a log that a [[run]] block names, as arrays, and how they are read from rows of text.

Rows are read by a fast parser; where a field is not a number they are read again, field by field, to find and name it.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tcomp.arrays import IntArray
from tcomp.errors import RunError
from tcomp.job import Column, RunLog, Sensor
from tcomp.job.sensors import FAHRENHEIT_KEYS, KELVIN_KEYS
from tcomp.logs.dialect import MISSING_WORDS, Dialect, column_label, fields_of, find_dialect, is_missing, is_number
from tcomp.logs.text import LogText, read_text
from tcomp.units import HZ_PER_UNIT, PPB_PER_UNIT

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class LogColumns:
    """The named columns: numbers as float64, NaN where missing; the time as written.

    ``line`` is the line of each row, or its number where the file has no lines; ``units`` holds the units written behind the
    numbers of a column.
    """

    path: Path
    values: dict[Column, Any]
    line: IntArray
    has_lines: bool
    assumptions: tuple[str, ...]
    units: tuple[tuple[Column, str], ...] = ()

    def location(self, index: int) -> str:
        """The file and line of a row, for a message."""
        return row_location(self.path, int(self.line[index]), self.has_lines)


def row_location(path: Path, number: int, has_lines: bool) -> str:
    """The file and a line or row of it, for a message.

    >>> row_location(Path("gauge.csv"), 12, True), row_location(Path("gauge.parquet"), 12, False)
    ('gauge.csv:12', 'gauge.parquet: row 12')
    """
    return f"{path}:{number}" if has_lines else f"{path}: row {number}"


def not_a_number(where: str, column: Column, field: str, log: RunLog) -> RunError:
    """The error for text where a number belongs."""
    found = f"{where}: {column_label(column)} holds '{field}'"
    if column in log.time_columns:
        return RunError(f"{found}, expected a number as in the rows before it")
    if field and set(field) == {"#"}:
        return RunError(
            f"{found}, which a spreadsheet writes in a column that is too narrow; widen the column there and save the log again"
        )
    if is_number(field):
        return RunError(f"{found}, but the log has another decimal mark; use one throughout, or give `decimal`")
    return RunError(
        f"{found}, expected a number; if the log writes that for a missing value, add it to `missing`: "
        f'missing = ["{field}"]'
    )


def without_missing_numbers(values: dict[Column, Any], log: RunLog) -> dict[Column, Any]:
    """The columns with NaN for the numbers that the job declares missing, such as -999, however they are written."""
    fills = [float(word.replace(",", ".")) for word in log.missing if is_number(word)]
    return {
        column: np.where(np.isin(value, fills), np.nan, value) if fills and value.dtype == np.float64 else value
        for column, value in values.items()
    }


_MARKED = re.compile(r"([-+]?\d{1,3})((?:([ ,.'\u2019\u00a0\u2009\u202f])\d{3})(?:\3\d{3})*)(?:([.,])(\d+))?")
_WITH_UNIT = re.compile(
    r"([-+]?(?:\d[\d ,.'\u2019\u00a0\u2009\u202f]*)(?:[eE][-+]?\d+)?)\s*([A-Za-z°ºµμ%][A-Za-z°ºµμ/%0-9 ]*)"
)
_FAHRENHEIT = ("f", "°f", "ºf", "degf", "deg f", "fahrenheit")
_KELVIN = ("k", "kelvin")


def without_marks(field: str, decimal: str) -> str | None:
    """A number without its thousands marks and with a decimal point; None if it has no marks, or is ambiguous.

    >>> without_marks("10,000,011.2583", "."), without_marks("10 000 011,2583", ","), without_marks("10,011", ".")
    ('10000011.2583', '10000011.2583', None)
    """
    found = _MARKED.fullmatch(field)
    if found is None:
        return None
    lead, groups, mark, point, fraction = found.groups()
    if mark in (point, decimal) or point not in (None, decimal):
        return None
    if mark in ",." and point is None and groups.count(mark) == 1:
        return None  # 10,011 may be 10.011 or 10011
    return lead + groups.replace(mark, "") + (f".{fraction}" if fraction else "")


def number_and_unit(field: str) -> tuple[str, str] | None:
    """A number and the unit behind it; None if there is no unit.

    >>> number_and_unit("24.00 °C"), number_and_unit("24.00")
    (('24.00', '°C'), None)
    """
    found = _WITH_UNIT.fullmatch(field)
    return (found[1].strip(), found[2].strip()) if found else None


def refuse_other_units(columns: LogColumns, log: RunLog, sensor: Sensor | None) -> None:
    """Refuse units behind numbers that are not those the job states.

    Raises
    ------
    RunError
        A temperature in degF or kelvin is taken as degC, or a frequency or an offset has another unit.
    """
    for column, unit in columns.units:
        where = f"{columns.location(0)}: {column_label(column)} holds numbers in '{unit}'"
        if column == log.temperature and (sensor is None or not sensor.is_converted):
            _refuse_temperature(where, unit)
        if column == log.frequency:
            _refuse_stated(where, unit, "frequency_unit", log.frequency_unit, tuple(HZ_PER_UNIT))
        if column == log.offset:
            _refuse_stated(where, unit, "offset_unit", str(log.offset_unit), (*PPB_PER_UNIT, "Hz"))


def _refuse_temperature(where: str, unit: str) -> None:
    keys = FAHRENHEIT_KEYS if unit.lower() in _FAHRENHEIT else KELVIN_KEYS if unit.lower() in _KELVIN else None
    if keys is not None:
        raise RunError(f"{where}, which are not degC; give {keys} in [sensor]")


def _refuse_stated(where: str, unit: str, key: str, stated: str, known: tuple[str, ...]) -> None:
    same = next((one for one in known if one.lower() == unit.lower()), None)
    if same is not None and same != stated:
        raise RunError(f'{where}, but {key} = "{stated}"; give {key} = "{same}"')


MISSING_SPELT = ["", "nan", "NaN", "NAN", "NA", "na", "null", "NULL", "Null"]
"""The missing words as loggers spell them; other spellings are found by the slow reader."""


def text_columns(log: RunLog) -> LogColumns:
    """Read the named columns of a text log.

    Raises
    ------
    RunError
        The file cannot be read, lacks a column, or holds text where numbers belong.
    """
    return columns_of_text(read_text(log.file), log)


def columns_of_text(text: LogText, log: RunLog) -> LogColumns:
    """The named columns of a log's text, or of a part of it.

    Raises
    ------
    RunError
        A column is missing, or holds text where numbers belong.
    """
    dialect = find_dialect(text, log)
    if dialect.first_line > text.line_count:
        return LogColumns(log.file, {}, np.empty(0, dtype=np.int64), True, ())
    header = text.line(dialect.header_line) if dialect.header_line else None
    rows, lines = text.body(dialect.first_line, dialect.separator, header)
    columns, decimal = columns_of_rows(rows, lines, log, dialect)
    assumptions = (*dialect.assumptions, *columns.assumptions)
    if decimal == "," and log.decimal is None:
        assumptions = (*assumptions, "Numbers are written with a decimal comma.")
    return replace(columns, assumptions=assumptions)


def columns_of_rows(rows: bytes, lines: IntArray, log: RunLog, dialect: Dialect) -> tuple[LogColumns, str]:
    """The named columns of some rows, whose lines are given, and the decimal mark by which they were read.

    Raises
    ------
    RunError
        A field is not a number where one belongs.
    """
    read = _TextRows(rows, lines, log, dialect).numbers()
    if len(read.frame) != len(lines):
        raise RunError(f"{log.file}: a quoted field runs over the end of its line; remove the quote that is not closed")
    values = {column: read.frame[position].to_numpy() for column, position in dialect.positions.items()}
    _refuse_few_digits(rows, lines, values, log, dialect)
    numbers = without_missing_numbers(values, log)
    return LogColumns(log.file, numbers, lines, True, read.assumptions, read.units), read.decimal


_EXPONENT = re.compile(r"[-+]?\d[.,]?(\d*)[eE]([-+]?\d+)")
FEW_STEPS = 3
"""A run over so few steps of its last digit determines nothing."""
COARSE_DIGITS = 1e-8
"""Step of a frequency's last digit, as a share of it, that hides a crystal's curve: 10 ppb."""


def _refuse_few_digits(rows: bytes, lines: IntArray, values: dict[Column, Any], log: RunLog, dialect: Dialect) -> None:
    """Refuse frequencies of too few digits to show the crystal.

    Raises
    ------
    RunError
        They are written with a power of ten, and differ by a few steps of the last digit only.
    """
    if log.frequency is None or not rows:
        return
    position = dialect.positions[log.frequency]
    head = [fields_of(line.decode("utf-8"), dialect.separator) for line in rows.split(b"\n", HEAD_ROWS)[:HEAD_ROWS]]
    fields = [row[position] for row in head if position < len(row) and not is_missing(row[position], log)]
    shown = [_EXPONENT.fullmatch(field) for field in fields]
    finite = values[log.frequency][np.isfinite(values[log.frequency])]
    if len(finite) < FEW_STEPS or not all(shown):
        return
    powers = [int(one[2]) - len(one[1]) for one in shown if one]
    step = 10.0 ** min(powers) if powers and abs(min(powers)) <= MAX_POWER else 0.0
    if step >= COARSE_DIGITS * abs(float(finite[0])) > 0 and float(np.ptp(finite)) <= FEW_STEPS * step:
        raise RunError(
            f"{log.file}:{lines[0]}: {column_label(log.frequency)} holds '{fields[0]}', numbers of too few digits: their last one "
            f"is worth {1e9 * step / abs(float(finite[0])):.3g} ppb; log all digits, such as 10000000.125"
        )


HEAD_ROWS = 50
"""Rows whose digits are examined."""
MAX_POWER = 30


@dataclass(frozen=True, eq=False)
class _Read:
    """The named columns by position, the decimal mark, what was assumed, and units that were written behind numbers."""

    frame: pd.DataFrame
    decimal: str
    assumptions: tuple[str, ...] = ()
    units: tuple[tuple[Column, str], ...] = ()


@dataclass(frozen=True, eq=False)
class _TextRows:
    data: bytes
    lines: IntArray
    log: RunLog
    dialect: Dialect

    def numbers(self) -> _Read:
        """The named columns, by the first decimal mark with which they can be read."""
        text = self.log.time_columns if self._time_is_text() else ()
        for decimal in self.dialect.decimals:
            try:
                return _Read(self._parsed(decimal, text), decimal)
            except ValueError:
                continue
        return self._slowly_parsed(self.dialect.decimals[0], text)

    def _time_is_text(self) -> bool:
        """Whether the first time that is not missing is text; a date and a time in two columns are."""
        columns = self.log.time_columns
        if len(columns) != 1 or self.log.time_format is not None:
            return bool(columns)
        head = self._parsed(".", self.dialect.positions, rows=200)[self.dialect.positions[columns[0]]]
        times = head.fillna("").str.strip()
        return not is_number(next((time for time in times if not is_missing(time, self.log)), "0"))

    def _parsed(self, decimal: str, text: Collection[Column], rows: int | None = None) -> pd.DataFrame:
        """The named columns by the fast parser.

        In a row with too few fields the last values are missing; fields beyond the named columns are ignored.

        Raises
        ------
        ValueError
            A column of numbers holds text.
        """
        import pandas as pd

        positions = self.dialect.positions
        kinds: dict[str, Any] = {str(at): str if column in text else np.float64 for column, at in positions.items()}
        words = [*MISSING_SPELT, *self.log.missing]
        # A header of our own, as wide as the named columns need, allows rows of any width.
        header = self.dialect.separator.join(map(str, range(max(positions.values()) + 1)))
        try:
            frame = pd.read_csv(
                io.BytesIO(header.encode() + b"\n" + self.data), sep=self.dialect.separator, decimal=decimal,
                header=0, index_col=False, usecols=list(kinds), dtype=kinds, keep_default_na=False,
                na_values={position: words for position, kind in kinds.items() if kind is not str},
                skip_blank_lines=False, skipinitialspace=True, nrows=rows,
                quoting=csv.QUOTE_MINIMAL if b'"' in self.data else csv.QUOTE_NONE, engine="c",
            )  # fmt: skip
        except pd.errors.ParserError as error:
            raise RunError(f"{self.log.file}: a quoted field is not closed; remove the surplus quote") from error
        return frame.rename(columns=int)

    def _slowly_parsed(self, decimal: str, text: Collection[Column]) -> _Read:
        """The same field by field, to find the one that is not a number; blanks around missing words are allowed."""
        import pandas as pd

        frame = self._parsed(decimal, self.dialect.positions)
        numbers: dict[int, Any] = {}
        remarks: list[str] = []
        units: list[tuple[Column, str]] = []
        for column, position in self.dialect.positions.items():
            fields = frame[position].fillna("").str.strip()
            if column in text:
                numbers[position] = fields
                continue
            missing = fields.str.lower().isin(MISSING_WORDS) | fields.isin(self.log.missing)
            unit = _unit_behind(fields[~missing])
            if unit:
                fields = fields.where(missing, fields.str.slice(stop=-len(unit)).str.rstrip())
                units.append((column, unit))
                remarks.append(f"The unit '{unit}' behind the numbers of {column_label(column)} was taken off.")
            numbers[position], marked = self._numbers_of(fields, missing, column, decimal)
            if marked:
                remarks.append(f"Thousands marks in {column_label(column)} were taken off.")
        return _Read(pd.DataFrame(numbers), decimal, tuple(remarks), tuple(units))

    def _numbers_of(self, fields: pd.Series, missing: pd.Series, column: Column, decimal: str) -> tuple[Any, bool]:
        """A column as numbers, and whether they had thousands marks."""
        other_mark = fields.str.contains("," if decimal == "." else ".", regex=False)
        fault = ~missing & (other_mark | ~fields.map(is_number))
        marked = False
        if fault.any():
            plain = fields[fault].map(lambda field: without_marks(field, decimal))
            marked = not plain.isna().any()
            if not marked:
                index = int(np.argmax((fault & ~fields.index.isin(plain.dropna().index)).to_numpy()))
                where = f"{self.log.file}:{self.lines[index]}"
                raise not_a_number(where, column, str(fields.iloc[index]), self.log)
            fields = fields.where(~fault, plain)
        return fields.where(~missing, "nan").str.replace(decimal, ".", regex=False).astype(np.float64), marked


def _unit_behind(fields: pd.Series) -> str:
    """The unit behind every number of a column; empty if there is none, or several."""
    first = number_and_unit(str(fields.iloc[0])) if len(fields) else None
    if first is None or not fields.str.endswith(first[1]).all():
        return ""
    return first[1]
