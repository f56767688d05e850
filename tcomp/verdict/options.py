"""What an oscillator takes from the instrument, and whether the instrument can give it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TypedDict

import numpy as np

from tcomp.budget.contribution import Contribution
from tcomp.budget.crystal_error import (
    AGEING,
    BOARD_WARM_UP,
    HYSTERESIS,
    LAG,
    RESPONSE,
    RETRACE,
    CrystalUnderTest,
    corrected,
    of_any_reading,
    of_any_trim,
    uncorrected,
)
from tcomp.budget.distributions import Arcsine, Known, Normal, Rectangular
from tcomp.budget.operating_points import Floats, OperatingPoints
from tcomp.documents.verdict import REGULARLY, Assumption
from tcomp.estimation.typical import Figure, figure, typical
from tcomp.following import RampError, ramp_errors
from tcomp.job import Job, Oven, Supply
from tcomp.units import DAYS_PER_YEAR, MINUTES_PER_HOUR, SECONDS_PER_MINUTE

ROOM_C = 25.0
"""At which an oven's watts are stated."""


class Energy(TypedDict):
    """Energy of a year [kWh] and of a day [Wh], and days that the battery lasts."""

    kwh_per_year: float
    wh_per_day: float
    battery_days: float | None


@dataclass(frozen=True)
class Power:
    """Watts are those taken from the rail, what is lost in the regulator included.

    ``steady_watts``: in a room of 25 degC; ``coldest_watts``: at the lowest temperature of use.  ``battery_days``: how long the
    battery would last, None without one.  ``fits`` is None where the job does not say what the supply can give; ``remarks`` say why
    it does not fit, or what it costs to make it fit.
    """

    peak_watts: float
    steady_watts: float
    coldest_watts: float
    lost_watts: float
    lost_switching_watts: float
    warmer_c: float | None
    kwh_per_year: float
    wh_per_day: float
    battery_days: float | None
    fits: bool | None
    remarks: tuple[str, ...] = ()


def steady_power(job: Job, watts: float) -> Power:
    """What takes the same always while the instrument is on.

    >>> from tcomp.job import read_job_text
    >>> job = read_job_text('[oscillator]\\nname = "gauge 07"\\n[use]\\nhours_on_per_day = 12', runs_needed=False)
    >>> round(steady_power(job, 1.0).kwh_per_year, 2)
    4.38
    """
    warmer_c = watts * job.supply.case_c_per_w if job.supply.case_c_per_w is not None else None
    energy = _named_energy(job, watts * job.use.hours_on_per_day)
    return Power(watts, watts, watts, 0.0, 0.0, warmer_c, fits=True, **energy)


def oven_power(
    job: Job,
    oven: Oven,
    peak_watts: float,
    steady_watts: float,
    range_c: tuple[float, float] = (ROOM_C, ROOM_C),
    warm_up_minutes: float = 0.0,
) -> Power:
    """What an oven takes from the rail, through a regulator if its volts are fewer.

    A linear regulator passes the oven's current on and turns (V_in - V_out) I into heat; a switching one loses 1 - efficiency
    of what it takes.  The heat that an oven loses goes with the difference between its own temperature and the board's.
    """
    supply, volts = job.supply, oven.volts if oven.volts is not None else job.supply.volts
    hot_c = figure(oven.hot_c, "oven", "hot_c").value
    # The temperature swings about its middle, and the power with it.
    coldest, mean = (
        steady_watts * max(0.0, hot_c - at_c) / max(hot_c - ROOM_C, 1.0) for at_c in (range_c[0], sum(range_c) / 2)
    )
    peak, steady, cold, usual = (
        _from_rail(supply, volts, watts, supply.regulator)
        for watts in (max(peak_watts, coldest), steady_watts, coldest, mean)
    )
    switching = _from_rail(supply, volts, steady_watts, "switching")
    remarks, fits = _verdict(job, oven, volts, peak, cold)
    if supply.regulator == "linear" and volts < supply.volts:
        remarks.append(
            f"a linear regulator from {supply.volts:g} to {volts:g} V turns {steady - steady_watts:.2g} W of "
            f"{steady:.2g} W into heat; a switching one would lose {switching - steady_watts:.2g} W"
        )
    hours = 24.0 if oven.always_powered else job.use.hours_on_per_day
    warming_h = 0.0 if oven.always_powered or hours >= 24 else min(warm_up_minutes / MINUTES_PER_HOUR, hours)
    return Power(
        peak_watts=peak,
        steady_watts=steady,
        coldest_watts=cold,
        lost_watts=steady - steady_watts,
        lost_switching_watts=switching - steady_watts,
        warmer_c=steady * supply.case_c_per_w if supply.case_c_per_w is not None else None,
        fits=fits,
        remarks=tuple(remarks),
        **_named_energy(job, warming_h * peak + (hours - warming_h) * usual),
    )


