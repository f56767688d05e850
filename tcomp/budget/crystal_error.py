"""What makes the error of a reading on the crystal that was characterised: as it is, or corrected by the table."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tcomp.budget.ageing import FAR, known_rate
from tcomp.budget.contribution import Contribution
from tcomp.budget.distributions import Arcsine, Distribution, Known, Normal, Rectangular, TwoValued
from tcomp.budget.drift import AgeingFit, Rate
from tcomp.budget.operating_points import OperatingPoints, Service, grid_c
from tcomp.estimation.curve import Curve
from tcomp.estimation.typical import figure, typical
from tcomp.job import Job
from tcomp.tables import AdcScale, CorrectionTable
from tcomp.units import DAYS_PER_YEAR, SECONDS_PER_DAY, SECONDS_PER_MINUTE, degc_text

Floats = NDArray[np.float64]
AGEING = "ageing since the trim"
WALK = "wandering of the base since the trim"
BASE = "base as trimmed"
LAG = "thermal lag while the temperature changes"
RESPONSE = "response to changing temperature"
RETRACE = "retrace at power-up"
HYSTERESIS = "hysteresis"
RESIDUAL = "residual of the curve"
TABLE = "table against curve"
SENSOR_STEPS = "sensor's steps"
SENSOR_NOISE = "sensor's noise"
BOARD_WARM_UP = "warming up of the board"
SENSOR_DRIFT = "sensor's drift"
CURVE = "uncertainty of the curve"
REFERENCE = "reference when trimmed"
RESOLUTION = "the display's resolution"
BEYOND = "use beyond the curve's range"


@dataclass(frozen=True, eq=False)
class CrystalUnderTest:
    """The crystal as the job, its curve, its table and its history of trims know it.

    ``table``: None where only the curve is known.  ``trimmed_at_c``: another temperature of the trim than the job's [degC].
    ``base_is_known``: the base has the uncertainty that the curve states, and no trim is ahead.
    """

    job: Job
    curve: Curve
    table: CorrectionTable | None
    watched: AgeingFit | None = None
    trimmed_at_c: float | None = None
    base_is_known: bool = False

    @property
    def range_c(self) -> tuple[float, float]:
        """Where it is used. [degC]"""
        return self.job.use.range_c or (self.curve.low_c, self.curve.high_c)

    @property
    def trim_c(self) -> float:
        """Where it is trimmed. [degC]"""
        stated = self.job.use.trim_c if self.trimmed_at_c is None else self.trimmed_at_c
        return self.curve.reference_c if stated is None else stated

    def service(self, *, trimmed: bool = True) -> Service:
        """How it is used."""
        use = self.job.use
        return Service(use, self.range_c, self.job.table.temperature_weights, trimmed, use.wait_minutes)

    def over_use(self, values: Callable[[Floats], Floats]) -> Callable[[OperatingPoints], Floats]:
        """What depends on temperature alone, at the moments."""
        at_grid = values(grid_c(self.range_c))
        return lambda moments: np.asarray(at_grid[moments.at])

    def slope_ppb_per_c(self, temperature_c: Floats) -> Floats:
        """Slope of the crystal, beyond the curve's range too. [ppb/degC]"""
        return self.curve.basis.slope(temperature_c, np.array(self.curve.coef))

    def at_trim(self, values: Callable[[Floats], Floats]) -> float:
        """What depends on temperature alone, at the trim; nothing where the base's own uncertainty is known from trims."""
        if self.watched is not None or self.base_is_known:
            return 0.0
        return float(values(np.array([self.trim_c]))[0])

    @property
    def anew(self) -> float:
        """Effect at the trim of what comes anew there and is the error itself."""
        return self.at_trim(np.ones_like)


def uncorrected(known: CrystalUnderTest) -> tuple[Contribution, ...]:
    """The crystal as it is, trimmed once: all that temperature does is error."""
    curve, at_trim_ppb = known.curve, float(known.curve.continued_ppb(np.array([known.trim_c]))[0])
    swing = Contribution(
        "temperature, uncorrected",
        Known(1.0),
        known.over_use(lambda temperature_c: curve.continued_ppb(temperature_c) - at_trim_ppb),
        unit="1",
        evaluated="A",
        basis=f"the curve over the use, less its value at {known.trim_c:g} degC",
    )
    warming = _board_warms_up(known, by_table=False)
    return (swing, *warming, *of_any_reading(known.job), *_of_the_crystal(known))


