"""What remains, by temperature and by leg."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.decision.fresh import Fresh
from tcomp.decision.promise import root_mean_square

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

CELLS = 8
"""Equal parts of the temperatures that were judged."""


@dataclass(frozen=True)
class Part:
    """A cell of temperature or a leg, with RMS and mean of each remainder there. [degC] [degC/min] [ppb]"""

    words: str
    low_c: float
    high_c: float
    rate_c_per_min: float
    samples: int
    rms_ppb: tuple[float, ...]
    mean_ppb: tuple[float, ...]


def parts_by_temperature(fresh: Fresh, errors_ppb: Sequence[Floats]) -> tuple[Part, ...]:
    """Equal cells of the sensor's temperature; those without samples are left out."""
    edges = np.linspace(fresh.sensor_c.min(), fresh.sensor_c.max(), CELLS + 1)
    cell = np.clip(np.searchsorted(edges, fresh.sensor_c, side="right") - 1, 0, CELLS - 1)
    nan = float("nan")
    return tuple(
        _part("all legs", float(edges[i]), float(edges[i + 1]), nan, cell == i, errors_ppb)
        for i in range(CELLS)
        if (cell == i).any()
    )


def parts_by_leg(fresh: Fresh, errors_ppb: Sequence[Floats]) -> tuple[Part, ...]:
    """Each leg of which samples were judged."""
    parts = []
    for number in np.unique(fresh.leg):
        leg, here = fresh.legs[number], fresh.leg == number
        log = fresh.logs[fresh.run[np.argmax(here)]]
        at_c = fresh.sensor_c[here]
        words = f"{log}: {leg.kind}"
        parts.append(_part(words, float(at_c.min()), float(at_c.max()), leg.rate_c_per_min, here, errors_ppb))
    return tuple(parts)


def _part(words: str, low_c: float, high_c: float, rate: float, here: Mask, errors_ppb: Sequence[Floats]) -> Part:
    inside = [error[here] for error in errors_ppb]
    rms_ppb = tuple(root_mean_square(error) for error in inside)
    mean_ppb = tuple(float(error.mean()) for error in inside)
    return Part(words, low_c, high_c, rate, int(here.sum()), rms_ppb, mean_ppb)
