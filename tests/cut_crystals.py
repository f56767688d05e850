"""Crystals of a cut for tests and benchmarks: parameters drawn from handbook ranges, by NumPy alone; nothing is shared with tcomp.

A range is the middle 95 % of a normal distribution.  AT: cubic coefficient 105 to 110e-12 per K**3 and inflection 25 to 28 degC
(Bechmann, Proc. IRE 1956 and 1962, from memory; 108.6e-12 and 26.4 degC: Gerber and Ballato 1985, second-hand), -84.7 ppb/degC for
each of 0 to 8 minutes of arc.  Tuning fork: -0.031 to -0.039 ppm/K**2 (Vig 1992: -0.035), turnover 20 to 30 degC (memory).  BT:
about -0.04 ppm/K**2 (Bechmann, Ballato, Lukaszek 1962).  SC: inflection 85 to 97 degC (Vig 1992: about 95), 58e-12 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Crystal = Callable[[Floats], Floats]


def crystal(cut: str, random: np.random.Generator) -> Crystal:
    """A curve of one crystal: degC to ppb."""

    def within(low: float, high: float) -> float:
        return float((low + high) / 2 + (high - low) / 4 * random.standard_normal())

    base = within(-20_000.0, 20_000.0)
    if cut == "AT":
        slope, centre, cubic = -84.7 * within(0.0, 8.0), within(25.0, 28.0), within(0.105, 0.110)
        return lambda t: base + slope * (t - centre) + cubic * (t - centre) ** 3
    if cut == "SC":
        slope, centre, cubic = within(-600.0, 200.0), within(85.0, 97.0), within(0.055, 0.061)
        return lambda t: base + slope * (t - centre) + cubic * (t - centre) ** 3
    bend = within(-39.0, -31.0) if cut == "tuning-fork" else within(-44.0, -36.0)
    centre = within(20.0, 30.0) if cut == "tuning-fork" else within(10.0, 40.0)
    return lambda t: base + bend * (t - centre) ** 2
