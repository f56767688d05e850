"""A log that is deleted, moved, replaced or cut while it is written, and a disk that fills: no line is lost in silence."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from bench_instruments import PATIENCE_S, FullDisk, PtyBoard, board, job_text, running, until

from tcomp.bench.clock import stamp
from tcomp.bench.log_file import LogWriter

ROOT = Path(__file__).parent.parent
HEADER = "utc,t,f"


def log_file(path: Path, **more: object) -> LogWriter:
    return LogWriter(path, ["of gauge 07", "more"], HEADER, 0.05, **more)  # type: ignore[arg-type]


def row(number: int) -> str:
    """The row with this number; invented."""
    return f"2026-03-02T07:30:{number // 1000:02d}.{number % 1000:03d}000Z,{number},1"


def numbers_in(path: Path) -> list[int]:
    """The rows of a log that has nothing else but its head; each line must be whole."""
    text = path.read_text()
    assert text.endswith("\n")
    assert text.count(HEADER) == 1
    assert all(line.startswith("#") or line == HEADER or line.count(",") == 2 for line in text.splitlines())
    return [int(number) for number in pd.read_csv(path, comment="#")["t"]]


def delete(path: Path) -> None:
    path.unlink()


def delete_folder(path: Path) -> None:
    shutil.rmtree(path.parent)


def move(path: Path) -> None:
    path.rename(path.with_name("moved.csv"))


def move_folder(path: Path) -> None:
    path.parent.rename(path.parent.with_name("moved"))


def replace(path: Path) -> None:
    other = path.with_name("other")
    other.write_text("somebody's\n")
    other.replace(path)


def cut(path: Path) -> None:
    os.truncate(path, 100)


def empty(path: Path) -> None:
    path.write_bytes(b"")


def overwrite(path: Path) -> None:
    """Longer than before, as by `cp other log`: neither name nor size tells."""
    path.write_bytes(b"x" * 100_000)


CASES = {
    delete: ("was deleted while it was being written; all of it is copied to", "log.csv"),
    delete_folder: ("was deleted while it was being written; all of it is copied to", "log.csv"),
    move: ("was moved away while it was being written; all of it is copied to", "log.csv"),
    move_folder: ("was moved away while it was being written; all of it is copied to", "log.csv"),
    replace: ("was replaced while it was being written; all of it is copied to", "log-2.csv"),
    cut: ("was cut while it was being written; the 54 lines in memory are written again", "log-2.csv"),
    empty: ("was cut while it was being written; the 54 lines in memory are written again", "log-2.csv"),
    overwrite: ("was overwritten while it was being written; the 54 lines in memory", "log-2.csv"),
}


@pytest.mark.parametrize("happens", CASES, ids=lambda one: one.__name__)
def test_a_log_that_is_taken_away_goes_on_in_a_new_file_with_all_its_lines(
    tmp_path: Path, happens: Callable[[Path], None]
) -> None:
    said, name = CASES[happens]
    path = tmp_path / "logs" / "log.csv"
    log = log_file(path)
    log.open()
    for number in range(50):
        log.add(row(number))
    happens(path)
    for number in range(50, 60):
        log.add(row(number))
    (fault,) = log.new_faults()
    assert said in fault
    assert str(path.with_name(name)) in fault
    log.close()
    assert log.path == path.with_name(name)
    assert numbers_in(log.path) == list(range(60))
    assert (log.lost_lines, log.new_faults()) == (0, [])


@pytest.mark.parametrize("happens", CASES, ids=lambda one: one.__name__)
def test_a_log_that_is_taken_away_after_its_last_line_is_written_anew_at_the_end(
    tmp_path: Path, happens: Callable[[Path], None]
) -> None:
    path = tmp_path / "logs" / "log.csv"
    log = log_file(path)
    log.open()
    for number in range(50):
        log.add(row(number))
    happens(path)
    log.close()
    assert numbers_in(log.path) == list(range(50))
    assert len(log.new_faults()) == 1


def test_a_log_that_is_taken_away_again_and_again_keeps_all_its_lines(tmp_path: Path) -> None:
    path = tmp_path / "logs" / "log.csv"
    log = log_file(path)
    log.open()
    for number in range(80):
        if number % 10 == 5:
            list(CASES)[number // 10](log.path)
        log.add(row(number))
    log.close()
    assert numbers_in(log.path) == list(range(80))
    assert len(log.new_faults()) == len(CASES)


def test_a_log_that_was_gone_on_with_is_copied_with_what_stood_there_before(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    for numbers, happens in ((range(50), None), (range(50, 60), delete)):
        log = log_file(path)
        log.open()
        for number in numbers:
            log.add(row(number))
        if happens is not None:
            happens(path)
        log.close()
    assert numbers_in(path) == list(range(60))


def test_what_stood_in_a_cut_log_before_this_run_is_said_to_be_lost(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    for numbers, happens in ((range(50), None), (range(50, 60), empty)):
        log = log_file(path)
        log.open()
        for number in numbers:
            log.add(row(number))
        if happens is not None:
            happens(path)
        log.close()
    assert numbers_in(log.path) == list(range(50, 60))
    assert "the 10 lines in memory are written again, what stood there before this run is lost" in log.new_faults()[0]


def test_lines_of_a_cut_log_that_are_not_in_memory_any_more_are_counted_as_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tcomp.bench.log_file.MAX_KEPT", 1000)
    log = log_file(tmp_path / "log.csv")
    log.open()
    for number in range(200):
        log.add(row(number))
    empty(log.path)
    log.close()
    found = numbers_in(log.path)
    assert found == list(range(found[0], 200))
    assert 20 < len(found) < 40
    assert log.lost_lines == found[0] + 4  # the four lines of the head were written anew
    assert f"{log.lost_lines} lines of this run are lost" in log.new_faults()[0]


def test_a_long_log_is_copied_piece_by_piece_so_that_nothing_waits_for_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tcomp.bench.log_file.MAX_COPIED", 1000)
    log = log_file(tmp_path / "log.csv")
    log.open()
    for number in range(500):
        log.add(row(number))
    delete(log.path)
    log.add(row(500))
    assert log.path.stat().st_size == 1000
    log.add(row(501))
    assert log.path.stat().st_size == 2000
    delete(log.path)  # in the middle of the copy
    log.add(row(502))
    assert log.path.stat().st_size == 1000
    log.close()
    assert numbers_in(log.path) == list(range(503))


def test_what_is_cut_while_it_is_copied_is_written_from_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tcomp.bench.log_file.MAX_COPIED", 1000)
    log = log_file(tmp_path / "log.csv")
    log.open()
    for number in range(500):
        log.add(row(number))
    move(log.path)
    log.add(row(500))
    empty(tmp_path / "moved.csv")
    log.close()
    assert numbers_in(log.path) == list(range(501))
    assert len(log.new_faults()) == 2


def test_a_folder_that_cannot_be_made_anew_is_told_and_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tcomp.bench.log_file.RETRY_S", 0.0)
    path = tmp_path / "logs" / "log.csv"
    log = log_file(path)
    log.open()
    log.add(row(0))
    move_folder(path)
    path.parent.write_text("a file where the folder was")
    log.add(row(1))
    assert "a new log cannot be written (File exists); what comes waits in memory" in log.trouble
    path.parent.unlink()
    log.look_after()
    assert log.trouble == ""
    log.close()
    assert numbers_in(path) == [0, 1]


def test_lines_of_another_program_in_the_log_are_told_and_do_not_spoil_ours(tmp_path: Path) -> None:
    log = log_file(tmp_path / "log.csv")
    log.open()
    log.add(row(0))
    with log.path.open("a") as file:
        file.write("# a remark without an end")
    log.add(row(1))
    log.add(row(2))
    log.close()
    assert log.new_faults() == [f"{log.path}: another program has written into the log; its lines are not samples"]
    assert log.path.read_text().splitlines()[-3:] == ["# a remark without an end", row(1), row(2)]


@pytest.mark.parametrize("room", range(60, 120, 7))
def test_a_full_disk_leaves_whole_lines_at_any_time_and_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    monkeypatch.setattr("tcomp.bench.log_file.RETRY_S", 0.0)
    disk = FullDisk(room)
    log = log_file(tmp_path / "log.csv", write=disk.write)
    log.open()
    for number in range(20):
        log.add(row(number))
        assert log.path.read_bytes().endswith(b"\n")
    disk.room = 100
    log.look_after()
    assert log.path.read_bytes().endswith(b"\n")
    log.close()
    found = numbers_in(log.path)
    assert found == list(range(len(found)))
    assert log.lost_lines == 20 - len(found) > 10


def test_a_disk_that_fills_while_a_log_is_copied_leaves_whole_lines_and_counts_the_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tcomp.bench.log_file.RETRY_S", 0.0)
    disk = FullDisk(10**9)
    log = log_file(tmp_path / "log.csv", write=disk.write)
    log.open()
    for number in range(50):
        log.add(row(number))
    delete(log.path)
    disk.room = 500
    log.add(row(50))
    log.close()
    found = numbers_in(log.path)
    assert found == list(range(len(found)))
    assert log.lost_lines == 51 - len(found) > 30


def test_a_disk_that_does_not_keep_what_it_took_is_told_once(tmp_path: Path) -> None:
    def fails(_: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    log = log_file(tmp_path / "log.csv", sync=fails)
    log.open()
    found: list[str] = []
    until(lambda: bool(found.extend(log.new_faults()) or found))
    log.close()
    assert found == [f"{log.path}: what was written may not be on the disk (Input/output error)"]
    assert log.new_faults() == []


@pytest.mark.parametrize("happens", [delete, replace, empty], ids=lambda one: one.__name__)
def test_a_run_whose_log_is_taken_away_says_so_and_ends_with_code_one(
    tmp_path: Path, happens: Callable[[Path], None]
) -> None:
    """Each line carries a number, so that a missing row would be found."""
    numbers = iter(range(10**9))
    port = PtyBoard(tmp_path / "port", lambda _: f"21.5,{12_800_000 + next(numbers) * 1e-3:.3f}\n".encode())
    job, log = tmp_path / "job.toml", tmp_path / "job.log.csv"
    new = log if happens is delete else tmp_path / "job.log-2.csv"
    job.write_text(job_text(board(port.link)))
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "env": os.environ | {"PYTHONPATH": str(ROOT)}}
    try:
        with running(sys.executable, "-m", "tcomp", "log", job, "--plain", **streams) as process:
            until(lambda: log.exists() and log.stat().st_size > 2000)
            happens(log)
            until(lambda: new.exists() and " fault: " in new.read_text())
            process.send_signal(signal.SIGTERM)
            out, err = process.communicate(timeout=PATIENCE_S)
    finally:
        port.unplug()
    assert process.returncode == 1, err
    assert f"file fault  {log} was" in out
    assert f"log         {new}\n" in out
    assert f'[[run]]\nfile = "{new.name}"' in out
    assert "while it was being written" in err
    text = new.read_text()
    assert " fault: " in text
    assert "while it was being written" in text
    sent = (pd.read_csv(new, comment="#")["frequency_hz"] - 12_800_000) * 1e3
    assert (sent.round().diff().dropna() == 1).all()
    assert f"rows        {len(sent)}\n" in out


def test_a_stamp_is_utc_wherever_the_machine_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    # 2024-02-29T12:00:00Z is 1 709 208 000 s of Unix time (POSIX: 19 782 days of 86 400 s, and a half).
    monkeypatch.setenv("TZ", "Asia/Kathmandu")
    time.tzset()
    try:
        assert stamp(19782.5 * 86400.0) == "2024-02-29T12:00:00.000000Z"
    finally:
        monkeypatch.undo()
        time.tzset()
