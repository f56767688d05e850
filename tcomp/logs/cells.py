"""Cells of time: many neighbouring samples reduced to one row, so that a run of any length can be fitted.

A cell keeps the number of its samples, their mean time, temperature and offset, and what the means lose: the scatter of the
samples about a straight line in time (the noise of one), the slope of that line, the spread of their times, and the largest
distance from the line.  A cell is so short that the temperature hardly moves in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from tcomp.arrays import FloatArray, IntArray, robust_sd
from tcomp.logs.cleaning import REASONS, Codes, gaps_of
from tcomp.logs.record import CELL_COLUMNS, CleanRun

if TYPE_CHECKING:
    import pandas as pd

LONG_SAMPLES = 50_000
"""A run of more samples is fitted in cells; fewer are fitted as they are, within some seconds."""
MIN_IN_CELL = 8
"""Fewer samples would leave the scatter in a cell hardly known."""
MAX_CELLS = 100_000
FINEST_C, COARSEST_C = 0.05, 0.125
"""Limits of the temperature change in a cell, which is one step of the sensor. [degC]"""
LONGEST_S = 20.0
"""A fraction of the time constants of small boards, so that a lag is estimated as well as from all samples (common practice,
no source). [s]"""
TUKEY = 4.685
"""Standard deviations beyond which a sample has no weight: 95 % efficiency at the normal distribution (the usual figure, from
memory)."""
COARSE_STEP = 1.2
"""A counter's step of more standard deviations of a sample's scatter is coarse."""
MIN_VARIANCE_PPB2 = 1e-12
MIN_WEIGHT = 0.5
"""Least total weight of a cell, as a share of its samples: with normal noise it is nine tenths."""
MOVING = 0.2
"""Share of a run's fastest rate above which it is taken to move."""


@dataclass(frozen=True)
class CellGrid:
    """Cells of equal length, the first of which begins at ``origin_s`` [s], for samples of this noise [ppb].

    ``step_ppb`` is the counter's step where it is coarse compared with the noise, else 0.  A sample one step away from the line
    of its cell is then not doubtful: the share of such samples shows where in the step the mean is.
    """

    origin_s: float
    width_s: float
    noise_ppb: float
    step_ppb: float = 0.0

    @classmethod
    def of(
        cls, time_s: FloatArray, temperature_c: FloatArray, offset_ppb: FloatArray, quantum_c: float, quantum_ppb: float
    ) -> CellGrid:
        """The grid for a run, from its samples or from some of them over its whole length.

        Parameters
        ----------
        time_s, temperature_c, offset_ppb : ndarray of shape (n,)
        quantum_c, quantum_ppb : float
            Steps of sensor and counter; 0: none is visible. [degC, ppb]
        """
        interval_s = float(np.median(np.diff(time_s)))
        width_s = cell_width_s(time_s, temperature_c, quantum_c, interval_s)
        own_ppb = _noise_ppb(time_s, offset_ppb, interval_s)
        coarse = quantum_ppb > COARSE_STEP * own_ppb
        noise_ppb = math.hypot(own_ppb, quantum_ppb / math.sqrt(12.0))
        return cls(float(time_s[0]) - interval_s / 2, width_s, noise_ppb, quantum_ppb if coarse else 0.0)

    def starts(self, time_s: FloatArray) -> tuple[IntArray, IntArray]:
        """The numbers of the cells that increasing times fall into, and the index of the first time in each."""
        first, last = (math.floor((float(time_s[place]) - self.origin_s) / self.width_s) for place in (0, -1))
        edges_s = self.origin_s + self.width_s * np.arange(first, last + 2)
        bounds = np.searchsorted(time_s, edges_s)
        filled = np.flatnonzero(np.diff(bounds))
        return filled + first, bounds[filled]


@dataclass(frozen=True, eq=False)
class CellSums:
    """Sums over the samples of each cell, shape (cells,).

    Means are weighted as the fit would weight single samples; sums of squares and products are unweighted, about unweighted
    means.
    """

    number: IntArray
    line: IntArray
    count: FloatArray
    time_s: FloatArray
    temperature_c: FloatArray
    offset_ppb: FloatArray
    time_time: FloatArray
    time_offset: FloatArray
    offset_offset: FloatArray
    farthest_ppb: FloatArray


