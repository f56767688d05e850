"""Where to measure a polynomial: the temperatures at which so many readings tell most.

The D-optimal design of degree n, which is also G-optimal (the largest variance of the curve is as
small as it can be), has equal weights at the zeros of (1 - x^2) P'_n, P_n Legendre's polynomial:
P. G. Guest, Ann. Math. Statist. 29 (1958) 294-299; P. G. Hoel, Ann. Math. Statist. 29 (1958)
1134-1145; J. Kiefer and J. Wolfowitz, Canad. J. Math. 12 (1960) 363-366.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.polynomial import Legendre

from tcomp.arrays import FloatArray
from tcomp.estimation.effects import FAMILY, Outline, Soak
from tcomp.units import SECONDS_PER_MINUTE


def optimal_points(degree: int) -> FloatArray:
    """Points of the optimal design on [-1, 1], ascending, shape (degree + 1,); each has the same weight.

    Examples
    --------
    >>> optimal_points(3).round(4).tolist()
    [-1.0, -0.4472, 0.4472, 1.0]
    """
    inner = np.sort(Legendre.basis(degree).deriv().roots().real) if degree > 1 else np.empty(0)
    symmetric = (inner - inner[::-1]) / 2
    return np.concatenate([[-1.0], symmetric, [1.0]])


def blind_points(degree: int, count: int) -> FloatArray:
    """Points at which a term of one degree more shows most, although the optimal design does not see it; ascending.

    (1 - x^2) P'_n vanishes at every point of the design.  Its derivative is -n (n + 1) P_n (Legendre's equation), so it
    is largest at zeros of P_n; of two that are equal the upper is taken first.

    Examples
    --------
    >>> blind_points(3, 2).round(4).tolist(), blind_points(2, 1).round(4).tolist()
    ([0.0, 0.7746], [0.5774])
    """
    zeros = np.sort(Legendre.basis(degree).roots().real)
    unseen = np.abs((1 - zeros**2) * Legendre.basis(degree).deriv()(zeros)).round(9)
    order = np.lexsort((-zeros, -unseen))
    return np.sort(zeros[order[:count]]) + 0.0


def standardised_variance(degree: int, points: FloatArray, weights: FloatArray, at: FloatArray) -> FloatArray:
    """Variance of the fitted curve times the number of readings over that of one reading, at points of [-1, 1].

    Parameters
    ----------
    degree : int
        Of the curve.
    points, weights : ndarray of shape (n,)
        Where the readings are, and what share of them.
    at : ndarray of shape (m,)
        Where the variance is asked.

    Examples
    --------
    At most degree + 1 for the optimal design, (degree + 1)^2 at the ends of a uniform ramp:

    >>> ramp = np.linspace(-1, 1, 20001)
    >>> ends = np.array([-1.0, 1.0])
    >>> standardised_variance(3, optimal_points(3), np.full(4, 0.25), ends).round(6).tolist()
    [4.0, 4.0]
    >>> standardised_variance(3, ramp, np.full(ramp.size, 1 / ramp.size), ends).round(1).tolist()
    [16.0, 16.0]
    """
    columns, asked = (np.polynomial.legendre.legvander(np.asarray(x), degree) for x in (points, at))
    information = columns.T @ (columns * weights[:, None])
    return np.asarray(np.einsum("ij,ij->i", asked, np.linalg.solve(information, asked.T).T))


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
    def corners(self) -> tuple[FloatArray, FloatArray]:
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
        Visit(ends_c[0], rates[0], "where the ramps begin; a ramp determines least at its ends"),
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


def separation(schedule: Schedule) -> tuple[str, ...]:
    """What makes lag, hysteresis and ageing identifiable, in sentences; empty where they are not.

    Examples
    --------
    >>> separation(plain_ramp(0.0, 40.0, 0.5))
    ()
    """
    outline = _outline(schedule)
    return tuple(sentence for effect in FAMILY for sentence in effect.separation(outline))


def _outline(schedule: Schedule) -> Outline:
    """A schedule as far as effects ask: what is done between the room and the room."""
    ends_min = [start + step.minutes for start, step in zip(schedule.starts_min, schedule.steps, strict=True)]
    ramps = [step for step in schedule.steps if step.what == "ramp" and step.why not in (FROM_ROOM, TO_ROOM)]
    up, down = ([abs(step.rate_c_per_min) for step in ramps if sign * step.rate_c_per_min > 0] for sign in (1, -1))
    return Outline(
        soaks=tuple(
            Soak(at_c=step.to_c, ends_min=end_min, again=AGAIN in step.why)
            for step, end_min in zip(schedule.steps, ends_min, strict=True)
            if step.what == "soak"
        ),
        heating_c_per_min=tuple(up),
        cooling_c_per_min=tuple(down),
    )
