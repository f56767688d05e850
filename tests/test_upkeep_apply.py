"""Logged readings corrected after the fact, on invented logs."""

from __future__ import annotations

import gzip
import json
import math
from decimal import Decimal
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from applied import applied
from click.testing import CliRunner, Result
from plain_curve import BASE_TIME_S, plain_curve
from scipy.signal import lsim
from tables import changed, step_table

from tcomp.budget.drift import DriftSince, Rate, fit_ageing
from tcomp.cli import main
from tcomp.errors import RunError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.curve import Curve, curve_text
from tcomp.files import write_text
from tcomp.job import RunLog, Sensor, read_job_text
from tcomp.logs.stream import LogStream
from tcomp.simulation import PlannedRun, river_gauge, simulate
from tcomp.simulation.chamber import Programme, ProgrammeLeg
from tcomp.tables import TemperatureScale, table_text
from tcomp.upkeep.apply import Tally, corrected, corrected_lines
from tcomp.upkeep.calibration import Calibration
from tcomp.upkeep.corrector import AFTER_A_START, OK, STATES, Corrector, CrystalFilter
from tcomp.upkeep.retrim import base_of_runs

JOB = """
[oscillator]
name = "gauge 12"
nominal_hz = 10_000_000
[[run]]
file = "old.csv"
time = "utc"
temperature = "board_c"
frequency = "shown_hz"
role = "timebase"
reference_hz = 10_000_000
"""


def results(folder: Path, curve: Curve | None = None, job: str = JOB) -> Path:
    """A job and the results beside it; the way to the curve."""
    (folder / "gauge12.toml").write_text(job)
    write_text(folder / "gauge12.out" / "curve.json", curve_text(curve or plain_curve()))
    return folder / "gauge12.out" / "curve.json"


def command(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["apply", *(str(word) for word in words)], catch_exceptions=False)


def corrected_text(folder: Path, log: str, *words: str, curve: Curve | None = None, job: str = JOB) -> str:
    """What `tcomp apply` makes of the text of a log."""
    (folder / "night.csv").write_bytes(log.encode())
    result = command(
        results(folder, curve, job), folder / "night.csv", "--into", folder / "true.csv", "--quiet", *words
    )
    assert result.exit_code == 0, result.stderr
    return (folder / "true.csv").read_bytes().decode()


def fields(text: str, row: int = 1) -> list[str]:
    return text.splitlines()[row].split(",")


def log_of(*readings: str, temperature: str = "20.0", start_s: float = BASE_TIME_S) -> str:
    rows = [f"{start_s + i:.0f},{temperature},{reading}" for i, reading in enumerate(readings)]
    return "\n".join(["utc,board_c,shown_hz", *rows, ""])


@pytest.mark.parametrize(
    ("base_ppb", "shown", "true"),
    [
        # Fast: the gate closes early, the counter shows too little. 9 999 990 * 1.000001 (by hand).
        (1000.0, "9999990", "9999999.99999"),
        # Slow: it shows too much. 10 000 010 * 0.999999 (by hand).
        (-1000.0, "10000010", "9999999.99999"),
        (1000.0, "10000000", "10000010"),
    ],
)
def test_a_frequency_is_multiplied_by_one_plus_y(base_ppb: float, shown: str, true: str, tmp_path: Path) -> None:
    text = corrected_text(tmp_path, log_of(shown), curve=plain_curve(base_ppb=base_ppb))
    assert text.splitlines()[0] == "utc,board_c,shown_hz,shown_hz_true,shown_hz_u,state"
    assert fields(text)[3] == true


@pytest.mark.parametrize(
    ("base_ppb", "shown", "true"),
    [
        # A fast timebase counts too many of its own seconds: 1.000001 / 1.000001, and a day of 86400.0864 s (by hand).
        (1000.0, "1.000001", "1"),
        (1000.0, "86400.0864", "86400"),
        (-1000.0, "0.999999", "1"),
    ],
)
def test_an_interval_is_divided_by_one_plus_y(base_ppb: float, shown: str, true: str, tmp_path: Path) -> None:
    log = log_of(shown).replace("shown_hz", "counted_s")
    text = corrected_text(tmp_path, log, "--interval", "counted_s", curve=plain_curve(base_ppb=base_ppb))
    assert text.splitlines()[0].endswith("counted_s,counted_s_true,counted_s_u,state")
    assert float(fields(text)[3]) == pytest.approx(float(true), rel=1e-15)


@pytest.mark.parametrize("shown", ["12800000.000123", "9999999.98765432", "0.00000123456789012345"])
def test_more_than_twelve_digits_survive(shown: str, tmp_path: Path) -> None:
    value = fields(corrected_text(tmp_path, log_of(shown), curve=plain_curve(base_ppb=1234.567)))[3]
    exact = Decimal(shown) * (1 + Decimal("1234.567e-9"))  # Python's own decimal arithmetic, 28 digits
    assert abs(Decimal(value) / exact - 1) < Decimal("1e-14")
    same = fields(corrected_text(tmp_path, log_of(shown), curve=plain_curve(base_ppb=0.0)))[3]
    assert Decimal(same) == pytest.approx(Decimal(shown), rel=Decimal("1e-15"))


