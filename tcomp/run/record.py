"""A logged run as plain data: what the file said, and what was kept of it.

Examples
--------
>>> from tcomp.run.cleaning import clean_run
>>> from tcomp.run.record import RawRun, frame_of
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
"""Where times come from: stamps of a clock, the job's interval, seconds since a start; none: unordered."""

CELL_COLUMNS = ("samples", "noise_ppb", "slope_ppb_per_s", "spread_s", "farthest_ppb")
"""Columns that the frame of a run has besides where its rows are cells of many samples each."""

GAP_INTERVALS = 5.0
"""An interval longer than this many median intervals is a gap."""


def frame_of(
    time_s: ArrayLike, temperature_c: ArrayLike, offset_ppb: ArrayLike, line: ArrayLike | None = None
) -> pd.DataFrame:
    """Samples as the frame that a run holds; ``line`` counts from 1 if left out.

    Parameters
    ----------
    time_s : array-like of shape (n,)
        Unix time, or time since a start. [s] NaN where there is none.
    temperature_c : array-like of shape (n,)
        What the sensor said; infinite where it said what it cannot say. [degC]
    offset_ppb : array-like of shape (n,)
        Fractional frequency offset, positive when the oscillator is fast. [ppb]
    line : array-like of shape (n,), default=None
        Line of the file that a sample stands in; row number where the file has no lines.
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
    """What the file said, nothing removed.

    ``frame`` has the columns of `frame_of`; ``assumptions`` are sentences about what the file left
    open and how it was taken.
    """

    name: str
    frame: pd.DataFrame
    time_kind: TimeKind
    assumptions: tuple[str, ...]


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
    """The same rows, each with the reason for which it was dropped ("" when it was kept).

    The rows of a long run are cells of many samples each: means, with how many ``samples`` they are of, the ``noise_ppb`` of
    one about a straight line in time, that line's ``slope_ppb_per_s``, the ``spread_s`` of their times (a standard
    deviation) and how far the farthest lies from the line; what was dropped for one reason between two cells is one row.

    ``interval_s`` is the median interval between kept samples [s], NaN in an unordered table;
    ``quantum_c`` the step of the temperatures [degC], 0 when they show none.
    """

    name: str
    time_kind: TimeKind
    frame: pd.DataFrame
    gaps: tuple[Gap, ...]
    assumptions: tuple[str, ...]
    interval_s: float
    quantum_c: float

    @cached_property
    def kept(self) -> pd.DataFrame:
        """The kept rows, renumbered from 0."""
        return self.frame[self.frame["dropped"] == ""].reset_index(drop=True)

    @property
    def has_cells(self) -> bool:
        """Whether its rows are cells of many samples each."""
        return "samples" in self.frame

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
