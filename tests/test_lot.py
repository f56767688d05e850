"""A lot of units: each as its own build, a bad one alone, and a stopped lot that goes on; invented boards."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result
from lots import JOB, LOT, ROWS, log_text, offset_ppb, sound_logs, sweep_c, write_lot

from tcomp import workflow
from tcomp.cli import main
from tcomp.errors import JobError, RunError, StageError, TcompError
from tcomp.files import held
from tcomp.job import read_job
from tcomp.lot import unit_work
from tcomp.lot.lot import make_lot
from tcomp.lot.lot_file import read_lot
from tcomp.lot.units import units_of


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)


def made(result: Result) -> set[str]:
    """The units that were built in this run, as it says."""
    return {line.split()[0] for line in result.stderr.splitlines() if line.endswith(": done")}


def rows_of(into: Path) -> dict[str, dict[str, str]]:
    with (into / "lot.csv").open() as file:
        return {row["unit"]: row for row in csv.DictReader(file)}


def test_a_unit_has_the_very_bytes_of_its_own_build(tmp_path: Path) -> None:
    lot = write_lot(tmp_path, sound_logs(2), LOT.replace("make = []\n", ""))
    make_lot(lot, tmp_path / "out", jobs=2)
    (tmp_path / "g02.toml").write_text(run("lot", lot, "--job-of", "g02").stdout)
    assert JOB.replace("{unit}", "g02").replace("{file}", "logs/g02.csv") in (tmp_path / "g02.toml").read_text()
    built = workflow.build(read_job(tmp_path / "g02.toml"), tmp_path / "alone")
    names = {path.name for path in built.folder.path.iterdir()}
    assert {path.name for path in (tmp_path / "out" / "g02").iterdir()} == names | {"unit.json"}
    assert "report.html" in names
    for name in names:
        assert (tmp_path / "out" / "g02" / name).read_bytes() == (built.folder.path / name).read_bytes(), name


def test_a_bad_unit_is_told_and_does_not_stop_the_others(tmp_path: Path) -> None:
    logs = sound_logs(3)
    logs["g02"] = logs["g02"][:60] + "x" + logs["g02"][60:]
    result = run("lot", write_lot(tmp_path, logs), "--into", tmp_path / "out", "--workers", "1")
    assert result.exit_code == 1
    assert "FAILED" in result.stdout
    rows = rows_of(tmp_path / "out")
    assert [rows[name]["status"] for name in ("g01", "g02", "g03")] == ["done", "failed", "done"]
    # The path starts at the job's folder, wherever that lies.
    assert rows["g02"]["reason"].startswith("logs/g02.csv:3: ")
    assert not (tmp_path / "out" / "g02").exists()


def test_a_defect_of_ours_is_marked_as_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = unit_work.build

    def faulty(job, into, make):
        if job.oscillator.name == "gauge g01":
            raise ZeroDivisionError("planted")
        return real(job, into, make=make)

    monkeypatch.setattr(unit_work, "build", faulty)
    result = run("lot", write_lot(tmp_path, sound_logs(2)), "--into", tmp_path / "out", "--workers", "1")
    assert result.exit_code == 1
    assert "DEFECT OF THIS PROGRAM: ZeroDivisionError: planted" in result.stderr
    assert "a defect of this program" in result.stdout
    assert rows_of(tmp_path / "out")["g02"]["status"] == "done"


def test_a_lot_of_sound_units_leaves_with_0_and_one_that_needs_more_with_1(tmp_path: Path) -> None:
    lot = write_lot(tmp_path, sound_logs(2))
    assert run("lot", lot, "--into", tmp_path / "out", "--workers", "1").exit_code == 0
    lot.write_text(lot.read_text().replace("needed_ppb = 60", "needed_ppb = 1"))
    result = run("lot", lot, "--into", tmp_path / "out", "--workers", "1", "--json")
    assert result.exit_code == 1
    assert json.loads(result.stdout)["yield"]["meeting"] == 0


def test_a_lot_that_is_killed_goes_on_where_it_was(tmp_path: Path) -> None:
    lot, into = write_lot(tmp_path, sound_logs(6)), tmp_path / "out"
    command = [sys.executable, "-m", "tcomp", "lot", str(lot), "--into", str(into), "--workers", "1"]
    with subprocess.Popen(
        command, stderr=subprocess.DEVNULL, env=os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    ) as process:
        until = time.monotonic() + 60
        while len(list(into.glob("*/unit.json"))) < 2 and time.monotonic() < until:
            time.sleep(0.01)
        process.send_signal(signal.SIGKILL)
    kept = {path.parent.name for path in into.glob("*/unit.json")}
    assert 2 <= len(kept) < 6  # it was killed in the middle, or this test tells nothing
    result = run("lot", lot, "--into", into, "--workers", "1")
    assert result.exit_code == 0
    assert made(result) == {f"g{number:02d}" for number in range(1, 7)} - kept
    assert not (into / ".begun").exists()
    make_lot(lot, tmp_path / "at_once", jobs=1)
    files = sorted(path.relative_to(into) for path in into.rglob("*") if path.is_file())
    assert files == sorted(
        p.relative_to(tmp_path / "at_once") for p in (tmp_path / "at_once").rglob("*") if p.is_file()
    )
    for name in files:
        assert (into / name).read_bytes() == (tmp_path / "at_once" / name).read_bytes(), name


def test_a_second_lot_in_the_same_folder_is_refused_and_touches_nothing(tmp_path: Path) -> None:
    lot, into = write_lot(tmp_path, sound_logs(1)), tmp_path / "out"
    (into / ".begun" / "of the other").mkdir(parents=True)
    with held(into):
        result = run("lot", lot, "--into", into, "--workers", "1")
    assert result.exit_code == 2
    assert "another tcomp is at work in this folder" in result.stderr
    assert (into / ".begun" / "of the other").is_dir()
    assert run("lot", lot, "--into", into, "--workers", "1").exit_code == 0
    assert not (into / ".begun").exists()


def test_only_a_unit_with_other_inputs_is_done_again(tmp_path: Path) -> None:
    lot, into = write_lot(tmp_path, sound_logs(2)), tmp_path / "out"
    assert made(run("lot", lot, "--into", into, "--workers", "1")) == {"g01", "g02"}
    assert made(run("lot", lot, "--into", into, "--workers", "1")) == set()
    (tmp_path / "logs" / "g02.csv").write_text(log_text(77))
    assert made(run("lot", lot, "--into", into, "--workers", "1")) == {"g02"}
    lot.write_text(lot.read_text().replace("make = []", 'make = ["firmware"]'))
    assert made(run("lot", lot, "--into", into, "--workers", "1")) == {"g01", "g02"}
    assert (into / "g01" / "gauge_g01.c").is_file()
    # Results of inputs that are no more are not kept beside a failure.
    (tmp_path / "logs" / "g02.csv").write_text("utc,board_c,osc_hz\n")
    assert run("lot", lot, "--into", into, "--workers", "1").exit_code == 1
    assert not (into / "g02").exists()


def test_of_a_finished_unit_the_small_files_are_enough(tmp_path: Path) -> None:
    lot, into = write_lot(tmp_path, sound_logs(2)), tmp_path / "out"
    assert run("lot", lot, "--into", into, "--workers", "1").exit_code == 0
    before = {name: (into / name).read_bytes() for name in ("lot.csv", "lot.html", "lot.json")}
    for path in into.rglob("*.parquet"):
        path.unlink()
    again = run("lot", lot, "--into", into, "--workers", "1")
    assert again.exit_code == 0
    assert made(again) == set()
    assert {name: (into / name).read_bytes() for name in before} == before


def test_a_version_that_is_not_the_lots_is_refused_by_the_worker(tmp_path: Path) -> None:
    lot = read_lot(write_lot(tmp_path, sound_logs(1)))
    task = unit_work.Task("g01", "logs/g01.csv", lot.template, tmp_path / "out", (), version="0.0.1")
    assert "started with 0.0.1" in unit_work.make_unit(task).reason


def test_one_log_of_a_chamber_with_many_channels_is_taken_apart(tmp_path: Path) -> None:
    temperature_c = sweep_c()
    wide = pd.DataFrame({"utc": 1_700_000_000 + 10 * pd.RangeIndex(ROWS), "air_c": temperature_c.round(4)})
    for number in (1, 2, 3):
        wide[f"osc_b{number}_hz"] = (1e7 * (1 + offset_ppb(temperature_c, base=100.0 * number) * 1e-9)).round(6)
    wide["heater_w"] = 5
    job = JOB.replace('"{file}"', '"chamber.csv"').replace("board_c", "air_c").replace("osc_hz", "osc_{unit}_hz")
    lot = write_lot(tmp_path, {}, lot='[lot]\nmake = []\n[units]\ncolumns = "osc_{unit}_hz"\n', job=job)
    for name in ("chamber.csv", "chamber.parquet"):
        wide.to_csv(tmp_path / name, index=False) if name.endswith("csv") else wide.to_parquet(tmp_path / name)
        lot.write_text(lot.read_text().replace("chamber.csv", name))
        assert [unit.name for unit in units_of(read_lot(lot))] == ["b1", "b2", "b3"]
    make_lot(lot, tmp_path / "out", jobs=1)
    bases = [float(row["base [ppb]"]) for row in rows_of(tmp_path / "out").values()]
    # At 25 degC, -1.4 degC from the inflection: the base, and 280 ppb of the slope; the table of digits leaves 0.01 ppb.
    assert bases == pytest.approx([379.7, 479.7, 579.7], abs=0.1)


def test_two_runs_of_each_unit_and_a_job_in_another_folder(tmp_path: Path) -> None:
    (tmp_path / "jobs").mkdir()
    second = (
        '[[run]]\nfile = "../logs/{unit}_b.csv"\ntime = "utc"\ntemperature = "board_c"\nfrequency = "osc_hz"\n[fit]'
    )
    (tmp_path / "jobs" / "board.toml").write_text(JOB.replace("[fit]", second, 1))
    lot = '[lot]\njob = "jobs/board.toml"\nname = "spring"\nmake = []\n[units]\nfiles = "logs/{unit}_a.csv"\n'
    path = write_lot(
        tmp_path, {"x_a": log_text(1), "x_b": log_text(2), "y_a": log_text(3), "y_b": log_text(4)}, lot, job=""
    )
    found = read_lot(path)
    assert [(unit.name, unit.file) for unit in units_of(found)] == [("x", "../logs/x_a.csv"), ("y", "../logs/y_a.csv")]
    assert [log.file.name for log in found.template.job_of("y", "../logs/y_a.csv").runs] == ["y_a.csv", "y_b.csv"]
    assert make_lot(path, tmp_path / "out", jobs=1).lot == "spring"


def test_one_symbol_for_all_is_one_program_with_many_tables(tmp_path: Path) -> None:
    job = JOB + '[firmware]\nsymbol = "trim"\n'
    lot = write_lot(tmp_path, sound_logs(2), lot=LOT.replace("[]", '["firmware"]'), job=job)
    make_lot(lot, tmp_path / "out", jobs=1)
    assert (tmp_path / "out" / "g02" / "trim.c").is_file()


def test_names_may_be_listed(tmp_path: Path) -> None:
    lot = LOT.replace('files = "logs/{unit}.csv"', 'names = ["g03", "g01"]')
    path = write_lot(tmp_path, sound_logs(3), lot, JOB.replace("{file}", "logs/{unit}.csv"))
    assert [unit.name for unit in units_of(read_lot(path))] == ["g03", "g01"]
    files = LOT.replace('"logs/{unit}.csv"', '["logs/g03.csv", "logs/g01.csv"]')
    assert [unit.name for unit in units_of(read_lot(write_lot(tmp_path, {}, files)))] == ["g03", "g01"]


WRONG = {
    "no such key": (LOT.replace("make", "mkae"), JOB, r"lot.toml:2: \[lot\] has no key 'mkae'; the nearest is 'make'"),
    "no such section": (LOT, JOB + "[tabel]\n", r"lot.toml:\d+: there is no section \[tabel\] in this lot file; the nearest"),
    "a key of the job that is wrong": (LOT, JOB.replace("max_error", "max_eror"), r"lot.toml:22: \[table\] has no key 'max_eror"),
    "an unknown product": (LOT.replace("[]", '["pictures"]'), JOB, r'lot.toml:2: \[lot\] make = \["pictures"\]: expected'),
    "a proof of nothing": (LOT.replace("[]", '["proof"]'), JOB, 'lot.toml:2: .* "proof" without "firmware"'),
    "no units": (LOT.replace('files = "logs/{unit}.csv"', ""), JOB, r"lot.toml:3: \[units\] needs exactly one of .* none"),
    "two ways": (LOT + 'names = ["a"]\n', JOB, "it has files, names"),
    "nothing found": (LOT.replace("logs", "log"), JOB, r"lot.toml:4: \[units\] files: no unit is found; check the pattern"),
    "a missing log": (
        LOT.replace('"logs/{unit}.csv"', '["logs/g01.csv", "logs/none.csv"]'), JOB, r"lot.toml:11: 1 log is not there: .*none.csv"
    ),
    "one name twice": (
        LOT.replace('"logs/{unit}.csv"', '["logs/g01.csv", "./logs/g01.csv"]'), JOB, "two units are called 'g01': logs/g01.csv"
    ),
    "names that folders may not tell apart": (
        LOT.replace('files = "logs/{unit}.csv"', 'names = ["a", "A"]'), JOB.replace("{file}", "{unit}.csv"), "may not tell capitals"
    ),
    "a name that is no folder": (
        LOT.replace('files = "logs/{unit}.csv"', 'names = ["a/b"]'), JOB.replace("{file}", "{unit}.csv"), "cannot be called 'a/b'"
    ),
    "a name that is a device": (
        LOT.replace('files = "logs/{unit}.csv"', 'names = ["nul"]'), JOB.replace("{file}", "{unit}.csv"), "a device on Windows"
    ),
    "symbols that clash": (
        LOT.replace('files = "logs/{unit}.csv"', 'names = ["a-1", "a_1"]'), JOB.replace("{file}", "{unit}.csv"),
        "lot.toml:7: units 'a-1' and 'a_1' would both have the symbol 'gauge_a_1'",
    ),
    "one name for all": (LOT, JOB.replace("gauge {unit}", "gauge"), r'lot.toml:7: \[oscillator\] name = "gauge" is the same'),
    "one log for all": (LOT, JOB.replace("{file}", "logs/g01.csv"), r"lot.toml:10: \[\[run\]\] reads the same for all units"),
    "a file without files": (
        LOT.replace('files = "logs/{unit}.csv"', 'names = ["a"]'), JOB, r"lot.toml:10: {file} in the job goes with \[units\] files"
    ),
    "columns of many logs": (
        LOT.replace('files = "logs/{unit}.csv"', 'columns = "osc_{unit}_hz"'), JOB.replace("{file}", "{unit}.csv"),
        "use files instead",
    ),
    "columns without a place": (
        LOT.replace('files = "logs/{unit}.csv"', 'columns = "osc_hz"'), JOB, r"lot.toml:4: .*expected {unit} once"
    ),
    "no job": (LOT, "", r"lot.toml:1: \[lot\] needs the key 'job', or the sections"),
    "a job that is not there": (LOT.replace("[lot]", '[lot]\njob = "board.toml"'), "", r"lot.toml:2: .* there is no file .*board"),
    "a job twice": (LOT.replace("[lot]", '[lot]\njob = "logs/g01.csv"'), JOB, r"\[oscillator\] in this lot file, as the job is"),
    "not TOML": ("[lot\n", "", "lot.toml: is not TOML"),
}  # fmt: skip


@pytest.mark.parametrize(("lot", "job", "message"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_is_said_before_anything_is_begun(lot: str, job: str, message: str, tmp_path: Path) -> None:
    path = write_lot(tmp_path, {"g01": log_text(1)}, lot, job)
    with pytest.raises((JobError, RunError), match=message):
        make_lot(path, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_folder_that_no_lot_has_made_is_not_touched(tmp_path: Path) -> None:
    lot = write_lot(tmp_path, sound_logs(1))
    (tmp_path / "out" / "g01").mkdir(parents=True)
    (tmp_path / "out" / "g01" / "letters.txt").write_text("mine")
    with pytest.raises(TcompError, match="which no lot has made; move it away"):
        make_lot(lot, tmp_path / "out")
    assert (tmp_path / "out" / "g01" / "letters.txt").read_text() == "mine"
    with pytest.raises(StageError, match="is a file; give a folder"):
        make_lot(lot, lot)


def test_folders_of_units_that_left_the_lot_are_told(tmp_path: Path) -> None:
    lot = write_lot(tmp_path, sound_logs(2))
    make_lot(lot, tmp_path / "out", jobs=1)
    (tmp_path / "logs" / "g01.csv").unlink()
    said: list[str] = []
    make_lot(lot, tmp_path / "out", said.append, jobs=1)
    assert said[0] == "left as they are: 1 folders of units that are not in the lot any more, such as g01"
    assert list(rows_of(tmp_path / "out")) == ["g02"]


def test_a_unit_that_is_not_in_the_lot_has_no_job(tmp_path: Path) -> None:
    result = run("lot", write_lot(tmp_path, sound_logs(2)), "--job-of", "g3")
    assert result.exit_code == 2
    assert "there is no unit 'g3' in this lot; its units are g01 to g02, 2 of them" in result.stderr


def test_explain_tells_every_key() -> None:
    result = run("lot", "--explain")
    assert result.exit_code == 0
    assert "[units]" in result.stdout
    assert "  columns = (left out)" in result.stdout
