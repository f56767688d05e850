"""Faults are survived, counted and shown: each is planted over a real transport, and found in the log."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest
from bench_instruments import FullDisk, PtyBoard, board, job_text, until

from tcomp.bench.clock import EvenClock
from tcomp.bench.instruments import Reading
from tcomp.bench.log_file import LogWriter
from tcomp.bench.recorder import Recorder
from tcomp.bench.rows import log_layout
from tcomp.bench.session import Session, SessionOptions
from tcomp.documents.log import LogDocument
from tcomp.errors import BenchError
from tcomp.job import read_job

GOOD = b"21.3125,12800001.25\n"


@pytest.fixture
def port(tmp_path: Path) -> Iterator[PtyBoard]:
    """A board that sends good lines, until a test lets it say something else."""
    found = PtyBoard(tmp_path / "port", lambda _: GOOD)
    yield found
    found.unplug()


begun: list[Run] = []


@pytest.fixture(autouse=True)
def _runs_end_with_their_test() -> Iterator[None]:
    yield
    while begun:
        begun.pop().stop()


class Run:
    """A run that goes on while a test does things to its instruments."""

    def __init__(self, folder: Path, port: PtyBoard, more: str = "", log: str = "") -> None:
        (folder / "job.toml").write_text(job_text(board(port.link, more), f"[log]\nsync_s = 0.2\n{log}"))
        self.session = Session(read_job(folder / "job.toml", runs_needed=False), SessionOptions(), ())
        self.outcome: LogDocument | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        begun.append(self)
        self.until(lambda: self.session.monitor.rows > 3)

    def _run(self) -> None:
        self.outcome = self.session.run()

    until = staticmethod(until)

    def goes_on(self, rows: int = 5) -> None:
        before = self.session.monitor.rows
        self.until(lambda: self.session.monitor.rows >= before + rows)

    def stop(self) -> None:
        self.session.stop("a test")
        self._thread.join()

    def end(self) -> tuple[LogDocument, pd.DataFrame, str]:
        self.stop()
        assert self.outcome is not None
        path = self.session.layout.path
        return self.outcome, pd.read_csv(path, comment="#"), path.read_text()


def test_a_port_that_is_unplugged_and_comes_back_is_a_gap(tmp_path: Path, port: PtyBoard) -> None:
    run = Run(tmp_path, port)
    port.unplug()
    run.until(lambda: run.session.monitor.sources["board"].gone)
    port.plug()
    run.until(lambda: not run.session.monitor.sources["board"].gone)
    run.goes_on()
    outcome, rows, text = run.end()
    assert outcome.held
    assert outcome.faults == {"gone": 1}
    assert "fault: board, gone: port" in text
    assert "well: board: port" in text
    assert set(rows["temperature_c"]) == {21.3125}


@pytest.mark.parametrize(
    ("line", "kind", "shown"),
    [
        (b"\xff\x80?21..3,#!\n", "garbage", "is not a valid temperature, in the line"),
        (b"21.3125\n", "half line", "there is no field 2 in the line '21.3125'"),
        (b"21.3125,1280\n", "out of range", "frequency 1280 Hz is far from the 12800000 Hz of the job"),
        (b"21.3125,12.80000125\n", "another unit", "frequency 12.80000125 Hz looks like MHz; the job says Hz"),
        (b"21.3125,5 ppm\n", "another unit", "the frequency is in ppm, the job says Hz"),
        (b"999.9,12800001.25\n", "out of range", "temperature 999.9 degC is impossible"),
    ],
)
def test_a_line_of_no_use_is_counted_and_shown_and_makes_no_row(
    tmp_path: Path, port: PtyBoard, line: bytes, kind: str, shown: str
) -> None:
    run = Run(tmp_path, port)
    sent = iter([line])
    port._says = lambda _: next(sent, GOOD)
    run.until(lambda: bool(run.session.monitor.faults()))
    run.goes_on()
    outcome, rows, text = run.end()
    assert outcome.faults == {kind: 1}
    assert [one for one in text.splitlines() if one.startswith("#? ") and kind in one and shown in one]
    assert f"fault: board, {kind}" in text
    assert set(rows["frequency_hz"]) == {12800001.25}


def test_a_counter_that_says_its_unit_is_converted_without_losing_digits(tmp_path: Path, port: PtyBoard) -> None:
    run = Run(tmp_path, port)
    port._says = lambda _: b"70.7 degF, 12.80000125 MHz\n"
    run.until(lambda: run.session.monitor.last_row[1] == 21.5)
    outcome, rows, _ = run.end()
    assert outcome.faults == {}
    assert set(rows["frequency_hz"]) == {12800001.25}
    assert set(rows["temperature_c"]) == {21.3125, 21.5}
    assert run.session.recorder.feed._sources[0].lines.converted == {"degF", "MHz"}


def test_thousands_of_bad_lines_do_not_fill_the_log(tmp_path: Path, port: PtyBoard) -> None:
    run = Run(tmp_path, port)
    count = iter(range(10**9))
    port._says, port._period_s = lambda _: b"nonsense\n" if next(count) < 150 else GOOD, 0.001
    run.until(lambda: run.session.monitor.faults().get("half line", 0) == 150)
    run.goes_on()
    outcome, _, text = run.end()
    assert outcome.faults == {"half line": 150}
    assert text.count("\n#? ") == 21
    assert "half line (100 times)" in text


def test_a_counter_that_answers_late_is_logged_at_the_time_of_its_answer(tmp_path: Path) -> None:
    slow = iter([False, False, False, False, True])

    def answer(_: str) -> bytes:
        if next(slow, False):
            time.sleep(0.35)
        return GOOD

    port = PtyBoard(tmp_path / "port", answer, asked=True)
    run = Run(tmp_path, port, 'ask = "?"\nperiod_s = 0.05\ntimeout_s = 0.25')
    run.until(lambda: run.session.monitor.sources["board"].late == 1)
    run.goes_on()
    outcome, rows, _ = run.end()
    port.unplug()
    assert outcome.faults == {"late": 1}
    assert len(rows) == run.session.monitor.rows
    steps_s = pd.to_datetime(rows["utc"]).diff().dt.total_seconds()
    assert 0.3 < steps_s.max() < 1.0
    # What was asked was answered once each: no answer was taken for that to another question.  The first answer after a
    # port is opened is not taken, and the last may not have been waited for.
    assert 0 <= len(port.heard) - 1 - len(rows) <= 1


def test_an_instrument_that_falls_silent_is_told_and_asked_again(tmp_path: Path) -> None:
    silent = iter([False] * 5 + [True] * 2)
    port = PtyBoard(tmp_path / "port", lambda _: None if next(silent, False) else GOOD, asked=True)
    run = Run(tmp_path, port, 'ask = "?"\nperiod_s = 0.05\ntimeout_s = 0.05')
    run.until(lambda: run.session.monitor.faults().get("silent", 0) == 2)
    run.goes_on()
    outcome, _, text = run.end()
    port.unplug()
    assert outcome.faults["silent"] == 2
    assert "nothing answers to '?' within 0.05 s; check ask, line_end and the cable" in text


def test_a_reference_that_is_not_well_leaves_the_frequency_out_and_tells(tmp_path: Path, port: PtyBoard) -> None:
    port._says = lambda _: b"21.3125,12800001.25,LOCKED\n"
    path = tmp_path / "job.toml"
    source = board(port.link, "good = '^LOCKED'").replace('"frequency"]', '"frequency", "reference"]')
    path.write_text(job_text(source))
    session = Session(read_job(path, runs_needed=False), SessionOptions(), ())
    thread = threading.Thread(target=session.run)
    thread.start()
    Run.until(lambda: session.monitor.rows > 3)
    port._says = lambda _: b"21.3125,12800001.25,HOLDOVER\n"
    Run.until(lambda: session.monitor.reference_ok is False)
    before = session.monitor.rows
    Run.until(lambda: session.monitor.rows > before + 3)
    port._says = lambda _: b"21.3125,12800001.25,LOCKED\n"
    Run.until(lambda: session.monitor.reference_ok is True)
    session.stop("a test")
    thread.join()
    rows = pd.read_csv(session.layout.path, comment="#")
    text = session.layout.path.read_text()
    assert rows["frequency_hz"].isna().sum() > 3
    assert rows["temperature_c"].notna().all()
    assert "the reference is not well; rows are written without a frequency" in text
    assert "the reference is well again" in text
    assert "frequency=12800001.25 reference=0.0" in text


def test_a_step_of_the_wall_clock_is_recorded_and_not_followed() -> None:
    wall = [1000.0, 1001.0, 4602.0, 4603.0]
    even = iter([0.0, 1.0, 2.0, 3.0, 3.0])
    clock = EvenClock(even=lambda: next(even), wall=iter(wall).__next__)
    assert [clock.step_s() for _ in range(3)] == [0.0, 3600.0, 0.0]
    assert clock.now_s() == 1003.0


def test_a_step_of_the_wall_clock_stands_in_the_log(tmp_path: Path, port: PtyBoard) -> None:
    run = Run(tmp_path, port)
    real = time.time
    run.session.clock.wall = lambda: real() + 3600.0
    run.until(lambda: any(event.what == "clock" for event in run.session.monitor.events))
    run.goes_on()
    _, rows, text = run.end()
    assert "clock: the wall clock was set by +3600" in text
    assert pd.to_datetime(rows["utc"]).diff().dt.total_seconds().max() < 100.0


def log_file(path: Path, about: str = "of gauge 07", header: str = "utc,t,f", **more: object) -> LogWriter:
    return LogWriter(path, [about, "more"], header, 0.05, **more)  # type: ignore[arg-type]


def test_a_full_disk_keeps_lines_waiting_and_loses_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tcomp.bench.log_file.RETRY_S", 0.0)
    disk = FullDisk(60)
    log = log_file(tmp_path / "log.csv", write=disk.write)
    log.open()
    for number in range(50):
        log.add(f"2026-03-02T07:30:{number:02d}Z,{number},1")
    assert "the disk takes nothing (No space left on device); what comes waits in memory" in log.trouble
    assert log.waiting_bytes > 1000
    disk.room = 10**9
    log.look_after()
    assert log.trouble == ""
    log.close()
    rows = pd.read_csv(tmp_path / "log.csv", comment="#")
    assert rows["t"].tolist() == list(range(50))
    assert log.lost_lines == 0


def test_a_really_full_disk_is_one_of_those() -> None:
    """The system's own device that is always full (full(4))."""
    log = log_file(Path("/dev/full"))
    log.open()
    assert "No space left on device" in log.trouble
    log.close()
    assert log.lost_lines == 4


