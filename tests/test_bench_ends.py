"""Ends of a run: killed at any moment it leaves a log that can be read; at a signal it ends in order."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from bench_instruments import PATIENCE_S, PtyBoard, board, job_text, running, until

from tcomp.job import Oscillator, RunLog
from tcomp.logs.log_file import read_run

ROOT = Path(__file__).parent.parent
SYNC_S = 0.2
COLUMNS = {"time": "utc", "temperature": "temperature_c", "frequency": "frequency_hz"}


class Numbering:
    """A board whose n-th line says a frequency n mHz above nominal."""

    def __init__(self) -> None:
        self.sent = 0

    def __call__(self, _: str) -> bytes:
        self.sent += 1
        return f"21.5,{12_800_000 + self.sent * 1e-3:.3f}\n".encode()


LINE_BYTES = len(b"21.5,12800000.001\n")


def numbers_in(log: Path) -> np.ndarray:
    run = read_run(RunLog(log, **COLUMNS), Oscillator("gauge 07", nominal_hz=12_800_000.0))
    return np.round(run.frame["offset_ppb"].dropna().to_numpy() * 12.8e6 * 1e-9 * 1e3).astype(int)


@pytest.fixture(scope="module")
def forks():
    """Processes that log, forked from one; all of them are ended with it, whatever becomes of a test."""
    with running(
        sys.executable, ROOT / "tests" / "bench_forks.py", stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        one_at_a_time = threading.Lock()

        def fork(job: Path) -> int:
            with one_at_a_time:
                process.stdin.write(f"{job}\n")
                process.stdin.flush()
                return int(process.stdout.readline())

        yield fork


def waited_s(process: int) -> float:
    """How long the threads of a process have waited for a core so far; proc(5), Linux's scheduler statistics."""
    waited_ns = 0
    for thread in Path(f"/proc/{process}/task").iterdir():
        waited_ns += int((thread / "schedstat").read_text().split()[1])
    return waited_ns * 1e-9


def sleep_by_its_clock(process: int, folder: Path, interval_s: float) -> None:
    """Sleep for an interval in which the process had a core, and the disk of its log answered.

    On a busy machine a process gets to its work later, and a sync takes longer: neither is the log's fault.
    """
    begun_s, waited_before_s = time.monotonic(), waited_s(process)
    with (folder / "canary").open("w") as canary:
        canary.write("a row")
        canary.flush()
        os.fsync(canary.fileno())
    sync_s = time.monotonic() - begun_s
    while time.monotonic() - begun_s < interval_s + 2 * sync_s + waited_s(process) - waited_before_s:
        time.sleep(0.01)


def test_a_run_killed_at_any_of_fifty_moments_leaves_all_but_the_last_sync_interval(tmp_path: Path, forks) -> None:
    """Kill -9, at moments drawn with a seed; every log is read by the reader that `tcomp inspect` uses.

    What must be in it is what the run had taken from its port a sync interval before the kill, by the time that it had
    a core; a busy machine may leave it more or less behind the board.
    """

    def kill_one(case: int) -> tuple[int, int]:
        folder = tmp_path / str(case)
        folder.mkdir()
        numbering = Numbering()
        port = PtyBoard(folder / "port", numbering, 0.01)
        try:
            (folder / "job.toml").write_text(job_text(board(port.link), f"[log]\nsync_s = {SYNC_S}"))
            process, log = forks(folder / "job.toml"), folder / "job.log.csv"
            until(lambda: log.exists() and b"\n2" in log.read_bytes())
            time.sleep(random.Random(case).uniform(0.0, 3 * SYNC_S))
            sent = numbering.sent
            taken = sent - (port.unread_bytes + LINE_BYTES - 1) // LINE_BYTES
            sleep_by_its_clock(process, folder, SYNC_S)
            os.kill(process, signal.SIGKILL)
        finally:
            port.unplug()
        found = numbers_in(log)
        assert np.array_equal(found, np.arange(found[0], found[-1] + 1)), "a sample is missing in the middle"
        return int(found[-1]), taken

    with ThreadPoolExecutor(6) as pool:
        last_and_taken = list(pool.map(kill_one, range(50)))
    assert all(last >= taken for last, taken in last_and_taken)
    assert sum(taken > 1 for _, taken in last_and_taken) > 40


