"""The temperature sensors: the keys of [sensor], and a class for each kind, which owns its keys and its conversion.

A new kind is one class with its entry in `KINDS` and `KindName`, and the keys that it adds to `Sensor`.

Examples
--------
A 10 kohm thermistor below a resistor of 10 kohm, read at half scale of 12 bits, has 25 degC:

>>> import numpy as np
>>> thermistor = Sensor("ntc", r25_ohm=10e3, beta_k=3435.0, divider=Divider(10e3, 12, "ground"))
>>> thermistor.temperature_c(np.array([2048.0, 1024.0, 0.0])).round(2).tolist()
[25.0, 56.43, inf]
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, ClassVar, Literal

from tcomp.errors import JobError, RunError
from tcomp.job.keys import Location, key, require_positive, to_toml

if TYPE_CHECKING:  # NumPy is loaded by the first conversion: a job is read and explained without it
    from tcomp.arrays import FloatArray

POSSIBLE_C = (-100.0, 200.0)
"""Temperatures at which a crystal oscillator may be logged; a reading beyond them is not believed. [degC]"""
PLATINUM_A, PLATINUM_B, PLATINUM_C = 3.9083e-3, -5.775e-7, -4.183e-12
"""Coefficients of IEC 60751, in degC^-1, degC^-2 and degC^-4."""
KELVIN_AT_0_C = 273.15
MAX_CODE_BITS = 16
"""Codes that the firmware can look up."""

FAHRENHEIT_KEYS = 'kind = "linear", degc_per_count = 0.5555556, offset_c = -17.77778'
"""degC = 5/9 (degF - 32), as keys of [sensor]."""
KELVIN_KEYS = 'kind = "linear", degc_per_count = 1, offset_c = -273.15'

KindName = Literal["celsius", "pt100", "pt1000", "ntc", "linear"]


@dataclass(frozen=True)
class Divider:
    """A resistive sensor in series with a known resistor, read by a converter that takes the supply as its scale."""

    series_ohm: float
    adc_bits: int
    sensor_to: Literal["ground", "supply"]
    supply_v: float | None = None


@dataclass(frozen=True)
class Sensor:
    """The temperature sensor."""

    kind: KindName = key(
        "what the temperature column holds: celsius: degC; pt100, pt1000: platinum after IEC 60751 [ohm]; ntc: "
        "thermistor [ohm]; linear: anything straight in temperature, also degF or kelvin",
        "celsius",
    )
    resolution_c: float | None = key("its quantum [degC]; found from the data if left out", None)
    rounding: Literal["nearest", "down"] | None = key(
        "celsius, linear: nearest: readings are rounded to a step; down: what is below a step is cut off, and half a step is "
        "added to each reading; needs resolution_c, for linear one count if left out. Left out: nearest, with a remark where "
        "steps are coarse: a log cannot distinguish the two",
        None,
    )
    sigma_c: float | None = key("standard deviation of one reading, without the quantum [degC]", None)
    steinhart_hart: tuple[float, float, float] | None = key(
        "ntc: [a, b, c] of 1/T = a + b ln R + c (ln R)^3, T in kelvin, R in ohm; or give r25_ohm and beta_k", None
    )
    r25_ohm: float | None = key("ntc: resistance at 25 degC [ohm]; with beta_k", None)
    beta_k: float | None = key("ntc: beta of R = r25_ohm exp(beta_k (1/T - 1/298.15 K)) [K]; with r25_ohm", None)
    divider: Divider | None = key(
        "pt100, pt1000, ntc: the column holds ADC codes, code / 2^adc_bits of the supply: { series_ohm = 10000, "
        'adc_bits = 12, sensor_to = "ground" } or "supply": where the sensor\'s other end goes; supply_v [V] is needed for '
        "the self-heating only",
        None,
    )
    degc_per_count: float | None = key("linear: degC for a step of 1 in the column", None)
    offset_c: float = key("linear: degC where the column is 0", 0.0)
    lead_ohm: float = key("pt100, pt1000, ntc: resistance of the leads, subtracted [ohm]", 0.0)
    self_heating_c_per_mw: float = key(
        "pt100, pt1000, ntc: by how much the sensor warms itself, subtracted [degC/mW]; with excitation_ma or divider",
        0.0,
    )
    excitation_ma: float | None = key("the current through the sensor [mA]; with self_heating_c_per_mw", None)

    @property
    def family(self) -> SensorKind:
        """The class of its kind."""
        return KINDS[self.kind]

    @property
    def is_converted(self) -> bool:
        """Whether the column holds something else than degC, by the job's own word."""
        return not isinstance(self.family, Celsius)

    @property
    def standard_uncertainty_c(self) -> float:
        """Standard uncertainty of one reading: its noise, and its quantum q as q / sqrt(12) (JCGM 100:2008, F.2.2.1). [degC]

        >>> round(Sensor(resolution_c=0.12, sigma_c=0.02).standard_uncertainty_c, 4)
        0.04
        """
        return math.hypot((self.resolution_c or 0.0) / math.sqrt(12), self.sigma_c or 0.0)

    @property
    def cut_off_c(self) -> float:
        """By how much a reading is below the temperature on average: half a step of a sensor that cuts off. [degC]

        >>> Sensor(resolution_c=1.0, rounding="down").cut_off_c, Sensor(resolution_c=1.0).cut_off_c
        (0.5, 0.0)
        >>> Sensor("linear", degc_per_count=-0.5, rounding="down").cut_off_c
        -0.25
        """
        if self.rounding != "down":
            return 0.0
        count_c = self.degc_per_count or 1.0
        return math.copysign((self.resolution_c or abs(count_c)) / 2, count_c)

    def temperature_c(self, raw: FloatArray) -> FloatArray:
        """Temperature of the sensor's surroundings.

        Parameters
        ----------
        raw : ndarray of shape (n,)
            What the log holds: degC, ohm, or codes.

        Returns
        -------
        ndarray of shape (n,)
            NaN where the raw value is NaN or infinite; infinite where a resistive sensor cannot have it. [degC]
        """
        import numpy as np

        if np.isinf(raw).any():
            raw = np.where(np.isinf(raw), np.nan, raw)
        return self.family.temperature_c(raw, self)

    @property
    def expected(self) -> str:
        """The raw values that it can have, for a message."""
        return self.family.expected(self)


