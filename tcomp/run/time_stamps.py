"""The times of a log, in whatever form, as seconds.

Examples
--------
Modified Julian Date 40587 is 1970-01-01T00:00:00Z, so 60000.5 is 19413.5 days later:

>>> from pathlib import Path
>>> mjd = np.array([60000.5, 60000.75])
>>> number_clock(mjd, RunLog(Path("x.csv"), "t", time="mjd")).seconds(mjd)
array([1.6773264e+09, 1.6773480e+09])
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.job import RunLog
from tcomp.run.columns import LogColumns
from tcomp.run.dialect import MISSING_WORDS, column_label, is_date, is_time_of_day
from tcomp.run.record import TimeKind
from tcomp.run.time_format import fitting_formats
from tcomp.units import SECONDS_PER_DAY, UNIX_EPOCH_MJD

if TYPE_CHECKING:
    import pandas as pd

Times = tuple[NDArray[np.float64], TimeKind, tuple[str, ...]]

_UNIX_UNITS = (
    ("seconds", 1.0, 1e9),
    ("milliseconds", 1e-3, 1e12),
    ("microseconds", 1e-6, 1e15),
    ("nanoseconds", 1e-9, 1e18),
)
"""Name, length in seconds, and the count that it reaches in 2001."""

_MJD_RANGE = (UNIX_EPOCH_MJD, 88_069)
"""1970 to 2100."""


def times_of(columns: LogColumns, log: RunLog) -> Times:
    """The time of each row: Unix seconds, or seconds from a start, with what was assumed.

    Raises
    ------
    RunError
        A time cannot be read.
    """
    import pandas as pd

    rows = len(columns.line)
    if log.time is None:
        if log.interval_s is None:
            return np.full(rows, np.nan), "none", ("There is no time: the log is taken as an unordered table.",)
        return (
            np.arange(rows, dtype=np.float64) * log.interval_s,
            "interval",
            (f"Rows are taken as {log.interval_s:g} s apart.",),
        )
    if isinstance(log.time, tuple):
        return _times_of_text(_joined(columns, log), columns, log)
    values = columns.values[log.time]
    if pd.api.types.is_numeric_dtype(values.dtype):
        return _times_of_numbers(np.asarray(values, dtype=np.float64), log)
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return _times_of_stamps(values, zoned=values.dt.tz is not None)
    return _times_of_text(pd.Series(values), columns, log)


@dataclass(frozen=True)
class NumberClock:
    """What plain numbers in a time column stand for: seconds = (number - zero) * unit_s."""

    zero: float
    unit_s: float
    kind: TimeKind
    words: str

    def seconds(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Unix time, or time since a start. [s]"""
        return (values - self.zero) * self.unit_s


def number_clock(values: NDArray[np.float64], log: RunLog) -> NumberClock:
    """Unix time in a unit found by magnitude, MJD, or seconds from a start."""
    finite = values[np.isfinite(values)]
    with np.errstate(over="ignore"):  # numbers beyond any time are taken as seconds, and dropped by the cleaning
        middle = float(np.median(finite)) if finite.size else 0.0
    for name, unit_s, least in _UNIX_UNITS:
        if least <= middle < 10 * least:
            return NumberClock(0.0, unit_s, "clock", f"Times are taken as Unix time in {name}, by their size.")
    # As seconds from a start, steps under half a second would be as unusual as half a day as MJD.
    with np.errstate(over="ignore"):
        small_steps = float(np.median(np.abs(np.diff(finite)))) < 0.5 if finite.size > 1 else False
    if _MJD_RANGE[0] <= middle <= _MJD_RANGE[1] and (small_steps or "mjd" in str(log.time).lower()):
        words = "Times are taken as Modified Julian Date, by their size."
        return NumberClock(UNIX_EPOCH_MJD, SECONDS_PER_DAY, "clock", words)
    return NumberClock(0.0, 1.0, "elapsed", "Times are taken as seconds since a start, by their size.")