def _named_energy(job: Job, wh_per_day: float) -> Energy:
    """Energy of a year and of a day, and how many days the battery lasts."""
    battery = job.supply.battery_wh
    return {
        "kwh_per_year": wh_per_day * DAYS_PER_YEAR / 1000,
        "wh_per_day": wh_per_day,
        "battery_days": battery / wh_per_day if battery is not None and wh_per_day > 0 else None,
    }


def _from_rail(supply: Supply, volts: float, watts: float, regulator: str) -> float:
    """Watts that the rail gives for so many watts at the oven's volts."""
    if volts >= supply.volts:
        return watts
    return watts * supply.volts / volts if regulator == "linear" else watts / supply.efficiency


def _verdict(
    job: Job, oven: Oven, volts: float, peak_watts: float, steady_watts: float
) -> tuple[list[str], bool | None]:
    """Why it does not fit, and whether it does."""
    supply, against = job.supply, []
    if volts > supply.volts:
        against.append(f"it needs {volts:g} V and the rail has {supply.volts:g} V")
    if oven.always_powered and not supply.always_on and job.use.hours_on_per_day < 24:
        against.append("it is to stay powered, and no rail stays on while the instrument is off ([supply] always_on)")
    if supply.peak_watts is not None and peak_watts > supply.peak_watts:
        against.append(f"warming up it takes {peak_watts:.3g} W and the supply can give {supply.peak_watts:g} W")
    if supply.steady_watts is not None and steady_watts > supply.steady_watts:
        against.append(f"hot it takes {steady_watts:.3g} W and the supply can give {supply.steady_watts:g} W for good")
    stated = supply.peak_watts is not None and supply.steady_watts is not None
    if not stated:
        missing = [name for name in ("peak_watts", "steady_watts") if getattr(supply, name) is None]
        remark = f"whether the supply can give {peak_watts:.3g} W, then {steady_watts:.3g} W, is not given: [supply] "
        return [*against, remark + " and ".join(missing)], False if against else None
    return against, not against


