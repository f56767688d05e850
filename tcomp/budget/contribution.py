"""A contribution to the error of a reading: how its input quantity is spread, what that does at a moment, and how long it lasts.

The error at a moment is what has changed since the trim: error(t) - error(trim).  What lasts from trim to trim, or longer, enters
by its ``effect``, which is that difference; what comes anew at each power-up or reading enters twice, once at the moment and once,
by ``at_trim``, in the base, where it stays until the next trim.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.budget.budget import COVERED, Budget, Evaluated, Line
from tcomp.budget.distributions import Distribution, scaled
from tcomp.budget.operating_points import OperatingPoints, Service

Floats = NDArray[np.float64]
Lasts = Literal["life", "trim", "power-up", "reading"]
"""For how long one value stays: an instrument's life, from trim to trim, from power-up to power-up, or a reading."""
WIDER = 2.0
"""Times by which a typical figure may be too small or too large (common practice, no source)."""
DRAWS = 20_000
"""Instruments of which the error on a day is drawn: what 95.45 % of them are within is then known to 0.7 % of a normal one's."""
SEED = 20_260_302
KEPT_DRAWS = 32
"""Contributions of which the draws are kept: those of one option, which are the same on each day."""


def always(moments: OperatingPoints) -> Floats:
    """The input quantity is the error itself."""
    return np.ones((1, 1))


def nothing(moments: OperatingPoints) -> Floats:
    """Nothing of it is known."""
    return np.zeros((1, 1))


@dataclass(frozen=True, eq=False)
class Contribution:
    """The error at a moment is the input quantity times ``effect`` there, less its value at the trim times ``at_trim``.

    Attributes
    ----------
    known : callable
        The part of the error that is known and not corrected, a drift; ``spread`` is what is not known. [ppb]
    at_trim : float
        Effect at the trim of what is drawn anew there. [ppb/unit]
    basis : str
        Where the figure comes from.
    assumed : bool
        Whether it is typical; then ``decides`` names the measurement that would tell it, and ``at_least`` and ``at_most`` how
        many times as large it may be.
    followed : bool
        Whether a correction of a log follows it, since the log tells it: a change of the temperature, another quantity.
    """

    name: str
    spread: Distribution
    effect: Callable[[OperatingPoints], Floats] = always
    unit: str = "ppb"
    lasts: Lasts = "reading"
    known: Callable[[OperatingPoints], Floats] = nothing
    at_trim: float = 0.0
    evaluated: Evaluated = "B"
    basis: str = ""
    assumed: bool = False
    decides: str = ""
    at_least: float = 1 / WIDER
    at_most: float = WIDER
    followed: bool = False

    def line(self, moments: OperatingPoints) -> Line:
        """Its line of a budget: the sensitivity is the root mean square of the effect over the moments, trim included."""
        return Line(
            self.name,
            self.spread.rms,
            math.hypot(float(np.sqrt(np.mean(self.effect(moments) ** 2))), self.at_trim),
            self.spread.dof,
            self.evaluated,
            self.spread.words,
            self.unit,
            self.basis,
            self.assumed,
            float(np.mean(self.known(moments))),
        )

    def u_ppb(self, moments: OperatingPoints) -> Floats:
        """Standard uncertainty at each moment. [ppb]"""
        return np.asarray(self.spread.rms * np.hypot(self.effect(moments), self.at_trim))

    def errors_ppb(self, moments: OperatingPoints, seed: int) -> Floats:
        """Drawn errors at all moments without their known part, broadcast to their shape. [ppb]"""
        units, count = moments.days.shape
        each_reading = self.lasts in ("reading", "power-up")  # the moments of an instrument lie days apart
        of_trims = (units, int(moments.trim.max()) + 1)
        shapes = ((units, count) if each_reading else of_trims, *((of_trims,) if self.at_trim else ()))
        drawn, *base = drawn_spread(seed, self.name, self.spread, shapes)
        if not each_reading:
            drawn = drawn[:, moments.trim] if self.lasts == "trim" else drawn[:, :1]
        errors = np.asarray(drawn * self.effect(moments))
        if self.at_trim:
            errors = errors - self.at_trim * base[0][:, moments.trim]
        return errors

    def times(self, factor: float) -> Contribution:
        """The same, so many times as large."""
        return Contribution(
            **{
                **vars(self),
                "spread": scaled(self.spread, factor),
                "known": lambda moments: factor * self.known(moments),
            }
        )


def budget_of(contributions: Sequence[Contribution], moments: OperatingPoints) -> Budget:
    """The budget over the moments."""
    return Budget(tuple(one.line(moments) for one in contributions))


