"""How far off a clock on each option is so many days after it was set: the integral of the error of its frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tcomp.budget.contribution import Contribution
from tcomp.budget.crystal_error import BASE, REFERENCE
from tcomp.budget.operating_points import Service
from tcomp.units import PPB_PER_UNIT, SECONDS_PER_DAY

Floats = NDArray[np.float64]

GRID = 17
"""Days from the setting to the last one at which errors are computed; straight between them."""
WITHIN_95 = 1.96
LONGEST_DAYS = 3653
"""Ten years: a need that holds longer is not dated."""
HELD_OVER = "crystal with the table, held over"


@dataclass(frozen=True)
class TimeForecast:
    """The time error of an option.

    Attributes
    ----------
    days : float
        Since the clock was set. [d]
    known_s, u_s : float
        What is known of it, such as a stated drift, and its standard uncertainty. [s]
    broken_day : int or None
        First whole day on which the need may be exceeded, at 95 %; None: not within ten years.
    """

    name: str
    days: float
    known_s: float
    u_s: float
    broken_day: int | None

    @property
    def within_s(self) -> float:
        """Within which it is in 95 of 100 cases. [s]"""
        return abs(self.known_s) + WITHIN_95 * self.u_s


def time_error(contributions: Sequence[Contribution], service: Service, days: float) -> tuple[float, float]:
    """Known part and standard uncertainty of a clock's time error so many days after it was trimmed and set. [s]

    What lasts from trim to trim or longer acts alike on all days, with its mean over the temperatures of the use, so that it grows
    with the time; about that mean, and what comes anew, is drawn anew each day and grows as the root of the days.  No jump is
    expected, and no trim within these days.

    Examples
    --------
    A drift of 1 ppb/day that is known makes after 30 days 30^2 / 2 day x ppb, 39 ms; 10 ppb from trim to trim 26 ms:

    >>> from tcomp.budget.distributions import Normal
    >>> from tcomp.job import Use
    >>> drift = Contribution("drift", Normal(0.0), known=lambda moments: moments.days)
    >>> base = Contribution("base", Normal(10.0), lasts="trim")
    >>> [round(one, 4) for one in time_error((drift, base), Service(Use(), (0.0, 50.0)), 30.0)]
    [0.0389, 0.0259]
    """
    at = np.linspace(0.0, days, GRID)
    moments = [service.even(float(day)) for day in at]
    known, variance = 0.0, 0.0
    for one in contributions:
        effects = [np.broadcast_to(one.effect(moment), moment.days.shape) for moment in moments]
        mean = np.array([float(np.mean(effect)) for effect in effects])
        squares = np.array([float(np.mean(effect**2)) for effect in effects])
        known += float(np.trapezoid([float(np.mean(one.known(moment))) for moment in moments], at))
        if one.lasts in ("life", "trim"):
            lasting, anew = np.trapezoid(mean, at) ** 2, np.trapezoid(np.maximum(squares - mean**2, 0.0), at)
        else:
            lasting, anew = 0.0, np.trapezoid(squares, at)
        variance += one.spread.rms**2 * (float(lasting) + float(anew) + (one.at_trim * days) ** 2)
    to_s = SECONDS_PER_DAY / PPB_PER_UNIT["1"]
    return known * to_s, float(np.sqrt(variance)) * to_s


def forecast(
    name: str, contributions: Sequence[Contribution], service: Service, error_s: float, days: float
) -> TimeForecast:
    """The time error after the days that are asked for, and the day on which it may exceed the need."""

    def within_s(day: float) -> float:
        known_s, u_s = time_error(contributions, service, day)
        return abs(known_s) + WITHIN_95 * u_s

    known_s, u_s = time_error(contributions, service, days)
    low, high = 0, LONGEST_DAYS
    if within_s(high) <= error_s:
        return TimeForecast(name, days, known_s, u_s, None)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if within_s(middle) <= error_s else (low, middle)
    return TimeForecast(name, days, known_s, u_s, high)


def held_over(contributions: Sequence[Contribution]) -> tuple[Contribution, ...]:
    """What is left of the contributions after a reference is lost: until then it held the base."""
    return tuple(replace(one, at_trim=0.0) for one in contributions if one.name not in (BASE, REFERENCE))