def cell_width_s(time_s: FloatArray, temperature_c: FloatArray, quantum_c: float, interval_s: float) -> float:
    """The length of a cell for this run, rounded: the time in which the temperature moves by one step of its sensor. [s]

    Parameters
    ----------
    time_s, temperature_c : ndarray of shape (n,)
        The run, or some samples of it over its whole length. [s, degC]
    quantum_c : float
        Step of the sensor; 0: none is visible. [degC]
    interval_s : float
        Between samples. [s]

    Examples
    --------
    A ramp of 0.3 degC/min, logged ten times a second by a sensor of 1/16 degC:

    >>> t = np.arange(0.0, 16000.0, 50.0)
    >>> cell_width_s(t, 0.005 * t, 0.0625, 0.1)
    10.0
    """
    step_c = min(max(quantum_c, FINEST_C), COARSEST_C)
    duration_s = float(time_s[-1] - time_s[0])
    at_s = np.linspace(time_s[0], time_s[-1], 201)
    rate = np.abs(np.diff(np.interp(at_s, time_s, temperature_c))) / (duration_s / 200)
    usual = float(np.median(rate[rate > MOVING * rate.max()])) if rate.max() > 0 else 0.0
    target_s = min(step_c / usual if usual > 0 else LONGEST_S, LONGEST_S)
    target_s = max(target_s, duration_s / MAX_CELLS, MIN_IN_CELL * interval_s)
    power = 10.0 ** math.floor(math.log10(target_s))
    round_s = [digit * power for digit in (1, 2, 5, 10)]
    least_s = MIN_IN_CELL * interval_s
    below_s = max(length_s for length_s in round_s if length_s <= target_s * (1 + 1e-9))
    return below_s if below_s >= least_s else next(length_s for length_s in round_s if length_s >= least_s)


def _noise_ppb(time_s: FloatArray, offset_ppb: FloatArray, interval_s: float) -> float:
    """Noise of a sample, from its distance to the line through its two neighbours, where these are near. [ppb]"""
    near = (time_s[2:] - time_s[:-2]) < 3.0 * interval_s
    bend = (offset_ppb[2:] - 2.0 * offset_ppb[1:-1] + offset_ppb[:-2])[near]
    return robust_sd(bend) / math.sqrt(6.0) if bend.size else 0.0


def cell_sums(
    time_s: FloatArray, temperature_c: FloatArray, offset_ppb: FloatArray, line: IntArray, grid: CellGrid
) -> CellSums:
    """Sum the kept samples of a run, or of a block of it, in cells.

    A sample far from the line of its cell gets less weight, by the function that a fit to all samples would use (Tukey's, as
    in ``curve/weights.py``).
    """
    number, starts = grid.starts(time_s)
    sizes = np.diff(np.append(starts, len(time_s)))
    count = sizes.astype(np.float64)
    mean_s, mean_ppb = (np.add.reduceat(x, starts) / count for x in (time_s, offset_ppb))
    away_s, away_ppb = time_s - np.repeat(mean_s, sizes), offset_ppb - np.repeat(mean_ppb, sizes)
    time_time = np.add.reduceat(away_s * away_s, starts)
    time_offset = np.add.reduceat(away_s * away_ppb, starts)
    offset_offset = np.add.reduceat(away_ppb * away_ppb, starts)
    slope = _ratio(time_offset, time_time)
    residual_ppb = away_ppb - away_s * np.repeat(slope, sizes)
    far = np.maximum(np.abs(residual_ppb) - grid.step_ppb, 0.0) if grid.step_ppb else residual_ppb
    factor = np.maximum(1.0 - far * far / max((TUKEY * grid.noise_ppb) ** 2, MIN_VARIANCE_PPB2), 0.0)
    factor *= factor
    weight = np.add.reduceat(factor, starts)
    doubtful = weight < MIN_WEIGHT * count  # noisier than most: equal weights
    if doubtful.any():
        factor[np.repeat(doubtful, sizes)] = 1.0
        weight = np.where(doubtful, count, weight)
    return CellSums(
        number, line[starts], count,
        time_s=mean_s + np.add.reduceat(factor * away_s, starts) / weight,
        temperature_c=np.add.reduceat(factor * temperature_c, starts) / weight,
        offset_ppb=mean_ppb + np.add.reduceat(factor * away_ppb, starts) / weight,
        time_time=time_time, time_offset=time_offset, offset_offset=offset_offset,
        farthest_ppb=np.maximum.reduceat(np.abs(residual_ppb), starts),
    )  # fmt: skip


def joined(parts: list[CellSums]) -> CellSums:
    """The cells of all parts of a run, in order."""
    return CellSums(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(CellSums)))


