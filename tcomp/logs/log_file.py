"""A log file becomes a run: its columns are read and converted, and nothing is removed."""

from __future__ import annotations

from typing import Any

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import RunError
from tcomp.job import Column, Oscillator, RunLog, Sensor
from tcomp.logs.clock_offset import aligned
from tcomp.logs.columns import LogColumns, refuse_other_units, text_columns
from tcomp.logs.dialect import fields_of, find_dialect
from tcomp.logs.events import rows_of_events
from tcomp.logs.frames import parquet_columns, parquet_names
from tcomp.logs.neighbours import quantum_of
from tcomp.logs.quantities import intervals_of_phase, offsets_of, phase_departure_s, refuse_wrong_nominal, unit_warnings
from tcomp.logs.record import REGRESSOR, RawRun, frame_of
from tcomp.logs.temperature_file import read_temperatures
from tcomp.logs.temperatures import sensor_warnings, temperature_c_of
from tcomp.logs.text import read_text
from tcomp.logs.times import Times, Unwrapper, doubtful_times, is_newest_first, times_of, wrap_remark


def read_run(log: RunLog, oscillator: Oscillator, sensor: Sensor | None = None) -> RawRun:
    """Read one log as its [[run]] block describes it.

    Values are missing where a row has too few fields, and where a field is empty, nan, NA, null or a word of ``missing``;
    cleaning drops them as "not a number".  Any other text is an error.

    Parameters
    ----------
    log : RunLog
        The block; the path ``file`` is used unchanged.
    oscillator : Oscillator
        For its nominal frequency. [Hz]
    sensor : Sensor, default=None
        What the temperature column holds; None: degC, without any check.

    Returns
    -------
    RawRun
        One row for each row of the log; of a phase column one for each interval between rows, without gaps, at the middle of
        the interval and with the line of its end.

    Raises
    ------
    RunError
        The file cannot be read or understood, its offsets show that the nominal frequency or a unit is wrong, or its
        temperatures that it is another kind of sensor.
    """
    columns = columns_of(log)
    if log.temperature_file is not None:
        return _joined_run(columns, log, oscillator, sensor or Sensor())
    return run_of_columns(columns, log, oscillator, sensor)


def columns_of(log: RunLog) -> LogColumns:
    """The named columns of a log, whatever its kind of file.

    Raises
    ------
    RunError
        The file cannot be read, a column is missing, or holds text where numbers belong.
    """
    return parquet_columns(log) if log.file.suffix.lower() == ".parquet" else text_columns(log)


def run_of_columns(columns: LogColumns, log: RunLog, oscillator: Oscillator, sensor: Sensor | None) -> RawRun:
    """The run in the columns of a log, or of a part of it.

    Raises
    ------
    RunError
        As `read_run`.
    """
    _refuse_empty(columns, log)
    refuse_other_units(columns, log, sensor)
    times = times_of(columns, log)
    time_s, assumptions, warnings = _in_order(times, columns)
    temperature_c = np.asarray(columns.values[log.temperature], dtype=np.float64)
    if sensor is not None:
        temperature_c = temperature_c_of(columns, log, sensor)
        warnings = (*warnings, *sensor_warnings(temperature_c, sensor, log.temperature))
    if times.kind in ("elapsed", "interval") and (warning := doubtful_times(time_s, temperature_c)):
        warnings = (*warnings, warning)
    line, values = columns.line, columns.values
    if is_newest_first(time_s):
        time_s, temperature_c, line = time_s[::-1], temperature_c[::-1], line[::-1]
        values = {column: value[::-1] for column, value in values.items()}
        assumptions = (*assumptions, "The newest row comes first, so the log was reversed.")
    quantum_c = None
    regressors = _regressors(values, log)
    if log.event is not None and log.period_s is not None:
        own = rows_of_events(time_s, temperature_c, line, log.period_s, log.file, regressors)
        refuse_wrong_nominal(own.offset_ppb, values, log, oscillator)
        return RawRun(
            log.file.name, own.frame(log.role), times.kind, (*columns.assumptions, *assumptions, *own.remarks), warnings,
            quantum_of(temperature_c[np.isfinite(temperature_c)]),
        )  # fmt: skip
    if log.phase is not None:
        quantum_c = quantum_of(temperature_c[np.isfinite(temperature_c)])
        phase_s, phase_remarks = phase_departure_s(values[log.phase], line, time_s, log, oscillator)
        assumptions = (*assumptions, *phase_remarks)
        regressors = _means_over_intervals(regressors, time_s, phase_s, log.role)
        time_s, temperature_c, offset_ppb, end = intervals_of_phase(time_s, temperature_c, phase_s, log.role)
        line = line[end]
    else:
        offset_ppb = offsets_of(values, log, oscillator)
    refuse_wrong_nominal(offset_ppb, values, log, oscillator)
    warnings = (*warnings, *unit_warnings(offset_ppb, values, log))
    frame = frame_of(time_s, temperature_c, offset_ppb, line).assign(**regressors)
    return RawRun(log.file.name, frame, times.kind, (*columns.assumptions, *assumptions), warnings, quantum_c)


