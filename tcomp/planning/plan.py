"""A schedule for the chamber, and what it will give, before a day is spent."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tcomp.errors import JobError
from tcomp.estimation.curve import Curve
from tcomp.estimation.effects.finding import SIGNIFICANT
from tcomp.job import Job
from tcomp.planning.assumptions import Assumptions
from tcomp.planning.averaging import Noise
from tcomp.planning.prediction import Prediction
from tcomp.planning.requirements import Budget, PlanRequirements, least_time_s, upwards
from tcomp.planning.schedule import Schedule, separation
from tcomp.planning.soaks import GRID, MAX_SOAKS, MIN_SOAKS, UNKNOWN_BASE_PPB, NextSoaks, next_soaks
from tcomp.units import SECONDS_PER_MINUTE, short

MAX_AFTER_S = 3600.0
"""Averaging of a soak after which the next temperature tells more than a longer stay (common practice, no source). [s]"""
CERTAIN_PPB = 1e-3
"""Standard deviation of a base that cannot have moved."""
STILL_MATTERS = 1.2
"""Ratio of uncertainties from which a soak that stands still is worth a word."""
MAX_OF_A_LOT = 4
"""Soaks by which a unit of a lot is placed: with as many as a cubic has coefficients the lot has little left to say."""
BYTES_PER_ROW = 45
"""A time to the second, a temperature and a frequency, as text."""


@dataclass(frozen=True)
class PlanResult:
    """The schedule, what it rests on, and what it will give; times in [s], temperatures in [degC]."""

    name: str
    range_c: tuple[float, float]
    expected: Assumptions
    noise: Noise
    gate_s: float
    averaging_s: float
    budget: Budget
    schedule: Schedule
    prediction: Prediction
    next_degree_ppb: float | None
    """A term of one degree more is found from this size on (three standard uncertainties)."""
    next_soaks: NextSoaks | None
    of_a_lot: bool
    remarks: tuple[str, ...]

    @property
    def separation(self) -> tuple[str, ...]:
        """What makes lag, hysteresis and ageing identifiable."""
        return separation(self.schedule)

    @property
    def readings(self) -> int:
        """Rows of the log."""
        return int(self.schedule.total_min * SECONDS_PER_MINUTE / self.gate_s)

    @property
    def file_bytes(self) -> int:
        """Size of the log as CSV."""
        return self.readings * BYTES_PER_ROW


def plan(job: Job) -> PlanResult:
    """Make a schedule that gives what the job asks.

    Raises
    ------
    JobError
        The chamber does not reach the range, or the reference cannot give what is needed: what comes nearest is said.

    Examples
    --------
    Three points of the best design for a parabola, two between them against a cubic, and the first again:

    >>> from tcomp.job import read_job_text
    >>> fork = '[oscillator]\\nname = "fork"\\ncut = "tuning-fork"\\n[fit]\\nrange_c = [0, 40]'
    >>> [step.to_c for step in plan(read_job_text(fork, runs_needed=False)).schedule.steps if step.what == "soak"]
    [0.0, 20.0, 40.0, 31.5, 8.5, 0.0]
    """
    asked = PlanRequirements.of(job)
    averaging_s = asked.sized()
    schedule = asked.schedule(averaging_s)
    _check_hours(job, asked, schedule)
    richer = replace(asked.expected, degree=asked.expected.degree + 1)
    check_ppb = SIGNIFICANT * math.sqrt(asked.predict_uncertainty(schedule, richer).covariance[-1, -1])
    return PlanResult(
        job.oscillator.name, asked.range_c, asked.expected, asked.noise, asked.gate_s, averaging_s, asked.budget, schedule,
        asked.predict_uncertainty(schedule), check_ppb, None, False,
        (*asked.assumed, *asked.expected.assumptions, *_still_remark(asked, schedule)),
    )  # fmt: skip


def plan_after(job: Job, curve: Curve, *, of_a_lot: bool = False) -> PlanResult:
    """Make a schedule of the soaks that lower the worst uncertainty of a measured curve most.

    ``of_a_lot``: the curve is a lot's, its uncertainty that of a new unit's; the base is then part of it, and four soaks are
    the most.

    Raises
    ------
    JobError
        As of `plan`; or there is no time for two soaks.
    """
    asked = PlanRequirements.of(job, curve)
    at_c = np.linspace(*asked.range_c, GRID)
    now_ppb = float(np.sqrt(curve.uncertainty_ppb(at_c) ** 2 - curve.reference_u_ppb**2).max())
    # Two soaks compared with each other, as a shape needs, are then within the limit, or within what is known.
    enough_ppb = min(asked.budget.noise_ppb, now_ppb) / 2
    averaging_s = least_time_s(
        lambda time_s: float(asked.soak_u_ppb(at_c, time_s).max()), enough_ppb, asked.least_averaging_s, MAX_AFTER_S
    )
    soak_ppb = asked.soak_u_ppb(at_c, averaging_s)
    retrace_ppb = job.oscillator.retrace_ppb
    base_sd_ppb = UNKNOWN_BASE_PPB if retrace_ppb is None else max(retrace_ppb, CERTAIN_PPB)
    if of_a_lot:
        base_sd_ppb = CERTAIN_PPB
    longest = job.chamber.longest_hours or math.inf
    for most in range(MAX_OF_A_LOT if of_a_lot else MAX_SOAKS, MIN_SOAKS - 1, -1):
        found = next_soaks(curve, soak_ppb, asked.budget.noise_ppb, base_sd_ppb, most)
        if of_a_lot:  # what more soaks than are needed would give is worth knowing as well
            every = next_soaks(curve, soak_ppb, 0.0, base_sd_ppb, most)
            found = replace(found, best_c=every.best_c, worst_of_best_ppb=every.worst_of_best_ppb)
        schedule = asked.visiting(found.chosen_c, averaging_s)
        if schedule.total_min <= 60 * longest:
            break
    else:
        raise JobError(
            f"{job.location('chamber', 'longest_hours')}: [chamber] longest_hours = {longest:g}: the {MIN_SOAKS} best soaks "
            f"take {schedule.total_min / 60:.1f} h; allow so much, or a larger lag_residual_ppb"
        )
    return PlanResult(
        job.oscillator.name, asked.range_c, asked.expected, asked.noise, asked.gate_s, averaging_s, asked.budget, schedule,
        Prediction(found.at_c, found.then_ppb, (), np.array(curve.covariance)), None, found, of_a_lot,
        (*asked.assumed, *asked.expected.assumptions, *(() if of_a_lot else _base_remark(retrace_ppb)), *_gain_remark(found)),
    )  # fmt: skip


def _still_remark(asked: PlanRequirements, schedule: Schedule) -> tuple[str, ...]:
    """What the sensor's steps do to soaks in which the board does not wander, as the plan counts on."""
    chamber, step_c = asked.job.chamber, asked.job.sensor.resolution_c
    still = replace(asked, job=replace(asked.job, chamber=replace(chamber, hunting_c=0.0)))
    counted_ppb, still_ppb = (one.predict_uncertainty(schedule).worst_ppb for one in (asked, still))
    if step_c is None or still_ppb <= STILL_MATTERS * counted_ppb:
        return ()
    return (
        f"the sensor's steps of {step_c:g} degC average out only because the board is taken to vary by [chamber] hunting_c = "
        f"{chamber.hunting_c:g} degC in a soak; if it stands still, the worst uncertainty by noise is {short(still_ppb)} ppb, not "
        f"{short(counted_ppb)}: let the set-point creep by a step or two during each soak, or take slow ramps "
        '([plan] kind = "ramps")',
    )


