"""A schedule for the chamber, and what it will give, before a day is spent."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tcomp.curve.curve import Curve
from tcomp.curve.effects import SIGNIFICANT
from tcomp.decision.asked import MOST_AVERAGING_S, Asked, Budget, upwards
from tcomp.decision.averaging import Noise
from tcomp.decision.foreseen import Foreseen
from tcomp.decision.foretold import Foretold
from tcomp.decision.next_soaks import GRID, UNKNOWN_BASE_PPB, NextSoaks, next_soaks
from tcomp.decision.schedule import LAST, Schedule, Visit, laid_out, told_by
from tcomp.errors import JobError
from tcomp.job import Job
from tcomp.units import SECONDS_PER_MINUTE

BYTES_PER_ROW = 45
"""A time to the second, a temperature and a frequency, as text."""


@dataclass(frozen=True)
class Planned:
    """The schedule, what it rests on, and what it will give; times in [s], temperatures in [degC]."""

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
        asked.range_c, asked.expected, asked.noise, asked.gate_s, averaging_s, asked.budget, schedule,
        asked.foretell(schedule), SIGNIFICANT * math.sqrt(asked.foretell(schedule, richer).covariance[-1, -1]), None,
        (*asked.assumed, *asked.expected.assumptions),
    )  # fmt: skip


def plan_after(job: Job, curve: Curve) -> Planned:
    """Make a schedule of the soaks that lower the worst uncertainty of a measured curve most.

    Raises
    ------
    JobError
        As of `plan`.
    """
    asked = Asked.of(job, curve)
    # Two soaks compared with each other, as a shape needs, are then within the limit.
    averaging_s = asked.noise.averaging_s(max(asked.budget.noise_ppb / 2, 1.2 * asked.noise.floor_ppb), asked.gate_s)
    averaging_s = max(asked.least_averaging_s, min(averaging_s, MOST_AVERAGING_S))
    at_c = np.linspace(*asked.range_c, GRID)
    soak_ppb = np.hypot(
        asked.noise.mean_ppb(averaging_s, asked.gate_s),
        np.abs(asked.expected.slope_ppb_per_c(at_c)) * asked.sensor_common_c,
    )
    retrace_ppb = job.oscillator.retrace_ppb
    found = next_soaks(
        curve, soak_ppb, asked.budget.noise_ppb, UNKNOWN_BASE_PPB if retrace_ppb is None else max(retrace_ppb, 1e-3)
    )
    chosen_c = [round(one, 1) for one in found.chosen_c]  # what a chamber can be set to
    order = sorted(chosen_c, reverse=asked.ends_c[0] > asked.ends_c[1])
    visits = [Visit(one, asked.rates[0], f"one of the {len(order)} best next") for one in order]
    visits.append(Visit(order[0], asked.rates[1], LAST))
    schedule = laid_out(tuple(visits), asked.settle_min, averaging_s, job.chamber.room_c, asked.rates[0])
    return Planned(
        asked.range_c, asked.expected, asked.noise, asked.gate_s, averaging_s, asked.budget, schedule,
        Foretold(found.at_c, found.then_ppb, (), np.array(curve.covariance)), None, found,
        (*asked.assumed, *asked.expected.assumptions, *_base_remark(retrace_ppb)),
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


def _base_remark(retrace_ppb: float | None) -> tuple[str, ...]:
    if retrace_ppb is not None:
        return ()
    return (
        "the base of the new run may be anywhere: the first soak only finds it; give [oscillator] retrace_ppb if known",
    )
