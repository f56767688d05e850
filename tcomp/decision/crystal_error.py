"""What makes the error of a reading on the crystal that was characterised: as it is, or corrected by the table."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.curve import Curve
from tcomp.decision.budget import Evaluated
from tcomp.decision.contribution import WIDER, Contribution
from tcomp.decision.moments import Moments, grid_c
from tcomp.decision.spread import Known, Normal, Rectangular, Spread, TwoValued
from tcomp.decision.typical import figure, typical
from tcomp.job import Job
from tcomp.table import AdcScale, CorrectionTable
from tcomp.units import SECONDS_PER_MINUTE

Floats = NDArray[np.float64]
AGEING = "ageing since the trim"
LAG = "thermal lag while the temperature changes"
RETRACE = "retrace at power-up"
FAR = 3.0
"""Times the span of the runs beyond which their drift is extrapolated too far to be believed (common practice, no source)."""


@dataclass(frozen=True)
class Watched:
    """Ageing as trims have shown it: rate, its standard uncertainty [ppb/day], and over how long. [day]"""

    ppb_per_day: float
    u_ppb_per_day: float
    span_days: float
    words: str


@dataclass(frozen=True, eq=False)
class Characterised:
    """The crystal as the job, its curve, its table and its history of trims know it."""

    job: Job
    curve: Curve
    table: CorrectionTable
    watched: Watched | None = None

    @property
    def range_c(self) -> tuple[float, float]:
        """Where it is used. [degC]"""
        return self.job.use.range_c or (self.curve.low_c, self.curve.high_c)

    def over_use(self, values: Callable[[Floats], Floats]) -> Callable[[Moments], Floats]:
        """What depends on temperature alone, at the moments."""
        at_grid = values(grid_c(self.range_c))
        return lambda moments: np.asarray(at_grid[moments.at])

    def slope_ppb_per_c(self, temperature_c: Floats) -> Floats:
        """Slope of the crystal, beyond the curve's range too. [ppb/degC]"""
        return self.curve.basis.slope(temperature_c, np.array(self.curve.coef))


def uncorrected(known: Characterised) -> tuple[Contribution, ...]:
    """The crystal as it is, trimmed once at the reference temperature: all that temperature does is error."""
    curve, at_trim_ppb = known.curve, float(known.curve.offset_ppb(np.array([known.curve.reference_c]))[0])
    swing = Contribution(
        "temperature, uncorrected",
        Known(1.0),
        known.over_use(lambda temperature_c: curve.continued_ppb(temperature_c) - at_trim_ppb),
        unit="1",
        evaluated="A",
        basis=f"the curve over the use, less its value at {curve.reference_c:g} degC",
    )
    return (swing, *of_any_reading(known.job), *_of_the_crystal(known))


def corrected(known: Characterised) -> tuple[Contribution, ...]:
    """The crystal with its table in the firmware."""
    return (*_of_the_curve(known), *_of_the_firmware(known), *of_any_reading(known.job), *_of_the_crystal(known))


def _of_the_curve(known: Characterised) -> Iterator[Contribution]:
    curve, held = known.curve, known.curve.held_out
    residual_ppb = held.rms_ppb if math.isfinite(held.rms_ppb) else curve.residual_sd_ppb
    dof = max(1.0, curve.effective_samples - len(curve.coef))
    yield Contribution(
        "residual of the curve", Normal(residual_ppb, dof=dof), evaluated="A",
        basis=f"RMS on what the curve had not seen ({held.method.split(';')[0]}), a log's noise included",
    )  # fmt: skip
    yield Contribution(
        "uncertainty of the curve", Normal(1.0, dof=dof), known.over_use(_own_uncertainty(curve)),
        unit="1", lasts="life", evaluated="A", basis="covariance of the fit, base and reference apart",
    )  # fmt: skip
    low_c, high_c = known.range_c
    if low_c < curve.low_c or high_c > curve.high_c:
        yield Contribution(
            "use beyond the curve's range", Known(1.0),
            known.over_use(lambda temperature_c: curve.continued_ppb(temperature_c) - curve.offset_ppb(temperature_c)),
            unit="1", basis=f"the curve continued beyond {curve.low_c:.4g} to {curve.high_c:.4g} degC, where the table holds",
            assumed=True, decides=f"a run over all of {low_c:g} to {high_c:g} degC",
        )  # fmt: skip


