"""Times in any form become seconds; what was assumed is said."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tcomp.errors import RunError
from tcomp.job import Oscillator, RunLog
from tcomp.logs.log_file import read_run
from tcomp.logs.record import RawRun

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC).timestamp()
AS_UTC = "Times have no zone and are taken as UTC."


def run_of(tmp_path: Path, times: list[str], time_format: str | None = None, name: str = "t", **keys: object) -> RawRun:
    file = tmp_path / "log.csv"
    rows = [f"{time};{20 + index};5" for index, time in enumerate(times)]
    file.write_text("\n".join([f"{name};T;y", *rows, ""]), encoding="utf-8")
    keys = {"time": name, "time_format": time_format, **keys}
    return read_run(RunLog(file=file, temperature="T", offset="y", offset_unit="ppb", **keys), Oscillator("any"))  # type: ignore[arg-type]


def seconds(run: RawRun) -> list[float]:
    return run.frame["time_s"].tolist()


# Forms of ISO 8601: extended and basic, with T or (RFC 3339) a space, Z, offsets, a fraction after point or comma.
@pytest.mark.parametrize(
    ("stamp", "after_s", "zoned"),
    [
        ("2026-03-02T12:00:00Z", 0.0, True),
        ("2026-03-02 12:00:00Z", 0.0, True),
        ("2026-03-02T13:00:00+01:00", 0.0, True),
        ("2026-03-02T06:30:00-0530", 0.0, True),
        ("20260302T120000Z", 0.0, True),
        ("2026-03-02T12:00:00.250Z", 0.25, True),
        ("2026-03-02T12:00:00,250Z", 0.25, True),
        ("2026-03-02T12:00Z", 0.0, True),
        ("2026-03-02T12:00:00", 0.0, False),
        ("2026-03-02 12:00:00.5", 0.5, False),
        ("2026-03-02", -43_200.0, False),
    ],
)
def test_iso_8601_times_are_read(tmp_path: Path, stamp: str, after_s: float, zoned: bool) -> None:
    run = run_of(tmp_path, [stamp, stamp])
    assert seconds(run) == [NOON + after_s] * 2
    assert run.time_kind == "clock"
    assert (AS_UTC in run.assumptions) is not zoned


def test_the_day_comes_first_where_the_format_says_so(tmp_path: Path) -> None:
    run = run_of(tmp_path, ["02/03/2026 12:00:00", "02/03/2026 12:00:10"], "%d/%m/%Y %H:%M:%S")
    assert seconds(run) == [NOON, NOON + 10]
    assert AS_UTC in run.assumptions


def test_a_format_of_digits_alone_is_no_number(tmp_path: Path) -> None:
    assert seconds(run_of(tmp_path, ["20260302120000"], "%Y%m%d%H%M%S")) == [NOON]


def test_a_zone_in_the_format_is_kept(tmp_path: Path) -> None:
    run = run_of(tmp_path, ["02.03.2026 14:00 +0200"], "%d.%m.%Y %H:%M %z")
    assert seconds(run) == [NOON]
    assert AS_UTC not in run.assumptions


@pytest.mark.parametrize(
    ("unit", "scale"), [("seconds", 1), ("milliseconds", 1e3), ("microseconds", 1e6), ("nanoseconds", 1e9)]
)
def test_unix_time_is_known_by_its_size(tmp_path: Path, unit: str, scale: float) -> None:
    run = run_of(tmp_path, [str(int(NOON * scale)), str(int((NOON + 10) * scale))])
    # a float64 of 1.8e18 ns is exact to 128 ns
    np.testing.assert_allclose(seconds(run), [NOON, NOON + 10], rtol=0, atol=3e-7)
    assert f"Times are taken as Unix time in {unit}, by their size." in run.assumptions
    assert run.time_kind == "clock"


def test_modified_julian_dates_are_known_by_their_size(tmp_path: Path) -> None:
    # MJD 40587 is 1970-01-01 (arithmetic on the definition MJD = JD - 2400000.5); 2026-03-02 is 20514 days later
    run = run_of(tmp_path, ["61101.5", "61101.5001", "61101.5002"])
    np.testing.assert_allclose(seconds(run), [NOON, NOON + 8.64, NOON + 17.28], rtol=0, atol=1e-5)
    assert "Times are taken as Modified Julian Date, by their size." in run.assumptions
    assert run.time_kind == "clock"
    assert seconds(run_of(tmp_path, ["40587"], name="mjd")) == [0.0]


def test_a_decimal_comma_in_the_time_is_read(tmp_path: Path) -> None:
    assert seconds(run_of(tmp_path, ["0,5", "1,5"])) == [0.5, 1.5]


@pytest.mark.parametrize("times", [["0", "10", "20"], ["50000", "50010", "50020"], ["-5", "5", "15"]])
def test_small_numbers_are_seconds_since_a_start(tmp_path: Path, times: list[str]) -> None:
    run = run_of(tmp_path, times)
    assert seconds(run) == [float(time) for time in times]
    assert run.time_kind == "elapsed"
    assert "Times are taken as seconds since a start, by their size." in run.assumptions


def test_one_wild_stamp_does_not_change_what_the_numbers_are(tmp_path: Path) -> None:
    run = run_of(tmp_path, [f"{NOON:.0f}", "0", f"{NOON + 10:.0f}", "99", f"{NOON + 20:.0f}"])
    assert "Times are taken as Unix time in seconds, by their size." in run.assumptions


def test_rows_an_interval_apart_need_no_time(tmp_path: Path) -> None:
    run = run_of(tmp_path, ["x", "x", "x"], time=None, interval_s=2.5)
    assert (seconds(run), run.time_kind) == ([0.0, 2.5, 5.0], "interval")
    assert "Rows are taken as 2.5 s apart." in run.assumptions


def test_without_time_and_interval_the_table_is_unordered(tmp_path: Path) -> None:
    run = run_of(tmp_path, ["x", "x"], time=None)
    assert np.isnan(seconds(run)).all()
    assert run.time_kind == "none"
    assert "There is no time: the log is taken as an unordered table." in run.assumptions


@pytest.mark.parametrize("word", ["", "NA", "nan", "--"])
def test_a_missing_time_is_not_a_number(tmp_path: Path, word: str) -> None:
    run = run_of(tmp_path, ["2026-03-02T12:00:00Z", word, "2026-03-02T12:00:20Z"], missing=("--",))
    np.testing.assert_array_equal(seconds(run), [NOON, np.nan, NOON + 20])


def test_a_missing_number_in_the_time_is_not_a_number(tmp_path: Path) -> None:
    np.testing.assert_array_equal(seconds(run_of(tmp_path, ["0", "NA", "20"])), [0, np.nan, 20])


def test_a_time_that_cannot_be_read_is_quoted_with_its_line_and_a_likely_format(tmp_path: Path) -> None:
    with pytest.raises(
        RunError,
        match=r"log\.csv:3: column 't' holds '20/10/2024-01:19', which is not an ISO 8601 time such as .*"
        r'for example time_format = "%d/%m/%Y-%H:%M"',
    ):
        run_of(tmp_path, ["2026-03-02T12:00:00Z", "20/10/2024-01:19"])
    with pytest.raises(RunError, match=r'log\.csv:2: .*\'today\'.*for example time_format = "%d/%m/%Y %H:%M:%S"'):
        run_of(tmp_path, ["today"])


def test_a_time_that_is_not_in_the_format_is_quoted_with_both(tmp_path: Path) -> None:
    with pytest.raises(
        RunError, match=r"log\.csv:3: column 't' holds '3 March', which is not written as time_format = \"%d"
    ):
        run_of(tmp_path, ["02/03/2026", "3 March"], "%d/%m/%Y")


def test_text_among_numbers_in_the_time_is_quoted(tmp_path: Path) -> None:
    with pytest.raises(
        RunError, match=r"log\.csv:4: column 't' holds 'reset', expected a number as in the rows before"
    ):
        run_of(tmp_path, ["0", "10", "reset"])


def test_a_date_and_a_time_of_day_are_joined(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    log = RunLog(file, "T", time=("date", "time"), offset="y", offset_unit="ppb")
    file.write_text("date,time,T,y\n2026-03-02,12:00:00,20,5\n2026-03-02,,20.5,5\n2026-03-02,12:00:10,21,5\n")
    run = read_run(log, Oscillator("any"))
    # Half of a time is none.
    np.testing.assert_array_equal(seconds(run), [NOON, np.nan, NOON + 10])
    assert run.time_kind == "clock"
    assert AS_UTC in run.assumptions
    file.write_text("date,time,T,y\n02.03.2026,12:00:00,20,5\n02.03.2026,12:00:10,21,5\n")
    stated = RunLog(
        file, "T", time=(1, 2), time_format="%d.%m.%Y %H:%M:%S", offset="y", offset_unit="ppb"
    )  # by number, and written otherwise
    with_numbers = RunLog(**{**vars(stated), "temperature": 3, "offset": 4})
    assert seconds(read_run(with_numbers, Oscillator("any"))) == [NOON, NOON + 10]
    unstated = RunLog(file, "T", time=("date", "time"), offset="y", offset_unit="ppb")
    with pytest.raises(
        RunError,
        match=r"column 'date' with column 'time' holds '02.03.2026 12:00:00'.*time_format = \"%d.%m.%Y %H:%M:%S",
    ):
        read_run(unstated, Oscillator("any"))


def test_a_date_and_a_time_of_day_are_joined_in_parquet(tmp_path: Path) -> None:
    moment = datetime.fromtimestamp(NOON, UTC)
    columns = {
        "d": [moment.date()] * 2,
        "t": [moment.time(), moment.time().replace(second=10)],
        "T": [20.0, 21],
        "y": [5.0, 5],
    }
    pd.DataFrame(columns).to_parquet(tmp_path / "log.parquet")
    log = RunLog(tmp_path / "log.parquet", "T", time=("d", "t"), offset="y", offset_unit="ppb")
    assert seconds(read_run(log, Oscillator("any"))) == [NOON, NOON + 10]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (
            ["2026-03-02"] * 3,
            r"holds '2026-03-02', a date without a time of day; .* give both: time = \[\"t\", \"\.\.\.\"\]",
        ),
        (["02.03.2026"] * 3, r"holds '02.03.2026', a date without a time of day"),
        (
            ["2026-03-02", "12:00:00"],
            r"holds '12:00:00', a time of day without a date; .* time = \[\"\.\.\.\", \"t\"\]",
        ),
    ],
)
def test_half_of_a_time_is_said_to_be_half(tmp_path: Path, fields: list[str], said: str) -> None:
    with pytest.raises(RunError, match=said):
        run_of(tmp_path, fields)


def test_dates_of_a_log_with_a_row_a_day_are_whole_times(tmp_path: Path) -> None:
    run = run_of(tmp_path, ["2026-03-02", "2026-03-03", "2026-03-04"])
    assert np.diff(seconds(run)).tolist() == [86_400.0, 86_400.0]
