"""What a code stands for: a temperature in fixed steps, or what the converter at the sensor gives.

`CorrectionTable.scale` is one of two forms of `CodeScale` and the only place that knows what a code means. A
`TemperatureScale` has evenly spaced codes (int16). An `AdcScale` has the raw codes of the sensor's converter (uint16): it
keeps the keys of `[sensor]` that turn codes into degC, asks `job/sensors.py` for the conversion, and gives the range in codes,
falling or rising, and the local size of a count. Curve and design meet at codes alone, so the sensor's curve is absorbed
without a line of its own. `table.json` (schema 3) stores the scale; the C and its proof take the code's type from it.
"""

from __future__ import annotations

import json
import math
import sys
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tcomp.arrays import FloatArray, IntArray
from tcomp.errors import JobError, TableError
from tcomp.job import Sensor, keys_of_sensor, sensor_of_keys

INT16_MIN, INT16_MAX = -(2**15), 2**15 - 1
UINT16_MAX = 2**16 - 1
SLACK = 1e-6
"""Codes by which an end of the range may miss a whole code by round-off alone."""
SLACK_C = 1e-9
"""The same in degC, where codes are not evenly spaced: what the inverse of a sensor is exact to."""


@dataclass(frozen=True)
class TemperatureScale:
    """code = round(counts_per_c * temperature_c), an int16.

    Raises
    ------
    TableError
        ``counts_per_c`` is not a positive number.

    Examples
    --------
    >>> scale = TemperatureScale(100)
    >>> scale.code_of([20.005, -20.005, 999.0])
    array([ 2001, -2001, 32767])
    >>> scale.code_range(-20.01, 59.98)
    (-2001, 5998)
    """

    counts_per_c: float

    def __post_init__(self) -> None:
        if not (np.isfinite(self.counts_per_c) and self.counts_per_c > 0):
            raise TableError(f"counts_per_c is {self.counts_per_c}; expected a positive number of codes per degC")

    @property
    def least_code(self) -> int:
        """Least code that the firmware's type holds."""
        return INT16_MIN

    @property
    def largest_code(self) -> int:
        """Largest code that the firmware's type holds."""
        return INT16_MAX

    @property
    def words(self) -> str:
        """What the code is, for a comment."""
        return f"code = {self.counts_per_c:.10g} * temperature in degC, rounded to the nearest integer."

    def temperature_of(self, code: ArrayLike) -> FloatArray:
        """Temperature that a code stands for. [degC]"""
        return np.asarray(code, dtype=np.float64) / self.counts_per_c

    def degc_per_count(self, code: ArrayLike) -> FloatArray:
        """Size of a count at these codes: everywhere the same. [degC]"""
        return np.full(np.shape(code), 1.0 / self.counts_per_c)

    def code_of(self, temperature_c: ArrayLike) -> IntArray:
        """Code of a temperature: nearest, ties away from zero (as C's lround), held within an int16."""
        counts = self.counts_per_c * np.asarray(temperature_c, dtype=np.float64)
        rounded = np.trunc(counts + np.copysign(0.5, counts))
        return np.clip(rounded, INT16_MIN, INT16_MAX).astype(np.int64)

    def code_range(self, low_c: float, high_c: float) -> tuple[int, int]:
        """First and last code of a temperature range, both inside it.

        Raises
        ------
        TableError
            The range is empty, holds a single code, or leaves an int16.
        """
        _check_range(low_c, high_c)
        low, high = low_c * self.counts_per_c - SLACK, high_c * self.counts_per_c + SLACK
        if high >= INT16_MAX + 1 or low <= INT16_MIN - 1:
            largest = INT16_MAX / max(abs(low_c), abs(high_c))
            digit = 10.0 ** (math.floor(math.log10(largest)) - 3)
            raise TableError(
                f"counts_per_c {self.counts_per_c:g} takes the range {low_c:g} to {high_c:g} degC beyond an int16 "
                f"({INT16_MIN} to {INT16_MAX}); at most {math.floor(largest / digit) * digit:.4g} would fit"
            )
        low_code, high_code = math.ceil(low), math.floor(high)
        if low_code >= high_code:
            raise TableError(
                f"counts_per_c {self.counts_per_c:g} leaves the whole range {low_c:g} to {high_c:g} degC fewer than "
                "two codes; expected finer codes"
            )
        return low_code, high_code

    def to_json_dict(self) -> dict[str, Any]:
        """What ``table.json`` says of it."""
        return {"input": "temperature", "counts_per_c": self.counts_per_c}


