"""The kept samples of all runs, as plain arrays side by side."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.run.legs import sweep_of_sample
from tcomp.run.prepared import PreparedRun

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Cells:
    """What is known of each sample where it is a cell of many; arrays of shape (n,).

    ``count`` is how many, ``noise_ppb`` the scatter of one of them about a line in time, ``spread_s`` the standard
    deviation of their times, ``farthest_ppb`` how far the farthest lies from the line; ``quantum_c`` the sensor's step.
    """

    count: Floats
    noise_ppb: Floats
    spread_s: Floats
    farthest_ppb: Floats
    quantum_c: float

    def part(self, which: NDArray[np.bool_] | Ints | slice) -> Cells:
        """Those of some cells."""
        return Cells(
            self.count[which], self.noise_ppb[which], self.spread_s[which], self.farthest_ppb[which], self.quantum_c
        )


@dataclass(frozen=True)
class Samples:
    """Kept samples of all runs, in the order of the job and of time.

    All arrays have shape (n,).  ``time_s`` is NaN in an unordered table; ``segment`` numbers the
    parts between gaps, over all runs; ``sweep`` and ``leg`` number the sweeps and legs over all runs; ``direction``
    is +0.5 in a heating and -0.5 in a cooling sweep (0: unordered).  With ``cells`` each sample is the mean of many.
    """

    time_s: Floats
    temperature_c: Floats
    offset_ppb: Floats
    run: Ints
    segment: Ints
    sweep: Ints
    leg: Ints
    direction: Floats
    cells: Cells | None = None

    def number(self, which: NDArray[np.bool_]) -> int:
        """How many samples these are, those in cells counted one by one."""
        return int(np.sum(which) if self.cells is None else np.sum(self.cells.count[which]))

    @property
    def has_time(self) -> bool:
        """Whether every run has a time, or at least an order in time."""
        return not bool(np.isnan(self.time_s).any())

    @property
    def interval_s(self) -> float:
        """Median time between neighbours, gaps apart; of samples that have a time. [s]"""
        return float(np.median(np.diff(self.time_s)[np.diff(self.segment) == 0]))

    @property
    def sweeps(self) -> int:
        """Number of sweeps over all runs."""
        return int(np.unique(self.sweep).size)


def samples_of(runs: tuple[PreparedRun, ...]) -> Samples:
    """Put the kept samples of all runs side by side.

    Returns
    -------
    Samples
        Sweeps and segments renumbered, so that no number stands in two runs.
    """
    parts: dict[str, list[NDArray[Any]]] = {name: [] for name in Samples.__annotations__ if name != "cells"}
    sweeps = segments = legs = 0
    for number, prepared in enumerate(runs):
        kept = prepared.run.kept
        time_s = kept["time_s"].to_numpy(dtype=np.float64)
        starts = np.array([gap.end_s for gap in prepared.run.gaps])
        segment = np.searchsorted(starts, time_s, side="right") if starts.size else np.zeros(len(kept), dtype=np.int64)
        sweep = sweep_of_sample(prepared.legs, len(kept))
        parts["time_s"].append(time_s)
        parts["temperature_c"].append(kept["temperature_c"].to_numpy(dtype=np.float64))
        parts["offset_ppb"].append(kept["offset_ppb"].to_numpy(dtype=np.float64))
        parts["run"].append(np.full(len(kept), number))
        parts["segment"].append(segment + segments)
        parts["sweep"].append(sweep + sweeps)
        parts["leg"].append(np.repeat(np.arange(len(prepared.legs)), [leg.samples for leg in prepared.legs]) + legs)
        parts["direction"].append(_direction(prepared)[sweep])
        segments += int(segment.max()) + 1
        sweeps += int(sweep.max()) + 1
        legs += len(prepared.legs)
    return Samples(**{name: np.concatenate(arrays) for name, arrays in parts.items()}, cells=_cells(runs))


def _cells(runs: tuple[PreparedRun, ...]) -> Cells | None:
    """What the cells of all runs keep; None where none has any.  A sample by itself is a cell of one."""
    if not any(one.run.has_cells for one in runs):
        return None

    def column(name: str, alone: float) -> Floats:
        parts = [
            one.run.kept[name].to_numpy(dtype=np.float64) if one.run.has_cells else np.full(len(one.run.kept), alone)
            for one in runs
        ]
        return np.concatenate(parts)

    return Cells(
        column("samples", 1.0), column("noise_ppb", 0.0), column("spread_s", 0.0), column("farthest_ppb", 0.0),
        max(one.run.quantum_c for one in runs),
    )  # fmt: skip


def _direction(prepared: PreparedRun) -> Floats:
    """Direction of each sweep of a run."""
    direction = np.zeros(max(leg.sweep for leg in prepared.legs) + 1)
    for leg in prepared.legs:
        direction[leg.sweep] = 0.5 * leg.direction
    return direction
