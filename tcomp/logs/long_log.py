"""A long plain log, read one block of rows at a time; its layout follows from the first rows and some from all over the file.

A block with the same layout is read by a fast parser of typed columns.  A block with anything unusual is read as short logs
are, together with the head of the file.  A log that cannot be read in blocks is read as a short one.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.arrays import BoolArray, FloatArray, IntArray
from tcomp.errors import RunError
from tcomp.job import Oscillator, RunLog, Sensor
from tcomp.logs import cells
from tcomp.logs.columns import MISSING_SPELT, LogColumns, columns_of_text, without_missing_numbers
from tcomp.logs.dialect import Dialect, fields_of, find_dialect
from tcomp.logs.frozen import may_be_frozen, span_ppb
from tcomp.logs.log_file import run_of_columns
from tcomp.logs.quantities import offsets_of
from tcomp.logs.record import RawRun
from tcomp.logs.temperatures import temperature_c_of
from tcomp.logs.text import text_of
from tcomp.logs.time_formats import NumberClock, number_clock
from tcomp.logs.times import Times, Unwrapper, restart_of, times_of

HEAD_BYTES = 16_384
"""Bytes at the beginning of the file: the header, and enough rows to show how they are written."""
PLACES = 256
"""Places in the file from which some rows are read first."""
ROWS_AT_PLACE = 12
NEWLINE = 10
ODD = (b"#", b'"', b"\0")
"""Bytes that the fast parser does not handle: comments, quotes, and what a logger leaves when its power fails."""
BLOCK_BYTES = 3_000_000
"""Bytes read at a time: so few that they stay in the processor's cache."""
AROUND_ROWS = 64
"""Rows before and behind a block that are read as well, as neighbours for the cleaning."""


class NotAlikeError(Exception):
    """A block differs from the rest of the log, so that the log must be read as a whole."""


@dataclass(frozen=True, eq=False)
class Rows:
    """A block's samples, of shape (n,), with some of the neighbouring blocks; ``own`` is the slice of its own.

    ``line`` counts from the block's first line, which is 0; ``lines`` is the number of its lines. [s, degC, ppb]
    """

    time_s: FloatArray
    temperature_c: FloatArray
    offset_ppb: FloatArray
    line: IntArray
    own: slice
    lines: int

    def part(self, which: BoolArray | slice) -> Rows:
        """Some of the samples."""
        return Rows(
            self.time_s[which],
            self.temperature_c[which],
            self.offset_ppb[which],
            self.line[which],
            slice(None),
            self.lines,
        )

    def moved(self, line: int) -> Rows:
        """The samples with their lines in the file, for a block that begins at ``line``."""
        return replace(self, line=self.line + line)

    @classmethod
    def joined(cls, parts: list[Rows]) -> Rows:
        """The samples of several parts, one after the other."""

        def column(name: str) -> NDArray[Any]:
            return np.concatenate([getattr(part, name) for part in parts])

        lines = sum(part.lines for part in parts)
        return cls(column("time_s"), column("temperature_c"), column("offset_ppb"), column("line"), slice(None), lines)