class SensorKind(ABC):
    """A kind of sensor: the keys that belong to it, what is wrong with them, and what its raw values are."""

    keys: ClassVar[tuple[str, ...]]
    """Keys of [sensor] that only some kinds have."""

    @abstractmethod
    def temperature_c(self, raw: FloatArray, sensor: Sensor) -> FloatArray:
        """Temperature at raw values of shape (n,). [degC]"""

    @abstractmethod
    def expected(self, sensor: Sensor) -> str:
        """The raw values that the sensor can have, for a message."""

    def faults(self, sensor: Sensor) -> Iterator[tuple[str, str]]:
        """A key, and what is wrong with it or with those that go with it, as the end of a sentence."""
        yield from ()

    def code_faults(self, sensor: Sensor) -> Iterator[str]:
        """Why the firmware cannot look up its raw values, as the end of a sentence."""
        yield from ()


class Celsius(SensorKind):
    """A sensor whose values are degC already."""

    keys = ("rounding",)

    def temperature_c(self, raw: FloatArray, sensor: Sensor) -> FloatArray:
        """The values, with half a step added where the sensor cuts off. [degC]"""
        return raw + sensor.cut_off_c

    def expected(self, sensor: Sensor) -> str:
        """The range of temperatures."""
        return f"{POSSIBLE_C[0]:g} to {POSSIBLE_C[1]:g} degC"

    def faults(self, sensor: Sensor) -> Iterator[tuple[str, str]]:
        """Half of which step is to be added must be known."""
        if sensor.rounding == "down" and sensor.resolution_c is None:
            yield (
                "rounding",
                'rounding = "down" needs resolution_c, the step in degC of which half is added to each reading',
            )

    def code_faults(self, sensor: Sensor) -> Iterator[str]:
        """It gives no codes."""
        yield 'needs [sensor] kind = "ntc", "pt100", "pt1000" or "linear", with which codes were logged'


