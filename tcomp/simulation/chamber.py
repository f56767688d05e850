"""The chamber: heat flow, and a programme of set-points that becomes the temperature of the air around the board."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import accumulate
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import JobError
from tcomp.units import SECONDS_PER_MINUTE

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class ProgrammeLeg:
    """A ramp to a temperature, and the soak there. [degC, degC/min, min]"""

    to_c: float
    ramp_c_per_min: float
    soak_min: float = 0.0


@dataclass(frozen=True)
class Programme:
    """Set-points: a soak at the start, then one leg after the other.

    Parameters
    ----------
    start_c, soak_min : float
        Temperature at the start, and how long it stays there. [degC, min]
    legs : tuple of Leg
        Ramps with their soaks.

    Examples
    --------
    >>> day = Programme(0.0, 10.0, (ProgrammeLeg(20.0, 2.0, 5.0), ProgrammeLeg(0.0, 1.0)))
    >>> day.duration_s
    2700.0
    >>> day.set_point_c(np.array([0.0, 750.0, 1000.0, 2700.0])).tolist()
    [0.0, 5.0, 13.333333333333334, 0.0]
    """

    start_c: float
    soak_min: float
    legs: tuple[ProgrammeLeg, ...]

    def corners(self) -> tuple[list[float], list[float]]:
        """Times [s] and set-points [degC] between which the programme is linear.

        Raises
        ------
        JobError
            A leg has a rate that is not positive.
        """
        times_s, points_c = [0.0], [self.start_c]
        self._go_on(times_s, points_c, self.soak_min, self.start_c)
        for number, leg in enumerate(self.legs, start=1):
            if leg.ramp_c_per_min <= 0:
                raise JobError(
                    f"simulation: leg {number} of the programme has a rate of "
                    f"{leg.ramp_c_per_min:g} degC/min; expected a positive rate, "
                    "as to_c alone gives the direction"
                )
            self._go_on(times_s, points_c, abs(leg.to_c - points_c[-1]) / leg.ramp_c_per_min, leg.to_c)
            self._go_on(times_s, points_c, leg.soak_min, leg.to_c)
        return times_s, points_c

    @staticmethod
    def _go_on(times_s: list[float], points_c: list[float], minutes: float, to_c: float) -> None:
        if minutes > 0:
            times_s.append(times_s[-1] + minutes * SECONDS_PER_MINUTE)
            points_c.append(to_c)

    @property
    def duration_s(self) -> float:
        """Duration from the first soak to the end of the last. [s]"""
        return self.corners()[0][-1]

    def set_point_c(self, time_s: FloatArray) -> FloatArray:
        """Set-point at these times, of the same shape. [degC]"""
        times_s, points_c = self.corners()
        return np.interp(time_s, times_s, points_c)


class SimulatedChamber(Protocol):
    """Anything that turns set-points into the temperature of its air."""

    def air_c(self, set_point_c: FloatArray, step_s: float, random: np.random.RandomState) -> FloatArray:
        """Air temperature on the set-point's time grid, of the same shape. [degC]"""


@dataclass(frozen=True)
class FirstOrderChamber:
    """Air that follows the set-point with one lag, for tests that need a closed form. [s]"""

    tau_s: float

    def air_c(self, set_point_c: FloatArray, step_s: float, random: np.random.RandomState) -> FloatArray:
        """Air temperature on the set-point's time grid, of the same shape. [degC]"""
        return ThermalPath((self.tau_s,)).seen_c(set_point_c, step_s)


