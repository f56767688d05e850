"""The temperature that the resonator saw, from the temperature that the sensor reported.

First-order lag:  tau dTx/dt = Ts - Tx.  Under a ramp of rate r the crystal settles r tau behind
the sensor.  tau < 0 is a sensor that lags the crystal: then Tx = Ts + |tau| dTs/dt.  Several time
constants act one after the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SETTLED = 2.0
"""Time constants after a start from which samples are trusted.  What is then left of the unknown
start, exp(-2) or 14 % of it, is estimated with everything else."""
BRIDGED = 0.25
"""Gaps shorter than this share of the time constant are bridged by a straight line."""


@dataclass(frozen=True)
class SensorErrors:
    """What is not known of the temperatures of a coarse sensor: draws of their errors, shape (n, draws) [degC]; with how many
    samples each shares its error, shape (n,); and the part that a whole ramp shares, root mean square, shape (n,) [degC]."""

    draws_c: Floats
    sharing: Floats
    in_step_c: Floats

    @classmethod
    def none(cls, count: int, draws: int) -> SensorErrors:
        """Of temperatures that are known."""
        return cls(np.zeros((count, draws)), np.ones(count), np.zeros(count))


@dataclass(frozen=True)
class SensorLog:
    """What the sensor reported, smoothed: times [s], temperatures [degC], rates [degC/s], runs and segments.

    ``segment`` numbers the parts between gaps; arrays have shape (n,).  ``chord_c`` is how far a straight line between
    samples lies above what the temperature does between them, on average; None: too little to matter. [degC]
    ``errors`` is what a coarse sensor leaves unknown; None: nothing to speak of.
    """

    time_s: Floats
    temperature_c: Floats
    rate_c_per_s: Floats
    run: Ints
    segment: Ints
    chord_c: Floats | None = None
    errors: SensorErrors | None = None

    def bridged(self, lag_s: float) -> Ints:
        """Segments, with those joined that only a gap short against the lag parts within a run."""
        if lag_s <= 0:
            return self.segment
        edges, gaps_s = self._gaps
        parted = np.zeros(self.time_s.size, dtype=np.int64)
        parted[edges[gaps_s > BRIDGED * lag_s]] = 1
        return np.cumsum(parted)

    @cached_property
    def _gaps(self) -> tuple[Ints, Floats]:
        """Where segments begin behind another, and how long the gap before each is; between runs it has no end. [s]"""
        edges = np.flatnonzero(np.diff(self.segment)) + 1
        own = self.run[edges] == self.run[edges - 1]
        return edges, np.where(own, self.time_s[edges] - self.time_s[edges - 1], np.inf)

    def crystal_c(self, lags_s: tuple[float, ...]) -> Floats:
        """Temperature of the resonator behind these time constants. [degC]"""
        return self.behind(self.temperature_c, lags_s)

    def behind(self, temperature_c: Floats, lags_s: tuple[float, ...]) -> Floats:
        """A temperature behind these time constants, whose rate and curvature are the sensor's. [degC]"""
        return self._behind(temperature_c, self.rate_c_per_s, self.chord_c, lags_s)

    def errors_behind(self, errors_c: Floats, lags_s: tuple[float, ...]) -> Floats:
        """What a coarse sensor's errors become behind these time constants, shape (n, draws). [degC]"""
        parts = segment_bounds(self.segment)
        found = np.empty_like(errors_c)
        for draw, error_c in enumerate(errors_c.T):
            rate = np.zeros(error_c.size)
            for start, stop in parts if min(lags_s, default=0.0) < 0 else []:
                if stop - start > 1:
                    rate[start:stop] = np.gradient(error_c[start:stop], self.time_s[start:stop])
            found[:, draw] = self._behind(error_c, rate, None, lags_s)
        return found

    def _behind(
        self, temperature_c: Floats, rate_c_per_s: Floats, chord_c: Floats | None, lags_s: tuple[float, ...]
    ) -> Floats:
        for lag_s in sorted(lags_s):  # the sensor's own lag, which is negative, is undone first
            if lag_s < 0:
                temperature_c = temperature_c - lag_s * rate_c_per_s
            elif lag_s > 0:
                # The filter takes the straight line; behind it the curvature is the same, only smoothed.
                between_c = temperature_c if chord_c is None else temperature_c - chord_c
                temperature_c = lagged(self.time_s, between_c, self.bridged(max(lags_s)), lag_s)
        return temperature_c

    def passed_c(self, temperature_c: Floats, for_s: Floats) -> Floats:
        """How far a temperature moves in some time about each sample, by its neighbours of the same segment. [degC]"""
        step_s, step_c, before = np.diff(self.time_s), np.diff(temperature_c), self._gaps[0] - 1
        step_c[before], step_s[before] = 0.0, 0.0
        over_c, over_s = (np.append(step, 0.0) + np.append(0.0, step) for step in (step_c, step_s))
        return np.asarray(np.divide(over_c, over_s, out=np.zeros_like(over_c), where=over_s > 0) * for_s)

    def since_start_s(self, lag_s: float) -> Floats:
        """Time since the filter last started. [s]"""
        return _since_start(self.time_s, self.bridged(lag_s))

    def settled(self, lag_s: float) -> NDArray[np.bool_]:
        """Samples far enough from a start of the filter to be trusted; all, if that would leave less than half."""
        if lag_s <= 0:
            return np.ones(self.time_s.size, dtype=bool)
        far = self.since_start_s(lag_s) >= SETTLED * lag_s
        return far if far.mean() >= 0.5 else np.ones_like(far)

    def start_columns(self, lag_s: float) -> Floats:
        """What one degree of error in each start does to the crystal temperature, shape (n, starts). [1]"""
        if lag_s <= 0:
            return np.empty((self.time_s.size, 0))
        segment = self.bridged(lag_s)
        left = np.exp(-_since_start(self.time_s, segment) / lag_s)
        return np.asarray(left[:, None] * (segment[:, None] == np.unique(segment)))


