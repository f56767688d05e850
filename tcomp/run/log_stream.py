"""A text log in chunks, each as its lines and the columns that are wanted: a log of any length, in little memory."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.job import Column, RunLog, Sensor
from tcomp.run.columns import LogColumns, without_missing_numbers
from tcomp.run.dialect import Dialect, fields_of, find_dialect
from tcomp.run.log_text import LogText, text_chunks
from tcomp.run.sensor import POSSIBLE_C, sensed_c, temperature_c_of
from tcomp.run.text_rows import MISSING_SPELT, columns_of_rows
from tcomp.run.time_stamps import NumberClock, number_clock, times_of

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CHUNK_BYTES = 8 << 20
"""Some 200 000 rows: what is read at once costs more than the calls about it."""
HEAD_ROWS = 2000
"""Rows from which it is learnt how times and numbers are written."""
PLAIN_FORMAT = re.compile(r"(?:%[dmYHMS]|[^%])*")
"""What every reader of time formats takes alike: digits alone, no names, zones or fractions."""
ZONED = re.compile(r".*(?:Z|[+-]\d\d(?::?\d\d)?)$")


@dataclass(frozen=True, eq=False)
class Chunk:
    """Lines of a log, and what its rows hold.

    Attributes
    ----------
    text : LogText
        All lines, comments and header among them.
    line_end : bytes
        How a line ends in the file.
    row : ndarray of shape (n,)
        Place of each row among the lines, from 0.
    fields : int
        In each row, where all have as many; 0: they differ.
    time_s, temperature_c, reading : ndarray of shape (n,)
        NaN where missing; a temperature that the sensor cannot give is infinite.
    """

    text: LogText
    line_end: bytes
    row: Ints
    fields: int
    time_s: Floats
    temperature_c: Floats
    reading: Floats


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
        What the log left open and how it was taken.
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
        self._learn(self._first[0])
        self._rows = 0

    @property
    def header(self) -> str | None:
        """The line with the names of the columns, if there is one."""
        return self._first[0].line(self.dialect.header_line) if self.dialect.header_line else None

    @property
    def reading(self) -> Column:
        """The column with the reading."""
        assert self.log.frequency is not None
        return self.log.frequency

    @property
    def timed(self) -> bool:
        """Whether the rows have times, or at least an order in time."""
        return self.log.time is not None or self.log.interval_s is not None

    def chunks(self) -> Iterator[Chunk]:
        """The log from its beginning.

        Raises
        ------
        RunError
            A field is no number, or a time cannot be read.
        """
        yield self._chunk(*self._first, self.dialect.first_line, 0)
        before = self._first[0].line_count
        for text, line_end in self._texts:
            yield self._chunk(text, line_end, 1, before)
            before += text.line_count

    def _learn(self, text: LogText) -> None:
        """Decimal mark and clock, from the first rows; they hold for the rest."""
        rows, lines = text.body(self.dialect.first_line, self.dialect.separator, self.header)
        if not len(lines):
            raise RunError(f"{self.log.file}: holds no rows; expected one row for each reading")
        count = min(HEAD_ROWS, len(lines))
        head = b"\n".join(rows.split(b"\n", count)[:count]) + b"\n"
        columns, decimal = columns_of_rows(head, lines[:count], self.log, self.dialect)
        temperature_c_of(columns, self.log, self.sensor)  # refuses another kind of sensor
        time_s, kind, said = times_of(columns, self.log)
        if kind == "clock" and np.isfinite(time_s).any():
            self.clock_start_s = float(time_s[np.isfinite(time_s)][0])
        self.assumptions = (*self.assumptions, *said)
        if isinstance(self.log.time, str | int):
            values = columns.values[self.log.time]
            if getattr(values, "dtype", None) == np.float64:
                self._clock = number_clock(values, self.log)
        self.dialect = replace(self.dialect, decimals=(decimal,))

    def _chunk(self, text: LogText, line_end: bytes, first: int, before: int) -> Chunk:
        rows, lines = text.body(first, self.dialect.separator, self.header)
        columns, fields = self._columns(rows, lines + before)
        time_s = self._time_s(columns)
        self._rows += len(lines)
        return Chunk(
            text, line_end, lines - 1, fields, time_s,
            self._temperature_c(columns) if len(lines) else np.empty(0),
            np.asarray(columns.values[self.reading], dtype=np.float64) if len(lines) else np.empty(0),
        )  # fmt: skip

    def _temperature_c(self, columns: LogColumns) -> Floats:
        """Infinite where the sensor cannot give it, or it is not to be believed."""
        at_c = sensed_c(np.asarray(columns.values[self.log.temperature], dtype=np.float64), self.sensor)
        return np.where((at_c < POSSIBLE_C[0]) | (at_c > POSSIBLE_C[1]), np.inf, at_c)

    def _time_s(self, columns: LogColumns) -> Floats:
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
        return times_of(columns, self.log)[0]

    def _columns(self, rows: bytes, lines: Ints) -> tuple[LogColumns, int]:
        """By the fast reader where all rows are alike, else by the one that finds the field that is not."""
        if not len(lines):
            return LogColumns(self.log.file, {}, lines, True, ()), 0
        fast = _fast_columns(rows, self.log, self.dialect, text_time=self._clock is None)
        if fast is None or len(next(iter(fast[0].values()))) != len(lines):
            return columns_of_rows(rows, lines, self.log, self.dialect)[0], 0
        return LogColumns(self.log.file, without_missing_numbers(fast[0], self.log), lines, True, ()), fast[1]


def _fast_columns(rows: bytes, log: RunLog, dialect: Dialect, *, text_time: bool) -> tuple[dict[Any, Any], int] | None:
    """The wanted columns and the number of fields; None where a row or a field is not like the first."""
    import pyarrow as pa
    from pyarrow import csv

    if len(log.time_columns) > 1 or not (log.time_format is None or PLAIN_FORMAT.fullmatch(log.time_format)):
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


def named_log(runs: tuple[RunLog, ...], path: Path, reading: Column | None) -> RunLog:
    """The [[run]] block whose columns a log has, for that log, with the column of the reading as its ``frequency``.

    Raises
    ------
    RunError
        The log has the columns of none of them, or no block says which column the reading is.
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
                    f"{path}: no [[run]] of the job has a frequency column; say which with --frequency or --interval"
                )
            )
            continue
        log = replace(
            run, file=path, frequency=column, offset=None, offset_unit=None, phase=None, reading=None, trusted=()
        )
        try:
            find_dialect(text, log)
        except RunError as error:
            faults.append(error)
            continue
        return log
    raise faults[0]