def corrected(known: CrystalUnderTest) -> tuple[Contribution, ...]:
    """The crystal with its table in the firmware; without a table, corrected by its curve."""
    return (*_of_the_curve(known), *_of_the_firmware(known), *of_any_reading(known.job), *_of_the_crystal(known))


def _of_the_curve(known: CrystalUnderTest) -> Iterator[Contribution]:
    curve = known.curve
    dof = max(1.0, curve.effective_samples - len(curve.coef))
    residual_ppb, words = residual_of(known.job, curve)
    if residual_ppb > 0:
        yield Contribution(RESIDUAL, Normal(residual_ppb, dof=dof), at_trim=known.anew, evaluated="A", basis=words)
    yield Contribution(
        CURVE, Normal(1.0, dof=dof),
        known.over_use(lambda temperature_c: curve.shape_uncertainty_ppb(temperature_c, known.trim_c)),
        unit="1", lasts="life", evaluated="A",
        basis=f"covariance of the fit, of differences to {known.trim_c:g} degC: the base is trimmed there",
    )  # fmt: skip
    low_c, high_c = known.range_c
    if low_c < curve.low_c or high_c > curve.high_c:
        yield Contribution(
            BEYOND, Known(1.0),
            known.over_use(lambda temperature_c: curve.continued_ppb(temperature_c) - curve.offset_ppb(temperature_c)),
            unit="1",
            basis=f"the curve continued beyond {degc_text(curve.low_c)} to {degc_text(curve.high_c)} degC, where the table holds",
            assumed=True, decides=f"a run over all of {degc_text(low_c)} to {degc_text(high_c)} degC",
        )  # fmt: skip


def residual_of(job: Job, curve: Curve) -> tuple[float, str]:
    """What held-out samples lie about the curve by, each cause counted once, and in words. [ppb]

    The found loop is a line of its own, and so is the noise where the job states it: their squares are taken off.
    """
    held, loop = curve.held_out, curve.effect("hysteresis")
    whole_ppb = held.rms_ppb if math.isfinite(held.rms_ppb) else curve.residual_sd_ppb
    off, words = 0.0, []
    if loop.status == "found":
        off, words = (loop.value / 2) ** 2, ["half of the loop"]
    if job.oscillator.noise_ppb is not None:
        off, words = off + curve.residual_sd_ppb**2, [*words, "the log's noise"]
        left_ppb = math.sqrt(max(0.0, whole_ppb**2 - off))
    else:
        left_ppb = math.sqrt(max(curve.residual_sd_ppb**2, whole_ppb**2 - off))
    apart = f"without {' and '.join(words)}, lines of their own" if words else "the log's noise included"
    return left_ppb, f"RMS on what the curve had not seen ({held.method}), {apart}"


def _of_the_firmware(known: CrystalUnderTest) -> Iterator[Contribution]:
    """What the table and its sensor add."""
    job, slope = known.job, known.over_use(known.slope_ppb_per_c)
    at_trim = known.at_trim(known.slope_ppb_per_c)
    if known.table is not None:
        yield Contribution(TABLE, Rectangular(known.table.max_error_ppb), basis="largest over every code; +/-")
    step_c = _step_c(known)
    if step_c:
        yield Contribution(
            SENSOR_STEPS, Rectangular(step_c / 2), slope, unit="degC", at_trim=at_trim,
            basis=f"steps of {step_c:.3g} degC",
        )  # fmt: skip
    if job.sensor.sigma_c:
        yield Contribution(
            SENSOR_NOISE, Normal(job.sensor.sigma_c), slope, unit="degC", at_trim=at_trim, basis="[sensor] sigma_c"
        )
    yield _sensor_drift(known)
    yield from _lag(known)
    yield from _response(known)
    yield from _hysteresis(known)
    yield from _board_warms_up(known, by_table=True)


