"""Activity dips: narrow deviations that come back at one crystal temperature on every pass.

Another mode of the plate takes energy there, and no smooth curve follows.  A bell over a local parabola is fitted
at every temperature and width to each sweep by itself; a dip is what most sweeps show alike, so that a jump or a
glitch in one of them makes none.  What counts as large follows from the residuals at that width themselves: ripple
and drift, which resemble themselves over minutes, raise it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

CELL_C = 0.1
"""Temperature cells in which a sweep is averaged: half of the narrowest width. [degC]"""
WIDTHS_C = tuple(0.2 * 20.0 ** (step / 9) for step in range(10))
"""Widths that are looked for, 0.2 to 4 degC, each 1.4 times the one before: a bell 1.2 times too wide or too
narrow still answers with 99 % of its strength. [degC]"""
REACH = 2.0
"""Widths to either side of the middle that the bell and its local background are fitted to."""
SIGNIFICANT = 7.0
"""How many times its usual size a deviation must reach in most of the sweeps to be a dip."""
WIDE_C = 1.0
"""Wider than this asks for more, in proportion: a lag that is a little wrong makes wide deviations too. [degC]"""
SHOWN = 3.0
"""The same in one sweep, for it to count among those that show the dip."""
OUTSIDE = 1.5
"""Widths beyond which a sample is outside a dip: a bell has 0.2 % of its depth left there."""
NOISE_BLOCK_C = 5.0
"""Blocks in which the samples' own scatter is estimated: it grows with the curve's slope. [degC]"""
MIN_NOISE_PPB = 1e-3
"""One ppt, the firmware's unit: finer structure is none of ours, and some scatter there must be."""
BEND_DEGREE = 9
"""Degree of the smooth curve that dips are looked for about."""
MAX_DIPS = 8
"""More than a crystal that can be used has (common practice, no source)."""
MAD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""
HALF_WIDTHS = 4.0 * math.log(2.0)
"""A bell of full width 1 at half its height is exp(-HALF_WIDTHS x**2)."""


@dataclass(frozen=True)
class Dip:
    """One dip: its middle, how far the offset falls there (negative: it rises), its full width at half that depth,
    how many times the usual deviation it is in most of the sweeps, and how many sweeps show it."""

    temperature_c: float
    depth_ppb: float
    width_c: float
    significance: float
    passes: int


def find_dips(crystal_c: Floats, residual_ppb: Floats, sweep: Ints, noise_ppb: float) -> tuple[Dip, ...]:
    """Find the dips in what a smooth curve leaves.

    Parameters
    ----------
    crystal_c, residual_ppb : ndarray of shape (n,)
        Crystal temperature, and offset less a smooth curve; the curve may bend a little about a dip. [degC] [ppb]
    sweep : ndarray of int of shape (n,)
        Number of the sweep that each sample belongs to; samples of a sweep in the order of time.
    noise_ppb : float
        Least standard deviation of a sample. [ppb]

    Returns
    -------
    tuple of Dip
        From cold to hot; none where fewer than two sweeps pass.

    Examples
    --------
    Two invented sweeps, a dip of 50 ppb in both and a glitch in one:

    >>> T = np.tile(np.linspace(0.0, 40.0, 800), 2)
    >>> left_ppb = np.random.default_rng(1).normal(size=1600) - 50.0 * (abs(T - 30.0) < 0.4)
    >>> left_ppb[200:210] += 90.0
    >>> [round(dip.temperature_c) for dip in find_dips(T, left_ppb, np.repeat([0, 1], 800), 1.0)]
    [30]
    """
    sigma_ppb = _scatter_ppb(crystal_c, residual_ppb, sweep, max(noise_ppb, MIN_NOISE_PPB))
    found: list[Dip] = []
    use = np.ones(crystal_c.size, dtype=bool)
    for _ in range(MAX_DIPS):
        samples = crystal_c[use], residual_ppb[use], sweep[use], sigma_ppb[use]
        first = _most_significant(*samples)
        if first is None:
            break
        dip = _refined(first, *samples)
        if dip.width_c <= WIDTHS_C[-1]:  # else a bend that the smooth curve missed
            found.append(dip)
        use &= outside_dips(crystal_c, (first, dip))
        residual_ppb = residual_ppb - _bend_ppb(crystal_c, residual_ppb, use)
    return tuple(sorted(found, key=lambda dip: dip.temperature_c))


def outside_dips(crystal_c: Floats, dips: tuple[Dip, ...]) -> Mask:
    """Samples that lie more than 1.5 widths from every dip, shape (n,).

    Examples
    --------
    >>> outside_dips(np.array([28.0, 29.0, 31.0]), (Dip(30.0, 50.0, 1.0, 20.0, 2),)).tolist()
    [True, False, False]
    """
    outside = np.ones(crystal_c.size, dtype=bool)
    for dip in dips:
        outside &= np.abs(crystal_c - dip.temperature_c) > OUTSIDE * dip.width_c
    return outside


