"""What a job asks of a schedule, with all that it leaves out filled in."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import JobError
from tcomp.estimation.curve import Curve
from tcomp.estimation.effects import FAMILY, Effects
from tcomp.job import Job
from tcomp.planning.assumptions import Assumptions, assumptions_for
from tcomp.planning.averaging import Noise, chosen_gate_s, longest_gate_s, noise_of
from tcomp.planning.prediction import Prediction, chamber_time_s, predict_uncertainty
from tcomp.planning.schedule import LAST, Schedule, Visit, laid_out, ramp_visits, settling_s, soak_visits
from tcomp.units import SECONDS_PER_HOUR, SECONDS_PER_MINUTE, short

ASSUMED_CURVE_PPB = 20.0
"""What is needed where the job does not say. [ppb]"""
LAG_SHARE = 1 / 20
"""Of what is needed (k = 2), the lag may leave so much where the job does not say: a tenth of the standard uncertainty."""
MIN_READINGS = 20
"""In the averaging of a soak: so many, and five minutes, show whether it stands still (common practice, no source)."""
MIN_AVERAGING_S = 300.0
MAX_AVERAGING_S = 24 * SECONDS_PER_HOUR
"""Of a soak: what a day of averaging does not give, none gives."""


@dataclass(frozen=True)
class Budget:
    """What is needed of the curve as expanded uncertainty (k = 2), and what each share may take (k = 1). [ppb]"""

    curve_ppb: float
    reference_ppb: float
    lag_ppb: float
    noise_ppb: float
    """Limit for noise: its stated share, or what the others leave."""

    @property
    def needed_u_ppb(self) -> float:
        """As a standard uncertainty."""
        return self.curve_ppb / 2

    def u_ppb(self, noise_ppb: float) -> float:
        """All together; the lag's residual is a bound, rectangular (GUM, JCGM 100:2008, 4.3.7)."""
        return math.hypot(self.reference_ppb, self.lag_ppb / math.sqrt(3), noise_ppb)