@dataclass(frozen=True)
class SensorDrift:
    """The sensor drifts evenly over the life, by anything within +/- ``half_c`` in all of it.

    What it has drifted by until the trim cancels but for the difference of the slopes; since then it counts in full.  An offset
    that it had in the runs is in the curve.
    """

    half_c: float
    life_days: float

    def effect_ppb_per_c(
        self, slope: Floats, slope_at_trim: float, age_days: Floats | float, days: Floats | float
    ) -> Floats:
        """Error for a degree of drift over the life, so many days after a trim at that age.

        >>> SensorDrift(0.1, 1000.0).effect_ppb_per_c(np.array([300.0, 300.0]), 200.0, np.array([0.0, 500.0]), 100.0).tolist()
        [30.0, 80.0]
        """
        until = np.clip(np.asarray(age_days) / self.life_days, 0.0, 1.0)
        now = np.clip((np.asarray(age_days) + np.asarray(days)) / self.life_days, 0.0, 1.0)
        return np.asarray(slope * now - slope_at_trim * until)


def sensor_drift(job: Job) -> tuple[SensorDrift, str, bool]:
    """Of the job's sensor; with where the figure comes from, and whether it is assumed."""
    drift = figure(job.use.sensor_drift_c, "sensor", "drift_c")
    return SensorDrift(drift.value, job.use.life_years * DAYS_PER_YEAR), drift.basis, drift.assumed


def _sensor_drift(known: CrystalUnderTest) -> Contribution:
    drift, basis, assumed = sensor_drift(known.job)
    slope = known.over_use(known.slope_ppb_per_c)
    slope_at_trim = float(known.slope_ppb_per_c(np.array([known.trim_c]))[0])

    def effect(moments: OperatingPoints) -> Floats:
        return drift.effect_ppb_per_c(slope(moments), slope_at_trim, moments.age_days, moments.days)

    return Contribution(
        SENSOR_DRIFT, Rectangular(drift.half_c), effect, unit="degC", lasts="life",
        basis=f"{basis}; over the life, less what the trim takes off", assumed=assumed,
        decides="the sensor against a thermometer, now and in a year",
    )  # fmt: skip


def _step_c(known: CrystalUnderTest) -> float:
    """The coarser of the sensor's step and a code."""
    sensor_c = known.job.sensor.resolution_c or 0.0
    if known.table is None:
        return sensor_c
    scale = known.table.scale
    if isinstance(scale, AdcScale):
        return max(sensor_c, float(np.median(scale.degc_per_count(known.table.codes))))
    return max(sensor_c, 1 / scale.counts_per_c)


def _lag(known: CrystalUnderTest) -> Iterator[Contribution]:
    """Slope x time constant x rate: the firmware reads the sensor, and the crystal is elsewhere.

    The rate is that of a temperature that swings as a sine, at most [use] ramp_c_per_min.  A firmware that follows the crystal
    is behind it by what is not known of the lag, and until the next update by the time since the last one, at most update_s.
    """
    ramp, lag, firmware = known.job.use.ramp_c_per_min, known.curve.effect("lag"), known.job.firmware
    if not ramp:
        return
    identifiable = lag.status in ("found", "given", "none seen")
    guess = typical("crystal", "lag_s")
    u_s = lag.uncertainty if lag.uncertainty > 0 else 0.0
    tau_s = math.hypot(lag.value, u_s) if identifiable else guess.value
    basis = f"slope x time constant x rate, {tau_s:.3g} s ({lag.status})" if identifiable else guess.basis
    if lag.value and firmware.follow:
        tau_s = math.hypot(firmware.update_s, u_s)
        basis = f"slope x time until the next update x rate, {tau_s:.3g} s, as the firmware follows a lag of {lag.value:.3g} s"
    elif lag.value and firmware.update_s < abs(lag.value):
        basis += f"; [firmware] follow = true would leave {math.hypot(firmware.update_s, u_s):.3g} s"

    def per_rate(temperature_c: Floats) -> Floats:
        return known.slope_ppb_per_c(temperature_c) * tau_s / SECONDS_PER_MINUTE

    yield Contribution(
        LAG, Arcsine(ramp), known.over_use(per_rate), unit="degC/min", at_trim=known.at_trim(per_rate), basis=basis,
        assumed=not identifiable, decides="a run with two ramp rates, or up and down at one", followed=True,
    )  # fmt: skip


