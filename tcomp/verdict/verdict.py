"""Options held against the need on one footing, and which of them to take."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tcomp.budget.ageing import watched_ageing
from tcomp.budget.budget import COVERED, Budget, same_figures
from tcomp.budget.contribution import (
    SEED,
    Contribution,
    ErrorOnDay,
    budget_of,
    error_on,
    last_day_within,
    named_generator,
)
from tcomp.budget.crystal_error import AGEING, LAG, CrystalUnderTest
from tcomp.budget.distributions import Distribution
from tcomp.budget.operating_points import Floats, Service
from tcomp.documents.verdict import REGULARLY, BreakEvenKind
from tcomp.errors import JobError
from tcomp.estimation.curve import Curve
from tcomp.following import RampError
from tcomp.job import Job, Use
from tcomp.progress import ProgressCallback, no_progress
from tcomp.tables import CorrectionTable
from tcomp.units import DAYS_PER_YEAR, MINUTES_PER_HOUR
from tcomp.verdict.options import Option, followed_on_ramp, options
from tcomp.verdict.service_life import (
    BLOCK,
    Propagated,
    ServiceLife,
    largest_factor,
    open_figures,
    propagate,
    simulate_service,
    turning_point,
)

Status = Literal["decided", "not decidable", "nothing meets the need"]
Meets = Literal["meets", "may meet", "does not meet"]
MOST = 1000.0
"""Times a figure may grow before it is said not to matter."""


@dataclass(frozen=True, eq=False)
class JudgedOption:
    """An option with all that decides about it.

    Attributes
    ----------
    budget : Budget
        After JCGM 100, of the last day before a trim, once it is warm.
    drawn : Propagated
        The same after JCGM 101, without what is known: what covers the share of k = 2.
    need_met_ppb : float
        Its error on that day, k = 2, which is the smallest need that it meets. [ppb]
    needed_ppb : float
        The need that it is held against. [ppb]
    probability : float
        That a reading on that day is within the need. [1]
    share, share_low, share_high : float
        Share of the time from trim to trim within the need, its mean and what nine of ten instruments have. [1]
    limited_by, limit_share : str, float
        The contribution that is largest where the need is exceeded, or in all, and its share of the squares.
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
    needed_ppb: float
    limited_by: str
    limit_share: float
    minutes_until_within: float | None
    error_by_day: tuple[tuple[float, float, float], ...]
    open: tuple[Contribution, ...]
    cost: float | None

    @property
    def meets(self) -> Meets:
        """Whether the error on the last day is within the need; it may be, where an assumed figure decides."""
        if self.need_met_ppb <= self.needed_ppb:
            return "meets"
        return "may meet" if self.open else "does not meet"

    @property
    def drawn_within_ppb(self) -> float:
        """The error on the last day after JCGM 101, k = 2."""
        return abs(self.budget.known) + self.drawn.within

    @property
    def approaches_differ(self) -> bool:
        """Whether JCGM 100 and JCGM 101 give other figures for what is within."""
        return not same_figures(self.drawn_within_ppb, self.budget.expanded())


@dataclass(frozen=True)
class BreakEven:
    """What would turn the verdict: a figure, as it is and where it turns (None: nowhere that matters)."""

    kind: BreakEvenKind
    name: str
    unit: str
    now: float
    turns_at: float | None


@dataclass(frozen=True, eq=False)
class Verdict:
    """``best`` is the option to take, or the one that comes nearest where none meets the need.

    ``trim_days``: the last day after a trim on which the crystal and its table meet the need, at most ``longest_days``; None:
    not even on the day of the trim.  ``trim_share``: share of the time until then within the need.  ``turned_by``: inputs that turn
    the verdict when they are a tenth smaller or larger.
    """

    status: Status
    needed_ppb: float
    options: tuple[JudgedOption, ...]
    best: JudgedOption
    break_evens: tuple[BreakEven, ...]
    trim_days: float | None
    longest_days: float
    trim_share: float
    turned_by: tuple[Turn, ...]


def judge(job: Job, curve: Curve, table: CorrectionTable) -> Verdict:
    """The crystal with its table against what could be bought, for what the job needs.

    The ageing is what trims have shown, where the job has a history of them.

    Raises
    ------
    JobError
        The job does not say what is needed.
    """
    return judge_options(CrystalUnderTest(job, curve, table, watched_ageing(job, curve)))


