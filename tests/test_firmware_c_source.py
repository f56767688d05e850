"""The generated text: what its comments claim, what it leaves out, and that nobody breaks out of it."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from tables import changed, even_table, polynomial_table_of, segment_table, step_table

from tcomp.errors import FirmwareError
from tcomp.firmware.corrections import true_frequency, true_interval, tuning_word
from tcomp.firmware.exporter import Stamp
from tcomp.firmware.exporters.c99 import c_source
from tcomp.job import Divider, Sensor
from tcomp.proof.expected import AVR_HEADER, avr_stub
from tcomp.tables.code_scale import AdcScale, TemperatureScale
from tcomp.tables.layout import CorrectionTable
from tcomp.tables.layouts.polynomial import Polynomial

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("curve", 3.25), ("sensor, 0.0625 degC", 12.0)), "ramps to 1 degC/min")
TABLE = step_table(
    scale=TemperatureScale(100),
    low_code=-500,
    high_code=250,
    first_code=-512,
    step_log2=8,
    entry_bits=16,
    unit_log2_ppt=3,
    interpolation="linear",
    entries=(-300, 20, 1000, 7),
    max_error_ppb=2.5,
    rms_error_ppb=1.0,
)
# An invented thermistor of 10 kohm below a resistor as large, read with 12 bits: half scale is 25 degC.
THERMISTOR = Sensor("ntc", r25_ohm=10e3, beta_k=3435.0, divider=Divider(10e3, 12, "ground"))
RAW = changed(TABLE, scale=AdcScale(THERMISTOR), low_code=1024, high_code=2048, first_code=1024, step_log2=9)
WIDE = changed(TABLE, entry_bits=32, entries=(-(2**28), 0, 2**28 - 1, -1))
COMMON: dict[str, Any] = {"scale": TABLE.scale, "unit_log2_ppt": 3, "max_error_ppb": 2.5, "rms_error_ppb": 1.0}
EVEN = even_table(
    low_code=-500, high_code=250, first_code=-512, codes_to_index_q16=222, interpolation="linear", entry_bits=8,
    entries=(-128, 127, -128, 127), polynomial=Polynomial(0, 6, (8191, -1234, -16384)), **COMMON,
)  # fmt: skip
POLYNOMIAL = polynomial_table_of(
    low_code=-500, high_code=250, middle_code=-125, shift=6, entry_bits=16, entries=(1000, -2000, 3000), **COMMON
)
TABLES = {
    "linear 16": TABLE,
    "linear 32": WIDE,
    "nearest": changed(TABLE, interpolation="nearest"),
    "one entry": changed(TABLE, interpolation="nearest", step_log2=15, entries=(5,)),
    "raw codes": RAW,
    "even on a polynomial": EVEN,
    "even, quadratic": changed(
        EVEN, interpolation="quadratic", entry_bits=16, polynomial=None, entries=(-300, 20, 1000, 7, 8)
    ),
    "segments": segment_table(
        low_code=-500, high_code=250, starts=(-512, -256, 0), step_log2s=(8, 6, 8), entry_bits=16,
        entries=(32767, -32768, 32767, -5, 6, -32768, -7), **COMMON,
    ),
    "segments with a knot at every code": segment_table(
        low_code=-500, high_code=-200, starts=(-512, -256, -251), step_log2s=(8, 0, 6), entry_bits=16,
        entries=(5, -6, 7, -8, 9, 1, 2, 3), **COMMON,
    ),
    "polynomial": POLYNOMIAL,
    "polynomial, 32 bits": changed(POLYNOMIAL, entry_bits=32),
}  # fmt: skip
ALL = ("frequency", "interval", "tuning-word")
HOSTILE = "*/ #error broken ??/\n*/ int x; /* \\"


def plain(text: str) -> str:
    """A comment as running text."""
    return re.sub(r"\s*\n \*\s*", " ", text)


def test_three_files_are_named_after_the_symbol() -> None:
    assert list(c_source(TABLE, "gauge07", stamp=STAMP)) == ["gauge07.h", "gauge07.c", "gauge07_selftest.c"]


@pytest.mark.parametrize("table", TABLES.values(), ids=TABLES)
def test_the_text_is_ascii_has_no_placeholder_left_and_no_long_comment(table: CorrectionTable) -> None:
    for text in c_source(table, "gauge07", stamp=STAMP).values():
        assert text.isascii()
        assert "$" not in text
        assert "\t" not in text
        assert not any(line.rstrip() != line for line in text.split("\n"))
        assert max(map(len, text.split("\n"))) <= 110
        assert text.endswith("\n")


def test_the_same_arguments_give_the_same_bytes() -> None:
    assert c_source(TABLE, "gauge07", stamp=STAMP) == c_source(TABLE, "gauge07", stamp=STAMP)
    turned = c_source(TABLE, "gauge07", corrections=ALL[::-1], stamp=STAMP)
    assert turned == c_source(TABLE, "gauge07", corrections=ALL, stamp=STAMP)


def test_the_header_works_its_example_in_numbers_of_the_table() -> None:
    header = plain(c_source(TABLE, "gauge07", stamp=STAMP)["gauge07.h"])
    code, offset_ppt = -125, int(TABLE.offset_ppt(-125))
    assert (
        f"At -1.25 degC the code is {code}. gauge07_lookup({code}) is {int(TABLE.lookup(code))}, in units of 8 ppt"
        in header
    )
    assert (
        f"gauge07_offset_ppt({code}) is {offset_ppt}. So y = {offset_ppt / 1000:.3f} ppb: the oscillator is fast"
        in header
    )
    assert f"shows 10000000000 mHz is fed {true_frequency(10**10, offset_ppt)} mHz" in header
    assert f"shows as 1000000000 ns lasted {true_interval(10**9, offset_ppt)} ns" in header
    assert f"word 1000000000, give it {tuning_word(10**9, offset_ppt)}:" in header


def test_a_slow_oscillator_is_called_slow() -> None:
    slow = changed(TABLE, entries=(-300, -20, -1000, -7))
    assert "the oscillator is slow" in plain(c_source(slow, "gauge07", stamp=STAMP)["gauge07.h"])
    level = changed(TABLE, entries=(0, 0, 0, 0))
    assert "the oscillator is right" in plain(c_source(level, "gauge07", stamp=STAMP)["gauge07.h"])


def test_the_header_states_range_bytes_budget_crc_and_digest() -> None:
    header = plain(c_source(TABLE, "gauge07", stamp=STAMP)["gauge07.h"])
    for claim in (
        "-5 to 2.5 degC, codes -500 to 250. Outside it the offset of the nearest end is returned",
        "4 entries of 16 bits, 8 bytes; one every 256 codes (2.56 degC) from code -512 on, straight lines",
        "2.5 ppb at most, 1 ppb rms",
        f"0x{TABLE.crc32:08X}",
        "curve 3.25 ppb",
        "sensor, 0.0625 degC 12 ppb",
        "Valid: ramps to 1 degC/min",
        "Generated by tcomp 1.0 from inputs sha256 00ff.",
    ):
        assert claim in re.sub(" +", " ", header), claim


def test_the_header_of_a_raw_table_names_sensor_codes_and_local_steps() -> None:
    header = re.sub(" +", " ", plain(c_source(RAW, "gauge07", stamp=STAMP)["gauge07.h"]))
    # 512 counts at the local slope of the sensor: T(code) of the beta formula at both ends of the range, by hand:
    # dT/dcode = T^2/beta * (1/code + 1/(4096 - code)); a third of 10 kohm and 10 kohm.
    hot_k = 1 / (1 / 298.15 + math.log(1 / 3) / 3435)
    steps_c = sorted(512 * t**2 / 3435 * (1 / c + 1 / (4096 - c)) for t, c in ((hot_k, 1024), (298.15, 2048)))
    for claim in (
        "code = what the converter at the sensor gives, as it is. Sensor: kind = ntc, r25_ohm = 10000.0,",
        "divider = {series_ohm: 10000.0, adc_bits: 12, sensor_to: ground}.",
        f"{hot_k - 273.15:.6g} to 25 degC, codes 1024 to 2048. Outside it the offset of the nearest end",
        "gauge07_lookup(uint16_t code)",
    ):
        assert claim in header, claim
    said = re.search(r"one every 512 codes \((\S+) to (\S+) degC\)", header)
    assert said
    assert [float(step) for step in said.groups()] == pytest.approx(steps_c, rel=1e-4)


def test_every_entry_stands_in_the_text() -> None:
    code = c_source(WIDE, "gauge07", stamp=STAMP)["gauge07.c"]
    body = code.split("= {\n")[1].split("\n};")[0]
    entries = [int(text) for text in re.sub(r"/\*.*?\*/", "", body).split(",")]
    assert entries == list(WIDE.entries)


def test_only_the_corrections_asked_for_are_written() -> None:
    functions = {"frequency": "true_frequency", "interval": "true_interval", "tuning-word": "tuning_word"}
    for asked in ((), ("frequency",), ("interval",), ("tuning-word",), ("frequency", "tuning-word")):
        for text in c_source(TABLE, "gauge07", corrections=asked, stamp=STAMP).values():
            for name, function in functions.items():
                assert (f"gauge07_{function}(" in text) == (name in asked)


AVR, IN_A_ROW = "defined(__AVR__)", "defined(__AVR_HAVE_LPMX__) && defined(__GNUC__)"
WORDS = "defined(GAUGE07_WORDS)"


def test_the_text_is_whole_numbers_and_language_alone() -> None:
    for name, text in c_source(TABLE, "gauge07", stamp=STAMP).items():
        code = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
        assert set(re.findall(r"#include (\S+)", code)) <= {"<stdint.h>", "<avr/pgmspace.h>", '"gauge07.h"'}
        assert not re.search(r"\b(float|double|malloc|memcpy|__int128|long|short|char)\b|\d\.\d", code)
        # The include guard, C linkage for C++, where the entries lie, and how AVR multiplies: the proofs cover each.
        assert re.findall(r"#\s*if\w*\s+(\S.*)", code) == {
            ".h": ["GAUGE07_H", "__cplusplus", AVR, "__cplusplus"],
            "7.c": [
                AVR,
                IN_A_ROW,
                AVR,
                IN_A_ROW,
                "defined(__AVR_HAVE_MUL__) && defined(__GNUC__) && !defined(__clang__)",
                *[WORDS] * 9,
            ],
            "t.c": [AVR],
        }.get(name[-2:] if name.endswith(".h") else name[-3:], [])


def test_free_text_cannot_leave_its_comment() -> None:
    hostile = Stamp(HOSTILE, HOSTILE, HOSTILE, ((HOSTILE, 1.0),), HOSTILE)
    for benign, text in zip(
        c_source(TABLE, "g", stamp=STAMP).values(), c_source(TABLE, "g", stamp=hostile).values(), strict=True
    ):
        assert text.count("*/") == benign.count("*/")
        assert text.count("/*") == benign.count("/*")
        assert text.count("\\") == benign.count("\\")
        assert "??" not in text
        code = [re.sub(r"/\*.*?\*/", "", source, flags=re.DOTALL) for source in (benign, text)]
        assert code[0] == code[1]


@pytest.mark.parametrize(
    ("symbol", "corrections", "sentence"),
    [("int", ALL, 'symbol "int" is a word'), ("gauge07", ("phase",), 'correction "phase" is unknown')],
)
def test_what_cannot_be_written_is_refused(symbol: str, corrections: tuple[str, ...], sentence: str) -> None:
    with pytest.raises(FirmwareError, match=sentence):
        c_source(TABLE, symbol, corrections=corrections, stamp=STAMP)


@pytest.mark.skipif(find_spec("ziglang") is None, reason="needs the package ziglang")
@pytest.mark.parametrize("table", TABLES.values(), ids=TABLES)
def test_it_compiles_without_a_warning_where_int_has_sixteen_bits(table: CorrectionTable, tmp_path: Path) -> None:
    (tmp_path / "avr").mkdir()
    for name, text in (c_source(table, "gauge07", stamp=STAMP) | {AVR_HEADER: avr_stub()}).items():
        (tmp_path / name).write_text(text)
    for name in ("gauge07.c", "gauge07_selftest.c"):
        command = [sys.executable, "-m", "ziglang", "cc", "-target", "avr-freestanding-none", "-mcpu=atmega328p"]
        command += ["-std=c99", "-Os", "-ffreestanding", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion"]
        command += [
            "-Wsign-conversion",
            "-Wshadow",
            "-Werror",
            "-I.",
            "-Wno-avr-rtlib-linking-quirks",
            "-c",
            name,
            "-o",
            "a.o",
        ]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
        assert done.returncode == 0, done.stderr