@dataclass(frozen=True, eq=False)
class LongLog:
    """How a long log is written, and a sample of its rows; ``first_byte`` is where the first row begins."""

    log: RunLog
    oscillator: Oscillator
    sensor: Sensor
    head: bytes
    first_byte: int
    row_bytes: int
    size: int
    dialect: Dialect
    width: int
    sample: RawRun
    sampled: LogColumns
    own: threading.local

    @classmethod
    def of(cls, log: RunLog, oscillator: Oscillator, sensor: Sensor) -> LongLog | None:
        """Examine a log; None if it is short, packed, or not plain enough to be read in blocks."""
        if (
            not _may_be_long(log.file)
            or not isinstance(log.time, str | int)
            or log.time_format
            or log.phase is not None
            or log.event is not None
            or log.temperature_file is not None
            or log.regressors
        ):
            return None
        size = log.file.stat().st_size
        with log.file.open("rb") as file:
            head = _whole_lines(file.read(HEAD_BYTES))
            if size * head.count(b"\n") < cells.LONG_SAMPLES * len(head):
                return None
            rows = [
                _rows_at(file, at, len(head), size) for at in np.linspace(len(head), size, PLACES + 1)[1:].astype(int)
            ]
        if not head.endswith(b"\n") or head.startswith((b"\xff\xfe", b"\xfe\xff", b"\x1f\x8b")):
            return None
        try:
            text = text_of(head + b"".join(rows), log.file)
            dialect = find_dialect(text, log)
            sampled = columns_of_text(text, log)
            sample = run_of_columns(sampled, log, oscillator, sensor)
        except RunError:
            return None
        before = head.split(b"\n", dialect.first_line - 1)[:-1]
        first_byte = sum(len(line) + 1 for line in before)
        plain = dialect.decimals[0] == "." and _is_plain(sample, sampled, log, dialect)
        if len(before) != dialect.first_line - 1 or not plain:
            return None
        width = len(fields_of(text.line(dialect.first_line), dialect.separator))
        row_bytes = 1 + len(head[first_byte:]) // max(head[first_byte:].count(b"\n"), 1)
        head = head[:first_byte]
        return cls(
            log,
            oscillator,
            sensor,
            head,
            first_byte,
            row_bytes,
            size,
            dialect,
            width,
            sample,
            sampled,
            threading.local(),
        )

    @property
    def blocks(self) -> list[tuple[int, int]]:
        """First and one-past-last byte of each block; the block begins and ends at the next line."""
        cuts = [*range(self.first_byte, self.size, BLOCK_BYTES), self.size]
        return list(pairwise(cuts))

    def rows(self, start: int, stop: int) -> Rows:
        """Read a block.

        Raises
        ------
        NotAlikeError
            The log cannot be read in blocks.
        """
        data, before, behind, odd = self._lines(start, stop)
        columns, lines = (None if odd else self._plain_columns(data)) or self._odd_columns(data)
        first, last = data[:before].tobytes().count(b"\n"), lines - data[behind:].tobytes().count(b"\n")
        place = np.searchsorted(columns.line, [first, last])
        try:
            temperature_c = temperature_c_of(columns, self.log, self.sensor)
        except RunError as error:
            raise NotAlikeError from error
        offset_ppb = offsets_of(columns.values, self.log, self.oscillator)
        time_s = self._seconds(columns)
        clock = Unwrapper(self._wrap_s)
        clock.follow(time_s)
        if clock.first is not None or _needs_the_whole(time_s, temperature_c, offset_ppb, self._span_ppb):
            raise NotAlikeError
        return Rows(
            time_s, temperature_c, np.asarray(offset_ppb), columns.line - first,
            slice(int(place[0]), int(place[1])), last - first,
        )  # fmt: skip

    def _lines(self, start: int, stop: int) -> tuple[memoryview, int, int, bool]:
        """The lines that begin in a block, with some around them; the positions where its own begin and end; and whether they
        hold something that the fast parser does not handle."""
        around = AROUND_ROWS * self.row_bytes
        low, high = max(start - around, self.first_byte), min(stop + around, self.size)
        buffer = self._buffer(high - low + 1)
        with self.log.file.open("rb", buffering=0) as file:
            file.seek(low)
            read = file.readinto(memoryview(buffer)[: high - low])
        if high == self.size and buffer[read - 1] != NEWLINE:
            buffer[read] = NEWLINE
            read += 1
        first = 0 if low == self.first_byte else buffer.index(b"\n", 0, read) + 1
        own_from = 0 if start == self.first_byte else buffer.index(b"\n", start - low - 1, read) + 1
        end = buffer.rindex(b"\n", 0, read) + 1
        own_to = end if stop == self.size else buffer.index(b"\n", stop - low - 1, read) + 1
        odd = any(buffer.find(mark, first, end) >= 0 for mark in ODD)
        if buffer.find(b"\r", first, end) >= 0:
            odd |= buffer.count(b"\r", first, end) != buffer.count(b"\r\n", first, end)
        return memoryview(buffer)[first:end], own_from - first, own_to - first, odd

    def _buffer(self, size: int) -> bytearray:
        """Memory to read into, one buffer for each thread, since new memory costs as much as reading."""
        if len(getattr(self.own, "buffer", b"")) < size:
            self.own.buffer = bytearray(size)
        buffer: bytearray = self.own.buffer
        return buffer

    def _plain_columns(self, data: memoryview) -> tuple[LogColumns, int] | None:
        """The named columns and the number of lines, if every line has the same number of fields, of the same types."""
        import pyarrow
        from pyarrow import csv

        names = [str(place) for place in range(self.width)]
        kept = {column: names[place] for column, place in self.dialect.positions.items()}
        kinds = {
            name: self._time_type if column == self.log.time else pyarrow.float64() for column, name in kept.items()
        }
        try:
            table = csv.read_csv(
                pyarrow.BufferReader(pyarrow.py_buffer(data)),
                read_options=csv.ReadOptions(column_names=names, use_threads=False, block_size=len(data) + 1),
                parse_options=csv.ParseOptions(
                    delimiter=self.dialect.separator, quote_char=False, ignore_empty_lines=False
                ),
                convert_options=csv.ConvertOptions(
                    column_types=kinds, include_columns=list(kinds), check_utf8=False,
                    null_values=[*MISSING_SPELT, *self.log.missing],
                ),
            )  # fmt: skip
        except pyarrow.ArrowInvalid:
            return None
        values = {column: _numbers(table.column(name)) for column, name in kept.items()}
        line = np.arange(table.num_rows, dtype=np.int64)
        return LogColumns(self.log.file, without_missing_numbers(values, self.log), line, True, ()), table.num_rows

    def _odd_columns(self, data: memoryview) -> tuple[LogColumns, int]:
        """The same as short logs are read."""
        try:
            text = text_of(self.head + data.tobytes(), self.log.file)
            columns = columns_of_text(text, self.log)
        except RunError as error:
            raise NotAlikeError from error
        if columns.assumptions != self.sampled.assumptions:
            raise NotAlikeError
        before = self.dialect.first_line
        line = columns.line - before
        return LogColumns(columns.path, columns.values, line, True, ()), text.line_count - before + 1

    def _seconds(self, columns: LogColumns) -> FloatArray:
        assert isinstance(self.log.time, str | int)
        values = columns.values[self.log.time]
        if self._clock is not None:
            return self._clock.seconds(np.asarray(values, dtype=np.float64))
        if isinstance(values, np.ndarray) and values.dtype == np.float64:
            return np.asarray(values / 1e6)  # microseconds, of the fast parser
        try:
            return times_of(columns, self.log).seconds
        except RunError as error:
            raise NotAlikeError from error

    @cached_property
    def _clock(self) -> NumberClock | None:
        """The clock of the numbers in the time column; None where it holds text."""
        assert isinstance(self.log.time, str | int)
        values = np.asarray(self.sampled.values[self.log.time])
        return number_clock(values, self.log) if values.dtype == np.float64 else None

    @cached_property
    def _span_ppb(self) -> float:
        return span_ppb(self.sample.frame["offset_ppb"].dropna().to_numpy(dtype=np.float64))

    @cached_property
    def _times(self) -> Times:
        return times_of(self.sampled, self.log)

    @cached_property
    def _wrap_s(self) -> float:
        """Period at which the clock wraps; 0: it does not. [s]"""
        return self._times.wrap_s

    @cached_property
    def _time_type(self) -> Any:
        import pyarrow

        if self._clock is not None:
            return pyarrow.float64()
        return pyarrow.timestamp("us", "UTC") if self._times.has_zone else pyarrow.timestamp("us")