def check_needed(job: Job) -> float:
    """The error that is not to be exceeded, k = 2. [ppb]

    Raises
    ------
    JobError
        The job does not say it.
    """
    if job.use.needed_ppb is None:
        raise JobError(
            f"{job.location('use', 'needed_ppb')}: [use] needs the key 'needed_ppb' for a verdict: the error that is not to "
            "be exceeded, k = 2 [ppb]"
        )
    return job.use.needed_ppb


def judge_options(known: CrystalUnderTest, progress: ProgressCallback = no_progress) -> Verdict:
    """Compare the crystal in three forms, a compensated part and each oven with the need of the job.

    Raises
    ------
    JobError
        The job does not say what is needed.
    """
    needed_ppb = check_needed(known.job)
    followed = followed_on_ramp(known)
    weighed = options(known, followed)
    judged: list[JudgedOption] = []
    for option in weighed:
        # What turns the verdict takes as long as an option.
        progress("weighing the options", len(judged), len(weighed) + 1)
        judged.append(_judged(_life(option, known), known, needed_ppb))
        later = _read_later(judged[-1], known)
        if later is not None:
            judged.append(_judged(_life(later, known), known, needed_ppb))
    progress("weighing the options", len(weighed), len(weighed) + 1)
    status, best = _chosen(tuple(judged), known.job)
    table = next(option for option in weighed if option.name == REGULARLY)
    turning = tuple(_break_evens(best, tuple(judged), known, needed_ppb))
    trimming = _trimming(table, known, needed_ppb)
    turned_by = tuple(_turned_by(known, followed, needed_ppb))
    progress("weighing the options", 1, 1)
    return Verdict(status, needed_ppb, tuple(judged), best, turning, *trimming, turned_by)


def _life(option: Option, known: CrystalUnderTest) -> ServiceLife:
    return simulate_service(option, _service(option, known))


def _service(option: Option, known: CrystalUnderTest) -> Service:
    service = known.service(trimmed=option.trimmed)
    return replace(service, wait_minutes=max(service.wait_minutes, option.wait_minutes))


def _read_later(one: JudgedOption, known: CrystalUnderTest) -> Option | None:
    """The same, read only once it is within the need; None: it meets it as it is, or never does."""
    minutes, on_minutes = one.minutes_until_within, MINUTES_PER_HOUR * known.job.use.hours_on_per_day
    if one.meets == "meets" or not minutes or not known.job.use.wait_minutes < math.ceil(minutes) < on_minutes:
        return None
    wait = math.ceil(minutes)
    return replace(one.option, name=f"{one.option.name}, read from {wait} minutes after switch-on", wait_minutes=wait)


NEARBY = (0.9, 1.1)
"""Times by which an input is taken smaller and larger, to see whether the verdict turns."""
QUICK_DRAWS = 4000
"""Of the same instruments for each input, so that what differs is the input."""
TURNING = {
    "use": (
        "needed_ppb", "ramp_c_per_min", "hours_on_per_day", "recalibrate_days", "life_years", "sensor_drift_c", "trim_price",
        "price_limit", "resolution_ppb", "wait_minutes", "warm_up_c", "warm_up_minutes",
    ),
    "supply": ("volts", "peak_watts", "steady_watts", "efficiency", "switching_price", "price_per_kwh"),
    "compensated": ("stability_ppb", "ageing_ppb_per_day", "noise_ppb", "price"),
    "oscillator": ("ageing_ppb_per_day", "ageing_u_ppb_per_day", "retrace_ppb", "noise_ppb"),
    "reference": ("uncertainty_ppb",),
}  # fmt: skip
"""Keys of the job on which the verdict hangs."""
OVEN_KEYS = (
    "stability_ppb",
    "ageing_ppb_per_day",
    "retrace_ppb",
    "noise_ppb",
    "steady_watts",
    "volts",
    "settles_days",
    "price",
)
OF_COST = {
    "trim_price", "price_limit", "switching_price", "price_per_kwh", "price", "peak_watts", "steady_watts", "efficiency", "volts",
}  # fmt: skip
"""What changes no error."""


@dataclass(frozen=True)
class Turn:
    """An input that turns the verdict when it is a tenth smaller or larger: which, what it is then, and what is taken."""

    key: str
    now: float
    then: float
    taken: str


