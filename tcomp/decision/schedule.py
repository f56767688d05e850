"""The schedule: what the chamber does, step by step, and why."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.effects import RATES_DIFFER
from tcomp.decision.optimal_design import blind_points, optimal_points
from tcomp.units import SECONDS_PER_MINUTE

Floats = NDArray[np.float64]
SAME_C = 0.5
"""Soaks nearer than this are one. [degC]"""


@dataclass(frozen=True)
class Step:
    """A ramp, or a soak of which the first ``settle_min`` let the lag decay and the rest is averaged. [degC, min]"""

    what: Literal["ramp", "soak"]
    from_c: float
    to_c: float
    minutes: float
    why: str
    settle_min: float = 0.0

    @property
    def rate_c_per_min(self) -> float:
        """With its sign; 0 of a soak. [degC/min]"""
        return (self.to_c - self.from_c) / self.minutes if self.what == "ramp" else 0.0


@dataclass(frozen=True)
class Schedule:
    """Steps one after the other, from room temperature and back to it."""

    steps: tuple[Step, ...]

    @property
    def total_min(self) -> float:
        """How long it takes. [min]"""
        return math.fsum(step.minutes for step in self.steps)

    @property
    def starts_min(self) -> tuple[float, ...]:
        """When each step begins. [min]"""
        return tuple(np.cumsum([0.0, *(step.minutes for step in self.steps[:-1])]).tolist())

    @property
    def corners(self) -> tuple[Floats, Floats]:
        """Times and set-points between which it runs straight. [s, degC]"""
        times_s = np.cumsum([0.0, *(step.minutes * SECONDS_PER_MINUTE for step in self.steps)])
        return times_s, np.array([self.steps[0].from_c, *(step.to_c for step in self.steps)])


@dataclass(frozen=True)
class Visit:
    """A soak, and the ramp that leads to it."""

    at_c: float
    rate_c_per_min: float
    why: str


Settle = Callable[[Visit, float], float]
"""Minutes for which a soak lets the lag decay, from the visit and the temperature that it is reached from."""


def settling_s(lag_s: float, slope_ppb_per_c: float, rate_c_per_min: float, travel_c: float, left_ppb: float) -> float:
    """How long after a ramp the lag does no more than so much to the offset. [s]

    A ramp of rate r over a travel D leaves the crystal r tau (1 - exp(-D / (r tau))) behind the sensor, which then
    decays as exp(-t / tau).

    Examples
    --------
    1 degC/min, 60 s, 100 ppb/degC leave 100 ppb, of which 1 ppb is left after 60 s times ln 100:

    >>> round(settling_s(60.0, 100.0, 1.0, 80.0, 1.0) / 60.0, 4)
    4.6052
    """
    if lag_s == 0:
        return 0.0
    steady_c = rate_c_per_min * abs(lag_s) / SECONDS_PER_MINUTE
    behind_c = -steady_c * math.expm1(-travel_c / steady_c)
    return abs(lag_s) * math.log(max(slope_ppb_per_c * behind_c / left_ppb, 1.0))


def soak_visits(
    degree: int, ends_c: tuple[float, float], extra: int, rates: tuple[float, float], *, both_ways: bool
) -> tuple[Visit, ...]:
    """There through the optimal design, back over the extra soaks, and once more where it began.

    Parameters
    ----------
    degree, extra : int
        Of the curve; how many soaks are added where a term of one degree more shows.
    ends_c : tuple of two floats
        Ends of the range, that where it begins first. [degC]
    rates : tuple of two floats
        On the way there, on the way back. [degC/min]
    both_ways : bool
        Whether a point of the way there is visited again on the way back.
    """
    middle_c, half_c = sum(ends_c) / 2, (ends_c[1] - ends_c[0]) / 2  # half_c is negative where it begins hot
    there_c = np.round(middle_c + half_c * optimal_points(degree), 1)  # what a chamber can be set to
    there_c[[0, -1]] = ends_c
    there = [
        Visit(float(at_c), rates[0], f"point {n} of {degree + 1} of the best design")
        for n, at_c in enumerate(there_c, 1)
    ]
    back = [
        Visit(round(float(middle_c + half_c * x), 1), rates[1], f"whether degree {degree} is enough")
        for x in blind_points(degree, extra)
    ]
    if both_ways:
        inner = there_c[1:-1] if degree > 1 else np.array([middle_c])
        again = inner[np.argsort(np.abs(inner - middle_c), kind="stable")][:1]
        back += [Visit(float(at_c), rates[1], AGAIN) for at_c in again]
    back.sort(key=lambda visit: abs(visit.at_c - ends_c[1]))
    return (*there, *back, Visit(ends_c[0], rates[1], LAST))


AGAIN = "the other way, when no lag is left: hysteresis"
LAST = "the first temperature again: ageing"
FROM_ROOM, TO_ROOM = "from the room to the start", "back to the room before it is opened"


def ramp_visits(ends_c: tuple[float, float], rates: tuple[float, float]) -> tuple[Visit, ...]:
    """There at one rate, back at another, soaks at the ends."""
    return (
        Visit(ends_c[0], rates[0], "where the ramps begin; a ramp tells least at its ends"),
        Visit(ends_c[1], rates[0], "the other end"),
        Visit(ends_c[0], rates[1], LAST),
    )


def laid_out(visits: tuple[Visit, ...], settle: Settle, averaging_s: float, room_c: float, home: float) -> Schedule:
    """Ramps and soaks one after the other; soaks in whole minutes; at the rate ``home`` back to the room. [degC/min]"""
    return Schedule(tuple(_steps(_merged(visits), settle, averaging_s, room_c, home)))


def _steps(visits: list[Visit], settle: Settle, averaging_s: float, room_c: float, home: float) -> Iterator[Step]:
    here_c = room_c
    averaging_min = math.ceil(averaging_s / SECONDS_PER_MINUTE - 1e-9)
    for number, visit in enumerate(visits):
        if visit.at_c != here_c:
            why = FROM_ROOM if number == 0 else "heating" if visit.at_c > here_c else "cooling"
            yield Step("ramp", here_c, visit.at_c, abs(visit.at_c - here_c) / visit.rate_c_per_min, why)
        settle_min = math.ceil(settle(visit, here_c) - 1e-9)
        yield Step("soak", visit.at_c, visit.at_c, settle_min + averaging_min, visit.why, settle_min)
        here_c = visit.at_c
    if here_c != room_c:
        yield Step("ramp", here_c, room_c, abs(room_c - here_c) / home, TO_ROOM)


def _merged(visits: tuple[Visit, ...]) -> list[Visit]:
    """Soaks next to each other at one temperature are one."""
    kept: list[Visit] = []
    for visit in visits:
        if kept and abs(kept[-1].at_c - visit.at_c) < SAME_C:
            kept[-1] = replace(kept[-1], why=f"{kept[-1].why}; {visit.why}")
        else:
            kept.append(visit)
    return kept


def plain_ramp(low_c: float, high_c: float, rate_c_per_min: float) -> Schedule:
    """Up and down at one rate without a soak: what a schedule is compared with."""
    minutes = (high_c - low_c) / rate_c_per_min
    return Schedule((Step("ramp", low_c, high_c, minutes, "up"), Step("ramp", high_c, low_c, minutes, "down")))


def told_by(schedule: Schedule) -> tuple[str, ...]:
    """How lag, hysteresis and ageing are told apart, in sentences; empty where they are not.

    Examples
    --------
    >>> told_by(plain_ramp(0.0, 40.0, 0.5))
    ()
    """
    return tuple(_told_by(schedule))


def _told_by(schedule: Schedule) -> Iterator[str]:
    soaks = [step for step in schedule.steps if step.what == "soak"]
    ramps = [step for step in schedule.steps if step.what == "ramp" and step.why not in (FROM_ROOM, TO_ROOM)]
    up, down = ([abs(step.rate_c_per_min) for step in ramps if sign * step.rate_c_per_min > 0] for sign in (1, -1))
    if soaks:
        yield "lag: it shifts a ramp by rate times time constant, and decays in a soak"
    if up and down and max(*up, *down) >= RATES_DIFFER * min(*up, *down):
        yield (
            f"hysteresis: heating at {max(up):.2g}, cooling at {max(down):.2g} degC/min; of the loop between them what goes "
            "with the rate is lag, what stays is hysteresis"
        )
    yield from (
        f"hysteresis: {s.to_c:.1f} degC is soaked at heated and cooled, when no lag is left"
        for s in soaks
        if AGAIN in s.why
    )
    if len(soaks) > 1 and soaks[0].to_c == soaks[-1].to_c:
        came = "heated" if soaks[0].to_c > min(step.to_c for step in soaks) else "cooled"
        first, last = (schedule.starts_min[schedule.steps.index(step)] + step.minutes for step in (soaks[0], soaks[-1]))
        yield (
            f"ageing: {soaks[0].to_c:.4g} degC is soaked at first and last, {(last - first) / 60:.1f} h apart and {came} both "
            "times; what differs is ageing"
        )
