"""How a text log is laid out: separator, header, positions of the named columns, decimal mark."""

from __future__ import annotations

import csv
import difflib
import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace

from tcomp.errors import RunError
from tcomp.job import Column, RunLog
from tcomp.logs.text import LogText

HEAD_LINES = 200
"""Lines searched for a header, and rows from which the decimal mark is found."""

MAX_NAMED = 50
"""Largest number of columns in a message."""

MISSING_WORDS = ("", "nan", "na", "null")
"""Words for a missing value in any log, in lower case."""

_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?|[-+]?inf(inity)?", re.IGNORECASE)
_DATE = re.compile(r"\d{1,4}([./-])\d{1,2}\1\d{1,4}")
_TIME_OF_DAY = re.compile(r"\d{1,4}:\d\d(:\d\d([.,]\d+)?)?(\s*[AaPp]\.?[Mm]\.?)?")
_SEPARATOR_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", " ": "blank"}
_THOUSANDS = re.compile(r"(?<![\d.])\d{1,3}(,\d{3}){2,}(\.\d+)?(?!\d)")


@dataclass(frozen=True)
class Dialect:
    """How a log is laid out.  Lines count from 1, ``positions`` from 0.

    ``header_line`` is 0 where columns are given by number; ``decimals`` are the marks to try, the likelier first.
    """

    separator: str
    header_line: int
    first_line: int
    positions: dict[Column, int]
    decimals: tuple[str, ...]
    assumptions: tuple[str, ...]


def required_columns(log: RunLog) -> tuple[Column, ...]:
    """The columns that a [[run]] block names, the time first if there is one."""
    temperature = log.temperature if log.temperature_file is None else None
    given = (*log.time_columns, temperature, log.frequency, log.offset, log.phase, log.reading, *log.trusted)
    given = (*given, *(one.column for one in log.regressors))
    return tuple(dict.fromkeys(column for column in given if column is not None))


def column_label(column: Column) -> str:
    """A column, for a message.

    >>> column_label("osc_hz"), column_label(3)
    ("column 'osc_hz'", 'column 3')
    """
    return f"column {column!r}" if isinstance(column, str) else f"column {column}"


def is_missing(field: str, log: RunLog) -> bool:
    """Whether a field stands for a missing value."""
    return field.lower() in MISSING_WORDS or field in log.missing


def is_number(field: str) -> bool:
    """Whether a field reads as a number, with either decimal mark.

    >>> is_number("-1,5e3"), is_number("1.000,5")
    (True, False)
    """
    return _NUMBER.fullmatch(field) is not None


def is_date(field: str) -> bool:
    """Whether a field reads as a date without a time of day.

    >>> is_date("2026-03-02"), is_date("02.03.2026"), is_date("2026-03-02T10:00Z")
    (True, True, False)
    """
    return _DATE.fullmatch(field) is not None


def is_time_of_day(field: str) -> bool:
    """Whether a field reads as a time of day without a date.

    >>> is_time_of_day("7:30:05"), is_time_of_day("7:30 PM"), is_time_of_day("730")
    (True, True, False)
    """
    return _TIME_OF_DAY.fullmatch(field) is not None


def fields_of(line: str, separator: str) -> list[str]:
    """The fields of a line, without quotes and blanks around them; several blanks as a separator count as one."""
    if separator == " ":
        if '"' not in line:
            return line.split()
        line = " ".join(line.split())
    return [field.strip() for field in next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])]


def find_dialect(text: LogText, log: RunLog) -> Dialect:
    """Find out how a log is laid out, from its head and the job.

    Raises
    ------
    RunError
        No line holds the column names, a name occurs twice, a column number is beyond the last, or the rows have more fields
        than the header.
    """
    named = any(isinstance(column, str) for column in required_columns(log))
    dialect = _by_name(text, log) if named else _by_number(text, log)
    remarks = list(text.assumptions)
    if log.separator is None and dialect.separator != ",":  # the one that a CSV file is named after
        remarks.append(f"Fields are separated by {_SEPARATOR_NAMES[dialect.separator]}s.")
    skipped = list(range(dialect.header_line + 1, dialect.first_line))
    skipped = [number for number in skipped if not text.line(number).lstrip().startswith("#")]
    if log.skip_lines is None and any(text.line(number).strip() for number in skipped):
        lines = f"line {skipped[0]} was" if len(skipped) == 1 else f"lines {skipped[0]} to {skipped[-1]} were"
        remarks.append(f"Without numbers, {lines} not taken as samples.")
    return replace(dialect, decimals=_decimals(text, log, dialect), assumptions=tuple(remarks))


