"""What a log's columns hold, guessed from names and values.  All logs here are invented."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from tcomp.errors import RunError
from tcomp.job import Job, read_job_text
from tcomp.logs.time_formats import fitting_formats
from tcomp.starter import start_of


def started(tmp_path: Path, text: str) -> tuple[Job, str]:
    """The job that is written for a log, and what is said of it."""
    (tmp_path / "log.csv").write_text(text)
    start = start_of(tmp_path / "log.csv", tmp_path / "job.toml")
    return read_job_text(start.text, tmp_path / "job.toml"), "\n".join(start.remarks)


def test_columns_are_guessed_from_the_header(tmp_path: Path) -> None:
    job, _ = started(tmp_path, "# a remark\nstamp;air_temp;freq_hz;note\n2026-01-01T00:00:00Z;21.5;10000000.1;x\n")
    run = job.runs[0]
    assert (run.time, run.temperature, run.frequency) == ("stamp", "air_temp", "freq_hz")


def test_names_above_a_line_of_units_are_the_header(tmp_path: Path) -> None:
    job, _ = started(tmp_path, "utc,temperature,frequency\nISO,degC,Hz\n2026-01-01T00:00:00Z,21.5,10000000.1\n")
    run = job.runs[0]
    assert (run.time, run.temperature, run.frequency) == ("utc", "temperature", "frequency")


@pytest.mark.parametrize(
    ("column", "quantity", "unit"),
    [("offset_ppb", "offset", "ppb"), ("y (PPM)", "offset", "ppm"), ("phase_s", "phase", None)],
)
def test_an_offset_or_a_phase_is_guessed_where_no_frequency_is_named(
    tmp_path: Path, column: str, quantity: str, unit: str | None
) -> None:
    job, _ = started(tmp_path, f"utc,board_c,{column}\n2026-01-01T00:00:00Z,21.5,1.2\n")
    run = job.runs[0]
    assert (getattr(run, quantity), run.offset_unit, run.frequency) == (column, unit, None)


def test_a_date_and_a_time_of_day_in_two_columns_are_both_written(tmp_path: Path) -> None:
    job, said = started(tmp_path, "time,date,temp_c,osc_hz\n10:00:00,02.03.2026,21.5,12800001.5\n")
    run = job.runs[0]
    assert (run.time, run.temperature, run.frequency) == (("date", "time"), "temp_c", "osc_hz")
    assert run.time_format == "%d.%m.%Y %H:%M:%S"
    assert "%m.%d.%Y %H:%M:%S would read them too: check which it is" in said
    # A date beside a whole time is no part of it.
    text = "utc,date of calibration,temp_c,osc_hz\n2026-03-02T10:00:00Z,2026-01-01,21.5,12800001.5\n"
    assert started(tmp_path, text)[0].runs[0].time == "utc"


def test_columns_that_no_name_tells_are_told_from_their_values_and_said_so(tmp_path: Path) -> None:
    rows = [f"{7 * i},{20 + i % 3},{12_800_000 + i % 4},{i % 2}" for i in range(20)]
    job, said = started(
        tmp_path, "\n".join(["a,b,c,flag", *rows, ""]).replace(",0\n", ",no\n").replace(",1\n", ",no\n")
    )
    run = job.runs[0]
    assert (run.time, run.temperature, run.frequency, job.oscillator.nominal_hz) == ("a", "b", "c", 12.8e6)
    assert "frequency = 'c' was found from its values alone" in said


def test_what_cannot_be_told_is_left_out_and_said(tmp_path: Path) -> None:
    # Two columns may be the temperature: neither is taken.
    rows = [f"{i},{20 + i % 3},{30 + i % 4},{12_800_000 + i % 4}" for i in range(20)]
    (tmp_path / "log.csv").write_text("\n".join(["elapsed_s,inside,outside,osc_hz", *rows, ""]))
    start = start_of(tmp_path / "log.csv", tmp_path / "job.toml")
    assert "\n# temperature =\n" in start.text
    assert "no column looks like a temperature: name it yourself" in start.remarks


def test_an_offset_without_its_unit_is_asked_for(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("utc,temp_c,offset\n2026-01-01T00:00:00Z,21.5,1.2\n")
    start = start_of(tmp_path / "log.csv", tmp_path / "job.toml")
    assert "no column looks like the unit of the offset: name it yourself" in start.remarks


@pytest.mark.parametrize(
    ("name", "reading", "unit", "nominal_hz"),
    [
        ("osc [kHz]", "12800.0012", "kHz", 12.8e6),
        ("freq_MHz", "12.8000012", "MHz", 12.8e6),
        ("osc_hz", "12800001.2", "Hz", 12.8e6),
        ("frequency", "12.8000012", "MHz", 12.8e6),
        ("frequency", "32768.01", "Hz", 32768.0),
        ("frequency", "32.76801", "kHz", 32768.0),
    ],
)
def test_the_unit_of_frequencies_and_their_nominal_are_guessed(
    tmp_path: Path, name: str, reading: str, unit: str, nominal_hz: float
) -> None:
    job, _ = started(tmp_path, f"utc,temp_c,{name}\n" + f"2026-01-01T00:00:00Z,21.5,{reading}\n" * 2)
    assert (job.runs[0].frequency, job.runs[0].frequency_unit) == (name, unit)
    assert job.oscillator.nominal_hz == nominal_hz


@pytest.mark.parametrize("name", ["temp_F", "Temp (°F)", "board degF", "t fahrenheit"])
def test_degrees_fahrenheit_become_degc(tmp_path: Path, name: str) -> None:
    job, said = started(tmp_path, f"utc,{name},osc_hz\n2026-01-01T00:00:00Z,212,12800001.2\n")
    assert (job.runs[0].temperature, job.sensor.kind) == (name, "linear")
    # 212 degF is 100 degC, by definition of the scale.
    assert job.sensor.degc_per_count is not None
    assert 212 * job.sensor.degc_per_count + job.sensor.offset_c == pytest.approx(100.0, abs=1e-9)
    assert "taken as degF by its name" in said


@pytest.mark.parametrize("name", ["temp_c", "Temp [°C]", "board_temp", "T"])
def test_degc_stays_degc(tmp_path: Path, name: str) -> None:
    job, _ = started(tmp_path, f"utc,{name},osc_hz\n2026-01-01T00:00:00Z,21.5,12800001.2\n")
    assert (job.runs[0].temperature, job.sensor.kind) == (name, "celsius")


def test_a_parquet_file_is_guessed_as_a_text_log_is(tmp_path: Path) -> None:
    stamps = pd.date_range("2026-03-02T10:00Z", periods=5, freq="10s")
    frame = pd.DataFrame({"utc": stamps, "board_c": [20.0, 21, 22, 23, 24], "osc_khz": [12_800.01] * 5})
    frame.to_parquet(tmp_path / "log.parquet")
    start = start_of(tmp_path / "log.parquet", tmp_path / "job.toml")
    job = read_job_text(start.text, tmp_path / "job.toml")
    assert (job.runs[0].time, job.runs[0].temperature, job.runs[0].frequency_unit) == ("utc", "board_c", "kHz")
    assert (job.runs[0].time_format, job.oscillator.nominal_hz) == (None, 12.8e6)


def test_a_log_without_a_header_is_refused(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("a line of words\nand another\n")
    with pytest.raises(RunError, match="no header was found in its first 50 lines; write the job by hand"):
        start_of(tmp_path / "log.csv")


@pytest.mark.parametrize(
    ("times", "likeliest"),
    [
        (["02.03.2026 10:00:00", "02.03.2026 10:00:10"], "%d.%m.%Y %H:%M:%S"),
        (["13/03/2026 10:00", "14/03/2026 10:00"], "%d/%m/%Y %H:%M"),
        (["03/13/2026 10:00", "03/14/2026 10:00"], "%m/%d/%Y %H:%M"),
        (["3/2/2026 9:05:01 PM"], "%m/%d/%Y %I:%M:%S %p"),
        # With the day first the third would go back, by a month.
        (["2/1/2026 10:00", "2/2/2026 10:00", "3/1/2026 10:00"], "%m/%d/%Y %H:%M"),
        (["2026/03/02 10:00:00.250"], "%Y/%m/%d %H:%M:%S.%f"),
        (["20260302 100000"], "%Y%m%d %H%M%S"),
        (["02-Mar-2026 10:00:00"], "%d-%b-%Y %H:%M:%S"),
    ],
)
def test_the_format_of_times_is_told_from_the_times(times: list[str], likeliest: str) -> None:
    assert fitting_formats(times)[0] == likeliest


def test_times_that_no_format_reads_have_none() -> None:
    assert fitting_formats(["today", "tomorrow"]) == ()
