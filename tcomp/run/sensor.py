"""The temperature column in degC, whatever the sensor puts into it.

Examples
--------
A 10 kohm thermistor below a resistor of 10 kohm, read at half scale of 12 bits, has 25 degC:

>>> from tcomp.job import Divider
>>> thermistor = Sensor("ntc", r25_ohm=10e3, beta_k=3435.0, divider=Divider(10e3, 12, "ground"))
>>> sensed_c(np.array([2048.0, 1024.0, 0.0]), thermistor).round(2).tolist()
[25.0, 56.43, inf]
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import RunError
from tcomp.job import Column, RunLog, Sensor
from tcomp.run.columns import LogColumns
from tcomp.run.dialect import column_label

Floats = NDArray[np.float64]

POSSIBLE_C = (-100.0, 200.0)
"""Temperatures at which a crystal oscillator may be logged; what a sensor says beyond them is not believed. [degC]"""

PLATINUM_A, PLATINUM_B, PLATINUM_C = 3.9083e-3, -5.775e-7, -4.183e-12
"""Coefficients of IEC 60751, in degC^-1, degC^-2 and degC^-4."""
PLATINUM_OHM = {"pt100": 100.0, "pt1000": 1000.0}
"""Resistance at 0 degC. [ohm]"""

KELVIN_AT_0_C = 273.15

FAHRENHEIT_NAME = re.compile(r"(_f|deg_?f|°f|fahrenheit)\W*$|[(\[]f[)\]]$", re.IGNORECASE)
"""How the name of a column in degF ends."""
FAHRENHEIT_MEDIAN = (60.0, 110.0)
FAHRENHEIT_SPAN = 110.0
"""A run about such a middle and over so wide a span would pass 115 degC or more in degC: rather degF
(-20 to 60 degC are -4 to 140 degF; common practice, no source)."""
HOTTEST_C = 125.0
"""What parts for the road are made for; about such a middle it is rather degF (common practice, no source). [degC]"""
ROOM_F = (45.0, 95.0)
"""All of a run within this never comes near a room's temperature in degC, and never leaves it far in degF (7 to 35 degC)."""


def temperature_c_of(columns: LogColumns, log: RunLog, sensor: Sensor) -> Floats:
    """The log's temperature column as degC; infinite where its raw value is none that the sensor can have.

    Raises
    ------
    RunError
        More than half of the values are outside the sensor's range: it is another kind of sensor.
    """
    raw = np.asarray(columns.values[log.temperature], dtype=np.float64)
    temperature_c = sensed_c(raw, sensor)
    impossible = (temperature_c < POSSIBLE_C[0]) | (temperature_c > POSSIBLE_C[1])
    given = int(np.sum(~np.isnan(raw)))
    if 2 * int(impossible.sum()) > given:
        first = int(np.argmax(impossible))
        raise RunError(
            f"{columns.place(first)}: {column_label(log.temperature)} holds {raw[first]:.6g}; expected "
            f"{_expected(sensor)}; {int(impossible.sum())} of {given} values are not so: {_advice(raw, sensor)}"
        )
    return temperature_c


def sensed_c(raw: Floats, sensor: Sensor) -> Floats:
    """Temperature of the sensor's surroundings.

    Parameters
    ----------
    raw : ndarray of shape (n,)
        What the log holds: degC, ohm, or codes, as `sensor` says.
    sensor : Sensor
        The [sensor] section of a job.

    Returns
    -------
    ndarray of shape (n,)
        NaN where the raw value is; infinite where a resistive sensor cannot have it. [degC]
    """
    if np.isinf(raw).any():
        raw = np.where(np.isinf(raw), np.nan, raw)
    if sensor.kind == "celsius":
        return raw
    if sensor.kind == "linear":
        return np.asarray(sensor.offset_c + (sensor.degc_per_count or 0.0) * raw)
    resistance_ohm = _resistance_ohm(raw, sensor)
    low_ohm, high_ohm = sensor_range_ohm(sensor)
    inside = (resistance_ohm >= low_ohm) & (resistance_ohm <= high_ohm)
    known_ohm = np.where(inside, resistance_ohm, low_ohm)
    if sensor.kind == "ntc":
        sensor_c = thermistor_c(known_ohm, *_steinhart_hart(sensor))
    else:
        sensor_c = platinum_c(known_ohm, PLATINUM_OHM[sensor.kind])
    warmed_c = sensor.self_heating_c_per_mw * _power_mw(known_ohm, sensor)
    return np.where(inside, sensor_c - warmed_c, np.where(np.isnan(raw), np.nan, np.inf))