def test_the_text_of_a_log_stays_as_it_is(tmp_path: Path) -> None:
    lines = [
        "# night log of gauge 12; invented", "", "utc,board_c,shown_hz,note", "# s,degC,Hz,", "1772582400, 20.50,1e7,wind",
        "1772582401,nan,10000000.0,", "", '1772582402,20.50,,"rain, cold"', "utc,board_c,shown_hz,note",
        "1772582403,20.50,9999990.00,", "1772582404,20.50",
    ]  # fmt: skip
    got = corrected_text(tmp_path, "\r\n".join(lines)).split("\r\n")
    assert got[-1] == ""
    assert [new.startswith(old) for new, old in zip(got, lines, strict=False)] == [True] * len(lines)
    behind = [new.removeprefix(old) for new, old in zip(got, lines, strict=False)]
    names = ",shown_hz_true,shown_hz_u,state"
    assert [behind[i] for i in (0, 1, 2, 3, 6, 8)] == ["", "", names, "", "", names]
    assert behind[5] == ",,,no temperature"
    assert behind[7] == ",,,no reading"
    assert behind[9].startswith(",9999999.99999,")
    assert (
        behind[10] == ",,,,,no reading"
    )  # two fields that the row lacks, so that the new ones stand below their names


def test_semicolons_and_decimal_commas_are_kept(tmp_path: Path) -> None:
    job = JOB + 'time_format = "%d.%m.%Y %H:%M:%S"\n'
    text = corrected_text(
        tmp_path,
        "utc;board_c;shown_hz\n04.03.2026 00:00:00;20,5;9999990,0\n04.03.2026 00:00:01;20,5;9999990,0\n",
        job=job,
    )
    assert text.splitlines()[1].startswith("04.03.2026 00:00:00;20,5;9999990,0;9999999,99999;0,01;ok")


def test_a_packed_log_is_unpacked(tmp_path: Path) -> None:
    curve = results(tmp_path)
    (tmp_path / "night.csv.gz").write_bytes(gzip.compress(log_of("9999990").encode()))
    result = command(curve, tmp_path / "night.csv.gz", "--into", "-", "--quiet")
    assert fields(result.stdout)[3] == "9999999.99999"


def test_a_log_without_header_and_columns_by_number(tmp_path: Path) -> None:
    job = JOB.replace('"utc"', "1").replace('"board_c"', "2").replace('"shown_hz"', "3")
    text = corrected_text(tmp_path, log_of("9999990", "9999990").split("\n", 1)[1], job=job)
    assert fields(text, 0)[2:4] == ["9999990", "9999999.99999"]


def test_rows_outside_the_range_are_marked_and_kept(tmp_path: Path) -> None:
    text = corrected_text(
        tmp_path, log_of("9999990", temperature="51.0"), curve=plain_curve(slope_ppb_per_c=10.0, base_ppb=750.0)
    )
    # The offset of the end, 750 + 25 * 10 = 1000 ppb, is held; how uncertain it is there nobody has measured.
    assert fields(text)[3:] == ["9999999.99999", "", "outside range"]


# ---- the lag


def uneven(rows: int = 1500) -> tuple[np.ndarray, np.ndarray]:
    """Times at uneven intervals about 10 s, a soak, a ramp, a wave; invented."""
    time_s = np.cumsum(np.random.default_rng(5).uniform(5.0, 15.0, rows))
    return time_s, 20.0 + np.clip((time_s - 3000.0) / 600.0, 0.0, 8.0) + 2.0 * np.sin(time_s / 900.0)


@pytest.mark.parametrize("cuts", [[], [400, 401, 900], [1, 2, 3]])
def test_the_lag_in_batches_is_the_solution_of_its_equation(cuts: list[int]) -> None:
    time_s, sensor_c = uneven()
    edges = [0, *cuts, time_s.size]
    filter, parts = CrystalFilter((120.0,)), []
    for a, b in pairwise(edges):
        parts.append(filter.follow(time_s[a:b], sensor_c[a:b], (time_s[b:], sensor_c[b:]))[0])
    # scipy's solver of linear systems, input linear between samples, on a grid that holds every time to 1 ms.
    grid_s = np.arange(time_s[0], time_s[-1], 0.5)
    seen = lsim(([1.0], [120.0, 1.0]), np.interp(grid_s, time_s, sensor_c) - sensor_c[0], grid_s - grid_s[0])[1]
    expected = np.interp(time_s, grid_s, seen) + sensor_c[0]
    late = time_s > time_s[0] + 12 * 120.0  # exp(-12) is left of the unknown start
    # A straight line on the 0.5 s grid departs by rate * 0.5 s / 2 where the input has its corners: below 1e-3 degC.
    assert np.abs(np.concatenate(parts) - expected)[late].max() < 1e-3


def test_batches_make_no_difference() -> None:
    time_s, sensor_c = uneven()
    whole, _, whole_u = CrystalFilter((120.0, 40.0)).follow(time_s, sensor_c)
    filter = CrystalFilter((120.0, 40.0))
    parts = [
        filter.follow(time_s[a : a + 77], sensor_c[a : a + 77], (time_s[a + 77 :], sensor_c[a + 77 :]))
        for a in range(0, time_s.size, 77)
    ]
    assert np.abs(np.concatenate([one[0] for one in parts]) - whole).max() < 1e-9
    assert np.abs(np.concatenate([one[2] for one in parts]) - whole_u).max() < 1e-9


