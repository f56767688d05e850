"""Round numbers along an axis."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Tick:
    """A label beside a chart: its text, and its place as a share of the axis, from the left or the bottom."""

    text: str
    at: float


@dataclass(frozen=True)
class Axis:
    """Ends of an axis, and whether equal steps are equal factors."""

    low: float
    high: float
    log: bool = False

    def place(self, values: Floats) -> Floats:
        """Share of the axis at which values lie; 0 is its low end."""
        low, high, at = (self._scaled(np.asarray(one, dtype=np.float64)) for one in (self.low, self.high, values))
        return np.asarray((at - low) / (high - low))

    def ticks(self, most: int = 7) -> tuple[Tick, ...]:
        """Round numbers between the ends, so many at most.

        Examples
        --------
        >>> [tick.text for tick in Axis(-20.4, 60.2).ticks()]
        ['-20', '0', '20', '40', '60']
        >>> [tick.text for tick in Axis(0.4, 700.0, log=True).ticks()]
        ['0.5', '1', '5', '10', '50', '100', '500']
        """
        values, words = _factors(self.low, self.high) if self.log else _steps(self.low, self.high, most)
        places = self.place(np.array(values))
        return tuple(Tick(words(value), round(float(at), 4)) for value, at in zip(values, places, strict=True))

    def _scaled(self, values: Floats) -> Floats:
        return np.log10(np.maximum(values, 1e-300)) if self.log else values


def _steps(low: float, high: float, most: int) -> tuple[list[float], Callable[[float], str]]:
    raw = (high - low) / most
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(factor * power for factor in (1.0, 2.0, 5.0, 10.0) if factor * power >= raw * 0.999)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [count * step for count in range(first, last + 1)], lambda value: f"{value:z.{digits}f}"


def _factors(low: float, high: float) -> tuple[list[float], Callable[[float], str]]:
    decades = math.log10(high / low)
    every = max(1, math.ceil(decades / 6))
    factors = (1.0, 2.0, 5.0) if decades < 2 else (1.0, 5.0) if decades < 3.5 else (1.0,)
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    values = [factor * 10.0**power for power in powers if power % every == 0 for factor in factors]
    return [value for value in values if low * 0.999 <= value <= high * 1.001], lambda value: f"{value:g}"
