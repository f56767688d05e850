"""The stamps of a clock corrected by the integral of its offset since a mark, at which the clock was right."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.curve import Curve
from tcomp.logs.clock_noise import ClockNoise
from tcomp.units import PPB_PER_UNIT, SECONDS_PER_DAY
from tcomp.upkeep.corrector import BEFORE_THE_MARK, NO_READING, Offsets

Floats = NDArray[np.float64]


def frequency_noise(curve: Curve) -> ClockNoise:
    """How the frequency varies beside a curve: a clock's own noise, or what the curve leaves, held for about a day (common
    practice, no source)."""
    if curve.clock_noise is not None:
        return curve.clock_noise
    left_ppb = curve.held_out.rms_ppb if math.isfinite(curve.held_out.rms_ppb) else curve.residual_sd_ppb
    walk = 2 * left_ppb**2 / SECONDS_PER_DAY
    return ClockNoise(phase=0.0, white_ppb2_s=0.0, walk_ppb2_per_s=max(walk, 1e-12), memory_s=SECONDS_PER_DAY)


@dataclass(frozen=True)
class FittedDrift:
    """The drift of a clock's base as its own weeks in service have shown it: a line through the time of the base. [ppb/day]"""

    since_s: float
    ppb_per_day: float
    u_ppb_per_day: float

    @classmethod
    def of(cls, curve: Curve) -> FittedDrift | None:
        """Of a clock in service whose drift was looked for; None: of another, or it is not identifiable."""
        ageing = curve.effect("ageing")
        if curve.clock_noise is None or curve.base_clock_s is None or not math.isfinite(ageing.uncertainty):
            return None
        return cls(curve.base_clock_s, ageing.value, ageing.uncertainty)

    def moved(self, time_s: Floats) -> tuple[Floats, Floats]:
        """By how much the base has moved, and with what standard uncertainty. [ppb]"""
        days = (time_s - self.since_s) / SECONDS_PER_DAY
        return self.ppb_per_day * days, self.u_ppb_per_day * np.abs(days)


@dataclass
class TimeIntegral:
    """Follows a clock's log; feed it the batches in order.

    Between two stamps the clock has counted by 1 + y too many seconds, with y straight between the rows.  The standard uncertainty
    is that of y, taken to be alike from row to row, times the time since the mark, and beside it what the frequency's own noise
    makes of that time.

    Attributes
    ----------
    noise : ClockNoise or None
        None: not known, without a curve.
    mark_s : float or None
        When the clock was right, by its own stamps; None: at the first row. [s]

    Examples
    --------
    A clock that is 10 ppm fast, and known to 1 ppm, after 1000 s of its own:

    >>> integral = TimeIntegral(None)
    >>> y = Offsets(np.full(3, 1e4), np.full(3, 1e3), np.zeros(3, dtype=np.int8))
    >>> true_s, u_s, _ = integral.follow(np.array([0.0, 500.0, 1000.0]), y, np.zeros(3))
    >>> true_s.round(6).tolist(), u_s.round(6).tolist()
    ([0.0, 499.995, 999.99], [0.0, 0.0005, 0.001])
    """

    noise: ClockNoise | None
    mark_s: float | None = None
    elapsed_s: float = 0.0
    """By the true second, since the mark."""
    u_s: float = 0.0
    before: tuple[float, float, float] | None = None
    """Stamp, offset and its uncertainty of the last row. [s] [ppb]"""

    def follow(self, time_s: Floats, offsets: Offsets, beyond_ppb: Floats) -> tuple[Floats, Floats, NDArray[np.int8]]:
        """True times of a batch and their standard uncertainty [s], and the states of its rows; shape (n,).

        Parameters
        ----------
        time_s : ndarray of shape (n,)
            Stamps. [s]
        offsets : Offsets
        beyond_ppb : ndarray of shape (n,)
            Standard uncertainty where the offsets state none: beyond the curve's range. [ppb]
        """
        true_s, u_s = np.full((2, time_s.size), np.nan)
        state = np.where(np.isfinite(time_s), offsets.state, NO_READING).astype(np.int8)
        known = np.flatnonzero(np.isfinite(time_s) & np.isfinite(offsets.offset_ppb))
        if self.mark_s is None and known.size:
            self.mark_s = float(time_s[known[0]])
        if self.mark_s is None:
            return true_s, u_s, state
        state[np.isfinite(time_s) & (time_s < self.mark_s)] = BEFORE_THE_MARK
        rows = known[time_s[known] >= self.mark_s]
        if not rows.size:
            return true_s, u_s, state
        y = offsets.offset_ppb[rows]
        u = np.where(np.isfinite(offsets.u_ppb[rows]), offsets.u_ppb[rows], beyond_ppb[rows])
        first = self.before or (self.mark_s, float(y[0]), float(u[0]))
        stamps, y, u = (np.append(one, own) for one, own in zip(first, (time_s[rows], y, u), strict=True))
        step_s = np.maximum(np.diff(stamps), 0.0)
        elapsed_s = self.elapsed_s + np.cumsum(step_s / (1 + (y[1:] + y[:-1]) / (2 * PPB_PER_UNIT["1"])))
        along_s = self.u_s + np.cumsum(step_s * (u[1:] + u[:-1]) / (2 * PPB_PER_UNIT["1"]))
        self.elapsed_s, self.u_s = float(elapsed_s[-1]), float(along_s[-1])
        self.before = float(stamps[-1]), float(y[-1]), float(u[-1])
        true_s[rows] = self.mark_s + elapsed_s
        u_s[rows] = np.hypot(along_s, wandered_s(self.noise, elapsed_s))
        return true_s, u_s, state


def wandered_s(noise: ClockNoise | None, elapsed_s: Floats) -> Floats:
    """Standard deviation of a time error by the noise of the frequency, shape (n,). [s]"""
    if noise is None:
        return np.zeros_like(elapsed_s)
    safe_s = np.maximum(elapsed_s, 1e-9)
    return np.asarray(elapsed_s * np.sqrt(noise.mean_variance_ppb2(safe_s)) / PPB_PER_UNIT["1"])
