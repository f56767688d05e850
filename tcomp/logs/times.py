"""The times of a log as seconds, whatever their form, and their order: clocks that wrap or restart, newest rows first."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import RunError
from tcomp.job import RunLog
from tcomp.logs.columns import LogColumns
from tcomp.logs.dialect import MISSING_WORDS, column_label, is_date, is_time_of_day
from tcomp.logs.record import GAP_INTERVALS, TimeKind
from tcomp.logs.time_formats import UNIT_S, UNIT_WORDS, fitting_formats, number_clock, unit_of_name
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_MINUTE

if TYPE_CHECKING:
    import pandas as pd

_TIME_OF_DAY = r"^(?:(\d+):)?(\d+):(\d\d(?:[.,]\d+)?)\s*([AaPp])?\.?(?:[Mm]\.?)?$"
"""Hours, minutes and seconds, or the last two alone, which the caller takes as hours and minutes."""
_WITH_UNIT = re.compile(r"([-+]?\d+(?:[.,]\d+)?)\s*([A-Za-zµμ]+)")
_DATE_IN_FORMAT = re.compile(r"%[-#]?[djmbBYycxDFsUWGuVeh+]")


@dataclass(frozen=True, kw_only=True, eq=False)
class Times:
    """The time of each row as logged, before `Unwrapper` continues it where the clock wraps.

    Attributes
    ----------
    seconds : ndarray of shape (n,)
        Unix time, or time since a start; NaN where missing. [s]
    kind : TimeKind
    assumptions, warnings : tuple of str
        What was assumed, and what is likely wrong.
    wrap_s : float
        Period at which the clock wraps; 0: it does not. [s]
    has_no_date : bool
        The times are times of day, which go back at midnight.
    has_zone : bool
        The times state their zone, or none is needed; without one they are taken as UTC.
    """

    seconds: FloatArray
    kind: TimeKind
    assumptions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    wrap_s: float = 0.0
    has_no_date: bool = False
    has_zone: bool = True


def wrap_remark(times: Times) -> str:
    """The remark on a clock that was continued where it wraps."""
    if times.kind == "clock":
        return "The date does not advance at midnight, so the rows behind it are taken as of the next day"
    if times.has_no_date:
        return "The time restarts, so the rows behind that are continued"
    return "The clock wraps at 2^32 counts and is continued"


def times_of(columns: LogColumns, log: RunLog) -> Times:
    """The time of each row, as Unix time or since a start, and what was assumed.

    Raises
    ------
    RunError
        A time cannot be read.
    """
    import pandas as pd

    rows = len(columns.line)
    if log.time is None:
        if log.interval_s is None:
            assumption = "There is no time: the log is taken as an unordered table."
            return Times(seconds=np.full(rows, np.nan), kind="none", assumptions=(assumption,))
        seconds = np.arange(rows, dtype=np.float64) * log.interval_s
        return Times(seconds=seconds, kind="interval", assumptions=(f"Rows are taken as {log.interval_s:g} s apart.",))
    if isinstance(log.time, tuple):
        return _times_of_text(_joined(columns, log), columns, log)
    values = columns.values[log.time]
    if pd.api.types.is_numeric_dtype(values.dtype):
        return _times_of_numbers(np.asarray(values, dtype=np.float64), log)
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return _times_of_stamps(values, zoned=values.dt.tz is not None)
    return _times_of_text(pd.Series(values), columns, log)


def _times_of_numbers(values: FloatArray, log: RunLog) -> Times:
    clock = number_clock(values, log)
    finite = values[np.isfinite(values)]
    counts = clock.kind == "elapsed" and clock.unit_s in (1e-3, 1e-6) and finite.size and finite.max() < COUNTER_WRAPS
    return Times(
        seconds=clock.seconds(values),
        kind=clock.kind,
        assumptions=(clock.assumption,) if clock.assumption else (),
        warnings=(clock.warning,) if clock.warning else (),
        wrap_s=COUNTER_WRAPS * clock.unit_s if counts else 0.0,
    )


def _times_of_stamps(stamps: Any, zoned: bool) -> Times:
    import pandas as pd

    moments = pd.to_datetime(stamps, utc=True).dt.as_unit("us")
    seconds = moments.astype("int64").to_numpy() / 1e6
    assumptions = () if zoned else ("Times have no zone and are taken as UTC.",)
    seconds = np.where(moments.isna().to_numpy(), np.nan, seconds)
    return Times(seconds=seconds, kind="clock", assumptions=assumptions, wrap_s=SECONDS_PER_DAY, has_zone=zoned)


def _joined(columns: LogColumns, log: RunLog) -> pd.Series:
    """Date and time of day, joined by a blank; empty where one of them is missing."""
    import pandas as pd

    parts = [pd.Series(columns.values[column]).fillna("").astype(str).str.strip() for column in log.time_columns]
    missing = [part.str.lower().isin(MISSING_WORDS) | part.isin(log.missing) for part in parts]
    return (parts[0] + " " + parts[1]).where(~(missing[0] | missing[1]), "")


def _times_of_text(values: pd.Series, columns: LogColumns, log: RunLog) -> Times:
    import pandas as pd

    fields = values.fillna("").astype(str).str.strip()
    missing = fields.str.lower().isin(MISSING_WORDS) | fields.isin(log.missing)
    first = next(iter(fields[~missing]), "")
    if log.time_unit is not None:
        raise RunError(
            f"{columns.location(0)}: {_label(log)} holds '{first}', but time_unit goes with plain numbers; leave it out"
        )
    if log.time_format is None and not isinstance(log.time, tuple):
        if is_time_of_day(first):
            return _times_of_day(fields, missing, columns, log)
        if (cell := _WITH_UNIT.fullmatch(first)) and unit_of_name(cell[2]):
            return _times_with_unit(fields, missing, columns, log)
    if log.time_format == "%H%M%S":
        fields = fields.str.zfill(6).where(~missing, "")
    # ISO 8601 allows a decimal comma, the parser only a point.
    shown = fields if log.time_format else fields.str.replace(",", ".", regex=False)
    try:
        moments = pd.to_datetime(shown.where(~missing), format=log.time_format or "ISO8601", utc=True, errors="coerce")
    except (ValueError, re.error) as error:
        raise RunError(
            f'{log.file}: time_format = "{log.time_format}" is no format ({error}); expected one such as "%d/%m/%Y %H:%M:%S"'
        ) from error
    # The parser takes these words as the time at which it runs.
    fault = ((moments.isna() | fields.isin(["now", "today"])) & ~missing).to_numpy()
    if fault.any():
        index = int(np.argmax(fault))
        raise RunError(_unreadable(columns.location(index), fields.iloc[index], log))
    if fields.map(is_date).all() and 2 * fields.nunique() < len(fields):
        raise RunError(_half(columns.location(0), fields.iloc[0], log))
    if log.time_format and not _DATE_IN_FORMAT.search(log.time_format):
        return _without_date(moments, log)
    return _times_of_stamps(moments, zoned=_carries_zone(fields[~missing], log))


def _without_date(moments: Any, log: RunLog) -> Times:
    """Times in a format without a date: seconds since the midnight, or the full hour, before the first."""
    import pandas as pd

    seconds = (moments - pd.Timestamp("1900-01-01", tz="UTC")).dt.total_seconds().to_numpy(dtype=np.float64)
    has_hours = bool(re.search(r"%[-#]?[HIRTXr]", log.time_format or ""))
    assumption = f"Times have no date and are taken as time since {'a midnight' if has_hours else 'a full hour'}."
    wrap_s = SECONDS_PER_DAY if has_hours else SECONDS_PER_HOUR
    return Times(seconds=seconds, kind="elapsed", assumptions=(assumption,), wrap_s=wrap_s, has_no_date=True)


def _times_of_day(fields: pd.Series, missing: pd.Series, columns: LogColumns, log: RunLog) -> Times:
    """Times of day or times since a start: 10:00:10, with AM or PM, or 10:05 for hours and minutes."""
    import pandas as pd

    parts = fields.str.extract(_TIME_OF_DAY)
    fault = (parts[1].isna() & ~missing).to_numpy()
    if fault.any():
        index = int(np.argmax(fault))
        if is_date(fields.iloc[index]):
            raise RunError(_half(columns.location(index), fields.iloc[index], log))
        raise RunError(
            f"{columns.location(index)}: {_label(log)} holds '{fields.iloc[index]}', expected a time of day as in the rows before "
            "it"
        )
    left, middle, right = (
        pd.to_numeric(parts[place].str.replace(",", ".", regex=False)).to_numpy(dtype=np.float64) for place in range(3)
    )
    short = np.isnan(left) & ~np.isnan(right)
    hours, minutes, seconds = np.where(short, middle, left), np.where(short, right, middle), np.where(short, 0.0, right)
    half = parts[3].str.lower()
    hours = np.where(half.notna().to_numpy(), hours % 12 + 12 * (half == "p").to_numpy(), hours)
    label = f'"{log.time}"' if isinstance(log.time, str) else log.time
    assumption = (
        "Times have no date and are taken as time since a midnight or a start; if the date is in a column of its own, give "
        f'both: time = ["...", {label}].'
    )
    warning = (
        f"times such as '{fields[~missing].iloc[0]}' are taken as hours and minutes; if they are minutes and seconds, give "
        'time_format = "%M:%S"'
    )
    return Times(
        seconds=hours * SECONDS_PER_HOUR + minutes * SECONDS_PER_MINUTE + seconds,
        kind="elapsed",
        assumptions=(assumption,),
        warnings=(warning,) if short.any() else (),
        wrap_s=SECONDS_PER_DAY,
        has_no_date=True,
    )


def _times_with_unit(fields: pd.Series, missing: pd.Series, columns: LogColumns, log: RunLog) -> Times:
    """Numbers with their unit in each row, such as 1500 ms."""
    import pandas as pd

    parts = fields.str.extract(f"^{_WITH_UNIT.pattern}$")
    units = parts[1].map(lambda word: unit_of_name(word) if isinstance(word, str) else None)
    unit = unit_of_name(parts[1][~missing].iloc[0])
    fault = ((units != unit) & ~missing).to_numpy()
    if fault.any():
        index = int(np.argmax(fault))
        raise RunError(
            f"{columns.location(index)}: {_label(log)} holds '{fields.iloc[index]}', expected a number with the unit of the rows "
            "before it"
        )
    numbers = pd.to_numeric(parts[0].str.replace(",", ".", regex=False)).to_numpy(dtype=np.float64)
    assumption = f"Times are taken as {UNIT_WORDS[unit or 's']} since a start, by the unit behind them."
    return Times(seconds=numbers * UNIT_S[unit or "s"], kind="elapsed", assumptions=(assumption,))


def _carries_zone(fields: pd.Series, log: RunLog) -> bool:
    if log.time_format:
        return "%z" in log.time_format or "%Z" in log.time_format
    return (
        bool(fields.iloc[[0, -1]].str.contains(r"[T ]\d\d.*(?:Z|[+-]\d\d(?::?\d\d)?)$").all()) if len(fields) else False
    )


def _label(log: RunLog) -> str:
    return " with ".join(map(column_label, log.time_columns))


def _half(where: str, field: str, log: RunLog) -> str:
    """The message on a date without a time of day, or the reverse."""
    found, lost = ("date", "time of day") if is_date(field) else ("time of day", "date")
    name = f'"{log.time}"' if isinstance(log.time, str) else log.time
    both = f'[{name}, "..."]' if is_date(field) else f'["...", {name}]'
    return (
        f"{where}: {_label(log)} holds '{field}', a {found} without a {lost}; if that is in a column of its own, give "
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
        f"{where}: {label} holds '{field}', which is not an ISO 8601 time such as 2026-03-02T10:00:00Z; "
        f"give its format, for example time_format = {likely}"
    )


COUNTER_WRAPS = 2.0**32
"""Counts after which a 32-bit counter of milliseconds or microseconds wraps."""
LATE_INTERVALS = 20.0
"""Rows that may be missing where a clock wraps, for the wrap still to be recognised."""
MIN_ROWS = 20
"""Rows behind the restart of a clock; fewer are wrong stamps."""


@dataclass
class Unwrapper:
    """Continues a clock that wraps after ``wrap_s``; the log may be given in parts.

    ``wrap_s`` is 0 for a clock that does not wrap.  A ``loose`` clock shows only the time within its period, so any step back by
    more than half of it is a wrap; any other clock must go back by a whole period less a few rows.  ``first`` is the position of
    the first row that was moved, None if there is none.

    Examples
    --------
    Where the date is not advanced at midnight, the clock goes back by a day less the time between two rows:

    >>> clock = Unwrapper(SECONDS_PER_DAY)
    >>> clock.follow(np.array([86_380.0, 86_390.0, 0.0, 10.0])).tolist(), clock.first
    ([86380.0, 86390.0, 86400.0, 86410.0], 2)
    """

    wrap_s: float
    loose: bool = False
    first: int | None = None
    _last_s: float | None = None
    _periods: int = 0
    _interval_s: float | None = None
    _rows: int = 0

    @np.errstate(over="ignore", invalid="ignore")  # times may be anything; cleaning drops impossible ones
    def follow(self, time_s: FloatArray) -> FloatArray:
        """The times of the next rows, continued where the clock wraps. [s]"""
        rows = np.flatnonzero(np.isfinite(time_s))
        self._rows += len(time_s)
        if not self.wrap_s or not rows.size:
            return time_s
        raw_s = time_s[rows]
        step_s = np.diff(raw_s, prepend=raw_s[0] if self._last_s is None else self._last_s)
        self._last_s = float(raw_s[-1])
        if self._interval_s is None:
            ahead = step_s[step_s > 0]
            self._interval_s = float(np.median(ahead)) if ahead.size else 0.0
        periods = np.full(len(raw_s), self._periods)
        for at in np.flatnonzero((step_s < 0) | (step_s > self.wrap_s / 2)):
            turn = self._turn(float(step_s[at]))
            if turn and self.first is None:
                self.first = self._rows - len(time_s) + int(rows[at])
            self._periods += turn
            periods[at:] = self._periods
        if not periods.any():
            return time_s
        counted = time_s.copy()
        counted[rows] = raw_s + periods * self.wrap_s
        return counted

    def _turn(self, step_s: float) -> int:
        """Periods by which a step moves the clock: 1 at a wrap, -1 where the date advances after all."""
        late_s = self.wrap_s / 2
        if not self.loose:
            late_s = min(LATE_INTERVALS * (self._interval_s or 0.0), late_s)
        if -self.wrap_s < step_s <= -self.wrap_s + late_s:
            return 1
        return -1 if self._periods and not self.loose and self.wrap_s < step_s <= self.wrap_s + late_s else 0


@np.errstate(over="ignore", invalid="ignore")  # times may be anything; cleaning drops impossible ones
def is_newest_first(time_s: FloatArray) -> bool:
    """Whether nearly all steps of a log's times are backwards.

    >>> is_newest_first(np.arange(5.0)[::-1]), is_newest_first(np.arange(5.0))
    (True, False)
    """
    step_s = np.diff(time_s[np.isfinite(time_s)])
    moving = step_s[step_s != 0]
    return moving.size > 3 and bool(np.count_nonzero(moving < 0) > 0.9 * moving.size)


@np.errstate(over="ignore", invalid="ignore")
def restart_of(time_s: FloatArray) -> int | None:
    """The row at which a clock goes back to its beginning and runs on from there; None if it never does.

    Parameters
    ----------
    time_s : ndarray of shape (n,)
        Finite times in the order of the log. [s]
    """
    step_s = np.diff(time_s)
    if not step_s.size or step_s.min() >= 0:
        return None
    ahead = step_s[step_s > 0]
    interval_s = float(np.median(ahead)) if ahead.size else 0.0
    for at in np.flatnonzero(step_s < 0) + 1:
        # A wild stamp ahead is followed by a step back too; the median of the rows before is not moved by it.
        before_s, behind = float(np.median(time_s[max(at - MIN_ROWS, 0) : at])), step_s[at : at + MIN_ROWS]
        stays = len(behind) == MIN_ROWS and time_s[at + MIN_ROWS] <= before_s + MIN_ROWS * interval_s
        ran_s = before_s - float(time_s[0])
        near = time_s[at] - time_s[0] <= max(GAP_INTERVALS * interval_s, 0.02 * ran_s)
        if stays and near and ran_s >= MIN_ROWS / 2 * interval_s and np.mean(behind > 0) > 0.9:
            return int(at)
    return None


FASTEST_C_PER_MIN = 20.0
"""Homemade chambers are slower (common practice, no source)."""
LONGEST_D = 60.0
"""A run on a bench is shorter (common practice, no source)."""
PARTS = 50


@np.errstate(over="ignore", invalid="ignore")
def doubtful_times(time_s: FloatArray, temperature_c: FloatArray) -> str:
    """A warning if the unit of times since a start seems wrong, by the rate of the temperature; else empty.

    Parameters
    ----------
    time_s, temperature_c : ndarray of shape (n,)
        [s] [degC]
    """
    sound = np.isfinite(time_s) & np.isfinite(temperature_c)
    time_s, temperature_c = time_s[sound], temperature_c[sound]
    parts = min(PARTS, len(time_s) // 4)
    if parts < 2:
        return ""
    mean_s, mean_c = (
        np.array([np.median(part) for part in np.array_split(values, parts)]) for values in (time_s, temperature_c)
    )
    step_s = np.diff(mean_s)
    moving = step_s > 0
    if not moving.any():
        return ""
    rate = float(np.max(np.abs(np.diff(mean_c)[moving]) / step_s[moving])) * SECONDS_PER_MINUTE
    length_s = float(np.ptp(time_s))
    if rate > FASTEST_C_PER_MIN:
        units = _fitting({"min": SECONDS_PER_MINUTE, "h": SECONDS_PER_HOUR, "d": SECONDS_PER_DAY}, rate, length_s)
        found = f"the temperature would move by {rate:.3g} degC/min"
    elif length_s > LONGEST_D * SECONDS_PER_DAY:
        units = _fitting({"ms": 1e-3, "us": 1e-6, "ns": 1e-9}, rate, length_s)
        found = f"the log would last {length_s / SECONDS_PER_DAY:.4g} days"
    else:
        return ""
    advice = f"give time_unit = {units}" if units else "check the time column, or interval_s"
    return f"taken as seconds since a start, {found}: the unit of the time is probably another; {advice} if so"


def _fitting(units: dict[str, float], rate: float, length_s: float) -> str:
    """The units with which neither the rate nor the length would be doubtful."""
    fits = [
        f'"{name}"'
        for name, unit_s in units.items()
        if 1e-3 <= rate / unit_s <= FASTEST_C_PER_MIN and length_s * unit_s <= LONGEST_D * SECONDS_PER_DAY
    ]
    return " or ".join(fits)
