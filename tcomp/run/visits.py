"""The offset at the same temperature, visited again later: what drifts, before any fit."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, groupby
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.run.legs import Leg
from tcomp.units import SECONDS_PER_DAY

if TYPE_CHECKING:
    from tcomp.run.prepared import PreparedRun

Floats = NDArray[np.float64]

CELLS = 20
LEAST_IN_CELL = 5
LEAST_CELLS = 4
LEAST_IN_SOAK = 20
TRIMMED = 0.1
"""Share of the range left out at either end, where a ramp is still settling."""
RATES_ALIKE = 1.3
"""Ratio of ramp rates up to which lag shifts two sweeps alike (common practice, no source)."""
SAME_SOAK_C = 0.5
"""Soaks as near as this are at one temperature; what is left is taken off with the local slope. [degC]"""


@dataclass(frozen=True)
class CellLines:
    """A straight line through a leg's samples in each cell of temperature, all of shape (cells,).

    ``offset_ppb`` is the line's value at the cell's middle; NaN where a cell holds too little.
    """

    middle_c: Floats
    offset_ppb: Floats
    slope_ppb_per_c: Floats
    time_s: Floats


@dataclass(frozen=True)
class Drift:
    """What the offset did between two visits to a temperature, ``days`` apart; ``where`` says which."""

    between: Literal["sweeps", "soaks"]
    where: str
    days: float
    ppb_per_day: float
    u_ppb_per_day: float

    @property
    def seen(self) -> bool:
        """Whether it is beyond twice its standard uncertainty."""
        return abs(self.ppb_per_day) > 2.0 * self.u_ppb_per_day


def cell_lines(prepared: PreparedRun, legs: list[Leg]) -> list[CellLines]:
    """Lines through the samples of each leg, over cells that all legs share."""
    run = prepared.run
    kept = run.kept
    temperature_c = kept["temperature_c"].to_numpy()
    low_c, high_c = float(temperature_c.min()), float(temperature_c.max())
    cells = CELLS if run.quantum_c == 0 else int(np.clip((high_c - low_c) / (5.0 * run.quantum_c), LEAST_CELLS, CELLS))
    edges_c = np.linspace(low_c, high_c, cells + 1)
    columns = (temperature_c, kept["offset_ppb"].to_numpy(), kept["time_s"].to_numpy())
    return [_lines(edges_c, *(column[leg.start : leg.stop] for column in columns)) for leg in legs]


def _lines(edges_c: Floats, temperature_c: Floats, offset_ppb: Floats, time_s: Floats) -> CellLines:
    cells = len(edges_c) - 1
    middle_c = (edges_c[1:] + edges_c[:-1]) / 2
    cell = np.clip(np.searchsorted(edges_c, temperature_c, side="right") - 1, 0, cells - 1)
    away_c = temperature_c - middle_c[cell]

    def summed(values: Floats) -> Floats:
        return np.asarray(np.bincount(cell, values, minlength=cells), dtype=np.float64)

    n, along, squared = summed(np.ones_like(away_c)), summed(away_c), summed(away_c**2)
    with np.errstate(all="ignore"):
        mean_ppb, spread = summed(offset_ppb) / n, squared - along**2 / n
        # Samples spread evenly over half a cell have this variance; less carries no slope.
        told = (n >= LEAST_IN_CELL) & (spread / n > ((edges_c[1] - edges_c[0]) / 2) ** 2 / 12)
        slope = np.where(told, (summed(away_c * offset_ppb) - along * mean_ppb) / spread, np.nan)
        return CellLines(middle_c, mean_ppb - slope * along / n, slope, np.where(told, summed(time_s) / n, np.nan))


def drift_between_visits(prepared: PreparedRun) -> Drift | None:
    """The drift of a run, from the two visits that tell it best; None where nothing is visited twice alike.

    Two sweeps in one direction at like rates see the same lag, so their difference is drift; two soaks
    at one temperature see none.  A heating and a cooling sweep tell nothing of drift before a fit.

    Returns
    -------
    Drift or None
        Its uncertainty is, of sweeps, the scatter over cells of temperature; of soaks, what is left to
        settle and the sensor's quantum at the local slope.
    """
    if prepared.run.time_kind == "none":
        return None
    found = [*_between_sweeps(prepared), *_between_soaks(prepared)]
    return min(found, key=lambda drift: drift.u_ppb_per_day, default=None)


def _between_sweeps(prepared: PreparedRun) -> list[Drift]:
    moving = [
        max(group, key=lambda leg: leg.samples)
        for _, group in groupby(
            (leg for leg in prepared.legs if leg.kind in ("heating", "cooling")), lambda leg: leg.sweep
        )
    ]
    lines = cell_lines(prepared, moving)
    found = []
    for i, j in combinations(range(len(moving)), 2):
        one, other = sorted(abs(moving[index].rate_c_per_min) for index in (i, j))
        if moving[i].direction != moving[j].direction or other > RATES_ALIKE * one:
            continue
        days = (lines[j].time_s - lines[i].time_s) / SECONDS_PER_DAY
        rate = ((lines[j].offset_ppb - lines[i].offset_ppb) / days)[_inner(len(days))]
        rate = rate[np.isfinite(rate)]
        if len(rate) < LEAST_CELLS:
            continue
        where = f"{moving[i].kind} sweeps {moving[i].sweep + 1} and {moving[j].sweep + 1}"
        u = float(np.std(rate, ddof=1) / np.sqrt(len(rate)))
        found.append(Drift("sweeps", where, float(np.nanmedian(days)), float(np.mean(rate)), u))
    return found


def _inner(cells: int) -> slice:
    cut = int(np.ceil(TRIMMED * cells))
    return slice(cut, cells - cut)


def _between_soaks(prepared: PreparedRun) -> list[Drift]:
    soaks = [leg for leg in prepared.legs if leg.kind == "soak" and leg.samples >= LEAST_IN_SOAK]
    lines = cell_lines(prepared, [leg for leg in prepared.legs if leg.kind in ("heating", "cooling")])
    slopes = np.concatenate([line.slope_ppb_per_c for line in lines]) if lines else np.empty(0)
    told = np.isfinite(slopes)
    if not told.any():
        return []
    middles_c, slopes = np.concatenate([line.middle_c for line in lines])[told], slopes[told]
    found = []
    for pair in combinations(soaks, 2):
        temperature_c = (pair[0].low_c + pair[0].high_c) / 2
        slope = float(slopes[np.argmin(np.abs(middles_c - temperature_c))])
        one, other = (_Settled.of(prepared, leg, temperature_c, slope) for leg in pair)
        if abs(other.temperature_c - one.temperature_c) > SAME_SOAK_C:
            continue
        days = (other.time_s - one.time_s) / SECONDS_PER_DAY
        quantum_ppb = slope * prepared.run.quantum_c / np.sqrt(12.0)
        u_ppb = float(np.linalg.norm([one.u_ppb, other.u_ppb, quantum_ppb, quantum_ppb]))
        step_ppb = other.offset_ppb - one.offset_ppb
        found.append(Drift("soaks", f"soaks at {temperature_c:.3g} degC", days, step_ppb / days, u_ppb / days))
    return found


@dataclass(frozen=True)
class _Settled:
    """The mean of a soak's last quarter, when the crystal has come near, taken to one temperature.

    Its uncertainty is how far the quarter before lies from it: what an exponential that fades by half
    or more in a quarter still has to go.
    """

    time_s: float
    temperature_c: float
    offset_ppb: float
    u_ppb: float

    @classmethod
    def of(cls, prepared: PreparedRun, leg: Leg, temperature_c: float, slope_ppb_per_c: float) -> _Settled:
        part = prepared.run.kept.iloc[leg.start : leg.stop]
        level_ppb = (part["offset_ppb"] - slope_ppb_per_c * (part["temperature_c"] - temperature_c)).to_numpy()
        third, last = (slice(int(leg.samples * share), int(leg.samples * (share + 0.25))) for share in (0.5, 0.75))
        to_go_ppb = level_ppb[last].mean() - level_ppb[third].mean()
        time_s, mean_c = (float(part[name].iloc[last].mean()) for name in ("time_s", "temperature_c"))
        return cls(time_s, mean_c, float(level_ppb[last].mean()), abs(float(to_go_ppb)))
