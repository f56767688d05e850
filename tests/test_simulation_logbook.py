"""The log: defects on the way into the file, and the file's text."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from tcomp.errors import JobError
from tcomp.simulation.logbook import Defects, LogStyle, Stretch

START_S = 1_772_436_600.0  # 2026-03-02T07:30:00Z


@pytest.fixture
def log() -> pd.DataFrame:
    rows = np.arange(100.0)
    return pd.DataFrame({"time_s": START_S + 10.0 * rows, "temperature_c": rows / 8.0, "reading_hz": 1e7 + rows})


def spoilt(log: pd.DataFrame, defects: Defects, seed: int = 1) -> tuple[pd.DataFrame, pd.DataFrame]:
    truth = pd.DataFrame({"time_s": log["time_s"], "elapsed_s": log["time_s"] - START_S})
    return defects.spoil(log, truth, np.random.RandomState(seed))


def test_no_defects_leave_the_log_as_it_was(log: pd.DataFrame) -> None:
    pd.testing.assert_frame_equal(spoilt(log, Defects())[0], log)


def test_the_measured_log_itself_is_not_touched(log: pd.DataFrame) -> None:
    before = log.copy()
    spoilt(log, Defects(stuck=(Stretch(100.0, 200.0),), missing_readings=5, backward_stamps=3))
    pd.testing.assert_frame_equal(log, before)


def test_a_gap_has_no_rows_and_truth_keeps_step(log: pd.DataFrame) -> None:
    late, truth = spoilt(log, Defects(gaps=(Stretch(300.0, 250.0),)))
    assert len(late) == len(truth) == 75
    assert not late["time_s"].between(START_S + 300.0, START_S + 549.0).any()
    assert (late["time_s"] == truth["time_s"]).all()


def test_a_stuck_sensor_repeats_its_value_while_the_readings_go_on(log: pd.DataFrame) -> None:
    late, truth = spoilt(log, Defects(stuck=(Stretch(200.0, 160.0),)))
    assert np.flatnonzero(truth["stuck"]).tolist() == list(range(20, 36))
    assert set(late["temperature_c"][20:36]) == {20 / 8.0}
    assert late["temperature_c"][36] == 36 / 8.0
    assert late["reading_hz"].is_unique


def test_a_repeated_stamp_is_that_of_the_row_before(log: pd.DataFrame) -> None:
    late, truth = spoilt(log, Defects(repeated_stamps=3))
    rows = np.flatnonzero(truth["misstamped"])
    assert len(rows) == 3
    assert (late["time_s"].to_numpy()[rows] == log["time_s"].to_numpy()[rows - 1]).all()


def test_a_backward_stamp_is_earlier_than_the_row_before(log: pd.DataFrame) -> None:
    late, truth = spoilt(log, Defects(backward_stamps=4, backward_s=30.0))
    rows = np.flatnonzero(truth["misstamped"])
    assert len(rows) == 4
    assert (late["time_s"].to_numpy()[rows] == truth["time_s"].to_numpy()[rows] - 30.0).all()


@pytest.mark.parametrize("fill", [math.nan, 9.9e37])
def test_missing_numbers_are_left_out_or_filled(log: pd.DataFrame, fill: float) -> None:
    late, truth = spoilt(log, Defects(missing_readings=4, missing_temperatures=3, fill=fill))
    for column, count in (("reading_hz", 4), ("temperature_c", 3)):
        absent = late[column].isna() if math.isnan(fill) else late[column] == fill
        assert absent.sum() == count
        assert truth["missing"][absent].all()
    assert truth["missing"].sum() == 7


def test_more_spoilt_rows_than_rows_are_refused(log: pd.DataFrame) -> None:
    with pytest.raises(JobError, match=r"100 rows are to be spoilt in a log of 100; make the run longer"):
        spoilt(log, Defects(missing_readings=100))


def test_a_stuck_stretch_outside_the_run_is_refused(log: pd.DataFrame) -> None:
    with pytest.raises(JobError, match=r"no row lies in the stuck stretch of 100 s from 5000 s; place it inside"):
        spoilt(log, Defects(stuck=(Stretch(5000.0, 100.0),)))


def test_the_text_has_remarks_header_and_rows() -> None:
    log = pd.DataFrame({"time_s": [START_S], "temperature_c": [-0.00001], "reading_hz": [12_799_996.78161]})
    text = LogStyle("utc", "board_c", "osc_hz", remarks=("made by simulation",)).text(log, 12.8e6)
    # A rounded zero loses its sign.
    assert text == "# made by simulation\nutc,board_c,osc_hz\n2026-03-02T07:30:00Z,0.0000,12799996.7816\n"


def test_a_log_in_ppm_counts_from_the_nominal() -> None:
    # 32 768 Hz + 0.032768 Hz is 1 ppm fast (arithmetic).
    log = pd.DataFrame({"time_s": [START_S], "temperature_c": [21.5], "reading_hz": [32_768.032768]})
    style = LogStyle("day", "t", "y", "ppm", 1, 3, "%d.%m.%Y %H:%M:%S", ";", ",")
    assert style.text(log, 32_768.0).splitlines()[1] == "02.03.2026 07:30:00;21,5;1,000"


def test_a_huge_fill_value_is_written_short_and_a_missing_one_not_at_all() -> None:
    log = pd.DataFrame({"time_s": [0.0], "temperature_c": [math.nan], "reading_hz": [9.9e37]})
    assert LogStyle().text(log, 1e7).splitlines()[1] == "1970-01-01T00:00:00Z,,9.900000000e+37"
