"""The rows of a text log as columns: fast, and slowly where a field has to be found that is no number."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.job import Column, RunLog
from tcomp.run.columns import LogColumns, not_a_number, without_missing_numbers
from tcomp.run.dialect import MISSING_WORDS, Dialect, find_dialect, is_missing, is_number
from tcomp.run.log_text import LogText, read_text

if TYPE_CHECKING:
    import pandas as pd

MISSING_SPELT = ["", "nan", "NaN", "NAN", "NA", "na", "null", "NULL", "Null"]
"""The missing words as loggers spell them; other spellings are found by the slow reader."""


def text_columns(log: RunLog) -> LogColumns:
    """Read the wanted columns of a text log.

    Raises
    ------
    RunError
        The file cannot be read, lacks a column, or holds text where numbers belong.
    """
    return columns_of_text(read_text(log.file), log)


def columns_of_text(text: LogText, log: RunLog) -> LogColumns:
    """The wanted columns of a log's text, or of a part of it.

    Raises
    ------
    RunError
        It lacks a column, or holds text where numbers belong.
    """
    dialect = find_dialect(text, log)
    if dialect.first_line > text.line_count:
        return LogColumns(log.file, {}, np.empty(0, dtype=np.int64), True, ())
    header = text.line(dialect.header_line) if dialect.header_line else None
    rows, lines = text.body(dialect.first_line, dialect.separator, header)
    columns, decimal = columns_of_rows(rows, lines, log, dialect)
    said = dialect.assumptions
    if decimal == "," and log.decimal is None:
        said = (*said, "Numbers are written with a decimal comma.")
    return replace(columns, assumptions=said)


def columns_of_rows(rows: bytes, lines: NDArray[np.int64], log: RunLog, dialect: Dialect) -> tuple[LogColumns, str]:
    """The wanted columns of some rows, whose lines are given, and the decimal mark with which they could be read.

    Raises
    ------
    RunError
        A field is no number where one belongs.
    """
    frame, decimal = _TextRows(rows, lines, log, dialect).numbers()
    if len(frame) != len(lines):
        raise RunError(f"{log.file}: a quoted field runs over the end of its line; remove the quote that is not closed")
    values = {column: frame[position].to_numpy() for column, position in dialect.positions.items()}
    return LogColumns(log.file, without_missing_numbers(values, log), lines, True, ()), decimal


@dataclass(frozen=True, eq=False)
class _TextRows:
    data: bytes
    lines: NDArray[np.int64]
    log: RunLog
    dialect: Dialect

    def numbers(self) -> tuple[pd.DataFrame, str]:
        """The wanted columns by position, and the decimal mark with which they could be read."""
        text = self.log.time_columns if self._time_is_text() else ()
        for decimal in self.dialect.decimals:
            try:
                return self._parsed(decimal, text), decimal
            except ValueError:
                continue
        return self._slowly_parsed(self.dialect.decimals[0], text), self.dialect.decimals[0]

    def _time_is_text(self) -> bool:
        """Whether the first time that is there is anything but a plain number; a date and a time are."""
        columns = self.log.time_columns
        if len(columns) != 1 or self.log.time_format is not None:
            return bool(columns)
        head = self._parsed(".", self.dialect.positions, rows=200)[self.dialect.positions[columns[0]]]
        times = head.fillna("").str.strip()
        return not is_number(next((time for time in times if not is_missing(time, self.log)), "0"))

    def _parsed(self, decimal: str, text: Collection[Column], rows: int | None = None) -> pd.DataFrame:
        """The wanted columns by the fast reader; ValueError if a number column holds text.

        A row with too few fields lacks the values at its end; what stands beyond the wanted columns
        is not looked at.
        """
        import pandas as pd

        positions = self.dialect.positions
        kinds: dict[str, Any] = {str(at): str if column in text else np.float64 for column, at in positions.items()}
        words = [*MISSING_SPELT, *self.log.missing]
        # Our own header, as wide as the wanted columns ask, makes rows of any width acceptable.
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
            raise RunError(
                f"{self.log.file}: a quoted field is not closed; remove the quote that is too many"
            ) from error
        return frame.rename(columns=int)

    def _slowly_parsed(self, decimal: str, text: Collection[Column]) -> pd.DataFrame:
        """The same field by field, to find the one that is no number; padded words are no fault."""
        import pandas as pd

        frame = self._parsed(decimal, self.dialect.positions)
        numbers: dict[int, Any] = {}
        for column, position in self.dialect.positions.items():
            fields = frame[position].fillna("").str.strip()
            if column in text:
                numbers[position] = fields
                continue
            missing = fields.str.lower().isin(MISSING_WORDS) | fields.isin(self.log.missing)
            other_mark = fields.str.contains("," if decimal == "." else ".", regex=False)
            fault = (~missing & (other_mark | ~fields.map(is_number))).to_numpy()
            if fault.any():
                index = int(np.argmax(fault))
                where = f"{self.log.file}:{self.lines[index]}"
                raise not_a_number(where, column, str(fields.iloc[index]), self.log)
            numbers[position] = fields.where(~missing, "nan").str.replace(decimal, ".", regex=False).astype(np.float64)
        return pd.DataFrame(numbers)
