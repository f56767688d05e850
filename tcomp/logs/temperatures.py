"""The temperature column of a log in degC, what is wrong with it, and the steps in which its values come."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tcomp.arrays import BoolArray, FloatArray
from tcomp.errors import RunError
from tcomp.job import Column, RunLog, Sensor
from tcomp.job.sensors import FAHRENHEIT_KEYS, KELVIN_KEYS, POSSIBLE_C
from tcomp.logs.columns import LogColumns
from tcomp.logs.dialect import column_label
from tcomp.logs.legs import cell_lines
from tcomp.logs.neighbours import quantum_of
from tcomp.units import short

if TYPE_CHECKING:
    from tcomp.logs.prepared import PreparedRun

FAHRENHEIT_NAME = re.compile(r"(_f|deg_?f|°f|fahrenheit)\W*$|[(\[]f[)\]]$", re.IGNORECASE)
"""How the name of a column in degF ends."""
FAHRENHEIT_MEDIAN = (60.0, 110.0)
FAHRENHEIT_SPAN = 110.0
"""In degC, a run about such a median and over so wide a span would pass 115 degC: it is more likely in degF
(-20 to 60 degC are -4 to 140 degF; common practice, no source)."""
HOTTEST_C = 125.0
"""Rating of parts for vehicles; about such a median, a run beyond it is more likely in degF (common practice, no source).
[degC]"""
ROOM_F = (45.0, 95.0)
"""A run within these limits would never come near room temperature in degC; in degF it never leaves it far (7 to 35 degC)."""
SET_POINT_NAME = re.compile(
    r"(?<![a-z])set(?![a-z])|(?<![a-z])set[ _-]?(?:point|temp)|target|(?<![a-z])sp(?![a-z])", re.IGNORECASE
)
TENTHS_SPAN = 100.0
"""A run of whole numbers that ends above 125 and spans more than this is more likely in tenths of a degC, over 10 degC."""
MORE_THAN_ERRORS = 0.05
"""Share of impossible values above which they are no single errors, if they are varied whole numbers as well."""
MORE_THAN_WORDS = 10
"""Number of distinct impossible values above which they do not stand for a missing one."""
POSSIBLE_PARTS_C = (-60.0, HOTTEST_C)
MIN_FREQUENCY = 1e3
MAX_SPAN_OF_FREQUENCIES = 4e-3
"""Of the median: what `tcomp.logs.quantities` allows a column of frequencies."""
PARTS_WORDS = {0.1: "tenths", 0.01: "hundredths", 0.001: "thousandths"}


def temperature_c_of(columns: LogColumns, log: RunLog, sensor: Sensor) -> FloatArray:
    """The temperature column of a log, shape (n,); infinite where the sensor cannot have the raw value. [degC]

    Raises
    ------
    RunError
        More than half of the values are outside the sensor's range: it is another kind of sensor.
    """
    raw = np.asarray(columns.values[log.temperature], dtype=np.float64)
    temperature_c = sensor.temperature_c(raw)
    impossible = (temperature_c < POSSIBLE_C[0]) | (temperature_c > POSSIBLE_C[1])
    given = int(np.sum(~np.isnan(raw)))
    if _are_of_another_kind(raw, impossible, given, sensor):
        first = int(np.argmax(impossible))
        raise RunError(
            f"{columns.location(first)}: {column_label(log.temperature)} holds {raw[first]:.6g}; expected "
            f"{sensor.expected}; {int(impossible.sum())} of {given} values are outside that: {_advice(raw, sensor)}"
        )
    return temperature_c


def _are_of_another_kind(raw: FloatArray, impossible: BoolArray, given: int, sensor: Sensor) -> bool:
    """Whether the impossible values are too many, and too varied, to be gross errors."""
    count = int(impossible.sum())
    if 2 * count > given:
        return True
    varied = count > MORE_THAN_ERRORS * given and len(np.unique(raw[impossible])) > MORE_THAN_WORDS
    return varied and not sensor.is_converted and bool(np.all(raw[impossible] == np.round(raw[impossible])))


@np.errstate(over="ignore", invalid="ignore")
def sensor_warnings(temperature_c: FloatArray, sensor: Sensor, column: Column) -> tuple[str, ...]:
    """Warnings if what the job takes as degC looks like another quantity, by its values or its name; nothing is changed.

    Parameters
    ----------
    temperature_c : ndarray of shape (n,)
        As `temperature_c_of` gives them. [degC]
    sensor : Sensor
    column : Column
        Of the log.
    """
    finite = temperature_c[np.isfinite(temperature_c)]
    if sensor.is_converted or not finite.size:
        return ()
    if isinstance(column, str) and SET_POINT_NAME.search(column):
        return (
            f"{column_label(column)} sounds like a set-point: name the column that was measured, as the board lags behind",
        )
    low, median, high = np.percentile(finite, [1, 50, 99])  # single wild values do not count
    if bool(np.all(finite == np.round(finite))) and high > HOTTEST_C and high - low > TENTHS_SPAN:
        return (
            f"temperatures are taken as degC, but {low:.4g} to {high:.4g} in whole numbers look like tenths of a degC; if they "
            f"are, give {_linear(0.1)}",
        )
    about = FAHRENHEIT_MEDIAN[0] <= median <= FAHRENHEIT_MEDIAN[1]
    hot = about and (high - low > FAHRENHEIT_SPAN or high > HOTTEST_C)
    looks = f"{low:.4g} to {high:.4g} look" if hot or ROOM_F[0] <= low <= high <= ROOM_F[1] else ""
    if isinstance(column, str) and FAHRENHEIT_NAME.search(column):
        looks = f"{column_label(column)} sounds"
    if not looks:
        return ()
    return (f"temperatures are taken as degC, but {looks} like degF; if they are, give {FAHRENHEIT_KEYS} in [sensor]",)


def degc_per_count_of(values: FloatArray) -> float | None:
    """The part of a degC that whole numbers count, if they are too large for degC; else None.

    >>> degc_per_count_of(np.array([215.0, 550.0])), degc_per_count_of(np.array([21_500.0, 55_000.0]))
    (0.1, 0.001)
    """
    finite = values[np.isfinite(values)]
    if not finite.size or not np.all(finite == np.round(finite)):
        return None
    low, high = np.percentile(finite, [1, 99])
    if high <= POSSIBLE_C[1]:
        return None
    fits = (part for part in PARTS_WORDS if POSSIBLE_PARTS_C[0] <= low * part and high * part <= POSSIBLE_PARTS_C[1])
    return next(fits, None)


def _linear(degc_per_count: float) -> str:
    return f'kind = "linear", degc_per_count = {degc_per_count:g} in [sensor]'


@np.errstate(over="ignore", invalid="ignore")
def _advice(raw: FloatArray, sensor: Sensor) -> str:
    """What to do about values that the sensor cannot have."""
    finite = raw[np.isfinite(raw)]
    if sensor.is_converted:
        return "check [sensor] and the column"
    low, median, high = np.percentile(finite, [1, 50, 99]) if finite.size else (0.0, 0.0, 0.0)
    if 250.0 <= median <= 330.0 and finite.min() > 200.0:
        return f"they look like kelvin; if they are, give {KELVIN_KEYS} in [sensor]"
    parts = degc_per_count_of(finite)
    if parts is not None:
        return (
            f"they look like {PARTS_WORDS[parts]} of a degC; if they are, give {_linear(parts)}; if they are ohm or counts, give "
            "their kind; if they stand for a missing value, add it to `missing`"
        )
    if median > MIN_FREQUENCY and high - low < MAX_SPAN_OF_FREQUENCIES * median:
        return "they look like frequencies: see whether two columns are swapped"
    return (
        "if they are ohm or counts, give their kind in [sensor]; if they stand for a missing value, add it to `missing`"
    )


COARSE_C = 0.5
"""Steps from which it matters whether the sensor rounds or cuts off: sensors made for logging have finer ones (common
practice, no source). [degC]"""
TWICE = 1.6
"""Ratio of the time at 0 to the time at the neighbouring steps, above which values are cut off towards zero from both sides:
on an even ramp the ratio is 2 then, and 1 where values are rounded."""
MIN_SAMPLES_PER_READING = 2
"""Samples per distinct temperature from which the distance between these is the sensor's step, not that of the set-points."""
MIN_AT_STEP = 3
"""Samples at a step; fewer give no ratio."""


