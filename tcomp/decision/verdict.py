"""Options held against the need on one footing, and which of them to take."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tcomp.curve.curve import Curve
from tcomp.decision.ageing_history import watched_ageing
from tcomp.decision.budget import COVERED, Budget, same_figures
from tcomp.decision.contribution import Contribution, budget_of, named_generator
from tcomp.decision.crystal_error import AGEING, LAG, Characterised
from tcomp.decision.life import SURE, Life, largest_factor, lived, open_figures, turning_point
from tcomp.decision.moments import Floats, drawn_moments, even_moments
from tcomp.decision.monte_carlo import BLOCK, SEED, Propagated, propagate
from tcomp.decision.options import REGULARLY, Option, options
from tcomp.decision.spread import size_of
from tcomp.errors import JobError
from tcomp.job import Job, Use
from tcomp.progress import Told, untold
from tcomp.table import CorrectionTable
from tcomp.units import DAYS_PER_YEAR

Status = Literal["decided", "not decidable", "nothing meets the need"]
Meets = Literal["meets", "may meet", "does not meet"]
MOST = 1000.0
"""Times a figure may grow before it is said not to matter."""


@dataclass(frozen=True, eq=False)
class Judged:
    """An option with all that decides about it.

    Attributes
    ----------
    budget : Budget
        After JCGM 100, over the switched-on moments once it is warm.
    drawn : Propagated
        The same after JCGM 101: what covers the share of k = 2.
    probability, share, share_low, share_high : float
        That an instrument is within the need for that share of its time; the share of time, its mean and what nine of ten
        instruments have. [1]
    need_met_ppb : float
        The smallest need that it would meet. [ppb]
    minutes_until_within : float or None
        From switch-on; None: never. [min]
    error_by_day : tuple of (float, float, float)
        Days since the trim, and what 68 % and 95 % of the errors are within. [d, ppb, ppb]
    open : tuple of Contribution
        Assumed figures of which half or twice the size turns whether it meets the need.
    """

    option: Option
    budget: Budget
    drawn: Propagated
    probability: float
    share: float
    share_low: float
    share_high: float
    need_met_ppb: float
    minutes_until_within: float | None
    error_by_day: tuple[tuple[float, float, float], ...]
    open: tuple[Contribution, ...]
    cost: float | None

    @property
    def meets(self) -> Meets:
        """In words of the probability."""
        if self.probability >= SURE:
            return "meets"
        return "does not meet" if self.probability <= 1 - SURE else "may meet"

    @property
    def approaches_differ(self) -> bool:
        """Whether JCGM 100 and JCGM 101 give other figures for what is within."""
        return not same_figures(self.drawn.within, self.budget.expanded())


@dataclass(frozen=True)
class BreakEven:
    """What would turn the verdict: a figure, as it is and where it turns (None: nowhere that matters)."""

    name: str
    unit: str
    now: float
    turns_at: float | None


@dataclass(frozen=True, eq=False)
class Verdict:
    """``best`` is the option to take, or the one that comes nearest where none meets the need.

    ``trim_days``: the longest time from trim to trim with which the crystal and its table meet the need, at most
    ``longest_days``; None: no trimming does.
    """

    status: Status
    needed_ppb: float
    options: tuple[Judged, ...]
    best: Judged
    break_evens: tuple[BreakEven, ...]
    trim_days: float | None
    longest_days: float


def judge(job: Job, curve: Curve, table: CorrectionTable) -> Verdict:
    """The crystal with its table against what could be bought, for what the job needs.

    The ageing is what trims have shown, where the job has a history of them.

    Raises
    ------
    JobError
        The job does not say what is needed.
    """
    return judge_options(Characterised(job, curve, table, watched_ageing(job, curve)))


def judge_options(known: Characterised, told: Told = untold) -> Verdict:
    """Compare the crystal in three forms, a compensated part and each oven with the need of the job.

    Raises
    ------
    JobError
        The job does not say what is needed.
    """
    needed_ppb = known.job.use.needed_ppb
    if needed_ppb is None:
        raise JobError(
            f"{known.job.place('use', 'needed_ppb')}: [use] needs the key 'needed_ppb' for a verdict: the error that is not to "
            "be exceeded, k = 2 [ppb]"
        )
    weighed = options(known)
    judged: list[Judged] = []
    for option in weighed:
        told("weighing the options", len(judged), len(weighed) + 1)  # what turns the verdict takes as long as an option
        judged.append(_judged(lived(option, known.job, known.range_c), known, needed_ppb))
    told("weighing the options", len(judged), len(weighed) + 1)
    status, best = _chosen(tuple(judged), known.job)
    table = lived(next(option for option in weighed if option.name == REGULARLY), known.job, known.range_c)
    life = table if best.option is table.option else lived(best.option, known.job, known.range_c)
    turning = tuple(_break_evens(best, tuple(judged), life, known, needed_ppb))
    trimming = _trimming(table, known.job.use, needed_ppb)
    told("weighing the options", 1, 1)
    return Verdict(status, needed_ppb, tuple(judged), best, turning, *trimming)


def _trimming(table: Life, use: Use, needed_ppb: float) -> tuple[float | None, float]:
    """How rarely the table may be trimmed: ageing grows with the days, all else stays."""
    longest = use.life_years * DAYS_PER_YEAR
    factor = largest_factor(table, AGEING, needed_ppb, longest / use.recalibrate_days)
    if factor == 0.0:
        return None, longest
    return longest if factor is None else factor * use.recalibrate_days, longest


def _judged(life: Life, known: Characterised, needed_ppb: float) -> Judged:
    option, share = life.option, life.shares(needed_ppb)
    return Judged(
        option=option,
        budget=_budget(option, known),
        drawn=_drawn(option, known),
        probability=life.probability(needed_ppb),
        share=float(share.mean()),
        share_low=float(np.quantile(share, 0.05)),
        share_high=float(np.quantile(share, 0.95)),
        need_met_ppb=life.need_met_ppb(),
        minutes_until_within=life.minutes_until_within(needed_ppb),
        error_by_day=life.error_by_day(),
        open=open_figures(life, needed_ppb),
        cost=option.cost(known.job),
    )


def _budget(option: Option, known: Characterised) -> Budget:
    """What it errs once it is warm; what is lost while it warms up is counted in shares of time."""
    moments = even_moments(
        known.job.use,
        known.range_c,
        known.job.table.dwell,
        trimmed=option.trimmed,
        warm_after_minutes=option.warm_after_minutes,
    )
    return budget_of(option.contributions, moments)


def _drawn(option: Option, known: Characterised) -> Propagated:
    """What the budget states, drawn (JCGM 101): each draw is a moment of another instrument."""
    rng = named_generator(SEED, "moments")

    def error_ppb(**inputs: Floats) -> Floats:
        moments = drawn_moments(
            known.job.use, known.range_c, known.job.table.dwell, trimmed=option.trimmed,
            warm_after_minutes=option.warm_after_minutes, shape=(BLOCK, 1), rng=rng,
        )  # fmt: skip
        return np.asarray(sum(inputs[one.name] * one.effect(moments)[:, 0] for one in option.contributions))

    return propagate(error_ppb, {one.name: one.spread for one in option.contributions}, covered=COVERED)


def _chosen(judged: tuple[Judged, ...], job: Job) -> tuple[Status, Judged]:
    """The cheapest that meets, fits and can be paid; else the nearest.

    It is not decidable where an assumed figure, taken half or twice as large, makes another option the one to take.
    """
    at_hand = _at_hand(judged, job)
    meeting = [one for one in at_hand if one.meets == "meets"]
    best = min(meeting, key=_cost) if meeting else min(at_hand, key=lambda one: one.need_met_ppb)
    cheaper = [one for one in at_hand if one.meets != "meets" and _cost(one) <= _cost(best)]
    if best.open or any(one.open for one in cheaper):
        return "not decidable", best
    return ("decided" if meeting else "nothing meets the need"), best


def _at_hand(judged: tuple[Judged, ...], job: Job) -> list[Judged]:
    """What is not known not to fit, and can be paid."""
    return [one for one in judged if one.option.power.fits is not False and affordable(one, job)]


def affordable(one: Judged, job: Job) -> bool:
    """Whether it costs no more than price_limit; what has no price cannot be held against one."""
    return job.use.price_limit is None or (one.cost is not None and one.cost <= job.use.price_limit)


def _cost(one: Judged) -> float:
    return one.cost if one.cost is not None else math.inf


def _break_evens(
    best: Judged, judged: tuple[Judged, ...], life: Life, known: Characterised, needed_ppb: float
) -> Iterator[BreakEven]:
    """Where the verdict on the best option turns, figure by figure, all others as they are."""
    job = known.job
    yield BreakEven("need", "ppb", needed_ppb, best.need_met_ppb)
    if best.meets != "meets":
        return
    for name, what, unit, now in (
        (LAG, "ramp", "degC/min", job.use.ramp_c_per_min),
        (
            AGEING,
            "ageing",
            "ppb/day",
            next(size_of(one.spread) for one in best.option.contributions if one.name == AGEING),
        ),
    ):
        if name in life.errors:
            factor = largest_factor(life, name, needed_ppb, MOST)
            yield BreakEven(what, unit, now, None if factor is None else factor * now)
    if best.option.warming is not None:
        yield BreakEven("hours on", "h/day", job.use.hours_on_per_day, _hours_on(best.option, known, needed_ppb))
    others = [one for one in _at_hand(judged, job) if one is not best and one.meets == "meets"]
    if best.cost is not None and any(one.cost is not None for one in others):
        yield BreakEven("cost of the next that meets the need", "", best.cost, min(_cost(one) for one in others))


def _hours_on(option: Option, known: Characterised, needed_ppb: float) -> float:
    """The fewest hours a day for which warming up does not take too much of them."""

    def meets(hours: float) -> bool:
        use: Use = replace(known.job.use, hours_on_per_day=hours)
        life: Life = lived(option, replace(known.job, use=use), known.range_c)
        return life.probability(needed_ppb) >= SURE

    return turning_point(meets, 0.0, known.job.use.hours_on_per_day, steps=10)
