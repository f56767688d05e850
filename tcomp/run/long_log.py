"""A long plain log read a block of rows at a time, as the first rows and some from all over the file say it is written.

A block that is written as the others is read by a fast reader of typed columns.  One in which anything is odd is read
as short logs are, together with the head of the file; and a log that cannot be read in blocks at all is `None`, so that
it is read as short logs are.
"""

from __future__ import annotations

import os
import threading
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.job import Oscillator, RunLog, Sensor
from tcomp.run import cells
from tcomp.run.columns import LogColumns, without_missing_numbers
from tcomp.run.dialect import Dialect, fields_of, find_dialect
from tcomp.run.log_file import run_of_columns
from tcomp.run.log_text import text_of
from tcomp.run.neighbours import Floats, Ints, Mask
from tcomp.run.quantity import offsets_of
from tcomp.run.record import RawRun
from tcomp.run.sensor import temperature_c_of
from tcomp.run.text_rows import MISSING_SPELT, columns_of_text
from tcomp.run.time_stamps import NumberClock, number_clock, times_of

HEAD_BYTES = 16_384
"""Of the beginning of the file: the header, and rows enough to see how they are written."""
PLACES = 256
"""Places in the file from which some rows are looked at first."""
ROWS_AT_PLACE = 12
NEWLINE = 10
ODD = (b"#", b'"', b"\0")
"""Comments, quotes and what a logger leaves when its power fails."""
BLOCK_BYTES = 3_000_000
"""Rows that are read at a time: so few that they stay in the processor's cache."""
AROUND_ROWS = 64
"""Rows before and behind a block that are read as well: cleaning asks for neighbours."""


class NotAlikeError(Exception):
    """A block is not written as the log is elsewhere, so that the log has to be read as a whole."""


@dataclass(frozen=True, eq=False)
class Rows:
    """A block's samples, shape (n,), with some of the blocks beside it; ``own`` are its own.

    ``line`` counts from the block's first, which is 0; ``lines`` is how many lines it has.
    """

    time_s: Floats
    temperature_c: Floats
    offset_ppb: Floats
    line: Ints
    own: slice
    lines: int

    def part(self, which: Mask | slice) -> Rows:
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
        """The samples with their lines in the file, where the block's first is this one."""
        return replace(self, line=self.line + line)

    @classmethod
    def together(cls, parts: list[Rows]) -> Rows:
        """The samples of several parts, one after the other."""

        def column(name: str) -> NDArray[Any]:
            return np.concatenate([getattr(part, name) for part in parts])

        lines = sum(part.lines for part in parts)
        return cls(column("time_s"), column("temperature_c"), column("offset_ppb"), column("line"), slice(None), lines)


@dataclass(frozen=True, eq=False)
class LongLog:
    """How a long log is written, and some of its rows; ``first_byte`` is where the first row begins."""

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
        """Look at a log; None if it is short, packed, or not so plain that it could be read in blocks."""
        if (
            not _may_be_long(log.file)
            or not isinstance(log.time, str | int)
            or log.time_format
            or log.phase is not None
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
        if len(before) != dialect.first_line - 1 or dialect.decimals[0] != ".":
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
        """First and one-past-last byte of each block, which begin and end about there, where a line does."""
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
        return Rows(
            self._seconds(columns), temperature_c, np.asarray(offset_ppb), columns.line - first,
            slice(int(place[0]), int(place[1])), last - first,
        )  # fmt: skip

    def _lines(self, start: int, stop: int) -> tuple[memoryview, int, int, bool]:
        """The lines that begin in a block with some around them; where in these bytes its own begin and end; and whether
        something stands there that the fast reader does not take as short logs are read."""
        around = AROUND_ROWS * self.row_bytes
        low, high = max(start - around, self.first_byte), min(stop + around, self.size)
        buffer = self._buffer(high - low + 1)
        with self.log.file.open("rb", buffering=0) as file:
            read = os.preadv(file.fileno(), [memoryview(buffer)[: high - low]], low)
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
        """Memory to read into, one piece for each thread, since new memory costs as much as reading."""
        if len(getattr(self.own, "buffer", b"")) < size:
            self.own.buffer = bytearray(size)
        buffer: bytearray = self.own.buffer
        return buffer

    def _plain_columns(self, data: memoryview) -> tuple[LogColumns, int] | None:
        """The wanted columns and the number of lines, if each has as many fields, and all of them are what they are
        elsewhere."""
        import pyarrow
        from pyarrow import csv

        names = [str(place) for place in range(self.width)]
        wanted = {column: names[place] for column, place in self.dialect.positions.items()}
        kinds = {
            name: self._time_type if column == self.log.time else pyarrow.float64() for column, name in wanted.items()
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
        values = {column: _numbers(table.column(name)) for column, name in wanted.items()}
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

    def _seconds(self, columns: LogColumns) -> Floats:
        assert isinstance(self.log.time, str | int)
        values = columns.values[self.log.time]
        if self._clock is not None:
            return self._clock.seconds(np.asarray(values, dtype=np.float64))
        if isinstance(values, np.ndarray) and values.dtype == np.float64:
            return np.asarray(values / 1e6)  # microseconds, of the fast reader
        try:
            return times_of(columns, self.log)[0]
        except RunError as error:
            raise NotAlikeError from error

    @cached_property
    def _clock(self) -> NumberClock | None:
        """What the numbers of the time column are; None where it holds text."""
        assert isinstance(self.log.time, str | int)
        values = np.asarray(self.sampled.values[self.log.time])
        return number_clock(values, self.log) if values.dtype == np.float64 else None

    @cached_property
    def _time_type(self) -> Any:
        import pyarrow

        if self._clock is not None:
            return pyarrow.float64()
        zoned = not any("no zone" in said for said in self.sample.assumptions)
        return pyarrow.timestamp("us", "UTC") if zoned else pyarrow.timestamp("us")


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


def _numbers(column: Any) -> Floats:
    """A column of the fast reader, missing values as NaN; moments as microseconds."""
    import pyarrow

    array = column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()
    if pyarrow.types.is_timestamp(array.type):
        array = array.view(pyarrow.int64())
        if array.null_count == 0:
            return np.asarray(array.to_numpy(), dtype=np.float64)
    return np.asarray(array.to_numpy(zero_copy_only=False), dtype=np.float64)
