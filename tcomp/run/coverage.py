"""Which temperatures the runs pass, and in which direction."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from tcomp.run.legs import Leg


@dataclass(frozen=True)
class Coverage:
    """Per cell of temperature: how many sweeps pass its middle, heating, cooling, and unordered.

    ``edges_c`` has one value more than the others. [degC]
    """

    edges_c: tuple[float, ...]
    heating: tuple[int, ...]
    cooling: tuple[int, ...]
    unordered: tuple[int, ...]

    def sentences(self) -> tuple[str, ...]:
        """What was seen in one direction only, or not at all; empty when all was seen in both."""
        return tuple(self._sentences())

    def _sentences(self) -> Iterator[str]:
        for verdict, cells in groupby(range(len(self.heating)), key=self._verdict):
            if verdict:
                numbers = list(cells)
                yield f"From {self.edges_c[numbers[0]]:g} to {self.edges_c[numbers[-1] + 1]:g} degC {verdict}."

    def _verdict(self, cell: int) -> str:
        if self.heating[cell] and self.cooling[cell]:
            return ""
        if self.heating[cell]:
            return "the runs only heat, so lag, hysteresis and ageing cannot be told apart there"
        if self.cooling[cell]:
            return "the runs only cool, so lag, hysteresis and ageing cannot be told apart there"
        return "only unordered samples exist, of unknown direction" if self.unordered[cell] else "nothing was measured"


def coverage(runs: Sequence[Sequence[Leg]], low_c: float, high_c: float, cells: int = 10) -> Coverage:
    """Count the sweeps of all runs that pass each cell of a range of temperature.

    Parameters
    ----------
    runs : sequence of sequences of Leg
        The legs of each run, as `cut_legs` gives them.
    low_c, high_c : float
        The range. [degC]
    cells : int, default=10
        Cells of equal width.

    Examples
    --------
    >>> def leg(kind, sweep, low_c, high_c):
    ...     return Leg(kind, sweep, 1 if kind == "heating" else -1, 0, 9, 0.0, 80.0, low_c, high_c, 1.0)
    >>> seen = coverage([[leg("heating", 0, 0.0, 40.0), leg("cooling", 1, 20.0, 40.0)]], 0.0, 60.0, cells=3)
    >>> seen.heating, seen.cooling
    ((1, 1, 0), (0, 1, 0))
    >>> seen.sentences()[1]
    'From 40 to 60 degC nothing was measured.'
    """
    edges_c = np.linspace(low_c, high_c, cells + 1)
    middles_c = (edges_c[1:] + edges_c[:-1]) / 2
    passed = {direction: np.zeros(cells, dtype=int) for direction in (1, -1, 0)}
    for legs in runs:
        for _, group in groupby(legs, key=lambda leg: leg.sweep):
            sweep = list(group)
            low, high = min(leg.low_c for leg in sweep), max(leg.high_c for leg in sweep)
            passed[sweep[0].direction] += (middles_c >= low) & (middles_c <= high)
    counts = [tuple(int(count) for count in passed[direction]) for direction in (1, -1, 0)]
    return Coverage(tuple(float(edge) for edge in edges_c), *counts)