def _turned_by(known: CrystalUnderTest, followed: RampError | None, needed_ppb: float) -> Iterator[Turn]:
    errors: dict[tuple[str, float], float] = {}
    taken = _quickly(known, followed, needed_ppb, errors)
    for key, now, changed, of_cost in _nearby(known):
        turned = _quickly(changed, followed, check_needed(changed.job), errors if of_cost else {})
        if turned != taken:
            yield Turn(key, *now, turned)
    crystal = {one.name for option in options(known, followed) if not option.bought for one in option.contributions}
    for name in sorted(crystal - {AGEING, LAG}):
        for factor in NEARBY:
            turned = _quickly(known, followed, needed_ppb, {}, {name: factor})
            if turned != taken:
                yield Turn(name, 1.0, factor, turned)


def _nearby(known: CrystalUnderTest) -> Iterator[tuple[str, tuple[float, float], CrystalUnderTest, bool]]:
    """Each key, its value now and then, the job with it, and whether it leaves all errors as they are."""
    job = known.job
    for section, names in TURNING.items():
        for name in names:
            own = getattr(job, section)
            for factor in NEARBY if getattr(own, name) else ():
                now = getattr(own, name)
                then = min(now * factor, 24.0) if name == "hours_on_per_day" else now * factor
                changed = replace(job, **{section: replace(own, **{name: then})})
                yield f"[{section}] {name}", (now, then), replace(known, job=changed), name in OF_COST
    for number, oven in enumerate(job.ovens):
        for name in OVEN_KEYS:
            for factor in NEARBY if getattr(oven, name) else ():
                now = getattr(oven, name)
                ovens = (*job.ovens[:number], replace(oven, **{name: now * factor}), *job.ovens[number + 1 :])
                changed = replace(job, ovens=ovens)
                yield f"[[oven]] {oven.name}: {name}", (now, now * factor), replace(known, job=changed), name in OF_COST


def _quickly(
    known: CrystalUnderTest,
    followed: RampError | None,
    needed_ppb: float,
    errors: dict[tuple[str, float], float],
    times: dict[str, float] | None = None,
) -> str:
    """The option that would be taken, of fewer draws; ``errors`` keeps those that are known."""
    found = []
    for option in options(known, followed):
        service = _service(option, known)
        key = (option.name, needed_ppb)
        if key not in errors:
            drawn = error_on(option.contributions, service, service.last_day, draws=QUICK_DRAWS)
            own = {} if option.bought else {one: by for one, by in (times or {}).items() if one in drawn.errors_ppb}
            errors[key] = drawn.within_ppb(times=own)
        cost = option.cost(known.job)
        limit = known.job.use.price_limit
        if option.power.fits is not False and (limit is None or (cost is not None and cost <= limit)):
            found.append((errors[key] > needed_ppb, math.inf if cost is None else cost, errors[key], option.name))
    meeting = [one for one in found if not one[0]]
    if meeting:
        return min(meeting, key=lambda one: one[1])[3]
    return f"nothing; the nearest is {min(found, key=lambda one: one[2])[3]}"


def _trimming(table: Option, known: CrystalUnderTest, needed_ppb: float) -> tuple[float | None, float, float]:
    """How rarely the table may be trimmed: until the last day on which the error is within the need."""
    longest, service = known.job.use.life_years * DAYS_PER_YEAR, known.service()
    days = last_day_within(table.contributions, service, needed_ppb, longest)
    if not days:
        return days, longest, 0.0
    until = replace(service, use=replace(service.use, recalibrate_days=days))
    return days, longest, float(simulate_service(table, until).shares(needed_ppb).mean())


def _judged(life: ServiceLife, known: CrystalUnderTest, needed_ppb: float) -> JudgedOption:
    option, share = life.option, life.shares(needed_ppb)
    budget, need_met_ppb = _budget(life), life.need_met_ppb()
    limited_by, limit_share = budget.largest.name, budget.share(budget.largest)
    if need_met_ppb > needed_ppb:
        limited_by, limit_share = life.limit(needed_ppb)
    return JudgedOption(
        option=option,
        budget=budget,
        drawn=_drawn(life),
        probability=life.last.probability(needed_ppb),
        share=float(share.mean()),
        share_low=float(np.quantile(share, 0.05)),
        share_high=float(np.quantile(share, 0.95)),
        need_met_ppb=need_met_ppb,
        needed_ppb=needed_ppb,
        limited_by=limited_by,
        limit_share=limit_share,
        minutes_until_within=life.minutes_until_within(needed_ppb),
        error_by_day=life.error_by_day(),
        open=open_figures(life, needed_ppb),
        cost=option.cost(known.job),
    )


