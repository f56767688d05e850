"""The noise of a clock that is read at uneven times: white phase, white frequency and wandering frequency in one state space.

The state is the time error x [ns] and the wandering part y of the frequency [ppb] (1 ppb for 1 s is 1 ns).  Between readings h
apart, dx = y dt + white frequency noise, and y is a random walk that forgets: dy = -y / memory dt + walk noise (a first-order
Gauss-Markov process; in the limit of a long memory a random walk of frequency, IEEE Std 1139).  A reading is x plus white phase
noise.  Where the phase is lost (a restart, a slip, a long interruption) it starts anew, unknown; the wander goes on.

The likelihood and the smoothed state come from the precision matrix of all states, which is banded (H. Rue and L. Held, Gaussian
Markov Random Fields, Chapman & Hall 2005, 2.4, from memory); whitened rows from the Kalman filter's innovations (A. C. Harvey,
Forecasting, Structural Time Series Models and the Kalman Filter, Cambridge 1989, 3.4, from memory), which give the same sum of
squares.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tcomp.arrays import BoolArray, FloatArray
from tcomp.units import SECONDS_PER_DAY

REACH = 14.0
"""Logarithm of the factor by which a level may differ from where its search begins: six powers of ten."""
SHORT = 1e-2
"""Steps of a smaller share of the memory are taken by their series, which has more digits there than the closed form."""


@dataclass(frozen=True, kw_only=True)
class ClockNoise:
    """Levels of the noise of a clock's readings.

    Attributes
    ----------
    phase : float
        Factor on the standard deviations of white phase noise that the readings bring with them. [1]
    white_ppb2_s : float
        White frequency noise: the variance of a mean frequency over tau is this over tau. [ppb^2 s]
    walk_ppb2_per_s : float
        Walk of the frequency: the variance that it gains per second while it is short beside the memory. [ppb^2/s]
    memory_s : float
        Time constant with which the wander returns to zero. [s]
    slow_ppb, slow_memory_s : float
        Standard deviation and time constant of a second, slower wander; 0: there is none. [ppb, s]
    """

    phase: float
    white_ppb2_s: float
    walk_ppb2_per_s: float
    memory_s: float
    slow_ppb: float = 0.0
    slow_memory_s: float = SECONDS_PER_DAY

    @property
    def wander_ppb(self) -> float:
        """Standard deviation of the wandering frequency in the long run. [ppb]

        >>> ClockNoise(phase=1.0, white_ppb2_s=0.0, walk_ppb2_per_s=2e-4, memory_s=1e4).wander_ppb
        1.0
        """
        return math.sqrt(self.walk_ppb2_per_s * self.memory_s / 2)

    def times(self, factor: float) -> ClockNoise:
        """With a frequency that varies so many times as much."""
        return replace(
            self, white_ppb2_s=self.white_ppb2_s * factor**2, walk_ppb2_per_s=self.walk_ppb2_per_s * factor**2,
            slow_ppb=self.slow_ppb * factor,
        )  # fmt: skip

    def allan_deviation_ppb(self, tau_s: FloatArray, phase_ns: float) -> FloatArray:
        """Allan deviation of the three noises together, shape (n,). [ppb]

        White phase 3 phase^2 / tau^2, white frequency white / tau (W. J. Riley, NIST SP 1065, 2008, table 3), and of the wander
        the variance of half the difference of two neighbouring means, for tau far below the memory walk tau / 3 as in SP 1065.

        Parameters
        ----------
        tau_s : ndarray of shape (n,)
            Averaging times. [s]
        phase_ns : float
            Standard deviation of white phase noise of one reading. [ns]

        Examples
        --------
        >>> noise = ClockNoise(phase=1.0, white_ppb2_s=0.0, walk_ppb2_per_s=3.0, memory_s=1e12)
        >>> noise.allan_deviation_ppb(np.array([4.0]), 0.0).round(6).tolist()
        [2.0]
        """
        tau_s = np.asarray(tau_s, dtype=np.float64)
        mean, across = _mean_variance(tau_s, self.memory_s)
        wander = self.walk_ppb2_per_s * self.memory_s / 2 * (mean - across)
        short = tau_s < SHORT * self.memory_s
        wander = np.where(short, self.walk_ppb2_per_s * tau_s / 3, wander)
        mean, across = _mean_variance(tau_s, self.slow_memory_s)
        wander = wander + self.slow_ppb**2 * np.maximum(mean - across, 0.0)
        return np.asarray(np.sqrt(3 * (self.phase * phase_ns / tau_s) ** 2 + self.white_ppb2_s / tau_s + wander))

    def mean_variance_ppb2(self, tau_s: FloatArray) -> FloatArray:
        """Variance of the mean frequency over tau by both wanders and white frequency noise, shape (n,). [ppb^2]"""
        return np.asarray(
            self.wander_ppb**2 * _mean_variance(tau_s, self.memory_s)[0]
            + self.slow_ppb**2 * _mean_variance(tau_s, self.slow_memory_s)[0]
            + self.white_ppb2_s / np.asarray(tau_s)
        )


def _mean_variance(tau_s: FloatArray, memory_s: float) -> tuple[FloatArray, FloatArray]:
    """Variance of the mean of a Gauss-Markov process of unit variance, and its covariance with the next one."""
    z = np.maximum(np.asarray(tau_s, dtype=np.float64) / memory_s, 1e-9)
    gone = -np.expm1(-z)
    mean = np.where(z < SHORT, 1 - z / 3, 2 * (z - gone) / z**2)
    return mean, np.where(z < SHORT, 1 - z, gone**2 / z**2)


@dataclass(frozen=True, eq=False)
class Readings:
    """When a clock was read: steps between readings and their white phase noise.

    Attributes
    ----------
    step_s : ndarray of shape (n - 1,)
        Between a reading and the next. [s]
    anew : ndarray of bool of shape (n - 1,)
        Whether the phase starts anew at the end of the step.
    phase_ns : ndarray of shape (n,)
        Standard deviation of the white phase noise of each reading. [ns]
    """

    step_s: FloatArray
    anew: BoolArray
    phase_ns: FloatArray


@dataclass(frozen=True, eq=False)
class _Steps:
    """Transition of the state over each step, shape (n - 1,)."""

    kept: FloatArray
    """Share of the wander that is kept. [1]"""
    moved_s: FloatArray
    """Phase that a unit of wander adds. [s]"""
    phase: FloatArray
    cross: FloatArray
    wander: FloatArray

    @classmethod
    def of(cls, readings: Readings, noise: ClockNoise) -> _Steps:
        h, rate = readings.step_s, 1.0 / noise.memory_s
        z = h * rate
        gone = -np.expm1(-z)
        kept = 1.0 - gone
        closed = (h - 2 * gone / rate + -np.expm1(-2 * z) / (2 * rate)) / rate**2
        integral = np.where(z < SHORT, h**3 / 3 * (1 - 0.75 * z + 0.35 * z * z), closed)
        return cls(
            kept,
            gone / rate,
            noise.walk_ppb2_per_s * integral + noise.white_ppb2_s * h,
            noise.walk_ppb2_per_s * (gone / rate) ** 2 / 2,
            noise.wander_ppb**2 * -np.expm1(-2 * z),
        )


@dataclass(frozen=True, eq=False)
class Smoother:
    """The precision matrix of all states, factorised."""

    factor: FloatArray
    variance_ns2: FloatArray
    """Of the white phase noise of each reading, shape (n,)."""
    log_determinant: float
    """Of the covariance of the readings, but for a constant."""

    @classmethod
    def of(cls, readings: Readings, noise: ClockNoise) -> Smoother:
        """Factorise for these readings and this noise."""
        from scipy.linalg import cholesky_banded

        steps, anew = _Steps.of(readings, noise), readings.anew
        variance = (noise.phase * readings.phase_ns) ** 2
        determinant = np.where(anew, steps.wander, steps.phase * steps.wander - steps.cross**2)
        pxx = np.where(anew, 0.0, steps.wander / determinant)
        pxy = np.where(anew, 0.0, -steps.cross / determinant)
        pyy = np.where(anew, 1.0 / steps.wander, steps.phase / determinant)
        moved, kept = steps.moved_s, steps.kept
        band = np.zeros((4, 2 * len(variance)))
        band[0, 0::2] = 1.0 / variance
        band[0, 1] = 1.0 / noise.wander_ppb**2
        band[0, 2::2] += pxx
        band[0, 3::2] += pyy
        band[1, 2::2] += pxy
        band[0, 0:-2:2] += pxx
        band[0, 1:-2:2] += moved**2 * pxx + 2 * moved * kept * pxy + kept**2 * pyy
        band[1, 0:-2:2] += moved * pxx + kept * pxy
        band[1, 1:-2:2] -= moved * pxx + kept * pxy
        band[2, 0:-2:2] -= pxx
        band[2, 1:-2:2] -= moved * pxy + kept * pyy
        band[3, 0:-2:2] -= pxy
        factor = cholesky_banded(band, lower=True, check_finite=False)
        log = 2 * np.log(factor[0]).sum() + np.log(determinant).sum() + np.log(variance).sum()
        return cls(factor, variance, float(log) + 2 * math.log(noise.wander_ppb))

    def states(self, phase_ns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Smoothed time error [ns] and wander [ppb] for each column of readings, both of shape (n, k)."""
        from scipy.linalg import cho_solve_banded

        right = np.zeros((2 * len(self.variance_ns2), phase_ns.shape[1]))
        right[0::2] = phase_ns / self.variance_ns2[:, None]
        solved = cho_solve_banded((self.factor, True), right, check_finite=False)
        return solved[0::2], solved[1::2]

    def products(self, columns: FloatArray) -> FloatArray:
        """Products of the columns, each other's weighted by the inverse covariance of the readings, shape (k, k)."""
        left = columns - self.states(columns)[0]
        return np.asarray(columns.T @ (left / self.variance_ns2[:, None]))