def _separators(log: RunLog) -> tuple[str, ...]:
    # The comma comes last: in a file separated by tabs or semicolons it may be the decimal mark.
    return (log.separator,) if log.separator else ("\t", ";", ",")


def _candidates(log: RunLog) -> tuple[tuple[str, ...], ...]:
    """Groups of separators: blanks, which are in any sentence, are tried only where no other separator fits."""
    return (_separators(log),) if log.separator else (_separators(log), (" ",))


def _head_lines(text: LogText, log: RunLog) -> Iterator[tuple[int, str]]:
    """The lines that may be the header: a single one if the job states how many to skip."""
    first = 1 + (log.skip_lines or 0)
    for number in range(first, min(text.line_count, first + HEAD_LINES - 1) + 1):
        line = text.line(number)
        if line.strip():
            yield number, line
            if log.skip_lines is not None:
                return


def _header_fields(line: str, separator: str, names: list[str]) -> list[str]:
    """The fields of a header, which may be in a comment."""
    fields = fields_of(line, separator)
    bare = fields_of(line.lstrip("# \t"), separator)
    return fields if sum(name in fields for name in names) > sum(name in bare for name in names) else bare


def _by_name(text: LogText, log: RunLog) -> Dialect:
    required = required_columns(log)
    names = [column for column in required if isinstance(column, str)]
    lines = list(_head_lines(text, log))
    for separators, (number, line) in itertools.product(_candidates(log), lines):
        split = [(separator, _header_fields(line, separator, names)) for separator in separators]
        fits = [one for one in split if set(names) <= set(one[1])]
        if fits:
            separator, fields = max(fits, key=lambda one: len(one[1]))
            where = f"{text.path}:{number}"
            positions = {column: _position(column, fields, where) for column in required}
            first = _first_row(text, log, Dialect(separator, number, number + 1, positions, (), ()))
            _refuse_surplus(text, first, separator, where, fields)
            return Dialect(separator, number, first, positions, (), ())
    raise _no_header(text, log, names)


def _position(column: Column, fields: list[str], where: str) -> int:
    if isinstance(column, str):
        if fields.count(column) > 1:
            places = " and ".join(str(index + 1) for index, field in enumerate(fields) if field == column)
            raise RunError(f"{where}: {column_label(column)} occurs twice, as {places}; give its number instead")
        return fields.index(column)
    if not 1 <= column <= len(fields):
        raise RunError(f"{where}: there is no column {column}; the columns are 1 to {len(fields)}")
    return column - 1


def _first_row(text: LogText, log: RunLog, dialect: Dialect) -> int:
    """The first line after the header that may be a sample, which a line of units is not."""
    rows = _rows(text, dialect)
    for number, fields in rows:
        numbers = [fields[position] for position in _number_positions(log, dialect) if position < len(fields)]
        if any(is_number(field) or is_missing(field, log) for field in numbers) or not numbers:
            return number
        return next(rows, (number,))[0]
    return dialect.first_line


def _number_positions(log: RunLog, dialect: Dialect) -> list[int]:
    return [position for column, position in dialect.positions.items() if column not in log.time_columns]


def _rows(text: LogText, dialect: Dialect) -> Iterator[tuple[int, list[str]]]:
    """Line number and fields of the rows in the head of the file."""
    for number in range(dialect.first_line, min(text.line_count, dialect.first_line + HEAD_LINES) + 1):
        line = text.line(number)
        if line.strip() and not line.lstrip().startswith("#"):
            yield number, fields_of(line, dialect.separator)


