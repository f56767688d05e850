"""An option over its life: drawn for many instruments, each at many switched-on moments."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tcomp.decision.budget import COVERED
from tcomp.decision.contribution import WIDER, Contribution, drawn_errors
from tcomp.decision.crystal_error import AGEING
from tcomp.decision.moments import Moments, drawn_moments
from tcomp.decision.monte_carlo import SEED
from tcomp.decision.options import WARM_UP, Option
from tcomp.job import Job

Floats = NDArray[np.float64]
UNITS, MOMENTS = 1000, 500
"""Instruments drawn, and switched-on moments of each: a probability is known to 1.6 %, a share of time to 1 %."""
SURE = 0.95
"""Probability from which an option is said to meet the need (common practice, no source)."""
DAYS, SPARSE = 24, 10
"""Days at which the error is stated, and of how many moments one is looked at for it."""
TOGETHER = 50
LONGEST_WARM_UP_MINUTES = 24 * 60.0


@dataclass(frozen=True, eq=False)
class Life:
    """The errors of an option, contribution by contribution, at the moments. [ppb]"""

    option: Option
    moments: Moments
    errors: dict[str, Floats]

    @cached_property
    def total_ppb(self) -> Floats:
        """All errors together, of shape (units, moments)."""
        return np.asarray(sum(np.broadcast_to(one, self.moments.days.shape) for one in self.errors.values()))

    def without_ppb(self, *names: str) -> Floats:
        """All but some."""
        rest = [one for name, one in self.errors.items() if name not in names]
        return np.asarray(sum((np.broadcast_to(one, self.moments.days.shape) for one in rest), np.zeros(1)))

    def shares(self, needed_ppb: float) -> Floats:
        """For each instrument, the share of its switched-on time that is within the need."""
        return shares_within(self.total_ppb, needed_ppb)

    def probability(self, needed_ppb: float, *, times: dict[str, float] | None = None) -> float:
        """That an instrument is within the need for the share of its time that k = 2 stands for.

        ``times``: contributions taken so many times as large.
        """
        # Some instruments at a time: new memory for all of them would cost more than the sums.
        parts = [slice(first, first + TOGETHER) for first in range(0, len(self.total_ppb), TOGETHER)]
        within = [shares_within(self._part_ppb(part, times or {}), needed_ppb) for part in parts]
        return float(np.mean(np.concatenate(within) >= COVERED))

    def _part_ppb(self, part: slice, times: dict[str, float]) -> Floats:
        """All errors of some instruments together."""
        return np.asarray(sum(((times[one] - 1) * self.errors[one][part] for one in times), self.total_ppb[part]))

    def need_met_ppb(self) -> float:
        """The smallest need that it meets with the probability asked for."""
        each = np.quantile(np.sort(np.abs(self.total_ppb), axis=1), COVERED, axis=1)
        return float(np.quantile(each, SURE))

    def error_by_day(self) -> tuple[tuple[float, float, float], ...]:
        """Days since the trim, and what 68 % and 95 % of all errors are within then. [d, ppb, ppb]"""
        rest, ageing = self.without_ppb(AGEING)[:, ::SPARSE], self.errors.get(AGEING)
        last = float(self.moments.days.max())
        rate = 0.0 if ageing is None else (ageing / self.moments.days)[:, ::SPARSE]
        rows = []
        for day in np.concatenate(([0.0], np.geomspace(1.0, max(last, 1.0), DAYS - 1))):
            nearly, most = np.quantile(np.sort(np.abs(rest + rate * day), axis=None), (0.6827, COVERED))
            rows.append((float(day), float(nearly), float(most)))
        return tuple(rows)

    def minutes_until_within(self, needed_ppb: float) -> float | None:
        """From switch-on until the errors are within the need for the share of instruments and days; None: never."""
        warming = self.option.warming
        rest = self.without_ppb(WARM_UP)

        def within(minutes: float) -> bool:
            left = 0.0 if warming is None else float(warming.left_ppb(np.array([minutes]))[0])
            return float(np.mean(np.abs(rest + left) <= needed_ppb)) >= COVERED

        if within(0.0):
            return 0.0
        if not within(LONGEST_WARM_UP_MINUTES):
            return None
        return turning_point(within, 0.0, LONGEST_WARM_UP_MINUTES)


def lived(
    option: Option, job: Job, range_c: tuple[float, float], *, units: int = UNITS, moments: int = MOMENTS
) -> Life:
    """Draw an option's life; the same draws for the same job."""
    drawn = drawn_moments(
        job.use,
        range_c,
        job.table.dwell,
        trimmed=option.trimmed,
        shape=(units, moments),
        rng=np.random.default_rng(SEED),
    )
    return Life(option, drawn, drawn_errors(option.contributions, drawn, SEED))


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


def largest_factor(life: Life, name: str, needed_ppb: float, most: float) -> float | None:
    """How many times as large a contribution may be until the need is no longer met; None: even ``most`` times."""

    def meets(factor: float) -> bool:
        return life.probability(needed_ppb, times={name: factor}) >= SURE

    if meets(most):
        return None
    return turning_point(meets, 0.0, most, steps=20) if meets(0.0) else 0.0


def open_figures(life: Life, needed_ppb: float) -> tuple[Contribution, ...]:
    """Assumed contributions that, as small or as large as they may be, would turn whether the need is met."""
    meets = life.probability(needed_ppb) >= SURE

    def turns(one: Contribution) -> bool:
        return any(
            (life.probability(needed_ppb, times={one.name: factor}) >= SURE) != meets
            for factor in (1 / WIDER, one.at_most)
        )

    return tuple(one for one in assumed_of(life.option.contributions) if turns(one))


def assumed_of(contributions: Sequence[Contribution]) -> tuple[Contribution, ...]:
    """Those that rest on a typical figure, or on one that is extrapolated."""
    return tuple(one for one in contributions if one.assumed)