@dataclass(frozen=True)
class TwoNodeChamber:
    """A heated wall and air, coupled, and a controller that hunts.

    wall_s dTw/dt = Tset - Tw + back_coupling (Ta - Tw),   air_s dTa/dt = Tw - Ta.

    Parameters
    ----------
    wall_s, air_s : float
        Time constants of the wall against the heater and of the air against the wall. [s]
    back_coupling : float
        Heat conductance from wall to air, divided by that from heater to wall: how much the air slows the wall.
    ripple_c, ripple_period_s : float
        Amplitude and period of the hunting of the controller, in the air; its phase is random. [degC, s]

    Examples
    --------
    Both nodes settle at the set-point:

    >>> chamber = TwoNodeChamber(wall_s=240.0, air_s=60.0, back_coupling=0.3)
    >>> step_c = np.concatenate([np.zeros(1), np.full(5000, 10.0)])
    >>> round(float(chamber.air_c(step_c, 1.0, np.random.RandomState(1))[-1]), 4)
    10.0
    """

    wall_s: float
    air_s: float
    back_coupling: float
    ripple_c: float = 0.0
    ripple_period_s: float = 300.0

    @property
    def mode_time_constants_s(self) -> tuple[float, float]:
        """The two lags in series that are equivalent to air behind the coupled wall. [s]

        Eliminating the wall leaves wall_s air_s s**2 + (wall_s + (1 + back_coupling) air_s) s + 1,
        whose roots are real and negative for every pair of passive nodes.
        """
        total_s = self.wall_s + (1.0 + self.back_coupling) * self.air_s
        product_s2 = self.wall_s * self.air_s
        slow_s = (total_s + math.sqrt(total_s**2 - 4.0 * product_s2)) / 2.0
        return slow_s, product_s2 / slow_s

    def air_c(self, set_point_c: FloatArray, step_s: float, random: np.random.RandomState) -> FloatArray:
        """Air temperature on the set-point's time grid, of the same shape. [degC]"""
        air_c = ThermalPath(self.mode_time_constants_s).seen_c(set_point_c, step_s)
        phase = random.uniform(0.0, 2.0 * math.pi)
        turns = np.arange(len(air_c)) * (step_s / self.ripple_period_s)
        ripple_c: FloatArray = self.ripple_c * np.sin(2.0 * math.pi * turns + phase)
        return air_c + ripple_c


def first_order_lag(input_c: FloatArray, tau_s: float, step_s: float) -> FloatArray:
    """Temperature of a body that follows its surroundings, tau dT/dt = T_around - T.

    The update is exact for an input that is linear between grid points:
    T1 = u1 - r tau + (T0 - u0 + r tau) exp(-step / tau), with r = (u1 - u0) / step.
    The body starts at the first value of the input.

    Parameters
    ----------
    input_c : ndarray of shape (n,)
        Temperature of the surroundings on an even time grid. [degC]
    tau_s : float
        Time constant; 0: the body follows without delay. [s]
    step_s : float
        Step of the time grid. [s]

    Returns
    -------
    ndarray of shape (n,)
        Temperature of the body. [degC]

    Raises
    ------
    JobError
        tau_s is negative.

    Examples
    --------
    On a long ramp the body lags by rate times tau, here 0.02 degC/s times 50 s:

    >>> ramp_c = 0.02 * np.arange(1001.0)
    >>> float(round(ramp_c[-1] - first_order_lag(ramp_c, 50.0, 1.0)[-1], 6))
    1.0
    """
    if tau_s < 0:
        raise JobError(f"simulation: a time constant is {tau_s:g} s; expected 0 s or more")
    if tau_s == 0:
        return input_c.copy()
    keep = math.exp(-step_s / tau_s)
    rise_c = np.diff(input_c) * (tau_s / step_s)
    drive_c = input_c[1:] - rise_c - keep * (input_c[:-1] - rise_c)

    def response_c() -> Iterator[float]:
        return accumulate(drive_c.tolist(), lambda body_c, push_c: keep * body_c + push_c, initial=float(input_c[0]))

    return np.fromiter(response_c(), dtype=np.float64, count=len(input_c))


@dataclass(frozen=True)
class ThermalPath:
    """The path of heat between two places: lags in series; none for no delay.

    Parameters
    ----------
    time_constants_s : tuple of float
        One for each body on the path. [s]

    Examples
    --------
    >>> ThermalPath((120.0, 30.0)).delay_s
    150.0
    """

    time_constants_s: tuple[float, ...] = ()

    @property
    def delay_s(self) -> float:
        """Delay of the far end on a long ramp: the sum of the time constants. [s]"""
        return math.fsum(self.time_constants_s)

    def seen_c(self, input_c: FloatArray, step_s: float) -> FloatArray:
        """Temperature at the far end, of the same shape as the input. [degC]"""
        for tau_s in self.time_constants_s:
            input_c = first_order_lag(input_c, tau_s, step_s)
        return input_c
