"""Whether the curve leaves a shape: a Gaussian process asked of what is left.

Residuals are averaged in temperature cells, each sweep by itself and then over the sweeps, each about its own level,
so that a loop cancels. Noise alone is held against noise and a smooth shape (``gaussian_process``), by the evidence.
Noise is what the scatter within a cell makes, and a drift as smooth and as large as that by which the sweeps differ
from each other; one sweep alone does not separate the two, and the words say so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.gaussian_process import Process, evidence_by_size, matern, with_shape, without_shape
from tcomp.units import short

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CELLS = 80
"""At most so many cells: the process takes the cube of their number."""
MIN_CELLS = 8
"""Below this many occupied cells there is no shape to speak of."""
MIN_SAMPLES = 6
"""Samples that a cell needs in a sweep on average, for an estimate of its own scatter."""
GAIN = 8.0
"""Gain of log evidence from which a shape is found.  Of 900 simulated clean logs of white noise none reached 3; with a
flicker floor as large as the white noise, or a random walk, it is reached in at most 1 of 40 (found by simulation)."""
UNSEEN_DROP = 1.92
"""Drop of log evidence at the amplitude that is excluded at 95 %: half of 3.84, the chi-square of one freedom."""
MIN_PPB = 1e-3
"""One ppt, the firmware's unit: what is left below it is round-off, and no shape."""
LENGTHS = (2.0 / CELLS, 2.0)
"""Shares of the span between which a shape's length is looked for: two cells or more."""
FIRST_LENGTHS = (0.05, 0.2)
"""Shares of the span from which the search starts: two, since the evidence may have two maxima."""
TYPICAL_LENGTH = 0.1
"""Share of the span over which a shape that is not seen is bounded."""


@dataclass(frozen=True)
class LackOfFit:
    """The verdict.

    ``amplitude_ppb`` is the RMS of the shape that was found, or else the largest that can hide, and ``length_c`` the
    temperature over which it changes.
    """

    found: bool
    amplitude_ppb: float
    length_c: float
    words: str


def lack_of_fit(crystal_c: Floats, residual_ppb: Floats, sweep: Ints) -> LackOfFit:
    """Ask whether a curve leaves a shape.

    Parameters
    ----------
    crystal_c, residual_ppb : ndarray of shape (n,)
        Crystal temperature, and offset less curve and effects. [degC] [ppb]
    sweep : ndarray of int of shape (n,)
        Number of the sweep that each sample belongs to.

    Examples
    --------
    Invented: noise of 1 ppb, and the same with a wave of 3 ppb.

    >>> T, sweep = np.tile(np.linspace(-20.0, 60.0, 500), 2), np.repeat([0, 1], 500)
    >>> noise = np.random.default_rng(1).normal(size=1000)
    >>> lack_of_fit(T, noise, sweep).found, lack_of_fit(T, noise + 3 * np.sin(T / 5), sweep).found
    (False, True)
    """
    span_c = float(np.ptp(crystal_c))
    cells = _Cells.of(crystal_c, residual_ppb, sweep)
    if cells.centre_c.size < MIN_CELLS:
        filled = f"{cells.centre_c.size} of {cells.count} cells are filled"
        words = f"too few temperatures to tell whether a shape is left: {filled}"
        return LackOfFit(False, float("nan"), float("nan"), words)
    if float(np.abs(residual_ppb).max()) < MIN_PPB:
        return LackOfFit(False, MIN_PPB, TYPICAL_LENGTH * span_c, f"no shape is left beyond {MIN_PPB:g} ppb")
    judge = _Judge(cells, span_c)
    shape, gain = judge.shape()
    if gain > GAIN:
        amplitude_ppb, length_c = judge.found(shape)
        words = (
            f"a shape of {short(amplitude_ppb)} ppb RMS over about {length_c:.2g} degC is left: allow a richer curve, "
        )
        words += "or look for what moves the offset at these temperatures besides"
        return LackOfFit(True, amplitude_ppb, length_c, words + cells.caution)
    amplitude_ppb, length_c = judge.unseen_ppb(TYPICAL_LENGTH * span_c), TYPICAL_LENGTH * span_c
    return LackOfFit(
        False, amplitude_ppb, length_c, f"no shape is left beyond {short(amplitude_ppb)} ppb{cells.caution}"
    )