class Linear(SensorKind):
    """A sensor whose values are straight in temperature: counts, degF, kelvin."""

    keys = ("degc_per_count", "offset_c", "rounding")

    def temperature_c(self, raw: FloatArray, sensor: Sensor) -> FloatArray:
        """offset_c + degc_per_count * raw. [degC]"""
        import numpy as np

        return np.asarray(sensor.offset_c + (sensor.degc_per_count or 0.0) * raw + sensor.cut_off_c)

    def expected(self, sensor: Sensor) -> str:
        """The range of temperatures, after the conversion."""
        return f"{POSSIBLE_C[0]:g} to {POSSIBLE_C[1]:g} degC after degc_per_count = {sensor.degc_per_count:g}"

    def faults(self, sensor: Sensor) -> Iterator[tuple[str, str]]:
        """It needs its slope."""
        if not sensor.degc_per_count:
            yield "kind", 'kind = "linear" needs degc_per_count, and it is not 0'


class Resistive(SensorKind):
    """A sensor whose resistance depends on temperature, logged in ohm or as the code of a divider."""

    keys: ClassVar[tuple[str, ...]] = ("divider", "lead_ohm", "self_heating_c_per_mw", "excitation_ma")

    @abstractmethod
    def temperature_of_ohm(self, resistance_ohm: FloatArray, sensor: Sensor) -> FloatArray:
        """Temperature of the sensor from its resistance, of shape (n,). [degC]"""

    @abstractmethod
    def range_ohm(self, sensor: Sensor) -> tuple[float, float]:
        """Its resistance at the ends of `POSSIBLE_C`, the lower first. [ohm]"""

    def temperature_c(self, raw: FloatArray, sensor: Sensor) -> FloatArray:
        """Temperature less the self-heating; infinite outside the sensor's range. [degC]"""
        import numpy as np

        resistance_ohm = _resistance_ohm(raw, sensor)
        low_ohm, high_ohm = self.range_ohm(sensor)
        inside = (resistance_ohm >= low_ohm) & (resistance_ohm <= high_ohm)
        known_ohm = np.where(inside, resistance_ohm, low_ohm)
        warmed_c = sensor.self_heating_c_per_mw * _power_mw(known_ohm, sensor)
        sensor_c = self.temperature_of_ohm(known_ohm, sensor)
        return np.where(inside, sensor_c - warmed_c, np.where(np.isnan(raw), np.nan, np.inf))

    def expected(self, sensor: Sensor) -> str:
        """The range of resistances, or the codes that the divider makes of them."""
        low_ohm, high_ohm = self.range_ohm(sensor)
        ends = f"{low_ohm:.5g} to {high_ohm:.5g} ohm ({sensor.kind}, {POSSIBLE_C[0]:g} to {POSSIBLE_C[1]:g} degC)"
        return f"codes that the divider turns into {ends}" if sensor.divider else ends

    def faults(self, sensor: Sensor) -> Iterator[tuple[str, str]]:
        """Numbers out of range; a self-heating without exactly one current."""
        for name in ("lead_ohm", "self_heating_c_per_mw"):
            if getattr(sensor, name) < 0:
                yield name, f"{name} is negative; expected 0 or more"
        divider = sensor.divider
        if divider is not None:
            for name in ("series_ohm", "supply_v"):
                value = getattr(divider, name)
                if value is not None and value <= 0:
                    yield "divider", f"divider: {name} = {value:g}: expected a number above 0"
            if not 4 <= divider.adc_bits <= 32:
                yield "divider", f"divider: adc_bits = {divider.adc_bits}: expected 4 to 32"
        currents = [sensor.excitation_ma is not None, divider is not None and divider.supply_v is not None]
        if sum(currents) != (1 if sensor.self_heating_c_per_mw else 0) or (divider and currents[0]):
            yield (
                "self_heating_c_per_mw",
                "self_heating_c_per_mw goes with excitation_ma, or with supply_v in the divider: give both or none",
            )

    def code_faults(self, sensor: Sensor) -> Iterator[str]:
        """It needs a divider, with a converter of 16 bits at most."""
        if sensor.divider is None:
            yield "needs [sensor] divider: without it the log holds ohm, and the firmware has no code"
        elif sensor.divider.adc_bits > MAX_CODE_BITS:
            yield (
                f"has codes of {MAX_CODE_BITS} bits at most, and the divider has adc_bits = {sensor.divider.adc_bits}; log the "
                f"upper {MAX_CODE_BITS} bits, as the firmware will look them up"
            )