def platinum_ohm(temperature_c: Floats, r0_ohm: float) -> Floats:
    """Resistance of a platinum sensor: R0 (1 + A t + B t^2), with C (t - 100) t^3 below 0 degC. [ohm]

    References
    ----------
    IEC 60751, the equations of the resistance/temperature relationship.

    Examples
    --------
    >>> platinum_ohm(np.array([-200.0, 0.0, 850.0]), 100.0).round(2).tolist()
    [18.52, 100.0, 390.48]
    """
    t = temperature_c
    cold = np.where(t < 0, PLATINUM_C * (t - 100.0) * t**3, 0.0)
    return np.asarray(r0_ohm * (1.0 + PLATINUM_A * t + PLATINUM_B * t**2 + cold))


def platinum_c(resistance_ohm: Floats, r0_ohm: float) -> Floats:
    """Temperature of a platinum sensor, by Newton's method from the parabola's root. [degC]

    Steps are under 1e-9 degC at the end; within IEC 60751's range that takes four or fewer.

    Examples
    --------
    >>> platinum_c(np.array([60.2558, 138.5055]), 100.0).round(3).tolist()
    [-100.0, 100.0]
    """
    root = np.sqrt(PLATINUM_A**2 - 4.0 * PLATINUM_B * (1.0 - resistance_ohm / r0_ohm))
    t = np.asarray((root - PLATINUM_A) / (2.0 * PLATINUM_B))
    step = np.ones_like(t)
    while np.max(np.abs(step), initial=0.0) > 1e-9:
        cold = np.where(t < 0, PLATINUM_C * (4.0 * t - 300.0) * t**2, 0.0)
        slope = r0_ohm * (PLATINUM_A + 2.0 * PLATINUM_B * t + cold)
        step = (resistance_ohm - platinum_ohm(t, r0_ohm)) / slope
        t = t + step
    return t


def thermistor_c(resistance_ohm: Floats, a: float, b: float, c: float) -> Floats:
    """Temperature of a thermistor: 1/T = a + b ln R + c (ln R)^3, T in kelvin, R in ohm. [degC]

    References
    ----------
    I. S. Steinhart and S. R. Hart, "Calibration curves for thermistors", Deep-Sea Research 15 (1968),
    497-503 (citation from memory).

    Examples
    --------
    >>> float(thermistor_c(np.array([10e3]), 1.129241e-3, 2.341077e-4, 8.775468e-8).round(2)[0])
    25.0
    """
    log_ohm = np.log(resistance_ohm)
    return np.asarray(1.0 / (a + b * log_ohm + c * log_ohm**3) - KELVIN_AT_0_C)


def thermistor_ohm(temperature_c: Floats, a: float, b: float, c: float) -> Floats:
    """The closed inverse of `thermistor_c`, the one real root of the cubic in ln R (b > 0, c >= 0). [ohm]"""
    above = 1.0 / (temperature_c + KELVIN_AT_0_C) - a
    if c == 0:
        return np.asarray(np.exp(above / b))
    half, third = above / (2.0 * c), b / (3.0 * c)
    # One of the two cube roots is a small difference of large numbers; their product is known instead.
    large = np.cbrt(np.abs(half) + np.sqrt(third**3 + half**2))
    return np.asarray(np.exp(np.sign(half) * (large - third / large)))


def sensor_range_ohm(sensor: Sensor) -> tuple[float, float]:
    """The resistance of a resistive sensor at the ends of POSSIBLE_C, the lowest first. [ohm]"""
    if sensor.kind == "ntc":
        cold_ohm, hot_ohm = thermistor_ohm(np.array(POSSIBLE_C), *_steinhart_hart(sensor)).tolist()
        return hot_ohm, cold_ohm
    low_ohm, high_ohm = platinum_ohm(np.array(POSSIBLE_C), PLATINUM_OHM[sensor.kind]).tolist()
    return low_ohm, high_ohm