@dataclass(frozen=True)
class PlanRequirements:
    """What a job asks of a schedule, with all that was left out filled in."""

    job: Job
    range_c: tuple[float, float]
    expected: Assumptions
    noise: Noise
    gate_s: float
    budget: Budget
    rates: tuple[float, float]
    assumed: tuple[str, ...]

    @classmethod
    def of(cls, job: Job, measured: Curve | None = None) -> PlanRequirements:
        range_c, assumed = ((measured.low_c, measured.high_c), ()) if measured is not None else range_of(job)
        if range_c is None:
            raise JobError(
                f"{job.path}: a plan needs the range of the curve; give [fit] range_c = [lowest, highest], in degC"
            )
        _check_chamber(job, range_c)
        expected, noise = assumptions_for(job, *range_c, measured), noise_of(job)
        rates = job.plan.ramps_c_per_min or (job.chamber.fastest_c_per_min, job.chamber.fastest_c_per_min / 2)
        asked = cls(
            job, range_c, expected, noise, job.counter.gate_s or chosen_gate_s(noise, expected.lag_s),
            Budget(*_needed(job), math.inf), (rates[0], rates[1]),
            (*assumed, *_need_remark(job), *_gate_remark(job, expected.lag_s)),
        )  # fmt: skip
        if noise.reading_ppb(asked.gate_s) == 0:
            raise JobError(
                f"{job.location('counter', 'resolution_s')}: [counter] resolution_s = 0, and no other noise is stated, so there is "
                "nothing to plan with; give the counter's resolution or jitter, or the noise of the reference"
            )
        asked = replace(asked, budget=_budget(asked, job, after=measured is not None))
        return replace(asked, assumed=(*asked.assumed, *_step_remark(asked)))

    @property
    def ends_c(self) -> tuple[float, float]:
        """The end where it begins first: that which is reached from the room, first and last, in one direction."""
        low_c, high_c = self.range_c
        return (low_c, high_c) if low_c < self.job.chamber.room_c else (high_c, low_c)

    @property
    def across_steps(self) -> bool:
        """Whether the counter's step hides what a soak says more than a single reading's noise does."""
        return self.noise.soak_step_ppb(self.gate_s) > self.noise.without_step_ppb(self.gate_s)

    @property
    def by_ramps(self) -> bool:
        """Whether the schedule is of ramps, with soaks at the ends only."""
        return self.job.plan.kind == "ramps" or (self.job.plan.kind == "both" and self.across_steps)

    @property
    def effects(self) -> Effects:
        """What the fit will estimate beside the curve: not what [fit] gives or leaves out."""
        fit = self.job.fit
        return Effects(tuple(effect for effect in FAMILY if getattr(fit, effect.name, "auto") == "auto"))

    @property
    def least_averaging_s(self) -> float:
        """Of a soak. [s]"""
        return max(MIN_READINGS * self.gate_s, MIN_AVERAGING_S)

    @property
    def sensor_common_c(self) -> float:
        """Error of the sensor's steps that no averaging in a soak lowers. [degC]

        Rounding a Gaussian scatter s to steps q leaves exp(-2 pi^2 s^2 / q^2) of it, to first order (B. Widrow and
        I. Kollar, Quantization Noise, 2008; from memory).
        """
        step_c = self.job.sensor.resolution_c or 0.0
        scatter_c = math.hypot(self.job.chamber.hunting_c, self.job.sensor.sigma_c or 0.0)
        left = math.exp(-2 * (math.pi * scatter_c / step_c) ** 2) if step_c else 0.0
        return step_c / math.sqrt(12) * left

    def settle_min(self, visit: Visit, from_c: float) -> float:
        """How long a soak lets the chamber and the lag settle. [min]"""
        behind_c = visit.rate_c_per_min * abs(self.expected.lag_s) / SECONDS_PER_MINUTE
        near_c = np.clip(visit.at_c + np.linspace(-behind_c, behind_c, 21), *self.range_c)
        slope = float(np.abs(self.expected.slope_ppb_per_c(near_c)).max())
        travel_c = abs(visit.at_c - from_c)
        left_s = settling_s(self.expected.lag_s, slope, visit.rate_c_per_min, travel_c, self.budget.lag_ppb)
        return self.job.chamber.settle_min + left_s / SECONDS_PER_MINUTE

    def schedule(self, averaging_s: float) -> Schedule:
        """The schedule with so much averaging in each soak; ramps alone are slowed down with it, both alike."""
        plan, (fast, slow) = self.job.plan, self.rates
        degree = self.expected.degree
        if self.by_ramps:
            # The ends take what the best design gives them, a share of one in degree + 1: the slower ramp takes the rest.
            longest_min = (degree + 1) * averaging_s / SECONDS_PER_MINUTE
            slowed = min(1.0, (self.range_c[1] - self.range_c[0]) / (slow * longest_min))
            fast, slow = fast * slowed, slow * slowed
            visits = ramp_visits(self.ends_c, (fast, slow))
        else:
            both_ways = plan.kind == "soaks"
            rates = (fast, fast) if both_ways else (fast, slow)
            visits = soak_visits(degree, self.ends_c, plan.extra_soaks, rates, both_ways=both_ways)
        return laid_out(visits, self.settle_min, averaging_s, self.job.chamber.room_c, self.rates[0])

    def visiting(self, soaks_c: tuple[float, ...], averaging_s: float) -> Schedule:
        """A schedule of these soaks, from one end to the other, and the first once more."""
        order = sorted((round(one, 1) for one in soaks_c), reverse=self.ends_c[0] > self.ends_c[1])
        visits = [Visit(one, self.rates[0], f"one of the {len(order)} best next") for one in order]
        visits.append(Visit(order[0], self.rates[1], LAST))
        return laid_out(tuple(visits), self.settle_min, averaging_s, self.job.chamber.room_c, self.rates[0])

    @property
    def sensor_noise_c(self) -> float:
        """Scatter of one reading of the sensor, its steps included. [degC]"""
        return math.hypot(self.job.sensor.sigma_c or 0.0, (self.job.sensor.resolution_c or 0.0) / math.sqrt(12))

    def soak_u_ppb(self, at_c: FloatArray, averaging_s: float) -> FloatArray:
        """Standard uncertainty of a soak's mean at these temperatures, of the same shape. [ppb]"""
        sensor_c = math.hypot(self.sensor_noise_c / math.sqrt(averaging_s / self.gate_s), self.sensor_common_c)
        by_sensor_ppb = np.abs(self.expected.slope_ppb_per_c(at_c)) * sensor_c
        return np.hypot(self.noise.mean_ppb(averaging_s, self.gate_s), by_sensor_ppb)

    def predict_uncertainty(self, schedule: Schedule, expected: Assumptions | None = None) -> Prediction:
        """What it will give."""
        return predict_uncertainty(
            schedule, expected or self.expected, self.range_c, self.noise, gate_s=self.gate_s,
            chamber_s=chamber_time_s(self.job.chamber.settle_min), sensor_noise_c=self.sensor_noise_c,
            sensor_common_c=self.sensor_common_c, effects=self.effects,
        )  # fmt: skip

    def worst_ppb(self, averaging_s: float) -> float:
        """Largest standard uncertainty by noise. [ppb]"""
        return self.predict_uncertainty(self.schedule(averaging_s)).worst_ppb

    def sized(self) -> float:
        """The least averaging in each soak, in whole minutes, with which noise keeps to its share. [s]"""
        return least_time_s(self.worst_ppb, self.budget.noise_ppb, self.least_averaging_s)


