"""The options that a verdict compares: the crystal in three forms, a compensated part, and each oven."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tcomp.decision.contribution import Contribution
from tcomp.decision.crystal_error import AGEING, RETRACE, Characterised, corrected, of_any_reading, uncorrected
from tcomp.decision.moments import Floats, Moments
from tcomp.decision.power import Power, oven_power, steady_power
from tcomp.decision.spread import Known, Normal, Rectangular
from tcomp.decision.typical import Figure, figure, typical
from tcomp.job import Job, Oven
from tcomp.units import DAYS_PER_YEAR

WARM_UP = "warm-up"
REGULARLY = "crystal with the table, trimmed regularly"


@dataclass(frozen=True)
class WarmingUp:
    """The cold offset dies away exponentially, to ``to_ppb`` after ``minutes``."""

    minutes: float
    from_ppb: float
    to_ppb: float

    def left_ppb(self, minutes_on: Floats) -> Floats:
        """What is left of it. [ppb]

        >>> WarmingUp(5.0, 20000.0, 10.0).left_ppb(np.array([0.0, 5.0])).round(6).tolist()
        [20000.0, 10.0]
        """
        rate = math.log(self.from_ppb / self.to_ppb) / self.minutes
        return np.asarray(self.from_ppb * np.exp(-rate * minutes_on))


@dataclass(frozen=True, eq=False)
class Option:
    """One of what could be done.

    Attributes
    ----------
    trimmed : bool
        Whether it is trimmed every recalibrate_days, or once for its life.
    warming : WarmingUp or None
        None: it is ready within seconds.
    price : float or None
        What it costs to buy; None where the job does not say.
    power : Power
        What it takes, and whether the instrument can give it.
    settles_days : float
        Days of the calendar until its ageing has settled.
    """

    name: str
    contributions: tuple[Contribution, ...]
    trimmed: bool
    power: Power
    price: float | None = 0.0
    warming: WarmingUp | None = None
    settles_days: float = 0.0
    assumed: tuple[str, ...] = ()

    @property
    def warm_after_minutes(self) -> float:
        """From switch-on. [min]"""
        return 0.0 if self.warming is None else self.warming.minutes

    def cost(self, job: Job) -> float | None:
        """Price, energy and trims over the life; None where the price is not known."""
        if self.price is None:
            return None
        years, trims = job.use.life_years, job.use.life_years * DAYS_PER_YEAR / job.use.recalibrate_days
        energy = years * self.power.kwh_per_year * job.supply.price_per_kwh
        return self.price + energy + (math.floor(trims) * job.use.trim_price if self.trimmed else 0.0)


def options(known: Characterised) -> tuple[Option, ...]:
    """All of them, in the order of what they ask of the user."""
    job = known.job
    free = steady_power(job, 0.0)
    return (
        Option("crystal as it is, trimmed once", uncorrected(known), False, free),
        Option("crystal with the table", corrected(known), False, free),
        Option(REGULARLY, corrected(known), True, free),
        _compensated(job),
        *(option for oven in job.ovens for option in _ovens(job, oven)),
    )


def _compensated(job: Job) -> Option:
    """A bought temperature-compensated part, trimmed as often as the others."""
    part = job.compensated
    stability, ageing, noise, watts = (
        figure(given, "compensated", name)
        for given, name in (
            (part.stability_ppb, "stability_ppb"), (part.ageing_ppb_per_day, "ageing_ppb_per_day"),
            (part.noise_ppb, "noise_ppb"), (part.steady_watts, "steady_watts"),
        )
    )  # fmt: skip
    return Option(
        "bought compensated part, trimmed regularly",
        (*_bought(job, stability, ageing, noise), *_retraces(job, typical("crystal", "retrace_ppb"))),
        True,
        steady_power(job, watts.value),
        part.price,
        assumed=_assumed({"compensated part, steady watts": watts}),
    )


def _ovens(job: Job, oven: Oven) -> Iterator[Option]:
    """As the job has it; where a rail stays on anyhow, also left on."""
    if job.use.hours_on_per_day >= 24:
        yield _oven(job, replace(oven, always_powered=True), oven.name)
        return
    if not oven.always_powered:
        yield _oven(job, oven, f"{oven.name}, switched with the instrument")
    if oven.always_powered or job.supply.always_on:
        yield _oven(job, replace(oven, always_powered=True), f"{oven.name}, always powered")


def _oven(job: Job, oven: Oven, name: str) -> Option:
    stability, ageing, noise, retrace, steady, settles = (
        figure(getattr(oven, key), "oven", key)
        for key in ("stability_ppb", "ageing_ppb_per_day", "noise_ppb", "retrace_ppb", "steady_watts", "settles_days")
    )
    minutes, watts, left, cold = (
        figure(getattr(oven.warm_up, key), "oven", f"warm_up_{key}")
        for key in ("minutes", "watts", "to_ppb", "from_ppb")
    )
    contributions, warming = [*_bought(job, stability, ageing, noise)], None
    if not oven.always_powered:
        contributions += _retraces(job, retrace)
        if minutes.value > 0:
            warming = WarmingUp(minutes.value, max(cold.value, 2 * left.value), left.value)
            contributions.append(_warm_up(warming, minutes))
    beside = {"warm-up watts": watts, "steady watts": steady, "days to settle": settles}
    if warming is not None:
        beside |= {"ppb left after warm-up": left, "ppb off when cold": cold}
    hours_on = 24.0 if oven.always_powered else job.use.hours_on_per_day
    return Option(
        name,
        tuple(contributions),
        True,
        oven_power(job, oven, watts.value, steady.value),
        oven.price,
        warming,
        settles.value * 24 / hours_on,
        _assumed({f"{oven.name}, {words}": one for words, one in beside.items()}),
    )


def _warm_up(warming: WarmingUp, minutes: Figure) -> Contribution:
    def left_ppb(moments: Moments) -> Floats:
        return warming.left_ppb(moments.minutes_on)

    return Contribution(
        WARM_UP, Known(1.0), left_ppb, unit="1", basis=f"{warming.from_ppb:g} ppb when cold, "
        f"{warming.to_ppb:.3g} ppb after {warming.minutes:g} minutes; minutes {minutes.basis}",
        assumed=minutes.assumed, decides="its frequency from a cold start, logged",
    )  # fmt: skip


def _bought(job: Job, stability: Figure, ageing: Figure, noise: Figure) -> Iterator[Contribution]:
    yield Contribution(
        "temperature, compensated or held", Rectangular(stability.value), basis=stability.basis,
        assumed=stability.assumed, decides="its data sheet, or a sweep of it",
    )  # fmt: skip
    yield Contribution(
        AGEING, Rectangular(ageing.value), lambda moments: moments.days, unit="ppb/day", lasts="life",
        basis=ageing.basis, assumed=ageing.assumed, decides="its data sheet, or two trims some weeks apart",
    )  # fmt: skip
    yield Contribution(
        "short-term noise", Normal(noise.value), basis=noise.basis, assumed=noise.assumed, decides="its data sheet"
    )
    yield from of_any_reading(job)


def _retraces(job: Job, retrace: Figure) -> Iterator[Contribution]:
    """Only what is switched off comes back elsewhere."""
    if job.use.hours_on_per_day < 24:
        yield Contribution(
            RETRACE, Rectangular(retrace.value), basis=retrace.basis, assumed=retrace.assumed,
            decides="off for a day, then held against the reference, some times over",
        )  # fmt: skip


def _assumed(figures: dict[str, Figure]) -> tuple[str, ...]:
    return tuple(f"{name}, {one.value:g}: {one.basis}" for name, one in figures.items() if one.assumed)