def fahrenheit_remark(temperature_c: Floats, sensor: Sensor, column: Column) -> tuple[str, ...]:
    """A sentence if what is called degC looks like degF, by its values or its name; nothing is changed for it."""
    finite = temperature_c[np.isfinite(temperature_c)]
    if sensor.kind != "celsius" or not finite.size:
        return ()
    low, median, high = np.percentile(finite, [1, 50, 99])  # single wild values do not count
    about = FAHRENHEIT_MEDIAN[0] <= median <= FAHRENHEIT_MEDIAN[1]
    hot = about and (high - low > FAHRENHEIT_SPAN or high > HOTTEST_C)
    looks = f"{low:.4g} to {high:.4g} look" if hot or ROOM_F[0] <= low <= high <= ROOM_F[1] else ""
    if isinstance(column, str) and FAHRENHEIT_NAME.search(column):
        looks = f"{column_label(column)} sounds"
    if not looks:
        return ()
    return (
        f"Temperatures are taken as degC, but {looks} like degF; if they are, say "
        'kind = "linear", degc_per_count = 0.5555556, offset_c = -17.77778 in [sensor].',
    )


def _resistance_ohm(raw: Floats, sensor: Sensor) -> Floats:
    """Resistance of the sensor alone; infinite at the converter's ends, which tell of a break or a short."""
    if sensor.divider is None:
        return raw - sensor.lead_ohm
    codes = 2.0**sensor.divider.adc_bits
    held = (raw > 0) & (raw < codes - 1)
    share = np.where(held, raw, 1.0) / codes
    below_over_above = share / (1.0 - share)
    ratio = below_over_above if sensor.divider.sensor_to == "ground" else 1.0 / below_over_above
    return np.where(held, sensor.divider.series_ohm * ratio - sensor.lead_ohm, np.inf)


def _power_mw(resistance_ohm: Floats, sensor: Sensor) -> Floats:
    divider = sensor.divider
    if divider is not None and divider.supply_v is not None:
        current_ma = 1e3 * divider.supply_v / (divider.series_ohm + sensor.lead_ohm + resistance_ohm)
    else:
        current_ma = np.full_like(resistance_ohm, sensor.excitation_ma or 0.0)
    return np.asarray(1e-3 * current_ma**2 * resistance_ohm)


def _steinhart_hart(sensor: Sensor) -> tuple[float, float, float]:
    if sensor.steinhart_hart is not None:
        return sensor.steinhart_hart
    if sensor.r25_ohm is None or sensor.beta_k is None:
        raise RunError('kind = "ntc" needs either steinhart_hart, or r25_ohm and beta_k')
    return 1.0 / (25.0 + KELVIN_AT_0_C) - np.log(sensor.r25_ohm) / sensor.beta_k, 1.0 / sensor.beta_k, 0.0


def _expected(sensor: Sensor) -> str:
    if sensor.kind in ("celsius", "linear"):
        scaled = "" if sensor.kind == "celsius" else f" after degc_per_count = {sensor.degc_per_count:g}"
        return f"{POSSIBLE_C[0]:g} to {POSSIBLE_C[1]:g} degC{scaled}"
    low_ohm, high_ohm = sensor_range_ohm(sensor)
    ends = f"{low_ohm:.5g} to {high_ohm:.5g} ohm ({sensor.kind}, {POSSIBLE_C[0]:g} to {POSSIBLE_C[1]:g} degC)"
    return f"codes that the divider turns into {ends}" if sensor.divider else ends


def _advice(raw: Floats, sensor: Sensor) -> str:
    finite = raw[np.isfinite(raw)]
    if sensor.kind != "celsius":
        return "check [sensor] and the column"
    if 250.0 <= np.median(finite) <= 330.0 and finite.min() > 200.0:
        return 'they look like kelvin; if they are, say kind = "linear", degc_per_count = 1, offset_c = -273.15 in [sensor]'
    return "if they are ohm or counts, say so with kind in [sensor]; if they stand for a missing value, add it to `missing`"
