"""A fresh run against what was promised: invented runs of the river gauge's board, with planted faults."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from tables import changed

from tcomp import workflow
from tcomp.cli import main
from tcomp.errors import JobError, RunError, TcompError
from tcomp.job import Job, read_job
from tcomp.results import Folder
from tcomp.simulation import PlannedRun, river_gauge, simulate
from tcomp.simulation.chamber import Programme, ProgrammeLeg
from tcomp.tables import CorrectionTable, table_text
from tcomp.upkeep.calibration import Calibration, read_subject
from tcomp.upkeep.check import CheckResult, check, fresh_job

RIVER = Path(__file__).parent.parent / "sample_runs" / "river_gauge" / "gauge07.toml"
JOB = """
[oscillator]
name = "gauge 07"
nominal_hz = 12_800_000
[reference]
uncertainty_ppb = 0.5
[[run]]
file = "fresh.csv"
time = "utc"
temperature = "board_c"
frequency = "osc_hz"
[sensor]
resolution_c = 0.0625
"""


@pytest.fixture(scope="module")
def promised(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the river gauge's two runs promise: clean.parquet, curve.json, table.json."""
    folder, job = Folder(tmp_path_factory.mktemp("promised")), read_job(RIVER)
    fit_result = workflow.fit(job, workflow.inspect_runs(job, folder, print), folder, print)
    workflow.design(job, fit_result.curve, folder, print)
    return folder.path


def fresh_run(
    folder: Path,
    *,
    rate: float = 0.3,
    seed: int = 31,
    base_ppb: float = 640.0,
    counter_noise_ppb: float | None = None,
    legs: tuple[ProgrammeLeg, ...] | None = None,
) -> Path:
    """Another run of the same board, a month later, with other noise; invented."""
    programme = Programme(-18.0, 20.0, legs or (ProgrammeLeg(58.0, rate, 30.0), ProgrammeLeg(-18.0, rate, 30.0)))
    board = river_gauge()
    scenario = changed(
        board,
        seed=seed,
        crystal=changed(board.crystal, base_ppb=base_ppb),
        runs=(PlannedRun("fresh.csv", "2026-04-02T07:30:00Z", programme),),
    )
    if counter_noise_ppb is not None:
        scenario = changed(scenario, counter=changed(board.counter, white_ppb=counter_noise_ppb))
    folder.mkdir(exist_ok=True)
    text = scenario.style.text(simulate(scenario)[0].log, scenario.counter.input_hz)
    (folder / "fresh.csv").write_text(text)
    (folder / "fresh.toml").write_text(JOB)
    return folder / "fresh.toml"


