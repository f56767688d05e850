"""Plain points and words in hexadecimal, read back by others' readers: pandas, NumPy, and the grammar of the standard."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from tables import changed
from test_proof_bit_exact import CURVE, EVEN, RAW_TABLE, STAMP, TABLE, TABLES

from tcomp.errors import FirmwareError, JobError
from tcomp.firmware import Export, Points, exported
from tcomp.firmware.exporters.points import QUANTITIES
from tcomp.job import read_job
from tcomp.tables.layout import CorrectionTable


def written(table: CorrectionTable = TABLE, **keys: Any) -> str:
    export = Export(table=table, symbol="gauge07", stamp=STAMP, formats=("points",), points=Points(**keys))
    text = exported(export)["gauge07_points.txt"]
    assert isinstance(text, str)
    return text


def test_the_points_are_the_tables_offsets_at_multiples_of_the_spacing() -> None:
    found = pd.read_csv(io.StringIO(written(step_c=0.5)))
    assert list(found.columns) == ["temperature_c", "offset_ppb"]
    np.testing.assert_array_equal(found["temperature_c"], np.arange(-5.0, 2.75, 0.5))
    # Each of these temperatures has a code of its own: 100 counts per degC.
    codes = np.rint(found["temperature_c"] * 100).astype(int)
    np.testing.assert_array_equal(np.rint(found["offset_ppb"] * 1000).astype(int), TABLE.offset_ppt(codes))


def test_between_two_codes_the_offset_lies_on_the_straight_line() -> None:
    # By hand: 0.005 degC lies halfway between codes 0 and 1.
    found = pd.read_csv(io.StringIO(written(step_c=0.005))).set_index("temperature_c")["offset_ppb"]
    before, after = (int(TABLE.offset_ppt(code)) / 1000 for code in (0, 1))
    assert found[0.005] == pytest.approx((before + after) / 2, abs=0.0005)  # three decimals are written


def test_units_and_signs_are_those_of_the_columns() -> None:
    # Fixed points by definition: 0 degC is 273.15 K and 32 degF (NIST SP 811, appendix B.8); 1 ppm is 1000 ppb.
    row = pd.read_csv(io.StringIO(written(columns=tuple(QUANTITIES)))).set_index("temperature_c").loc[0]
    offset_ppb = int(TABLE.offset_ppt(0)) / 1000
    expected = {
        "temperature_k": 273.15, "temperature_f": 32.0, "offset_ppb": offset_ppb, "offset_ppm": offset_ppb / 1000,
        "minus_offset_ppb": -offset_ppb, "minus_offset_ppm": -offset_ppb / 1000,
    }  # fmt: skip
    assert row.to_dict() == pytest.approx(expected, rel=1e-12)
    ends = pd.read_csv(io.StringIO(written(columns=("temperature_f", "temperature_c")))).iloc[0]
    assert (ends["temperature_f"], ends["temperature_c"]) == (23.0, -5.0)  # -5 degC is 23 degF


@pytest.mark.parametrize(("separator", "sign"), [("comma", ","), ("semicolon", ";"), ("tab", "\t"), ("space", " ")])
@pytest.mark.parametrize("heading", [True, False])
def test_no_line_is_stray_and_numpy_reads_the_rest(separator: str, sign: str, heading: bool) -> None:
    text = written(separator=separator, heading=heading)
    lines = text.split("\n")
    assert lines[-1] == ""
    assert len(lines) - 1 == 8 + heading
    assert lines[0] == (
        f"temperature_c{sign}offset_ppb" if heading else f"-5{sign}{int(TABLE.offset_ppt(-500)) / 1000:.3f}"
    )
    assert all(line == line.strip() for line in lines)
    rows = np.loadtxt(io.StringIO(text), delimiter=sign, skiprows=int(heading))
    assert rows.shape == (8, 2)


def test_raw_codes_have_their_temperatures_ascending() -> None:
    found = np.loadtxt(io.StringIO(written(RAW_TABLE, heading=False, step_c=0.1)), delimiter=",")
    # The invented sensor of RAW_TABLE: 100 degC less 0.002 degC a count, codes 40000 to 40700, so 18.6 to 20 degC.
    np.testing.assert_allclose(found[:, 0], np.arange(18.6, 20.05, 0.1), atol=1e-9)
    np.testing.assert_allclose(found[-1, 1], RAW_TABLE.offset_ppt(40000) / 1000, atol=0.0005)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        (
            {"columns": ("temperature_c", "ppb")},
            'the column "ppb" of the points is unknown; expected some of temperature_c',
        ),
        ({"step_c": 1e-6}, "would be 7500001; expected a spacing with 1 to 100000 points"),
    ],
)
def test_a_mistake_is_said(keys: dict[str, Any], words: str) -> None:
    with pytest.raises(FirmwareError, match=words):
        written(**keys)


def test_a_range_without_a_multiple_of_the_spacing_is_said() -> None:
    narrow = changed(TABLE, low_code=10, high_code=20)
    with pytest.raises(FirmwareError, match=r"points every 1 degC from 0.1 to 0.2 degC would be 0; expected a spacing"):
        written(narrow)


def test_a_job_says_how_its_points_are_written(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    start = '[oscillator]\nname = "gauge 07"\nnominal_hz = 12_800_000\n'
    job.write_text(start + '[firmware]\nformats = ["points"]\npoints_columns = []\n')
    with pytest.raises(JobError, match=r"points_columns is empty; expected a column$"):
        read_job(job, runs_needed=False)
    job.write_text(start + "[firmware]\npoints_step_c = 0.0\n")
    with pytest.raises(JobError, match=r"\[firmware\] points_step_c = 0: expected a number above 0$"):
        read_job(job, runs_needed=False)


# IEEE Std 1800-2017, 21.4: white space, comments, addresses (@...) and hexadecimal numbers.  Here: numbers alone.
WORDS = re.compile(r"(?:[0-9a-f]+\n)+")


@pytest.mark.parametrize("name", ["plain", "int32 extremes", "segments", "even, 8 bits on a polynomial"])
def test_the_words_in_hexadecimal_are_the_entries(name: str) -> None:
    table = TABLES[name]
    found = exported(Export(table=table, symbol="gauge07", stamp=STAMP, formats=("readmemh",)))
    text = found["gauge07.mem"]
    assert isinstance(text, str)
    assert WORDS.fullmatch(text)
    digits = table.entry_bits // 4
    assert {len(line) for line in text.splitlines()} == {digits}
    # Two's complement, read by the standard library: bytes, the high one first.
    entries = [int.from_bytes(bytes.fromhex(line), "big", signed=True) for line in text.splitlines()]
    assert tuple(entries) == table.entries


def test_coefficients_under_the_entries_have_a_file_of_their_own() -> None:
    on_polynomial = changed(EVEN, polynomial=CURVE, entry_bits=8, entries=(-128, 127, -128, 127))
    found = exported(Export(table=on_polynomial, symbol="gauge07", stamp=STAMP, formats=("readmemh",)))
    # 8191, -1234 and -16384, by hand.
    assert found["gauge07_coefficients.mem"] == "1fff\nfb2e\nc000\n"
