"""The columns of a data frame that a [[run]] block names: a frame in memory, or a Parquet file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import RunError
from tcomp.job import Column, RunLog
from tcomp.logs.columns import LogColumns, not_a_number, row_location, without_missing_numbers
from tcomp.logs.dialect import MISSING_WORDS, column_label, no_such_column, required_columns
from tcomp.logs.text import LARGEST_LOG

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow
    import pyarrow.parquet


def columns_of_frame(frame: pd.DataFrame, log: RunLog) -> LogColumns:
    """The columns of a frame that a [[run]] block names; its index counts as a column if it has a name.

    Raises
    ------
    RunError
        A column is missing, occurs twice, or holds neither numbers, timestamps nor text.
    """
    if frame.index.name is not None and frame.index.name not in frame.columns:
        frame = frame.reset_index()
    required = required_columns(log)
    labels = list(frame.columns)
    for column in required:
        if column not in labels:
            raise RunError(no_such_column(str(log.file), str(column), [str(label) for label in labels]))
        if labels.count(column) > 1:
            raise RunError(f"{log.file}: there are {labels.count(column)} columns '{column}'; rename all but one")
        _refuse_type(frame[column], column, log)
    return named_columns(frame.reset_index(drop=True), {column: column for column in required}, log)


def named_columns(frame: pd.DataFrame, names: Mapping[Column, Column], log: RunLog) -> LogColumns:
    """The columns of a frame under these names, as arrays; a time column may hold timestamps, numbers or text.

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
    remarks = (f"Stored with 24 bits of precision only: {', '.join(coarse)}.",) if coarse else ()
    line = np.arange(1, len(frame) + 1, dtype=np.int64)
    return LogColumns(log.file, without_missing_numbers(values, log), line, False, remarks)


def _refuse_type(values: pd.Series[Any], column: Column, log: RunLog) -> None:
    """Refuse a column that holds neither numbers nor text, nor, for a time, timestamps; objects are judged by the first."""
    import pandas as pd

    kind = values.dtype
    if isinstance(kind, pd.CategoricalDtype):
        kind = kind.categories.dtype
    first = values.dropna().head(1)
    number = pd.api.types.is_numeric_dtype(kind) and not pd.api.types.is_complex_dtype(kind)
    timestamp = pd.api.types.is_datetime64_any_dtype(kind) and column in log.time_columns
    objects = pd.api.types.is_object_dtype(kind)
    text = (pd.api.types.is_string_dtype(kind) or objects) and isinstance(next(iter(first), ""), str | int | float)
    if not (number or timestamp or text):
        held = type(first.iloc[0]).__name__ if objects and len(first) else str(kind)
        expected = "numbers, timestamps or text" if column in log.time_columns else "numbers"
        raise RunError(f"{log.file}: {column_label(column)} holds values of the type {held}; expected {expected}")


def _plain(values: pd.Series[Any]) -> pd.Series[Any]:
    """A column of categories with the type of its categories."""
    import pandas as pd

    kind = values.dtype
    return values.astype(kind.categories.dtype) if isinstance(kind, pd.CategoricalDtype) else values


def _numbers(values: pd.Series[Any], column: Column, log: RunLog) -> FloatArray:
    """A column as float64, whatever its type in the frame."""
    import pandas as pd

    if pd.api.types.is_numeric_dtype(values.dtype):
        return values.to_numpy(dtype=np.float64, na_value=np.nan)
    fields = values.astype(object).where(values.notna(), "").astype(str).str.strip()
    fields = fields.where(~(fields.str.lower().isin(MISSING_WORDS) | fields.isin(log.missing)), "nan")
    numbers = pd.to_numeric(fields, errors="coerce").to_numpy(dtype=np.float64)
    fault = np.isnan(numbers) & (fields != "nan").to_numpy()
    if fault.any():
        index = int(np.argmax(fault))
        raise not_a_number(row_location(log.file, index + 1, False), column, str(fields.iloc[index]), log)
    return numbers


def parquet_columns(log: RunLog) -> LogColumns:
    """Read the named columns of a Parquet file; a time column may hold timestamps, numbers or text.

    Raises
    ------
    RunError
        The file cannot be read, lacks a column, or holds text where numbers belong.
    """
    return named_columns(*_read(log), log)


LARGEST_FOOTER = 1 << 17
"""Largest number of columns, or groups of rows, that a file may list; a log has some tens."""
BATCH_ROWS = 1 << 16
"""Rows read at a time."""
DECIMAL_BYTES = 128
"""Memory of a decimal number, which is a Python object (measured with CPython 3.11: 104 and a reference)."""