def test_a_thousand_samples_a_second_from_two_sources_come_without_a_hole(tmp_path: Path, forks) -> None:
    """The rate is the benchmark's matter; here that none is missing between the first and the last."""
    boards = [Numbering(), Numbering()]
    ports = [PtyBoard(tmp_path / name, board, 0.0018) for name, board in zip(("probe", "counter"), boards, strict=True)]
    sources = "".join(
        f'[[source]]\nname = "{name}"\nkind = "serial"\nport = "{tmp_path / name}"\ngives = "{gives}"\nfields = [{field}]\n'
        for name, gives, field in (("probe", "temperature", 1), ("counter", "frequency", 2))
    )
    (tmp_path / "job.toml").write_text(job_text(sources))
    log = tmp_path / "job.log.csv"
    try:
        process = forks(tmp_path / "job.toml")
        until(lambda: log.exists() and log.read_bytes().count(b"\n2") > 400)
        os.kill(process, signal.SIGTERM)
        until(lambda: " end: " in log.read_text())
    finally:
        for port in ports:
            port.unplug()
    found = numbers_in(log)
    assert found.size > 300
    assert np.array_equal(found, np.arange(found[0], found[-1] + 1))


def test_a_log_with_a_hole_would_be_found(tmp_path: Path) -> None:
    """The check above finds what it is made for."""
    log = tmp_path / "log.csv"
    log.write_text("utc,temperature_c,frequency_hz\n" + "".join(
        f"2026-03-02T07:30:{n:02d}Z,21.5,{12_800_000 + n * 1e-3:.3f}\n" for n in (1, 2, 4)
    ))  # fmt: skip
    found = numbers_in(log)
    assert found.tolist() == [1, 2, 4]


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_ends_a_run_in_order_and_a_restart_goes_on(tmp_path: Path, name: str) -> None:
    port = PtyBoard(tmp_path / "port", Numbering(), 0.005)
    (tmp_path / "job.toml").write_text(job_text(board(port.link)))
    log = tmp_path / "job.log.csv"
    command = (sys.executable, "-m", "tcomp", "log", tmp_path / "job.toml", "--every", "0.2", "--json")
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "env": os.environ | {"PYTHONPATH": str(ROOT)}}
    try:
        for _ in range(2):
            before = log.stat().st_size if log.exists() else 0
            with running(*command, **streams) as process:
                until(lambda before=before: log.exists() and log.stat().st_size >= before + 2000)
                process.send_signal(signal.Signals[name])
                out, err = process.communicate(timeout=PATIENCE_S)
            assert process.returncode == 0, err
            assert json.loads(out)["reason"] == f"ended by {name}"
    finally:
        port.unplug()
    text = log.read_text()
    assert text.count(f"end: ended by {name}") == 2
    assert "gap: started again;" in text
    assert text.count("utc,temperature_c,frequency_hz") == 1
    assert numbers_in(log).size > 40


def test_a_process_of_a_test_that_fails_is_ended_with_all_that_it_has_started() -> None:
    """The fault is planted: the test gives up while a child of its process still runs."""
    child = "import subprocess, sys; print(subprocess.Popen(['sleep', '600']).pid, flush=True); sys.stdin.read()"
    streams = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
    found: list[subprocess.Popen[str]] = []
    grandchildren: list[int] = []

    def gives_up() -> None:
        with running(sys.executable, "-c", child, **streams) as process:
            found.append(process)
            grandchildren.append(int(process.stdout.readline()))
            raise AssertionError("planted")

    with pytest.raises(AssertionError, match="planted"):
        gives_up()
    assert found[0].returncode == -signal.SIGKILL
    until(lambda: _is_gone(grandchildren[0]))


def _is_gone(process: int) -> bool:
    """A zombie that nobody has waited for yet is gone, too."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True