@dataclass(frozen=True)
class Platinum(Resistive):
    """A platinum sensor after IEC 60751, of this resistance at 0 degC. [ohm]"""

    r0_ohm: float

    def temperature_of_ohm(self, resistance_ohm: FloatArray, sensor: Sensor) -> FloatArray:
        """`platinum_c`."""
        return platinum_c(resistance_ohm, self.r0_ohm)

    def range_ohm(self, sensor: Sensor) -> tuple[float, float]:
        """At both ends; it grows with temperature. [ohm]"""
        import numpy as np

        low_ohm, high_ohm = platinum_ohm(np.array(POSSIBLE_C), self.r0_ohm).tolist()
        return low_ohm, high_ohm


class Thermistor(Resistive):
    """A thermistor (NTC) by the equation of Steinhart and Hart, or by beta, which is that with c = 0."""

    keys = ("steinhart_hart", "r25_ohm", "beta_k", *Resistive.keys)

    def temperature_of_ohm(self, resistance_ohm: FloatArray, sensor: Sensor) -> FloatArray:
        """`thermistor_c`."""
        return thermistor_c(resistance_ohm, *_steinhart_hart(sensor))

    def range_ohm(self, sensor: Sensor) -> tuple[float, float]:
        """At both ends; it falls with temperature. [ohm]"""
        import numpy as np

        cold_ohm, hot_ohm = thermistor_ohm(np.array(POSSIBLE_C), *_steinhart_hart(sensor)).tolist()
        return hot_ohm, cold_ohm

    def faults(self, sensor: Sensor) -> Iterator[tuple[str, str]]:
        """It needs one curve, which gives each resistance one temperature."""
        given = {name for name in ("steinhart_hart", "r25_ohm", "beta_k") if getattr(sensor, name) is not None}
        if given not in ({"steinhart_hart"}, {"r25_ohm", "beta_k"}):
            yield "kind", 'kind = "ntc" needs either steinhart_hart, or r25_ohm and beta_k'
        if sensor.steinhart_hart is not None and not (sensor.steinhart_hart[1] > 0 and sensor.steinhart_hart[2] >= 0):
            yield (
                "steinhart_hart",
                f"steinhart_hart = {to_toml(sensor.steinhart_hart)}: expected b above 0 and c not below 0, or one resistance "
                "would have several temperatures",
            )
        yield from super().faults(sensor)


KINDS: dict[KindName, SensorKind] = {
    "celsius": Celsius(),
    "pt100": Platinum(100.0),
    "pt1000": Platinum(1000.0),
    "ntc": Thermistor(),
    "linear": Linear(),
}


def validate_sensor(sensor: Sensor, location: Location) -> None:
    """Refuse keys that do not belong to the kind, or do not go together.

    Raises
    ------
    JobError
        A key belongs to another kind, is missing, or has a value that no sensor has.
    """
    given = {item.name for item in fields(sensor) if getattr(sensor, item.name) != item.default}
    for name in sorted(given - {"kind", "resolution_c", "sigma_c", *sensor.family.keys}):
        kinds = " or ".join(f'"{kind}"' for kind, family in KINDS.items() if name in family.keys)
        raise JobError(f'{location.of("sensor", name)}: [sensor] {name} goes with kind = {kinds}, not "{sensor.kind}"')
    for name in ("resolution_c", "sigma_c", "r25_ohm", "beta_k", "excitation_ma"):
        require_positive(getattr(sensor, name), f"{location.of('sensor', name)}: [sensor] {name}")
    for name, fault in sensor.family.faults(sensor):
        raise JobError(f"{location.of('sensor', name)}: [sensor] {fault}")


def platinum_ohm(temperature_c: FloatArray, r0_ohm: float) -> FloatArray:
    """Resistance of a platinum sensor: R0 (1 + A t + B t^2), with C (t - 100) t^3 below 0 degC. [ohm]

    References
    ----------
    IEC 60751, the equations of the resistance/temperature relationship.

    Examples
    --------
    >>> import numpy as np
    >>> platinum_ohm(np.array([-200.0, 0.0, 850.0]), 100.0).round(2).tolist()
    [18.52, 100.0, 390.48]
    """
    import numpy as np

    t = temperature_c
    cold = np.where(t < 0, PLATINUM_C * (t - 100.0) * t**3, 0.0)
    return np.asarray(r0_ohm * (1.0 + PLATINUM_A * t + PLATINUM_B * t**2 + cold))


