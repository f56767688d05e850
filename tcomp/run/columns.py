"""The wanted columns of a log as arrays, whatever file they come from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.job import Column, RunLog
from tcomp.run.dialect import column_label, is_number


@dataclass(frozen=True, eq=False)
class LogColumns:
    """The wanted columns: numbers as float64, NaN where missing; the time as it stands.

    ``line`` is the line of each row, or its number where the file has no lines.
    """

    path: Path
    values: dict[Column, Any]
    line: NDArray[np.int64]
    has_lines: bool
    assumptions: tuple[str, ...]

    def place(self, index: int) -> str:
        """Where a row stands, as a message names it."""
        return row_place(self.path, int(self.line[index]), self.has_lines)


def row_place(path: Path, number: int, has_lines: bool) -> str:
    """A line or row as a message names it.

    >>> row_place(Path("gauge.csv"), 12, True), row_place(Path("gauge.parquet"), 12, False)
    ('gauge.csv:12', 'gauge.parquet: row 12')
    """
    return f"{path}:{number}" if has_lines else f"{path}: row {number}"


def not_a_number(where: str, column: Column, field: str, log: RunLog) -> RunError:
    """What to say of text where a number belongs."""
    found = f"{where}: {column_label(column)} holds '{field}'"
    if column in log.time_columns:
        return RunError(f"{found}, expected a number as in the rows before it")
    if is_number(field):
        return RunError(f"{found}, but the decimal mark of the log is another; use one throughout, or give `decimal`")
    return RunError(
        f"{found}, expected a number; if the log writes that for a missing value, add it to `missing`: "
        f'missing = ["{field}"]'
    )


def without_missing_numbers(values: dict[Column, Any], log: RunLog) -> dict[Column, Any]:
    """Numbers that the job declares missing, such as -999, become NaN however they are written."""
    fills = [float(word.replace(",", ".")) for word in log.missing if is_number(word)]
    return {
        column: np.where(np.isin(value, fills), np.nan, value) if fills and value.dtype == np.float64 else value
        for column, value in values.items()
    }
