"""Distributions sent through a model by drawing from them (JCGM 101:2008), seeded: the same draws each time.

Draws come in blocks, until the figures that are stated have settled (the adaptive procedure of 7.9): a wide and even
distribution takes a tenth of the draws that one with few draws in its tails does.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.decision.spread import Spread

Floats = NDArray[np.float64]
BLOCK = 10_000
"""Draws of a block (JCGM 101:2008, 7.9.4 b: at least that many)."""
LEAST_BLOCKS = 10
"""How far blocks differ is told by the blocks themselves: two, of which the standard speaks, would often agree by chance."""
MOST_BLOCKS = 100
"""A million draws give a 95 % interval to one or two digits (JCGM 101:2008, 7.2.3)."""
DIGITS = 2
"""Digits of the standard uncertainty that are to be right (JCGM 101:2008, 7.9.2)."""
SEED = 20_260_302


@dataclass(frozen=True)
class Propagated:
    """The result's mean and standard uncertainty, and what covers the share: the shortest interval, and +/- about zero."""

    mean: float
    u: float
    interval: tuple[float, float]
    within: float
    draws: int


def propagate(
    model: Callable[..., Floats], spreads: Mapping[str, Spread], *, covered: float = 0.95, seed: int = SEED
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
    >>> from tcomp.decision.spread import Rectangular
    >>> found = propagate(lambda a, b: a + b, {"a": Rectangular(1.0), "b": Rectangular(1.0)})
    >>> round(found.u, 2), round(found.within, 2)  # triangular: 2 over the root of 6, and 2 - 2 sqrt(0.05)
    (0.82, 1.55)
    """
    rng = np.random.default_rng(seed)
    blocks: list[Floats] = []
    figures: list[tuple[float, float, float]] = []
    while len(blocks) < MOST_BLOCKS and not _settled(np.array(figures)):
        blocks.append(model(**{name: spread.draw(rng, (BLOCK,)) for name, spread in spreads.items()}))
        figures.append(_figures(blocks[-1], covered))
    result = np.concatenate(blocks)
    mean, u, within = _figures(result, covered)
    return Propagated(mean, u, shortest_interval(result, covered), within, result.size)


def _figures(result: Floats, covered: float) -> tuple[float, float, float]:
    return float(result.mean()), float(result.std(ddof=1)), float(np.quantile(np.abs(result), covered))


def _settled(figures: Floats) -> bool:
    """Whether twice the standard error of the mean over the blocks is within half of the last digit of u, for each figure."""
    if len(figures) < LEAST_BLOCKS:
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
