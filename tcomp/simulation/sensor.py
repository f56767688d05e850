"""The temperature sensor: late, a little wrong, a little noisy, and in steps."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tcomp.simulation.heat_flow import ThermalPath

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Sensor:
    """What the log says of the board's temperature.

    Parameters
    ----------
    path : ThermalPath
        What stands between the board and the sensor.
    offset_c : float
        Constant error. [degC]
    noise_c : float
        Standard deviation of a reading, before rounding. [degC]
    quantum_c : float
        Step of the readings; 0 for none. [degC]

    Examples
    --------
    >>> sensor = Sensor(quantum_c=0.0625)
    >>> sensor.reads_c(np.array([20.03, 20.04]), np.random.RandomState(1)).tolist()
    [20.0, 20.0625]
    """

    path: ThermalPath = field(default_factory=ThermalPath)
    offset_c: float = 0.0
    noise_c: float = 0.0
    quantum_c: float = 0.0

    def reads_c(self, own_c: FloatArray, random: np.random.RandomState) -> FloatArray:
        """Readings of a sensor that has itself these temperatures, of the same shape. [degC]"""
        reading_c = own_c + self.offset_c + self.noise_c * random.standard_normal(len(own_c))
        if self.quantum_c == 0:
            return reading_c
        return np.round(reading_c / self.quantum_c) * self.quantum_c
