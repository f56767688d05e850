"""Codes and temperatures: fixed steps, and raw codes of sensors held against published tables."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tables import changed, design_table

from tcomp.errors import TableError
from tcomp.job import Divider, Sensor
from tcomp.tables import AdcScale
from tcomp.tables.code_scale import TemperatureScale, scale_of_json

DATA = Path(__file__).parent / "data" / "sensors"
PUBLISHED = json.loads((DATA / "ntc.json").read_text())["steinhart_hart"]
SH = (PUBLISHED["A"], PUBLISHED["B"], PUBLISHED["C"])
FALLING = AdcScale(Sensor("ntc", steinhart_hart=SH, divider=Divider(10e3, 12, "ground")))
RISING = AdcScale(Sensor("ntc", steinhart_hart=SH, divider=Divider(10e3, 12, "supply")))
PLATINUM = AdcScale(Sensor("pt1000", divider=Divider(1000.0, 16, "ground")))
STRAIGHT = AdcScale(Sensor("linear", degc_per_count=-0.05, offset_c=100.0))
SCALES = {"thermistor to ground": FALLING, "thermistor to supply": RISING, "platinum": PLATINUM, "linear": STRAIGHT}
each_scale = pytest.mark.parametrize("scale", SCALES.values(), ids=SCALES)


def test_raw_codes_of_a_thermistor_have_the_temperatures_of_the_published_example() -> None:
    # Kaw, Kalu and Nguyen (tests/data/sensors): printed to 1 mohm, at a slope of 20 ohm/degC or more.
    temperature_c = np.array([float(t) for t in PUBLISHED["resistance_ohm_at_c"]])
    resistance_ohm = np.array(list(PUBLISHED["resistance_ohm_at_c"].values()))
    # Ohm's law: the converter sees R / (R + 10 kohm) of its own scale, or the rest of it.
    codes = 4096 * resistance_ohm / (resistance_ohm + 10e3)
    np.testing.assert_allclose(FALLING.temperature_of(codes), temperature_c, rtol=0, atol=0.0005 / 20)
    np.testing.assert_allclose(RISING.temperature_of(4096 - codes), temperature_c, rtol=0, atol=0.0005 / 20)
    # A whole code lies within half a count of it.
    assert FALLING.code_of(temperature_c).tolist() == np.rint(codes).tolist()
    assert RISING.code_of(temperature_c).tolist() == np.rint(4096 - codes).tolist()


def test_raw_codes_of_platinum_have_the_temperatures_of_the_printed_table() -> None:
    # IEC 60751 as printed to two decimals for 100 ohm: half a digit is 0.005 ohm, at 0.29 ohm/degC or more there.
    with (DATA / "pt100.csv").open() as file:
        rows = [(float(row["t_degC"]), 10 * float(row["R_table_ohm"])) for row in csv.DictReader(file)]
    temperature_c, ohm = np.array([row for row in rows if -90.0 <= row[0] <= 190.0]).T
    codes = 65536 * ohm / (ohm + 1000.0)
    np.testing.assert_allclose(PLATINUM.temperature_of(codes), temperature_c, rtol=0, atol=0.0051 / 0.29)


@each_scale
def test_every_code_that_a_sensor_can_give_comes_back(scale: AdcScale) -> None:
    low, high = scale.code_range(-40.0, 85.0)
    codes = np.arange(low, high + 1)
    assert np.array_equal(scale.code_of(scale.temperature_of(codes)), codes)


@each_scale
def test_the_range_in_codes_is_the_widest_inside_the_range_in_degc(scale: AdcScale) -> None:
    low, high = scale.code_range(-20.0, 60.0)
    at_c = scale.temperature_of(np.arange(low - 1, high + 2))
    inside = (at_c >= -20.0 - 1e-9) & (at_c <= 60.0 + 1e-9)
    assert inside[1:-1].all()
    assert not inside[[0, -1]].any()


@each_scale
def test_a_count_is_as_large_as_the_way_to_its_neighbours(scale: AdcScale) -> None:
    low, high = scale.code_range(-20.0, 60.0)
    codes = np.arange(low, high + 1)
    # Central differences over two counts, half of them: second order, so a thousandth at these steps.
    expected = np.abs(scale.temperature_of(codes + 1) - scale.temperature_of(codes - 1)) / 2
    np.testing.assert_allclose(scale.degc_per_count(codes), expected, rtol=1e-3)


def test_beyond_what_a_sensor_can_give_the_last_code_is_taken() -> None:
    # The sensor is believed up to 200 degC: the published equation, solved by bisection apart from this program, gives
    # 65.167 ohm there, code 26.52, so that 28 is the first code with its lower half inside. At the cold end -100 degC
    # would be code 4095.2; 4095 tells of an open lead, so 4094 is the last.
    assert FALLING.code_of([-300.0, 900.0]).tolist() == [4094, 28]
    assert np.isfinite(FALLING.temperature_of([4094.4, 26.6])).all()
    assert np.isinf(FALLING.temperature_of([26.5])).all()
    assert np.isinf(FALLING.temperature_of([0, 4095, 4096, 65535])).all()


def test_a_table_of_raw_codes_holds_its_ends_where_the_sensor_cannot_reach() -> None:
    table = design_table(
        lambda t: -35.0 * (t - 25.0) ** 2, low_c=-20, high_c=60, scale=FALLING, interpolation="linear", align="auto",
        step_log2=6, entry_bits=16,
    )  # fmt: skip
    assert table.lookup([0, 65535]).tolist() == table.lookup([table.low_code, table.high_code]).tolist()
    assert table.in_range([0, table.low_code, table.high_code, 4095, 65535]).tolist() == [0, 1, 1, 0, 0]
    # Hot is a low code where the sensor goes to ground.
    assert table.temperature_of([table.low_code, table.high_code]) == pytest.approx([60.0, -20.0], abs=0.05)
    truth_ppb = -35.0 * (table.temperature_of(table.codes) - 25.0) ** 2
    assert np.abs(table.offset_ppt(table.codes) / 1000 - truth_ppb).max() == pytest.approx(table.max_error_ppb)


@pytest.mark.parametrize("low_high_code", [(27, 2000), (28, 4095), (0, 65535)])
def test_a_table_over_codes_that_the_sensor_cannot_give_is_refused(low_high_code: tuple[int, int]) -> None:
    table = design_table(
        lambda t: t, low_c=-20, high_c=60, scale=FALLING, interpolation="nearest", align="range", step_log2=15,
        entry_bits=16,
    )  # fmt: skip
    whole = changed(table, first_code=8192, step_log2=15, entries=(1, 2, 3), low_code=28, high_code=4094)
    with pytest.raises(TableError, match=r"the sensor cannot give all codes from .* expected a range that it can"):
        changed(whole, low_code=low_high_code[0], high_code=low_high_code[1])


@pytest.mark.parametrize("scale", [TemperatureScale(51.2), *SCALES.values()])
def test_a_scale_reads_back_equal(scale: Any) -> None:
    assert scale_of_json(json.loads(json.dumps(scale.to_json_dict()))) == scale


def test_steps_and_noise_of_a_sensor_are_not_kept() -> None:
    assert AdcScale(Sensor("linear", resolution_c=0.1, sigma_c=0.2, degc_per_count=0.1)) == AdcScale(
        Sensor("linear", degc_per_count=0.1)
    )


@pytest.mark.parametrize(
    ("sensor", "sentence"),
    [
        (Sensor(), 'a sensor of kind "celsius" without a converter gives no raw codes'),
        (Sensor("pt100"), 'kind "pt100" without a converter'),
        (Sensor("pt100", divider=Divider(100.0, 18, "ground")), "18 bits; a uint16 code holds 16 at most"),
    ],
)
def test_a_sensor_without_raw_codes_is_refused(sensor: Sensor, sentence: str) -> None:
    with pytest.raises(TableError, match=sentence):
        AdcScale(sensor)


HOT = Sensor(
    "ntc", steinhart_hart=SH, divider=Divider(10e3, 12, "ground", supply_v=30.0), self_heating_c_per_mw=8.0
)  # fmt: skip


@pytest.mark.parametrize(
    ("scale", "low_high_c", "sentence"),
    [
        (TemperatureScale(10), (60, -20), "the range is 60 to -20 degC"),
        (FALLING, (60, -20), "the range is 60 to -20 degC"),
        (FALLING, (25.0, 25.001), "fewer than two codes between 25 and 25.001 degC; expected a divider"),
        (AdcScale(HOT), (-100, 100), "codes turn back between .* check .sensor., its self-heating first"),
    ],
)
def test_a_range_that_the_sensor_cannot_serve_is_refused(scale: Any, low_high_c: Any, sentence: str) -> None:
    with pytest.raises(TableError, match=sentence):
        scale.code_range(*low_high_c)


@pytest.mark.parametrize("counts", [0.0, -1.0, float("nan"), float("inf")])
def test_counts_that_are_none_are_refused(counts: float) -> None:
    with pytest.raises(TableError, match=r"counts_per_c is .*; expected a positive number"):
        TemperatureScale(counts)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (None, "scale is None; expected"),
        ({"input": "adc"}, "scale is {'input': 'adc'}; expected"),
        ({"input": "adc", "sensor": {"kind": "ntc"}}, r"\[sensor\] kind = .ntc. needs either steinhart_hart"),
        ({"input": "adc", "sensor": {"knd": "ntc"}}, r"\[sensor\] has no key 'knd'; the nearest is 'kind'"),
        ({"input": "adc", "sensor": {}}, "without a converter gives no raw codes"),
    ],
)
def test_a_damaged_scale_is_refused(content: object, sentence: str) -> None:
    with pytest.raises(TableError, match=sentence):
        scale_of_json(content)
