"""The temperature that the resonator saw, from the temperature that the sensor reported.

First-order lag:  tau dTx/dt = Ts - Tx.  Under a ramp of rate r the crystal settles r tau behind
the sensor.  tau < 0 is a sensor that lags the crystal: then Tx = Ts + |tau| dTs/dt.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SETTLED = 2.0
"""Time constants after a start from which samples are trusted.  What is then left of the unknown
start, exp(-2) or 14 % of it, is estimated with everything else."""
BRIDGED = 0.25
"""Gaps shorter than this share of the time constant are bridged by a straight line."""


def crystal_temperature(time_s: Floats, temperature_c: Floats, segment: Ints, lag_s: float) -> Floats:
    """Temperature of the resonator, for a sensor temperature that is linear between samples.

    Parameters
    ----------
    time_s, temperature_c : ndarray of shape (n,)
        When and what the sensor reported. [s] [degC]
    segment : ndarray of shape (n,)
        Numbers the parts between gaps; the filter starts anew in each, from the steady lag of
        the ramp that the part begins with.
    lag_s : float
        Time constant; positive: the crystal lags. [s]

    Examples
    --------
    A ramp of 1 degC/min and a lag of 60 s leave the crystal 1 degC behind:

    >>> t = np.arange(0.0, 3600.0, 10.0)
    >>> x = crystal_temperature(t, t / 60.0, np.zeros(t.size, int), 60.0)
    >>> round(float(t[-1] / 60.0 - x[-1]), 6)
    1.0
    """
    if lag_s == 0:
        return temperature_c
    if lag_s < 0:
        value, slope = _local_line(time_s, temperature_c, segment, half_width_s=-lag_s / 2)
        return value - lag_s * slope
    return temperature_c + _lag_of_crystal(time_s, temperature_c, segment, lag_s)


def settled(time_s: Floats, segment: Ints, lag_s: float) -> NDArray[np.bool_]:
    """Samples far enough from the start of their segment to be trusted."""
    if lag_s <= 0:
        return np.ones(time_s.size, dtype=bool)
    return np.asarray(_since_start(time_s, segment) >= SETTLED * lag_s)


def bridged(time_s: Floats, run: Ints, segment: Ints, lag_s: float) -> Ints:
    """Segments again, with those joined that only a short gap within a run parts."""
    if lag_s <= 0:
        return segment
    parted = (np.diff(segment) != 0) & ((np.diff(run) != 0) | (np.diff(time_s) > BRIDGED * lag_s))
    return np.concatenate([[0], np.cumsum(parted)])


def start_columns(time_s: Floats, segment: Ints, lag_s: float) -> Floats:
    """What one degree of error in each segment's start does to the crystal temperature, shape (n, segments). [1]"""
    if lag_s <= 0:
        return np.empty((time_s.size, 0))
    left = np.exp(-_since_start(time_s, segment) / lag_s)
    return np.asarray(left[:, None] * (segment[:, None] == np.unique(segment)))


def _since_start(time_s: Floats, segment: Ints) -> Floats:
    first = np.concatenate([[True], np.diff(segment) != 0])
    return np.asarray(time_s - time_s[first][np.cumsum(first) - 1])


def _lag_of_crystal(time_s: Floats, temperature_c: Floats, segment: Ints, lag_s: float) -> Floats:
    """Crystal minus sensor: the exact update d1 = d0 E - r tau (1 - E), E = exp(-dt / tau), for all samples at once.

    The update is a bidiagonal system of equations, solved as one.
    """
    from scipy.linalg import solve_banded

    step_s = np.diff(time_s, prepend=time_s[0])
    first = np.r_[True, np.diff(segment) != 0]
    step_s[first] = 1.0
    decay = np.exp(-step_s / lag_s)
    rate = np.diff(temperature_c, prepend=temperature_c[0]) / step_s
    pushed = -rate * lag_s * (1.0 - decay)
    decay[first] = 0.0
    for start, stop in segment_bounds(segment):
        pushed[start] = -lag_s * _starting_rate(time_s[start:stop], temperature_c[start:stop], lag_s)
    banded = np.vstack([np.ones(time_s.size), np.r_[-decay[1:], 0.0]])
    return np.asarray(solve_banded((1, 0), banded, pushed))


def segment_bounds(segment: Ints) -> list[tuple[int, int]]:
    """First and one-past-last index of each stretch of equal numbers."""
    edges = np.flatnonzero(np.diff(segment)) + 1
    return list(zip(np.r_[0, edges].tolist(), np.r_[edges, segment.size].tolist(), strict=True))


def _starting_rate(time_s: Floats, temperature_c: Floats, lag_s: float) -> float:
    """Slope over the first time constant (at least six samples): the ramp that went before, as far as one can tell."""
    count = max(6, int(np.searchsorted(time_s, time_s[0] + lag_s)))
    t = time_s[:count] - time_s[:count].mean()
    spread = float(t @ t)
    return float(t @ temperature_c[:count]) / spread if spread > 0 else 0.0


def _local_line(time_s: Floats, temperature_c: Floats, segment: Ints, half_width_s: float) -> tuple[Floats, Floats]:
    """Value and slope at each sample of a straight line through the samples near it, within its segment."""
    value, slope = np.empty_like(temperature_c), np.empty_like(temperature_c)
    for start, stop in segment_bounds(segment):
        t = time_s[start:stop] - time_s[start]
        T = temperature_c[start:stop] - temperature_c[start]
        near = np.arange(t.size)
        low = np.minimum(np.searchsorted(t, t - half_width_s), np.maximum(near - 2, 0))
        high = np.maximum(np.searchsorted(t, t + half_width_s, side="right"), np.minimum(near + 3, t.size))
        n, st, sT, stt, stT = (
            np.r_[0.0, np.cumsum(terms)][high] - np.r_[0.0, np.cumsum(terms)][low]
            for terms in (np.ones_like(t), t, T, t * t, t * T)
        )
        spread = stt - st * st / n
        rate = np.where(spread > 0, (stT - st * sT / n) / np.where(spread > 0, spread, 1.0), 0.0)
        slope[start:stop] = rate
        value[start:stop] = temperature_c[start] + sT / n + rate * (t - st / n)
    return value, slope