def _own_uncertainty(curve: Curve) -> Callable[[Floats], Floats]:
    """The fit's own, beyond the range too; the reference's is another line."""

    def own_ppb(temperature_c: Floats) -> Floats:
        columns = curve.basis.values(temperature_c)
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", columns, np.array(curve.covariance), columns)))

    return own_ppb


def _of_the_firmware(known: Characterised) -> Iterator[Contribution]:
    """What the table and its sensor add."""
    job, slope = known.job, known.over_use(known.slope_ppb_per_c)
    yield Contribution(
        "table against curve", Rectangular(known.table.max_error_ppb), basis="largest over every code; +/-"
    )
    step_c = _step_c(known)
    if step_c:
        yield Contribution(
            "sensor's steps", Rectangular(step_c / 2), slope, unit="degC", basis=f"steps of {step_c:.3g} degC"
        )
    if job.sensor.sigma_c:
        yield Contribution("sensor's noise", Normal(job.sensor.sigma_c), slope, unit="degC", basis="[sensor] sigma_c")
    drift = figure(job.use.sensor_drift_c, "sensor", "drift_c")
    yield Contribution(
        "sensor's drift", Rectangular(drift.value), slope, unit="degC", lasts="life", basis=drift.basis,
        assumed=drift.assumed, decides="the sensor against a thermometer, now and in a year",
    )  # fmt: skip
    yield from _lag(known)
    yield from _hysteresis(known)


def _step_c(known: Characterised) -> float:
    """The coarser of the sensor's step and a code."""
    scale, sensor_c = known.table.scale, known.job.sensor.resolution_c or 0.0
    code_c = float(np.median(scale.degc_per_count(known.table.codes))) if isinstance(scale, AdcScale) else 0.0
    return max(sensor_c, code_c if isinstance(scale, AdcScale) else 1 / scale.counts_per_c)


def _lag(known: Characterised) -> Iterator[Contribution]:
    """Slope x time constant x rate: the firmware reads the sensor, and the crystal is elsewhere."""
    ramp, lag = known.job.use.ramp_c_per_min, known.curve.effect("lag")
    if not ramp:
        return
    told = lag.status in ("found", "given", "none seen")
    guess = typical("crystal", "lag_s")
    tau_s = math.hypot(lag.value, lag.uncertainty if lag.uncertainty > 0 else 0.0) if told else guess.value
    basis = f"slope x time constant x rate, {tau_s:.3g} s ({lag.status})" if told else guess.basis
    yield Contribution(
        LAG, Rectangular(ramp),
        known.over_use(lambda temperature_c: known.slope_ppb_per_c(temperature_c) * tau_s / SECONDS_PER_MINUTE),
        unit="degC/min", basis=basis, assumed=not told,
        decides="a run with two ramp rates, or up and down at one",
    )  # fmt: skip


def _hysteresis(known: Characterised) -> Iterator[Contribution]:
    """Heated or cooled: half the loop to either side of the curve."""
    loop = known.curve.effect("hysteresis")
    if loop.status == "found":
        yield Contribution(
            "hysteresis", TwoValued(abs(loop.value) / 2), evaluated="A", basis=f"half of a loop of {loop.value:.3g} ppb"
        )
    elif loop.status == "none seen":
        yield Contribution(
            "hysteresis", Normal(loop.uncertainty / 2), lasts="life", evaluated="A",
            basis=f"none seen, half of its u of {loop.uncertainty:.2g} ppb",
        )  # fmt: skip
    else:
        guess = typical("crystal", "hysteresis_ppb")
        yield Contribution(
            "hysteresis", TwoValued(guess.value / 2), basis=guess.basis, assumed=True,
            decides="a run with soaks reached from above and from below",
        )  # fmt: skip


