"""Readings of an instrument whose firmware cannot be changed, corrected after the fact.

From a log file to a log file, of any length (`corrected_lines`), or on a frame (`corrected`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.curve import Curve
from tcomp.decision.corrected_text import LineWriter
from tcomp.decision.corrector import NO_READING, STATES, Corrector, Offsets
from tcomp.decision.subject import Subject, subject_of
from tcomp.errors import RunError
from tcomp.job import Sensor
from tcomp.run.log_stream import Chunk, LogStream
from tcomp.table import CorrectionTable
from tcomp.units import true_frequency, true_interval

if TYPE_CHECKING:
    import pandas as pd

Floats = NDArray[np.float64]
Quantity = Literal["frequency", "interval"]


@dataclass(frozen=True, eq=False)
class Corrected:
    """True values, their standard uncertainties (NaN where unknown) and states, shape (n,); in the reading's unit."""

    value: Floats
    u: Floats
    state: NDArray[np.int8]


@dataclass
class Tally:
    """What happened to a log: counted as it passes."""

    rows: int = 0
    states: NDArray[np.int64] = field(default_factory=lambda: np.zeros(len(STATES), dtype=np.int64))
    offset_ppb: tuple[float, float] = (math.inf, -math.inf)
    u_ppb: tuple[float, float] = (math.inf, -math.inf)
    time_s: tuple[float, float] = (math.inf, -math.inf)

    def count(self, chunk: Chunk, offsets: Offsets, corrected: Corrected) -> None:
        """Take a batch into account."""
        self.rows += corrected.state.size
        self.states += np.bincount(corrected.state, minlength=len(STATES))
        self.offset_ppb = _widened(self.offset_ppb, offsets.offset_ppb)
        self.u_ppb = _widened(self.u_ppb, offsets.u_ppb)
        self.time_s = _widened(self.time_s, chunk.time_s)


def sensor_u_c(sensor: Sensor) -> float:
    """Standard uncertainty of a reading: the sensor's steps (rectangular) and its noise, as far as the job tells. [degC]

    >>> round(sensor_u_c(Sensor(resolution_c=0.0625)), 4)
    0.018
    """
    return math.hypot((sensor.resolution_c or 0.0) / math.sqrt(12), sensor.sigma_c or 0.0)


def corrected(
    promised: Curve | CorrectionTable | Subject,
    frame: pd.DataFrame,
    *,
    frequency: str | None = None,
    interval: str | None = None,
    temperature: str = "temperature_c",
    time: str | None = "time_s",
    sensor_u_c: float = 0.0,
) -> pd.DataFrame:
    """Correct the readings in a frame.

    Parameters
    ----------
    promised : Curve, CorrectionTable or Subject
        What is known of the instrument's timebase.
    frame : pandas.DataFrame
        One row per reading, in the order of time.
    frequency, interval : str
        Column with what the instrument shows, in any unit; give one of them.
    temperature, time : str, default="temperature_c", "time_s"
        Columns with the sensor's temperature [degC] and the time [s]; None: there is no time, and the crystal is
        taken to be as warm as its sensor.
    sensor_u_c : float, default=0.0
        Standard uncertainty of a temperature. [degC]

    Returns
    -------
    pandas.DataFrame
        The same, with three more columns: ``COLUMN_true`` and ``COLUMN_u`` in the reading's unit, and ``state``.

    Raises
    ------
    RunError
        A column is not there, or neither or both of frequency and interval are given.

    Examples
    --------
    A timebase that is 1000 ppb fast shows too little; 10 MHz to within its own 1 ppb:

    >>> import pandas as pd
    >>> from tcomp.table import StepTable, TemperatureScale
    >>> table = StepTable(
    ...     scale=TemperatureScale(16), low_code=0, high_code=512, first_code=0, step_log2=9, entry_bits=16,
    ...     unit_log2_ppt=6, interpolation="linear", entries=(15625, 15625), max_error_ppb=1.7320508, rms_error_ppb=1.0)
    >>> shown = pd.DataFrame({"time_s": [0.0, 1.0], "temperature_c": [20.0, 40.0], "shown_hz": [9_999_990.0, 9_999_990.0]})
    >>> corrected(table, shown, frequency="shown_hz").iloc[:, 3:]
       shown_hz_true  shown_hz_u          state
    0   1.000000e+07        0.01             ok
    1   1.000000e+07         NaN  outside range
    >>> print(corrected(table, shown, frequency="shown_hz").shown_hz_true[0])
    9999999.99999
    """
    column, quantity = _one_of(frequency, interval)
    for name in (column, temperature, time):
        if name is not None and name not in frame.columns:
            raise RunError(f"the frame has no column '{name}'; its columns are {', '.join(map(str, frame.columns))}")
    corrector = Corrector(subject_of(promised), sensor_u_c=sensor_u_c, timed=time is not None)
    sensor_c = frame[temperature].to_numpy(dtype=np.float64)
    time_s = frame[time].to_numpy(dtype=np.float64) if time is not None else np.full(sensor_c.size, np.nan)
    found = corrected_values(frame[column].to_numpy(dtype=np.float64), corrector.offsets(time_s, sensor_c), quantity)
    states = np.array(STATES, dtype=object)[found.state]
    return frame.assign(**{f"{column}_true": found.value, f"{column}_u": found.u, "state": states})


def corrected_values(reading: Floats, offsets: Offsets, quantity: Quantity) -> Corrected:
    """True values of readings: a frequency times 1 + y, an interval over it."""
    offset_ppb = offsets.offset_ppb
    value = (true_frequency if quantity == "frequency" else true_interval)(reading, offset_ppb)
    state = np.where(np.isnan(reading), np.maximum(offsets.state, np.int8(NO_READING)), offsets.state)
    return Corrected(value, np.abs(value) * (offsets.u_ppb / (1e9 + offset_ppb)), state.astype(np.int8))


def corrected_lines(stream: LogStream, corrector: Corrector, quantity: Quantity, tally: Tally) -> Iterator[bytes]:
    """The log's own text, with three more fields in each row: true value, standard uncertainty, state.

    Raises
    ------
    RunError
        The log has such columns already, or a field cannot be read.
    """
    writer = LineWriter(stream, str(stream.reading), STATES)
    for chunk, following in _with_next(stream.chunks()):
        ahead = (following.time_s, following.temperature_c) if following is not None else None
        offsets = corrector.offsets(chunk.time_s, chunk.temperature_c, ahead)
        found = corrected_values(chunk.reading, offsets, quantity)
        tally.count(chunk, offsets, found)
        yield writer.lines(chunk, found.value, found.u, found.state)


def _with_next(chunks: Iterator[Chunk]) -> Iterator[tuple[Chunk, Chunk | None]]:
    before: Chunk | None = None
    for chunk in chunks:
        if before is not None:
            yield before, chunk
        before = chunk
    if before is not None:
        yield before, None


def _widened(ends: tuple[float, float], values: Floats) -> tuple[float, float]:
    finite = values[np.isfinite(values)]
    return (min(ends[0], float(finite.min())), max(ends[1], float(finite.max()))) if finite.size else ends


def _one_of(frequency: str | None, interval: str | None) -> tuple[str, Quantity]:
    if (frequency is None) == (interval is None):
        raise RunError("expected the column of a reading as either frequency or interval; give one of them")
    return (frequency, "frequency") if frequency is not None else (str(interval), "interval")