def restricted_deviance(readings: Readings, noise: ClockNoise, columns: FloatArray) -> float:
    """-2 ln of the restricted likelihood, but for a constant; the last column is the readings, the others the design.

    H. D. Patterson and R. Thompson, Biometrika 58 (1971) 545-554 (from memory).
    """
    smoother = Smoother.of(readings, noise)
    gram = smoother.products(columns)
    scale = np.sqrt(np.maximum(np.diagonal(gram), 1e-300))
    try:
        factor = np.linalg.cholesky(gram / np.outer(scale, scale))
    except np.linalg.LinAlgError:
        return math.inf
    diagonal = np.diagonal(factor) * scale
    return smoother.log_determinant + float(diagonal[-1] ** 2) + 2 * float(np.log(diagonal[:-1]).sum())


def fitted_noise(readings: Readings, columns: FloatArray, start: ClockNoise, *, evaluations: int = 150) -> ClockNoise:
    """The noise of greatest restricted likelihood.

    Parameters
    ----------
    readings : Readings
    columns : ndarray of shape (n, k)
        Phase of what is estimated besides (curve, drift), and last the time errors. [ns]
    start : ClockNoise
        Where the search begins.
    evaluations : int
        Likelihoods at most.
    """
    from scipy.optimize import minimize

    begin = np.log([start.phase, start.white_ppb2_s, start.walk_ppb2_per_s, start.memory_s])

    def noise_at(point: FloatArray) -> ClockNoise:
        phase, white, walk, memory_s = np.exp(np.clip(point, begin - REACH, begin + REACH)).tolist()
        return ClockNoise(phase=phase, white_ppb2_s=white, walk_ppb2_per_s=walk, memory_s=memory_s)

    simplex = begin + np.vstack([np.zeros(4), 0.7 * np.eye(4)])

    def deviance(point: Any) -> float:
        return restricted_deviance(readings, noise_at(point), columns)

    found = minimize(
        deviance,
        begin,
        method="Nelder-Mead",
        options={"maxfev": evaluations, "xatol": 0.02, "fatol": 0.1, "initial_simplex": simplex},
    )
    return noise_at(found.x)