def _of_the_crystal(known: Characterised) -> Iterator[Contribution]:
    """What no correction by temperature takes away."""
    crystal, use = known.job.oscillator, known.job.use
    yield _ageing(known)
    if use.hours_on_per_day < 24:
        retrace = figure(crystal.retrace_ppb, "crystal", "retrace_ppb")
        yield Contribution(
            RETRACE, Rectangular(retrace.value), basis=retrace.basis, assumed=retrace.assumed,
            decides="the board off for a day, then held against the reference, some times over",
        )  # fmt: skip
    if crystal.noise_ppb is not None:
        yield Contribution("short-term noise", Normal(crystal.noise_ppb), basis=f"at {use.gate_s:g} s, given")
    for name, slope, drift in (
        ("supply", crystal.supply_ppb_per_v, crystal.supply_drift_v),
        ("trim voltage", crystal.trim_ppb_per_v, crystal.trim_drift_v),
    ):
        if slope and drift:
            yield Contribution(
                f"pulled by its {name}", Rectangular(abs(slope) * drift), lasts="trim",
                basis=f"{slope:g} ppb/V x {drift:g} V",
            )  # fmt: skip


def of_any_reading(job: Job) -> Iterator[Contribution]:
    """What every option has, bought or not."""
    if job.reference.uncertainty_ppb:
        yield Contribution(
            "reference when trimmed", Normal(job.reference.uncertainty_ppb), lasts="trim", basis="[reference]"
        )
    if job.use.resolution_ppb:
        yield Contribution(
            "the display's resolution", Rectangular(job.use.resolution_ppb / 2),
            basis=f"half a step of {job.use.resolution_ppb:g} ppb",
        )  # fmt: skip


def _ageing(known: Characterised) -> Contribution:
    """The rate times the days since the trim; as trims have shown it, as given, as found in runs long enough, or typical."""
    given, seen = known.job.oscillator.ageing_ppb_per_day, known.curve.effect("ageing")
    if known.watched is not None:
        return _aged_as_watched(known.watched, known.job.use.recalibrate_days)
    if given is not None:
        return _aged(Known(given), "given")
    ahead = known.job.use.recalibrate_days / known.curve.span_days if known.curve.span_days > 0 else math.inf
    words = f"{seen.value:.2g} ppb/day in runs of {known.curve.span_days:.2g} days"
    if seen.status == "found" and ahead <= FAR:
        return _aged(Normal(seen.uncertainty, seen.value), f"found: {words}", evaluated="A")
    guess = typical("tuning-fork" if known.job.oscillator.cut == "tuning-fork" else "crystal", "ageing_ppb_per_day")
    if seen.status != "found":
        return _aged(Rectangular(guess.value), guess.basis, assumed=True)
    # A drift right after heat and handling is not that of a year; but it might go on.
    return _aged(
        Rectangular(guess.value), f"{guess.basis}; not the drift found, {words}, which would be taken {ahead:.0f}-fold too far",
        assumed=True, at_most=max(WIDER, abs(seen.value) / guess.value),
    )  # fmt: skip


def _aged_as_watched(watched: Watched, ahead_days: float) -> Contribution:
    """A logarithm is taken by its slope at the last trim, from which it only flattens."""
    far = ahead_days > FAR * watched.span_days
    reach = f", taken {ahead_days / watched.span_days:.0f} times as far" if far else ""
    basis = f"trims over {watched.span_days:.3g} days: {watched.words}{reach}"
    return _aged(Normal(watched.u_ppb_per_day, watched.ppb_per_day), basis, evaluated="A", assumed=far)


def _aged(
    rate: Spread, basis: str, *, evaluated: Evaluated = "B", assumed: bool = False, at_most: float = WIDER
) -> Contribution:
    return Contribution(
        AGEING, rate, lambda moments: moments.days, unit="ppb/day", lasts="life", evaluated=evaluated, basis=basis,
        assumed=assumed, at_most=at_most, decides="a second trim some weeks from now (`tcomp retrim`)",
    )  # fmt: skip
