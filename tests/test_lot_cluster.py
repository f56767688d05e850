"""A lot on a cluster: the same bytes from the workers of a Dask scheduler, and what is said when there is none."""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from lots import sound_logs, write_lot

from tcomp.errors import StageError
from tcomp.lot import workers
from tcomp.lot.lot import make_lot, tasks_of
from tcomp.lot.lot_file import read_lot
from tcomp.lot.unit_work import Outcome, Task
from tcomp.lot.units import units_of
from tcomp.lot.workers import outcomes


def test_workers_of_a_cluster_leave_the_same_bytes(tmp_path: Path) -> None:
    logs = sound_logs(3)
    logs["g02"] = "utc,board_c,osc_hz\n"
    lot = write_lot(tmp_path, logs)
    make_lot(lot, tmp_path / "here", jobs=1)
    make_lot(lot, tmp_path / "there", jobs=1, scheduler="local")
    files = sorted(path.relative_to(tmp_path / "here") for path in (tmp_path / "here").rglob("*") if path.is_file())
    assert {"lot.html", "g01/unit.json", "g03/curve.json"} <= {path.as_posix() for path in files}
    assert files == sorted(p.relative_to(tmp_path / "there") for p in (tmp_path / "there").rglob("*") if p.is_file())
    for name in files:
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "there" / name).read_bytes(), name


def test_a_scheduler_that_does_not_answer_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "CONNECT_S", 0.3)
    with pytest.raises(
        StageError, match=r"no Dask scheduler answers at tcp://127.0.0.1:9; start one with `dask scheduler`"
    ):
        make_lot(write_lot(tmp_path, sound_logs(1)), tmp_path / "out", scheduler="tcp://127.0.0.1:9")


def test_without_the_library_it_is_said_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    lot = read_lot(write_lot(tmp_path, sound_logs(1)))
    with pytest.raises(StageError, match=r"run `pip install distributed`, or leave --scheduler out"):
        list(outcomes(tasks_of(lot, units_of(lot), tmp_path / "out"), scheduler="local"))


def ended(task: Task) -> Outcome:
    """What the system does to a process for want of memory."""
    os.kill(os.getpid(), signal.SIGKILL)
    return Outcome(task.unit)


def test_a_process_that_the_system_ends_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "make_unit", ended)
    lot = read_lot(write_lot(tmp_path, sound_logs(2)))
    with pytest.raises(StageError, match="has ended one of 2 working processes, perhaps for want of memory"):
        list(outcomes(tasks_of(lot, units_of(lot), tmp_path / "out"), jobs=2))


def test_a_unit_whose_worker_was_lost_is_told_as_failed() -> None:
    lost = SimpleNamespace(status="error", exception=lambda: OSError("worker gone"))
    assert workers._outcome(lost, "g01").reason.startswith(
        "the cluster's worker could not do it (OSError: worker gone)"
    )
    assert "the connection was lost" in workers._outcome(SimpleNamespace(status="cancelled"), "g01").reason
