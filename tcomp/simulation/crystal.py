"""The true oscillator: offset against crystal temperature, and everything else that changes it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import accumulate
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import JobError
from tcomp.units import SECONDS_PER_DAY

FloatArray = NDArray[np.float64]

MINUTES_OF_ARC_PER_DEGREE = 60.0

# AT cut, Taylor coefficients about 25 degC, as the handbook gives them: E. A. Gerber and A. Ballato,
# "Precision Frequency Control", vol. 2, 1985, p. 101.  Second-hand: read in a public mailing list on
# clocks (28 August 2015) that quotes the page; the reference temperature of 25 degC is inferred.
AT_A1_PER_K_PER_DEGREE = -5.08e-6
AT_A2_PER_K2 = -0.45e-9
AT_A3_PER_K3 = 108.6e-12


class Cut(Protocol):
    """The static curve of a cut about its centre, where the curve is zero."""

    @property
    def centre_c(self) -> float:
        """Temperature about which the coefficients are stated. [degC]"""

    @property
    def coefficients_ppb(self) -> tuple[float, ...]:
        """c1, c2, ... of offset = c1 d + c2 d**2 + ..., d = temperature - centre. [ppb/degC**k]"""

    @property
    def turning_points_c(self) -> tuple[float, ...]:
        """Where the slope is zero, from low to high; may be none. [degC]"""

    def offset_ppb(self, temperature_c: FloatArray) -> FloatArray:
        """Offset at these crystal temperatures, of the same shape. [ppb]"""


def _polynomial_ppb(cut: Cut, temperature_c: FloatArray) -> FloatArray:
    away_c = np.asarray(temperature_c, dtype=np.float64) - cut.centre_c
    total = np.zeros_like(away_c)
    for coefficient in reversed(cut.coefficients_ppb):
        total = (total + coefficient) * away_c
    return total


@dataclass(frozen=True)
class AtCut:
    """An AT-cut plate: a cubic whose slope is set by the angle of the cut.

    Parameters
    ----------
    angle_minutes : float
        Angle of the cut away from the zero-slope angle. [minutes of arc]
    reference_c : float
        Temperature about which the coefficients of the handbook are stated [1]_; the curve is zero there. [degC]

    References
    ----------
    .. [1] E. A. Gerber and A. Ballato, "Precision Frequency Control", vol. 2, 1985, p. 101;
       second-hand, see the constants in this module.

    Examples
    --------
    >>> [round(turn_c, 3) for turn_c in AtCut(angle_minutes=1.7).turning_points_c]
    [5.317, 47.445]
    """

    angle_minutes: float
    reference_c: float = 25.0

    @property
    def centre_c(self) -> float:
        """The reference temperature. [degC]"""
        return self.reference_c

    @property
    def coefficients_ppb(self) -> tuple[float, float, float]:
        """A1, A2, A3 about the reference temperature. [ppb/degC, ppb/degC**2, ppb/degC**3]"""
        slope_per_k = AT_A1_PER_K_PER_DEGREE * self.angle_minutes / MINUTES_OF_ARC_PER_DEGREE
        return slope_per_k * 1e9, AT_A2_PER_K2 * 1e9, AT_A3_PER_K3 * 1e9

    @property
    def inflection_c(self) -> float:
        """Where the curvature changes sign, T0 - A2 / (3 A3). [degC]"""
        return self.reference_c - AT_A2_PER_K2 / (3 * AT_A3_PER_K3)

    @property
    def turning_points_c(self) -> tuple[float, ...]:
        """Where the slope is zero, A1 + 2 A2 d + 3 A3 d**2 = 0; none when the curve only rises. [degC]"""
        first, second, third = self.coefficients_ppb
        under_root = second**2 - 3 * first * third
        if under_root <= 0:
            return ()
        reach_c = math.sqrt(under_root) / (3 * third)
        return self.inflection_c - reach_c, self.inflection_c + reach_c

    def offset_ppb(self, temperature_c: FloatArray) -> FloatArray:
        """Offset at these crystal temperatures, of the same shape. [ppb]"""
        return _polynomial_ppb(self, temperature_c)


@dataclass(frozen=True)
class TuningFork:
    """A tuning fork: a parabola that opens downward from its turnover.

    Parameters
    ----------
    turnover_c : float
        Where the fork runs fastest; the curve is zero there. [degC]
    curvature_ppb_per_c2 : float
        Negative; handbooks give -35 [1]_. [ppb/degC**2]

    References
    ----------
    .. [1] J. R. Vig, "Introduction to Quartz Frequency Standards", SLCET-TR-92-1 rev. 1, 1992,
       "Static frequency versus temperature".

    Examples
    --------
    >>> float(TuningFork(turnover_c=25.0).offset_ppb(np.array(105.0)))
    -224000.0
    """

    turnover_c: float
    curvature_ppb_per_c2: float = -35.0

    @property
    def centre_c(self) -> float:
        """The turnover. [degC]"""
        return self.turnover_c

    @property
    def coefficients_ppb(self) -> tuple[float, float]:
        """0 and the curvature, about the turnover. [ppb/degC, ppb/degC**2]"""
        return 0.0, self.curvature_ppb_per_c2

    @property
    def turning_points_c(self) -> tuple[float, ...]:
        """The turnover alone. [degC]"""
        return (self.turnover_c,)

    def offset_ppb(self, temperature_c: FloatArray) -> FloatArray:
        """Offset at these crystal temperatures, of the same shape. [ppb]"""
        return _polynomial_ppb(self, temperature_c)


@dataclass(frozen=True)
class ActivityDip:
    """A narrow dip of the curve, where another mode of the plate takes energy.

    Gaussian in shape: our own choice, as no source for the shape was found.

    Parameters
    ----------
    at_c, width_c : float
        Middle and standard width. [degC]
    depth_ppb : float
        Decrease of the offset in the middle. [ppb]

    Examples
    --------
    >>> float(ActivityDip(at_c=40.0, width_c=1.0, depth_ppb=300.0).offset_ppb(np.array(40.0)))
    -300.0
    """

    at_c: float
    width_c: float
    depth_ppb: float

    def offset_ppb(self, temperature_c: FloatArray) -> FloatArray:
        """Contribution of the dip at these crystal temperatures, of the same shape. [ppb]"""
        away = (np.asarray(temperature_c, dtype=np.float64) - self.at_c) / self.width_c
        return -self.depth_ppb * np.exp(-0.5 * away**2)


@dataclass(frozen=True)
class CrystalAgeing:
    """Drift with time: a straight line plus A ln(B t + 1).

    The logarithm is the form fitted after MIL-PRF-55310 (second-hand, as its users quote it).

    Parameters
    ----------
    linear_ppb_per_day : float
        Rate of the straight part. [ppb/day]
    log_ppb, log_per_day : float
        A and B of the logarithm. [ppb, 1/day]

    Examples
    --------
    >>> float(CrystalAgeing(linear_ppb_per_day=6.0).drift_ppb(np.array(43_200.0)))
    3.0
    """

    linear_ppb_per_day: float = 0.0
    log_ppb: float = 0.0
    log_per_day: float = 0.0

    def drift_ppb(self, age_s: FloatArray) -> FloatArray:
        """Drift since age 0, of the same shape as the ages. [ppb]"""
        days = np.asarray(age_s, dtype=np.float64) / SECONDS_PER_DAY
        return self.linear_ppb_per_day * days + self.log_ppb * np.log1p(self.log_per_day * days)


@dataclass(frozen=True)
class FrequencyJump:
    """A permanent step of the frequency. [s, ppb]"""

    at_age_s: float
    height_ppb: float

    def offset_ppb(self, age_s: FloatArray) -> FloatArray:
        """0 before the jump, its height afterwards. [ppb]"""
        return np.where(np.asarray(age_s) >= self.at_age_s, self.height_ppb, 0.0)


@dataclass(frozen=True)
class Play:
    """Hysteresis that is independent of the rate: a slot with play that the temperature drags along.

    The position in the slot goes from -1/2 (cooling) to +1/2 (heating) over ``width_c`` after
    each reversal, and is multiplied by ``height_ppb``.

    Parameters
    ----------
    width_c : float
        Change of temperature after which a reversal is complete. [degC]
    height_ppb : float
        Heating minus cooling at the same crystal temperature. [ppb]

    Examples
    --------
    >>> up_and_down_c = np.array([0.0, 10.0, 20.0, 10.0, 0.0])
    >>> Play(width_c=2.0, height_ppb=30.0).offset_ppb(up_and_down_c).tolist()
    [0.0, 15.0, 15.0, -15.0, -15.0]
    """

    width_c: float
    height_ppb: float

    def offset_ppb(self, temperature_c: FloatArray) -> FloatArray:
        """Contribution of the play along this temperature history, starting in the middle of the slot. [ppb]"""
        half_c = self.width_c / 2

        def slot_c() -> Iterator[float]:
            return accumulate(temperature_c.tolist(), lambda slot, now: min(max(slot, now - half_c), now + half_c))

        dragged_c = np.fromiter(slot_c(), dtype=np.float64, count=len(temperature_c))
        return self.height_ppb * (temperature_c - dragged_c) / self.width_c


@dataclass(frozen=True)
class Crystal:
    """An oscillator: the curve of its cut, its base, and what changes the base.

    Parameters
    ----------
    cut : AtCut or TuningFork
        The static curve.
    base_ppb : float
        Value that is added to the static curve at age 0. [ppb]
    ageing : Ageing
        Drift since age 0.
    retrace_ppb : tuple of float
        Shift of the base after each switching off, one for each run. [ppb]
    dip, jump, play : ActivityDip, Jump, Play, or None
        Effects that tests must find.

    Examples
    --------
    >>> fork = Crystal(TuningFork(turnover_c=25.0), base_ppb=-12_000.0)
    >>> fork.offset_ppb(np.array([25.0, 35.0]), np.array([0.0, 60.0]), run=0).tolist()
    [-12000.0, -15500.0]
    """

    cut: Cut
    base_ppb: float = 0.0
    ageing: CrystalAgeing = field(default_factory=CrystalAgeing)
    retrace_ppb: tuple[float, ...] = ()
    dip: ActivityDip | None = None
    jump: FrequencyJump | None = None
    play: Play | None = None

    def base_at_ppb(self, age_s: FloatArray, run: int) -> FloatArray:
        """Value that is added to the static curve at these ages, in this run. [ppb]

        Raises
        ------
        JobError
            Retraces are given, but none for this run.
        """
        if self.retrace_ppb and run >= len(self.retrace_ppb):
            raise JobError(
                f"simulation: run {run + 1} has no retrace, as retrace_ppb holds "
                f"{len(self.retrace_ppb)}; give one value for each run, or none at all"
            )
        retrace_ppb = self.retrace_ppb[run] if self.retrace_ppb else 0.0
        base_ppb = self.base_ppb + retrace_ppb + self.ageing.drift_ppb(age_s)
        return base_ppb if self.jump is None else base_ppb + self.jump.offset_ppb(age_s)

    def offset_ppb(self, temperature_c: FloatArray, age_s: FloatArray, run: int) -> FloatArray:
        """Offset along a history of crystal temperatures and ages, both of shape (n,). [ppb]"""
        offset_ppb = self.cut.offset_ppb(temperature_c) + self.base_at_ppb(age_s, run)
        if self.dip is not None:
            offset_ppb = offset_ppb + self.dip.offset_ppb(temperature_c)
        if self.play is not None:
            offset_ppb = offset_ppb + self.play.offset_ppb(temperature_c)
        return offset_ppb
