"""Held-out error of a whole fit, to compare forms of effects by; and what the error of a curve on held-out samples is made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.validation import fold_mse

if TYPE_CHECKING:
    from tcomp.estimation.joint_fit import JointFit
    from tcomp.estimation.samples import Cells, Samples

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FAR = 3
"""Times the usual distance of two neighbours, with gaps between, from which they are none."""
CELLS = 20
"""Equal parts of the range of which it is said whether a held-out sample lies in them."""


@dataclass(frozen=True)
class Parts:
    """What errors on held-out samples are made of: the curve's own, and the noise of a single reading, RMS; of the curve's, shifts
    of the base from sweep to sweep, RMS; NaN: not identifiable. [ppb]"""

    curve_rms_ppb: float
    noise_rms_ppb: float
    base_shift_ppb: float


def parts_of(
    error_ppb: Floats,
    sweep: Ints,
    rms_ppb: float,
    cells: Cells | None = None,
    known_noise_ppb: float | None = None,
    apart: int = 1,
) -> Parts:
    """Split the error of held-out samples, NaN where there is none, in an order in which neighbours resemble each other.

    Noise has nothing in common with that of a reading soon after and the curve's error hardly changes in between, so that the
    mean product of such neighbours of one sweep is the square of the curve's error (the autocovariance at a short lag; J. von
    Neumann et al., Ann. Math. Stat. 12 (1941) 153-162, have the same by differences, from memory).  The curve's error is not
    given smaller than what that mean tells from zero: the noise's square over the root of the number of products.

    Parameters
    ----------
    error_ppb : ndarray of shape (n,)
        [ppb]
    sweep : ndarray of shape (n,)
        Number of the sweep of each sample.
    rms_ppb : float
        Of single readings, both together. [ppb]
    cells : Cells, default=None
        Where each sample is a cell of many.
    known_noise_ppb : float, default=None
        Where the noise of a single reading is known, as with a coarse counter, whose steps neighbours share. [ppb]
    apart : int, default=1
        Samples from one to the neighbour that it is compared with: beyond those over which the sensor's noise was smoothed, since
        these share what is left of it.

    Examples
    --------
    Invented: a curve off by 3 ppb on one sweep and by -3 ppb on another, with noise of 4 ppb.

    >>> noise = 4.0 * np.random.default_rng(1).normal(size=40_000)
    >>> sweep = np.repeat([0, 1], 20_000)
    >>> error = np.where(sweep == 0, 3.0, -3.0) + noise
    >>> found = parts_of(error, sweep, float(np.sqrt(np.mean(error**2))))
    >>> [round(value, 1) for value in (found.curve_rms_ppb, found.noise_rms_ppb, found.base_shift_ppb)]
    [3.0, 4.0, 3.0]
    """
    scored = np.flatnonzero(np.isfinite(error_ppb))
    first, second = scored[:-apart], scored[apart:]
    near = (second - first <= FAR * apart) & (sweep[first] == sweep[second])
    first, second = first[near], second[near]
    if not first.size:
        return Parts(float("nan"), float("nan"), float("nan"))
    count = np.ones(error_ppb.size) if cells is None else cells.count
    weight = count[first] + count[second]
    curve_ms = float(weight @ (error_ppb[first] * error_ppb[second]) / weight.sum())
    if known_noise_ppb is not None:
        curve_ms = rms_ppb**2 - known_noise_ppb**2
    own = (
        np.sum(count[scored] * error_ppb[scored] ** 2) / count[scored].sum() - curve_ms
    )  # of a sample or of a cell's mean
    curve_ms = float(np.clip(curve_ms, max(own, 0.0) / np.sqrt(first.size), rms_ppb**2))
    noise_rms_ppb = float(np.sqrt(rms_ppb**2 - curve_ms))
    return Parts(
        float(np.sqrt(curve_ms)), noise_rms_ppb, _base_shift_ppb(error_ppb[scored], sweep[scored], max(own, 0.0))
    )


def _base_shift_ppb(error_ppb: Floats, sweep: Ints, noise_ms: float) -> float:
    """RMS of what all errors of a sweep have in common, less what noise leaves of a mean; NaN of a single sweep. [ppb]"""
    _, number, count = np.unique(sweep, return_inverse=True, return_counts=True)
    if count.size < 2:
        return float("nan")
    mean_ppb = np.bincount(number, error_ppb) / count
    return float(np.sqrt(max(float(np.mean(mean_ppb**2 - noise_ms / count)), 0.0)))


def untested_c(crystal_c: Floats, error_ppb: Floats, low_c: float, high_c: float) -> tuple[tuple[float, float], ...]:
    """Parts of a range without held-out samples, in twentieths of it. [degC]

    >>> untested_c(np.arange(0.0, 101.0), np.where(np.arange(101) < 60, 1.0, np.nan), 0.0, 100.0)
    ((60.0, 100.0),)
    """
    edges = np.linspace(low_c, high_c, CELLS + 1)
    empty = np.histogram(crystal_c[np.isfinite(error_ppb)], edges)[0] == 0
    turns = np.flatnonzero(np.diff(np.concatenate([[False], empty, [False]]).astype(np.int64)))
    return tuple((float(edges[a]), float(edges[b])) for a, b in zip(turns[::2], turns[1::2], strict=True))


def held_out_mse(fit: JointFit, samples: Samples) -> NDArray[np.float64]:
    """Weighted mean square per held-out sweep, with all effects taken off as the fit has them. [1]

    The curve is fitted again without each sweep, at the fit's own degree; the effects come from all
    sweeps.  Weights are the fit's, so gross errors do not decide.
    """
    used = fit.used
    bare_ppb = (fit.working_ppb + fit.model.basis.values(fit.crystal_c) @ fit.coef)[used]
    crystal_c = fit.crystal_c[used]
    basis = ChebyshevBasis(fit.model.basis.size - 1, float(crystal_c.min()), float(crystal_c.max()))
    return fold_mse(crystal_c, basis.values(crystal_c), bare_ppb, samples.sweep[used], fit.weight[used])