def test_a_clock_that_is_behind_the_last_row_is_told(tmp_path: Path, port: PtyBoard) -> None:
    run = Run(tmp_path, port)
    run.end()
    with run.session.layout.path.open("a") as file:
        file.write("2099-03-02T07:30:00.000000Z,21.5,12800001\n")
    run = Run(tmp_path, port)
    _, _, text = run.end()
    assert "fault: the wall clock is behind the last row: rows will overlap" in text


def test_a_defect_in_one_source_does_not_end_the_others_unseen(tmp_path: Path, port: PtyBoard) -> None:
    run = Run(tmp_path, port)
    lines = run.session.recorder.feed._sources[0].lines
    real = lines.values
    calls = iter([True])

    def fails(line: str) -> dict[str, float] | None:
        if next(calls, False):
            raise ZeroDivisionError("planted")
        return real(line)

    lines.values = fails
    run.until(lambda: run.session.monitor.faults().get("gone", 0) == 1)
    run.goes_on()
    _, _, text = run.end()
    assert "gone: error of the program, ZeroDivisionError('planted')" in text


def test_a_disk_that_stays_full_is_counted_at_the_end(tmp_path: Path) -> None:
    log = log_file(tmp_path / "log.csv", write=FullDisk(0).write)
    log.open()
    log.add("2026-03-02T07:30:00Z,1,1")
    log.close()
    assert log.lost_lines == 5


