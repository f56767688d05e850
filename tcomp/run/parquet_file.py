"""The wanted columns of a Parquet file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from tcomp.errors import RunError
from tcomp.job import Column, RunLog
from tcomp.run.columns import LogColumns
from tcomp.run.dialect import column_label, no_such_column, wanted_columns
from tcomp.run.frame_columns import named_columns

if TYPE_CHECKING:
    import pandas as pd


def parquet_columns(log: RunLog) -> LogColumns:
    """Read the wanted columns of a Parquet file; a time column may hold moments, numbers or text.

    Raises
    ------
    RunError
        The file cannot be read, lacks a column, or holds text where numbers belong.
    """
    return named_columns(*_read(log), log)


def _read(log: RunLog) -> tuple[pd.DataFrame, dict[Column, str]]:
    import pyarrow
    import pyarrow.parquet

    try:
        schema = pyarrow.parquet.read_schema(log.file)
        names = {column: _name(column, schema.names, log.file) for column in wanted_columns(log)}
        for name in names.values():
            _refuse_type(name, schema.types[schema.names.index(name)], log.file)
        table = pyarrow.parquet.read_table(log.file, columns=list(dict.fromkeys(names.values())))
    except OSError as error:
        raise RunError(f"{log.file}: cannot be read ({error.strerror or error}); give the path of a log") from error
    except pyarrow.ArrowException as error:
        raise RunError(f"{log.file}: is not a Parquet file that can be read ({error})") from error
    return table.to_pandas(ignore_metadata=True), names


def _refuse_type(name: str, kind: Any, path: Path) -> None:
    from pyarrow import types

    plain = kind.value_type if types.is_dictionary(kind) else kind
    if (
        types.is_nested(plain)
        or types.is_binary(plain)
        or types.is_large_binary(plain)
        or types.is_fixed_size_binary(plain)
    ):
        raise RunError(
            f"{path}: {column_label(name)} holds values of the type {kind}; expected numbers, moments or text"
        )


def parquet_names(log: RunLog) -> tuple[str, ...]:
    """The names of all columns of a Parquet file.

    Raises
    ------
    RunError
        The file cannot be read.
    """
    import pyarrow
    import pyarrow.parquet

    try:
        return tuple(pyarrow.parquet.read_schema(log.file).names)
    except OSError as error:
        raise RunError(f"{log.file}: cannot be read ({error.strerror or error}); give the path of a log") from error
    except pyarrow.ArrowException as error:
        raise RunError(f"{log.file}: is not a Parquet file that can be read ({error})") from error


def _name(column: Column, known: list[str], path: Path) -> str:
    if isinstance(column, int):
        if not 1 <= column <= len(known):
            raise RunError(f"{path}: there is no column {column}; the columns are 1 to {len(known)}")
        return known[column - 1]
    if column not in known:
        raise RunError(no_such_column(str(path), column, known))
    return column