def _times_of_numbers(values: NDArray[np.float64], log: RunLog) -> Times:
    clock = number_clock(values, log)
    return clock.seconds(values), clock.kind, (clock.words,)


def _times_of_stamps(stamps: Any, zoned: bool) -> Times:
    import pandas as pd

    moments = pd.to_datetime(stamps, utc=True).dt.as_unit("us")
    seconds = moments.astype("int64").to_numpy() / 1e6
    said = () if zoned else ("Times carry no zone and are taken as UTC.",)
    return np.where(moments.isna().to_numpy(), np.nan, seconds), "clock", said


def _joined(columns: LogColumns, log: RunLog) -> pd.Series:
    """Date and time of day with a blank between them; empty where one of them is missing."""
    import pandas as pd

    parts = [pd.Series(columns.values[column]).fillna("").astype(str).str.strip() for column in log.time_columns]
    missing = [part.str.lower().isin(MISSING_WORDS) | part.isin(log.missing) for part in parts]
    return (parts[0] + " " + parts[1]).where(~(missing[0] | missing[1]), "")


def _times_of_text(values: pd.Series, columns: LogColumns, log: RunLog) -> Times:
    import pandas as pd

    fields = values.fillna("").astype(str).str.strip()
    missing = fields.str.lower().isin(MISSING_WORDS) | fields.isin(log.missing)
    # ISO 8601 allows a decimal comma, the parser only a point.
    shown = fields if log.time_format else fields.str.replace(",", ".", regex=False)
    try:
        moments = pd.to_datetime(shown.where(~missing), format=log.time_format or "ISO8601", utc=True, errors="coerce")
    except (ValueError, re.error) as error:
        raise RunError(
            f'{log.file}: time_format = "{log.time_format}" is no format ({error}); expected one such as "%d/%m/%Y %H:%M:%S"'
        ) from error
    # The parser takes these words for the moment at which it runs.
    fault = ((moments.isna() | fields.isin(["now", "today"])) & ~missing).to_numpy()
    if fault.any():
        index = int(np.argmax(fault))
        raise RunError(_unreadable(columns.place(index), fields.iloc[index], log))
    if fields.map(is_date).all() and 2 * fields.nunique() < len(fields):
        raise RunError(_half(columns.place(0), fields.iloc[0], log))
    return _times_of_stamps(moments, zoned=_carries_zone(fields[~missing], log))


def _carries_zone(fields: pd.Series, log: RunLog) -> bool:
    if log.time_format:
        return "%z" in log.time_format or "%Z" in log.time_format
    return (
        bool(fields.iloc[[0, -1]].str.contains(r"[T ]\d\d.*(?:Z|[+-]\d\d(?::?\d\d)?)$").all()) if len(fields) else False
    )


def _label(log: RunLog) -> str:
    return " with ".join(map(column_label, log.time_columns))


def _half(where: str, field: str, log: RunLog) -> str:
    """What to say of a date without a time of day, or the other way round."""
    found, lost = ("date", "time of day") if is_date(field) else ("time of day", "date")
    name = f'"{log.time}"' if isinstance(log.time, str) else log.time
    both = f'[{name}, "..."]' if is_date(field) else f'["...", {name}]'
    return (
        f"{where}: {_label(log)} holds '{field}', a {found} without a {lost}; if that stands in a column of its own, give "
        f"both: time = {both}"
    )


def _unreadable(where: str, field: str, log: RunLog) -> str:
    label = _label(log)
    if log.time_format is None and (is_date(field) or is_time_of_day(field)):
        return _half(where, field, log)
    if log.time_format:
        return f"{where}: {label} holds '{field}', which is not written as time_format = \"{log.time_format}\""
    formats = fitting_formats([field])[:2] or ("%d/%m/%Y %H:%M:%S",)
    likely = " or ".join(f'"{form}"' for form in formats)
    return (
        f"{where}: {label} holds '{field}', which is no ISO 8601 time such as 2026-03-02T10:00:00Z; "
        f"say how it is written, for example time_format = {likely}"
    )