def test_a_full_disk_is_told_in_the_run_and_the_run_goes_on(
    tmp_path: Path, port: PtyBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = FullDisk(10**9)
    monkeypatch.setattr("tcomp.bench.recorder.LogWriter", lambda *a: LogWriter(*a, write=disk.write))
    run = Run(tmp_path, port)
    disk.room = 0
    run.until(lambda: any(event.what == "fault" for event in run.session.monitor.events))
    run.goes_on()
    disk.room = 10**9
    run.until(lambda: any(event.what == "well" for event in run.session.monitor.events))
    outcome, rows, _ = run.end()
    assert outcome.held
    assert len(rows) == outcome.rows


def test_all_is_synced_within_the_time_asked(tmp_path: Path) -> None:
    synced: list[int] = []
    log = log_file(tmp_path / "log.csv", sync=lambda handle: synced.append(os.fstat(handle).st_size))
    log.open()
    log.add("2026-03-02T07:30:00Z,1,1")
    size = (tmp_path / "log.csv").stat().st_size
    Run.until(lambda: synced[-1:] == [size])
    log.close()


def test_a_log_is_gone_on_with_and_a_half_line_of_a_crash_is_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    log = log_file(path)
    log.open()
    log.add("2026-03-02T07:30:00.000000Z,1,1")
    log.close()
    with path.open("a") as file:
        file.write("2026-03-02T07:30:01.000000Z,2")
    log = log_file(path)
    log.open()
    log.add("2026-03-02T07:31:00.000000Z,3,3")
    log.close()
    assert log.last_row_s == 1_772_436_600.0
    assert pd.read_csv(path, comment="#")["t"].tolist() == [1, 3]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        (
            "# tcomp log\n# of gauge 06\nutc,t,f\n",
            r"is the log of another job \(of gauge 06\); this job is 'of gauge 07'",
        ),
        ("# tcomp log\n# of gauge 07\nutc,t,g\n", "has other columns than this job, utc,t,f; give another"),
        ("utc,t,f\n", "is not a log of this program; this job is"),
    ],
)
def test_a_file_of_another_job_is_not_touched(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text(text)
    with pytest.raises(BenchError, match=why):
        log_file(path).open()
    assert path.read_text() == text


def test_two_programs_do_not_write_one_log(tmp_path: Path) -> None:
    first = log_file(tmp_path / "log.csv")
    first.open()
    with pytest.raises(BenchError, match="another `tcomp log` writes it"):
        log_file(tmp_path / "log.csv").open()
    first.close()


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(BenchError, match=r"cannot be written .* give another"):
        log_file(tmp_path / "file" / "log.csv").open()


def test_a_log_that_is_deleted_just_before_the_end_has_that_in_it(
    tmp_path: Path, port: PtyBoard, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = Run(tmp_path, port)
    monkeypatch.setattr("tcomp.bench.recorder.LOOK_S", 1e9)
    run.session.layout.path.unlink()
    outcome, rows, text = run.end()
    assert not outcome.held
    assert outcome.file == str(run.session.layout.path)
    assert len(outcome.file_faults) == 1
    assert len(rows) == outcome.rows
    assert text.index("was deleted while it was being written") < text.index(" end: ended by a test")


class Quiet:
    """A feed that gives what it is given, on a clock that stands still."""

    lockstep = True
    ended = False

    def __init__(self, *arrivals: list[Reading]) -> None:
        self.clock = EvenClock(even=lambda: 0.0, wall=lambda: 1_772_436_600.0)
        self.on_arrival = lambda _: None
        self.patience_s = {"probe": 60.0, "counter": 60.0}
        self._arrivals = list(arrivals)

    def open(self) -> None:
        pass

    def take(self, wait_s: float) -> list[Reading]:
        return self._arrivals.pop(0) if self._arrivals else []

    def close(self) -> None:
        pass


def test_a_row_that_waits_for_its_other_half_at_the_end_is_written(tmp_path: Path) -> None:
    """The counter reads half a second after the probe; the log ends before the probe reads again."""
    sources = "".join(
        f'[[source]]\nname = "{name}"\nkind = "serial"\nport = "p"\ngives = "{gives}"\n'
        for name, gives in (("probe", "temperature"), ("counter", "frequency"))
    )
    (tmp_path / "job.toml").write_text(job_text(sources))
    job = read_job(tmp_path / "job.toml", runs_needed=False)
    began_s = 1_772_436_600.0
    probe = Reading("probe", began_s, {"temperature": 21.5})
    early = Reading("counter", began_s, {"frequency": 12_800_001.0})
    late = Reading("counter", began_s + 0.5, {"frequency": 12_800_002.0})
    feed = Quiet([probe, early], [late])
    recorder = Recorder(job, log_layout(job), feed, feed.clock, lambda _: None)
    recorder.begin()
    assert len(list(recorder.write_rows())) == 1
    outcome = recorder.end("a test")
    rows = pd.read_csv(tmp_path / "job.log.csv", comment="#")
    assert outcome.rows == 2
    assert rows["frequency_hz"].tolist() == [12_800_001.0, 12_800_002.0]
    assert rows["temperature_c_how"].tolist() == ["measured", "held"]