def test_an_unknown_start_leaves_an_uncertainty_that_decays_with_the_lag() -> None:
    # By hand: a ramp of 1 degC/min behind 60 s is 1 degC apart if it was going on, and not at all if it began with the log; half
    # of the mean square is 0.5 degC**2.  It is carried over batches, and begins anew behind a gap.
    time_s = np.concatenate([np.arange(0.0, 300.0, 10.0), np.arange(900.0, 1200.0, 10.0)])
    sensor_c, filter = 20.0 + time_s / 60.0, CrystalFilter((60.0,))
    parts = [filter.follow(time_s[own], sensor_c[own])[2] for own in (slice(0, 20), slice(20, 60))]
    since_s = np.where(time_s < 900.0, time_s, time_s - 900.0)
    assert np.concatenate(parts) == pytest.approx(math.sqrt(0.5) * np.exp(-since_s / 60.0), abs=1e-9)


def test_a_sensor_that_lags_is_undone_alike_in_batches() -> None:
    time_s, crystal_c = uneven()
    sensor_c = CrystalFilter((90.0,)).follow(time_s, crystal_c)[0]  # the sensor lags behind
    whole = CrystalFilter((-90.0,)).follow(time_s, sensor_c)[0]
    filter = CrystalFilter((-90.0,))
    parts = [
        filter.follow(time_s[a : a + 500], sensor_c[a : a + 500], (time_s[a + 500 :], sensor_c[a + 500 :]))[0]
        for a in (0, 500, 1000)
    ]
    assert np.abs(np.concatenate(parts) - whole).max() < 1e-9
    # Local parabolas over some ten samples do not follow the corners of the ramp: 0.05 degC, where the lag makes 0.3.
    inside = slice(60, -60)
    assert np.abs(whole - crystal_c)[inside].max() < 0.05
    assert np.abs(sensor_c - crystal_c)[inside].max() > 0.2


def test_rows_after_a_start_and_a_gap_are_marked_for_two_time_constants() -> None:
    time_s = np.concatenate([np.arange(0.0, 1000.0, 10.0), np.arange(3000.0, 4000.0, 10.0), [3500.0]])
    corrector = Corrector(Calibration(plain_curve(lag_s=100.0, lag_u_s=1.0), None))
    state = corrector.offsets(time_s, np.full(time_s.size, 20.0)).state
    unsettled = (time_s < 200.0) | ((time_s >= 3000.0) & (time_s < 3200.0))
    unsettled[-1] = True  # a time that goes back is a start as well
    assert (state == np.where(unsettled, AFTER_A_START, OK)).all()


def test_a_gap_that_is_short_against_the_lag_is_bridged() -> None:
    time_s = np.concatenate([np.arange(0.0, 300.0, 1.0), np.arange(320.0, 600.0, 1.0)])  # 20 s, below 25 s
    corrector = Corrector(Calibration(plain_curve(lag_s=100.0, lag_u_s=1.0), None))
    assert (corrector.offsets(time_s, np.full(time_s.size, 20.0)).state[time_s >= 200.0] == OK).all()


def test_a_row_without_temperature_does_not_disturb_its_neighbours() -> None:
    time_s, sensor_c = uneven()
    with_hole = sensor_c.copy()
    with_hole[700] = np.nan
    seen = CrystalFilter((120.0,)).follow(time_s, with_hole)[0]
    whole = CrystalFilter((120.0,)).follow(time_s, sensor_c)[0]
    assert np.isnan(seen[700])
    # One sample is bridged by a straight line, 2 * (10 / 900)**2 / 2 degC off at most.
    assert np.nanmax(np.abs(seen - whole)) < 2e-4


