"""Whether a soak is over: what drifts yet, with its uncertainty, against what may drift while it is averaged."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_SAMPLES = 12
LEAST_FREEDOM = 3.0
FINER = 8
"""Steps of a frequency within one turn over the window."""
FEWEST_TURNS = 1.5
HUNTS = 0.5
"""Share of a soak's scatter that one oscillation must be, to be called hunting (common practice, no source)."""
GLITCH = 8.0
"""Standard deviations, by the median of the residuals, beyond which a reading is a gross error and not used."""
LOOKS = 4
SIGMAS = 2.0
"""Standard uncertainties that are added to a drift before it is called small."""


@dataclass(frozen=True)
class Drift:
    """A straight line's slope, per second, with its standard uncertainty and degrees of freedom."""

    per_s: float
    u_per_s: float
    freedom: float

    def most(self, over_s: float) -> float:
        """The largest change over so many seconds that is to be reckoned with; infinite where nothing is known yet."""
        if self.freedom < LEAST_FREEDOM:
            return math.inf
        return (abs(self.per_s) + SIGMAS * self.u_per_s) * over_s


def hunting_rad_per_s(time_s: Floats, temperature_c: Floats) -> float:
    """The frequency at which a chamber's controller hunts, where that is most of what a soak's temperature does; else 0.

    Examples
    --------
    >>> time_s = np.arange(0.0, 1800.0, 10.0)
    >>> found = hunting_rad_per_s(time_s, 40.0 + 0.05 * np.sin(2 * np.pi * time_s / 310.0))
    >>> abs(2 * np.pi / found - 310.0) < 5.0
    True
    """
    count = time_s.size
    if count < 4 * LEAST_SAMPLES or time_s[-1] <= time_s[0]:
        return 0.0
    along = time_s - time_s.mean()
    left = temperature_c - np.polyval(np.polyfit(along, temperature_c, 2), along)
    length = FINER * count
    power = np.abs(np.fft.rfft(left, length)) ** 2
    slowest = int(FEWEST_TURNS * FINER)
    peak = slowest + int(np.argmax(power[slowest:])) if power.size > slowest + 1 else 0
    # A sine of amplitude A has a peak of (A n / 2)^2, and a sum of squares of n A^2 / 2.
    if not peak or power[peak] < HUNTS * count / 2.0 * float(left @ left):
        return 0.0
    return 2.0 * math.pi * peak / length * (count - 1) / float(time_s[-1] - time_s[0])


def drift(time_s: Floats, values: Floats, quantum: float = 0.0, hunting: float = 0.0) -> Drift:
    """The drift of neighbouring samples, which resemble each other.

    Parameters
    ----------
    time_s, values : ndarray of shape (n,)
        At about equal intervals. [s, any unit]
    quantum : float
        Step of the values; no residual is believed below its quantisation error, quantum / sqrt(12).
    hunting : float
        Frequency of an oscillation that is estimated beside the line; 0 for none. [rad/s]

    Returns
    -------
    Drift
        The variance of the slope is that of independent residuals times tau = 1 + 2 (rho_1 + rho_2 + ...), the sum being
        taken while pairs of neighbouring terms are positive (C. J. Geyer, "Practical Markov chain Monte Carlo", Statistical
        Science 7 (1992), the initial positive sequence); the degrees of freedom are n / tau - 2.

    Examples
    --------
    >>> found = drift(np.arange(60.0), 0.5 * np.arange(60.0) + np.random.default_rng(1).normal(0.0, 0.1, 60))
    >>> round(found.per_s, 2), found.u_per_s < 0.002
    (0.5, True)
    """
    for _ in range(LOOKS):
        found, left = _line(time_s, values, quantum, hunting)
        size = max(1.4826 * float(np.median(np.abs(left))), quantum / 2.0) if left.size else 0.0
        kept = np.abs(left) <= GLITCH * size
        if kept.all() or size == 0.0:
            break
        time_s, values = time_s[kept], values[kept]
    return found


def _line(time_s: Floats, values: Floats, quantum: float, hunting: float) -> tuple[Drift, Floats]:
    """The drift, and what is left of each sample."""
    count = time_s.size
    if count < LEAST_SAMPLES or time_s[-1] <= time_s[0]:
        return Drift(math.nan, math.nan, 0.0), np.zeros(0)
    along = time_s - time_s.mean()
    turns = [np.cos(hunting * along), np.sin(hunting * along)] if hunting else []
    columns = np.column_stack([along, np.ones(count), *turns])
    inverse = np.linalg.pinv(columns)
    from_first = values - values[0]
    found = inverse @ from_first
    left = from_first - columns @ found
    tau = _correlated(left)
    variance = max(float(left @ left) / (count - columns.shape[1]), quantum**2 / 12.0)
    # A step of the sensor that never shows hides a drift of half a step from end to end.
    hidden = quantum / math.sqrt(12.0) / (time_s[-1] - time_s[0]) if not left.any() else 0.0
    u_per_s = math.sqrt(variance * tau * float(inverse[0] @ inverse[0]))
    return Drift(float(found[0]), math.hypot(u_per_s, hidden), count / tau - columns.shape[1]), left


def _correlated(left: Floats) -> float:
    """Samples that tell as much as one independent one."""
    square = float(left @ left)
    if square == 0.0:
        return 1.0
    length = 1 << (2 * left.size - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(left, length)) ** 2
    rho = np.fft.irfft(spectrum, length)[: left.size // 2] / square
    pairs = rho[: rho.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0)
    kept = pairs[: int(ends[0]) if ends.size else pairs.size]
    return max(1.0, 2.0 * float(kept.sum()) - 1.0)


@dataclass(frozen=True)
class Judged:
    """What temperature and offset may still do while a soak is averaged, against what they may. [degC, ppb]"""

    temperature_c: float
    offset_ppb: float
    allowed_c: float
    allowed_ppb: float

    @property
    def settled(self) -> bool:
        """Whether both drift less than they may."""
        return self.temperature_c <= self.allowed_c and self.offset_ppb <= self.allowed_ppb


def judge(
    time_s: Floats,
    temperature_c: Floats,
    offset_ppb: Floats,
    *,
    average_s: float,
    allowed_c: float,
    allowed_ppb: float,
    quantum_c: float = 0.0,
) -> Judged:
    """Judge a soak by the latter half of what was logged since its set-point stands still.

    Parameters
    ----------
    time_s, temperature_c, offset_ppb : ndarray of shape (n,)
        Samples since then. [s, degC, ppb]
    average_s : float
        How long the soak is averaged afterwards. [s]
    allowed_c, allowed_ppb : float
        What may drift in that time. [degC, ppb]
    quantum_c : float
        The sensor's step. [degC]
    """
    half = time_s >= (time_s[0] + time_s[-1]) / 2 if time_s.size else np.zeros(0, dtype=bool)
    finite = half & np.isfinite(temperature_c) & np.isfinite(offset_ppb)
    times_s = time_s[finite]
    hunting = hunting_rad_per_s(times_s, temperature_c[finite])
    return Judged(
        drift(times_s, temperature_c[finite], quantum_c, hunting).most(average_s),
        drift(times_s, offset_ppb[finite], 0.0, hunting).most(average_s),
        allowed_c,
        allowed_ppb,
    )