def _response(known: CrystalUnderTest) -> Iterator[Contribution]:
    """What the rate adds at each temperature: the firmware does not follow it."""
    ramp, response = known.job.use.ramp_c_per_min, known.curve.response
    if ramp and response is not None:
        yield Contribution(
            RESPONSE, Arcsine(ramp), known.over_use(response.at), unit="degC/min", at_trim=known.at_trim(response.at),
            evaluated="A", followed=True,
            basis=f"found in the runs, {known.curve.effect('response').value:.3g} ppb at 1 degC/min where it is largest",
        )  # fmt: skip


def _hysteresis(known: CrystalUnderTest) -> Iterator[Contribution]:
    """Heated or cooled: half the loop to either side of the curve; a trim is on one side, too."""
    loop = known.curve.effect("hysteresis")
    # Runs are in the middle of the loop, a trim is on one side.
    at_trim = 0.0 if known.base_is_known and not known.curve.trimmed else 1.0
    if loop.status == "found":
        yield Contribution(
            HYSTERESIS, TwoValued(abs(loop.value) / 2), at_trim=at_trim, evaluated="A",
            basis=f"half of a loop of {loop.value:.3g} ppb",
        )  # fmt: skip
    elif loop.status == "none seen":
        yield Contribution(
            HYSTERESIS, Normal(loop.uncertainty / 2), at_trim=at_trim, evaluated="A",
            basis=f"none seen, half of its u of {loop.uncertainty:.2g} ppb",
        )  # fmt: skip
    elif loop.status != "off":  # the job says that there is none
        guess = typical("crystal", "hysteresis_ppb")
        yield Contribution(
            HYSTERESIS, TwoValued(guess.value / 2), at_trim=at_trim, basis=guess.basis, assumed=True,
            decides="a run with soaks reached from above and from below",
        )  # fmt: skip


def _of_the_crystal(known: CrystalUnderTest) -> Iterator[Contribution]:
    """What no correction by temperature takes away."""
    crystal, use = known.job.oscillator, known.job.use
    yield from _ageing(known)
    yield from _regressors(known)
    if known.base_is_known:
        if use.hours_on_per_day < 24 or crystal.retrace_ppb is not None:
            yield retrace_of(known.job, 1.0)  # of the base, and of the power-up since
    elif use.hours_on_per_day < 24:
        yield retrace_of(known.job, known.anew)
    if crystal.noise_ppb is not None:
        yield Contribution(
            "short-term noise", Normal(crystal.noise_ppb), at_trim=known.anew, basis=f"at {use.gate_s:g} s, given"
        )
    yield from surroundings(known.job)
    for name, slope, drift in (
        ("supply", crystal.supply_ppb_per_v, crystal.supply_drift_v),
        ("trim voltage", crystal.trim_ppb_per_v, crystal.trim_drift_v),
    ):
        if slope and drift:
            yield Contribution(
                f"pulled by its {name}", Rectangular(abs(slope) * drift), lasts="trim",
                basis=f"{slope:g} ppb/V x {drift:g} V",
            )  # fmt: skip


def _regressors(known: CrystalUnderTest) -> Iterator[Contribution]:
    """Quantities besides temperature, by how far they are from their references in use."""
    use = {one.name: one.use for one in known.job.regressors}
    for name, term in known.curve.regressors.items():
        low, high = use.get(name) or (term.low, term.high)
        at, beyond = np.linspace(low, high, 41), low < term.low or high > term.high
        over = replace(term, low=low, high=high)
        # The coefficients' own u counts beside them: of one that was not seen it is all there is.
        largest = float(np.hypot(over.at(at), over.u_at(at)).max())
        span = f"{low:.4g} to {high:.4g}{f' {term.unit}' if term.unit else ''}"
        if largest:
            yield Contribution(
                f"{name}, which the table does not see", Rectangular(largest), evaluated="A",
                basis=f"{term.values[0]:.3g} (u {float(np.sqrt(term.covariance[0][0])):.2g}) ppb per unit, {span} in use, the "
                f"table holds at {term.reference:g}{', continued beyond the runs' if beyond else ''}", assumed=beyond,
                decides=f"a run with {name} over all of {span}" if beyond else "", followed=True,
            )  # fmt: skip


