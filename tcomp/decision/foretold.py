"""What a schedule will give: the uncertainty of the curve, and of the effects that are told apart from it.

The fit of ``tcomp build`` is linear in small changes: offset = curve + slope dTx/dtau + ageing + hysteresis + noise.
So its covariance follows from the schedule alone, before anything is measured: B^-1 + B^-1 S B^-1, with B the
information of readings that know nothing of each other, and S what they have in common, which least squares does not
weigh (the "sandwich": H. White, Econometrica 48 (1980) 817-838, from memory): the floor of the noise, as flicker
noise, whose spectrum is h / f with floor^2 = 2 ln(2) h (NIST SP 1065; from memory), and the sensor's steps in a soak.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.effects import INDEPENDENT_SHARE, independent_share
from tcomp.curve.thermal_lag import SETTLED, lagged
from tcomp.decision.averaging import Noise
from tcomp.decision.foreseen import Foreseen
from tcomp.decision.schedule import Schedule
from tcomp.model.basis import ChebyshevBasis
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EFFECTS = {"lag": "s", "ageing": "ppb/day", "hysteresis": "ppb"}
POINTS = 6000
"""Points of time at most that stand for all readings."""
CHAMBER_SHARE = 0.2
"""Time constant of the chamber, against the time that it takes to settle."""
GRID = 201
BEYOND = 0.02
"""Share of the range by which readings may lie outside it and still count."""


@dataclass(frozen=True)
class Readings:
    """Readings of a schedule at some points of time, each standing for ``count`` of them; arrays are (n,).

    ``step`` numbers the schedule's steps.
    """

    time_s: Floats
    sensor_c: Floats
    crystal_c: Floats
    by_lag_c_per_s: Floats
    direction: Floats
    soak: NDArray[np.bool_]
    step: Ints
    apart_s: float
    count: float


@dataclass(frozen=True)
class Told:
    """Standard uncertainty of an effect; ``share`` of it that nothing else imitates (0: it cannot be told). [unit]"""

    name: str
    unit: str
    u: float
    share: float

    @property
    def told(self) -> bool:
        """Whether the fit will be able to tell it."""
        return self.share >= INDEPENDENT_SHARE


@dataclass(frozen=True)
class Foretold:
    """Standard uncertainty of the curve along the range by noise alone, and of the effects; arrays are (m,)."""

    at_c: Floats
    noise_ppb: Floats
    effects: tuple[Told, ...]
    covariance: Floats

    @property
    def worst_ppb(self) -> float:
        """Largest standard uncertainty by noise. [ppb]"""
        return float(self.noise_ppb.max())

    @property
    def worst_at_c(self) -> float:
        """Where it is. [degC]"""
        return float(self.at_c[np.argmax(self.noise_ppb)])


def readings_of(schedule: Schedule, lag_s: float, chamber_s: float, gate_s: float) -> Readings:
    """The readings that a schedule gives, with the crystal's temperature as the lag makes it.

    Parameters
    ----------
    lag_s, chamber_s, gate_s : float
        From sensor to crystal, from set-point to sensor, and of a reading. [s]
    """
    times_s, points_c = schedule.corners
    step_s = max(gate_s, times_s[-1] / POINTS)
    time_s = np.arange(step_s, times_s[-1] + step_s / 2, step_s)
    one = np.zeros(time_s.size, dtype=np.int64)
    sensor_c = lagged(time_s, np.interp(time_s, times_s, points_c), one, chamber_s)
    number = np.clip(np.searchsorted(times_s, time_s) - 1, 0, len(schedule.steps) - 1)
    soak = np.array([step.what == "soak" for step in schedule.steps])[number]
    turned = np.array([np.sign(step.rate_c_per_min) for step in schedule.steps])
    for place in range(1, turned.size):  # a soak belongs to the sweep that it ends
        turned[place] = turned[place] or turned[place - 1]
    crystal_c, by_lag = _crystal(time_s, sensor_c, lag_s)
    return Readings(time_s, sensor_c, crystal_c, by_lag, turned[number] / 2, soak, number, step_s, step_s / gate_s)


def _crystal(time_s: Floats, sensor_c: Floats, lag_s: float) -> tuple[Floats, Floats]:
    """The crystal's temperature, and how it changes with the time constant. [degC, degC/s]"""
    rate = np.gradient(sensor_c, time_s)
    if lag_s <= 0:
        return sensor_c - lag_s * rate, -rate
    one, apart = np.zeros(time_s.size, dtype=np.int64), 0.01 * lag_s
    less, more = (lagged(time_s, sensor_c, one, lag_s + sign * apart) for sign in (-1, 1))
    return (less + more) / 2, (more - less) / (2 * apart)


