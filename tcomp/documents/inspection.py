"""What the runs hold and what they can identify, before any fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from tcomp.documents.fields import About, entry, in_unit


@dataclass(frozen=True, kw_only=True)
class Gap:
    """A gap in time."""

    start_s: float = in_unit("s", "Time of the last sample before it")
    end_s: float = in_unit("s", "Time of the first sample after it")


@dataclass(frozen=True, kw_only=True)
class Leg:
    """A part of a sweep."""

    kind: Literal["heating", "cooling", "soak", "unordered"] = entry("What the temperature does")
    sweep: int = entry("Number of the sweep that it belongs to, from 0")
    direction: int = entry("Direction of that sweep: 1 heating, -1 cooling, 0 unordered")
    start: int = entry("Position of its first kept sample, from 0")
    stop: int = entry("Position after its last")
    start_s: float | None = in_unit("s", "Time of the first")
    end_s: float | None = in_unit("s", "Time of the last")
    low_c: float = in_unit("degC", "Lowest temperature")
    high_c: float = in_unit("degC", "Highest temperature")
    rate_c_per_min: float | None = in_unit("degC/min", "Median slope, with its sign")


@dataclass(frozen=True, kw_only=True)
class Deviation:
    """Deviation against averaging time."""

    tau_s: tuple[float, ...] = in_unit("s", "Averaging times")
    deviation_ppb: tuple[float | None, ...] = in_unit("ppb", "Deviation at each")
    low_ppb: tuple[float | None, ...] = in_unit("ppb", "Lower end of its interval")
    high_ppb: tuple[float | None, ...] = in_unit("ppb", "Upper end of it")
    confidence: float = in_unit("1", "Confidence of the interval")


@dataclass(frozen=True, kw_only=True)
class Noise:
    """Noise against averaging time."""

    at_interval_ppb: float = in_unit("ppb", "Deviation at the interval of the samples, within legs")
    floor_ppb: float = in_unit("ppb", "Lowest deviation that averaging reaches")
    floor_tau_s: float = in_unit("s", "Averaging time at which it does")
    counter_step_ppb: float | None = in_unit("ppb", "Step of the frequency column")
    allan_as_logged: Deviation = entry("Allan deviation of the log as it is, temperature in it")
    hadamard_within_legs: Deviation = entry("Hadamard deviation within legs, free of a steady drift")


@dataclass(frozen=True, kw_only=True)
class SensorSteps:
    """Steps of the sensor."""

    found_c: float = in_unit("degC", "Step found in the data; 0: none")
    used_c: float = in_unit("degC", "Step that is used: the job's, or the one found")
    steepest_ppb_per_c: float | None = in_unit("ppb/degC", "Slope of the offset where it is steepest")
    rms_ppb: float | None = in_unit("ppb", "Standard deviation of the rounding there")


@dataclass(frozen=True, kw_only=True)
class Drift:
    """Drift between two visits to a temperature."""

    between: Literal["soaks", "sweeps"] = entry("What was compared")
    where: str = entry("Where, in words")
    days: float = in_unit("day", "Time between the visits")
    ppb_per_day: float = in_unit("ppb/day", "Drift")
    u_ppb_per_day: float = in_unit("ppb/day", "Its standard uncertainty")


@dataclass(frozen=True, kw_only=True)
class InspectedRun:
    """A run."""

    log: str = entry("Name of the log")
    samples_kept: int = entry("Samples that were kept")
    interval_s: float | None = in_unit("s", "Median time between samples; null: the log has no time")
    duration_s: float | None = in_unit("s", "From the first sample to the last")
    range_c: tuple[float, float] = in_unit("degC", "Temperatures of the run: lowest and highest")
    dropped: dict[str, int] = entry("Dropped samples by reason")
    gaps: tuple[Gap, ...] = entry("Gaps in time")
    assumptions: tuple[str, ...] = entry("What was assumed about how the log is written")
    warnings: tuple[str, ...] = entry("What is likely wrong with the log, in words")
    legs: tuple[Leg, ...] = entry("Heating, cooling and soaks, in order")
    noise: Noise | None = entry("Noise against averaging time; null: the samples have no order in time, or are too few")
    sensor: SensorSteps = entry("Steps of the sensor")
    drift: Drift | None = entry("Drift between two visits to a temperature; null: unknown before a fit")
    hints: tuple[str, ...] = entry("What another run should do, in words")


@dataclass(frozen=True, kw_only=True)
class NotIdentifiable:
    """An effect that the runs do not identify."""

    effect: str = entry("Which effect: lag, ageing, hysteresis, response, or the name of a [[regressor]]")
    reason: str = entry("Why, in words")


@dataclass(frozen=True, kw_only=True)
class SensorColumn:
    """A sensor that was compared."""

    column: str | int = entry("Its column, by name or number")
    held_out_rms_ppb: float | None = in_unit(
        "ppb", "Error on sweeps that the curve had not seen, RMS; null: no curve could be fitted"
    )
    u_ppb: float | None = in_unit("ppb", "Its standard uncertainty, from the scatter between the sweeps")
    lag_s: float | None = in_unit("s", "Time constant from this sensor to the crystal; null: none was found")
    fault: str = entry("Why no curve could be fitted with it; empty: one could")


@dataclass(frozen=True, kw_only=True)
class InspectDocument:
    """What the runs hold."""

    ABOUT: ClassVar = About("inspect", 2, "What the runs hold", "`tcomp inspect --json`.")

    runs: tuple[InspectedRun, ...] = entry("Each run")
    not_identifiable: tuple[NotIdentifiable, ...] = entry(
        "Effects that these runs do not identify, each with the reason"
    )
    unseen: tuple[str, ...] = entry("Parts of the range that no run has seen, or only one way, in words")
    sensor_columns: tuple[SensorColumn, ...] = entry(
        "Sensors that were compared, the best first; empty: the log has only one"
    )
    sensor_advice: str | None = entry("Which sensor to take, in a sentence; null: the log has only one")