def lagged(time_s: Floats, temperature_c: Floats, segment: Ints, lag_s: float, apart_c: float | None = None) -> Floats:
    """Output of a first-order lag whose input is linear between samples.

    Exact update d1 = d0 E - r tau (1 - E), with d = Tx - Ts, E = exp(-dt / tau), r the rate; at a
    start d is the steady lag of the ramp that the segment begins with.  The updates of all samples
    are a bidiagonal system of equations, solved as one.  ``apart_c`` is d at the first sample, where
    it is known from what went before.

    Examples
    --------
    A ramp of 1 degC/min and a lag of 60 s leave the crystal 1 degC behind:

    >>> t = np.arange(0.0, 3600.0, 10.0)
    >>> x = lagged(t, t / 60.0, np.zeros(t.size, int), 60.0)
    >>> round(float(t[-1] / 60.0 - x[-1]), 6)
    1.0

    In two halves, the second of which begins with the last sample of the first:

    >>> first = lagged(t[:100], t[:100] / 60.0, np.zeros(100, int), 60.0)
    >>> rest = lagged(t[99:], t[99:] / 60.0, np.zeros(t.size - 99, int), 60.0, first[-1] - t[99] / 60.0)
    >>> bool(np.allclose(np.append(first[:-1], rest), x, rtol=0, atol=1e-12))
    True
    """
    if lag_s <= 0:
        return temperature_c
    from scipy.linalg.blas import dtbsv  # a fifth of the time of the general banded solver

    first = np.concatenate([[True], np.diff(segment) != 0])
    step_s = np.diff(time_s, prepend=time_s[0])
    step_s[first] = 1.0
    decay = np.exp(-step_s / lag_s)
    rate = np.diff(temperature_c, prepend=temperature_c[0]) / step_s
    pushed = -rate * lag_s * (1.0 - decay)
    decay[first] = 0.0
    for start, stop in segment_bounds(segment):
        pushed[start] = -lag_s * _starting_rate(time_s[start:stop], temperature_c[start:stop], lag_s)
    if apart_c is not None:
        pushed[0] = apart_c
    banded = np.asfortranarray([np.ones(time_s.size), np.append(-decay[1:], 0.0)])
    return np.asarray(temperature_c + dtbsv(1, banded, pushed, lower=1, diag=1))


def segment_bounds(segment: Ints) -> list[tuple[int, int]]:
    """First and one-past-last index of each stretch of equal numbers."""
    edges = np.flatnonzero(np.diff(segment)) + 1
    return list(zip([0, *edges.tolist()], [*edges.tolist(), segment.size], strict=True))


def _since_start(time_s: Floats, segment: Ints) -> Floats:
    first = np.concatenate([[True], np.diff(segment) != 0])
    return np.asarray(time_s - time_s[first][np.cumsum(first) - 1])


def _starting_rate(time_s: Floats, temperature_c: Floats, lag_s: float) -> float:
    """Slope over the first time constant (at least six samples): the ramp that went before, as far as one can tell."""
    count = max(6, int(np.searchsorted(time_s, time_s[0] + lag_s)))
    t = time_s[:count] - time_s[:count].mean()
    spread = float(t @ t)
    return float(t @ temperature_c[:count]) / spread if spread > 0 else 0.0
