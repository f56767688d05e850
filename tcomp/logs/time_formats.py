"""How a log writes its times: the unit and zero of plain numbers, and the format of text.

The unit of numbers is the job's ``time_unit``; if that is left out, it follows from the size of the numbers, then from the name
of the column; else it is seconds.

Examples
--------
Modified Julian Date 40587 is 1970-01-01T00:00:00Z, so 60000.5 is 19413.5 days later:

>>> from pathlib import Path
>>> mjd = np.array([60000.5, 60000.75])
>>> number_clock(mjd, RunLog(Path("x.csv"), "t", time="mjd")).seconds(mjd)
array([1.6773264e+09, 1.6773480e+09])
>>> number_clock(np.array([0.0, 1e4]), RunLog(Path("x.csv"), "t", time="t_ms")).seconds(np.array([0.0, 1e4]))
array([ 0., 10.])
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from tcomp.arrays import FloatArray, IntArray
from tcomp.errors import RunError
from tcomp.job import Column, RunLog
from tcomp.logs.dialect import column_label
from tcomp.logs.record import TimeKind
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_MINUTE, UNIX_EPOCH_MJD

UNIT_S = {
    "s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9,
    "min": SECONDS_PER_MINUTE, "h": SECONDS_PER_HOUR, "d": SECONDS_PER_DAY,
}  # fmt: skip
"""Length of each `time_unit`. [s]"""
UNIT_WORDS = {
    "s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds",
    "min": "minutes", "h": "hours", "d": "days",
}  # fmt: skip
_NAMES = {
    "s": "s sec secs second seconds",
    "ms": "ms msec msecs millis milli millisecond milliseconds",
    "us": "us µs μs usec usecs micros microsecond microseconds",
    "ns": "ns nsec nanos nanosecond nanoseconds",
    "min": "min mins minute minutes",
    "h": "h hr hrs hour hours",
    "d": "d day days",
}
_UNIT_OF_WORD = {word: unit for unit, words in _NAMES.items() for word in words.split()}
_WORD = re.compile(r"[A-Z]?[a-zµμ]+|[A-Z]+")

_UNIX_SIZE = (("s", 1e9), ("ms", 1e12), ("us", 1e15), ("ns", 1e18))
"""The count that Unix time reaches in 2001; it stays below ten times that until 2286."""

UNIX_EPOCH_SERIAL = 25_569
"""Serial date of 1970-01-01 in spreadsheets, which count days from 1899-12-30 (arithmetic on the calendar)."""
UNIX_EPOCH_JD = 2_440_587.5
"""Julian Date of 1970-01-01T00:00:00Z (MJD = JD - 2400000.5, by definition)."""
_SERIAL_SIZE = (36_526, 51_544)
"""Serial dates of 2000-01-01 and of 2041-02-12; the latter is also the MJD of 2000-01-01: no earlier log is expected."""
_MJD_SIZE = (_SERIAL_SIZE[1], 88_069)
"""2000 to 2100."""
_JD_SIZE = (2_451_544.5, 2_488_069.5)
"""2000 to 2100."""
_LARGEST_STEP_D = 0.5
"""Largest usual step of dates: rows half a day apart are as unusual as rows under half a second apart for seconds. [d]"""
_ROW_NUMBERS = re.compile(
    r"#|n|no\.?|nr\.?|row|rows|index|idx|sample|samples|record|count|point|unnamed: 0", re.IGNORECASE
)


@dataclass(frozen=True)
class NumberClock:
    """What plain numbers in a time column mean: seconds = (number - zero) * unit_s.

    ``assumption`` states how they are read, ``warning`` what is likely wrong about it; both may be empty.
    """

    zero: float
    unit_s: float
    kind: TimeKind
    assumption: str
    warning: str = ""

    def seconds(self, values: FloatArray) -> FloatArray:
        """The numbers as Unix time, or as time since a start. [s]"""
        return (values - self.zero) * self.unit_s


def unit_of_name(column: Column | tuple[Column, ...] | None) -> str | None:
    """The unit of time that a column's name ends in; None if it names none.

    >>> unit_of_name("time_min"), unit_of_name("Elapsed (hours)"), unit_of_name("timeMs"), unit_of_name("utc")
    ('min', 'h', 'ms', None)
    """
    words = [word.lower() for word in _WORD.findall(column)] if isinstance(column, str) else []
    return _UNIT_OF_WORD.get(words[-1]) if words else None


def number_clock(values: FloatArray, log: RunLog) -> NumberClock:
    """What the numbers of a time column are: Unix time, a count of days of a calendar, or time since a start.

    Raises
    ------
    RunError
        The numbers are a date and a time of day written without marks.
    """
    finite = values[np.isfinite(values)]
    if log.time_unit is not None:
        return _stated(finite, log.time_unit)
    unix = _unix_unit(finite)
    if unix is not None:
        assumption = f"Times are taken as Unix time in {UNIT_WORDS[unix]}, by their size."
        return NumberClock(0.0, UNIT_S[unix], "clock", assumption)
    named = unit_of_name(log.time)
    if named is None:
        _refuse_joined_digits(finite, log)
    days = _days(finite, log) if named in (None, "d") else None
    if days is not None:
        return days
    if named is not None:
        assumption = f"Times are taken as {UNIT_WORDS[named]} since a start, by the name of {column_label(_one(log))}."
        return NumberClock(0.0, UNIT_S[named], "elapsed", assumption)
    assumption = "Times are taken as seconds since a start, by their size."
    return NumberClock(0.0, 1.0, "elapsed", assumption, _row_numbers(finite, log))


def _one(log: RunLog) -> Column:
    return log.time_columns[0]


def _stated(finite: FloatArray, unit: str) -> NumberClock:
    """The clock of the job's `time_unit`; nothing is assumed."""
    zeros = {"mjd": float(UNIX_EPOCH_MJD), "jd": UNIX_EPOCH_JD, "serial-date": float(UNIX_EPOCH_SERIAL)}
    if unit in zeros:
        return NumberClock(zeros[unit], SECONDS_PER_DAY, "clock", "")
    is_unix = any(unit == name and _within(finite, (size, 10 * size)) for name, size in _UNIX_SIZE)
    return NumberClock(0.0, UNIT_S[unit], "clock" if is_unix else "elapsed", "")