def doublings_s(least_s: float, most_s: float = MAX_AVERAGING_S) -> list[float]:
    """Whole minutes from the least on, doubled until there are enough. [s]

    >>> doublings_s(100.0, 300.0)
    [120.0, 240.0, 480.0]
    """
    minutes = [math.ceil(least_s / SECONDS_PER_MINUTE)]
    while minutes[-1] * SECONDS_PER_MINUTE < most_s:
        minutes.append(2 * minutes[-1])
    return [one * SECONDS_PER_MINUTE for one in minutes]


def least_time_s(
    worst_ppb: Callable[[float], float], limit_ppb: float, least_s: float, most_s: float = MAX_AVERAGING_S
) -> float:
    """The least whole minutes with which something that falls with time is within a limit. [s]

    >>> least_time_s(lambda time_s: 60.0 / time_s, 0.1, 60.0)
    600.0
    """
    tried = doublings_s(least_s, most_s)
    place = next((place for place, time_s in enumerate(tried) if worst_ppb(time_s) <= limit_ppb), len(tried) - 1)
    if place == 0:
        return tried[0]
    low, high = (round(time_s / SECONDS_PER_MINUTE) for time_s in tried[place - 1 : place + 1])
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if worst_ppb(middle * SECONDS_PER_MINUTE) <= limit_ppb else (middle, high)
    return high * SECONDS_PER_MINUTE


def range_of(job: Job) -> tuple[tuple[float, float] | None, tuple[str, ...]]:
    """The range of the curve, where the job or the chamber tells it, and a remark on what was assumed. [degC]"""
    if job.fit.range_c is not None:
        return job.fit.range_c, ()
    if job.use.range_c is not None:
        return job.use.range_c, ("[fit] range_c is left out: planned for [use] range_c",)
    lowest, highest = job.chamber.lowest_c, job.chamber.highest_c
    if lowest is None or highest is None:
        return None, ()
    return (lowest, highest), ("[fit] range_c is left out: planned for all that the chamber reaches",)


def _check_chamber(job: Job, range_c: tuple[float, float]) -> None:
    lowest, highest = job.chamber.lowest_c, job.chamber.highest_c
    for name, limit, beyond, word in (
        ("lowest_c", lowest, lowest is not None and range_c[0] < lowest, "down"),
        ("highest_c", highest, highest is not None and range_c[1] > highest, "up"),
    ):
        if beyond:
            raise JobError(
                f"{job.location('chamber', name)}: [chamber] {name} = {limit:g} does not reach {word} to the range of the curve, "
                f"{range_c[0]:g} to {range_c[1]:g} degC; narrow [fit] range_c, or use another chamber"
            )