@dataclass(frozen=True)
class SensorSteps:
    """The sensor's quantum as found in the data, and what it does to the offset where the curve is steepest."""

    found_c: float
    used_c: float
    steepest_ppb_per_c: float

    @property
    def rms_ppb(self) -> float:
        """Standard deviation of the rounding at the steepest slope: q / sqrt(12) (JCGM 100:2008, F.2.2.1). [ppb]"""
        return self.used_c / math.sqrt(12.0) * self.steepest_ppb_per_c


def sensor_steps(prepared: PreparedRun) -> SensorSteps:
    """The steps of the temperatures of a run."""
    lines = cell_lines(prepared, [leg for leg in prepared.legs if leg.kind != "soak"])
    by_cell = np.abs([line.slope_ppb_per_c for line in lines])
    by_cell = by_cell[:, np.isfinite(by_cell).any(axis=0)]
    # Lag steepens a cell while heating and flattens it while cooling; the median over sweeps is fair to both.
    steepest = float(np.nanmedian(by_cell, axis=0).max()) if by_cell.size else float("nan")
    run = prepared.run
    # Means of cells come in no steps; what was found in the samples stands in the run.
    found_c = run.quantum_c if run.has_cells else quantum_of(run.kept["temperature_c"].to_numpy())
    return SensorSteps(found_c, prepared.run.quantum_c, steepest)


