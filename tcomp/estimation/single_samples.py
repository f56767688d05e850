"""What single samples do, where cells of many of them are what is fitted.

The error of a sample is that of its cell and its own scatter about it, which is taken for normal where a share of all
is asked for.  Without cells each sample stands for itself.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.samples import Cells

Floats = NDArray[np.float64]

MANY, SOME = 100_000, 2000
"""From how many values on a quantile is narrowed down first, by how many of them."""
SURE = 10.0
"""Standard deviations beyond which nothing lies: a normal deviate does once in 1e23."""


def mean_square(error: Floats, cells: Cells | None) -> float:
    """Mean square of the samples' errors.

    Examples
    --------
    Invented: one sample alone, off by 2 ppb, and four with a noise of 2 ppb about a mean that is right.

    >>> cells = Cells(np.array([1.0, 4.0]), np.array([0.0, 2.0]), np.zeros(2), np.zeros(2), 0.0)
    >>> round(mean_square(np.array([2.0, 0.0]), cells), 6)
    3.2
    """
    if cells is None:
        return float((error @ error) / error.size)
    return sum_of_squares(error, cells) / float(cells.count.sum())


def sum_of_squares(error: Floats, cells: Cells | None) -> float:
    """Sum of the squares of the samples' errors."""
    return float(error @ error if cells is None else cells.count @ (error**2 + _about_mean_ppb(cells) ** 2))


def _about_mean_ppb(cells: Cells) -> Floats:
    """Scatter of the samples about their cell's mean, which has its own share of their noise. [ppb]"""
    return np.asarray(cells.noise_ppb * np.sqrt(1.0 - 1.0 / cells.count))


def largest(error: Floats, cells: Cells | None) -> float:
    """The largest of the samples' errors, at most."""
    return float(max(error.max(), -error.min()) if cells is None else (np.abs(error) + cells.farthest_ppb).max())


def quantile(values: Floats, share: float) -> float:
    """What numpy's quantile gives; of very many values, those near it alone are put in order.

    Examples
    --------
    >>> values = np.random.default_rng(1).normal(size=200_000)
    >>> quantile(values, 0.95) == float(np.quantile(values, 0.95))
    True
    """
    if values.size < MANY:
        return float(np.quantile(values, share))
    some = np.sort(values[:: values.size // SOME])
    about = share * (some.size - 1)
    spread = 10.0 * np.sqrt(share * (1.0 - share) * some.size) + 2.0
    low, high = some[max(int(about - spread), 0)], some[min(int(about + spread), some.size - 1)]
    place = share * (values.size - 1)
    near = np.sort(values[(values >= low) & (values <= high)])
    first = int(place) - int(np.count_nonzero(values < low))
    if not 0 <= first < near.size - 1:
        return float(np.quantile(values, share))
    return float(near[first] + (near[first + 1] - near[first]) * (place - int(place)))


def size_of_share(error: Floats, cells: Cells | None, share: float) -> float:
    """Within which this share of the samples' errors lie.

    Examples
    --------
    95 % of normal deviates lie within 1.96 standard deviations (any table of the normal distribution):

    >>> cells = Cells(np.full(9, 1e6), np.full(9, 2.0), np.zeros(9), np.zeros(9), 0.0)
    >>> round(size_of_share(np.zeros(9), cells, 0.95), 3)
    3.92
    """
    if cells is None or not cells.noise_ppb.any():
        return quantile(np.abs(error), share)
    from scipy.optimize import brentq
    from scipy.special import ndtr

    noise = np.maximum(_about_mean_ppb(cells), 1e-6 * cells.noise_ppb.max())
    weight = cells.count / cells.count.sum()

    def beyond(size: float) -> float:
        return float(weight @ (ndtr((size - error) / noise) + ndtr((size + error) / noise) - 1)) - share

    largest_possible = float(np.abs(error).max() + SURE * noise.max())
    return float(brentq(beyond, 0.0, largest_possible, xtol=1e-6 * largest_possible))