def _refuse_surplus(text: LogText, first: int, separator: str, where: str, header: list[str]) -> None:
    if first > text.line_count:
        return
    fields = fields_of(text.line(first), separator)
    surplus = len(fields) - len(header)
    if surplus > 1 or (surplus == 1 and fields[-1]):
        marks = _THOUSANDS.search(text.line(first)) if separator == "," else None
        if marks:
            why = f"the commas in {marks[0]} look like those between fields: write numbers without thousands marks"
        elif separator == " ":
            why = "with blanks between fields a date and a time of day are two: give columns by number, such as time = [1, 2]"
        else:
            why = "a decimal comma looks like a comma between fields: write the log with another separator"
        raise RunError(
            f"{text.path}:{first}: the row has {len(fields)} fields, the header ({where}) {len(header)}; {why}"
        )


def _no_header(text: LogText, log: RunLog, names: list[str]) -> RunError:
    """The error that names the missing column, from the line that looks most like a header."""
    lines = list(_head_lines(text, log))
    if not lines:
        return RunError(f"{text.path}: ends before the header; check skip_lines")
    header = [(number, _header_fields(line, sep, names)) for number, line in lines for sep in _separators(log)]
    number, fields = max(header, key=lambda one: (sum(name in one[1] for name in names), len(one[1]), -one[0]))
    lost = next(name for name in names if name not in fields)
    if 2 * sum(map(is_number, fields)) >= len(fields):
        return RunError(
            f"{text.path}:{number}: there is no column '{lost}' and no header, only numbers; give the columns by number, 1 to "
            f"{len(fields)}"
        )
    return RunError(no_such_column(f"{text.path}:{number}", lost, fields))


def no_such_column(where: str, lost: str, fields: list[str]) -> str:
    """The sentence that names the nearest column and the existing ones."""
    near = difflib.get_close_matches(lost, fields, n=1, cutoff=0.5)
    nearest = f"the nearest is '{near[0]}'; " if near else ""
    shown = list(filter(None, fields))
    more = f" and {len(shown) - MAX_NAMED} more" if len(shown) > MAX_NAMED else ""
    return f"{where}: there is no column '{lost}'; {nearest}the columns are {', '.join(shown[:MAX_NAMED])}{more}"


def _by_number(text: LogText, log: RunLog) -> Dialect:
    """The layout where columns are given by number: rows begin where those columns hold numbers."""
    required = [column for column in required_columns(log) if isinstance(column, int)]
    positions: dict[Column, int] = {column: column - 1 for column in required}
    widest, guess = (0, ","), 0
    lines = list(_head_lines(text, log))
    for separators, (number, line) in itertools.product(_candidates(log), lines):
        for separator in separators:
            dialect = Dialect(separator, 0, number, positions, (), ())
            fields = fields_of(line, separator)
            if not line.lstrip().startswith("#") and not (separator == " " and widest[0] > 1):
                guess = guess or number
                widest = max(widest, (len(fields), separator))
            if max(required) <= len(fields) and min(required) >= 1 and _holds_numbers(fields, log, dialect):
                return dialect
    if not 1 <= min(required) <= max(required) <= widest[0]:
        lost = min(required) if min(required) < 1 else max(required)
        raise RunError(
            f"{text.path}:{guess}: there is no column {lost}; the columns are 1 to {widest[0]}; "
            "check the number, or give the separator"
        )
    return Dialect(widest[1], 0, guess, positions, (), ())


def _holds_numbers(fields: list[str], log: RunLog, dialect: Dialect) -> bool:
    numbers = [fields[position] for position in _number_positions(log, dialect)]
    return all(is_number(field) or is_missing(field, log) for field in numbers) and any(map(is_number, numbers))


def _decimals(text: LogText, log: RunLog, dialect: Dialect) -> tuple[str, ...]:
    if log.decimal:
        return (log.decimal,)
    seen = [
        fields[position]
        for _, fields in _rows(text, dialect)
        for position in _number_positions(log, dialect)
        if position < len(fields) and is_number(fields[position])
    ]
    commas = any("," in field for field in seen) and not any("." in field for field in seen)
    return (",", ".") if commas else (".", ",")
