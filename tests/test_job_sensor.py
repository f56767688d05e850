"""The [sensor] section: which keys go together, and each sentence about what is wrong."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from tcomp.arrays import FloatArray
from tcomp.errors import JobError
from tcomp.job import Divider, Sensor, read_job_text
from tcomp.job.keys import Location
from tcomp.job.sensors import KINDS, KindName, SensorKind, validate_sensor

SOUND = (
    '[oscillator]\nname = "x"\n[[run]]\nfile = "a.csv"\ntemperature = 1\noffset = 2\noffset_unit = "ppb"\n[sensor]\n'
)


def test_a_thermistor_behind_a_divider_is_read() -> None:
    sensor = read_job_text(
        SOUND + 'kind = "ntc"\nr25_ohm = 10_000\nbeta_k = 3435\nsigma_c = 0.01\n'
        'divider = { series_ohm = 10_000, adc_bits = 12, sensor_to = "ground" }\n'
    ).sensor
    assert sensor.divider == Divider(10_000.0, 12, "ground")
    assert (sensor.r25_ohm, sensor.sigma_c) == (10_000.0, 0.01)


WRONG = {
    "an unknown kind": ('kind = "pt500"', r'job.toml:9: \[sensor\] kind = "pt500": expected "celsius" or "pt100"'),
    "a key of another kind": (
        'kind = "pt100"\nbeta_k = 3435', r'job.toml:10: \[sensor\] beta_k goes with kind = "ntc", not "pt100"'
    ),
    "leads of a thermometer": ("lead_ohm = 2", r'lead_ohm goes with kind = "pt100" or "pt1000" or "ntc", not "celsius"'),
    "a thermistor of nothing": ('kind = "ntc"', "needs either steinhart_hart, or r25_ohm and beta_k"),
    "half of beta": ('kind = "ntc"\nr25_ohm = 10000', "needs either steinhart_hart, or r25_ohm and beta_k"),
    "both": (
        'kind = "ntc"\nsteinhart_hart = [1e-3, 2e-4, 1e-7]\nr25_ohm = 10000\nbeta_k = 3435', "needs either steinhart_hart, or"
    ),
    "two coefficients": ('kind = "ntc"\nsteinhart_hart = [1e-3, 2e-4]', "expected a list of 3 numbers"),
    "coefficients in another order": (
        'kind = "ntc"\nsteinhart_hart = [1e-3, 2e-4, -1e-7]', r"job.toml:10: .*expected b above 0 and c not below 0"
    ),
    "no scale": ('kind = "linear"', "needs degc_per_count, and it is not 0"),
    "a negative lead": ('kind = "pt100"\nlead_ohm = -1', "lead_ohm is negative; expected 0 or more"),
    "half of an unknown step": (
        'rounding = "down"', r'job.toml:9: \[sensor\] rounding = "down" needs resolution_c, the step in'
    ),
    "a word for rounding that is none": ('rounding = "up"', r'rounding = "up": expected "nearest" or "down"'),
    "rounding of a resistance": (
        'kind = "pt100"\nrounding = "down"', r'rounding goes with kind = "celsius" or "linear", not "pt100"'
    ),
    "noise of nothing": ("sigma_c = 0", r"\[sensor\] sigma_c = 0: expected a number above 0"),
    "a divider that lacks something": (
        'kind = "pt100"\ndivider = { series_ohm = 100 }',
        r"job.toml:10: .* expected an inline table { series_ohm = \.\.\., adc_bits = \.\.\., sensor_to = \.\.\. }",
    ),
    "a divider that goes nowhere": (
        'kind = "pt100"\ndivider = { series_ohm = 100, adc_bits = 12, sensor_to = "air" }',
        'expected sensor_to to be "ground" or "supply"',
    ),
    "a divider of words": (
        'kind = "pt100"\ndivider = { series_ohm = "big", adc_bits = 12, sensor_to = "ground" }', "series_ohm to be a number"
    ),
    "a divider without resistor": (
        'kind = "pt100"\ndivider = { series_ohm = 0, adc_bits = 12, sensor_to = "ground" }',
        "series_ohm = 0: expected a number above 0",
    ),
    "a converter of two bits": (
        'kind = "pt100"\ndivider = { series_ohm = 100, adc_bits = 2, sensor_to = "ground" }', "adc_bits = 2: expected 4 to 32"
    ),
    "self-heating without current": ('kind = "pt100"\nself_heating_c_per_mw = 0.4', r"goes with excitation_ma, or with supply_v"),
    "a current without self-heating": ('kind = "pt100"\nexcitation_ma = 1', "give both or none"),
    "two currents": (
        'kind = "pt100"\nself_heating_c_per_mw = 0.4\nexcitation_ma = 1\n'
        'divider = { series_ohm = 100, adc_bits = 12, sensor_to = "ground", supply_v = 3.3 }',
        "give both or none",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("keys", "message"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_is_said_with_its_line(keys: str, message: str) -> None:
    with pytest.raises(JobError, match=message):
        read_job_text(SOUND + keys + "\n")


def test_every_kind_has_a_class_and_every_key_a_kind() -> None:
    assert set(KINDS) == set(get_args(KindName))
    owned = {name for family in KINDS.values() for name in family.keys}
    assert owned | {"kind", "resolution_c", "sigma_c"} == {item.name for item in fields(Sensor)}


class Squared(SensorKind):
    """An invented kind: the temperature is the square of the value."""

    keys = ("offset_c",)

    def temperature_c(self, raw: FloatArray, sensor: Sensor) -> FloatArray:
        return raw**2 + sensor.offset_c

    def expected(self, sensor: Sensor) -> str:
        return "0 to 14"

    def faults(self, sensor: Sensor) -> Iterator[tuple[str, str]]:
        if sensor.offset_c > 100:
            yield "offset_c", "offset_c is above 100; expected less"


def test_a_new_kind_is_one_class(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(KINDS, "ntc", Squared())  # in place of another: names of kinds are typed
    location = Location(Path("job.toml"), "[sensor]\noffset_c = 101\n")
    assert Sensor("ntc", offset_c=1.0).temperature_c(np.array([3.0, np.inf])).tolist()[0] == 10.0
    validate_sensor(Sensor("ntc", offset_c=1.0), location)
    with pytest.raises(JobError, match=r"job.toml:2: \[sensor\] offset_c is above 100; expected less"):
        validate_sensor(Sensor("ntc", offset_c=101.0), location)
    with pytest.raises(JobError, match=r'beta_k goes with kind = , not "ntc"'):
        validate_sensor(Sensor("ntc", beta_k=3435.0), location)


def test_steps_and_noise_make_the_uncertainty_of_a_reading() -> None:
    # A rectangular distribution of width q has q / sqrt(12) (JCGM 100:2008, F.2.2.1): 0.12 / 3.4641 = 0.03464.
    assert Sensor(resolution_c=0.12).standard_uncertainty_c == pytest.approx(0.034641, abs=1e-6)
    assert Sensor(resolution_c=0.12, sigma_c=0.02).standard_uncertainty_c == pytest.approx(0.04, abs=1e-9)
    assert Sensor().standard_uncertainty_c == 0.0
