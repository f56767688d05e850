"""The log: defects of the readings on their way into a file, and the text of the file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tcomp.errors import JobError
from tcomp.units import PPB_PER_UNIT, offset_ppb_of_frequency

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Stretch:
    """A part of a run, by its time from the start of the run. [s]"""

    start_s: float
    length_s: float


@dataclass(frozen=True)
class Defects:
    """Defects of the log of a run; single rows are drawn at random, stretches are given.

    Parameters
    ----------
    gaps : tuple of Stretch
        The logger was off: no rows. [s]
    stuck : tuple of Stretch
        The temperature column repeats its last value. [s]
    missing_readings, missing_temperatures : int
        Rows without a number.
    fill : float
        Value in place of a missing number; NaN for nothing.
    repeated_stamps, backward_stamps : int
        Rows stamped as the row before them, and rows stamped earlier than that.
    backward_s : float
        How far the clock goes back in a row stamped backward. [s]
    """

    gaps: tuple[Stretch, ...] = ()
    stuck: tuple[Stretch, ...] = ()
    missing_readings: int = 0
    missing_temperatures: int = 0
    fill: float = math.nan
    repeated_stamps: int = 0
    backward_stamps: int = 0
    backward_s: float = 30.0

    def spoil(
        self, log: pd.DataFrame, truth: pd.DataFrame, random: np.random.RandomState
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Log and truth after the defects, row by row.

        Parameters
        ----------
        log : DataFrame with columns time_s, temperature_c, reading_hz
            Readings as measured. [s, degC, Hz]
        truth : DataFrame with columns time_s, elapsed_s, and everything else known of each row
            The same rows.
        random : RandomState
            Draws the rows.

        Returns
        -------
        log, truth : DataFrame
            Rows in gaps are gone; truth has gained the columns stuck, missing, misstamped.

        Raises
        ------
        JobError
            A stuck stretch lies outside the run, or more rows are to be spoilt than there are.

        Examples
        --------
        >>> log = pd.DataFrame({"time_s": [0.0, 10.0, 20.0, 30.0], "temperature_c": [1.0, 2.0, 3.0, 4.0],
        ...                     "reading_hz": [5.0, 6.0, 7.0, 8.0]})
        >>> truth = log[["time_s"]].assign(elapsed_s=log["time_s"])
        >>> late, _ = Defects(gaps=(Stretch(5.0, 10.0),), stuck=(Stretch(20.0, 20.0),)).spoil(
        ...     log, truth, np.random.RandomState(1))
        >>> late["temperature_c"].tolist()
        [1.0, 3.0, 3.0]
        """
        logged = ~_inside(truth["elapsed_s"].to_numpy(), self.gaps)
        log, truth = log[logged].reset_index(drop=True), truth[logged].reset_index(drop=True)
        elapsed_s = truth["elapsed_s"].to_numpy()
        repeated, backward, no_reading, no_temperature = self._drawn_rows(len(log), random)
        stamps_s = log["time_s"].to_numpy(copy=True)
        stamps_s[repeated] = stamps_s[repeated - 1]
        stamps_s[backward] -= self.backward_s
        log["time_s"] = stamps_s
        log["temperature_c"] = self._stuck_c(log["temperature_c"].to_numpy(), elapsed_s)
        truth["stuck"] = _inside(elapsed_s, self.stuck)
        log.loc[no_reading, "reading_hz"] = self.fill
        log.loc[no_temperature, "temperature_c"] = self.fill
        truth["missing"] = np.isin(np.arange(len(log)), np.concatenate([no_reading, no_temperature]))
        truth["misstamped"] = np.isin(np.arange(len(log)), np.concatenate([repeated, backward]))
        return log, truth

    def _drawn_rows(self, count: int, random: np.random.RandomState) -> list[NDArray[np.int_]]:
        # The first row is left as it is: there is no row before it to repeat.
        shuffled = 1 + random.permutation(count - 1)
        ends = np.cumsum([self.repeated_stamps, self.backward_stamps, self.missing_readings, self.missing_temperatures])
        if ends[-1] > len(shuffled):
            raise JobError(
                f"simulation: {ends[-1]} rows are to be spoilt in a log of {count}; "
                "make the run longer, or ask for fewer"
            )
        return np.split(shuffled, ends)[:4]

    def _stuck_c(self, temperature_c: FloatArray, elapsed_s: FloatArray) -> FloatArray:
        stuck_c = temperature_c.copy()
        for stretch in self.stuck:
            rows = np.flatnonzero(_inside(elapsed_s, (stretch,)))
            if len(rows) == 0:
                raise JobError(
                    f"simulation: no row lies in the stuck stretch of {stretch.length_s:g} s from "
                    f"{stretch.start_s:g} s; place it inside the run"
                )
            stuck_c[rows] = temperature_c[rows[0]]
        return stuck_c


def _inside(elapsed_s: FloatArray, stretches: tuple[Stretch, ...]) -> BoolArray:
    inside = np.zeros(len(elapsed_s), dtype=np.bool_)
    for stretch in stretches:
        inside |= (elapsed_s >= stretch.start_s) & (elapsed_s < stretch.start_s + stretch.length_s)
    return inside


@dataclass(frozen=True)
class LogStyle:
    """How the logger writes its file.

    Parameters
    ----------
    time_column, temperature_column, reading_column : str
        Names in the header.
    reading_unit : "Hz" or "ppm"
        The reading itself, or its departure from the nominal.
    temperature_digits, reading_digits : int
        Digits behind the decimal mark.
    time_format : str
        Of the time stamps, which count UTC.
    separator, decimal : str
        Between the fields, and in the numbers.
    remarks : tuple of str
        Lines above the header, written behind "# ".
    """

    time_column: str = "utc"
    temperature_column: str = "temperature_c"
    reading_column: str = "frequency_hz"
    reading_unit: Literal["Hz", "ppm"] = "Hz"
    temperature_digits: int = 4
    reading_digits: int = 4
    time_format: str = "%Y-%m-%dT%H:%M:%SZ"
    separator: str = ","
    decimal: str = "."
    remarks: tuple[str, ...] = ()

    def text(self, log: pd.DataFrame, nominal_hz: float) -> str:
        """The file's text for a log with the columns time_s, temperature_c, reading_hz.

        Examples
        --------
        >>> log = pd.DataFrame({"time_s": [0.0], "temperature_c": [21.5], "reading_hz": [np.nan]})
        >>> print(LogStyle(separator=";", decimal=",").text(log, 10e6), end="")
        utc;temperature_c;frequency_hz
        1970-01-01T00:00:00Z;21,5000;
        """
        reading = log["reading_hz"].to_numpy()
        if self.reading_unit == "ppm":
            reading = offset_ppb_of_frequency(reading, nominal_hz) / PPB_PER_UNIT["ppm"]
        lines = [f"# {remark}" for remark in self.remarks]
        lines.append(self.separator.join([self.time_column, self.temperature_column, self.reading_column]))
        for time_s, temperature_c, value in zip(log["time_s"], log["temperature_c"], reading, strict=True):
            lines.append(
                self.separator.join(
                    [
                        datetime.fromtimestamp(time_s, UTC).strftime(self.time_format),
                        self._number(temperature_c, self.temperature_digits),
                        self._number(value, self.reading_digits),
                    ]
                )
            )
        return "\n".join(lines) + "\n"

    def _number(self, value: float, digits: int) -> str:
        if math.isnan(value):
            return ""
        # A fill value such as 9.9e37 would otherwise fill the line with digits.
        text = f"{value:z.{digits}f}" if abs(value) < 1e15 else f"{value:.9e}"
        return text.replace(".", self.decimal)