DAY_GRID = 257
"""Days at which the drift of a history is computed, where an interval is looked at as a whole."""
SURROUNDINGS = ("load", "tilt", "humidity", "pressure", "vibration")
"""What moves a crystal besides, each by a key of [oscillator] with its name; nothing is typical of them."""


def surroundings(job: Job) -> Iterator[Contribution]:
    """What the job states of the surroundings, as bounds."""
    for name in SURROUNDINGS:
        bound_ppb = getattr(job.oscillator, f"{name}_ppb")
        if bound_ppb:
            yield Contribution(
                f"moved by {name}", Rectangular(bound_ppb), basis=f"[oscillator] {name}_ppb, +/-{bound_ppb:g} ppb"
            )


def not_counted(job: Job) -> Iterator[str]:
    """What the error may hold besides and is not counted, with the key that would count it."""
    if job.oscillator.supply_ppb_per_v is None:
        yield "supply ([oscillator] supply_ppb_per_v and supply_drift_v)"
    logged = " ".join(one.name for one in job.regressors).lower()
    for name in SURROUNDINGS:
        if getattr(job.oscillator, f"{name}_ppb") is None and name not in logged:
            yield f"{name} ([oscillator] {name}_ppb)"
    if job.use.hours_on_per_day < 24 and not job.use.warm_up_c:
        yield "warming up of the board ([use] warm_up_c)"
    if job.fit.hysteresis == "none":
        yield 'hysteresis ([fit] hysteresis = "auto")'


def _board_warms_up(known: CrystalUnderTest, *, by_table: bool) -> Iterator[Contribution]:
    """After switch-on the board warms up as 1 - exp(-t / tau): the crystal lags its sensor, and without a table it is colder.

    Behind a first-order lag L the sensor is ahead by rise L / (tau - L) (exp(-t / tau) - exp(-t / L)): the equation's own solution.
    """
    use = known.job.use
    if not use.warm_up_c or use.hours_on_per_day >= 24:
        return
    lag, tau_s = known.curve.effect("lag"), use.warm_up_minutes * SECONDS_PER_MINUTE
    lag_s = lag.value if lag.status in ("found", "given", "none seen") else typical("crystal", "lag_s").value
    at_c, slope = grid_c(known.range_c), known.slope_ppb_per_c(grid_c(known.range_c))

    def ahead(moments: OperatingPoints) -> Floats:
        time_s = moments.minutes_on * SECONDS_PER_MINUTE
        size_s = max(abs(lag_s), 1e-9)
        apart = tau_s - size_s if abs(tau_s - size_s) > 1e-6 * tau_s else 1e-6 * tau_s
        away_c = use.warm_up_c * size_s / apart * (np.exp(-time_s / tau_s) - np.exp(-time_s / size_s))
        return np.asarray(math.copysign(1.0, lag_s) * away_c * slope[moments.at])

    def colder(moments: OperatingPoints) -> Floats:
        away_c = -use.warm_up_c * np.exp(-moments.minutes_on * SECONDS_PER_MINUTE / tau_s)
        here_c = at_c[moments.at]
        return np.asarray(known.curve.continued_ppb(here_c + away_c) - known.curve.continued_ppb(here_c))

    yield Contribution(
        BOARD_WARM_UP, Known(1.0), ahead if by_table else colder, unit="1", lasts="power-up",
        basis=f"the board warms up by {use.warm_up_c:g} degC, time constant {use.warm_up_minutes:g} minutes", followed=True,
    )  # fmt: skip


def retrace_of(job: Job, at_trim: float) -> Contribution:
    """What the crystal comes back by at a power-up."""
    retrace = figure(job.oscillator.retrace_ppb, "crystal", "retrace_ppb")
    return Contribution(
        RETRACE, Rectangular(retrace.value), lasts="power-up", at_trim=at_trim, basis=retrace.basis,
        assumed=retrace.assumed, decides="the board off for a day, then held against the reference, some times over",
    )  # fmt: skip


def of_any_reading(job: Job) -> Iterator[Contribution]:
    """What every option has, bought or not."""
    if job.use.resolution_ppb:
        yield Contribution(
            RESOLUTION, Rectangular(job.use.resolution_ppb / 2),
            basis=f"half a step of {job.use.resolution_ppb:g} ppb",
        )  # fmt: skip


