"""A contribution to the error of a reading: how its input quantity is spread, what that does at a moment, and how long it lasts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.decision.budget import Budget, Evaluated, Line
from tcomp.decision.moments import Moments
from tcomp.decision.spread import Spread, scaled

Floats = NDArray[np.float64]
Lasts = Literal["life", "trim", "moment"]
"""For how long one drawn value stays: an instrument's life, from trim to trim, or a moment (a power-up included)."""
WIDER = 2.0
"""Times by which a typical figure may be too small or too large (common practice, no source)."""


def always(moments: Moments) -> Floats:
    """The input quantity is the error itself."""
    return np.ones((1, 1))


@dataclass(frozen=True, eq=False)
class Contribution:
    """The error at a moment is the input quantity times ``effect`` there.

    ``basis`` says where the figure comes from.  Of an assumed one, ``decides`` names the measurement that would tell it, and
    ``at_most`` how many times as large it may be.
    """

    name: str
    spread: Spread
    effect: Callable[[Moments], Floats] = always
    unit: str = "ppb"
    lasts: Lasts = "moment"
    evaluated: Evaluated = "B"
    basis: str = ""
    assumed: bool = False
    decides: str = ""
    at_most: float = WIDER

    def line(self, moments: Moments) -> Line:
        """Its line of a budget: the sensitivity is the root mean square of the effect over the moments."""
        return Line(
            self.name,
            self.spread.rms,
            float(np.sqrt(np.mean(self.effect(moments) ** 2))),
            self.spread.dof,
            self.evaluated,
            self.spread.words,
            self.unit,
            self.basis,
            self.assumed,
        )

    def errors_ppb(self, moments: Moments, rng: np.random.Generator) -> Floats:
        """Drawn errors at all moments, broadcast to their shape. [ppb]"""
        units, count = moments.days.shape
        if self.lasts == "moment":
            drawn = self.spread.draw(rng, (units, count))
        else:
            drawn = self.spread.draw(rng, (units, int(moments.trim.max()) + 1))
            drawn = drawn[:, moments.trim] if self.lasts == "trim" else drawn[:, :1]
        return np.asarray(drawn * self.effect(moments))

    def times(self, factor: float) -> Contribution:
        """The same, so many times as large."""
        return Contribution(**{**vars(self), "spread": scaled(self.spread, factor)})


def budget_of(contributions: Sequence[Contribution], moments: Moments) -> Budget:
    """The budget over the moments."""
    return Budget(tuple(one.line(moments) for one in contributions))


def drawn_errors(contributions: Sequence[Contribution], moments: Moments, seed: int) -> dict[str, Floats]:
    """Errors of each contribution by its name; the same draws for the same seed and name. [ppb]

    Each name has a generator of its own, so that options that share a contribution are compared on the same draws.
    """
    return {one.name: one.errors_ppb(moments, named_generator(seed, one.name)) for one in contributions}


def named_generator(seed: int, name: str) -> np.random.Generator:
    """A generator for a seed and a name."""
    return np.random.default_rng([seed, *name.encode("utf-8")])
