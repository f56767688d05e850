"""Distributions sent through a model by drawing from them (JCGM 101:2008), seeded: the same draws each time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.decision.spread import Spread

Floats = NDArray[np.float64]
DRAWS = 1_000_000
"""Draws that give a 95 % interval to one or two digits (JCGM 101:2008, 7.2.3)."""
SEED = 20_260_302


@dataclass(frozen=True)
class Propagated:
    """The result's mean and standard uncertainty, and what covers the share: the shortest interval, and +/- about zero."""

    mean: float
    u: float
    interval: tuple[float, float]
    within: float


def propagate(
    model: Callable[..., Floats],
    spreads: Mapping[str, Spread],
    *,
    covered: float = 0.95,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Propagated:
    """Draw the input quantities, compute the result of each draw.

    Parameters
    ----------
    model : callable
        Takes an array of shape (draws,) for each name of ``spreads``, gives one.
    spreads : mapping of str to Spread
        Independent input quantities; a quantity's mean that its spread does not hold belongs to the model.

    Examples
    --------
    >>> from tcomp.decision.spread import Rectangular
    >>> found = propagate(lambda a, b: a + b, {"a": Rectangular(1.0), "b": Rectangular(1.0)})
    >>> round(found.u, 3), round(found.within, 2)  # triangular: 2 over the root of 6, and 2 - 2 sqrt(0.05)
    (0.816, 1.55)
    """
    rng = np.random.default_rng(seed)
    result = model(**{name: spread.draw(rng, (draws,)) for name, spread in spreads.items()})
    return Propagated(
        float(result.mean()),
        float(result.std(ddof=1)),
        shortest_interval(result, covered),
        float(np.quantile(np.abs(result), covered)),
    )


def shortest_interval(draws: Floats, covered: float) -> tuple[float, float]:
    """The shortest interval that holds a share of the draws (JCGM 101:2008, 7.7.2, note 4)."""
    ordered = np.sort(draws, axis=None)
    inside = int(covered * ordered.size)
    start = int(np.argmin(ordered[inside:] - ordered[:-inside])) if inside < ordered.size else 0
    return float(ordered[start]), float(ordered[min(start + inside, ordered.size - 1)])