def _warm(life: ServiceLife) -> Service:
    """How it is used once it is warm; what is lost while it warms up is counted in the error of the day."""
    service = life.service
    return replace(service, wait_minutes=max(service.wait_minutes, life.option.warm_after_minutes))


def _budget(life: ServiceLife) -> Budget:
    return budget_of(life.option.contributions, _warm(life).even(life.service.last_day))


def _drawn(life: ServiceLife) -> Propagated:
    """What the budget states, drawn (JCGM 101): each draw is a moment of another instrument."""
    rng, service, contributions = named_generator(SEED, "moments"), _warm(life), life.option.contributions
    spreads: dict[str, Distribution] = {one.name: one.spread for one in contributions}
    spreads |= {f"{one.name}, at the trim": one.spread for one in contributions if one.at_trim}

    def error_ppb(**inputs: Floats) -> Floats:
        moments = service.drawn((BLOCK, 1), rng, life.service.last_day)
        now = sum(inputs[one.name] * one.effect(moments)[:, 0] for one in contributions)
        then = sum(inputs[f"{one.name}, at the trim"] * one.at_trim for one in contributions if one.at_trim)
        return np.asarray(now - then)

    return propagate(error_ppb, spreads, covered=COVERED)


def _chosen(judged: tuple[JudgedOption, ...], job: Job) -> tuple[Status, JudgedOption]:
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


def _at_hand(judged: tuple[JudgedOption, ...], job: Job) -> list[JudgedOption]:
    """What is not known not to fit, and can be paid."""
    return [one for one in judged if one.option.power.fits is not False and affordable(one, job)]


def affordable(one: JudgedOption, job: Job) -> bool:
    """Whether it costs no more than price_limit; what has no price cannot be held against one."""
    return job.use.price_limit is None or (one.cost is not None and one.cost <= job.use.price_limit)


def _cost(one: JudgedOption) -> float:
    return one.cost if one.cost is not None else math.inf


def _break_evens(
    best: JudgedOption, judged: tuple[JudgedOption, ...], known: CrystalUnderTest, needed_ppb: float
) -> Iterator[BreakEven]:
    """Where the verdict on the best option turns, figure by figure, all others as they are."""
    job = known.job
    yield BreakEven("need", "need", "ppb", needed_ppb, best.need_met_ppb)
    if best.meets != "meets":
        return
    life = _life(best.option, known)
    scaled: tuple[tuple[str, BreakEvenKind, str, float], ...] = (
        (LAG, "ramp", "degC/min", job.use.ramp_c_per_min),
        (AGEING, "ageing", "ppb/day", _rate_ppb_per_day(life)),
    )
    for contribution, kind, unit, now in scaled:
        if contribution in life.last.errors_ppb:
            factor = largest_factor(life, contribution, needed_ppb, MOST)
            yield BreakEven(kind, kind, unit, now, None if factor is None else factor * now)
    if best.option.warming is not None:
        yield BreakEven(
            "hours on", "hours on", "h/day", job.use.hours_on_per_day, _hours_on(best.option, known, needed_ppb)
        )
    others = [one for one in _at_hand(judged, job) if one is not best and one.meets == "meets"]
    if best.cost is not None and any(one.cost is not None for one in others):
        nearest = min(_cost(one) for one in others)
        if nearest > best.cost:
            yield BreakEven("cost", "cost of the next that meets the need", "", best.cost, nearest)


def _rate_ppb_per_day(life: ServiceLife) -> float:
    """Ageing from the trim to the last day: what is known of it, or else 95 % of what is not."""
    if life.last.known_ppb[AGEING]:
        return abs(life.last.known_ppb[AGEING]) / life.service.last_day
    alone = ErrorOnDay(0.0, {AGEING: life.last.known_ppb[AGEING]}, {AGEING: life.last.errors_ppb[AGEING]})
    return alone.within_ppb() / life.service.last_day


def _hours_on(option: Option, known: CrystalUnderTest, needed_ppb: float) -> float:
    """The fewest hours a day for which warming up does not take too much of them."""

    def meets(hours: float) -> bool:
        use: Use = replace(known.job.use, hours_on_per_day=hours)
        life = _life(option, replace(known, job=replace(known.job, use=use)))
        return life.need_met_ppb() <= needed_ppb

    return turning_point(meets, 0.0, known.job.use.hours_on_per_day, steps=10)