def _regressors(values: dict[Column, Any], log: RunLog) -> dict[str, FloatArray]:
    """The columns of [[regressor]], as those of a frame."""
    return {REGRESSOR + one.name: np.asarray(values[one.column], dtype=np.float64) for one in log.regressors}


def _means_over_intervals(
    regressors: dict[str, FloatArray], time_s: FloatArray, phase_s: FloatArray, role: str
) -> dict[str, FloatArray]:
    """Means over the intervals between rows, as the temperature's."""
    return {name: intervals_of_phase(time_s, value, phase_s, role)[1] for name, value in regressors.items()}


def _in_order(times: Times, columns: LogColumns) -> tuple[FloatArray, tuple[str, ...], tuple[str, ...]]:
    """The times, continued where the clock wraps; what was assumed; and what is likely wrong."""
    clock = Unwrapper(times.wrap_s, loose=times.has_no_date)
    if is_newest_first(times.seconds):
        time_s = clock.follow(times.seconds[::-1])[::-1]
        first = None if clock.first is None else len(time_s) - 1 - clock.first
    else:
        time_s = clock.follow(times.seconds)
        first = clock.first
    assumptions = times.assumptions
    if first is not None:
        assumptions = (*assumptions, f"{wrap_remark(times)}, first at line {columns.line[first]}.")
    return time_s, assumptions, times.warnings


def _refuse_empty(columns: LogColumns, log: RunLog) -> None:
    if not len(columns.line):
        raise RunError(f"{log.file}: holds no rows; expected one row for each sample")


def _joined_run(columns: LogColumns, log: RunLog, oscillator: Oscillator, sensor: Sensor) -> RawRun:
    """The run of a log whose temperatures are in a second one, interpolated at the times of its rows."""
    _refuse_empty(columns, log)
    series = read_temperatures(log, sensor, columns_of)
    times = times_of(columns, log)
    time_s, assumptions, warnings = _in_order(times, columns)
    line, values = columns.line, columns.values
    if is_newest_first(time_s):
        time_s, line = time_s[::-1], line[::-1]
        values = {column: value[::-1] for column, value in values.items()}
        assumptions = (*assumptions, "The newest row comes first, so the log was reversed.")
    starts_s = ends_s = time_s
    regressors = _regressors(values, log)
    if log.phase is not None:
        phase_s, phase_remarks = phase_departure_s(values[log.phase], line, time_s, log, oscillator)
        assumptions = (*assumptions, *phase_remarks)
        rows_s = time_s
        regressors = _means_over_intervals(regressors, rows_s, phase_s, log.role)
        time_s, _, offset_ppb, end = intervals_of_phase(rows_s, np.zeros_like(rows_s), phase_s, log.role)
        starts_s, ends_s, line = rows_s[end - 1], rows_s[end], line[end]
    else:
        offset_ppb = offsets_of(values, log, oscillator)
    refuse_wrong_nominal(offset_ppb, values, log, oscillator)
    warnings = (*warnings, *unit_warnings(offset_ppb, values, log))
    joined, how = aligned(series, time_s, offset_ppb, times.kind, log)
    # A frequency belongs to a time; a phase gives the mean over an interval, so the temperature must be a mean as well.
    temperature_c = joined.at_c(time_s) if log.phase is None else joined.mean_c(starts_s, ends_s)
    lost = int(np.sum(np.isfinite(time_s) & ~np.isfinite(temperature_c)))
    if lost:
        how = (
            f"{how} {lost} of {len(time_s)} rows have no temperature, as they lie outside {series.name} or in its gaps."
        )
    frame = frame_of(time_s, temperature_c, offset_ppb, line).assign(**regressors)
    assumptions = (*columns.assumptions, *assumptions, *series.assumptions, how)
    return RawRun(
        log.file.name, frame, times.kind, assumptions, (*warnings, *series.warnings), quantum_c=series.quantum_c
    )


def temperature_columns(log: RunLog) -> tuple[str, ...]:
    """All names in the header of the file with the temperatures of a [[run]] block; none where it has no header.

    Raises
    ------
    RunError
        The file cannot be read.
    """
    if isinstance(log.temperature, int):
        return ()
    if log.temperature_file is None:
        return column_names(log)
    return column_names(RunLog(log.temperature_file, log.temperature, log.temperature_time))


def column_names(log: RunLog) -> tuple[str, ...]:
    """All names in the header of a log that has the columns of the block.

    Raises
    ------
    RunError
        The file cannot be read, or no line of it names these columns.
    """
    if log.file.suffix.lower() == ".parquet":
        return parquet_names(log)
    text = read_text(log.file)
    dialect = find_dialect(text, log)
    return tuple(fields_of(text.line(dialect.header_line).lstrip("# \t"), dialect.separator))