@pytest.fixture(scope="module")
def fresh(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return read_job(fresh_run(tmp_path_factory.mktemp("fresh")))


@pytest.fixture(scope="module")
def fast(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return read_job(fresh_run(tmp_path_factory.mktemp("fast"), rate=1.5, seed=32))


def turned(table: CorrectionTable) -> CorrectionTable:
    return changed(table, entries=tuple(-entry for entry in table.entries))


def rms_ppb(checked: CheckResult, place: int = 0) -> float:
    return float(np.sqrt(np.mean(checked.remainders[place].error_ppb ** 2)))


def command(*words: str | Path) -> Result:
    return CliRunner().invoke(main, ["check", *(str(word) for word in words)], catch_exceptions=False)


@pytest.mark.parametrize("name", ["curve.json", "table.json"])
def test_a_right_curve_and_its_table_hold_on_a_fresh_run(name: str, promised: Path, fresh: Job) -> None:
    checked = check(read_subject(promised / name), fresh)
    assert checked.status == "holds"
    # The counter's white noise is 1 ppb (invented run): what remains at the crystal cannot be less, and is not twice it.
    at_crystal = next(i for i, one in enumerate(checked.remainders) if one.words == "at the crystal's temperature")
    assert 0.9 < rms_ppb(checked, at_crystal) < 2.0


@pytest.mark.parametrize("beside", [True, False], ids=["curve beside", "alone"])
def test_a_table_with_its_sign_turned_is_found(beside: bool, promised: Path, fresh: Job) -> None:
    subject = read_subject(promised / "table.json")
    assert subject.table is not None
    wrong = Calibration(subject.curve if beside else None, turned(subject.table))
    checked = check(wrong, fresh)
    assert checked.status == "does not hold"
    assert any("one sign is turned" in remark for remark in checked.remarks)
    assert rms_ppb(checked) > 1000.0  # twice the curve, which wanders over 7.7 ppm


def test_a_firmware_that_follows_is_held_to_what_an_update_is_late(promised: Path, fresh: Job) -> None:
    follows = changed(fresh, firmware=changed(fresh.firmware, follow=True, update_s=10.0))
    plain, followed = (check(read_subject(promised / "table.json"), job).remainders[0] for job in (fresh, follows))
    # The crystal lags 170 s: an update each 10 s leaves a seventeenth of that share, exactly.
    lag, age = (
        next(share for share in one.judgement.claim.shares if "rate" in share.words) for one in (plain, followed)
    )
    assert lag.rms_ppb / age.rms_ppb == pytest.approx(17.0, rel=1e-3)
    assert plain.judgement.status == followed.judgement.status == "holds"
    assert np.std(followed.error_ppb) < np.std(plain.error_ppb) / 10
    # Planted, 40 ppb at the middle: behind the lag's 130 ppb RMS it is hidden, behind the 8 ppb of an update it is not.
    subject = read_subject(promised / "table.json")
    assert subject.table is not None
    bump = np.round(40_000 / 2**subject.table.unit_log2_ppt * np.hanning(len(subject.table.entries))).astype(int)
    entries = tuple(int(entry - more) for entry, more in zip(subject.table.entries, bump, strict=True))
    off = Calibration(subject.curve, changed(subject.table, entries=entries))
    assert [check(off, job).remainders[0].judgement.status for job in (fresh, follows)] == ["holds", "does not hold"]


def test_a_noisy_run_fails_no_right_curve_and_a_small_slope_is_found(promised: Path, tmp_path: Path) -> None:
    # Planted: a curve that is 0.1 ppb/degC too steep, 4 ppb at the ends, beside noise of 1 ppb; and three times the noise.
    curve = read_subject(promised / "curve.json").curve
    assert curve is not None
    job = read_job(fresh_run(tmp_path / "noisy", counter_noise_ppb=3.0))
    noisy = check(curve, job)
    shape = noisy.remainders[0].shape
    assert noisy.status == "holds"
    assert shape is not None
    assert shape.noise_ppb / shape.built_ppb == pytest.approx(2.0, abs=0.8)  # the sensor's share does not grow
    steeper = np.array(curve.coef)
    steeper[1] += 0.1 * (curve.high_c - curve.low_c) / 2  # the coefficient of T_1 is that of a straight line
    off = check(changed(curve, coef=tuple(steeper.tolist())), read_job(fresh_run(tmp_path / "plain")))
    assert off.status == "does not hold"
    found = off.remainders[0].shape
    assert found is not None
    assert found.slope_ppb_per_c == pytest.approx(-0.1, abs=0.03)  # crystal less curve; three of its uncertainties


def test_a_table_that_is_off_by_less_than_the_lag_is_found_behind_the_lag(promised: Path, fresh: Job) -> None:
    subject = read_subject(promised / "table.json")
    table = subject.table
    assert table is not None
    # 12 ppb at the middle, planted: hidden below the lag's 130 ppb where the firmware reads, not at the crystal.
    bump = np.round(12_000 / 2**table.unit_log2_ppt * np.hanning(len(table.entries))).astype(int)
    entries = tuple(int(entry + more) for entry, more in zip(table.entries, bump, strict=True))
    checked = check(Calibration(subject.curve, changed(table, entries=entries)), fresh)
    judged = [status for one in checked.remainders for status in one.statuses]
    assert judged == ["holds", "does not hold"]
    assert checked.status == "does not hold"


def test_a_fast_run_passes_for_the_curve_and_fails_for_a_table_meant_for_slow_changes(
    promised: Path, fast: Job
) -> None:
    assert check(read_subject(promised / "curve.json"), fast).status == "holds"
    table = read_subject(promised / "table.json")
    slow = check(table, fast, ramp_c_per_min=0.1)
    assert slow.status == "does not hold"
    assert check(Calibration(None, table.table), fast).status == "does not hold"
    # With the lag of these very legs in the promise, nothing is left unexplained: 495 ppb RMS of lag and all.
    assumptions_for = check(table, fast)
    assert assumptions_for.status == "holds"
    assert any("--ramp" in remark for remark in assumptions_for.remarks)
    assert rms_ppb(assumptions_for) == pytest.approx(rms_ppb(slow))


def test_the_share_of_the_lag_is_slope_times_time_constant_times_rate(promised: Path, tmp_path: Path) -> None:
    # About the inflection the slope is -5.08e-6 / 60 * 2.6 = -220 ppb/degC (the board's angle); the lag is 170 s.  The
    # ramp is 0.3 degC/min; over 6 degC the slope changes by 1 %, and ripple of the chamber adds a little: within 3 %.
    legs = (ProgrammeLeg(16.0, 2.0, 20.0), ProgrammeLeg(36.0, 0.3, 20.0))
    checked = check(read_subject(promised / "table.json"), read_job(fresh_run(tmp_path, legs=legs)))
    fresh = checked.fresh
    ramp = next(i for i, leg in enumerate(fresh.legs) if leg.kind == "heating" and leg.high_c > 34)
    middle = (fresh.leg == ramp) & (np.abs(fresh.sensor_c - 26.4) < 3.0)
    # The sensor is ahead of the crystal, the curve falls: the firmware reads too little, measured minus read is positive.
    lag_ppb = float(checked.remainders[0].error_ppb[middle].mean())
    assert lag_ppb == pytest.approx(220 * 170 * 0.3 / 60, rel=0.03)


def test_a_step_of_the_base_is_stated_and_not_a_failure(promised: Path, fresh: Job, tmp_path: Path) -> None:
    subject = read_subject(promised / "curve.json")
    stepped = check(subject, read_job(fresh_run(tmp_path, base_ppb=940.0)))
    assert stepped.status == "holds"
    before, after = check(subject, fresh).bases[0], stepped.bases[0]
    # The same noise, so the difference is the planted 300 ppb but for the counter's resolution.
    assert after.moved_ppb - before.moved_ppb == pytest.approx(300.0, abs=0.1)
    # From the run's end the truth of the first base: 640 against 640 + ageing of 1.5 days and retrace (truth.json).
    truth = json.loads((RIVER.parent / "truth.json").read_text())
    scenario_drift = river_gauge().crystal.ageing.linear_ppb_per_day
    last_h = 20 / 60 + 2 * (76 / 0.3 + 30) / 60
    at_25 = truth["runs"][0]["base_at_start_ppb"] + scenario_drift * last_h / 24
    assert abs(before.moved_ppb - (at_25 - truth["base_at_end_ppb"])) < 3 * before.u_ppb


def test_a_short_run_does_not_tell(promised: Path, tmp_path: Path) -> None:
    job = read_job(fresh_run(tmp_path, legs=(ProgrammeLeg(-16.0, 0.5, 5.0),)))
    assert check(read_subject(promised / "curve.json"), job).status == "too short to tell"
    table = read_subject(promised / "table.json")
    assert table.table is not None
    assert (
        check(Calibration(table.curve, turned(table.table)), job).status == "does not hold"
    )  # gross: told all the same


def test_samples_outside_the_range_are_counted_and_not_judged(promised: Path, tmp_path: Path) -> None:
    # Up and down: on one leg alone a drift looks like a shape.
    job = read_job(fresh_run(tmp_path, legs=(ProgrammeLeg(68.0, 0.5, 10.0), ProgrammeLeg(20.0, 0.5, 10.0))))
    checked = check(read_subject(promised / "curve.json"), job)
    assert checked.fresh.outside > 90  # 8 degC at 0.5 degC/min and the soak, every 10 s
    assert checked.fresh.sensor_c.max() <= checked.range_c[1]
    assert checked.status == "holds"


def test_a_run_wholly_outside_is_a_mistake(promised: Path, tmp_path: Path) -> None:
    table = read_subject(promised / "table.json").table
    assert table is not None
    cold = Calibration(None, changed(table, high_code=table.low_code + 16))
    job = read_job(fresh_run(tmp_path, legs=(ProgrammeLeg(20.0, 2.0, 30.0),)))
    hot = changed(cold, table=changed(table, low_code=table.high_code - 16))
    with pytest.raises(RunError, match=r"fresh.csv: 0 of \d+ samples can be judged; expected samples from 58.9"):
        check(hot, job)


def test_the_log_that_the_curve_was_fitted_to_is_remarked(promised: Path, tmp_path: Path) -> None:
    result = command(promised / "curve.json", RIVER, "--json")
    assert result.exit_code == 0
    assert "2026-03-02_slow.csv is a log that the curve was fitted to" in result.stderr
    again = command(promised / "curve.json", fresh_run(tmp_path))
    assert "learnt from" not in again.stderr


def test_a_table_alone_says_what_it_is_judged_by(promised: Path, tmp_path: Path) -> None:
    (tmp_path / "table.json").write_text((promised / "table.json").read_text())
    subject = read_subject(tmp_path / "table.json")
    assert subject.curve is None
    assert "no curve.json beside the table" in subject.remarks[0]
    assert "was used" in read_subject(promised / "table.json").remarks[0]


def test_a_curve_of_another_table_is_not_used(promised: Path, tmp_path: Path) -> None:
    table = read_subject(promised / "table.json").table
    assert table is not None
    (tmp_path / "curve.json").write_text((promised / "curve.json").read_text())
    (tmp_path / "table.json").write_text(table_text(turned(table)))
    subject = read_subject(tmp_path / "table.json")
    assert subject.curve is None
    assert "is not the curve that it was designed from" in subject.remarks[0]
    shifted = tuple(entry + 50 for entry in table.entries)  # the base alone moved: still the curve's table
    (tmp_path / "table.json").write_text(table_text(changed(table, entries=shifted)))
    assert read_subject(tmp_path / "table.json").curve is not None


def test_the_command_leaves_with_the_verdict(promised: Path, tmp_path: Path) -> None:
    job = fresh_run(tmp_path / "fresh")
    good = command(promised / "table.json", job, "--plot", tmp_path / "left.svg")
    assert (good.exit_code, good.stdout.splitlines()[0].split()[2]) == (0, "HOLDS:")
    assert "base moved by" in good.stdout
    assert command(promised / "table.json", job, "--ramp", "0.01").exit_code == 1
    short = fresh_run(tmp_path / "short", legs=(ProgrammeLeg(-16.0, 0.5, 5.0),))
    assert command(promised / "curve.json", short).exit_code == 2
    figures = json.loads(command(promised / "table.json", job, "--json", "--quiet").stdout)
    assert figures["holds"] is True
    assert {share["words"].split(",")[0] for share in figures["remainders"][0]["judgement"]["shares"]} > {"lag"}


def test_the_picture_is_the_same_twice_and_of_the_kind_asked(promised: Path, tmp_path: Path) -> None:
    job = fresh_run(tmp_path / "fresh", rate=1.0)
    for name in ("a.svg", "b.svg", "a.png", "b.png"):
        assert command(promised / "curve.json", job, "--plot", tmp_path / name, "--quiet").exit_code == 0
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification (ISO/IEC 15948), 5.2
    assert "promised, 95 %" in (tmp_path / "a.svg").read_text()
    result = command(promised / "curve.json", job, "--plot", tmp_path / "a.gif")
    assert result.exit_code == 2
    assert "ends in .svg or .png" in result.stderr


def test_a_log_in_place_of_the_job_is_told_what_to_do() -> None:
    with pytest.raises(JobError, match=r"expected a job file: `tcomp start fresh.csv` writes one"):
        fresh_job(Path("fresh.csv"))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (None, "cannot be read"),
        ("entries", "is no JSON text"),
        ("[1]", "is neither a curve nor a table"),
        ('{"kind": "proof"}', "is neither a curve nor a table"),
        ('{"kind": "curve", "schema": 1}', "cannot be read as a curve"),
        ('{"entries": []}', "this is no table"),
    ],
)
def test_what_is_no_curve_and_no_table_is_refused(text: str | None, message: str, tmp_path: Path) -> None:
    if text is not None:
        (tmp_path / "table.json").write_text(text)
    with pytest.raises(TcompError, match=message):
        read_subject(tmp_path / "table.json")


