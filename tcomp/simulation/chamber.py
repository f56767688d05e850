"""The chamber: a programme of set-points becomes the air that the board stands in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import JobError
from tcomp.simulation.heat_flow import ThermalPath
from tcomp.units import SECONDS_PER_MINUTE

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Leg:
    """A ramp to a temperature, and the soak there. [degC, degC/min, min]"""

    to_c: float
    ramp_c_per_min: float
    soak_min: float = 0.0


@dataclass(frozen=True)
class Programme:
    """Set-points: a soak at the start, then leg after leg.

    Parameters
    ----------
    start_c, soak_min : float
        Where the programme starts, and how long it stays there. [degC, min]
    legs : tuple of Leg
        Ramps with their soaks.

    Examples
    --------
    >>> day = Programme(0.0, 10.0, (Leg(20.0, 2.0, 5.0), Leg(0.0, 1.0)))
    >>> day.duration_s
    2700.0
    >>> day.set_point_c(np.array([0.0, 750.0, 1000.0, 2700.0])).tolist()
    [0.0, 5.0, 13.333333333333334, 0.0]
    """

    start_c: float
    soak_min: float
    legs: tuple[Leg, ...]

    def corners(self) -> tuple[list[float], list[float]]:
        """Times [s] and set-points [degC] between which the programme runs straight.

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
        """From the first soak to the end of the last. [s]"""
        return self.corners()[0][-1]

    def set_point_c(self, time_s: FloatArray) -> FloatArray:
        """Set-point at these times, of the same shape. [degC]"""
        times_s, points_c = self.corners()
        return np.interp(time_s, times_s, points_c)


class Chamber(Protocol):
    """Anything that makes air of a set-point."""

    def air_c(self, set_point_c: FloatArray, step_s: float, random: np.random.RandomState) -> FloatArray:
        """Air temperature on the set-point's time grid, of the same shape. [degC]"""


@dataclass(frozen=True)
class FirstOrderChamber:
    """Air that follows the set-point through one lag, for tests that need a closed form. [s]"""

    tau_s: float

    def air_c(self, set_point_c: FloatArray, step_s: float, random: np.random.RandomState) -> FloatArray:
        """Air temperature on the set-point's time grid, of the same shape. [degC]"""
        return ThermalPath((self.tau_s,)).seen_c(set_point_c, step_s)


@dataclass(frozen=True)
class TwoNodeChamber:
    """Heated wall and air, coupled, and a controller that hunts.

    wall_s dTw/dt = Tset - Tw + back_coupling (Ta - Tw),   air_s dTa/dt = Tw - Ta.

    Parameters
    ----------
    wall_s, air_s : float
        Time constants of the wall against the heater and of the air against the wall. [s]
    back_coupling : float
        Heat conductance wall to air, over that of heater to wall: how much the air holds the wall back.
    ripple_c, ripple_period_s : float
        Amplitude and period of the controller's hunting in the air; its phase is drawn. [degC, s]

    Examples
    --------
    Both nodes end where the set-point stays:

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
        """The two lags in a row that air behind the coupled wall amounts to. [s]

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
