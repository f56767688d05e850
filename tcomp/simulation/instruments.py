"""The instruments: a temperature sensor with lag, error, noise and steps, and a frequency counter."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import JobError
from tcomp.simulation.chamber import ThermalPath

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class SimulatedSensor:
    """A sensor of the temperature of the board.

    Parameters
    ----------
    path : ThermalPath
        From the board to the sensor.
    offset_c : float
        Constant error. [degC]
    noise_c : float
        Standard deviation of a reading, before rounding. [degC]
    quantum_c : float
        Step of the readings; 0 for none. [degC]

    Examples
    --------
    >>> sensor = SimulatedSensor(quantum_c=0.0625)
    >>> sensor.reads_c(np.array([20.03, 20.04]), np.random.RandomState(1)).tolist()
    [20.0, 20.0625]
    """

    path: ThermalPath = field(default_factory=ThermalPath)
    offset_c: float = 0.0
    noise_c: float = 0.0
    quantum_c: float = 0.0

    def reads_c(self, own_c: FloatArray, random: np.random.RandomState) -> FloatArray:
        """Readings of a sensor at these temperatures, of the same shape. [degC]"""
        reading_c = own_c + self.offset_c + self.noise_c * random.standard_normal(len(own_c))
        if self.quantum_c == 0:
            return reading_c
        return np.round(reading_c / self.quantum_c) * self.quantum_c


BoolArray = NDArray[np.bool_]


def gate_mean(values: FloatArray, ends: NDArray[np.int_], gate_steps: int) -> FloatArray:
    """Mean of a grid of values over each gate, by trapezoids.

    Parameters
    ----------
    values : ndarray of shape (n,)
        Values on an even grid.
    ends : ndarray of shape (m,)
        Grid index at which each gate closes, gate_steps or more.
    gate_steps : int
        Steps of the grid in a gate.

    Returns
    -------
    ndarray of shape (m,)
        In the unit of the values.

    Examples
    --------
    >>> gate_mean(np.arange(11.0), np.array([5, 10]), 5).tolist()
    [2.5, 7.5]
    """
    area = np.concatenate([[0.0], np.cumsum((values[1:] + values[:-1]) / 2.0)])
    means: FloatArray = (area[ends] - area[ends - gate_steps]) / gate_steps
    return means


def flicker(count: int, floor: float, random: np.random.RandomState) -> FloatArray:
    """Flicker frequency noise: spectrum h / f, Allan deviation flat at the floor.

    The floor and the spectrum go together by floor**2 = 2 ln(2) h (conversion for flicker
    frequency noise, IEEE Std 1139 and NIST SP 1065; from memory, checked in the tests).

    Parameters
    ----------
    count : int
        Number of readings.
    floor : float
        Allan deviation of the flat part, in any unit.
    random : RandomState
        Source of the noise.

    Returns
    -------
    ndarray of shape (count,)
        In the unit of the floor.

    Examples
    --------
    >>> flicker(4, 1.0, np.random.RandomState(1)).shape
    (4,)
    """
    # Twice the length, of which half is dropped: noise made by the transform is periodic, that of a counter is not.
    length = 2 * count
    cycles = np.fft.rfftfreq(length)[1:]
    level = floor**2 / (2.0 * math.log(2.0))
    size = np.sqrt(level / cycles * length / 4.0)
    lines = size * (random.standard_normal(len(cycles)) + 1j * random.standard_normal(len(cycles)))
    return np.fft.irfft(np.concatenate([[0.0], lines]), length)[:count]


@dataclass(frozen=True)
class SimulatedCounter:
    """A frequency counter that shows an oscillator of a given offset.

    Parameters
    ----------
    input_hz : float
        Frequency at the input: the oscillator's nominal one, or the trusted one. [Hz]
    role : "oscillator" or "timebase"
        oscillator: the oscillator is the input, the counter runs on the trusted reference and
        shows input_hz (1 + y).  timebase: the counter runs on the oscillator, whose fast seconds
        are short, and shows input_hz / (1 + y).
    gate_s : float
        Time over which a reading is averaged; it closes at the time stamp. [s]
    white_ppb, flicker_ppb, random_walk_ppb : float
        Standard deviation of a reading; Allan deviation of the flicker floor; standard deviation
        of the step from one reading to the next. [ppb]
    resolution_hz : float
        Step of the display; 0 for none. [Hz]
    glitch_share : float
        Share of readings that are gross errors.
    glitch_ppb : tuple of two floats
        Smallest and largest gross error, log-uniform between, of either sign. [ppb]

    Examples
    --------
    A 10 MHz timebase that is 1 ppm fast shows a true 10 MHz as too low:

    >>> quiet = np.random.RandomState(1)
    >>> SimulatedCounter(10e6, "timebase", resolution_hz=1e-5).shown_hz(np.array([1000.0]), quiet)[0].tolist()
    [9999990.00001]
    """

    input_hz: float
    role: Literal["oscillator", "timebase"] = "oscillator"
    gate_s: float = 10.0
    white_ppb: float = 0.0
    flicker_ppb: float = 0.0
    random_walk_ppb: float = 0.0
    resolution_hz: float = 0.0
    glitch_share: float = 0.0
    glitch_ppb: tuple[float, float] = (200.0, 50_000.0)

    def noise_ppb(self, count: int, random: np.random.RandomState) -> FloatArray:
        """Noise of consecutive readings, shape (count,). [ppb]"""
        white_ppb = self.white_ppb * random.standard_normal(count)
        walk_ppb = self.random_walk_ppb * np.cumsum(random.standard_normal(count))
        return white_ppb + walk_ppb + flicker(count, self.flicker_ppb, random)

    def gross_errors_ppb(self, count: int, random: np.random.RandomState) -> FloatArray:
        """Gross errors of the readings, 0 for most, shape (count,). [ppb]"""
        struck = random.uniform(size=count) < self.glitch_share
        smallest, largest = np.log(self.glitch_ppb)
        size_ppb = np.exp(random.uniform(smallest, largest, count))
        return np.where(struck, np.where(random.uniform(size=count) < 0.5, -size_ppb, size_ppb), 0.0)

    def shown_hz(self, offset_ppb: FloatArray, random: np.random.RandomState) -> tuple[FloatArray, BoolArray]:
        """Readings for the oscillator's mean offset over each gate.

        Parameters
        ----------
        offset_ppb : ndarray of shape (n,)
            Offset of the oscillator. [ppb]
        random : RandomState
            Source of noise and gross errors.

        Returns
        -------
        shown_hz : ndarray of shape (n,)
            Readings of the display. [Hz]
        glitched : ndarray of bool of shape (n,)
            Which readings are gross errors.

        Raises
        ------
        JobError
            The role is neither of the two.
        """
        if self.role not in ("oscillator", "timebase"):
            raise JobError(f"simulation: the counter's role is {self.role!r}; expected 'oscillator' or 'timebase'")
        count = len(offset_ppb)
        gross_ppb = self.gross_errors_ppb(count, random)
        ratio = 1.0 + (offset_ppb + self.noise_ppb(count, random) + gross_ppb) * 1e-9
        shown_hz = self.input_hz * ratio if self.role == "oscillator" else self.input_hz / ratio
        if self.resolution_hz > 0:
            shown_hz = np.round(shown_hz / self.resolution_hz) * self.resolution_hz
        return shown_hz, gross_ppb != 0.0
