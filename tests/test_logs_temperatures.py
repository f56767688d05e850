"""The sensors against published tables, and what is said of the wrong kind."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from tcomp.errors import RunError
from tcomp.job import Divider, Oscillator, RunLog, Sensor, read_job_text
from tcomp.job.sensors import (
    PLATINUM_A,
    PLATINUM_B,
    PLATINUM_C,
    platinum_c,
    platinum_ohm,
    thermistor_c,
    thermistor_ohm,
)
from tcomp.logs import prepare_runs, read_run
from tcomp.logs.temperatures import FAHRENHEIT_NAME, SET_POINT_NAME

DATA = Path(__file__).parent / "data" / "sensors"
MORE = json.loads((DATA / "pt100_more.json").read_text())
THERMISTOR = json.loads((DATA / "ntc.json").read_text())["steinhart_hart"]
SH = (THERMISTOR["A"], THERMISTOR["B"], THERMISTOR["C"])


def table(name: str, first: str, second: str) -> tuple[np.ndarray, np.ndarray]:
    with (DATA / name).open() as file:
        rows = list(csv.DictReader(file))
    return np.array([float(row[first]) for row in rows]), np.array([float(row[second]) for row in rows])


def more(name: str) -> tuple[np.ndarray, np.ndarray]:
    return np.array([float(t) for t in MORE[name]]), np.array(list(MORE[name].values()))


def test_the_coefficients_are_those_of_the_standard() -> None:
    standard = json.loads((DATA / "iec60751.json").read_text())
    assert [float(standard[name]) for name in "ABC"] == [PLATINUM_A, PLATINUM_B, PLATINUM_C]


@pytest.mark.parametrize(
    ("columns", "r0_ohm", "printed_ohm"),
    [
        # Tables are rounded: half of the last digit, and a hair for the tie at -190 degC (tests/data/sensors).
        (table("pt100.csv", "t_degC", "R_table_ohm"), 100.0, 0.005),
        (more("pt100_ohm"), 100.0, 0.0006),
        (more("pt1000_ohm"), 1000.0, 0.05),
    ],
    ids=["pt100", "pt100 below 0 degC", "pt1000"],
)
def test_platinum_agrees_with_the_printed_tables(
    columns: tuple[np.ndarray, np.ndarray], r0_ohm: float, printed_ohm: float
) -> None:
    temperature_c, resistance_ohm = columns
    np.testing.assert_allclose(platinum_ohm(temperature_c, r0_ohm), resistance_ohm, rtol=0, atol=printed_ohm * 1.0001)
    # The slope of platinum is 0.29 % of R0 per degC or more up to 850 degC.
    np.testing.assert_allclose(
        platinum_c(resistance_ohm, r0_ohm), temperature_c, rtol=0, atol=printed_ohm / (0.0029 * r0_ohm)
    )


def test_the_inverse_of_platinum_is_exact_on_both_branches() -> None:
    temperature_c = np.linspace(-200.0, 850.0, 2101)
    np.testing.assert_allclose(platinum_c(platinum_ohm(temperature_c, 100.0), 100.0), temperature_c, rtol=0, atol=1e-9)


def test_the_parabola_alone_would_be_wrong_below_zero_as_published() -> None:
    # A planted fault: without the cubic term the inverse is off by what the collection states, so the test would see it.
    for t, error_c in MORE["quadratic_used_below_zero_error_c"].items():
        r = float(platinum_ohm(np.array([float(t)]), 1.0)[0])
        root = (-PLATINUM_A + np.sqrt(PLATINUM_A**2 - 4 * PLATINUM_B * (1 - r))) / (2 * PLATINUM_B)
        assert root - float(t) == pytest.approx(error_c, abs=1e-5)
        assert platinum_c(np.array([r]), 1.0)[0] == pytest.approx(float(t), abs=1e-9)


def test_thermistors_agree_with_the_worked_examples() -> None:
    temperature_c = np.array([float(t) for t in THERMISTOR["resistance_ohm_at_c"]])
    resistance_ohm = np.array(list(THERMISTOR["resistance_ohm_at_c"].values()))
    # Printed to 1 mohm, at a slope of 20 ohm/degC or more.
    np.testing.assert_allclose(thermistor_c(resistance_ohm, *SH), temperature_c, rtol=0, atol=0.0005 / 20)
    np.testing.assert_allclose(thermistor_ohm(temperature_c, *SH), resistance_ohm, rtol=0, atol=0.00051)
    other = json.loads((DATA / "thermistor_sh.json").read_text())
    coefficients = [float(other[name]) for name in "abc"]
    t, r = table("thermistor_sh.csv", "t_degC", "R_ohm")
    np.testing.assert_allclose(thermistor_c(r, *coefficients), t, rtol=0, atol=1e-9)
    np.testing.assert_allclose(thermistor_ohm(t, *coefficients), r, rtol=1e-11)


def test_three_coefficients_describe_a_printed_table_but_for_its_misprint() -> None:
    # Residuals of a fit to the 32 good points: 0.19 degC at most, the misprint at 90 degC -2.8 degC (ntc.json).
    t, r = table("ntc_10k_table.csv", "temperature_c", "resistance_kohm")
    good, log = t != 90.0, np.log(1e3 * r)
    terms = np.column_stack([np.ones_like(log), log, log**3])
    a, b, c = np.linalg.lstsq(terms[good], 1.0 / (t[good] + 273.15), rcond=None)[0]
    left_c = Sensor("ntc", steinhart_hart=(a, b, c)).temperature_c(1e3 * r) - t
    assert np.abs(left_c[good]).max() == pytest.approx(0.19, abs=0.01)
    assert left_c[~good] == pytest.approx([-2.8], abs=0.05)


def test_beta_is_exact_at_the_temperatures_that_it_is_of() -> None:
    # The same table: beta is 3435 K between 25 and 85 degC, rounded to 1 K (1 K of beta is 0.02 degC there).
    sensor = Sensor("ntc", r25_ohm=10e3, beta_k=3435.0)
    np.testing.assert_allclose(sensor.temperature_c(np.array([10e3, 1451.0])), [25.0, 85.0], rtol=0, atol=0.02)


def test_a_divider_gives_the_same_temperature_whichever_way_round() -> None:
    codes = np.array([400.0, 1000.0, 2048.0, 3500.0])
    ground = Sensor("ntc", steinhart_hart=SH, divider=Divider(10e3, 12, "ground"))
    supply = Sensor("ntc", steinhart_hart=SH, divider=Divider(10e3, 12, "supply"))
    np.testing.assert_allclose(ground.temperature_c(codes), supply.temperature_c(4096 - codes), rtol=0, atol=1e-10)
    # Half scale: the sensor equals the resistor, by Ohm's law.
    assert ground.temperature_c(np.array([2048.0]))[0] == pytest.approx(
        thermistor_c(np.array([10e3]), *SH)[0], abs=1e-12
    )
    # Hotter is less ohm is a lower code where the sensor goes to ground.
    assert np.all(np.diff(ground.temperature_c(codes)) < 0)


def test_a_divider_serves_platinum_too() -> None:
    sensor = Sensor("pt1000", divider=Divider(1000.0, 24, "ground"))
    code = 2**24 * 1385.055 / 2385.055  # 1385.055 ohm at 100 degC (IEC 60751)
    assert sensor.temperature_c(np.array([code]))[0] == pytest.approx(100.0, abs=1e-6)


def test_the_ends_of_the_converter_are_out_of_range() -> None:
    sensor = Sensor("ntc", steinhart_hart=SH, divider=Divider(10e3, 12, "ground"))
    found = sensor.temperature_c(np.array([0.0, 4095.0, 4096.0, np.nan, 2000.0]))
    assert np.isinf(found).tolist() == [True, True, True, False, False]
    assert np.isnan(found).tolist() == [False, False, False, True, False]


def test_leads_and_self_heating_are_taken_off() -> None:
    # 1 mA through 138.5055 ohm (100 degC) are 0.1385055 mW; at 0.4 degC/mW the sensor is 0.0554022 degC too warm.
    sensor = Sensor("pt100", lead_ohm=2.0, self_heating_c_per_mw=0.4, excitation_ma=1.0)
    assert sensor.temperature_c(np.array([140.5055]))[0] == pytest.approx(100.0 - 0.0554022, abs=1e-7)
    # 3.3 V over 10 kohm and 10 kohm leave 1.65 V across the sensor, 0.27225 mW; at 2 degC/mW 0.5445 degC.
    sensor = Sensor(
        "ntc", r25_ohm=10e3, beta_k=3435.0, divider=Divider(10e3, 12, "ground", 3.3), self_heating_c_per_mw=2.0
    )
    assert sensor.temperature_c(np.array([2048.0]))[0] == pytest.approx(25.0 - 0.5445, abs=1e-9)


def test_linear_serves_kelvin_and_fahrenheit() -> None:
    kelvin = Sensor("linear", degc_per_count=1.0, offset_c=-273.15)
    fahrenheit = Sensor("linear", degc_per_count=0.5555556, offset_c=-17.77778)
    assert kelvin.temperature_c(np.array([273.15]))[0] == pytest.approx(0.0, abs=1e-12)
    # 212 degF are 100 degC by definition; the seven digits of the hint leave 1e-5.
    assert fahrenheit.temperature_c(np.array([32.0, 212.0])) == pytest.approx([0.0, 100.0], abs=2e-5)


def log_of(tmp_path: Path, values: np.ndarray) -> RunLog:
    """A log with these values in its temperature column; invented."""
    rows = [f"{10 * i},{value:.6g},{3 + 0.1 * np.sin(i):.5f}" for i, value in enumerate(values)]
    (tmp_path / "log.csv").write_text("t,raw,y\n" + "\n".join(rows) + "\n")
    return RunLog(tmp_path / "log.csv", "raw", time="t", offset="y", offset_unit="ppb")


UP_C = np.linspace(-20.0, 60.0, 200)
PT100, NTC = Sensor("pt100"), Sensor("ntc", steinhart_hart=SH)
WRONG = {
    "a 1000 ohm sensor called pt100": (
        platinum_ohm(UP_C, 1000.0), PT100,
        r"log.csv:2: column 'raw' holds 921.599; expected 60.256 to 175.86 ohm \(pt100, -100 to 200 degC\); 200 of 200 values",
    ),
    "a 100 ohm sensor called pt1000": (platinum_ohm(UP_C, 100.0), Sensor("pt1000"), "expected 602.56 to 1758.6 ohm"),
    "kilohms": (
        thermistor_ohm(UP_C, *SH) / 1e3, NTC, r"log.csv:20: .* holds 64.3581; expected .* ohm \(ntc, -100 to 200 degC\); 182 of 200"
    ),
    "ohms called celsius": (
        thermistor_ohm(UP_C, *SH), Sensor(), r"expected -100 to 200 degC;.*if they are ohm or counts, give their kind"
    ),
    "ohms called codes": (
        platinum_ohm(UP_C, 100.0) * 1e3, Sensor("pt100", divider=Divider(100.0, 12, "ground")), "codes that the divider turns into"
    ),
    "a wrong scale": (UP_C * 16, Sensor("linear", degc_per_count=1.0), r"after degc_per_count = 1"),
    "kelvin": (UP_C + 273.15, Sensor(), r'look like kelvin.*kind = "linear", degc_per_count = 1, offset_c = -273.15'),
}  # fmt: skip


@pytest.mark.parametrize(("raw", "sensor", "message"), WRONG.values(), ids=WRONG)
def test_the_wrong_kind_of_sensor_is_said_with_line_and_range(
    raw: np.ndarray, sensor: Sensor, message: str, tmp_path: Path
) -> None:
    with pytest.raises(RunError, match=message):
        read_run(log_of(tmp_path, raw), Oscillator("any"), sensor)


def test_the_message_names_the_first_line_that_is_out_of_range(tmp_path: Path) -> None:
    raw = platinum_ohm(UP_C, 100.0)
    raw[50:] = 1e6
    with pytest.raises(RunError, match=r"log.csv:52: .*150 of 200 values"):
        read_run(log_of(tmp_path, raw), Oscillator("any"), PT100)


@pytest.mark.parametrize("sensor", [PT100, NTC], ids=["pt100", "ntc"])
def test_single_bad_rows_are_dropped_and_counted(sensor: Sensor, tmp_path: Path) -> None:
    raw = platinum_ohm(UP_C, 100.0) if sensor is PT100 else thermistor_ohm(UP_C, *SH)
    raw[[20, 90]] = [0.0, 9.9e37]  # a short and an open lead
    log_of(tmp_path, raw)
    keys = 'kind = "pt100"' if sensor is PT100 else f'kind = "ntc"\nsteinhart_hart = {list(SH)}'
    job = read_job_text(
        '[oscillator]\nname = "x"\n[[run]]\nfile = "log.csv"\ntime = "t"\ntemperature = "raw"\noffset = "y"\n'
        f'offset_unit = "ppb"\n[sensor]\n{keys}\n',
        tmp_path / "job.toml",
    )
    (prepared,) = prepare_runs(job)
    assert prepared.run.dropped_counts == {"sensor out of range": 2}
    assert np.flatnonzero(prepared.run.frame["dropped"] != "").tolist() == [20, 90]
    # The log holds six digits of ohm: 0.5 mohm of 100 ohm are 1.3 mdegC, 0.5 ohm of 97 kohm less.
    np.testing.assert_allclose(prepared.run.kept["temperature_c"], np.delete(UP_C, [20, 90]), rtol=0, atol=1.5e-3)


def test_fahrenheit_is_said_and_nothing_changed(tmp_path: Path) -> None:
    run = read_run(log_of(tmp_path, UP_C * 1.8 + 32.0), Oscillator("any"), Sensor())
    assert any("look like degF" in said for said in run.warnings)
    assert run.frame["temperature_c"].iloc[-1] == 140.0
    # The same run in degC, and a room that really is as warm as that, are not suspected.
    for celsius in (UP_C, np.linspace(40.0, 100.0, 200)):
        run = read_run(log_of(tmp_path, celsius), Oscillator("any"), Sensor())
        assert not any("degF" in said for said in run.warnings)


@pytest.mark.parametrize("column", ["temp_f", "T_degF", "Temp (°F)", "board [F]", "fahrenheit"])
def test_a_column_that_is_named_in_fahrenheit_is_said_whatever_it_holds(tmp_path: Path, column: str) -> None:
    log_of(tmp_path, UP_C)
    text = (tmp_path / "log.csv").read_text().replace("raw", column, 1)
    (tmp_path / "log.csv").write_text(text)
    log = RunLog(tmp_path / "log.csv", column, time="t", offset="y", offset_unit="ppb")
    run = read_run(log, Oscillator("any"), Sensor())
    assert any(f"column '{column}' sounds like degF" in said for said in run.warnings)
    np.testing.assert_allclose(run.frame["temperature_c"], UP_C, atol=1e-4)
    # Who says how the column is to be read is not asked.
    stated = read_run(log, Oscillator("any"), Sensor("linear", degc_per_count=0.5555556, offset_c=-17.77778))
    assert not any("degF" in said for said in stated.warnings)


@pytest.mark.parametrize("range_c", [(10.0, 35.0), (10.0, 54.0)])
def test_a_narrow_run_in_fahrenheit_is_said(tmp_path: Path, range_c: tuple[float, float]) -> None:
    # A room's temperatures, 50 to 95 degF; and up to 129 degF, which in degC no part is made for.
    run = read_run(log_of(tmp_path, np.linspace(*range_c, 200) * 1.8 + 32.0), Oscillator("any"), Sensor())
    assert any("look like degF" in said for said in run.warnings)


def test_names_that_only_end_in_f_are_not_fahrenheit() -> None:
    for column in ("ref", "temp_ref", "tuf", "raw"):
        assert FAHRENHEIT_NAME.search(column) is None


def test_a_sensor_that_never_moves_is_said(tmp_path: Path) -> None:
    log_of(tmp_path, np.full(200, 109.7))
    text = (
        '[oscillator]\nname = "x"\n[[run]]\nfile = "log.csv"\ntime = "t"\ntemperature = "raw"\noffset = "y"\n'
        'offset_unit = "ppb"\n[sensor]\nkind = "pt100"\n'
    )
    with pytest.raises(RunError, match=r"all 200 kept samples have the temperature 24\.9.* degC.*read for each sample"):
        prepare_runs(read_job_text(text, tmp_path / "job.toml"))


def test_phase_intervals_average_degrees_not_ohms(tmp_path: Path) -> None:
    ohm = thermistor_ohm(np.array([0.0, 50.0, 0.0]), *SH)
    rows = "".join(f"{10 * i},{r:.6f},{1e-8 * i:.3e}\n" for i, r in enumerate(ohm))
    (tmp_path / "log.csv").write_text("t,raw,x\n" + rows)
    log = RunLog(tmp_path / "log.csv", "raw", time="t", phase="x")
    assert read_run(log, Oscillator("any"), NTC).frame["temperature_c"].tolist() == pytest.approx(
        [25.0, 25.0], abs=1e-6
    )


def test_names_of_set_points_are_told_from_others() -> None:
    assert all(map(SET_POINT_NAME.search, ("set_temp_c", "setpoint", "Set point (°C)", "sp_c", "target_c", "T_set")))
    assert not any(
        map(SET_POINT_NAME.search, ("temp_offset", "offset_temp_c", "dataset_c", "inset", "spare_c", "board_c"))
    )


def test_half_a_step_is_added_to_what_is_cut_off() -> None:
    # By hand: a reading of 20 in steps of 1 degC stands for 20 to 21; a count of -0.5 degC for what is below it.
    assert Sensor(resolution_c=1.0, rounding="down").temperature_c(np.array([20.0])).tolist() == [20.5]
    assert Sensor(resolution_c=1.0, rounding="nearest").temperature_c(np.array([20.0])).tolist() == [20.0]
    down = Sensor("linear", degc_per_count=-0.5, offset_c=100.0, rounding="down")
    assert down.temperature_c(np.array([40.0])).tolist() == [79.75]