def _check_hours(job: Job, asked: PlanRequirements, schedule: Schedule) -> None:
    longest = job.chamber.longest_hours
    if longest is None or schedule.total_min <= 60 * longest:
        return
    where = (
        f"{job.location('chamber', 'longest_hours')}: [chamber] longest_hours = {longest:g}: the schedule takes "
        f"{schedule.total_min / 60:.1f} h"
    )
    low, high = asked.budget.curve_ppb, MAX_RELAXED * asked.budget.curve_ppb
    if _minutes(job, high) > 60 * longest:
        raise JobError(
            f"{where}, and {_minutes(job, high) / 60:.1f} h however little is asked of the curve; allow so much, or faster "
            "ramps, or fewer extra_soaks"
        )
    while high > 1.01 * low:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if _minutes(job, middle) <= 60 * longest else (middle, high)
    raise JobError(f"{where}; in that time the nearest that can be had is [plan] curve_ppb = {upwards(high):g}")


MAX_RELAXED = 1000.0
"""By how much less may be asked of the curve before it is said that time is too short for any."""


def _minutes(job: Job, curve_ppb: float) -> float:
    """What a schedule for this need takes. [min]"""
    asked = PlanRequirements.of(replace(job, plan=replace(job.plan, curve_ppb=curve_ppb)))
    return asked.schedule(asked.sized()).total_min


def _gain_remark(found: NextSoaks) -> tuple[str, ...]:
    if found.then_ppb.max() < found.now_ppb.max():
        return ()
    return (
        "soaks of this length do not lower the worst uncertainty: what is measured is better than they are; a finer sensor, "
        "a quieter reference or whole ramps would",
    )


def _base_remark(retrace_ppb: float | None) -> tuple[str, ...]:
    if retrace_ppb is not None:
        return ()
    return (
        "the base of the new run may be anywhere: the first soak only finds it; give [oscillator] retrace_ppb if known",
    )