def cell_frame(sums: CellSums) -> pd.DataFrame:
    """The cells as rows of a clean run."""
    import pandas as pd

    slope = _ratio(sums.time_offset, sums.time_time)
    residual_squares = np.maximum(sums.offset_offset - slope * sums.time_offset, 0.0)
    enough = sums.count >= MIN_IN_CELL / 2
    variance = residual_squares / np.maximum(sums.count - 2, 1)
    # A cell of few samples takes the scatter of all cells.
    variance = np.where(enough, variance, np.sum(residual_squares) / max(float(np.sum(sums.count - 2)), 1.0))
    return pd.DataFrame(
        {
            "time_s": sums.time_s, "temperature_c": sums.temperature_c, "offset_ppb": sums.offset_ppb,
            "line": sums.line, "dropped": pd.Series([""] * len(sums.line), dtype=str),
            "samples": sums.count.astype(np.int64), "noise_ppb": np.sqrt(variance), "slope_ppb_per_s": slope,
            "spread_s": np.sqrt(sums.time_time / sums.count), "farthest_ppb": sums.farthest_ppb,
        }
    )  # fmt: skip


def dropped_frame(
    time_s: FloatArray,
    temperature_c: FloatArray,
    offset_ppb: FloatArray,
    line: IntArray,
    dropped: Codes,
    grid: CellGrid,
) -> pd.DataFrame:
    """The dropped samples: one row for those of one reason between two kept samples of different cells."""
    import pandas as pd

    rows = np.flatnonzero(dropped)
    kept = np.flatnonzero(dropped == 0)
    starts = kept[grid.starts(time_s[kept])[1]] if kept.size else kept
    group = np.searchsorted(starts, rows, side="right") * len(REASONS) + dropped[rows]
    _, first, count = np.unique(group, return_index=True, return_counts=True)
    at = rows[first]
    order = np.argsort(at)
    at = at[order]
    frame = pd.DataFrame(
        {
            "time_s": time_s[at], "temperature_c": temperature_c[at], "offset_ppb": offset_ppb[at], "line": line[at],
            "dropped": pd.Series(np.array(REASONS, dtype=object)[dropped[at]], dtype=str), "samples": count[order],
        }
    )  # fmt: skip
    return frame.assign(**{name: 0.0 for name in CELL_COLUMNS if name != "samples"})


def in_cells(run: CleanRun) -> CleanRun:
    """A long run with cells in place of its samples; a short one as it is."""
    import pandas as pd

    time_s = run.kept["time_s"].to_numpy(dtype=np.float64)
    if run.time_kind == "none" or len(time_s) <= LONG_SAMPLES:
        return run
    kept_c, kept_ppb = (run.kept[name].to_numpy(dtype=np.float64) for name in ("temperature_c", "offset_ppb"))
    grid = CellGrid.of(time_s, kept_c, kept_ppb, run.quantum_c, run.quantum_ppb)
    time_s, temperature_c, offset_ppb, line = (
        run.frame[name].to_numpy() for name in ("time_s", "temperature_c", "offset_ppb", "line")
    )
    codes = pd.Categorical(run.frame["dropped"], categories=list(REASONS)).codes.astype(np.int8)
    kept = codes == 0
    sums = cell_sums(time_s[kept], temperature_c[kept], offset_ppb[kept], line[kept], grid)
    starts = grid.starts(time_s[kept])[1]
    means = {
        name: np.add.reduceat(run.frame[name].to_numpy(dtype=np.float64)[kept], starts) / sums.count
        for name in run.regressor_columns
    }
    cells = cell_frame(sums).assign(**means)
    return run_of_cells(run, cells, [dropped_frame(time_s, temperature_c, offset_ppb, line, codes, grid)])


def run_of_cells(run: CleanRun, cells: pd.DataFrame, dropped: list[pd.DataFrame]) -> CleanRun:
    """The run with these cells in place of its samples."""
    import pandas as pd

    parts = [cells, *(part for part in dropped if len(part))]
    frame = pd.concat(parts, ignore_index=True).sort_values("line", kind="stable", ignore_index=True)
    gaps, interval_s = gaps_of(cells["time_s"].to_numpy())
    samples = int(cells["samples"].sum())
    remark = f"Its {samples} samples are averaged in {len(cells)} cells of {interval_s:.3g} s."
    return replace(run, frame=frame, gaps=gaps, assumptions=(*run.assumptions, remark), interval_s=interval_s)


def _ratio(above: FloatArray, below: FloatArray) -> FloatArray:
    return np.asarray(np.divide(above, below, out=np.zeros_like(above), where=below > 0))
