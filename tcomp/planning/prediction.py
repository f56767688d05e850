"""Predicted performance of a schedule: the uncertainty of the curve and of the effects that it identifies.

The fit of ``tcomp build`` is linear in small changes: offset = curve + slope dTx/dtau + ageing + hysteresis + noise.
So its covariance follows from the schedule alone, before anything is measured: B^-1 + B^-1 S B^-1, with B the
information of readings that know nothing of each other, and S what they have in common, which least squares does not
weigh (the "sandwich": H. White, Econometrica 48 (1980) 817-838, from memory): the floor of the noise, as flicker
noise, whose spectrum is h / f with floor^2 = 2 ln(2) h (NIST SP 1065; from memory), and the sensor's steps in a soak.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tcomp.arrays import BoolArray, FloatArray, IntArray
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.effects import FAMILY, Effects
from tcomp.estimation.effects.finding import INDEPENDENT_SHARE, independent_share
from tcomp.estimation.samples import NONE_UNREAD, Unread
from tcomp.estimation.thermal_lag import SETTLED, SensorLog, lagged
from tcomp.planning.assumptions import Assumptions
from tcomp.planning.averaging import Noise
from tcomp.planning.schedule import Schedule
from tcomp.units import SECONDS_PER_MINUTE

EVERY_EFFECT = Effects(FAMILY)
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

    time_s: FloatArray
    sensor_c: FloatArray
    crystal_c: FloatArray
    direction: FloatArray
    soak: BoolArray
    step: IntArray
    apart_s: float
    count: float

    @property
    def run(self) -> IntArray:
        """All in one run."""
        return np.zeros(self.time_s.size, dtype=np.int64)

    @property
    def regressors(self) -> Mapping[str, FloatArray]:
        """None: a schedule is of temperatures."""
        return {}

    @property
    def temperature_c(self) -> FloatArray:
        """The sensor's. [degC]"""
        return self.sensor_c

    @property
    def unread(self) -> Unread:
        """None: every reading is there."""
        return NONE_UNREAD

    @property
    def sensor(self) -> SensorLog:
        """The sensor's temperature, free of noise."""
        rate = np.gradient(self.sensor_c, self.time_s)
        return SensorLog(self.time_s, self.sensor_c, rate, self.run, self.run)


@dataclass(frozen=True)
class EffectPrediction:
    """Standard uncertainty of an effect; ``share`` of it that nothing else imitates (0: not identifiable). [unit]"""

    name: str
    unit: str
    u: float
    share: float

    @property
    def identifiable(self) -> bool:
        """Whether the fit will be able to tell it."""
        return self.share >= INDEPENDENT_SHARE


@dataclass(frozen=True)
class Prediction:
    """Standard uncertainty of the curve along the range by noise alone, and of the effects; arrays are (m,)."""

    at_c: FloatArray
    noise_ppb: FloatArray
    effects: tuple[EffectPrediction, ...]
    covariance: FloatArray

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
    log = SensorLog(time_s, sensor_c, np.gradient(sensor_c, time_s), one, one)
    crystal_c = log.crystal_c((lag_s,))
    return Readings(time_s, sensor_c, crystal_c, turned[number] / 2, soak, number, step_s, step_s / gate_s)


def predict_uncertainty(
    schedule: Schedule,
    expected: Assumptions,
    range_c: tuple[float, float],
    noise: Noise,
    *,
    gate_s: float,
    chamber_s: float = 0.0,
    sensor_noise_c: float = 0.0,
    sensor_common_c: float = 0.0,
    effects: Effects = EVERY_EFFECT,
) -> Prediction:
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
    effects : Effects
        What is estimated besides the curve; a lag starts from the expected one.

    Examples
    --------
    A line over a ramp up and down, 9600 readings of 1 ppb: 2 / sqrt(9600) at the ends of a uniform ramp.

    >>> from tcomp.planning.schedule import plain_ramp
    >>> line = Assumptions(0.0, 1, lambda t: np.full(np.shape(t), 100.0), ())
    >>> noise = Noise(0.0, 10**0.5, 0.0)
    >>> predicted = predict_uncertainty(
    ...     plain_ramp(-20.0, 60.0, 0.1), line, (-20.0, 60.0), noise, gate_s=10.0, effects=Effects()
    ... )
    >>> round(predicted.worst_ppb, 4), round(2 / 9600**0.5, 4)
    (0.0204, 0.0204)
    """
    basis = ChebyshevBasis(expected.degree, *range_c)
    seen = readings_of(schedule, expected.lag_s, chamber_s, gate_s)
    margin_c = BEYOND * (range_c[1] - range_c[0])
    inside = (seen.crystal_c >= range_c[0] - margin_c) & (seen.crystal_c <= range_c[1] + margin_c)
    inside &= seen.time_s >= SETTLED * max(expected.lag_s, 0.0)
    slope = expected.slope_ppb_per_c(np.clip(seen.crystal_c, *range_c))
    linearised = _linearised(effects, expected.lag_s, seen, slope)
    design = np.column_stack([basis.values(seen.crystal_c), *(column for _, _, column in linearised)])
    # A counter without noise still has readings, of equal weight.
    variance = np.maximum(noise.reading_ppb(gate_s) ** 2 + (slope * sensor_noise_c) ** 2, 1e-12)
    step_ppb = noise.soak_step_ppb(gate_s)
    if step_ppb:  # all readings of a soak together are known no better than its place in a step of the counter
        of_step = np.bincount(seen.step)[seen.step] * seen.count
        variance = variance + np.where(seen.soak, of_step * step_ppb**2, 0.0)
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
    predictions = []
    for place, (name, unit, _) in enumerate(linearised, start=basis.size):
        share = independent_share(design[inside, place], np.delete(design[inside], place, axis=1))
        predictions.append(EffectPrediction(name, unit, math.sqrt(max(covariance[place, place], 0.0)), share))
    noise_ppb = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", columns, curve, columns), 0.0))
    return Prediction(at_c, noise_ppb, tuple(predictions), curve)


def _linearised(effects: Effects, lag_s: float, seen: Readings, slope: FloatArray) -> list[tuple[str, str, FloatArray]]:
    """Name, unit and column of every effect, as the fit has them: linear columns, and derivatives by free parameters."""
    found = []
    for effect in (one.expected(lag_s) for one in effects):
        linear = effect.columns(seen, seen.crystal_c)
        found += [(name, effect.unit, column) for name, column in zip(effect.reported, linear.T, strict=True)]
        if effect.parameters:
            jacobian = effect.jacobian(seen, seen.sensor, seen.crystal_c, slope, np.zeros(effect.size))
            found += [(name, effect.unit, column) for name, column in zip(effect.parameters, jacobian.T, strict=True)]
    return found


def _soaks(weighted: FloatArray, seen: Readings, common_ppb: FloatArray) -> FloatArray:
    """What errors that are common to all of a soak add, shape (p, p)."""
    starts = np.flatnonzero(np.diff(seen.step, prepend=-1) != 0)
    sums = np.add.reduceat(weighted * np.where(seen.soak, common_ppb, 0.0)[:, None], starts, axis=0)
    return np.asarray(sums.T @ sums)


def _flicker(weighted: FloatArray, apart_s: float, floor_ppb: float) -> FloatArray:
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
