"""Distributions sent through a model by drawing from them (JCGM 101:2008), seeded: the same draws each time.

Draws come in blocks, until the figures that are stated have settled (the adaptive procedure of 7.9): a wide and even
distribution takes a tenth of the draws that one with few draws in its tails does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tcomp.budget.contribution import DRAWS, SEED, Contribution, ErrorOnDay, drawn_errors, error_on
from tcomp.budget.crystal_error import BOARD_WARM_UP
from tcomp.budget.distributions import Distribution
from tcomp.budget.operating_points import Service
from tcomp.verdict.options import WARM_UP, Option

Floats = NDArray[np.float64]
BLOCK = 10_000
"""Draws of a block (JCGM 101:2008, 7.9.4 b: at least that many)."""
MIN_BLOCKS = 10
"""How far blocks differ is estimated from the blocks themselves: two, as in the standard, would often agree by chance."""
MAX_BLOCKS = 100
"""A million draws give a 95 % interval to one or two digits (JCGM 101:2008, 7.2.3)."""
DIGITS = 2
"""Digits of the standard uncertainty that are to be right (JCGM 101:2008, 7.9.2)."""


@dataclass(frozen=True)
class Propagated:
    """The result's mean and standard uncertainty, and what covers the share: the shortest interval, and +/- about zero."""

    mean: float
    u: float
    interval: tuple[float, float]
    within: float
    draws: int


def propagate(
    model: Callable[..., Floats], spreads: Mapping[str, Distribution], *, covered: float = 0.95, seed: int = SEED
) -> Propagated:
    """Draw the input quantities, compute the result of each draw, until mean, u and ``within`` are known to two digits of u.

    Parameters
    ----------
    model : callable
        Takes an array of shape (BLOCK,) for each name of ``spreads``, gives one; called once for each block.
    spreads : mapping of str to Spread
        Independent input quantities; a quantity's mean that its spread does not hold belongs to the model.

    Examples
    --------
    >>> from tcomp.budget.distributions import Rectangular
    >>> found = propagate(lambda a, b: a + b, {"a": Rectangular(1.0), "b": Rectangular(1.0)})
    >>> round(found.u, 2), round(found.within, 2)  # triangular: 2 over the root of 6, and 2 - 2 sqrt(0.05)
    (0.82, 1.55)
    """
    rng = np.random.default_rng(seed)
    blocks: list[Floats] = []
    figures: list[tuple[float, float, float]] = []
    while len(blocks) < MAX_BLOCKS and not _settled(np.array(figures)):
        blocks.append(model(**{name: spread.draw(rng, (BLOCK,)) for name, spread in spreads.items()}))
        figures.append(_figures(blocks[-1], covered))
    result = np.concatenate(blocks)
    mean, u, within = _figures(result, covered)
    return Propagated(mean, u, shortest_interval(result, covered), within, result.size)


def _figures(result: Floats, covered: float) -> tuple[float, float, float]:
    return float(result.mean()), float(result.std(ddof=1)), float(np.quantile(np.abs(result), covered))


def _settled(figures: Floats) -> bool:
    """Whether twice the standard error of the mean over the blocks is within half of the last digit of u, for each figure."""
    if len(figures) < MIN_BLOCKS:
        return False
    u = float(figures[:, 1].mean())
    tolerance = 0.5 * 10.0 ** (math.floor(math.log10(u)) - DIGITS + 1) if u > 0 else 0.0
    return bool(np.all(2 * figures.std(axis=0, ddof=1) / math.sqrt(len(figures)) <= tolerance))


def shortest_interval(draws: Floats, covered: float) -> tuple[float, float]:
    """The shortest interval that holds a share of the draws (JCGM 101:2008, 7.7.2, note 4)."""
    ordered = np.sort(draws, axis=None)
    inside = int(covered * ordered.size)
    start = int(np.argmin(ordered[inside:] - ordered[:-inside])) if inside < ordered.size else 0
    return float(ordered[start]), float(ordered[min(start + inside, ordered.size - 1)])


UNITS, MOMENTS = 1000, 500
"""Instruments drawn, and switched-on moments of each: a share of time is known to 1 %."""
DAYS = 24
"""Days at which the error is stated."""
LONGEST_WARM_UP_MINUTES = 24 * 60.0
WARMING = (WARM_UP, BOARD_WARM_UP)
"""Contributions that die away after switch-on."""