def _middle(finite: FloatArray) -> float:
    with np.errstate(over="ignore"):  # numbers beyond any time are taken as seconds, and dropped by cleaning
        return float(np.median(finite)) if finite.size else 0.0


def _within(finite: FloatArray, limits: tuple[float, float]) -> bool:
    return limits[0] <= _middle(finite) < limits[1]


def _unix_unit(finite: FloatArray) -> str | None:
    return next((unit for unit, size in _UNIX_SIZE if _within(finite, (size, 10 * size))), None)


def _days(finite: FloatArray, log: RunLog) -> NumberClock | None:
    """A count of days of a calendar, if the size of the numbers shows it; else None."""
    name = str(log.time).lower()
    with np.errstate(over="ignore", invalid="ignore"):
        small_steps = finite.size > 1 and float(np.median(np.abs(np.diff(finite)))) < _LARGEST_STEP_D
    if "mjd" in name and _within(finite, (UNIX_EPOCH_MJD, _MJD_SIZE[1])):
        return _calendar(UNIX_EPOCH_MJD, "Modified Julian Date, by their size")
    if not small_steps:
        return None
    if _within(finite, _JD_SIZE):
        return _calendar(UNIX_EPOCH_JD, "Julian Date, by their size")
    if _within(finite, _MJD_SIZE):
        return _calendar(UNIX_EPOCH_MJD, "Modified Julian Date, by their size")
    if _within(finite, _SERIAL_SIZE):
        description = "the serial date of a spreadsheet (days since 1899-12-30), by their size, and as UTC"
        return _calendar(UNIX_EPOCH_SERIAL, description)
    return None


def _calendar(zero: float, description: str) -> NumberClock:
    return NumberClock(float(zero), SECONDS_PER_DAY, "clock", f"Times are taken as {description}.")


def _row_numbers(finite: FloatArray, log: RunLog) -> str:
    """A warning if the column only counts the rows; else empty."""
    counts = finite.size > 2 and bool(np.all(np.diff(finite) == 1.0)) and finite[0] in (0.0, 1.0)
    if not (counts and isinstance(log.time, str) and _ROW_NUMBERS.fullmatch(log.time.strip())):
        return ""
    return (
        f"{column_label(log.time)} seems to count the rows and is taken as seconds; if rows are another time apart, leave out "
        "`time` and give interval_s"
    )


_JOINED = (("%Y%m%d%H%M%S", 14), ("%Y%m%d%H%M", 12))
_MIN_ROWS = 30
"""In fewer rows any numbers may look like times of day."""


