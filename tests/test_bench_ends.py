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
from bench_instruments import PtyBoard, board, job_text

from tcomp.job import Oscillator, RunLog
from tcomp.run.log_file import read_run

ROOT = Path(__file__).parent.parent
SYNC_S = 0.2
COLUMNS = {"time": "utc", "temperature": "temperature_c", "frequency": "frequency_hz"}


class Numbering:
    """A board whose n-th line says a frequency n mHz above nominal, and which remembers when it was sent."""

    def __init__(self) -> None:
        self.sent_s: list[float] = []

    def __call__(self, _: str) -> bytes:
        self.sent_s.append(time.monotonic())
        return f"21.5,{12_800_000 + len(self.sent_s) * 1e-3:.3f}\n".encode()


def numbers_in(log: Path) -> np.ndarray:
    run = read_run(RunLog(log, **COLUMNS), Oscillator("gauge 07", nominal_hz=12_800_000.0))
    return np.round(run.frame["offset_ppb"].dropna().to_numpy() * 12.8e6 * 1e-9 * 1e3).astype(int)


@pytest.fixture(scope="module")
def forks():
    process = subprocess.Popen(
        [sys.executable, str(ROOT / "tests" / "bench_forks.py")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    one_at_a_time = threading.Lock()

    def fork(job: Path) -> int:
        with one_at_a_time:
            process.stdin.write(f"{job}\n")
            process.stdin.flush()
            return int(process.stdout.readline())

    yield fork
    process.stdin.close()
    process.wait()
    process.stdout.close()


def test_a_run_killed_at_any_of_fifty_moments_leaves_all_but_the_last_sync_interval(tmp_path: Path, forks) -> None:
    """Kill -9, at moments drawn with a seed; every log is read by the reader that `tcomp inspect` uses."""

    def kill_one(case: int) -> tuple[int, int]:
        folder = tmp_path / str(case)
        folder.mkdir()
        numbering = Numbering()
        port = PtyBoard(folder / "port", numbering, 0.002)
        (folder / "job.toml").write_text(job_text(board(port.link), f"[log]\nsync_s = {SYNC_S}"))
        process, log = forks(folder / "job.toml"), folder / "job.log.csv"
        until_s = time.monotonic() + 20.0
        while not (log.exists() and b"\n2" in log.read_bytes()):
            assert time.monotonic() < until_s
            time.sleep(0.005)
        time.sleep(random.Random(case).uniform(0.0, 3 * SYNC_S))
        killed_s = time.monotonic()
        os.kill(process, signal.SIGKILL)
        due = sum(sent_s < killed_s - SYNC_S for sent_s in numbering.sent_s)
        port.unplug()
        found = numbers_in(log)
        assert np.array_equal(found, np.arange(found[0], found[-1] + 1)), "a sample is missing in the middle"
        return int(found[-1]), due

    with ThreadPoolExecutor(6) as pool:
        last_and_due = list(pool.map(kill_one, range(50)))
    assert all(last >= due for last, due in last_and_due)
    assert len(last_and_due) == 50


def test_a_thousand_samples_a_second_from_two_sources_come_without_a_hole(tmp_path: Path, forks) -> None:
    """The rate is the benchmark's matter; here that none is missing between the first and the last."""
    boards = [Numbering(), Numbering()]
    ports = [PtyBoard(tmp_path / name, board, 0.0018) for name, board in zip(("probe", "counter"), boards, strict=True)]
    sources = "".join(
        f'[[source]]\nname = "{name}"\nkind = "serial"\nport = "{tmp_path / name}"\ngives = "{gives}"\nfields = [{field}]\n'
        for name, gives, field in (("probe", "temperature", 1), ("counter", "frequency", 2))
    )
    (tmp_path / "job.toml").write_text(job_text(sources))
    process = forks(tmp_path / "job.toml")
    time.sleep(2.5)
    os.kill(process, signal.SIGTERM)
    log, until_s = tmp_path / "job.log.csv", time.monotonic() + 10.0
    while " end: " not in log.read_text():
        assert time.monotonic() < until_s
        time.sleep(0.05)
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


def started(job: Path, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "tcomp", "log", str(job), "--every", "0.2", *more],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_ends_a_run_in_order_and_a_restart_goes_on(tmp_path: Path, name: str) -> None:
    numbering = Numbering()
    port = PtyBoard(tmp_path / "port", numbering, 0.005)
    (tmp_path / "job.toml").write_text(job_text(board(port.link)))
    log = tmp_path / "job.log.csv"
    for _ in range(2):
        process = started(tmp_path / "job.toml", "--json")
        before, until_s = (log.stat().st_size if log.exists() else 0), time.monotonic() + 20.0
        while not log.exists() or log.stat().st_size < before + 2000:
            assert time.monotonic() < until_s
            time.sleep(0.01)
        process.send_signal(signal.Signals[name])
        out, err = process.communicate(timeout=10)
        assert process.returncode == 0, err
        assert json.loads(out)["reason"] == f"ended by {name}"
    port.unplug()
    text = log.read_text()
    assert text.count(f"end: ended by {name}") == 2
    assert "gap: started again;" in text
    assert text.count("utc,temperature_c,frequency_hz") == 1
    assert numbers_in(log).size > 40