def of_any_trim(job: Job) -> Iterator[Contribution]:
    """What every option that is trimmed has of its trim."""
    if job.reference.uncertainty_ppb:
        yield Contribution(REFERENCE, Normal(job.reference.uncertainty_ppb), lasts="trim", basis="[reference]")


def _ageing(known: CrystalUnderTest) -> Iterator[Contribution]:
    """As trims have shown it, with the base that they left; else the one rule for a rate, and the reference of a trim."""
    if known.watched is not None:
        yield from _as_watched(known.watched, known.job.use.recalibrate_days)
        return
    yield from of_any_trim(known.job)
    rate = known_rate(known.job, known.curve, known.job.use.recalibrate_days)
    yield aged(rate)
    if rate.walk_ppb:
        yield Contribution(
            WALK, Normal(rate.walk_ppb), lambda moments: np.sqrt(moments.days), unit="ppb/sqrt(day)", lasts="trim",
            basis="typical of the cut, times the root of the days since the trim", assumed=True,
            decides="six trims or more (`tcomp retrim`)",
        )  # fmt: skip


def aged(rate: Rate, decides: str = "a second trim some weeks from now (`tcomp retrim`)") -> Contribution:
    """A rate times the days since the trim; what is known of it is added as it is."""
    spread: Distribution = Normal(rate.u_ppb_per_day)
    if rate.bound_ppb_per_day is not None:
        spread = Rectangular(rate.bound_ppb_per_day)
    return Contribution(
        AGEING, spread, lambda moments: moments.days, unit="ppb/day", lasts="life",
        known=lambda moments: rate.ppb_per_day * moments.days, basis=rate.words, assumed=rate.assumed,
        at_least=rate.at_least, decides=decides,
    )  # fmt: skip


def _as_watched(watched: AgeingFit, ahead_days: float) -> Iterator[Contribution]:
    """The base and its drift by the history: what the drift adds to the base's own uncertainty is the line of ageing."""
    far = ahead_days > FAR * watched.span_days
    reach = f", taken {ahead_days / max(watched.span_days, 1e-9):.0f} times as far" if far else ""

    def over_days(values: Callable[[Floats], Floats]) -> Callable[[OperatingPoints], Floats]:
        """What depends on the days alone, by a straight line between so many of them."""

        def at(moments: OperatingPoints) -> Floats:
            first, last = float(moments.days.min()), float(moments.days.max())
            days = np.linspace(first, last, DAY_GRID if last > first else 1)
            return np.interp(moments.days, days, values(watched.end_s + days * SECONDS_PER_DAY))

        return at

    base_u_ppb = float(watched.predicted(np.array([watched.end_s]))[1][0])

    def grown_ppb(time_s: Floats) -> Floats:
        return np.asarray(np.sqrt(np.maximum(watched.predicted(time_s)[1] ** 2 - base_u_ppb**2, 0.0)))

    yield Contribution(
        BASE, Normal(base_u_ppb), lasts="trim", evaluated="A", basis=f"of {watched.bases} bases in the history of trims"
    )
    yield Contribution(
        AGEING, Normal(1.0), over_days(grown_ppb), unit="1", lasts="trim", evaluated="A",
        known=over_days(lambda time_s: watched.moved(time_s)[0]),
        basis=f"trims over {watched.span_days:.3g} days: {watched.words}{reach}", assumed=far,
        decides="a second trim some weeks from now (`tcomp retrim`)",
    )  # fmt: skip


def of_a_correction(known: CrystalUnderTest) -> tuple[Contribution, ...]:
    """What is left of a reading that was corrected afterwards, with its lag and the drift of its base.

    What goes with the temperature's change is followed, and base, curve and sensor's drift are known for the very reading: their
    uncertainties stand in the curve, the ageing and `SensorDrift`.
    """
    afterwards = replace(known, base_is_known=True, watched=None)
    there = {AGEING, WALK, CURVE, SENSOR_DRIFT, BASE, REFERENCE, RESOLUTION, BEYOND}
    return tuple(one for one in corrected(afterwards) if not one.followed and one.name not in there)
