"""A lot beside other commands, on workers of other processors, and with damaged files in its folder."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hostile_runs import refusal
from lots import sound_logs, write_lot

from tcomp import files, workflow
from tcomp.cli import main
from tcomp.files import held
from tcomp.job import read_job
from tcomp.kernels import arithmetic_digest
from tcomp.lot import lot as lot_module
from tcomp.lot import unit_work
from tcomp.lot.lot import make_lot, tasks_of
from tcomp.lot.lot_file import read_lot
from tcomp.lot.unit_work import Outcome, Task, make_unit
from tcomp.lot.units import units_of


def tasks(lot: Path, into: Path, arithmetic: str = "") -> list[Task]:
    read = read_lot(lot)
    return tasks_of(read, units_of(read), into, arithmetic)


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def own_job(folder: Path, lot: Path, unit: str) -> Path:
    """The job of one unit, as `tcomp lot --job-of` prints it."""
    printed = CliRunner().invoke(main, ["lot", str(lot), "--job-of", unit], catch_exceptions=False)
    (folder / f"{unit}.toml").write_text(printed.stdout)
    return folder / f"{unit}.toml"


@contextmanager
def lot_at_work(into: Path) -> Iterator[None]:
    """The state of the folder while a lot is being built in it."""
    with held(into):
        (into / files.LOT_WORK).mkdir()
        yield
        (into / files.LOT_WORK).rmdir()


def test_a_build_into_a_running_lot_is_refused_and_leaves_no_folder(tmp_path: Path) -> None:
    lot, into = write_lot(tmp_path, sound_logs(1)), tmp_path / "out"
    job = own_job(tmp_path, lot, "g01")
    with lot_at_work(into):
        for command in ("build", "inspect"):
            said = refusal(command, job, "--into", into / "g01")
            assert said.endswith(
                f"a lot is being built in {into}; wait until it is done, or choose another folder with --into"
            )
        assert not (into / "g01").exists()
    make_lot(lot, into, jobs=1)
    workflow.build(read_job(job), into / "g01", make=())  # the lot is done: its folders are folders


def test_a_lot_shows_that_it_is_at_work_for_as_long_as_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lot, into, said = write_lot(tmp_path, sound_logs(2)), tmp_path / "out", []
    job, real = own_job(tmp_path, lot, "g01"), lot_module.outcomes

    def watched(*words: object, **keys: object) -> Iterator[Outcome]:
        said.append(refusal("build", job, "--into", into / "g01"))
        for outcome in real(*words, **keys):
            said.append(refusal("build", job, "--into", into / "g01"))
            yield outcome

    monkeypatch.setattr(lot_module, "outcomes", watched)
    figures = make_lot(lot, into, jobs=1)
    assert len(said) == 3
    assert all("a lot is being built in" in one for one in said)
    assert not figures.failed


def test_a_unit_in_whose_folder_another_command_works_fails_alone_and_keeps_its_results(tmp_path: Path) -> None:
    lot, into = write_lot(tmp_path, sound_logs(2)), tmp_path / "out"
    make_lot(lot, into, jobs=1)
    before = bytes_of(into / "g01")
    lot.write_text(lot.read_text().replace("needed_ppb = 60", "needed_ppb = 61"))
    with held(into / "g01"):
        first, second = (make_unit(task) for task in tasks(lot, into))
    assert "g01: another tcomp is at work in this folder; run the same command again when it is done" in first.reason
    assert not first.defect
    assert second.made
    assert bytes_of(into / "g01") == before
    assert [make_unit(task).made for task in tasks(lot, into)] == [True, False]


def test_a_folder_that_appears_while_its_unit_is_built_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lot, into, real = write_lot(tmp_path, sound_logs(1)), tmp_path / "out", unit_work.build

    def beside(*words: object, **keys: object) -> object:
        (into / "g01").mkdir()
        (into / "g01" / "notes.txt").write_text("mine")
        return real(*words, **keys)

    monkeypatch.setattr(unit_work, "build", beside)
    (outcome,) = (make_unit(task) for task in tasks(lot, into))
    assert "results of another command were written there meanwhile" in outcome.reason
    assert not outcome.defect
    assert (into / "g01" / "notes.txt").read_text() == "mine"


def test_good_results_stay_whatever_unit_json_has_become(tmp_path: Path) -> None:
    lot, into = write_lot(tmp_path, sound_logs(1)), tmp_path / "out"
    make_lot(lot, into, jobs=1)
    before = bytes_of(into / "g01")
    (into / "g01" / "unit.json").write_bytes(b"\xff\xfe\x00damaged")
    (outcome,) = (make_unit(task) for task in tasks(lot, into))
    assert outcome == Outcome("g01", made=True)
    assert bytes_of(into / "g01") == before


def test_a_worker_of_another_version_takes_no_results_away(tmp_path: Path) -> None:
    lot, into = write_lot(tmp_path, sound_logs(1)), tmp_path / "out"
    make_lot(lot, into, jobs=1)
    before = bytes_of(into / "g01")
    outcome = make_unit(replace(tasks(lot, into)[0], version="0.0"))
    assert "the worker has version" in outcome.reason
    assert bytes_of(into / "g01") == before


def test_a_log_that_is_no_text_makes_a_short_line(tmp_path: Path) -> None:
    logs = sound_logs(2)
    lot = write_lot(tmp_path, logs)
    noise = np.random.default_rng(1).integers(1, 256, 400_000, dtype=np.uint8).tobytes()
    (tmp_path / "logs" / "g01.csv").write_bytes(noise.replace(b"\x1f\x8b", b"zz"))
    result = CliRunner().invoke(main, ["lot", str(lot), "--into", str(tmp_path / "out"), "--workers", "1"])
    (line,) = [one for one in result.stderr.splitlines() if "FAILED" in one]
    assert len(line) < 2000  # 400 characters, some of which are spelt out with up to ten
    assert all(one.isprintable() for one in line)
    assert max(map(len, result.stdout.splitlines())) < 2000


OTHER_ROUTINES = {"OPENBLAS_CORETYPE": "Prescott", "NPY_ENABLE_CPU_FEATURES": "none"}
"""A processor with SSE alone, as the libraries would treat it (see test_reproducible.py)."""


def digest_with(settings: dict[str, str]) -> str:
    program = "from tcomp.kernels import *; choose_common_kernels(); print(arithmetic_digest())"
    known = {name: value for name, value in os.environ.items() if name not in OTHER_ROUTINES}
    done = subprocess.run(
        [sys.executable, "-c", program], env=known | settings, capture_output=True, text=True, check=True, timeout=120
    )
    return done.stdout.strip()


def test_the_digest_of_the_arithmetic_is_that_of_the_routines() -> None:
    assert digest_with({}) == digest_with({"OPENBLAS_NUM_THREADS": "4"}) == arithmetic_digest()
    assert digest_with(OTHER_ROUTINES) != arithmetic_digest()


def test_workers_that_round_otherwise_are_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lot, said = write_lot(tmp_path, sound_logs(2)), []
    make_lot(lot, tmp_path / "out", said.append, jobs=1)
    assert not [line for line in said if "round otherwise" in line]
    # What a cluster's worker of another kind finds: here the lot was started by such a machine.
    monkeypatch.setattr(lot_module, "arithmetic_digest", lambda: "another")
    make_lot(lot, tmp_path / "again", said.append, jobs=1)
    (line,) = [line for line in said if "round otherwise" in line]
    assert line.startswith(
        "2 of 2 units, such as g01, were built by workers whose processor or libraries round otherwise"
    )
