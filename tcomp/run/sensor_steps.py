"""The steps in which the sensor's values come, and what they do to the offset."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tcomp.job import Sensor
from tcomp.run.neighbours import quantum_of
from tcomp.run.visits import cell_lines
from tcomp.units import short

if TYPE_CHECKING:
    from tcomp.run.prepared import PreparedRun

COARSE_C = 0.5
"""Steps from which it matters whether the sensor rounds or cuts off: sensors made for logging have finer ones (common
practice, no source). [degC]"""
TWICE = 1.6
"""How many times as long as its neighbours 0 stands where it is cut off to from both sides: 2 on an even ramp, 1 where values
are rounded."""
SHOWN_TWICE = 2
"""Samples per temperature from which its distance to the next is the sensor's step and not that of the set-points."""
LEAST_AT_STEP = 3
"""Samples at a step: fewer tell no ratio."""


@dataclass(frozen=True)
class SensorSteps:
    """The sensor's quantum as found in the data, and what it does to the offset where the run is steepest."""

    found_c: float
    used_c: float
    steepest_ppb_per_c: float

    @property
    def rms_ppb(self) -> float:
        """Standard deviation of the rounding at the steepest slope: q / sqrt(12) (JCGM 100:2008, F.2.2.1). [ppb]"""
        return self.used_c / math.sqrt(12.0) * self.steepest_ppb_per_c


def sensor_steps(prepared: PreparedRun) -> SensorSteps:
    """Look at the steps of a run."""
    lines = cell_lines(prepared, [leg for leg in prepared.legs if leg.kind != "soak"])
    by_cell = np.abs([line.slope_ppb_per_c for line in lines])
    by_cell = by_cell[:, np.isfinite(by_cell).any(axis=0)]
    # Lag steepens a cell that is heated and flattens it when it is cooled; the median over sweeps is fair to both.
    steepest = float(np.nanmedian(by_cell, axis=0).max()) if by_cell.size else float("nan")
    run = prepared.run
    # Means of cells come in no steps; what was found in the samples stands in the run.
    found_c = run.quantum_c if run.has_cells else quantum_of(run.kept["temperature_c"].to_numpy())
    return SensorSteps(found_c, prepared.run.quantum_c, steepest)


def with_coarse_steps_said(prepared: PreparedRun, sensor: Sensor) -> PreparedRun:
    """The run, with what it assumes of a coarse sensor among its assumptions."""
    said = tuple(_coarse_sentences(prepared, sensor))
    return replace(prepared, run=replace(prepared.run, assumptions=(*prepared.run.assumptions, *said)))


def _coarse_sentences(prepared: PreparedRun, sensor: Sensor) -> Iterator[str]:
    """What the data cannot tell of such steps; of values that the job itself converts, it has said what they are."""
    steps = sensor_steps(prepared)
    step_c = steps.used_c
    temperature_c = prepared.run.kept["temperature_c"]
    set_points = prepared.run.time_kind == "none" or len(temperature_c) < SHOWN_TWICE * temperature_c.nunique()
    if step_c < COARSE_C or sensor.kind != "celsius" or set_points:
        return
    worth_ppb = step_c * steps.steepest_ppb_per_c
    worth = (
        f", each worth up to {short(worth_ppb)} ppb where the offset is steepest" if math.isfinite(worth_ppb) else ""
    )
    yield (
        f"Temperatures come in coarse steps of {step_c:g} degC{worth}, and are taken as rounded; if the sensor cuts off "
        f'instead, they are {step_c / 2:g} degC too low: say kind = "linear", degc_per_count = 1, offset_c = {step_c / 2:g} in '
        "[sensor], and let the firmware add as much."
    )
    if _cut_off_towards_zero(prepared, step_c):
        yield (
            "0 degC stands twice as long as the steps beside it, so values are cut off towards zero: too low above it, too high "
            "below it, which no key can say; log the sensor's own steps, or narrow range_c to one side of zero."
        )


def _cut_off_towards_zero(prepared: PreparedRun, step_c: float) -> bool:
    """Whether most of the sweeps through zero stand there as long as at two of the steps beside it."""
    temperature_c = prepared.run.kept["temperature_c"].to_numpy()
    ratios = []
    for leg in prepared.legs:
        step = np.round(temperature_c[leg.start : leg.stop] / step_c)
        below, at, above = (int(np.sum(step == number)) for number in (-1, 0, 1))
        passes = leg.kind in ("heating", "cooling") and step.min() < -1 and step.max() > 1
        if passes and min(below, at, above) >= LEAST_AT_STEP:
            ratios.append(2 * at / (below + above))
    return bool(ratios) and float(np.median(ratios)) > TWICE
