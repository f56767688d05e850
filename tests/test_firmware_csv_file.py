"""The CSV reads back as the same table, and by an ordinary CSV reader."""

from __future__ import annotations

import csv
import math

import pytest
from firmware_files import read_csv_text
from tables import changed, step_table

from tcomp.errors import FirmwareError
from tcomp.firmware.exporter import Stamp
from tcomp.firmware.exporters.csv import csv_text
from tcomp.job import Divider, Sensor
from tcomp.tables.code_scale import AdcScale, TemperatureScale
from tcomp.tables.layout import CorrectionTable

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("table", 2.5),), "-5 to 2.5 degC")
TABLE = step_table(
    scale=TemperatureScale(51.2),
    low_code=-500,
    high_code=250,
    first_code=-512,
    step_log2=8,
    entry_bits=16,
    unit_log2_ppt=3,
    interpolation="linear",
    entries=(-32768, 20, 1000, 32767),
    max_error_ppb=0.1 + 0.2,
    rms_error_ppb=1.0 / 3.0,
)


# An invented thermistor of 10 kohm below a resistor as large, read with 12 bits: half scale is 25 degC.
THERMISTOR = Sensor("ntc", r25_ohm=10e3, beta_k=3435.0, divider=Divider(10e3, 12, "ground"))
RAW = changed(TABLE, scale=AdcScale(THERMISTOR), low_code=1024, high_code=4000, first_code=1024, step_log2=10)


@pytest.mark.parametrize("table", [TABLE, changed(TABLE, interpolation="nearest", entry_bits=32), RAW])
def test_the_text_reads_back_as_the_same_table(table: CorrectionTable) -> None:
    assert read_csv_text(csv_text(table, "gauge07", STAMP)) == table


def test_an_ordinary_reader_sees_codes_temperatures_entries_and_offsets() -> None:
    lines = [line for line in csv_text(TABLE, "gauge07", STAMP).splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    # Arithmetic: -512 codes / 51.2 per degC = -10 degC; -32 768 units of 8 ppt = -262.144 ppb.
    assert rows[0] == {"code": "-512", "temperature_c": "-10.000000", "entry": "-32768", "offset_ppb": "-262.144"}
    assert [float(row["offset_ppb"]) * 1000 for row in rows] == pytest.approx([8 * entry for entry in TABLE.entries])


def test_a_knot_that_the_sensor_cannot_give_has_no_temperature() -> None:
    lines = csv_text(RAW, "gauge07", STAMP).splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert [row["code"] for row in rows] == ["1024", "2048", "3072", "4096"]
    # Ratios to 10 kohm of 1/3, 1 and 3, by the beta formula; code 4096 is an open sensor.
    by_hand_c = [1 / (1 / 298.15 + math.log(ratio) / 3435) - 273.15 for ratio in (1 / 3, 1, 3)]
    assert [row["temperature_c"] for row in rows] == [*(f"{t:.6f}" for t in by_hand_c), ""]
    assert any(line.startswith('# sensor: {"kind": "ntc"') for line in lines)


def test_comments_state_unit_step_and_crc() -> None:
    text = csv_text(TABLE, "gauge07", STAMP)
    for line in ("# step_log2: 8", "# unit_log2_ppt: 3", f"# crc32: 0x{TABLE.crc32:08X}", "# interpolation: linear"):
        assert line in text.splitlines()


def test_a_hostile_name_stays_in_its_line() -> None:
    text = csv_text(TABLE, "gauge07", changed(STAMP, oscillator="x\n1,2,3,4\n# crc32: 0x0"))
    assert read_csv_text(text) == TABLE
    assert text.count("\n") == csv_text(TABLE, "gauge07", STAMP).count("\n")


@pytest.mark.parametrize(
    ("right", "wrong", "sentence"),
    [
        (",20,", ",21,", "do not agree with its comments"),
        ("-256,", "-255,", "do not agree with its comments"),
        ("code,temperature_c", "code;temperature_c", "the CSV has no header"),
        ("# step_log2: 8", "# step: 8", "cannot be read back .*missing or unknown are step, step_log2"),
        ("32767,", "many,", "cannot be read back"),
        ("# counts_per_c: 51.2", "# counts_per_c: -1", "cannot be read back .counts_per_c is -1.0"),
    ],
)
def test_a_changed_file_is_refused(right: str, wrong: str, sentence: str) -> None:
    text = csv_text(TABLE, "gauge07", STAMP)
    assert right in text
    with pytest.raises(FirmwareError, match=sentence):
        read_csv_text(text.replace(right, wrong, 1))


def test_a_symbol_that_will_not_do_is_refused() -> None:
    with pytest.raises(FirmwareError, match="begins with a digit"):
        csv_text(TABLE, "07", STAMP)