def _scatter_ppb(crystal_c: Floats, residual_ppb: Floats, sweep: Ints, noise_ppb: float) -> Floats:
    """Standard deviation of each sample about its two neighbours in the sweep, by blocks of temperature. [ppb]"""
    inner = (sweep[1:-1] == sweep[:-2]) & (sweep[1:-1] == sweep[2:])
    bend = np.abs(residual_ppb[1:-1] - (residual_ppb[:-2] + residual_ppb[2:]) / 2)[inner]
    block = np.floor((crystal_c - crystal_c.min()) / NOISE_BLOCK_C).astype(np.int64)
    sigma_ppb = np.full(crystal_c.size, noise_ppb)
    for number in np.unique(block):
        near = bend[block[1:-1][inner] == number]
        if near.size:
            sigma_ppb[block == number] = max(noise_ppb, MAD * float(np.median(near)) / math.sqrt(1.5))
    return sigma_ppb


def _bend_ppb(crystal_c: Floats, residual_ppb: Floats, use: Mask) -> Floats:
    """How far the smooth curve bent after the dips, by the samples outside them: else it looks like more dips."""
    degree = min(BEND_DEGREE, np.unique(crystal_c[use]).size - 1)
    return np.asarray(Chebyshev.fit(crystal_c[use], residual_ppb[use], degree)(crystal_c))


def _most_significant(crystal_c: Floats, residual_ppb: Floats, sweep: Ints, sigma_ppb: Floats) -> Dip | None:
    """The most significant dip over temperatures and widths, roughly; None if none is significant."""
    owns = [np.flatnonzero(sweep == number) for number in np.unique(sweep)]
    if len(owns) < 2:
        return None
    low_c = float(crystal_c.min())
    cell = np.floor((crystal_c - low_c) / CELL_C).astype(np.int64)
    cells = int(cell.max()) + 1
    sweeps = [_Cells.of(cell[own], residual_ppb[own], sigma_ppb[own], cells) for own in owns]
    heating = np.array([crystal_c[own[-1]] > crystal_c[own[0]] for own in owns])
    best, strongest = None, 0.0
    for width_c in (width_c for width_c in WIDTHS_C if 2 * REACH * width_c < (cells - 1) * CELL_C):
        depth_ppb, strength, ratio = _ratios(sweeps, width_c)
        for sign in (1.0, -1.0):
            common = _common(sign * ratio, heating)
            # Among what is significant the strongest: beside a dip its flanks are weaker, if at times more alike.
            strong = np.where(common > SIGNIFICANT * max(1.0, width_c / WIDE_C), np.nansum(strength**2, axis=0), 0.0)
            at = int(np.argmax(strong))
            if strong[at] > strongest:
                strongest = float(strong[at])
                best = Dip(
                    temperature_c=low_c + (at + 0.5) * CELL_C,
                    depth_ppb=float(np.nanmedian(depth_ppb[:, at])),
                    width_c=width_c,
                    significance=float(common[at]),
                    passes=int(np.sum(sign * ratio[:, at] > SHOWN)),
                )
    return best


def _ratios(sweeps: list[_Cells], width_c: float) -> tuple[Floats, Floats, Floats]:
    """Depth in each sweep about each cell, and how many times its usual size it is; shapes (sweeps, cells).

    Usual is what the residuals' own scatter makes, as much larger as the median over all sweeps and temperatures
    shows it to be; in the last of the three, together with how far the sweeps disagree there.
    """
    bells = [one.bell(width_c) for one in sweeps]
    depth_ppb, error_ppb = np.array([bell[0] for bell in bells]), np.array([bell[1] for bell in bells])
    ratio = np.abs(depth_ppb / error_ppb)
    if not np.isnan(ratio).all():
        error_ppb *= max(1.0, MAD * float(np.nanmedian(ratio)))
    return depth_ppb, depth_ppb / error_ppb, depth_ppb / np.hypot(error_ppb, _disagreement_ppb(depth_ppb))


def _disagreement_ppb(depth_ppb: Floats) -> Floats:
    """Standard error of the mean depth at each cell, from how far the sweeps that pass it differ.

    A dip is as deep on every pass; behind a turn, where the temperature has not settled, each sweep deviates by its
    own amount.
    """
    there = ~np.isnan(depth_ppb)
    passing = np.maximum(there.sum(axis=0), 1)
    away = np.where(there, depth_ppb, 0.0)
    away = np.where(there, away - away.sum(axis=0) / passing, 0.0)
    return np.asarray(np.sqrt(np.sum(away**2, axis=0) / np.maximum(passing - 1, 1) / passing))


