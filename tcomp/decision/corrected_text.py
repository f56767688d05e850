"""The lines of a log as they stand, with more fields behind each row."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.files import csv_field
from tcomp.run.dialect import fields_of
from tcomp.run.log_stream import Chunk, LogStream

Floats = NDArray[np.float64]

DIGITS = 15
"""Decimal digits that a float holds, whatever the number: a correction of 1 ppb in a reading of 12 digits survives."""
U_DIGITS = 3


class LineWriter:
    """Writes the chunks of a log in order.

    Parameters
    ----------
    stream : LogStream
        The log, for its header, separator and decimal mark.
    reading : str
        Name of the column that is corrected.
    states : tuple of str
        Words for the states.

    Raises
    ------
    RunError
        The log has columns of these names already.
    """

    def __init__(self, stream: LogStream, reading: str, states: tuple[str, ...]) -> None:
        dialect = stream.dialect
        self._separator, self._decimal = dialect.separator, dialect.decimals[0]
        self._header, self._header_line, self._states = stream.header, dialect.header_line, states
        self._header_fields = 0 if self._header is None else len(fields_of(self._header, self._separator))
        self._names = (f"{reading}_true", f"{reading}_u", "state")
        self._titles = [csv_field(name, self._separator) for name in self._names]
        if self._header is not None:
            twice = [name for name in self._names if name in fields_of(self._header, self._separator)]
            if twice:
                raise RunError(
                    f"{stream.log.file}:{self._header_line}: there is a column '{twice[0]}' already, so the log seems "
                    "to be corrected; give the log as it was recorded"
                )

    def lines(self, chunk: Chunk, value: Floats, u: Floats, state: NDArray[np.int8]) -> bytes:
        """Text of a chunk, comments and header too; ``value``, ``u`` and ``state`` have an entry for each row."""
        import pyarrow as pa
        import pyarrow.compute as pc

        count = chunk.text.line_count
        # Each line with the newline before it, not the one behind: something is to go in between.
        data = b"\n" + chunk.text.data
        starts = np.append(chunk.text.starts, len(chunk.text.data)).astype(np.int32)
        lines = pa.Array.from_buffers(pa.string(), count, [None, pa.py_buffer(starts), pa.py_buffer(data)])
        words = pa.array(self._states).take(pa.array(state))
        padding = pa.array(self._padding(chunk))
        more = pc.binary_join_element_wise(
            padding, self._text(value, DIGITS), self._text(u, U_DIGITS), words, self._separator
        )
        if len(chunk.row) < count:
            place = np.full(count, -1)
            place[chunk.row] = np.arange(len(chunk.row))
            others = pa.array(self._behind_others(chunk, place))
            more = pc.coalesce(more.take(pa.array(place, mask=place < 0)), others)
        joined = pc.binary_join_element_wise(lines, more, "")
        return (_content(joined)[1:] + b"\n").replace(b"\n", chunk.line_end)

    def _padding(self, chunk: Chunk) -> list[str]:
        """Separators that make up for the fields that a row lacks against the header."""
        if chunk.fields or not self._header_fields:
            missing = max(self._header_fields - chunk.fields, 0) if chunk.fields else 0
            return [self._separator * missing] * len(chunk.row)
        found = [len(fields_of(chunk.text.line(int(place) + 1), self._separator)) for place in chunk.row]
        return [self._separator * max(self._header_fields - fields, 0) for fields in found]

    def _behind_others(self, chunk: Chunk, place: NDArray[np.int64]) -> list[str]:
        """What goes behind lines that are no rows: the names, where a header stands."""
        others = [""] * place.size
        # Rows may end in a separator that the header lacks: an empty field, without a name.
        surplus = self._separator * (chunk.fields == self._header_fields + 1)
        for index in np.flatnonzero(place < 0).tolist():
            if self._header is not None and chunk.text.line(index + 1) == self._header:
                others[index] = surplus + self._separator + self._separator.join(self._titles)
        return others

    def _text(self, values: Floats, digits: int) -> Any:
        """Numbers in so many digits, in the log's own decimal mark; nothing where there is none."""
        import pyarrow as pa
        import pyarrow.compute as pc

        known = np.isfinite(values)
        text = pa.array(rounded(values, digits), mask=~known).cast(pa.string())
        if self._decimal == ",":
            text = pc.replace_substring(text, ".", ",")
        if self._decimal == self._separator:
            text = pc.binary_join_element_wise('"', text, '"', "")
        return text.fill_null("")


def rounded(values: Floats, digits: int) -> Floats:
    """Values to so many significant digits, 15 at most: their shortest text then has no more.

    >>> rounded(np.array([9_999_999.999990001, 0.0063998, 0.0]), 3).tolist()
    [10000000.0, 0.0064, 0.0]
    """
    size = np.where(np.isfinite(values) & (values != 0), np.abs(values), 1.0)
    places = digits - 1 - np.floor(np.log10(size))
    scale = 10.0 ** np.abs(places)  # a power of ten below one is not exact
    return np.asarray(np.where(places >= 0, np.rint(values * scale) / scale, np.rint(values / scale) * scale))


def _content(strings: Any) -> bytes:
    """All strings of an array, one behind the other."""
    _, ends, content = strings.buffers()
    return bytes(content[: int(np.frombuffer(ends, dtype=np.int32)[len(strings)])])
