"""A text log in chunks, each with its lines and the named columns: a log of any length, in little memory."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from tcomp.arrays import FloatArray, IntArray
from tcomp.errors import RunError
from tcomp.job import Column, Regressor, RunLog, Sensor
from tcomp.job.sensors import POSSIBLE_C
from tcomp.logs.columns import MISSING_SPELT, LogColumns, columns_of_rows, refuse_other_units, without_missing_numbers
from tcomp.logs.dialect import Dialect, fields_of, find_dialect
from tcomp.logs.temperatures import sensor_warnings, temperature_c_of
from tcomp.logs.text import LogText, text_chunks
from tcomp.logs.time_formats import NumberClock, number_clock
from tcomp.logs.times import Unwrapper, doubtful_times, is_newest_first, times_of, wrap_remark

CHUNK_BYTES = 8 << 20
"""Some 200 000 rows, so that the work per chunk outweighs the overhead of a call."""
HEAD_ROWS = 2000
"""Rows that show how times and numbers are written."""
PLAIN_FORMAT = re.compile(r"(?:%[dmYHMS]|[^%])*")
"""Formats that all parsers read alike: digits only, no names, zones or fractions."""
ZONED = re.compile(r".*(?:Z|[+-]\d\d(?::?\d\d)?)$")


@dataclass(frozen=True, eq=False)
class Chunk:
    """Lines of a log, and the values of its rows.

    Attributes
    ----------
    text : LogText
        All lines, including comments and the header.
    line_end : bytes
        The line end of the file.
    row : ndarray of shape (n,)
        Index of each row among the lines, from 0.
    fields : int
        Number of fields in each row; 0: they differ.
    time_s, temperature_c, reading : ndarray of shape (n,)
        NaN where missing; a temperature that the sensor cannot have is infinite. [s, degC]
    """

    text: LogText
    line_end: bytes
    row: IntArray
    fields: int
    time_s: FloatArray
    temperature_c: FloatArray
    reading: FloatArray
    regressors: dict[str, FloatArray]
    """Quantities besides temperature that the log holds, by name."""


class LogStream:
    """Reads a log that has the columns of a [[run]] block, with a reading in place of its ``frequency``.

    Parameters
    ----------
    log : RunLog
        ``frequency`` is the column with the reading.
    sensor : Sensor
        What the temperature column holds.

    Attributes
    ----------
    dialect : Dialect
    assumptions : tuple of str
        What the log leaves open and how it is read.
    warnings : tuple of str
        What is likely wrong; shown even where remarks are not.
    clock_start_s : float or None
        The first time, if times are those of a clock. [s]
    """

    def __init__(self, log: RunLog, sensor: Sensor, chunk_bytes: int = CHUNK_BYTES) -> None:
        self.log, self.sensor = log, sensor
        self._texts = text_chunks(log.file, chunk_bytes)
        self._first = next(self._texts)
        self.dialect = find_dialect(self._first[0], log)
        self.assumptions: tuple[str, ...] = self.dialect.assumptions
        self._clock: NumberClock | None = None
        self.clock_start_s: float | None = None
        self.warnings: tuple[str, ...] = ()
        self._examine(self._first[0])
        self._rows = 0

    @property
    def header(self) -> str | None:
        """The line with the names of the columns, if there is one."""
        return self._first[0].line(self.dialect.header_line) if self.dialect.header_line else None

    @property
    def reading(self) -> Column:
        """The column with the reading; of a log of times that with the time."""
        if self.log.frequency is not None:
            return self.log.frequency
        assert isinstance(self.log.time, str | int)
        return self.log.time

    @property
    def has_dates(self) -> bool:
        """Whether times are written as dates, not as numbers."""
        return self.clock_start_s is not None and self._clock is None

    @property
    def timed(self) -> bool:
        """Whether the rows have times, or at least an order in time."""
        return self.log.time is not None or self.log.interval_s is not None

    def chunks(self) -> Iterator[Chunk]:
        """The chunks of the log from its beginning.

        Raises
        ------
        RunError
            A field is not a number, or a time cannot be read.
        """
        yield self._chunk(*self._first, self.dialect.first_line, 0)
        before = self._first[0].line_count
        for text, line_end in self._texts:
            yield self._chunk(text, line_end, 1, before)
            before += text.line_count

    def _examine(self, text: LogText) -> None:
        """Find decimal mark and clock from the first rows; the rest is read alike."""
        rows, lines = text.body(self.dialect.first_line, self.dialect.separator, self.header)
        if not len(lines):
            raise RunError(f"{self.log.file}: holds no rows; expected one row for each reading")
        count = min(HEAD_ROWS, len(lines))
        head = b"\n".join(rows.split(b"\n", count)[:count]) + b"\n"
        columns, decimal = columns_of_rows(head, lines[:count], self.log, self.dialect)
        refuse_other_units(columns, self.log, self.sensor)
        temperature_c = temperature_c_of(columns, self.log, self.sensor)  # refuses another kind of sensor
        self.warnings = sensor_warnings(temperature_c, self.sensor, self.log.temperature)
        times = times_of(columns, self.log)
        self._times = times
        self._order = Unwrapper(times.wrap_s, loose=times.has_no_date)
        time_s = times.seconds
        if is_newest_first(time_s):
            raise RunError(
                f"{columns.location(0)}: the newest row comes first, but readings are corrected in the order of time; reverse the "
                "order of the rows"
            )
        if times.kind == "clock" and np.isfinite(time_s).any():
            self.clock_start_s = float(time_s[np.isfinite(time_s)][0])
        self.assumptions = (*self.assumptions, *columns.assumptions, *times.assumptions)
        self.warnings = (*self.warnings, *times.warnings)
        if times.kind in ("elapsed", "interval") and (warning := doubtful_times(time_s, temperature_c)):
            self.warnings = (*self.warnings, warning)
        if isinstance(self.log.time, str | int):
            values = columns.values[self.log.time]
            if getattr(values, "dtype", None) == np.float64:
                self._clock = number_clock(values, self.log)
        self.dialect = replace(self.dialect, decimals=(decimal,))

    def _chunk(self, text: LogText, line_end: bytes, first: int, before: int) -> Chunk:
        rows, lines = text.body(first, self.dialect.separator, self.header)
        columns, fields = self._columns(rows, lines + before)
        before_rows, wrapped = self._rows, self._order.first is not None
        time_s = self._order.follow(self._time_s(columns))
        if self._order.first is not None and not wrapped:
            line = columns.line[self._order.first - before_rows]
            self.assumptions = (*self.assumptions, f"{wrap_remark(self._times)}, first at line {line}.")
        self._rows += len(lines)
        return Chunk(
            text, line_end, lines - 1, fields, time_s,
            self._temperature_c(columns) if len(lines) else np.empty(0),
            time_s if self.log.frequency is None else self._reading(columns),
            {
                one.name: np.asarray(columns.values[one.column], dtype=np.float64) if len(lines) else np.empty(0)
                for one in self.log.regressors
            },
        )  # fmt: skip

    def _reading(self, columns: LogColumns) -> FloatArray:
        return np.asarray(columns.values[self.reading], dtype=np.float64) if len(columns.line) else np.empty(0)

    def _temperature_c(self, columns: LogColumns) -> FloatArray:
        """Infinite where the sensor cannot have it, or outside `POSSIBLE_C`. [degC]"""
        at_c = self.sensor.temperature_c(np.asarray(columns.values[self.log.temperature], dtype=np.float64))
        return np.where((at_c < POSSIBLE_C[0]) | (at_c > POSSIBLE_C[1]), np.inf, at_c)

    def _time_s(self, columns: LogColumns) -> FloatArray:
        rows = len(columns.line)
        if self.log.time is None and self.log.interval_s is not None:
            return np.asarray((self._rows + np.arange(rows, dtype=np.float64)) * self.log.interval_s)
        if not rows or self.log.time is None:
            return np.full(rows, np.nan)
        values = columns.values[self.log.time] if not isinstance(self.log.time, tuple) else None
        if self._clock is not None:
            return self._clock.seconds(np.asarray(values, dtype=np.float64))
        if values is not None and values.dtype.kind == "M":
            return np.where(np.isnat(values), np.nan, values.astype("datetime64[us]").astype(np.int64) / 1e6)
        return times_of(columns, self.log).seconds

    def _columns(self, rows: bytes, lines: IntArray) -> tuple[LogColumns, int]:
        """By the fast parser where all rows are alike, else by the one that finds and names the field that is not."""
        if not len(lines):
            return LogColumns(self.log.file, {}, lines, True, ()), 0
        fast = _fast_columns(rows, self.log, self.dialect, text_time=self._clock is None)
        if fast is None or len(next(iter(fast[0].values()))) != len(lines):
            return columns_of_rows(rows, lines, self.log, self.dialect)[0], 0
        return LogColumns(self.log.file, without_missing_numbers(fast[0], self.log), lines, True, ()), fast[1]


def _fast_columns(rows: bytes, log: RunLog, dialect: Dialect, *, text_time: bool) -> tuple[dict[Any, Any], int] | None:
    """The named columns and the number of fields; None where a row or a field differs from the first."""
    import pyarrow as pa
    from pyarrow import csv

    plain = log.time_format is None or (PLAIN_FORMAT.fullmatch(log.time_format) and "%Y" in log.time_format)
    if len(log.time_columns) > 1 or not plain:
        return None
    first = fields_of(rows[: rows.index(b"\n")].decode("utf-8"), dialect.separator)
    names = [str(place) for place in range(len(first))]
    if max(dialect.positions.values()) >= len(names):
        return None
    kinds: dict[str, Any] = {str(position): pa.float64() for position in dialect.positions.values()}
    if text_time and log.time_columns:
        position = dialect.positions[log.time_columns[0]]
        zoned = log.time_format is None and ZONED.match(first[position])
        kinds[str(position)] = pa.timestamp("us", "UTC" if zoned else None)
    try:
        table = csv.read_csv(
            pa.BufferReader(rows),
            csv.ReadOptions(column_names=names),
            csv.ParseOptions(delimiter=dialect.separator, quote_char='"' if b'"' in rows else False),
            csv.ConvertOptions(
                column_types=kinds, include_columns=list(kinds), decimal_point=dialect.decimals[0],
                null_values=[*MISSING_SPELT, *log.missing], strings_can_be_null=True,
                timestamp_parsers=[log.time_format or csv.ISO8601],
            ),
        )  # fmt: skip
    except pa.ArrowInvalid:
        return None
    return {column: table[str(position)].to_numpy() for column, position in dialect.positions.items()}, len(names)


def named_log(runs: tuple[RunLog, ...], path: Path, reading: Column | None, *, times: bool = False) -> RunLog:
    """The first [[run]] block whose columns a log has, for that log, with the column of the reading as its ``frequency``; of
    ``times`` as its time.

    Raises
    ------
    RunError
        The log has the columns of none of them, or no block names the column of the reading.
    """
    if path.suffix.lower() == ".parquet":
        raise RunError(f"{path}: is a Parquet file; expected a text log (.csv, .tsv, .txt, .dsv, or .gz of them)")
    text = next(text_chunks(path, CHUNK_BYTES))[0]
    faults = []
    for run in runs:
        column = reading if reading is not None else run.frequency
        if column is None:
            faults.append(
                RunError(
                    f"{path}: no [[run]] of the job has a frequency column; name one with --frequency or --interval"
                )
            )
            continue
        log = replace(
            run, file=path, frequency=column, offset=None, offset_unit=None, phase=None, event=None, period_s=None,
            reading=None, trusted=(),
            temperature_file=None, temperature_time=None, regressors=(),
        )  # fmt: skip
        if times:
            log = replace(log, frequency=None, time=column, interval_s=None)
        try:
            find_dialect(text, log)
        except RunError as error:
            faults.append(error)
            continue
        return replace(log, regressors=tuple(one for one in run.regressors if _holds(text, log, one)))
    raise faults[0]


def _holds(text: LogText, log: RunLog, regressor: Regressor) -> bool:
    """Whether a log has the column of a quantity besides temperature."""
    try:
        find_dialect(text, replace(log, regressors=(regressor,)))
    except RunError:
        return False
    return True
