"""The wanted columns of a frame, whether a user made it or it was read from a Parquet file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.job import Column, RunLog
from tcomp.run.columns import LogColumns, not_a_number, row_place, without_missing_numbers
from tcomp.run.dialect import MISSING_WORDS, column_label, no_such_column, wanted_columns

if TYPE_CHECKING:
    import pandas as pd


def columns_of_frame(frame: pd.DataFrame, log: RunLog) -> LogColumns:
    """The columns of a frame that a [[run]] block names; its index counts as a column, if it has a name.

    Raises
    ------
    RunError
        A column is not there, stands twice, or holds what is neither numbers, moments nor text.
    """
    if frame.index.name is not None and frame.index.name not in frame.columns:
        frame = frame.reset_index()
    wanted = wanted_columns(log)
    labels = list(frame.columns)
    for column in wanted:
        if column not in labels:
            raise RunError(no_such_column(str(log.file), str(column), [str(label) for label in labels]))
        if labels.count(column) > 1:
            raise RunError(f"{log.file}: there are {labels.count(column)} columns '{column}'; rename all but one")
        _refuse_type(frame[column], column, log)
    return named_columns(frame.reset_index(drop=True), {column: column for column in wanted}, log)


def named_columns(frame: pd.DataFrame, names: Mapping[Column, Column], log: RunLog) -> LogColumns:
    """The columns that stand under these names, as arrays; a time column may hold moments, numbers or text.

    Raises
    ------
    RunError
        A column holds text where numbers belong.
    """
    values: dict[Column, Any] = {
        column: _plain(frame[name]) if column in log.time_columns else _numbers(frame[name], column, log)
        for column, name in names.items()
    }
    coarse = [
        str(name)
        for column, name in names.items()
        if column not in log.time_columns and frame[name].dtype == np.float32
    ]
    said = (f"Stored with 24 bits of precision only: {', '.join(coarse)}.",) if coarse else ()
    line = np.arange(1, len(frame) + 1, dtype=np.int64)
    return LogColumns(log.file, without_missing_numbers(values, log), line, False, said)


def _refuse_type(values: pd.Series[Any], column: Column, log: RunLog) -> None:
    """Numbers and text, and for times moments, are what a log holds; of objects the first that is there tells."""
    import pandas as pd

    kind = values.dtype
    if isinstance(kind, pd.CategoricalDtype):
        kind = kind.categories.dtype
    first = values.dropna().head(1)
    number = pd.api.types.is_numeric_dtype(kind) and not pd.api.types.is_complex_dtype(kind)
    moment = pd.api.types.is_datetime64_any_dtype(kind) and column in log.time_columns
    objects = pd.api.types.is_object_dtype(kind)
    text = (pd.api.types.is_string_dtype(kind) or objects) and isinstance(next(iter(first), ""), str | int | float)
    if not (number or moment or text):
        held = type(first.iloc[0]).__name__ if objects and len(first) else str(kind)
        expected = "numbers, moments or text" if column in log.time_columns else "numbers"
        raise RunError(f"{log.file}: {column_label(column)} holds values of the type {held}; expected {expected}")


def _plain(values: pd.Series[Any]) -> pd.Series[Any]:
    """A column of categories as what its categories are."""
    import pandas as pd

    kind = values.dtype
    return values.astype(kind.categories.dtype) if isinstance(kind, pd.CategoricalDtype) else values


def _numbers(values: pd.Series[Any], column: Column, log: RunLog) -> NDArray[np.float64]:
    """A column as float64, whatever type it has in the frame."""
    import pandas as pd

    if pd.api.types.is_numeric_dtype(values.dtype):
        return values.to_numpy(dtype=np.float64, na_value=np.nan)
    fields = values.astype(object).where(values.notna(), "").astype(str).str.strip()
    fields = fields.where(~(fields.str.lower().isin(MISSING_WORDS) | fields.isin(log.missing)), "nan")
    numbers = pd.to_numeric(fields, errors="coerce").to_numpy(dtype=np.float64)
    fault = np.isnan(numbers) & (fields != "nan").to_numpy()
    if fault.any():
        index = int(np.argmax(fault))
        raise not_a_number(row_place(log.file, index + 1, False), column, str(fields.iloc[index]), log)
    return numbers
