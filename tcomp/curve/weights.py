"""How much each sample counts: less where the curve is steep, nothing where it is a gross error.

Noise of the sensor enters the offset through the curve's slope, so the variance of a sample is
sigma_y**2 + (f'(T) sigma_T)**2 (effective variance; J. Orear, Am. J. Phys. 50 (1982) 912-916, from
memory).  Both are read off the residuals.  Gross errors that are left are weighed down by Huber's
function and then off by Tukey's biweight (P. J. Huber, Robust Statistics, Wiley 1981; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tcomp.run.cells import MAD_TO_SD, TUKEY

Floats = NDArray[np.float64]
HUBER = 1.345
"""Tuning for 95 % efficiency at the normal distribution, as Tukey's (the usual figure, from memory)."""
BINS = 16


def sample_sd(residual_ppb: Floats, slope_ppb_per_c: Floats) -> Floats:
    """Standard deviation of each sample, sqrt(sigma_y**2 + (slope sigma_T)**2), robustly. [ppb]

    Parameters
    ----------
    residual_ppb : ndarray of shape (n,)
        Residuals, gross errors and all; NaN where unused.
    slope_ppb_per_c : ndarray of shape (n,)
        Slope of the curve at each sample.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> slope = np.linspace(-400.0, 400.0, 8000)
    >>> noise = np.hypot(2.0, slope * 0.01)
    >>> bool(np.allclose(sample_sd(rng.normal(size=8000) * noise, slope), noise, rtol=0.1))
    True
    """
    known = np.flatnonzero(np.isfinite(residual_ppb))
    order = known[np.argsort(np.abs(slope_ppb_per_c[known]), kind="stable")]
    parts = np.array_split(order, min(BINS, max(known.size // 20, 1)))
    squares = np.array([np.mean(slope_ppb_per_c[part] ** 2) for part in parts])
    variance = np.array([(MAD_TO_SD * np.median(np.abs(residual_ppb[part]))) ** 2 for part in parts])
    of_reading, of_sensor = _two_positive(squares, variance)
    return np.asarray(np.sqrt(of_reading + of_sensor * slope_ppb_per_c**2))


def robust_weight(residual_ppb: Floats, sd_ppb: Floats, *, final: bool, wider: float = 1.0) -> Floats:
    """Weight of each sample: 1 / variance times Huber's, or with ``final`` Tukey's, factor. 0 where unused. [ppb**-2]

    ``wider`` stretches either function.
    """
    size = np.abs(np.nan_to_num(residual_ppb, nan=np.inf)) / (wider * sd_ppb)
    factor = (1 - np.minimum(size / TUKEY, 1.0) ** 2) ** 2 if final else HUBER / np.maximum(size, HUBER)
    return np.asarray(np.where(np.isfinite(residual_ppb), factor, 0.0) / sd_ppb**2)


def _two_positive(squares: Floats, variance: Floats) -> tuple[float, float]:
    """Constant and slope, neither negative, of variance against squared slope of the curve.

    Relative misfits count, since a variance is known to a share of itself.
    """
    from scipy.optimize import nnls

    floor = max(float(variance.max()) * 1e-6, 1e-12)
    size = np.maximum(variance, floor)
    design = np.column_stack([np.ones_like(squares), squares / max(float(squares.max()), 1e-300)])
    constant, slope = nnls(design / size[:, None], variance / size)[0]
    return max(float(constant), floor), float(slope) / max(float(squares.max()), 1e-300)