@pytest.mark.parametrize("lags_s", [(120.0,), (-120.0,), ()])
@pytest.mark.parametrize("cut", [700, 701, 702])
def test_a_single_wild_temperature_is_not_followed(lags_s: tuple[float, ...], cut: int) -> None:
    time_s, sensor_c = uneven()
    with_spike = sensor_c.copy()
    with_spike[701] = 85.0

    def followed(at_c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        filter = CrystalFilter(lags_s)
        parts = [filter.follow(time_s[:cut], at_c[:cut], (time_s[cut:], at_c[cut:]))]
        parts.append(filter.follow(time_s[cut:], at_c[cut:]))
        seen, settled, _ = (np.concatenate(column) for column in zip(*parts, strict=True))
        return seen, settled

    seen, settled = followed(with_spike)
    assert np.isnan(seen[701])
    assert not settled[701]
    # The neighbours do without one of some ten samples of a local parabola, or are bridged by a straight line.
    assert np.nanmax(np.abs(seen - followed(sensor_c)[0])) < 0.02


def test_a_temperature_that_cannot_be_is_none(tmp_path: Path) -> None:
    rows = [f"{BASE_TIME_S + i:.0f},{-999 if i == 5 else 20.0},9999990" for i in range(400)]
    text = corrected_text(
        tmp_path, "\n".join(["utc,board_c,shown_hz", *rows, ""]), curve=plain_curve(lag_s=60.0, lag_u_s=1.0)
    )
    assert fields(text, 6)[3:] == ["", "", "no temperature"]
    assert {fields(text, row)[3] for row in range(1, 401) if row != 6} == {"9999999.99999"}


def test_a_log_without_time_is_corrected_at_the_sensors_temperature(tmp_path: Path) -> None:
    job = JOB.replace('time = "utc"\n', "")
    (tmp_path / "night.csv").write_text(log_of("9999990"))
    curve = results(tmp_path, plain_curve(lag_s=100.0, lag_u_s=1.0), job)
    result = command(curve, tmp_path / "night.csv", "--into", "-")
    # u is the 1 ppb that held-out samples scatter by.
    assert fields(result.stdout)[3:] == ["9999999.99999", "0.01", "ok"]
    assert "the log has no time, so the lag cannot be followed" in result.stderr


def test_rows_in_order_at_an_interval_need_no_clock(tmp_path: Path) -> None:
    job = JOB.replace('time = "utc"', "interval_s = 10")
    text = corrected_text(tmp_path, log_of("10000000", "10000000", "10000000"), job=job)
    # y = 1000 ppb: 10 MHz times 1 + 1e-6.
    assert [fields(text, row)[3] for row in (1, 2, 3)] == ["10000010"] * 3


def test_a_parquet_log_and_a_job_without_a_reading_are_one_sentence(tmp_path: Path) -> None:
    curve = results(tmp_path)
    (tmp_path / "x.parquet").write_bytes(b"PAR1")
    said = command(curve, tmp_path / "x.parquet")
    assert said.exit_code == 2
    assert "is a Parquet file; expected a text log" in said.stderr
    offset = JOB.replace('frequency = "shown_hz"', 'offset = "shown_hz"\noffset_unit = "ppb"').replace(
        "reference_hz", "#"
    )
    (tmp_path / "other.toml").write_text(offset)
    (tmp_path / "x.csv").write_text(log_of("1"))
    said = command(curve, tmp_path / "x.csv", "--job", tmp_path / "other.toml")
    assert said.exit_code == 2
    assert "no [[run]] of the job has a frequency column; name one with --frequency or --interval" in said.stderr


def test_the_offset_is_the_curves_own_at_every_temperature() -> None:
    # The steepest crystal of the samples, 7662 ppb over 80 degC with 0.1086 ppb/degC**3: invented board, see its truth.json.
    curve = changed(
        plain_curve(), basis=ChebyshevBasis(3, -20.0, 60.0), coef=(651.0, -3590.0, 30.0, 1738.0),
        covariance=tuple(map(tuple, np.zeros((4, 4)).tolist())), low_c=-20.0, high_c=60.0,
    )  # fmt: skip
    at_c = np.random.default_rng(2).uniform(-20.0, 60.0, 10_000)
    found = Corrector(Calibration(curve, None)).offsets(np.zeros(at_c.size), at_c)
    assert np.abs(found.offset_ppb - curve.offset_ppb(at_c)).max() < 1e-5  # a hundredth of what the firmware resolves


# ---- uncertainty


def test_the_uncertainty_is_combined_of_its_shares() -> None:
    curve = plain_curve(slope_ppb_per_c=100.0, u_ppb=3.0, lag_s=60.0, lag_u_s=2.0)
    table = step_table(
        scale=TemperatureScale(16), low_code=0, high_code=800, first_code=0, step_log2=10, entry_bits=16, unit_log2_ppt=8,
        interpolation="linear", entries=(-5859, 19141), max_error_ppb=6.0, rms_error_ppb=3.0,
    )  # fmt: skip
    time_s = np.arange(0.0, 1200.0, 10.0)
    sensor_c = 10.0 + time_s / 60.0  # 1 degC/min
    found = Corrector(Calibration(curve, table), sensor_u_c=0.04).offsets(time_s, sensor_c)
    # By hand: curve 3; table 6 / sqrt(3); lag 100 ppb/degC * 1/60 degC/s * 2 s; sensor 100 * 0.04.
    by_hand = math.hypot(3.0, 6.0 / math.sqrt(3.0), 100.0 / 60.0 * 2.0, 4.0)
    # The table's slope is 0.002 % from the curve's, as its entries are whole numbers.
    assert found.u_ppb[-1] == pytest.approx(by_hand, rel=1e-4)
    # The crystal is 1 degC behind: 100 ppb less than the sensor says. Entries are rounded to 0.256 ppb.
    assert found.offset_ppb[-1] == pytest.approx(1000.0 + 100.0 * (sensor_c[-1] - 1.0 - 25.0), abs=0.3)


def test_ageing_since_the_base_is_extrapolated_with_its_uncertainty_and_a_remark(tmp_path: Path) -> None:
    curve = plain_curve(ageing_ppb_per_day=6.0, ageing_u=0.5, u_ppb=1.0)
    (tmp_path / "night.csv").write_text(log_of("9999990", start_s=BASE_TIME_S + 4 * 86_400.0))
    result = command(results(tmp_path, curve), tmp_path / "night.csv", "--into", "-")
    # 4 days on: 1000 + 24 ppb; u 1 of the base and 4 * 0.5 of the ageing, 1 of the scatter, and what the base may walk.
    value, u = fields(result.stdout)[3:5]
    assert float(value) == pytest.approx(9_999_990 * (1 + 1024e-9), rel=1e-14)
    # A typical walk of 1 ppb in a day's root alone adds 2 ppb; its own spread, and a logarithm's, no more than four times that.
    assert math.hypot(1.0, 1.0, 2.0, 2.0) < float(u) / 10e-3 < math.hypot(1.0, 1.0, 2.0, 8.0)
    assert (
        "ageing is extrapolated from the base of 2026-03-04T00:00:00Z to this log, 4 to 4 days from it: +24 ppb (u "
        in (result.stderr)
    )


def test_ageing_of_short_runs_is_not_carried_on_for_long(tmp_path: Path) -> None:
    curve = plain_curve(ageing_ppb_per_day=6.0, ageing_u=0.5)
    (tmp_path / "night.csv").write_text(log_of("9999990", start_s=BASE_TIME_S + 100 * 86_400.0))
    result = command(results(tmp_path, curve), tmp_path / "night.csv", "--into", "-")
    assert fields(result.stdout)[3] == "9999999.99999"
    # It might go on, either way: a bound of 6 ppb/day, rectangular; or be the beginning of a logarithm, which may move it as far.
    assert 1.0 < float(fields(result.stdout)[4]) / (10e-3 * 600.0 / math.sqrt(3.0)) < 5.0
    assert (
        "6 ppb/day in runs of 2 days, which is not carried on for 100: anything within +/- 6 ppb/day" in result.stderr
    )


def test_a_drift_that_follows_the_history_is_taken_off() -> None:
    curve = plain_curve()
    runs = base_of_runs(curve, None)
    assert runs is not None
    drift = DriftSince(fit_ageing((runs,), Rate(2.0, 0.5, "invented")), BASE_TIME_S)
    found = Corrector(Calibration(curve, None), drift=drift).offsets(
        np.array([BASE_TIME_S, BASE_TIME_S + 864_000.0]), np.full(2, 20.0)
    )
    assert found.offset_ppb.tolist() == pytest.approx([1000.0, 1020.0])
    assert found.u_ppb[0] == 0.0
    # 10 days of 0.5 ppb/day, and a typical walk of 1 ppb in a day's root; its spread and a logarithm's, no more than 4 times it.
    assert math.hypot(5.0, math.sqrt(10.0)) < found.u_ppb[1] < math.hypot(5.0, 4 * math.sqrt(10.0))


@pytest.mark.parametrize(
    ("rate_c_per_min", "loop_ppb", "retrace_ppb"),
    [(0.0, 20.0, 10.0), (0.2, 20.0, 10.0), (1.0, 20.0, 10.0), (1.0, 0.0, 0.0)],
)
def test_the_uncertainty_of_corrected_readings_holds(
    rate_c_per_min: float, loop_ppb: float, retrace_ppb: float, tmp_path: Path
) -> None:
    # Asked of it: z at most 1.2, at least 90 % within k = 2.  Boards and logs of a simulator that shares no code with tcomp: a
    # loop, and retrace at each power-up; without either the start of a log on a ramp, at rest before, is what is left.
    found = [
        applied(
            seed, tmp_path / str(seed), (rate_c_per_min,), logs=12, loop_ppb=loop_ppb, retrace_ppb=retrace_ppb
        )[rate_c_per_min]
        for seed in (1, 2)
    ]  # fmt: skip
    z = np.concatenate([one.z for one in found])
    assert float(np.sqrt(np.mean(z**2))) <= 1.2
    assert float(np.mean(np.abs(z) <= 2.0)) >= 0.9
    # Nor is it far too large: 12 power-ups a board leave the RMS known to a quarter.
    assert float(np.sqrt(np.mean(z**2))) > 0.4


def test_a_loop_that_is_left_out_of_the_uncertainty_would_be_seen(tmp_path: Path) -> None:
    found = applied(1, tmp_path, (0.2,), logs=12, counted=False)[0.2]
    assert float(np.sqrt(np.mean(found.z**2))) > 2.0


def test_the_sensors_drift_counts_from_the_runs_on_and_cancels_at_a_trim(tmp_path: Path) -> None:
    # By hand: 0.2 degC over 1000 days, 100 ppb/degC: after 500 days +/-10 ppb, rectangular; 1 ppb of scatter.
    job = read_job_text(
        JOB + "[use]\nsensor_drift_c = 0.2\nlife_years = 2.737850787\n", tmp_path / "job.toml"
    )  # 1000 days
    curve = plain_curve(slope_ppb_per_c=100.0)
    later_s, at_c = np.array([BASE_TIME_S + 500 * 86_400.0]), np.array([30.0])
    made = Corrector(Calibration(curve, None), job=job, built_s=BASE_TIME_S)
    assert made.offsets(later_s, at_c).u_ppb[0] == pytest.approx(math.hypot(10.0 / math.sqrt(3.0), 1.0), rel=1e-6)
    # Trimmed after those 500 days, on a straight line: slopes do not differ, so that nothing of the drift is left that day.
    trimmed = curve.trimmed_to(1000.0, 0.0, float(later_s[0]))
    made = Corrector(Calibration(trimmed, None), job=job, built_s=BASE_TIME_S)
    assert made.offsets(later_s, at_c).u_ppb[0] == pytest.approx(1.0, rel=1e-6)
    # Nobody knows when the runs were: as far as it may.
    made = Corrector(Calibration(curve, None), job=job)
    assert made.offsets(later_s, at_c).u_ppb[0] == pytest.approx(math.hypot(20.0 / math.sqrt(3.0), 1.0), rel=1e-6)


# ---- a whole log with a known truth


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, pd.DataFrame]:
    """A night of a counter that runs on the river gauge's oscillator and is fed exactly 10 MHz; invented."""
    programme = Programme(
        -18.0, 20.0, (ProgrammeLeg(40.0, 0.5, 30.0), ProgrammeLeg(5.0, 1.0, 20.0), ProgrammeLeg(30.0, 0.2, 30.0))
    )
    board = river_gauge()
    # The base where the curve's has come to by then: 651.22 ppb (truth.json), and 7.6 h of 6 ppb/day.
    crystal = changed(board.crystal, base_ppb=651.22 + 6.0 * 7.62 / 24)
    scenario = changed(
        board, crystal=crystal, seed=77, runs=(PlannedRun("night.csv", "2026-03-03T20:00:00Z", programme),)
    )
    run = simulate(scenario)[0]
    folder = tmp_path_factory.mktemp("night")
    (folder / "old.csv").write_text(scenario.style.text(run.log, scenario.counter.input_hz))
    frame = pd.read_csv(folder / "old.csv", comment="#")
    y = frame["osc_hz"] / 12.8e6 - 1
    frame["shown_hz"] = 10e6 / (1 + y)
    frame.drop(columns="osc_hz").to_csv(folder / "night.csv", index=False, float_format="%.6f")
    return folder, frame