def _is_plain(sample: RawRun, sampled: LogColumns, log: RunLog, dialect: Dialect) -> bool:
    """Whether blocks can be read alone: each row has its own full time, and single characters separate fields."""
    assert isinstance(log.time, str | int)
    text = np.asarray(sampled.values[log.time]).dtype != np.float64
    line = sample.frame["line"].to_numpy()
    return not (
        (text and sample.time_kind != "clock") or (len(line) > 1 and line[0] > line[-1]) or dialect.separator == " "
    )


def _needs_the_whole(
    time_s: FloatArray, temperature_c: FloatArray, offset_ppb: FloatArray, run_span_ppb: float
) -> bool:
    """Whether a block holds what only the whole log can show: a clock that restarts, a sensor that stopped."""
    sound = np.isfinite(time_s) & np.isfinite(temperature_c) & np.isfinite(offset_ppb)
    return restart_of(time_s[sound]) is not None or may_be_frozen(temperature_c[sound], offset_ppb[sound], run_span_ppb)


def _may_be_long(path: Path) -> bool:
    return path.suffix.lower() not in (".parquet", ".gz") and path.is_file() and path.stat().st_size > HEAD_BYTES


def _whole_lines(data: bytes) -> bytes:
    return data[: data.rfind(b"\n") + 1]


def _rows_at(file: Any, at: int, first: int, size: int) -> bytes:
    """Some whole lines before a place in the file."""
    file.seek(max(at - HEAD_BYTES // 8, first))
    data = file.read(at - file.tell())
    data = data + b"\n" if at == size and not data.endswith(b"\n") else data
    lines = data[data.find(b"\n") + 1 : data.rfind(b"\n") + 1].splitlines(keepends=True)
    return b"".join(lines[-ROWS_AT_PLACE:])


def _numbers(column: Any) -> FloatArray:
    """A column of the fast parser, missing values as NaN, timestamps as microseconds."""
    import pyarrow

    array = column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()
    if pyarrow.types.is_timestamp(array.type):
        array = array.view(pyarrow.int64())
        if array.null_count == 0:
            return np.asarray(array.to_numpy(), dtype=np.float64)
    return np.asarray(array.to_numpy(zero_copy_only=False), dtype=np.float64)