@dataclass(frozen=True, eq=False)
class Whitener:
    """The Kalman filter's gains, with which any columns of phase are whitened."""

    band: FloatArray
    gain: FloatArray
    """Of phase and wander, shape (n, 2)."""
    moved_s: FloatArray
    sd_ns: FloatArray
    """Of each innovation, shape (n - 1,)."""
    anew: BoolArray

    @classmethod
    def of(cls, readings: Readings, noise: ClockNoise) -> Whitener:
        """Run the filter's variances, which do not depend on what was read."""
        steps, anew = _Steps.of(readings, noise), readings.anew
        variance = ((noise.phase * readings.phase_ns) ** 2).tolist()
        count = len(variance)
        gain, innovation = np.zeros((count, 2)), np.ones(count - 1)
        gain[0, 0] = 1.0
        pxx, pxy, pyy = variance[0], 0.0, noise.wander_ppb**2
        rows = zip(
            *(one.tolist() for one in (steps.kept, steps.moved_s, steps.phase, steps.cross, steps.wander)), strict=True
        )
        for place, (kept, moved, phase, cross, wander) in enumerate(rows):
            mxx = pxx + 2 * moved * pxy + moved * moved * pyy + phase
            mxy = kept * (pxy + moved * pyy) + cross
            myy = kept * kept * pyy + wander
            if anew[place]:
                gain[place + 1, 0] = 1.0
                pxx, pxy, pyy = variance[place + 1], 0.0, myy
                continue
            total = mxx + variance[place + 1]
            one, two = mxx / total, mxy / total
            gain[place + 1] = one, two
            innovation[place] = total
            pxx, pxy, pyy = (1 - one) * mxx, (1 - one) * mxy, myy - two * mxy
        # Filtered states as a banded triangular system: x = (1 - g) (x' + m y') + g z, y = k y' + h (z - x' - m y').
        band = np.zeros((4, 2 * count))
        band[0] = 1.0
        one, two = gain[1:, 0], gain[1:, 1]
        band[2, 0:-2:2] = -(1 - one)
        band[1, 1:-2:2] = -(1 - one) * steps.moved_s
        band[3, 0:-2:2] = two
        band[2, 1:-2:2] = two * steps.moved_s - steps.kept
        return cls(band, gain, steps.moved_s, np.sqrt(innovation), anew)

    def rows(self, columns: FloatArray) -> FloatArray:
        """Innovations of each column of phase over their standard deviation, shape (n - 1, k); 0 where the phase starts anew."""
        from scipy.linalg import solve_banded

        right = np.empty((2 * len(self.gain), columns.shape[1]))
        right[0::2] = self.gain[:, :1] * columns
        right[1::2] = self.gain[:, 1:] * columns
        state = solve_banded((3, 0), self.band, right, check_finite=False)
        ahead = state[0:-2:2] + self.moved_s[:, None] * state[1:-2:2]
        rows = (columns[1:] - ahead) / self.sd_ns[:, None]
        rows[self.anew] = 0.0
        return np.asarray(rows)