def test_a_night_of_readings_comes_out_true(night: tuple[Path, pd.DataFrame], promised_river: Path) -> None:
    folder, _ = night
    # Without the ageing that the job states for the years to come: these hours follow the drift of the runs.
    text = "".join(one for one in RIVER.read_text().splitlines(True) if not one.startswith("ageing_ppb_per_day"))
    (folder / "as_seen.toml").write_text(text)
    result = command(
        promised_river / "curve.json", folder / "night.csv", "--job", folder / "as_seen.toml", "--frequency", "shown_hz", "--into",
        folder / "true.csv", "--json",
    )  # fmt: skip
    figures = json.loads(result.stdout)
    found = pd.read_csv(folder / "true.csv")
    ok = found[found["state"] == "ok"]
    assert figures["states"]["ok"] == len(ok) > 0.9 * len(found)
    error_ppb = (ok["shown_hz_true"] / 10e6 - 1) * 1e9
    usual = error_ppb[np.abs(error_ppb) < 100.0]  # the simulated counter has wild readings, which are not the crystal's
    assert len(usual) > 0.98 * len(ok)
    # White noise of the counter 1 ppb, and the sensor's steps behind the lag: 2 ppb at most. Uncorrected: 1100 ppb.
    assert float(np.sqrt(np.mean(usual**2))) < 2.5
    assert float(np.sqrt(np.mean(((ok["shown_hz"] / 10e6 - 1) * 1e9) ** 2))) > 500.0
    # What is said of it is no less than what it is: the counter's noise is the reading's own, and comes on top.
    u_ppb = ok["shown_hz_u"][usual.index] / 1e7 * 1e9
    assert float(np.mean(np.abs(usual) < 2 * np.hypot(u_ppb, 1.0))) > 0.95


