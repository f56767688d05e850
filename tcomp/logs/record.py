"""A logged run as plain data: as read, and as cleaned.

Examples
--------
>>> from tcomp.logs.cleaning import clean_run
>>> from tcomp.logs.record import RawRun, frame_of
>>> raw = RawRun("bench.csv", frame_of([0, 10, 20], [24.0, 24.5, 25.0], [80.0, float("nan"), 82.0]), "elapsed", ())
>>> clean = clean_run(raw)
>>> clean.dropped_counts, len(clean.kept), clean.interval_s
({'not a number': 1}, 2, 20.0)
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike

if TYPE_CHECKING:
    import pandas as pd

TimeKind = Literal["clock", "interval", "elapsed", "none"]
"""Where the times come from: a clock, the job's interval, seconds since a start; none: the rows are unordered."""

CELL_COLUMNS = ("samples", "noise_ppb", "slope_ppb_per_s", "spread_s", "farthest_ppb")
"""Further columns of the frame of a run whose rows are cells of many samples each."""

EVENT_COLUMNS = ("interval_s", "start_u_ns", "end_u_ns")
"""Further columns of the frame of a run of a clock's events: a row's length [s], and the standard deviations of white phase noise
at both of its ends [ns]."""

REGRESSOR = "regressor: "
"""Further columns of the frame of a run: this with the name of each [[regressor]], which has values for each row."""

GAP_INTERVALS = 5.0
"""An interval longer than this many median intervals is a gap."""


def frame_of(
    time_s: ArrayLike, temperature_c: ArrayLike, offset_ppb: ArrayLike, line: ArrayLike | None = None
) -> pd.DataFrame:
    """Samples as the frame of a run.

    Parameters
    ----------
    time_s : array-like of shape (n,)
        Unix time, or time since a start. [s] NaN where there is none.
    temperature_c : array-like of shape (n,)
        Reading of the sensor; infinite where the sensor cannot have the raw value. [degC]
    offset_ppb : array-like of shape (n,)
        Fractional frequency offset, positive when the oscillator is fast. [ppb]
    line : array-like of shape (n,), default=None
        Line of the file that holds the sample, or the row number where the file has no lines; None: counted from 1.
    """
    import pandas as pd

    columns: dict[str, Any] = {
        "time_s": np.asarray(time_s, dtype=np.float64),
        "temperature_c": np.asarray(temperature_c, dtype=np.float64),
        "offset_ppb": np.asarray(offset_ppb, dtype=np.float64),
    }
    count = len(columns["time_s"])
    columns["line"] = np.arange(1, count + 1) if line is None else np.asarray(line, dtype=np.int64)
    return pd.DataFrame(columns)


@dataclass(frozen=True, eq=False)
class RawRun:
    """A run as read, with nothing removed.

    ``frame`` has the columns of `frame_of`.  ``assumptions`` are sentences on what the file left open and how it was read;
    ``warnings`` are sentences on what is likely wrong, and are shown even where remarks are not.  ``quantum_c`` is the step of
    the sensor's readings [degC] where the temperatures no longer show it, as they are interpolated, or means of readings as in
    a phase log; None: they show it.
    """

    name: str
    frame: pd.DataFrame
    time_kind: TimeKind
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    quantum_c: float | None = None


@dataclass(frozen=True)
class Gap:
    """A stretch of time without kept samples. [s]"""

    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        """Its length. [s]"""
        return self.end_s - self.start_s


@dataclass(frozen=True, eq=False)
class CleanRun:
    """The same rows, each with the reason for which it is dropped ("" if it is kept).

    The rows of a long run are cells of many samples each: means, the number of ``samples``, the ``noise_ppb`` of one about a
    straight line in time, that line's ``slope_ppb_per_s``, the ``spread_s`` of their times (a standard deviation), and
    ``farthest_ppb``, the largest distance from the line.  The samples dropped for one reason between two cells are one row.

    ``interval_s`` is the median interval between kept samples [s], NaN in an unordered table.  ``quantum_c`` is the step of the
    temperatures [degC] and ``quantum_ppb`` that of the offsets, 0 if none is visible; ``shown_ppb`` is one of the offsets as
    logged, from which the others differ by whole steps.  ``assumptions`` and ``warnings`` are as in a `RawRun`.
    """

    name: str
    time_kind: TimeKind
    frame: pd.DataFrame
    gaps: tuple[Gap, ...]
    assumptions: tuple[str, ...]
    interval_s: float
    quantum_c: float
    quantum_ppb: float = 0.0
    shown_ppb: float = 0.0
    warnings: tuple[str, ...] = ()

    @cached_property
    def kept(self) -> pd.DataFrame:
        """The kept rows, renumbered from 0."""
        return self.frame[self.frame["dropped"] == ""].reset_index(drop=True)

    @property
    def has_cells(self) -> bool:
        """Whether its rows are cells of many samples each."""
        return "samples" in self.frame

    @property
    def has_events(self) -> bool:
        """Whether its rows are intervals between events of a clock."""
        return "start_u_ns" in self.frame

    @property
    def regressor_columns(self) -> tuple[str, ...]:
        """Columns of the frame that hold a [[regressor]]."""
        return tuple(name for name in map(str, self.frame.columns) if name.startswith(REGRESSOR))

    @property
    def samples_kept(self) -> int:
        """How many samples were kept."""
        return int(self.kept["samples"].sum()) if self.has_cells else len(self.kept)

    @property
    def dropped_counts(self) -> dict[str, int]:
        """How many samples were dropped, by reason, sorted by reason."""
        reasons, place = np.unique(self.frame["dropped"].to_numpy(dtype=object).astype(str), return_inverse=True)
        counts = np.bincount(place, self.frame["samples"] if self.has_cells else None)
        return {str(reason): int(count) for reason, count in zip(reasons, counts, strict=True) if reason}

    @property
    def kept_text(self) -> str:
        """How many samples were kept, and why others were not."""
        dropped = ", ".join(f"{count} {reason}" for reason, count in self.dropped_counts.items())
        return f"{self.samples_kept} samples kept, dropped: {dropped or 'none'}"