def _read(log: RunLog) -> tuple[pd.DataFrame, dict[Column, str]]:
    """The named columns; their size is checked before anything is unpacked."""
    with _opened(log.file) as file:
        schema = file.schema_arrow
        names = {column: _name(column, schema.names, log.file) for column in required_columns(log)}
        once = list(dict.fromkeys(names.values()))
        kinds = {name: schema.types[schema.names.index(name)] for name in once}
        for name, kind in kinds.items():
            _refuse_stored_type(name, kind, log.file)
        size = sum(map(_bytes_of_a_value, kinds.values())) * file.metadata.num_rows
        _refuse_large(size, file, log.file)
    texts = [name for name, kind in kinds.items() if _is_text(kind)]
    # Text is read as indices into a list of distinct words, which takes no more memory than the file, until its size is known.
    with _opened(log.file, read_dictionary=texts) as file:
        table = _joined(file, kinds, size, log.file)
    return table.to_pandas(ignore_metadata=True), names


@contextmanager
def _opened(path: Path, **options: Any) -> Iterator[pyarrow.parquet.ParquetFile]:
    import pyarrow
    import pyarrow.parquet

    try:
        with pyarrow.parquet.ParquetFile(path, thrift_container_size_limit=LARGEST_FOOTER, **options) as file:
            yield file
    except OSError as error:
        raise RunError(f"{path}: cannot be read ({error.strerror or error}); give the path of a log") from error
    except pyarrow.ArrowException as error:
        raise RunError(f"{path}: is not a Parquet file that can be read ({error})") from error


def _joined(file: pyarrow.parquet.ParquetFile, kinds: dict[str, Any], size: int, path: Path) -> pyarrow.Table:
    """All rows, read in batches, unless their text makes them larger than the largest text log."""
    import pyarrow

    parts = []
    for batch in file.iter_batches(BATCH_ROWS, columns=list(kinds)):
        size += sum(_length_of_words(batch.column(name)) for name in kinds)
        _refuse_large(size, file, path)
        plain = {
            name: batch.column(name).cast(kind) if _is_text(kind) else batch.column(name)
            for name, kind in kinds.items()
        }
        parts.append(pyarrow.RecordBatch.from_pydict(plain))
    return pyarrow.Table.from_batches(parts, None if parts else pyarrow.schema(list(kinds.items())))


def _length_of_words(values: Any) -> int:
    """Bytes of the text of a column, each word counted as often as it is used; 0 for numbers."""
    import pyarrow.compute as pc
    from pyarrow import types

    if not types.is_dictionary(values.type) or not _is_text(values.type.value_type):
        return 0
    return int(pc.sum(pc.binary_length(values.dictionary).take(values.indices)).as_py() or 0)


def _refuse_large(size: int, file: pyarrow.parquet.ParquetFile, path: Path) -> None:
    if size > LARGEST_LOG:
        raise RunError(
            f"{path}: its {file.metadata.num_rows} rows would hold more than {LARGEST_LOG >> 20} MiB in the columns that are "
            "read; split it at a pause, and give a [[run]] for each part"
        )


def _is_text(kind: Any) -> bool:
    from pyarrow import types

    return bool(types.is_string(kind) or types.is_large_string(kind))


def _bytes_of_a_value(kind: Any) -> int:
    """Least size of a value in memory; text is counted when it is read."""
    from pyarrow import types

    plain = kind.value_type if types.is_dictionary(kind) else kind
    return 1 if _is_text(plain) else DECIMAL_BYTES if types.is_decimal(plain) else 8


def _refuse_stored_type(name: str, kind: Any, path: Path) -> None:
    from pyarrow import types

    plain = kind.value_type if types.is_dictionary(kind) else kind
    if (
        types.is_nested(plain)
        or types.is_binary(plain)
        or types.is_large_binary(plain)
        or types.is_fixed_size_binary(plain)
    ):
        raise RunError(
            f"{path}: {column_label(name)} holds values of the type {kind}; expected numbers, timestamps or text"
        )


def parquet_names(log: RunLog) -> tuple[str, ...]:
    """The names of all columns of a Parquet file.

    Raises
    ------
    RunError
        The file cannot be read.
    """
    with _opened(log.file) as file:
        return tuple(file.schema_arrow.names)


def _name(column: Column, known: list[str], path: Path) -> str:
    if isinstance(column, int):
        if not 1 <= column <= len(known):
            raise RunError(f"{path}: there is no column {column}; the columns are 1 to {len(known)}")
        return known[column - 1]
    if column not in known:
        raise RunError(no_such_column(str(path), column, known))
    return column