@dataclass(frozen=True)
class _Cells:
    """Occupied cells: middle, mean over the sweeps, its standard error, and how each sweep differs from it.

    ``apart_ppb`` has shape (cells, sweeps), NaN where a sweep does not pass.
    """

    centre_c: Floats
    mean_ppb: Floats
    error_ppb: Floats
    apart_ppb: Floats
    count: int
    """Cells, the empty ones too."""

    @classmethod
    def of(cls, crystal_c: Floats, residual_ppb: Floats, sweep: Ints) -> _Cells:
        numbers, own = np.unique(sweep, return_inverse=True)
        low_c, span_c = float(crystal_c.min()), float(np.ptp(crystal_c))
        count = int(np.clip(crystal_c.size // (MIN_SAMPLES * numbers.size), 1, CELLS))
        cell = np.minimum(((crystal_c - low_c) / max(span_c, 1e-9) * count).astype(np.int64), count - 1)
        place = cell * numbers.size + own
        n, total, squares = (
            np.bincount(place, terms, minlength=count * numbers.size).reshape(count, -1)
            for terms in (np.ones(cell.size), residual_ppb, residual_ppb**2)
        )
        filled = n.sum(axis=1) > 0
        n, total, squares = n[filled], total[filled], squares[filled]
        mean_ppb = np.where(n > 0, total / np.maximum(n, 1), np.nan)
        variance = _variance(n, squares - np.nan_to_num(mean_ppb) ** 2 * n)
        # A soak fills one cell with samples that share their drift: they are not worth their number.
        worth = np.minimum(n, 4 * np.median(n[n > 0]))
        own_ppb2 = np.where(n > 0, variance[:, None] / np.maximum(worth, 1), np.nan)
        centred_ppb, apart_ppb = _about_levels(mean_ppb)
        passes = np.sum(n > 0, axis=1)
        centre_c = low_c + (np.flatnonzero(filled) + 0.5) * span_c / count
        return cls(centre_c, centred_ppb, np.sqrt(np.nansum(own_ppb2, axis=1)) / passes, apart_ppb, count)

    @property
    def caution(self) -> str:
        """What is to be added to the words where there is one sweep only."""
        return "" if self.apart_ppb.shape[1] > 1 else " (one sweep only: a drift with time looks the same)"


def _variance(n: Floats, squares: Floats) -> Floats:
    """Variance of a sample within each cell, pooled over the sweeps; over all cells where it has few samples."""
    freedom = np.maximum(n - 1, 0).sum(axis=1)
    pooled = float(squares.sum() / max(freedom.sum(), 1.0))
    own = squares.sum(axis=1) / np.maximum(freedom, 1)
    # 10 freedoms tell a variance within 45 %.
    return np.asarray(np.maximum(np.where(freedom >= 10, own, pooled), 1e-12 * pooled + 1e-30))


def _about_levels(mean_ppb: Floats) -> tuple[Floats, Floats]:
    """Mean of each cell over sweeps that are each taken about a level of its own, and what is left of each."""
    level, centred = np.zeros(mean_ppb.shape[1]), np.zeros(mean_ppb.shape[0])
    for _ in range(50):  # least squares by turns; sweeps overlap widely, so that it settles in a few
        centred = np.nanmean(mean_ppb - level, axis=1)
        level = np.nanmean(mean_ppb - centred[:, None], axis=0)
    return centred - centred.mean(), mean_ppb - centred[:, None] - level


class _Judge:
    """Gaussian processes over the cells, in units of the cells' usual standard error and of the span."""

    def __init__(self, cells: _Cells, span_c: float) -> None:
        self.cells, self.span_c = cells, span_c
        self.unit_ppb = float(np.sqrt(np.mean(cells.error_ppb**2)))
        self.apart = np.abs(cells.centre_c[:, None] - cells.centre_c) / span_c
        self.y = cells.mean_ppb / self.unit_ppb
        self.noise = np.diag((cells.error_ppb / self.unit_ppb) ** 2)
        self.noise += self._drift()
        self.plain = without_shape(self.y, self.noise)

    def shape(self) -> tuple[Process, float]:
        """The best process with a shape, and by how much its log evidence exceeds that of noise alone."""
        shaped = [with_shape(self.apart, self.y, self.noise, length, LENGTHS) for length in FIRST_LENGTHS]
        best = max(shaped, key=lambda one: one.log_evidence)
        return best, max(best.log_evidence - self.plain.log_evidence, 0.0)

    def found(self, process: Process) -> tuple[float, float]:
        """RMS of the shape over the cells, and its length. [ppb] [degC]"""
        shape_ppb = self.unit_ppb * process.variance * matern(self.apart, process.length) @ process.weights
        return float(np.sqrt(np.mean(shape_ppb**2))), float(min(process.length, 1.0) * self.span_c)

    def unseen_ppb(self, length_c: float) -> float:
        """The largest amplitude of a shape of this length that the cells leave possible, at 95 %. [ppb]"""
        shape, noise = (
            matern(self.apart, length_c / self.span_c),
            self.noise + self.plain.white * np.eye(len(self.noise)),
        )
        amplitudes = np.logspace(-2.0, 4.0, 121)
        evidence = evidence_by_size(amplitudes, shape, noise, self.y)
        best = int(np.argmax(evidence))
        excluded = evidence[best:] < evidence[best] - UNSEEN_DROP
        at = best + int(np.argmax(excluded)) if excluded.any() else amplitudes.size - 1
        return float(amplitudes[at] * self.unit_ppb)

    def _drift(self) -> Floats:
        """Covariance of the drift that makes the sweeps differ, as much as is left of it in their mean."""
        apart_ppb = self.cells.apart_ppb
        everywhere = ~np.isnan(apart_ppb).any(axis=1)
        sweeps = apart_ppb.shape[1]
        if sweeps < 2 or everywhere.sum() < MIN_CELLS:
            return np.zeros_like(self.apart)
        drifts = apart_ppb[everywhere] / self.unit_ppb * math.sqrt(sweeps / (sweeps - 1))
        among = np.ix_(everywhere, everywhere)
        drift = with_shape(self.apart[among], drifts, sweeps * self.noise[among], TYPICAL_LENGTH, LENGTHS)
        return np.asarray(drift.variance / sweeps * matern(self.apart, drift.length))
