"""A log file becomes a run: columns, times and offsets, nothing removed."""

from __future__ import annotations

import numpy as np

from tcomp.errors import RunError
from tcomp.job import Oscillator, RunLog, Sensor
from tcomp.run.columns import LogColumns
from tcomp.run.dialect import fields_of, find_dialect
from tcomp.run.log_text import read_text
from tcomp.run.parquet_file import parquet_columns, parquet_names
from tcomp.run.quantity import intervals_of_phase, offsets_of, refuse_wrong_nominal
from tcomp.run.record import RawRun, frame_of
from tcomp.run.sensor import fahrenheit_remark, temperature_c_of
from tcomp.run.text_rows import text_columns
from tcomp.run.time_stamps import times_of


def read_run(log: RunLog, oscillator: Oscillator, sensor: Sensor | None = None) -> RawRun:
    """Read one log as its [[run]] block describes it.

    A row with too few fields lacks its last values and is dropped by the cleaning as "not a number",
    as are empty fields, nan, NA, null and the words in ``missing``; any other text is an error.

    Parameters
    ----------
    log : RunLog
        The block; ``file`` is opened as it stands.
    oscillator : Oscillator
        For its nominal frequency. [Hz]
    sensor : Sensor, default=None
        What the temperature column holds; None: degC, taken as they stand.

    Returns
    -------
    RawRun
        One row for each row of the log; for a phase column, one for each interval between rows that
        is not a gap, at the interval's middle, with the line of its end.

    Raises
    ------
    RunError
        The file cannot be read or understood, its offsets are such that the nominal frequency or the
        unit must be wrong, or its temperatures such that it is another kind of sensor.
    """
    columns = parquet_columns(log) if log.file.suffix.lower() == ".parquet" else text_columns(log)
    return run_of_columns(columns, log, oscillator, sensor)


def run_of_columns(columns: LogColumns, log: RunLog, oscillator: Oscillator, sensor: Sensor | None) -> RawRun:
    """The run that the columns of a log, or of a part of it, hold.

    Raises
    ------
    RunError
        As `read_run`.
    """
    if not len(columns.line):
        raise RunError(f"{log.file}: holds no rows; expected one row for each sample")
    time_s, time_kind, said = times_of(columns, log)
    temperature_c = np.asarray(columns.values[log.temperature], dtype=np.float64)
    if sensor is not None:
        temperature_c = temperature_c_of(columns, log, sensor)
        said = (*said, *fahrenheit_remark(temperature_c, sensor, log.temperature))
    line = columns.line
    if log.phase is not None:
        phase_s = np.asarray(columns.values[log.phase], dtype=np.float64)
        time_s, temperature_c, offset_ppb, end = intervals_of_phase(time_s, temperature_c, phase_s, log.role)
        line = line[end]
    else:
        offset_ppb = offsets_of(columns.values, log, oscillator)
    refuse_wrong_nominal(offset_ppb, columns.values, log, oscillator)
    frame = frame_of(time_s, temperature_c, offset_ppb, line)
    return RawRun(log.file.name, frame, time_kind, (*columns.assumptions, *said))


def column_names(log: RunLog) -> tuple[str, ...]:
    """All names in the header of a log, which holds the columns that the block names.

    Raises
    ------
    RunError
        The file cannot be read, or no line of it holds these columns.
    """
    if log.file.suffix.lower() == ".parquet":
        return parquet_names(log)
    text = read_text(log.file)
    dialect = find_dialect(text, log)
    return tuple(fields_of(text.line(dialect.header_line).lstrip("# \t"), dialect.separator))
