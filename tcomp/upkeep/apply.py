"""The lines of a log as they stand, with more fields behind each row."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.estimation.curve import Curve
from tcomp.files import csv_field
from tcomp.job import Sensor
from tcomp.logs.dialect import fields_of
from tcomp.logs.stream import Chunk, LogStream
from tcomp.tables import CorrectionTable
from tcomp.units import true_frequency, true_interval
from tcomp.upkeep.calibration import Calibration, subject_of
from tcomp.upkeep.corrector import NO_READING, STATES, Corrector, Offsets
from tcomp.upkeep.time_error import TimeIntegral

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

    def lines(self, chunk: Chunk, value: Floats, u: Floats, state: NDArray[np.int8], *, dates: bool = False) -> bytes:
        """Text of a chunk, comments and header too; ``value``, ``u`` and ``state`` have an entry for each row; ``dates``: values
        are Unix times, written as dates in UTC."""
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
            padding,
            self._dates(value) if dates else self._text(value, DIGITS),
            self._text(u, U_DIGITS),
            words,
            self._separator,
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

    def _dates(self, values: Floats) -> Any:
        """Unix times as ISO 8601 to the microsecond; nothing where there is none."""
        import pyarrow as pa
        import pyarrow.compute as pc

        known = np.isfinite(values)
        whole = np.rint(np.where(known, values, 0.0) * 1e6).astype(np.int64)
        stamps = pa.array(whole, mask=~known).cast(pa.timestamp("us"))
        text = pc.binary_join_element_wise(stamps.cast(pa.string()), "Z", "")
        return pc.replace_substring(text, " ", "T").fill_null("")

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


if TYPE_CHECKING:
    import pandas as pd

Quantity = Literal["frequency", "interval", "times"]


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
    return sensor.standard_uncertainty_c


def corrected(
    promised: Curve | CorrectionTable | Calibration,
    frame: pd.DataFrame,
    *,
    frequency: str | None = None,
    interval: str | None = None,
    temperature: str = "temperature_c",
    time: str | None = "time_s",
    sensor_u_c: float = 0.0,
    regressors: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Correct the readings in a frame.

    Parameters
    ----------
    promised : Curve, CorrectionTable or Calibration
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
    regressors : mapping, default=None
        Columns with quantities besides temperature, by the names of [[regressor]]; one that is left out is taken to be at its
        reference.

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
    >>> from tcomp.tables import StepLayout, TemperatureScale
    >>> table = CorrectionTable(
    ...     layout=StepLayout(count=2, first_code=0, step_log2=9, interpolation="linear"),
    ...     scale=TemperatureScale(16), low_code=0, high_code=512, entry_bits=16, unit_log2_ppt=6,
    ...     entries=(15625, 15625), max_error_ppb=1.7320508, rms_error_ppb=1.0)
    >>> shown = pd.DataFrame({"time_s": [0.0, 1.0], "temperature_c": [20.0, 40.0], "shown_hz": [9_999_990.0, 9_999_990.0]})
    >>> corrected(table, shown, frequency="shown_hz").iloc[:, 3:]
       shown_hz_true  shown_hz_u          state
    0   1.000000e+07        0.01             ok
    1   1.000000e+07         NaN  outside range
    >>> print(corrected(table, shown, frequency="shown_hz").shown_hz_true[0])
    9999999.99999
    """
    column, quantity = _one_of(frequency, interval)
    beside = dict(regressors or {})
    for name in (column, temperature, time, *beside.values()):
        if name is not None and name not in frame.columns:
            raise RunError(f"the frame has no column '{name}'; its columns are {', '.join(map(str, frame.columns))}")
    corrector = Corrector(subject_of(promised), sensor_u_c=sensor_u_c, timed=time is not None)
    sensor_c = frame[temperature].to_numpy(dtype=np.float64)
    time_s = frame[time].to_numpy(dtype=np.float64) if time is not None else np.full(sensor_c.size, np.nan)
    values = {name: frame[own].to_numpy(dtype=np.float64) for name, own in beside.items()}
    offsets = corrector.offsets(time_s, sensor_c, regressors=values)
    found = corrected_values(frame[column].to_numpy(dtype=np.float64), offsets, quantity)
    states = np.array(STATES, dtype=object)[found.state]
    return frame.assign(**{f"{column}_true": found.value, f"{column}_u": found.u, "state": states})


def corrected_values(reading: Floats, offsets: Offsets, quantity: Quantity) -> Corrected:
    """True values of readings: a frequency times 1 + y, an interval over it."""
    offset_ppb = offsets.offset_ppb
    value = (true_frequency if quantity == "frequency" else true_interval)(reading, offset_ppb)
    state = np.where(np.isnan(reading), np.maximum(offsets.state, np.int8(NO_READING)), offsets.state)
    return Corrected(value, np.abs(value) * (offsets.u_ppb / (1e9 + offset_ppb)), state.astype(np.int8))


def corrected_lines(
    stream: LogStream, corrector: Corrector, quantity: Quantity, tally: Tally, integral: TimeIntegral | None = None
) -> Iterator[bytes]:
    """The log's own text, with three more fields in each row: true value, standard uncertainty, state; of times by ``integral``.

    Raises
    ------
    RunError
        The log has such columns already, or a field cannot be read.
    """
    writer = LineWriter(stream, str(stream.reading), STATES)
    for chunk, following in _with_next(stream.chunks()):
        ahead = (following.time_s, following.temperature_c) if following is not None else None
        offsets = corrector.offsets(chunk.time_s, chunk.temperature_c, ahead, chunk.regressors)
        if integral is None:
            found = corrected_values(chunk.reading, offsets, quantity)
        else:
            beyond_ppb = corrector.beyond_ppb(chunk.temperature_c)
            found = Corrected(*integral.follow(chunk.time_s, offsets, beyond_ppb))
        tally.count(chunk, offsets, found)
        yield writer.lines(chunk, found.value, found.u, found.state, dates=integral is not None and stream.has_dates)


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