def drawn_errors(contributions: Sequence[Contribution], moments: OperatingPoints, seed: int) -> dict[str, Floats]:
    """Errors of each contribution by its name; the same draws for the same seed and name. [ppb]

    Each name has a generator of its own, so that options that share a contribution are compared on the same draws.
    """
    return {one.name: one.errors_ppb(moments, seed) for one in contributions}


@lru_cache(maxsize=KEPT_DRAWS)
def drawn_spread(seed: int, name: str, spread: Distribution, shapes: tuple[tuple[int, ...], ...]) -> tuple[Floats, ...]:
    """Draws of one name, one after the other in these shapes; the same for each day, and so kept. They cannot be written to."""
    rng = named_generator(seed, name)
    drawn = tuple(spread.draw(rng, shape) for shape in shapes)
    for one in drawn:
        one.flags.writeable = False
    return drawn


def named_generator(seed: int, name: str) -> np.random.Generator:
    """A generator for a seed and a name."""
    return np.random.default_rng([seed, *name.encode("utf-8")])


@dataclass(frozen=True, eq=False)
class ErrorOnDay:
    """Errors so many days after a trim, one moment of each of many instruments.

    Attributes
    ----------
    day : float
        Since the trim. [d]
    known_ppb, errors_ppb : dict of str to ndarray
        By contribution: the known part, and what is drawn, shape (draws,) or (1,). [ppb]
    """

    day: float
    known_ppb: dict[str, float]
    errors_ppb: dict[str, Floats]

    def within_ppb(self, covered: float = COVERED, *, times: dict[str, float] | None = None) -> float:
        """|known| plus what covers a share of the rest: the error on that day, by default that of k = 2. [ppb]

        The drift is added as it is (JCGM 100, F.2.4.5); the rest is drawn (JCGM 101), so that what is bounded stays so.
        ``times``: contributions taken so many times as large.
        """
        known = math.fsum(value * (times or {}).get(name, 1.0) for name, value in self.known_ppb.items())
        return abs(known) + covers(np.abs(self._rest(times or {})), covered)

    def probability(self, needed_ppb: float) -> float:
        """That a reading on that day is within the need."""
        return float(np.mean(np.abs(self._rest({}) + math.fsum(self.known_ppb.values())) <= needed_ppb))

    def _rest(self, times: dict[str, float]) -> Floats:
        return np.asarray(sum(times.get(name, 1.0) * one for name, one in self.errors_ppb.items()))


def covers(sizes: Floats, covered: float) -> float:
    """The smallest size that a share of all is within.

    >>> covers(np.array([4.0, 1.0, 3.0, 2.0]), 0.5)
    2.0
    """
    place = max(0, math.ceil(covered * sizes.size - 1e-9) - 1)
    return float(np.partition(sizes, place)[place])


def error_on(contributions: Sequence[Contribution], service: Service, day: float, *, draws: int = DRAWS) -> ErrorOnDay:
    """The error so many days after a trim: the same figure wherever it is printed.

    Examples
    --------
    A drift of 0.5 ppb/day that is known, and noise of 3 ppb: 20 days after the trim 10 ppb, and twice 3.

    >>> from tcomp.budget.distributions import Normal
    >>> from tcomp.job import Use
    >>> drift = Contribution("drift", Normal(0.0), lambda moments: moments.days, known=lambda moments: 0.5 * moments.days)
    >>> found = error_on((drift, Contribution("noise", Normal(3.0))), Service(Use(), (0.0, 50.0)), 20.0)
    >>> round(found.within_ppb())
    16
    """
    moments = service.drawn((draws, 1), np.random.default_rng(SEED), day)
    errors = drawn_errors(contributions, moments, SEED)
    return ErrorOnDay(
        day,
        {one.name: float(np.mean(one.known(moments))) for one in contributions},
        {name: np.broadcast_to(one, (draws, 1))[:, 0] for name, one in errors.items()},
    )


def last_day_within(
    contributions: Sequence[Contribution], service: Service, needed_ppb: float, longest_days: float
) -> float | None:
    """The last whole day after a trim on which the error is within the need, by halving; None: not even on the day of the trim.

    What ages only grows, so that the error does.
    """

    def within(day: int) -> bool:
        return error_on(contributions, service, float(day)).within_ppb() <= needed_ppb

    if not within(0):
        return None
    low, high = 0, math.floor(longest_days) + 1
    if within(high - 1):
        return float(longest_days)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if within(middle) else (low, middle)
    return float(low)