WARM_UP = "warm-up"
FOLLOWED = "crystal with the table, its lag followed in the firmware, trimmed regularly"
NEAR_C = 1.0
"""Temperatures of a trim that are nearer to each other are one."""


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
    wait_minutes : float
        From switch-on until it is read, if longer than the job's.
    bought : bool
        Whether it is another oscillator than the one that was characterised.
    """

    name: str
    contributions: tuple[Contribution, ...]
    trimmed: bool
    power: Power
    price: float | None = 0.0
    warming: WarmingUp | None = None
    settles_days: float = 0.0
    assumed: tuple[Assumption, ...] = ()
    wait_minutes: float = 0.0
    bought: bool = False

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


def options(known: CrystalUnderTest, followed: RampError | None = None) -> tuple[Option, ...]:
    """All of them, in the order of what they ask of the user; ``followed``: what a filter in the firmware leaves on a ramp."""
    job = known.job
    free = steady_power(job, 0.0)
    middle_c = round(sum(known.range_c) / 2, 1)
    more = []
    if abs(middle_c - known.trim_c) > NEAR_C:
        there = corrected(replace(known, trimmed_at_c=middle_c))
        more.append(Option(f"crystal with the table, trimmed regularly at {middle_c:g} degC", there, True, free))
    if followed is not None:
        more.append(Option(FOLLOWED, _followed(known, followed), True, free))
    return (
        Option("crystal as it is, trimmed once", uncorrected(known), False, free),
        Option("crystal with the table", corrected(known), False, free),
        Option(REGULARLY, corrected(known), True, free),
        *more,
        _compensated(job),
        *(option for oven in job.ovens for option in _ovens(known, oven)),
    )


def followed_on_ramp(known: CrystalUnderTest) -> RampError | None:
    """What a filter in the firmware leaves on the fastest ramp of use; None: there is nothing that it could follow."""
    ramp, lag = known.job.use.ramp_c_per_min, known.curve.effect("lag")
    if not ramp or known.table is None or lag.status not in ("found", "given"):
        return None
    found = ramp_errors(known.job, known.curve, known.table, (ramp,))
    return found[0] if found else None


def _followed(known: CrystalUnderTest, left: RampError) -> tuple[Contribution, ...]:
    """The table behind the filter: in place of lag, loop and warming up of the board, what the filter leaves of them."""
    loop = known.curve.effect("hysteresis").status == "found"
    gone = {LAG, RESPONSE, BOARD_WARM_UP, *((HYSTERESIS,) if loop else ())}
    lag, ramp = known.curve.effect("lag"), known.job.use.ramp_c_per_min
    late_ppb = left.beyond_table_ppb + max(0.0, left.until_next_ppb - left.followed_ppb)
    u_s = lag.uncertainty if lag.uncertainty > 0 else 0.0

    def per_rate(temperature_c: Floats) -> Floats:
        return known.slope_ppb_per_c(temperature_c) * u_s / SECONDS_PER_MINUTE

    return (
        *(one for one in corrected(known) if one.name not in gone),
        Contribution(
            "left by the filter", Rectangular(late_ppb), at_trim=known.anew,
            basis=f"at most on a ramp of {ramp:g} degC/min, read up to {known.job.firmware.update_s:g} s after an update",
        ),
        Contribution(
            "lag's uncertainty", Arcsine(ramp), known.over_use(per_rate), unit="degC/min", at_trim=known.at_trim(per_rate),
            evaluated="A", basis=f"slope x u of the time constant x rate, {u_s:.2g} s",
        ),
    )  # fmt: skip


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
        bought=True,
    )


def _ovens(known: CrystalUnderTest, oven: Oven) -> Iterator[Option]:
    """As the job has it; where a rail stays on anyhow, also left on; where a linear regulator feeds it, also by a switching one."""
    job, made = known.job, []
    if job.use.hours_on_per_day >= 24:
        made.append((replace(oven, always_powered=True), oven.name))
    else:
        if not oven.always_powered:
            made.append((oven, f"{oven.name}, switched with the instrument"))
        if oven.always_powered or job.supply.always_on:
            made.append((replace(oven, always_powered=True), f"{oven.name}, always powered"))
    switching = replace(job, supply=replace(job.supply, regulator="switching"))
    for one, name in made:
        yield _oven(known, job, one, name)
        if job.supply.regulator == "linear" and (oven.volts or job.supply.volts) < job.supply.volts:
            option = _oven(known, switching, one, f"{name}, with a switching regulator")
            price = None if option.price is None else option.price + job.supply.switching_price
            yield replace(option, price=price)


def _oven(known: CrystalUnderTest, job: Job, oven: Oven, name: str) -> Option:
    stability, ageing, noise, retrace, steady, settles = (
        figure(getattr(oven, key), "oven", key)
        for key in ("stability_ppb", "ageing_ppb_per_day", "noise_ppb", "retrace_ppb", "steady_watts", "settles_days")
    )
    minutes, watts, left, cold = (
        figure(getattr(oven.warm_up, key), "oven", f"warm_up_{key}")
        for key in ("minutes", "watts", "to_ppb", "from_ppb")
    )
    hours_on = 24.0 if oven.always_powered else job.use.hours_on_per_day
    settling = Settling(settles.value * 24 / hours_on, 24 / hours_on)
    contributions, warming = [*_bought(job, stability, ageing, noise, settling)], None
    if not oven.always_powered:
        contributions += _retraces(job, retrace)
        if minutes.value > 0:
            warming = WarmingUp(minutes.value, max(cold.value, 2 * left.value), left.value)
            contributions.append(_warm_up(warming, minutes))
    beside = {"warm-up watts": watts, "steady watts": steady, "days to settle": settles}
    if warming is not None:
        beside |= {"ppb left after warm-up": left, "ppb off when cold": cold}
    return Option(
        name,
        tuple(contributions),
        True,
        oven_power(job, oven, watts.value, steady.value, known.range_c, minutes.value),
        oven.price,
        warming,
        settling.days,
        _assumed({f"{oven.name}, {words}": one for words, one in beside.items()}),
        bought=True,
    )


@dataclass(frozen=True)
class Settling:
    """Ageing before it has settled: a logarithm, whose rate falls as 1 / t to the settled one; in days of the calendar.

    ``days`` until it has settled, ``from_days`` until its first trim, a day of power after it was first switched on.
    """

    days: float
    from_days: float

    def aged_days(self, days: Floats) -> Floats:
        """Days of settled ageing that make as much as so many days from the first trim.

        By hand: 14 days of power, always on; until day 180 they make 14 ln(14) + 167 days.

        >>> round(float(Settling(14.0, 1.0).aged_days(np.array([180.0]))[0]), 2)
        203.95
        >>> Settling(0.0, 1.0).aged_days(np.array([180.0])).tolist()
        [180.0]
        """
        now = self.from_days + days
        until = np.minimum(now, max(self.days, self.from_days))
        return np.asarray(max(self.days, self.from_days) * np.log(until / self.from_days) + (now - until))


def _warm_up(warming: WarmingUp, minutes: Figure) -> Contribution:
    def left_ppb(moments: OperatingPoints) -> Floats:
        return warming.left_ppb(moments.minutes_on)

    return Contribution(
        WARM_UP, Known(1.0), left_ppb, unit="1", basis=f"{warming.from_ppb:g} ppb when cold, "
        f"{warming.to_ppb:.3g} ppb after {warming.minutes:g} minutes; minutes {minutes.basis}",
        assumed=minutes.assumed, decides="its frequency from a cold start, logged",
    )  # fmt: skip


def _bought(
    job: Job, stability: Figure, ageing: Figure, noise: Figure, settling: Settling | None = None
) -> Iterator[Contribution]:
    settled = settling is None or settling.days <= settling.from_days

    def aged_days(moments: OperatingPoints) -> Floats:
        return moments.days if settled or settling is None else settling.aged_days(moments.days)

    words = (
        ""
        if settled or settling is None
        else f"; from its first trim on, while it settles for {settling.days:.3g} days"
    )
    yield Contribution(
        "temperature, compensated or held", Rectangular(stability.value), basis=stability.basis,
        assumed=stability.assumed, decides="its stability over temperature (data sheet, or a sweep)",
    )  # fmt: skip
    yield Contribution(
        AGEING, Rectangular(ageing.value), aged_days, unit="ppb/day", lasts="life",
        basis=f"{ageing.basis}{words}", assumed=ageing.assumed, decides="its ageing (data sheet, or two trims some weeks apart)",
    )  # fmt: skip
    yield Contribution(
        "short-term noise",
        Normal(noise.value),
        at_trim=1.0,
        basis=noise.basis,
        assumed=noise.assumed,
        decides="its short-term noise (data sheet)",
    )
    yield from of_any_trim(job)
    yield from of_any_reading(job)


def _retraces(job: Job, retrace: Figure) -> Iterator[Contribution]:
    """Only what is switched off comes back elsewhere."""
    if job.use.hours_on_per_day < 24:
        yield Contribution(
            RETRACE, Rectangular(retrace.value), lasts="power-up", at_trim=1.0, basis=retrace.basis, assumed=retrace.assumed,
            decides="off for a day, then held against the reference, some times over",
        )  # fmt: skip


def _assumed(figures: dict[str, Figure]) -> tuple[Assumption, ...]:
    return tuple(
        Assumption(figure=f"{name}, {one.value:g}", source=one.basis) for name, one in figures.items() if one.assumed
    )