def _needed(job: Job) -> tuple[float, float, float]:
    """What is needed, and what the reference and the lag take of it. [ppb]"""
    needed = job.plan.curve_ppb
    if needed is None:
        needed = job.use.needed_ppb / 2 if job.use.needed_ppb is not None else ASSUMED_CURVE_PPB
    return needed, job.reference.uncertainty_ppb, job.plan.lag_residual_ppb or LAG_SHARE * needed


def _need_remark(job: Job) -> tuple[str, ...]:
    if job.plan.curve_ppb is None and job.use.needed_ppb is None:
        return (f"assuming that the curve may be off by {ASSUMED_CURVE_PPB:g} ppb (k = 2); give [plan] curve_ppb",)
    return ()


def _step_remark(asked: PlanRequirements) -> tuple[str, ...]:
    """What the counter's step costs."""
    noise, gate_s = asked.noise, asked.gate_s
    own_ppb, with_ppb = noise.without_step_ppb(gate_s), noise.reading_ppb(gate_s)
    if with_ppb < 1.1 * own_ppb:
        return ()
    if own_ppb == 0:
        cost = "without noise of its own a reading says nothing but its step"
    else:
        cost = f"a ramp takes {short((with_ppb / own_ppb) ** 2)} times as long as with a counter of much finer steps"
    if not asked.across_steps:
        return (f"[counter] step_ppb = {noise.step_ppb:g}: {cost}",)
    instead = (
        "planned as ramps across the steps"
        if asked.by_ramps
        else 'ramps across the steps, [plan] kind = "ramps", tell more'
    )
    return (
        f"[counter] step_ppb = {noise.step_ppb:g}: a soak gives its offset to {short(noise.soak_step_ppb(gate_s))} ppb at best, "
        f"however long it lasts; {instead}; {cost}",
    )


def _gate_remark(job: Job, lag_s: float) -> tuple[str, ...]:
    gate_s, longest_s = job.counter.gate_s, longest_gate_s(lag_s)
    if gate_s is None or gate_s <= longest_s:
        return ()
    return (
        f"[counter] gate_s = {gate_s:g} s averages over what a lag of {lag_s:.0f} s does on a ramp; {longest_s:g} s or less "
        "would show it",
    )


def _budget(asked: PlanRequirements, job: Job, *, after: bool) -> Budget:
    """The budget with the limit for noise.

    Raises
    ------
    JobError
        Nothing is left for noise, or all averaging does not bring it so low.
    """
    budget = asked.budget
    left = budget.needed_u_ppb**2 - budget.u_ppb(0.0) ** 2
    limit_ppb = min(job.plan.noise_share * budget.needed_u_ppb, math.sqrt(max(left, 0.0)))
    # What is measured already counts, so that soaks without end need not be enough by themselves.
    floor_ppb = 0.0 if after and left > 0 else min(map(asked.worst_ppb, doublings_s(asked.least_averaging_s)))
    if floor_ppb <= limit_ppb:
        return replace(budget, noise_ppb=limit_ppb)
    nearest = 2 * math.hypot(budget.u_ppb(0.0), floor_ppb)
    if job.plan.lag_residual_ppb is None:  # it grows with what is needed
        nearest = 2 * math.hypot(budget.reference_ppb, floor_ppb) / math.sqrt(1 - 4 * LAG_SHARE**2 / 3)
    nearest = max(nearest, 2 * floor_ppb / job.plan.noise_share)
    key = ("plan", "curve_ppb") if job.plan.curve_ppb is not None else ("use", "needed_ppb")
    raise JobError(
        f"{job.location(*key)}: the curve is to be within {budget.curve_ppb:g} ppb (k = 2), but the reference has a standard "
        f"uncertainty of {budget.reference_ppb:g} ppb, and averaging leaves {short(floor_ppb)} ppb of noise at "
        f"best, which may take {100 * job.plan.noise_share:g} %; the nearest that can be had is [plan] curve_ppb = "
        f"{upwards(nearest):g}"
    )


def upwards(value: float) -> float:
    """Rounded up to two digits.

    >>> upwards(1.23), upwards(0.0401), upwards(120.0)
    (1.3, 0.041, 120.0)
    """
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return float(f"{math.ceil(value / unit - 1e-9) * unit:.2g}")