def with_coarse_step_remarks(prepared: PreparedRun, sensor: Sensor) -> PreparedRun:
    """The run, with what is assumed of a coarse sensor added to its assumptions."""
    remarks = (*_cut_off_remarks(prepared, sensor), *_coarse_step_remarks(prepared, sensor))
    return replace(prepared, run=replace(prepared.run, assumptions=(*prepared.run.assumptions, *remarks)))


def undeclared_step_c(prepared: PreparedRun, sensor: Sensor) -> float:
    """The step of a coarse sensor if the job does not say whether it rounds or cuts off; 0 if it is fine, or declared. [degC]

    A sensor whose values the job converts is declared by that.  No log tells the two apart: a curve that is moved by half a
    step along the temperature fits as well.
    """
    temperature_c = prepared.run.kept["temperature_c"]
    step_c = prepared.run.quantum_c
    # Means of several readings, as in cells or of a phase log, are more than the readings.
    readings = np.unique(np.round(temperature_c / step_c)).size if step_c > 0 else len(temperature_c)
    set_points = prepared.run.time_kind == "none" or len(temperature_c) < MIN_SAMPLES_PER_READING * readings
    declared = sensor.is_converted or sensor.rounding is not None
    return 0.0 if step_c < COARSE_C or declared or set_points else step_c


def _cut_off_remarks(prepared: PreparedRun, sensor: Sensor) -> Iterator[str]:
    added_c = sensor.cut_off_c
    if added_c:
        yield (
            f"Temperatures are cut off in steps of {prepared.run.quantum_c:g} degC, and half a step, {added_c:g} degC, is added to "
            "each; let the firmware add as much to its own readings."
        )


def _coarse_step_remarks(prepared: PreparedRun, sensor: Sensor) -> Iterator[str]:
    """What the data cannot tell about such coarse steps."""
    steps = sensor_steps(prepared)
    step_c = undeclared_step_c(prepared, sensor)
    if not step_c:
        return
    worth_ppb = step_c * steps.steepest_ppb_per_c
    worth = (
        f", each worth up to {short(worth_ppb)} ppb where the offset is steepest" if math.isfinite(worth_ppb) else ""
    )
    yield (
        f"Temperatures come in coarse steps of {step_c:g} degC{worth}, and are taken as rounded; if the sensor cuts off "
        f'instead, they are {step_c / 2:g} degC too low: give rounding = "down", resolution_c = {step_c:g} in [sensor], and let '
        'the firmware add as much; if it rounds, give rounding = "nearest".'
    )
    if _cut_off_towards_zero(prepared, step_c):
        yield (
            "The temperature stays at 0 degC twice as long as at the steps next to it, so values are cut off towards zero: too "
            "low above it, too high below it, which no key can correct; log the sensor's own steps, or narrow range_c to one "
            "side of zero."
        )


def _cut_off_towards_zero(prepared: PreparedRun, step_c: float) -> bool:
    """Whether most of the sweeps through zero stay there as long as at two of the neighbouring steps."""
    temperature_c = prepared.run.kept["temperature_c"].to_numpy()
    ratios = []
    for leg in prepared.legs:
        step = np.round(temperature_c[leg.start : leg.stop] / step_c)
        below, at, above = (int(np.sum(step == number)) for number in (-1, 0, 1))
        passes = leg.kind in ("heating", "cooling") and step.min() < -1 and step.max() > 1
        if passes and min(below, at, above) >= MIN_AT_STEP:
            ratios.append(2 * at / (below + above))
    return bool(ratios) and float(np.median(ratios)) > TWICE