def _common(ratio: Floats, heating: Mask) -> Floats:
    """What more than half of the sweeps that pass a cell reach (of two, both), of the ratios of shape (sweeps, cells).

    -inf where fewer than two pass, and where only one direction shows it though the log has both.
    """
    passing = np.sum(~np.isnan(ratio), axis=0)
    ordered = np.sort(ratio, axis=0)  # NaN last
    middle = ordered[np.maximum(passing - 1, 0) // 2, np.arange(ratio.shape[1])]
    shown = passing > 1
    for direction in (heating, ~heating):
        if direction.any():
            shown &= np.any(ratio[direction] > SHOWN, axis=0)
    return np.where(shown, middle, -np.inf)


@dataclass(frozen=True)
class _Cells:
    """A sweep averaged in temperature cells: weight (1 / variance) and mean."""

    weight: Floats
    mean_ppb: Floats

    @classmethod
    def of(cls, cell: Ints, residual_ppb: Floats, sigma_ppb: Floats, cells: int) -> _Cells:
        each = 1 / sigma_ppb**2
        weight = np.bincount(cell, each, minlength=cells)
        total = np.bincount(cell, each * residual_ppb, minlength=cells)
        mean_ppb = total / np.where(weight > 0, weight, 1.0)
        # A soak fills one cell with samples that share their drift: they are not worth their number.
        return cls(np.minimum(weight, 4 * np.median(weight[weight > 0])), mean_ppb)

    def bell(self, width_c: float) -> tuple[Floats, Floats]:
        """Depth of a bell of this width about each cell over a local parabola, and its standard error. [ppb]

        NaN where the sweep has no cell in the middle, or too few on a side to tell the background.
        """
        reach = round(REACH * width_c / CELL_C)
        x = np.arange(-reach, reach + 1) * (CELL_C / width_c)
        columns = np.array([-np.exp(-HALF_WIDTHS * x**2), np.ones_like(x), x, x**2])
        there = (self.weight > 0).astype(np.float64)
        needed = ((np.abs(x) <= 0.5, 1), (x < -0.5, 2), (x > 0.5, 2), (x <= -1.0, 1), (x >= 1.0, 1))
        seen = np.all([_sums(there, part.astype(np.float64)) > count - 0.5 for part, count in needed], axis=0)
        gram = np.array([[_sums(self.weight, one * other)[seen] for other in columns] for one in columns])
        load = np.array([_sums(self.weight * self.mean_ppb, one)[seen] for one in columns])
        gram[range(4), range(4)] *= 1 + 1e-9  # five cells determine four columns, but some of them hardly
        inverse = np.linalg.inv(np.moveaxis(gram, 2, 0))
        depth, error = np.full(there.size, np.nan), np.full(there.size, np.nan)
        depth[seen] = np.einsum("ij,ji->i", inverse[:, 0, :], load)
        error[seen] = np.sqrt(inverse[:, 0, 0])
        return depth, error


def _sums(values: Floats, kernel: Floats) -> Floats:
    """Sum of values times kernel about each cell."""
    return np.asarray(np.correlate(values, kernel, mode="same"))


def _refined(first: Dip, crystal_c: Floats, residual_ppb: Floats, sweep: Ints, sigma_ppb: Floats) -> Dip:
    """Middle, depth and width by least squares over a parabola and a level for each sweep, glitches held down."""
    from scipy.optimize import least_squares

    near = np.abs(crystal_c - first.temperature_c) < 1.5 * REACH * first.width_c
    x = (crystal_c[near] - first.temperature_c) / first.width_c
    left_ppb, sigma = residual_ppb[near], sigma_ppb[near]
    numbers, own = np.unique(sweep[near], return_inverse=True)

    def misfit(p: Floats) -> Floats:
        bell = -p[0] * np.exp(-HALF_WIDTHS * ((x - p[1]) / math.exp(p[2])) ** 2)
        return np.asarray((left_ppb - bell - p[3] * x - p[4] * x**2 - p[5:][own]) / sigma)

    start = np.concatenate([[first.depth_ppb, 0.0, 0.0, 0.0, 0.0], np.full(numbers.size, np.median(left_ppb))])
    # No dip is just a bell: what departs from it by less than a tenth of the depth is not held down as a glitch.
    allowed = 3.0 + 0.1 * abs(first.depth_ppb) / float(np.median(sigma))
    fit = least_squares(misfit, start, loss="soft_l1", f_scale=allowed, x_scale="jac")
    depth_ppb, middle, stretch = (float(value) for value in fit.x[:3])
    if not (abs(middle) < 1.0 and abs(stretch) < math.log(3.0)):  # ran away: what the scan saw stands
        return first
    width_c = first.width_c * math.exp(stretch)
    middle_c = first.temperature_c + middle * first.width_c
    return Dip(middle_c, depth_ppb, width_c, first.significance, first.passes)