def _refuse_joined_digits(finite: FloatArray, log: RunLog) -> None:
    """Refuse dates and times of day without marks: they are not seconds."""
    if not finite.size or not np.all(finite == np.floor(finite)) or finite.min() < 0 or finite.max() >= 1e15:
        return
    whole = finite.astype(np.int64)
    where = f"{log.file}: {column_label(_one(log))} holds {whole[0]}"
    for form, digits in _JOINED:
        date, time = np.divmod(whole, 10 ** (digits - 8))
        seconds = time if digits == 14 else 100 * time
        if _are_dates(date) and _are_times(seconds):
            raise RunError(f'{where}, a date and a time of day without marks; give time_format = "{form}"')
    moves = len(np.unique(whole % 100)) > 1 and np.ptp(whole) > 200
    if len(whole) >= _MIN_ROWS and moves and _are_times(whole):
        raise RunError(
            f'{where} and never ends in 60 to 99, so it looks like a time of day without marks; give time_format = "%H%M%S", or '
            'time_unit = "s" if it counts seconds'
        )


def _are_dates(date: IntArray) -> bool:
    year, month, day = date // 10_000, date // 100 % 100, date % 100
    known = (year >= 1970) & (year < 2100) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    return bool(known.all())


def _are_times(time: IntArray) -> bool:
    return bool(((time < 240_000) & (time // 100 % 100 < 60) & (time % 100 < 60)).all())


_DATES = (
    *(f"%d{mark}%m{mark}{year}" for year in ("%Y", "%y") for mark in "./-"),
    *(f"%m{mark}%d{mark}{year}" for year in ("%Y", "%y") for mark in "/-."),
    *(f"%Y{mark}%m{mark}%d" for mark in "/."),
    *("%Y-%m-%d", "%d %b %Y", "%d-%b-%Y", "%b %d %Y", "%b %d, %Y", "%Y%m%d"),
)
"""Formats of dates, with the day before the month first; an ISO 8601 date needs one with an unusual time of day only."""
_TIMES = ("%H:%M:%S", "%H:%M:%S.%f", "%H:%M", "%I:%M:%S %p", "%I:%M:%S.%f %p", "%I:%M %p", "%H.%M.%S", "%H%M%S")
_BETWEEN = (" ", "T", ", ", "-", "_")
FORMATS = (
    *(f"{date}{between}{time}" for date, between, time in itertools.product(_DATES, _BETWEEN, _TIMES)),
    "%Y%m%d%H%M%S", "%Y%m%d%H%M",
)  # fmt: skip


def fitting_formats(fields: Sequence[str]) -> tuple[str, ...]:
    """The formats that read every one of a log's times, the likelier first.

    Where the day may precede or follow the month, the format by which the times do not go back is likelier; if both do not, day
    before month, unless hours are counted to twelve, as is usual with the month first.

    Examples
    --------
    >>> fitting_formats(["02.03.2026 10:00:00", "02.03.2026 10:00:10"])
    ('%d.%m.%Y %H:%M:%S', '%m.%d.%Y %H:%M:%S')
    >>> fitting_formats(["03/25/2026 10:00 PM"])
    ('%m/%d/%Y %I:%M %p',)

    Parameters
    ----------
    fields : sequence of str
        Times in the order of the log, best from its beginning and its end.
    """
    first = fields[0] if fields else ""
    read = {form: times for form in FORMATS if _may_fit(first, form) and (times := _times(fields, form))}
    return tuple(sorted(read, key=lambda form: (not _advances(read[form]), _unusual(form))))


def _may_fit(field: str, form: str) -> bool:
    """Whether a time has the marks of a format, which is faster than parsing it."""
    marks = re.sub(r"%.", "", form).replace(" ", "")
    words = bool(re.search(r"[A-SU-Za-su-z]", field))
    return all(mark in field for mark in marks) and words == ("%b" in form or "%p" in form)


def _times(fields: Sequence[str], form: str) -> list[datetime]:
    try:
        return [datetime.strptime(field, form) for field in fields]
    except ValueError:
        return []


def _advances(times: list[datetime]) -> bool:
    return all(earlier <= later for earlier, later in itertools.pairwise(times))


def _unusual(form: str) -> bool:
    month_first = form.startswith(("%m", "%b"))
    return month_first != ("%p" in form)