def test_an_unordered_fresh_table_is_checked_without_lag(promised: Path, tmp_path: Path) -> None:
    # Readings taken at rest, in no order, are as the curve says with 1 ppb of noise; invented.
    curve = read_subject(promised / "curve.json").curve
    assert curve is not None
    rng = np.random.default_rng(5)
    temperature_c = np.round(rng.uniform(-19.0, 59.0, 300), 4)
    offset_ppb = curve.offset_ppb(temperature_c) + rng.normal(0.0, 1.0, 300)
    rows = [f"{t:.4f},{y:.3f}" for t, y in zip(temperature_c, offset_ppb, strict=True)]
    (tmp_path / "fresh.csv").write_text("t,y\n" + "\n".join(rows) + "\n")
    text = (
        '[oscillator]\nname = "x"\n[[run]]\nfile = "fresh.csv"\ntemperature = "t"\noffset = "y"\noffset_unit = "ppb"\n'
    )
    (tmp_path / "fresh.toml").write_text(text)
    checked = check(Calibration(curve, None), read_job(tmp_path / "fresh.toml"))
    assert checked.status == "holds"
    assert any("has no time, so the lag cannot be taken off" in remark for remark in checked.remarks)
    assert [part.words for part in checked.by_leg] == ["fresh.csv: unordered"]