def test_without_the_lag_it_would_not(night: tuple[Path, pd.DataFrame], promised_river: Path) -> None:
    from tcomp.estimation.curve import read_curve

    _, frame = night
    frame = frame.assign(time_s=pd.to_datetime(frame["utc"]).astype("int64") / 1e9, temperature_c=frame["board_c"])
    if frame["time_s"].max() < 1e8:  # stamps of microseconds
        frame["time_s"] *= 1e3
    curve = read_curve(promised_river / "curve.json")
    found = corrected(curve, frame, frequency="shown_hz")
    blind = corrected(curve, frame, frequency="shown_hz", time=None)
    ok = (found["state"] == "ok").to_numpy()
    with_lag, without = (np.abs(one["shown_hz_true"].to_numpy()[ok] / 10e6 - 1) * 1e9 for one in (found, blind))
    assert float(np.nanmedian(with_lag)) < 3.0
    assert float(np.nanmedian(without)) > 50.0


RIVER = Path(__file__).parent.parent / "sample_runs" / "river_gauge" / "gauge07.toml"


@pytest.fixture(scope="module")
def promised_river(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from tcomp import workflow
    from tcomp.job import read_job
    from tcomp.results import Folder

    folder, job = Folder(tmp_path_factory.mktemp("river")), read_job(RIVER)
    workflow.fit(job, workflow.inspect_runs(job, folder, print), folder, print)
    return folder.path


def test_chunks_make_no_difference_to_the_bytes(night: tuple[Path, pd.DataFrame]) -> None:
    folder, _ = night
    log = RunLog(folder / "night.csv", "board_c", time="utc", frequency="shown_hz")
    texts = []
    for chunk_bytes in (1 << 14, 1 << 20):  # 16 kB are 350 rows of 10 s, twenty time constants
        stream = LogStream(log, Sensor(), chunk_bytes)
        curve = plain_curve(slope_ppb_per_c=-200.0, lag_s=170.0, lag_u_s=1.0)
        tally = Tally()
        texts.append(b"".join(corrected_lines(stream, Corrector(Calibration(curve, None)), "frequency", tally)))
    assert len(texts[0]) > 1 << 15
    assert texts[0] == texts[1]


# ---- mistakes


def test_a_job_that_is_not_beside_the_results_is_asked_for(tmp_path: Path) -> None:
    (tmp_path / "night.csv").write_text(log_of("9999990"))
    curve = results(tmp_path)
    (tmp_path / "gauge12.toml").rename(tmp_path / "other.toml")
    result = command(curve, tmp_path / "night.csv")
    assert result.exit_code == 2
    assert (
        "the job of these results is not next to them (as NAME.toml next to NAME.out/); name it with --job"
        in result.stderr
    )
    assert command(curve, tmp_path / "night.csv", "--job", tmp_path / "other.toml", "--into", "-").exit_code == 0


@pytest.mark.parametrize(
    ("words", "log", "outcome"),
    [
        (("--frequency", "shown"), log_of("1"), "night.csv:1: there is no column 'shown'; the nearest is 'shown_hz'"),
        (
            ("--frequency", "a", "--interval", "b"),
            log_of("1"),
            "of --frequency, --interval and --times several are given",
        ),
        ((), log_of("1").replace("\n1", ",state\n1", 1), "night.csv:1: there is a column 'state' already"),
        ((), log_of("9999990", "nine"), "night.csv:3: column 'shown_hz' holds 'nine', expected a number"),
        ((), "utc,board_c,shown_hz\n", "holds no rows"),
        ((), "", "is empty"),
    ],
)
def test_a_mistake_is_one_sentence_and_leaves_no_file(
    words: tuple[str, ...], log: str, outcome: str, tmp_path: Path
) -> None:
    (tmp_path / "night.csv").write_text(log)
    result = command(results(tmp_path), tmp_path / "night.csv", "--into", tmp_path / "true.csv", *words)
    assert result.exit_code == 2
    assert outcome in result.stderr
    assert "Traceback" not in result.stderr
    assert sorted(one.name for one in tmp_path.iterdir()) == ["gauge12.out", "gauge12.toml", "night.csv"]


def test_a_log_is_not_overwritten_by_itself(tmp_path: Path) -> None:
    (tmp_path / "night.csv").write_text(log_of("9999990"))
    result = command(results(tmp_path), tmp_path / "night.csv", "--into", tmp_path / "night.csv")
    assert result.exit_code == 2
    assert "is the log itself" in result.stderr


def test_the_oscillators_own_frequency_as_a_reading_is_remarked(tmp_path: Path) -> None:
    (tmp_path / "night.csv").write_text(log_of("9999990"))
    job = JOB.replace('role = "timebase"\nreference_hz = 10_000_000', "")
    result = command(results(tmp_path, job=job), tmp_path / "night.csv", "--into", "-")
    assert "in the job's runs it is the oscillator's own frequency" in result.stderr
    assert "own frequency" not in command(results(tmp_path), tmp_path / "night.csv", "--into", "-").stderr


def test_a_table_alone_says_what_is_not_known(tmp_path: Path) -> None:
    results(tmp_path)
    (tmp_path / "gauge12.out" / "curve.json").unlink()
    table = step_table(
        scale=TemperatureScale(16), low_code=0, high_code=512, first_code=0, step_log2=9, entry_bits=16, unit_log2_ppt=6,
        interpolation="linear", entries=(15625, 15625), max_error_ppb=1.7320508, rms_error_ppb=1.0,
    )  # fmt: skip
    (tmp_path / "gauge12.out" / "table.json").write_text(table_text(table))
    (tmp_path / "night.csv").write_text(log_of("9999990"))
    result = command(tmp_path / "gauge12.out" / "table.json", tmp_path / "night.csv", "--into", "-")
    assert fields(result.stdout)[3:] == ["9999999.99999", "0.01", "ok"]
    assert "u is the table's own share" in result.stderr


def test_the_result_is_told_on_one_screen(tmp_path: Path) -> None:
    (tmp_path / "night.csv").write_text(log_of("9999990", "", "9999990"))
    result = command(results(tmp_path), tmp_path / "night.csv", "--into", tmp_path / "true.csv", "--quiet")
    assert result.stdout.splitlines()[0].split(maxsplit=1) == [
        "corrected", "3 rows of night.csv: column shown_hz, times 1 + y",
    ]  # fmt: skip
    assert "no reading" in result.stdout
    assert result.stderr == ""


def test_a_frame_needs_its_columns_and_one_reading() -> None:
    frame = pd.DataFrame({"time_s": [0.0], "temperature_c": [20.0], "shown_hz": [9_999_990.0]})
    with pytest.raises(RunError, match="no column 'board_c'; its columns are time_s, temperature_c, shown_hz"):
        corrected(plain_curve(), frame, frequency="shown_hz", temperature="board_c")
    with pytest.raises(RunError, match="give one of them"):
        corrected(plain_curve(), frame)
    assert len(STATES) == 7


@pytest.mark.parametrize("encoding", ["utf-16", "cp1252", "utf-8-sig"])
def test_other_encodings_are_read(encoding: str, tmp_path: Path) -> None:
    curve = results(tmp_path)
    (tmp_path / "night.csv").write_bytes(("# 20 °C in the hut\n" + log_of("9999990")).encode(encoding))
    result = command(curve, tmp_path / "night.csv", "--into", tmp_path / "true.csv")
    assert result.exit_code == 0
    text = (tmp_path / "true.csv").read_text(encoding="utf-8")
    assert text.startswith("# 20 °C in the hut\n")
    assert fields(text, 2)[3] == "9999999.99999"


def test_a_damaged_packed_log_is_one_sentence(tmp_path: Path) -> None:
    curve = results(tmp_path)
    (tmp_path / "night.csv.gz").write_bytes(gzip.compress(log_of(*["9999990"] * 1000).encode())[:-20])
    result = command(curve, tmp_path / "night.csv.gz", "--into", tmp_path / "true.csv")
    assert result.exit_code == 2
    assert "the gzip data are damaged or cut short" in result.stderr
    assert not (tmp_path / "true.csv").exists()


@pytest.mark.parametrize(
    "form",
    ["%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S.500+01:00", "%d.%m.%Y %H:%M:%S", "unix", "mjd"],
)
def test_the_fast_reader_and_the_tolerant_one_agree_whatever_the_time(form: str, tmp_path: Path) -> None:
    time_s, sensor_c = BASE_TIME_S + 20.0 * np.arange(300), 20.0 + 3.0 * np.sin(np.arange(300) / 20.0)
    stamps = {"unix": [f"{t:.1f}" for t in time_s], "mjd": [f"{t / 86_400 + 40_587:.9f}" for t in time_s]}.get(
        form, [str(one) for one in pd.to_datetime(time_s, unit="s").strftime(form)]
    )
    rows = [f"{t},{c:.4f},9999990.00" for t, c in zip(stamps, sensor_c, strict=True)]
    job = JOB + (f'time_format = "{form}"\n' if form.startswith("%d") else "")
    curve = plain_curve(slope_ppb_per_c=-200.0, lag_s=100.0, lag_u_s=1.0)
    uniform, ragged = (
        corrected_text(
            tmp_path, "\n".join(["utc,board_c,shown_hz", *rows, *more, ""]), curve=curve, job=job
        ).splitlines()
        for more in ([], [stamps[-1]])  # one row that is cut short
    )
    assert uniform == ragged[:-1]
    at_c, state, _ = CrystalFilter((100.0,)).follow(time_s, np.round(sensor_c, 4))
    found = np.array([float(line.split(",")[3]) for line in uniform[1:]])
    # A stamp of 1e-9 days is good to 40 us.
    expected = 9_999_990.0 * (1 + (1000.0 - 200.0 * (at_c - 25.0)) * 1e-9)
    drift_hz = 1e7 * 1e-9  # the runs tell no ageing, so none is taken off
    assert np.abs(found - expected).max() < 0.001 * drift_hz
    assert [line.endswith(",ok") for line in uniform[1:]] == state.tolist()


def test_blanks_and_units_in_cells_are_read_and_kept(tmp_path: Path) -> None:
    log = "utc  board_c  shown_hz\n1772582400  20.50  10000000.0\n1772582401 20.50   10000000.0\n"
    corrected = corrected_text(tmp_path, log).splitlines()
    assert corrected[0] == "utc  board_c  shown_hz shown_hz_true shown_hz_u state"
    assert corrected[2].startswith("1772582401 20.50   10000000.0 ")
    assert corrected[2].endswith(" ok")
    cells = (
        log.replace("  ", ",").replace(" ", ",").replace(",,", ",").replace(".0\n", ".0 Hz\n").replace(".50,", ".50 C,")
    )
    assert fields(corrected_text(tmp_path, cells), 2)[3] == corrected[2].split()[3]


def test_a_date_that_stays_at_midnight_is_counted_on_from_chunk_to_chunk(tmp_path: Path) -> None:
    moments = np.arange(86_300, 86_500, 10) % 86_400
    rows = [f"2026-03-02 {at // 3600:02d}:{at // 60 % 60:02d}:{at % 60:02d},20.5,10000000.0" for at in moments.tolist()]
    (tmp_path / "night.csv").write_text("\n".join(["utc,board_c,shown_hz", *rows, ""]))
    log = RunLog(tmp_path / "night.csv", "board_c", time="utc", frequency="shown_hz")
    for chunk_bytes in (1 << 20, 150):
        stream = LogStream(log, Sensor(), chunk_bytes)
        time_s = np.concatenate([chunk.time_s for chunk in stream.chunks()])
        np.testing.assert_array_equal(np.diff(time_s), 10.0)
        assert any(said.endswith("first at line 12.") for said in stream.assumptions)


def test_a_log_with_the_newest_row_first_is_refused(tmp_path: Path) -> None:
    rows = [f"{1772582400 - 10 * row},20.5,10000000.0" for row in range(6)]
    (tmp_path / "night.csv").write_text("\n".join(["utc,board_c,shown_hz", *rows, ""]))
    result = command(results(tmp_path), tmp_path / "night.csv", "--into", tmp_path / "true.csv")
    assert result.exit_code == 2
    assert "night.csv:2: the newest row comes first" in result.stderr
    assert not (tmp_path / "true.csv").exists()


def test_what_is_likely_wrong_with_a_log_is_shown_even_without_remarks(tmp_path: Path) -> None:
    rows = [f"{10 * row},{68.0 + row % 3},10000000.0" for row in range(40)]
    (tmp_path / "night.csv").write_text("\n".join(["utc,board_c,shown_hz", *rows, ""]))
    result = command(results(tmp_path), tmp_path / "night.csv", "--into", tmp_path / "true.csv", "--quiet")
    assert result.exit_code == 0, result.stderr
    assert "warning" in result.stdout
    assert "look like degF" in result.stdout
