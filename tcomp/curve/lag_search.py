"""Search for the time constant: the one non-linear parameter, everything linear projected out.

The residual sum of squares has several minima in the time constant, so a logarithmic grid of both
signs is scanned before the best of it is refined (separable least squares: G. H. Golub and
V. Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432, citation from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.samples import Samples
from tcomp.curve.thermal_lag import bridged, crystal_temperature, segment_bounds, settled, start_columns
from tcomp.model.basis import ChebyshevBasis

Floats = NDArray[np.float64]
GRID = 32
"""Time constants per sign; two decades and more in steps of about 15 to 25 %."""


@dataclass(frozen=True)
class Seen:
    """What the crystal saw at one time constant, and how well a curve over it fits.

    ``starts`` holds the offset's sensitivity to the unknown start of each segment, shape (n, m).
    """

    crystal_c: Floats
    starts: Floats
    misfit: float


def seen_at(samples: Samples, linear: Floats, basis: ChebyshevBasis, use: NDArray[np.bool_], lag_s: float) -> Seen:
    """Crystal temperature at a time constant, the filter's unknown starts estimated with the curve.

    A start enters through the slope of the curve: one fit without it gives the slope, two more
    settle it (Gauss-Newton).
    """
    segment = bridged(samples.time_s, samples.run, samples.segment, lag_s)
    crystal_c = crystal_temperature(samples.time_s, samples.temperature_c, segment, lag_s)
    forgotten = start_columns(samples.time_s, segment, lag_s)
    forgotten = forgotten[:, forgotten[use].max(axis=0, initial=0) > 0]
    starts = np.empty((crystal_c.size, 0))
    y = samples.offset_ppb[use]
    for step in range(3 if forgotten.shape[1] else 1):
        columns = np.column_stack([linear, basis.values(crystal_c), starts])[use]
        # Normal equations are safe here: the basis is well conditioned, and only differences of the misfit count.
        coef = np.linalg.lstsq(columns.T @ columns, columns.T @ y, rcond=1e-13)[0]
        if step:
            crystal_c = crystal_c + forgotten @ coef[linear.shape[1] + basis.size :]
        left = y - columns @ coef
        inner = coef[linear.shape[1] : linear.shape[1] + basis.size]
        starts = (basis.slopes(crystal_c) @ inner)[:, None] * forgotten
    return Seen(crystal_c, starts, float(left @ left))


def search_lag(samples: Samples, linear: Floats, basis: ChebyshevBasis, use: NDArray[np.bool_]) -> float:
    """Time constant with the least sum of squares, over the samples in ``use``. [s]

    Parameters
    ----------
    linear : ndarray of shape (n, k)
        Columns of the linear effects, run bases among them.
    """
    misfit = _misfit(samples, linear, basis, use)
    grid = lag_grid(samples)
    costs = np.array([misfit(lag_s) for lag_s in grid])
    best = int(np.argmin(costs))
    return refine_lag(misfit, float(grid[max(best - 1, 0)]), float(grid[min(best + 1, grid.size - 1)]))


def refine_lag(misfit: Callable[[float], float], low_s: float, high_s: float) -> float:
    """Minimum of the misfit between two time constants, to a thousandth of their distance."""
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(
        misfit, bounds=(low_s, high_s), method="bounded", options={"xatol": 1e-3 * (high_s - low_s)}
    )
    return float(found.x)


def refine_near(samples: Samples, linear: Floats, basis: ChebyshevBasis, use: NDArray[np.bool_], lag_s: float) -> float:
    """The time constant again, near one already found, now with another curve or other effects."""
    width = max(0.3 * abs(lag_s), 5.0)
    return refine_lag(_misfit(samples, linear, basis, use), lag_s - width, lag_s + width)


def lag_grid(samples: Samples) -> Floats:
    """Zero, and time constants of both signs from the sampling interval to a tenth of the longest segment. [s]"""
    steps = np.diff(samples.time_s)[np.diff(samples.segment) == 0]
    shortest = float(np.median(steps))
    bounds = segment_bounds(samples.segment)
    longest = max(float(samples.time_s[b - 1] - samples.time_s[a]) for a, b in bounds) / 10
    grid = np.geomspace(shortest, max(longest, 2 * shortest), GRID)
    return np.concatenate([-grid[::-1], [0.0], grid])


def trusted(samples: Samples, lag_s: float) -> NDArray[np.bool_]:
    """Samples that the filter's unknown start no longer touches; all of them if that would leave less than half."""
    segment = bridged(samples.time_s, samples.run, samples.segment, lag_s)
    use = settled(samples.time_s, segment, lag_s)
    return use if use.mean() >= 0.5 else np.ones_like(use)


def lag_sensitivity(samples: Samples, lag_s: float) -> Floats:
    """Change of the crystal temperature with the time constant, at every sample. [degC/s]"""
    step_s = max(1.0, 0.01 * abs(lag_s))
    segment = bridged(samples.time_s, samples.run, samples.segment, lag_s)
    above, below = (
        crystal_temperature(samples.time_s, samples.temperature_c, segment, lag_s + sign * step_s) for sign in (1, -1)
    )
    return np.asarray((above - below) / (2 * step_s))


def _misfit(
    samples: Samples, linear: Floats, basis: ChebyshevBasis, use: NDArray[np.bool_]
) -> Callable[[float], float]:
    return lambda lag_s: seen_at(samples, linear, basis, use, lag_s).misfit
