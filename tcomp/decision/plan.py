"""A schedule for the chamber, and what it will give, before a day is spent."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tcomp.curve.curve import Curve
from tcomp.curve.effects import SIGNIFICANT
from tcomp.decision.asked import Asked, Budget, least_time_s, upwards
from tcomp.decision.averaging import Noise
from tcomp.decision.foreseen import Foreseen
from tcomp.decision.foretold import Foretold
from tcomp.decision.next_soaks import GRID, LEAST_SOAKS, MOST_SOAKS, UNKNOWN_BASE_PPB, NextSoaks, next_soaks
from tcomp.decision.schedule import Schedule, told_by
from tcomp.errors import JobError
from tcomp.job import Job
from tcomp.units import SECONDS_PER_MINUTE

MOST_AFTER_S = 3600.0
"""Averaging of a soak after which the next temperature tells more than a longer stay (common practice, no source). [s]"""
CERTAIN_PPB = 1e-3
"""Standard deviation of a base that cannot have moved."""
MOST_OF_A_LOT = 4
"""Soaks by which a unit of a lot is placed: with as many as a cubic has coefficients the lot has little left to say."""
BYTES_PER_ROW = 45
"""A time to the second, a temperature and a frequency, as text."""


@dataclass(frozen=True)
class Planned:
    """The schedule, what it rests on, and what it will give; times in [s], temperatures in [degC]."""

    name: str
    range_c: tuple[float, float]
    expected: Foreseen
    noise: Noise
    gate_s: float
    averaging_s: float
    budget: Budget
    schedule: Schedule
    foretold: Foretold
    next_degree_ppb: float | None
    """A term of one degree more is found from this size on (three standard uncertainties)."""
    next_soaks: NextSoaks | None
    of_a_lot: bool
    remarks: tuple[str, ...]

    @property
    def told_by(self) -> tuple[str, ...]:
        """How lag, hysteresis and ageing are told apart."""
        return told_by(self.schedule)

    @property
    def readings(self) -> int:
        """Rows of the log."""
        return int(self.schedule.total_min * SECONDS_PER_MINUTE / self.gate_s)

    @property
    def file_bytes(self) -> int:
        """Size of the log as CSV."""
        return self.readings * BYTES_PER_ROW


def plan(job: Job) -> Planned:
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
    asked = Asked.of(job)
    averaging_s = asked.sized()
    schedule = asked.schedule(averaging_s)
    _check_hours(job, asked, schedule)
    richer = replace(asked.expected, degree=asked.expected.degree + 1)
    return Planned(
        job.oscillator.name, asked.range_c, asked.expected, asked.noise, asked.gate_s, averaging_s, asked.budget, schedule,
        asked.foretell(schedule), SIGNIFICANT * math.sqrt(asked.foretell(schedule, richer).covariance[-1, -1]), None, False,
        (*asked.assumed, *asked.expected.assumptions),
    )  # fmt: skip


def plan_after(job: Job, curve: Curve, *, of_a_lot: bool = False) -> Planned:
    """Make a schedule of the soaks that lower the worst uncertainty of a measured curve most.

    ``of_a_lot``: the curve is a lot's, its uncertainty that of a new unit's; the base is then part of it, and four soaks are
    the most.

    Raises
    ------
    JobError
        As of `plan`; or there is no time for two soaks.
    """
    asked = Asked.of(job, curve)
    at_c = np.linspace(*asked.range_c, GRID)
    now_ppb = float(np.sqrt(curve.uncertainty_ppb(at_c) ** 2 - curve.reference_u_ppb**2).max())
    # Two soaks compared with each other, as a shape needs, are then within the limit, or within what is known.
    enough_ppb = min(asked.budget.noise_ppb, now_ppb) / 2
    averaging_s = least_time_s(
        lambda time_s: float(asked.soak_u_ppb(at_c, time_s).max()), enough_ppb, asked.least_averaging_s, MOST_AFTER_S
    )
    soak_ppb = asked.soak_u_ppb(at_c, averaging_s)
    retrace_ppb = job.oscillator.retrace_ppb
    base_sd_ppb = UNKNOWN_BASE_PPB if retrace_ppb is None else max(retrace_ppb, CERTAIN_PPB)
    if of_a_lot:
        base_sd_ppb = CERTAIN_PPB
    longest = job.chamber.longest_hours or math.inf
    for most in range(MOST_OF_A_LOT if of_a_lot else MOST_SOAKS, LEAST_SOAKS - 1, -1):
        found = next_soaks(curve, soak_ppb, asked.budget.noise_ppb, base_sd_ppb, most)
        if of_a_lot:  # what more soaks than are needed would give is worth knowing as well
            every = next_soaks(curve, soak_ppb, 0.0, base_sd_ppb, most)
            found = replace(found, best_c=every.best_c, worst_of_best_ppb=every.worst_of_best_ppb)
        schedule = asked.visiting(found.chosen_c, averaging_s)
        if schedule.total_min <= 60 * longest:
            break
    else:
        raise JobError(
            f"{job.place('chamber', 'longest_hours')}: [chamber] longest_hours = {longest:g}: the {LEAST_SOAKS} best soaks "
            f"take {schedule.total_min / 60:.1f} h; allow so much, or a larger lag_residual_ppb"
        )
    return Planned(
        job.oscillator.name, asked.range_c, asked.expected, asked.noise, asked.gate_s, averaging_s, asked.budget, schedule,
        Foretold(found.at_c, found.then_ppb, (), np.array(curve.covariance)), None, found, of_a_lot,
        (*asked.assumed, *asked.expected.assumptions, *(() if of_a_lot else _base_remark(retrace_ppb)), *_gain_remark(found)),
    )  # fmt: skip


def _check_hours(job: Job, asked: Asked, schedule: Schedule) -> None:
    longest = job.chamber.longest_hours
    if longest is None or schedule.total_min <= 60 * longest:
        return
    where = (
        f"{job.place('chamber', 'longest_hours')}: [chamber] longest_hours = {longest:g}: the schedule takes "
        f"{schedule.total_min / 60:.1f} h"
    )
    low, high = asked.budget.curve_ppb, MOST_RELAXED * asked.budget.curve_ppb
    if _minutes(job, high) > 60 * longest:
        raise JobError(
            f"{where}, and {_minutes(job, high) / 60:.1f} h however little is asked of the curve; allow so much, or faster "
            "ramps, or fewer extra_soaks"
        )
    while high > 1.01 * low:
        middle = math.sqrt(low * high)
        low, high = (low, middle) if _minutes(job, middle) <= 60 * longest else (middle, high)
    raise JobError(f"{where}; in that time the nearest that can be had is [plan] curve_ppb = {upwards(high):g}")


MOST_RELAXED = 1000.0
"""By how much less may be asked of the curve before it is said that time is too short for any."""


def _minutes(job: Job, curve_ppb: float) -> float:
    """What a schedule for this need takes. [min]"""
    asked = Asked.of(replace(job, plan=replace(job.plan, curve_ppb=curve_ppb)))
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
