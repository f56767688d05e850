"""The [sensor] section: which keys go together, and each sentence about what is wrong."""

from __future__ import annotations

import pytest

from tcomp.errors import JobError
from tcomp.job import Divider, read_job_text

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
