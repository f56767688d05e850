"""A log file becomes a run: missing values, text where numbers belong, Parquet, and the time it takes."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tcomp.errors import RunError
from tcomp.job import Oscillator, RunLog
from tcomp.logs.log_file import read_run
from tcomp.logs.record import RawRun

BOARD = Oscillator("gauge 07", nominal_hz=12.8e6)
STAMPS = pd.date_range("2026-03-02T12:00:00", periods=3, freq="10s")
NOON = 1_772_452_800.0  # 2026-03-02T12:00:00Z: 20514 days of 86 400 s and 43 200 s (arithmetic)


def log_of(file: Path, **keys: object) -> RunLog:
    return RunLog(**{"file": file, "temperature": "T", "frequency": "f", **keys})  # type: ignore[arg-type]


def run_of(tmp_path: Path, text: str, **keys: object) -> RawRun:
    file = tmp_path / "log.csv"
    file.write_text(text, encoding="utf-8")
    return read_run(log_of(file, **keys), BOARD)


def parquet(tmp_path: Path, **columns: object) -> Path:
    pd.DataFrame(columns).to_parquet(tmp_path / "log.parquet")
    return tmp_path / "log.parquet"


@pytest.mark.parametrize(
    "word", ["", " ", "nan", "NaN", "NA", "na", "null", "NULL", " nan ", "OVLD", "-999", "-999.00"]
)
def test_words_for_a_missing_value_become_nan(tmp_path: Path, word: str) -> None:
    run = run_of(tmp_path, f"T,f\n20,{word}\n{word},12800000\n", missing=("OVLD", "-999"))
    np.testing.assert_array_equal(run.frame["temperature_c"], [20, np.nan])
    np.testing.assert_array_equal(run.frame["offset_ppb"], [np.nan, 0])


def test_a_row_with_too_few_fields_lacks_its_last_values(tmp_path: Path) -> None:
    run = run_of(tmp_path, "T,f\n20,12800000\n21\n22,12800000\n")
    np.testing.assert_array_equal(run.frame["offset_ppb"], [0, np.nan, 0])
    assert run.frame["line"].tolist() == [2, 3, 4]


def test_the_first_row_may_be_the_short_one(tmp_path: Path) -> None:
    run = run_of(tmp_path, "x,T,f\n1,20\n2,21,12800000,more,and more\n")
    np.testing.assert_array_equal(run.frame["temperature_c"], [20, 21])
    np.testing.assert_array_equal(run.frame["offset_ppb"], [np.nan, 0])


def test_text_in_a_number_column_is_quoted_with_its_line_and_a_hint(tmp_path: Path) -> None:
    text = "# a remark\nT,f\n" + "20,12800000\n\n" * 5000 + "21,O.L\n"
    with pytest.raises(
        RunError, match=r"log\.csv:10003: column 'f' holds 'O\.L', expected a number; .* missing = \[\"O\.L\"\]$"
    ):
        run_of(tmp_path, text)
    assert np.isnan(run_of(tmp_path, text, missing=("O.L",)).frame["offset_ppb"].iloc[-1])


def test_text_in_a_column_by_number_is_quoted_with_the_number(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r"log\.csv:2: column 1 holds 'hot', expected a number"):
        run_of(tmp_path, "20,12800000\nhot,12800000\n", temperature=1, frequency=2)


@pytest.mark.parametrize("field", ["1_000", "0x1F", "12.8e6Hz", "12.800.000,5", "--5"])
def test_what_only_looks_like_a_number_is_text(tmp_path: Path, field: str) -> None:
    with pytest.raises(RunError, match=r"log\.csv:3: column 'f' holds"):
        run_of(tmp_path, f"T;f\n20;12800000\n20;{field}\n")


def test_mixed_decimal_marks_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r"log\.csv:3: column 'T' holds '20,5', but the log has another decimal mark"):
        run_of(tmp_path, "T;f\n20.5;12800000\n20,5;12800000\n")


def test_a_log_that_starts_anew_repeats_its_header_without_harm(tmp_path: Path) -> None:
    assert run_of(tmp_path, "T,f\n20,12800000\nT,f\n21,12800000\n").frame["line"].tolist() == [2, 4]


@pytest.mark.parametrize("zone", [None, "UTC", "Europe/Berlin"])
def test_a_parquet_time_column_keeps_its_moments(tmp_path: Path, zone: str | None) -> None:
    stamps = STAMPS if zone is None else STAMPS.tz_localize("UTC").tz_convert(zone)
    file = parquet(tmp_path, t=stamps, T=[20.0, 21.0, 22.0], f=[12_800_000, 12_800_128, 12_800_000])
    run = read_run(log_of(file, time="t"), BOARD)
    assert run.frame["time_s"].tolist() == [NOON, NOON + 10, NOON + 20]
    assert run.frame["offset_ppb"].tolist() == [0.0, 10_000.0, 0.0]
    assert run.frame["line"].tolist() == [1, 2, 3]
    assert (run.time_kind, bool(run.assumptions)) == ("clock", zone is None)


def test_a_parquet_time_may_be_numbers_or_text_or_missing(tmp_path: Path) -> None:
    numbers = parquet(tmp_path, t=[0, 10, 20], T=[20.0, 21.0, 22.0], f=[12.8e6] * 3)
    assert read_run(log_of(numbers, time=1, temperature=2, frequency=3), BOARD).time_kind == "elapsed"
    text = parquet(tmp_path, t=["2026-03-02T12:00:00Z", None, "2026-03-02T12:00:20Z"], T=[1.0] * 3, f=[12.8e6] * 3)
    np.testing.assert_array_equal(read_run(log_of(text, time="t"), BOARD).frame["time_s"], [NOON, np.nan, NOON + 20])
    gone = parquet(tmp_path, t=[STAMPS[0], None, STAMPS[2]], T=[1.0] * 3, f=[12.8e6] * 3)
    np.testing.assert_array_equal(read_run(log_of(gone, time="t"), BOARD).frame["time_s"], [NOON, np.nan, NOON + 20])


def test_parquet_columns_of_other_types_become_numbers(tmp_path: Path) -> None:
    file = parquet(tmp_path, T=["20.5", "NA", None], f=pd.array([12_800_000, None, -999], dtype="Int64"))
    run = read_run(log_of(file, missing=("-999",)), BOARD)
    np.testing.assert_array_equal(run.frame["temperature_c"], [20.5, np.nan, np.nan])
    np.testing.assert_array_equal(run.frame["offset_ppb"], [0.0, np.nan, np.nan])


def test_short_floats_in_parquet_are_said(tmp_path: Path) -> None:
    run = read_run(log_of(parquet(tmp_path, T=[20.0], f=np.array([12.8e6], dtype=np.float32))), BOARD)
    assert "Stored with 24 bits of precision only: f." in run.assumptions


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ({"temperature": "Tt"}, r"log\.parquet: there is no column 'Tt'; the nearest is 'T'; the columns are T, f"),
        ({"temperature": 3}, r"log\.parquet: there is no column 3; the columns are 1 to 2"),
    ],
)
def test_a_parquet_column_that_is_not_there_is_named(tmp_path: Path, keys: dict[str, object], message: str) -> None:
    with pytest.raises(RunError, match=message):
        read_run(log_of(parquet(tmp_path, T=[20.0], f=[12.8e6]), **keys), BOARD)


def test_text_in_a_parquet_number_column_is_quoted_with_its_row(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r"log\.parquet: row 2: column 'T' holds 'warm', expected a number"):
        read_run(log_of(parquet(tmp_path, T=["20", "warm"], f=[12.8e6, 12.8e6])), BOARD)


def test_a_parquet_file_without_rows_is_empty(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r"log\.parquet: holds no rows"):
        read_run(log_of(parquet(tmp_path, T=np.empty(0), f=np.empty(0))), BOARD)


def test_what_is_no_parquet_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "log.parquet").write_bytes(b"T,f\n20,12800000\n")
    with pytest.raises(RunError, match=r"log\.parquet: is not a Parquet file that can be read"):
        read_run(log_of(tmp_path / "log.parquet"), BOARD)
    with pytest.raises(RunError, match=r"gone\.parquet: cannot be read"):
        read_run(log_of(tmp_path / "gone.parquet"), BOARD)


def test_a_run_is_named_after_its_file_alone(tmp_path: Path) -> None:
    assert run_of(tmp_path, "T,f\n20,12800000\n").name == "log.csv"


def test_two_hundred_thousand_rows_are_read_in_a_second_or_so(tmp_path: Path) -> None:
    count = 200_000
    stamps = pd.date_range("2026-03-02T12:00:00", periods=count, freq="1s").strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = [f"{stamp};{20 + index / count:.5f};{12.8e6 + index / count:.7f}" for index, stamp in enumerate(stamps)]
    (tmp_path / "log.csv").write_text("\n".join(["t;T;f", *rows, ""]), encoding="utf-8")
    start = time.process_time()
    run = read_run(log_of(tmp_path / "log.csv", time="t"), BOARD)
    # 0.4 s on the machine of the first measurement; a loop over rows would take far longer
    assert time.process_time() - start < 4.0
    assert run.frame["time_s"].iloc[-1] == NOON + count - 1
