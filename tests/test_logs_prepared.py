"""A job's runs are read, cleaned and cut; one frame keeps them, and gives them back from Parquet."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tcomp.errors import RunError
from tcomp.job import read_job, read_job_text
from tcomp.logs import PreparedRun, clean_frame, from_clean_frame, prepare_runs

SAMPLES = Path(__file__).parent.parent / "sample_runs"
GAUGE = SAMPLES / "river_gauge" / "gauge07.toml"
STATION = SAMPLES / "weather_station" / "station_clock.toml"
BATH = SAMPLES / "air_bath" / "bath_channel.toml"
FAULTS = {
    "glitched_rows": {"outlier"},
    "missing_rows": {"not a number"},
    "misstamped_rows": {"time repeated", "time backwards"},
    "stuck_rows": {"stuck sensor"},
}


def assert_same(one: PreparedRun, other: PreparedRun) -> None:
    pd.testing.assert_frame_equal(one.run.frame, other.run.frame)
    assert one.legs == other.legs
    assert one.run.gaps == other.run.gaps
    for name in ("name", "time_kind", "assumptions", "interval_s", "quantum_c"):
        assert getattr(one.run, name) == getattr(other.run, name)


@pytest.mark.parametrize("job_file", [GAUGE, STATION], ids=["gauge", "station"])
def test_of_invented_runs_exactly_the_planted_faults_are_dropped(job_file: Path) -> None:
    truth = json.loads((job_file.parent / "truth.json").read_text())
    for prepared, known in zip(prepare_runs(read_job(job_file)), truth["runs"], strict=True):
        expected = {row: reasons for kind, reasons in FAULTS.items() for row in known.get(kind, [])}
        found = {row: reason for row, reason in enumerate(prepared.run.frame["dropped"]) if reason}
        assert prepared.run.name == known["file"]
        assert found.keys() == expected.keys()
        assert all(reason in expected[row] for row, reason in found.items())


def test_the_sample_runs_are_cut_into_their_sweeps() -> None:
    slow, fast = prepare_runs(read_job(GAUGE))
    assert [(leg.sweep, leg.kind) for leg in slow.legs] == [(leg.sweep, leg.kind) for leg in fast.legs]
    assert [(leg.sweep, leg.kind) for leg in slow.legs] == [
        (0, "soak"), (0, "heating"), (0, "soak"), (1, "cooling"), (1, "soak"),
    ]  # fmt: skip
    rates = [leg.rate_c_per_min for run in (slow, fast) for leg in run.legs if leg.kind != "soak"]
    assert rates == pytest.approx([0.35, -0.35, 0.9, -0.9], rel=0.03)  # the programme, seen through the board's lag
    (station,) = prepare_runs(read_job(STATION))
    assert [leg.direction for leg in station.legs if leg.kind != "soak"] == [1, -1, 1]


def test_the_real_log_loses_its_fill_row_and_shows_the_programmed_sweeps() -> None:
    (bath,) = prepare_runs(read_job(BATH))
    assert bath.run.dropped_counts["impossible value"] == 1
    assert bath.run.frame["dropped"].iloc[0] == "impossible value"
    assert sum(bath.run.dropped_counts.values()) < 10
    # programme 23 -> 35 -> 23 -> 18 -> 23 degC at 0.0286 degC/min; the last rise is a remnant of the second sweep
    assert sorted({(leg.sweep, leg.direction) for leg in bath.legs}) == [(0, 1), (1, -1)]
    assert bath.legs[1].rate_c_per_min == pytest.approx(0.0286, rel=0.03)


def test_the_frame_holds_every_row_with_its_sweep_and_leg() -> None:
    prepared = prepare_runs(read_job(GAUGE))
    frame = clean_frame(prepared)
    assert frame.columns.tolist() == [
        "run", "log", "line", "time_s", "temperature_c", "offset_ppb", "dropped", "sweep", "leg", "leg_kind",
    ]  # fmt: skip
    assert len(frame) == sum(len(one.run.frame) for one in prepared)
    gone = frame["dropped"] != ""
    assert set(frame.loc[gone, "sweep"]) == set(frame.loc[gone, "leg"]) == {-1}
    assert set(frame.loc[gone, "leg_kind"]) == {""}
    for index, one in enumerate(prepared):
        kept = frame[(frame["run"] == index) & ~gone]
        for number, leg in enumerate(one.legs):
            rows = kept[kept["leg"] == number]
            assert len(rows) == leg.samples
            assert set(rows["leg_kind"]) == {leg.kind}
            assert set(rows["sweep"]) == {leg.sweep}
            assert rows["time_s"].iloc[0] == leg.start_s


def test_the_runs_come_back_from_the_frame_and_from_parquet(tmp_path: Path) -> None:
    prepared = prepare_runs(read_job(GAUGE))
    frame = clean_frame(prepared)
    frame.to_parquet(tmp_path / "clean.parquet")
    for again in (from_clean_frame(frame), from_clean_frame(pd.read_parquet(tmp_path / "clean.parquet"))):
        assert len(again) == 2
        for one, other in zip(prepared, again, strict=True):
            assert_same(one, other)


def test_an_unordered_table_comes_back_from_parquet(tmp_path: Path) -> None:
    rows = "".join(f"{20 + index % 7}.5,{index}\n" for index in range(40))
    (tmp_path / "table.csv").write_text("T,y\n" + rows)
    text = (
        '[oscillator]\nname = "x"\n[[run]]\nfile = "table.csv"\ntemperature = "T"\noffset = "y"\noffset_unit = "ppb"\n'
    )
    frame = clean_frame(prepare_runs(read_job_text(text, tmp_path / "job.toml")))
    frame.to_parquet(tmp_path / "clean.parquet")
    (again,) = from_clean_frame(pd.read_parquet(tmp_path / "clean.parquet"))
    assert (again.run.time_kind, again.legs[0].kind) == ("none", "unordered")
    assert np.isnan(again.run.interval_s)
    assert np.isnan(again.run.kept["time_s"]).all()


def test_the_same_logs_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one", "two"):
        clean_frame(prepare_runs(read_job(STATION))).to_parquet(tmp_path / name)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()


def test_a_log_that_is_missing_stops_the_whole(tmp_path: Path) -> None:
    text = (
        '[oscillator]\nname = "x"\n[[run]]\nfile = "gone.csv"\ntemperature = "T"\noffset = "y"\noffset_unit = "ppb"\n'
    )
    with pytest.raises(RunError, match=r"gone\.csv: is not there"):
        prepare_runs(read_job_text(text, tmp_path / "job.toml"))


def test_runs_stand_in_the_order_of_time_whatever_the_order_in_the_job() -> None:
    # The base is stated at the end of the last run: with the blocks turned round it was that of the first.
    job = read_job(GAUGE)
    turned = prepare_runs(replace(job, runs=job.runs[::-1]))
    assert [one.run.name for one in turned] == [log.file.name for log in job.runs]