def foretell(
    schedule: Schedule,
    expected: Foreseen,
    range_c: tuple[float, float],
    noise: Noise,
    *,
    gate_s: float,
    chamber_s: float = 0.0,
    sensor_noise_c: float = 0.0,
    sensor_common_c: float = 0.0,
    effects: tuple[str, ...] = tuple(EFFECTS),
) -> Foretold:
    """Uncertainty of the curve that a schedule will give.

    Parameters
    ----------
    schedule, expected, noise
        What is done, to what, with what.
    range_c : tuple of two floats
        Readings outside are not used. [degC]
    gate_s, chamber_s : float
        Of a reading; time constant from set-point to sensor. [s]
    sensor_noise_c, sensor_common_c : float
        Scatter of one reading, and what is common to all of a soak: what its steps leave where nothing moves. [degC]
    effects : tuple of str
        What is estimated beside the curve.

    Examples
    --------
    A line over a ramp up and down, 9600 readings of 1 ppb: 2 / sqrt(9600) at the ends of a uniform ramp.

    >>> from tcomp.decision.schedule import plain_ramp
    >>> line = Foreseen(0.0, 1, lambda t: np.full(np.shape(t), 100.0), ())
    >>> told = foretell(plain_ramp(-20.0, 60.0, 0.1), line, (-20.0, 60.0), Noise(0.0, 10**0.5, 0.0), gate_s=10.0, effects=())
    >>> round(told.worst_ppb, 4), round(2 / 9600**0.5, 4)
    (0.0204, 0.0204)
    """
    basis = ChebyshevBasis(expected.degree, *range_c)
    seen = readings_of(schedule, expected.lag_s, chamber_s, gate_s)
    margin_c = BEYOND * (range_c[1] - range_c[0])
    inside = (seen.crystal_c >= range_c[0] - margin_c) & (seen.crystal_c <= range_c[1] + margin_c)
    inside &= seen.time_s >= SETTLED * max(expected.lag_s, 0.0)
    slope = expected.slope_ppb_per_c(np.clip(seen.crystal_c, *range_c))
    design = np.column_stack([basis.values(seen.crystal_c), *(_column(name, seen, slope) for name in effects)])
    # A counter without noise still has readings, of equal weight.
    variance = np.maximum(noise.reading_ppb(gate_s) ** 2 + (slope * sensor_noise_c) ** 2, 1e-12)
    weight = np.where(inside, seen.count / variance, 0.0)
    scale = np.linalg.norm(design[inside], axis=0)
    columns = design / np.where(scale > 0, scale, 1.0)
    weighted = columns * weight[:, None]
    shared = _soaks(weighted, seen, np.abs(slope) * sensor_common_c) + _flicker(weighted, seen.apart_s, noise.floor_ppb)
    bread = np.linalg.pinv(columns.T @ weighted, rcond=1e-13, hermitian=True)
    covariance = (bread + bread @ shared @ bread) / np.outer(scale, scale)
    at_c = np.linspace(*range_c, GRID)
    columns = basis.values(at_c)
    curve = covariance[: basis.size, : basis.size]
    told = []
    for place, name in enumerate(effects, start=basis.size):
        share = independent_share(design[inside, place], np.delete(design[inside], place, axis=1))
        told.append(Told(name, EFFECTS[name], math.sqrt(max(covariance[place, place], 0.0)), share))
    noise_ppb = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", columns, curve, columns), 0.0))
    return Foretold(at_c, noise_ppb, tuple(told), curve)


def _column(name: str, seen: Readings, slope: Floats) -> Floats:
    if name == "lag":
        return np.asarray(slope * seen.by_lag_c_per_s)
    if name == "ageing":
        return np.asarray((seen.time_s - seen.time_s[-1]) / SECONDS_PER_DAY)
    return seen.direction


def _soaks(weighted: Floats, seen: Readings, common_ppb: Floats) -> Floats:
    """What errors that are common to all of a soak add, shape (p, p)."""
    starts = np.flatnonzero(np.diff(seen.step, prepend=-1) != 0)
    sums = np.add.reduceat(weighted * np.where(seen.soak, common_ppb, 0.0)[:, None], starts, axis=0)
    return np.asarray(sums.T @ sums)


def _flicker(weighted: Floats, apart_s: float, floor_ppb: float) -> Floats:
    """What flicker noise of frequency adds, shape (p, p).

    From half the rate of the points down to a quarter of a turn in the schedule: what is slower belongs to the base,
    which the reference's uncertainty covers.  Its autocovariance is h (Ci(2 pi f_high t) - Ci(2 pi f_low t)).
    """
    if floor_ppb == 0:
        return np.zeros((weighted.shape[1],) * 2)
    from scipy.linalg import matmul_toeplitz
    from scipy.special import sici

    count = weighted.shape[0]
    apart = np.arange(1, count) * apart_s
    high, low = 1 / (2 * apart_s), 1 / (4 * count * apart_s)
    level = floor_ppb**2 / (2 * math.log(2))
    later = sici(2 * math.pi * high * apart)[1] - sici(2 * math.pi * low * apart)[1]
    covariance = level * np.concatenate([[math.log(high / low)], later])
    return np.asarray(weighted.T @ matmul_toeplitz(covariance, weighted))


def chamber_time_s(settle_min: float) -> float:
    """Time constant of a chamber that stands still after so many minutes. [s]"""
    return CHAMBER_SHARE * settle_min * SECONDS_PER_MINUTE