def platinum_c(resistance_ohm: FloatArray, r0_ohm: float) -> FloatArray:
    """Temperature of a platinum sensor, by Newton's method from the parabola's root. [degC]

    The last step is under 1e-9 degC; within the range of IEC 60751 that takes four steps or fewer.

    Examples
    --------
    >>> import numpy as np
    >>> platinum_c(np.array([60.2558, 138.5055]), 100.0).round(3).tolist()
    [-100.0, 100.0]
    """
    import numpy as np

    root = np.sqrt(PLATINUM_A**2 - 4.0 * PLATINUM_B * (1.0 - resistance_ohm / r0_ohm))
    t = np.asarray((root - PLATINUM_A) / (2.0 * PLATINUM_B))
    step = np.ones_like(t)
    while np.max(np.abs(step), initial=0.0) > 1e-9:
        cold = np.where(t < 0, PLATINUM_C * (4.0 * t - 300.0) * t**2, 0.0)
        slope = r0_ohm * (PLATINUM_A + 2.0 * PLATINUM_B * t + cold)
        step = (resistance_ohm - platinum_ohm(t, r0_ohm)) / slope
        t = t + step
    return t


def thermistor_c(resistance_ohm: FloatArray, a: float, b: float, c: float) -> FloatArray:
    """Temperature of a thermistor: 1/T = a + b ln R + c (ln R)^3, T in kelvin, R in ohm. [degC]

    References
    ----------
    I. S. Steinhart and S. R. Hart, "Calibration curves for thermistors", Deep-Sea Research 15 (1968),
    497-503 (citation from memory).

    Examples
    --------
    >>> import numpy as np
    >>> float(thermistor_c(np.array([10e3]), 1.129241e-3, 2.341077e-4, 8.775468e-8).round(2)[0])
    25.0
    """
    import numpy as np

    log_ohm = np.log(resistance_ohm)
    return np.asarray(1.0 / (a + b * log_ohm + c * log_ohm**3) - KELVIN_AT_0_C)


def thermistor_ohm(temperature_c: FloatArray, a: float, b: float, c: float) -> FloatArray:
    """The closed inverse of `thermistor_c`, the one real root of the cubic in ln R (b > 0, c >= 0). [ohm]"""
    import numpy as np

    above = 1.0 / (temperature_c + KELVIN_AT_0_C) - a
    if c == 0:
        return np.asarray(np.exp(above / b))
    half, third = above / (2.0 * c), b / (3.0 * c)
    # One of the two cube roots is a small difference of large numbers; it follows from the product of the two.
    large = np.cbrt(np.abs(half) + np.sqrt(third**3 + half**2))
    return np.asarray(np.exp(np.sign(half) * (large - third / large)))


def _steinhart_hart(sensor: Sensor) -> tuple[float, float, float]:
    import numpy as np

    if sensor.steinhart_hart is not None:
        return sensor.steinhart_hart
    if sensor.r25_ohm is None or sensor.beta_k is None:
        raise RunError('kind = "ntc" needs either steinhart_hart, or r25_ohm and beta_k')
    return 1.0 / (25.0 + KELVIN_AT_0_C) - np.log(sensor.r25_ohm) / sensor.beta_k, 1.0 / sensor.beta_k, 0.0


def _resistance_ohm(raw: FloatArray, sensor: Sensor) -> FloatArray:
    """Resistance of the sensor alone; infinite at the ends of the converter, which mean a break or a short."""
    import numpy as np

    if sensor.divider is None:
        return raw - sensor.lead_ohm
    codes = 2.0**sensor.divider.adc_bits
    within = (raw > 0) & (raw < codes - 1)
    share = np.where(within, raw, 1.0) / codes
    below_over_above = share / (1.0 - share)
    ratio = below_over_above if sensor.divider.sensor_to == "ground" else 1.0 / below_over_above
    return np.where(within, sensor.divider.series_ohm * ratio - sensor.lead_ohm, np.inf)


def _power_mw(resistance_ohm: FloatArray, sensor: Sensor) -> FloatArray:
    import numpy as np

    divider = sensor.divider
    if divider is not None and divider.supply_v is not None:
        current_ma = 1e3 * divider.supply_v / (divider.series_ohm + sensor.lead_ohm + resistance_ohm)
    else:
        current_ma = np.full_like(resistance_ohm, sensor.excitation_ma or 0.0)
    return np.asarray(1e-3 * current_ma**2 * resistance_ohm)
