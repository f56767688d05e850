"""How an input quantity is spread about what is known of it: the distributions of JCGM 100:2008, 4.3, and JCGM 101:2008, 6.4."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Normal:
    """A normal distribution; with finite ``dof`` the u is itself an estimate, and draws are Student's (JCGM 101, 6.4.9)."""

    u: float
    mean: float = 0.0
    dof: float = math.inf
    words = "normal"

    @property
    def rms(self) -> float:
        """Root mean square about zero: what is known and not corrected counts as error."""
        return math.hypot(self.u, self.mean)

    def draw(self, rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
        """Values in the quantity's unit."""
        standard = rng.standard_normal(shape) if math.isinf(self.dof) else rng.standard_t(self.dof, shape)
        return np.asarray(self.mean + self.u * standard)


@dataclass(frozen=True)
class Rectangular:
    """Anything within +/- half, all alike (JCGM 100, 4.3.7).

    >>> round(Rectangular(0.5).u, 4)  # half a step of 1: the step over the root of 12
    0.2887
    """

    half: float
    dof = math.inf
    words = "rectangular"

    @property
    def u(self) -> float:
        """Standard uncertainty: half the width over the root of 3."""
        return self.half / math.sqrt(3)

    @property
    def rms(self) -> float:
        """The same, as the mean is zero."""
        return self.u

    def draw(self, rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
        """Values in the quantity's unit."""
        return np.asarray(rng.uniform(-self.half, self.half, shape))


@dataclass(frozen=True)
class Arcsine:
    """A sine of this amplitude, met at any phase: a temperature, or its rate, from day to night (JCGM 101, 6.4.6).

    >>> round(Arcsine(0.5).u, 2)  # the cycling of a room's temperature in JCGM 100, H.1.3.4
    0.35
    """

    half: float
    dof = math.inf
    words = "arcsine"

    @property
    def u(self) -> float:
        """Standard uncertainty: the amplitude over the root of 2."""
        return self.half / math.sqrt(2)

    @property
    def rms(self) -> float:
        """The same, as the mean is zero."""
        return self.u

    def draw(self, rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
        """Values in the quantity's unit."""
        return np.asarray(self.half * np.sin(rng.uniform(-math.pi, math.pi, shape)))


@dataclass(frozen=True)
class TwoValued:
    """One of two values, + or - half, as of a loop that is gone through either way."""

    half: float
    dof = math.inf
    words = "two-valued"

    @property
    def u(self) -> float:
        """Standard uncertainty: half the distance."""
        return self.half

    @property
    def rms(self) -> float:
        """The same, as the mean is zero."""
        return self.half

    def draw(self, rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
        """Values in the quantity's unit."""
        return np.asarray(self.half * rng.choice((-1.0, 1.0), shape))


@dataclass(frozen=True)
class Known:
    """A value that is known, and not corrected."""

    value: float
    dof = math.inf
    words = "known"
    u = 0.0

    @property
    def rms(self) -> float:
        """Its size: what is not corrected is an error."""
        return abs(self.value)

    def draw(self, rng: np.random.Generator, shape: tuple[int, ...]) -> Floats:
        """The value, ``shape`` times; ``rng`` is left alone."""
        return np.full(shape, self.value)


Distribution = Normal | Rectangular | Arcsine | TwoValued | Known


def scaled(spread: Distribution, factor: float) -> Distribution:
    """The same distribution, so many times as wide.

    >>> scaled(Rectangular(2.0), 0.5)
    Rectangular(half=1.0)
    """
    if isinstance(spread, Normal):
        return Normal(factor * spread.u, factor * spread.mean, spread.dof)
    if isinstance(spread, Known):
        return Known(factor * spread.value)
    return type(spread)(factor * spread.half)


def size_of(spread: Distribution) -> float:
    """What stands behind "+/-" in words: half the width of what is bounded, the size of what is known.

    >>> size_of(Rectangular(0.5)), size_of(Known(-2.0)), size_of(Normal(3.0, 4.0))
    (0.5, 2.0, 5.0)
    """
    return float(getattr(spread, "half", spread.rms))