@dataclass(frozen=True)
class AdcScale:
    """The code is what the converter at the sensor gives, a uint16; the table absorbs the sensor's own curve.

    Only what turns codes into degC is kept of the sensor, not its steps and noise.

    Raises
    ------
    TableError
        The sensor gives no codes, or more than a uint16 holds.

    Examples
    --------
    A 10 kohm thermistor from the input to ground, a resistor as large above it: half scale is 25 degC, hotter is less.

    >>> from tcomp.job import Divider
    >>> thermistor = Sensor("ntc", r25_ohm=10e3, beta_k=3435.0, divider=Divider(10e3, 12, "ground"))
    >>> scale = AdcScale(thermistor)
    >>> scale.temperature_of([2048, 1024]).round(2).tolist(), scale.code_range(25, 56.43)
    ([25.0, 56.43], (1024, 2048))
    """

    sensor: Sensor

    def __post_init__(self) -> None:
        object.__setattr__(self, "sensor", replace(self.sensor, resolution_c=None, sigma_c=None))
        sensor = self.sensor
        if sensor.kind == "celsius" or (sensor.kind != "linear" and sensor.divider is None):
            raise TableError(f'a sensor of kind "{sensor.kind}" without a converter gives no raw codes to look up')
        if self.bits > 16:
            raise TableError(f"the converter has {self.bits} bits; a uint16 code holds 16 at most")

    @property
    def bits(self) -> int:
        """Width of the converter; 16, which is what the firmware's type holds, where it is not known. [bit]"""
        return self.sensor.divider.adc_bits if self.sensor.divider is not None else 16

    @property
    def least_code(self) -> int:
        """Least code that the firmware's type holds."""
        return 0

    @property
    def largest_code(self) -> int:
        """Largest code that the firmware's type holds."""
        return UINT16_MAX

    @property
    def words(self) -> str:
        """What the code is, for a comment."""
        keys = keys_of_sensor(self.sensor)
        keys_text = ", ".join(f"{name} = {_plain(value)}" for name, value in keys.items())
        return f"code = what the converter at the sensor gives, as it is. Sensor: {keys_text}."

    def temperature_of(self, code: ArrayLike) -> FloatArray:
        """Temperature that a code stands for, between codes too; infinite where the sensor cannot give it. [degC]"""
        codes = np.asarray(code, dtype=np.float64)
        return self.sensor.temperature_c(codes.reshape(-1)).reshape(codes.shape)

    def degc_per_count(self, code: ArrayLike) -> FloatArray:
        """Size of a count at these codes, which the sensor can give. [degC]"""
        codes = np.asarray(code, dtype=np.float64)
        return np.abs(self.temperature_of(codes + 0.5) - self.temperature_of(codes - 0.5))

    def code_of(self, temperature_c: ArrayLike) -> IntArray:
        """Code of a temperature: the nearest that the sensor gives; beyond what it can give, its last one."""
        codes, at_c = self._characteristic()
        upwards = np.argsort(at_c)
        counts = np.interp(np.asarray(temperature_c, dtype=np.float64), at_c[upwards], codes[upwards])
        return np.rint(counts).astype(np.int64)

    def code_range(self, low_c: float, high_c: float) -> tuple[int, int]:
        """First and last code of a temperature range, as far as the sensor reaches, both inside it.

        Raises
        ------
        TableError
            The range is empty, the sensor gives fewer than two codes in it, or one temperature has several codes.
        """
        _check_range(low_c, high_c)
        codes, at_c = self._characteristic()
        inside = (at_c >= low_c - SLACK_C) & (at_c <= high_c + SLACK_C)
        if inside.sum() < 2:
            raise TableError(
                f"the sensor gives fewer than two codes between {low_c:g} and {high_c:g} degC; expected a divider and a "
                "converter that reach that range"
            )
        low_code, high_code = (int(code) for code in codes[inside][[0, -1]])
        steps = np.diff(at_c[(codes >= low_code) & (codes <= high_code)])
        if not (np.all(steps > 0) or np.all(steps < 0)):
            raise TableError(
                f"the sensor's codes turn back between {low_c:g} and {high_c:g} degC, so that one of them stands for "
                "several temperatures; check [sensor], its self-heating first"
            )
        return low_code, high_code

    def _characteristic(self) -> tuple[IntArray, FloatArray]:
        """Codes that the sensor can give with half a count to either side, and their temperatures. [degC]"""
        codes = np.arange(2**self.bits, dtype=np.int64)
        halves = np.arange(-1, 2 * len(codes), 1) / 2.0
        known = np.isfinite(self.temperature_of(halves))
        can = known[0:-2:2] & known[1:-1:2] & known[2::2]
        return codes[can], self.temperature_of(codes[can])

    def to_json_dict(self) -> dict[str, Any]:
        """What ``table.json`` says of it: the keys of [sensor] that are not left out."""
        return {"input": "adc", "sensor": keys_of_sensor(self.sensor)}


CodeScale = TemperatureScale | AdcScale


def scale_of_json(content: object) -> CodeScale:
    """Read a scale from what ``to_json_dict`` gave.

    Raises
    ------
    TableError
        It is neither form, or a value of it means nothing.
    """
    if isinstance(content, dict) and content.keys() == {"input", "counts_per_c"} and content["input"] == "temperature":
        counts = content["counts_per_c"]
        if isinstance(counts, bool) or not isinstance(counts, int | float) or not abs(counts) <= sys.float_info.max:
            raise TableError(f"counts_per_c is {counts!r}; expected a number")
        return TemperatureScale(float(counts))
    if isinstance(content, dict) and content.keys() == {"input", "sensor"} and content["input"] == "adc":
        try:
            return AdcScale(sensor_of_keys(content["sensor"]))
        except JobError as error:
            raise TableError(str(error)) from error
    raise TableError(
        f'scale is {content!r}; expected "input": "temperature" with "counts_per_c", or "input": "adc" with "sensor"'
    )


def _check_range(low_c: float, high_c: float) -> None:
    if not (np.isfinite([low_c, high_c]).all() and low_c < high_c):
        raise TableError(f"the range is {low_c} to {high_c} degC; expected two numbers, the lower first")


def _plain(value: Any) -> str:
    """A value as a comment shows it: JSON, but a word without its quotation marks."""
    return value if isinstance(value, str) else json.dumps(value).replace('"', "")