@dataclass(frozen=True, eq=False)
class ServiceLife:
    """An option in use: its errors on the last day before a trim, and at moments of its whole time. [ppb]

    An option meets a need where its error on the last day is within it (`ErrorOnDay.within_ppb`).
    """

    option: Option
    service: Service
    last: ErrorOnDay

    def need_met_ppb(self, *, times: dict[str, float] | None = None) -> float:
        """The smallest need that it meets."""
        return self.last.within_ppb(times=times)

    @cached_property
    def total_ppb(self) -> Floats:
        """All errors together, of shape (units, moments)."""
        moments = self.service.drawn((UNITS, MOMENTS), np.random.default_rng(SEED))
        total = np.zeros(moments.days.shape)
        for one in self.option.contributions:
            total += drawn_errors((one,), moments, SEED)[one.name] + one.known(moments)
        return total

    def shares(self, needed_ppb: float) -> Floats:
        """For each instrument, the share of its time that is within the need."""
        return shares_within(self.total_ppb, needed_ppb)

    def limit(self, needed_ppb: float) -> tuple[str, float]:
        """What is largest in the readings of the last day that are beyond the need, and its share of the squares."""
        errors = {name: one + self.last.known_ppb[name] for name, one in self.last.errors_ppb.items()}
        beyond = np.abs(np.asarray(sum(errors.values()))) > needed_ppb
        counted = beyond if beyond.any() else np.ones_like(beyond)
        squares = {name: float(np.sum(one[counted] ** 2)) for name, one in errors.items()}
        largest = max(squares, key=lambda name: squares[name])
        return largest, squares[largest] / max(math.fsum(squares.values()), 1e-300)

    def error_by_day(self) -> tuple[tuple[float, float, float], ...]:
        """Days since the trim, and the error then, for 68 % and for 95 %. [d, ppb, ppb]"""
        last = self.service.last_day
        rows = []
        for day in np.concatenate(([0.0], np.geomspace(1.0, max(last, 1.0), DAYS - 1))).tolist():
            found = self.last if day == last else error_on(self.option.contributions, self.service, day)
            rows.append((day, found.within_ppb(0.6827), found.within_ppb()))
        return tuple(rows)

    def minutes_until_within(self, needed_ppb: float) -> float | None:
        """From switch-on until the error of the last day is within the need; None: never."""
        day = self.service.last_day
        moments = self.service.drawn((DRAWS, 1), np.random.default_rng(SEED), day)
        warming = [one for one in self.option.contributions if one.name in WARMING]
        rest = {name: one for name, one in self.last.errors_ppb.items() if name not in WARMING}
        warm = np.asarray(sum(rest.values(), np.zeros(1)))

        def within(minutes: float) -> bool:
            then = replace(moments, minutes_on=np.full_like(moments.minutes_on, minutes))
            cold = sum((np.asarray(one.effect(then))[:, 0] for one in warming), np.zeros(1))  # known as a whole
            return ErrorOnDay(day, self.last.known_ppb, {"": warm + cold}).within_ppb() <= needed_ppb

        if within(0.0):
            return 0.0
        if not within(LONGEST_WARM_UP_MINUTES):
            return None
        return turning_point(within, 0.0, LONGEST_WARM_UP_MINUTES, steps=20)


def simulate_service(option: Option, service: Service) -> ServiceLife:
    """Draw an option in use; the same draws for the same job."""
    return ServiceLife(option, service, error_on(option.contributions, service, service.last_day))


def shares_within(error_ppb: Floats, needed_ppb: float) -> Floats:
    """Share of each row that is within +/- the need.

    >>> shares_within(np.array([[1.0, -3.0], [0.0, 1.0]]), 2.0).tolist()
    [0.5, 1.0]
    """
    return np.asarray(np.mean(np.abs(error_ppb) <= needed_ppb, axis=1))


def turning_point(holds: Callable[[float], bool], low: float, high: float, steps: int = 40) -> float:
    """Where, between two values of which one holds and one does not, it turns; by halving.

    >>> round(turning_point(lambda x: x > 2.5, 0.0, 10.0), 6)
    2.5
    """
    at_low = holds(low)
    for _ in range(steps):
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) == at_low else (low, middle)
    return (low + high) / 2


def largest_factor(life: ServiceLife, name: str, needed_ppb: float, most: float) -> float | None:
    """How many times as large a contribution may be until the need is no longer met; None: even ``most`` times."""

    def meets(factor: float) -> bool:
        return life.need_met_ppb(times={name: factor}) <= needed_ppb

    if meets(most):
        return None
    return turning_point(meets, 0.0, most, steps=20) if meets(0.0) else 0.0


def open_figures(life: ServiceLife, needed_ppb: float) -> tuple[Contribution, ...]:
    """Assumed contributions that, as small or as large as they may be, would turn whether the need is met."""
    meets = life.need_met_ppb() <= needed_ppb

    def turns(one: Contribution) -> bool:
        return any(
            (life.need_met_ppb(times={one.name: factor}) <= needed_ppb) != meets
            for factor in (one.at_least, one.at_most)
        )

    return tuple(one for one in assumed_of(life.option.contributions) if turns(one))


def assumed_of(contributions: Sequence[Contribution]) -> tuple[Contribution, ...]:
    """Those that rest on a typical figure, or on one that is extrapolated."""
    return tuple(one for one in contributions if one.assumed)
