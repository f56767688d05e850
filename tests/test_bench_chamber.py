"""A driven chamber: hard limits, set-points said back, a safe one at any end, a watchdog file."""

from __future__ import annotations

import json
import math
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_instruments import PATIENCE_S, PtyBoard, board, job_text, running, until

from tcomp.bench.chamber import END_S, Phase, Supervisor
from tcomp.bench.links.link import GoneError
from tcomp.bench.session import Session, SessionOptions
from tcomp.errors import BenchError, JobError
from tcomp.job import Chamber, Controller, read_job

ROOT = Path(__file__).parent.parent
LIMITS = Chamber(lowest_c=-20.0, highest_c=60.0)
PLAN = """step,what,from_c,to_c,rate_c_per_min,minutes,settle_min,average_min,start_min,start,why
1,ramp,20,40,600,0.033333,,,0,0:00,heating
2,soak,40,40,0,60,5,55,0.0333,0:00,the first
"""


class Plate:
    """A controller of lines, and the set-points that it was sent; it may be made to fail. Its clock is that of the test."""

    description = "plate"

    def __init__(self) -> None:
        self.sent: list[float] = []
        self.answers: Callable[[float], float] = lambda set_point_c: set_point_c
        self.opened = 0
        self.now_s = 1000.0
        self.events: list[tuple[str, str]] = []

    def open(self) -> None:
        self.opened += 1

    def close(self) -> None:
        pass

    def set_c(self, set_point_c: float) -> float:
        self.sent.append(set_point_c)
        return self.answers(set_point_c)

    def supervisor(self, **keys: Any) -> Supervisor:
        job = Controller(safe_c=20.0, **keys)
        found = Supervisor(
            self, job, LIMITS, Path(), lambda: self.now_s, lambda what, text: self.events.append((what, text))
        )
        found.open()
        return found

    def pass_s(self, found: Supervisor, seconds: float, temperature_c: Callable[[float], float] | None = None) -> None:
        """Time goes by in steps of a tenth; with a temperature of the time that has gone by, that is measured."""
        for step in range(1, round(10 * seconds) + 1):
            self.now_s += 0.1
            if temperature_c is not None:
                found.observe(self.now_s, temperature_c(0.1 * step))
            found.step()

    def texts(self, what: str) -> list[str]:
        return [text for kind, text in self.events if kind == what]


def gone(_: float) -> float:
    raise GoneError("the cable is out")


def drive(plate: Plate, found: Supervisor, set_point_c: float, temperature_c: float = 20.0) -> None:
    found.observe(plate.now_s, temperature_c)
    found.request(set_point_c)
    found.step()


@pytest.mark.parametrize("set_point_c", [60.01, -20.01, float("nan"), float("inf")])
def test_a_set_point_beyond_the_limits_is_never_sent(set_point_c: float) -> None:
    plate = Plate()
    found = plate.supervisor()
    drive(plate, found, set_point_c)
    found.step()
    assert set(plate.sent) == {20.0}
    assert re.search(
        r"beyond the hard limits, -20 to 60 degC; it was not sent: the chamber is made safe", plate.texts("fault")[0]
    )
    assert found.phase is Phase.SAFE


def test_the_limits_themselves_may_be_sent_and_the_same_set_point_is_sent_once() -> None:
    plate = Plate()
    found = plate.supervisor()
    for set_point_c in (60.0, 60.0, 59.9, -20.0):
        drive(plate, found, set_point_c)
    assert plate.sent[2:] == [60.0, 59.9, -20.0]


@pytest.mark.parametrize("fails", [gone, lambda _: 39.0])
def test_a_lost_or_wrong_echo_gets_one_retry_which_is_noted(fails: Callable[[float], float]) -> None:
    plate = Plate()
    found = plate.supervisor()
    plate.answers = lambda set_point_c: set_point_c if plate.sent.count(40.0) > 1 else fails(set_point_c)
    drive(plate, found, 40.0)
    assert not found.left, "one lost echo does not end a plan"
    assert plate.sent[2:] == [40.0, 40.0]
    assert plate.texts("fault")[0].endswith("; it is sent once more")
    assert plate.texts("well") == ["set-point 40 degC is confirmed at the second try"]


@pytest.mark.parametrize(
    ("echo_c", "left"), [(40.05, False), (39.95, False), (40.06, True), (39.94, True), (40.8, True)]
)
def test_an_echo_agrees_that_is_rounded_to_a_tenth_and_no_other(echo_c: float, left: bool) -> None:
    """A controller of one digit shows 40.05 as 40.0 or 40.1: half of the last digit is rounding, more is another set-point."""
    plate = Plate()
    found = plate.supervisor()
    plate.answers = lambda set_point_c: echo_c if set_point_c == 40.0 else set_point_c
    drive(plate, found, 40.0)
    assert found.left is left
    assert found.sent_c == (None if left else 40.0)


def test_a_second_lost_echo_ends_the_plan() -> None:
    plate = Plate()
    found = plate.supervisor()
    plate.answers = lambda set_point_c: 39.0 if set_point_c == 40.0 else set_point_c
    drive(plate, found, 40.0)
    found.step()
    assert plate.sent[2:] == [40.0, 40.0, 20.0, 20.0]
    assert "plate: was set to 40 degC and answers 39: the chamber is made safe" in plate.texts("fault")[1]
    drive(plate, found, 50.0)
    assert plate.sent[-1] == 20.0, "after it nothing else is sent"


def test_the_safe_set_point_is_sent_each_second_until_it_is_confirmed_however_long_that_takes() -> None:
    plate = Plate()
    found = plate.supervisor()
    drive(plate, found, 50.0)
    plate.answers = gone
    found.give_up("a fault")
    plate.pass_s(found, 600.0)
    assert found.phase is Phase.UNCONFIRMED
    assert 540 <= plate.sent.count(20.0) - 2 <= 601, "a pass each 0.1 s may see a second as over one pass late"
    assert "THE SAFE SET-POINT IS NOT CONFIRMED (the cable is out): switch the chamber off by hand now" in found.alarm
    assert 10 <= len(plate.texts("alarm")) <= 11, "again each minute"
    assert len(found.alarms) == 1
    plate.answers = lambda set_point_c: set_point_c
    plate.pass_s(found, 1.0)
    assert found.phase is Phase.SAFE
    assert re.search(r"the set-point is 20 degC, confirmed at try \d+", plate.texts("safe")[0])
    assert found.alarm == ""


def test_at_the_end_it_is_tried_for_the_stated_time() -> None:
    plate = Plate()
    found = plate.supervisor()
    drive(plate, found, 50.0)
    plate.answers = gone
    found.finish()
    plate.pass_s(found, END_S - 0.1)
    assert not found.finished
    plate.pass_s(found, 0.3)
    assert found.finished
    assert found.phase is Phase.UNCONFIRMED
    assert plate.sent.count(20.0) - 2 >= END_S - 1


def test_a_chamber_that_is_left_hot_at_the_end_is_said_to_be() -> None:
    plate = Plate()
    found = plate.supervisor()
    drive(plate, found, 50.0, 48.0)
    found.finish()
    found.step()
    assert plate.texts("safe") == [
        "the set-point is 20 degC, confirmed; the last temperature was 48.0 degC, and when this log has ended nothing watches the "
        "chamber"
    ]


def test_a_safe_set_point_is_confirmed_anew_at_the_end_and_each_minute() -> None:
    """A controller that was switched off and on goes back to what it was told before, or to what it likes."""
    plate = Plate()
    found = plate.supervisor()
    found.give_up("a fault")
    plate.pass_s(found, 130.0, lambda _: 20.0)
    assert plate.sent.count(20.0) == 2 + 2 * 3
    plate.answers = gone
    found.finish()
    assert not found.finished
    found.step()
    assert found.phase is Phase.UNCONFIRMED
    assert "is not confirmed any more (the cable is out)" in plate.texts("fault")[-1]


def test_a_temperature_that_rises_after_the_safe_set_point_is_an_alarm_for_as_long_as_it_does() -> None:
    """A controller that echoes everything and heats on, 3 degC a minute; the example of a report: 73.5, then 264 degC."""
    plate = Plate()
    found = plate.supervisor()
    drive(plate, found, 50.0, 50.0)
    found.give_up("a fault")
    plate.pass_s(found, 600.0, lambda since_s: 50.0 + since_s / 20.0)
    assert found.phase is Phase.SAFE
    alarms = plate.texts("alarm")
    assert alarms[0].startswith("THE TEMPERATURE RISES, 53.0 degC, after the safe set-point of 20 degC was sent")
    assert len(alarms) == 9, "each minute from the first"
    assert found.alarm
    plate.pass_s(found, 60.0, lambda since_s: 75.0 - since_s)
    assert found.alarm == ""
    assert plate.texts("well") == ["the cause of the alarm is over"]


@pytest.mark.parametrize(
    ("temperature_c", "seconds", "alarm"),
    [
        (lambda since_s: 20.0 + 30.0 * math.exp(-since_s / 3600.0), 7200.0, ""),
        (lambda since_s: 22.0 + 2.0 * math.sin(since_s / 600.0), 7200.0, ""),
        (lambda since_s: 50.0 + min(since_s / 60.0, 2.0) - since_s / 120.0, 1800.0, ""),
        (lambda _: 50.0, 1790.0, ""),
        (lambda _: 50.0, 1810.0, "THE TEMPERATURE STAYS, 50.0 degC after 30 min"),
        (lambda _: 70.0, 62.0, "THE TEMPERATURE STAYS, 70.0 degC after 1 min"),
        (lambda since_s: -10.0 - since_s / 60.0, 200.0, "THE TEMPERATURE FALLS, -13.0 degC"),
    ],
)
def test_a_chamber_that_cools_as_it_should_raises_no_alarm(
    temperature_c: Callable[[float], float], seconds: float, alarm: str
) -> None:
    plate = Plate()
    found = plate.supervisor()
    drive(plate, found, 50.0)
    found.give_up("a fault")
    plate.pass_s(found, seconds, temperature_c)
    assert [text[: len(alarm)] for text in plate.texts("alarm")] == ([alarm] if alarm else [])


@pytest.mark.parametrize(
    ("temperature_c", "silent_s", "why"),
    [
        (30.0, 0.0, ""),
        (62.9, 29.0, ""),
        (63.1, 0.0, "63.1 degC was measured, beyond the limits"),
        (-23.1, 0.0, "beyond the limits"),
        (30.0, 31.0, "no temperature for 31 s"),
        (float("nan"), 0.0, "nan degC was measured"),
    ],
)
def test_a_lost_sensor_and_a_temperature_beyond_the_limits_are_reasons(
    temperature_c: float, silent_s: float, why: str
) -> None:
    plate = Plate()
    found = plate.supervisor()
    found.observe(plate.now_s, temperature_c)
    plate.now_s += silent_s
    found.request(30.0)
    found.step()
    assert found.left is bool(why)
    assert why in "".join(plate.texts("fault"))


def test_a_plan_that_nobody_follows_any_more_is_a_reason() -> None:
    """The log is held up, by a disk for instance; the sensor is seen all the same."""
    plate = Plate()
    found = plate.supervisor(sensor_lost_s=5.0)
    drive(plate, found, 50.0)
    plate.pass_s(found, 6.0, lambda _: 50.0)
    assert "the plan has not been followed for 5 s, as the log is held up" in plate.texts("fault")[0]
    assert plate.sent[-1] == 20.0


def test_a_sensor_that_is_lost_after_the_fault_is_noted() -> None:
    plate = Plate()
    found = plate.supervisor(sensor_lost_s=5.0)
    found.give_up("a fault")
    plate.pass_s(found, 10.0, lambda _: 20.0)
    plate.pass_s(found, 10.0)
    assert plate.texts("fault")[1:] == ["no temperature for 5 s: nothing watches the chamber now"]


def test_the_watchdog_file_is_touched_while_all_is_well_and_then_left_to_grow_old(tmp_path: Path) -> None:
    alive = tmp_path / "alive"
    plate = Plate()
    found = plate.supervisor(watchdog=alive)
    assert not alive.exists()
    drive(plate, found, 30.0)
    assert abs(float(alive.read_text()) - time.time()) < 60.0
    for temperature_c, touched in ((30.0, True), (99.0, False), (20.0, False)):
        os.utime(alive, (0, 0))
        plate.now_s += 2.0
        drive(plate, found, 30.0, temperature_c)
        assert (alive.stat().st_mtime > 0) is touched, temperature_c
    found.finish()
    found.step()
    assert found.phase is Phase.SAFE
    assert alive.stat().st_mtime == 0


def test_a_watchdog_file_that_cannot_be_written_is_noted_once_and_the_plan_goes_on(tmp_path: Path) -> None:
    plate = Plate()
    found = plate.supervisor(watchdog=tmp_path / "no folder" / "alive")
    for _ in range(3):
        plate.now_s += 2.0
        drive(plate, found, 30.0)
    assert plate.texts("fault") == [
        "the watchdog file cannot be written (No such file or directory); the cut-out will act"
    ]
    assert plate.sent[-1] == 30.0


class Chamberlain:
    """A board in a chamber, both at pseudo-terminals: the board is at the set-point at once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.runs: list[Going] = []
        self.set_points: list[float] = []
        self.board = PtyBoard(folder / "board", lambda _: f"{self.now_c:.4f},12800001.25\n".encode(), 0.01)
        self.controller = PtyBoard(folder / "plate", self._take, asked=True)
        (folder / "plan.csv").write_text(PLAN)
        (folder / "job.toml").write_text(
            job_text(
                board(self.board.link),
                f"""
[log]
settled_c = 1
settled_ppb = 1
[chamber]
lowest_c = -20
highest_c = 60
[controller]
port = "{self.controller.link}"
set = "SP {{:.2f}}"
echo = "^SP ([-0-9.]+)$"
safe_c = 20
timeout_s = 2
sensor_lost_s = 3   # so long a busy machine may hold up a thread
watchdog = "alive"
""",
            )
        )

    @property
    def now_c(self) -> float:
        return self.set_points[-1] if self.set_points else 20.0

    def _take(self, line: str) -> bytes:
        self.set_points.append(float(re.fullmatch(r"SP (\S+)", line)[1]))
        return line.encode() + b"\n"

    def session(self, alarm: Path | None = None) -> Session:
        if alarm is not None:
            script = f"import sys; open({str(alarm)!r}, 'w').write(' '.join(sys.argv[1:]))"
            more = f"alarm_command = {json.dumps([sys.executable, '-c', script])}\n"
            (self.folder / "job.toml").write_text((self.folder / "job.toml").read_text() + more)
        job = read_job(self.folder / "job.toml", runs_needed=False)
        return Session(job, SessionOptions(plan=self.folder / "plan.csv", drive=True), ())

    def going(self, session: Session | None = None) -> Going:
        """A session that runs, and is ended with the test whatever becomes of it."""
        self.runs.append(Going(session or self.session()))
        return self.runs[-1]

    def close(self) -> None:
        for run in self.runs:
            run.session.stop("the end of the test")
            run.thread.join(PATIENCE_S)
        self.board.unplug()
        self.controller.unplug()


@pytest.fixture
def chamber(tmp_path: Path) -> Iterator[Chamberlain]:
    found = Chamberlain(tmp_path)
    yield found
    found.close()


class Going:
    """A session in a thread."""

    def __init__(self, session: Session) -> None:
        self.session, self.outcome = session, None
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        self.outcome = self.session.run()

    def end(self):
        self.session.stop("a test")
        self.thread.join()
        return self.outcome


def test_a_ramp_is_driven_and_the_safe_set_point_comes_at_the_end(chamber: Chamberlain) -> None:
    going = chamber.going()
    until(lambda: chamber.now_c == 40.0)
    assert (chamber.folder / "alive").exists()
    chamber.board._says = lambda _: b"40.0,12800001.25\n"  # a chamber stays warm for some time
    outcome = going.end()
    assert not outcome.held, "the plan was not done"
    assert chamber.set_points[0] == chamber.set_points[-1] == 20.0
    assert max(chamber.set_points) == 40.0
    assert (chamber.folder / "alive").exists(), "never deleted"
    text = going.session.layout.path.read_text()
    assert (
        "safe: the set-point is 20 degC, confirmed; the last temperature was 40.0 degC, and when this log has ended"
        in text
    )


def test_a_lost_sensor_makes_the_chamber_safe_and_the_log_goes_on(chamber: Chamberlain) -> None:
    going = chamber.going()
    until(lambda: chamber.now_c == 40.0)
    chamber.board.unplug()
    until(lambda: chamber.now_c == 20.0)
    chamber.board.plug()
    before = going.session.monitor.rows
    until(lambda: going.session.monitor.rows > before + 3)
    assert chamber.now_c == 20.0
    outcome = going.end()
    text = going.session.layout.path.read_text()
    assert not outcome.held
    assert "no temperature for" in text
    assert "the chamber is made safe, the plan is left, the log goes on" in text


def test_a_chamber_that_runs_away_is_made_safe(chamber: Chamberlain) -> None:
    going = chamber.going()
    until(lambda: chamber.now_c == 40.0)
    chamber.board._says = lambda _: b"70.0,12800001.25\n"
    until(lambda: chamber.now_c == 20.0)
    going.end()
    assert "70.0 degC was measured, beyond the limits of -20 to 60 degC" in going.session.layout.path.read_text()


def test_a_chamber_is_watched_by_its_temperature_alone_also_when_the_counter_is_gone(chamber: Chamberlain) -> None:
    """No rows come then, as there is no frequency; the temperature is looked at all the same."""
    counter = PtyBoard(chamber.folder / "counter", lambda _: b"12800001.25\n", 0.01)
    text = (chamber.folder / "job.toml").read_text()
    counts = f'[[source]]\nname = "counter"\nkind = "serial"\nport = "{counter.link}"\ngives = "frequency"\n[log]'
    text = text.replace('["temperature", "frequency"]', '["temperature"]').replace("[log]", counts)
    (chamber.folder / "job.toml").write_text(text)
    going = chamber.going()
    until(lambda: chamber.now_c == 40.0)
    counter.unplug()
    until(lambda: going.session.monitor.sources["counter"].gone)
    chamber.board._says = lambda _: b"70.0\n"
    until(lambda: chamber.now_c == 20.0)
    going.end()


def test_a_controller_that_is_unplugged_is_an_alarm_and_set_to_safe_when_it_is_back(chamber: Chamberlain) -> None:
    """Back after more than three tries, as in a report: 41 degC was held until the end of the log then."""
    going = chamber.going(chamber.session(safe_alarm := chamber.folder / "alarm"))
    until(lambda: chamber.now_c == 40.0)
    chamber.controller.unplug()
    going.session.supervisor.give_up("a fault")
    until(lambda: going.session.supervisor._tries > 3)
    until(safe_alarm.exists)
    chamber.controller.plug()
    until(lambda: chamber.now_c == 20.0)
    outcome = going.end()
    assert not outcome.held
    assert len(going.session.supervisor.alarms) == 1
    text = going.session.layout.path.read_text()
    assert "alarm: THE SAFE SET-POINT IS NOT CONFIRMED" in text
    assert "confirmed at try" in text
    until(lambda: safe_alarm.read_text().startswith("alarm THE SAFE SET-POINT IS NOT CONFIRMED"))


def test_a_controller_that_is_silent_at_the_end_is_tried_for_the_stated_time(
    chamber: Chamberlain, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tcomp.bench.chamber.END_S", 2.0)
    going = chamber.going()
    until(lambda: chamber.now_c == 40.0)
    chamber.controller.unplug()
    rows = going.session.monitor.rows
    outcome = going.end()
    assert not outcome.held
    assert going.session.supervisor.phase is Phase.UNCONFIRMED
    assert outcome.rows > rows, "the log goes on meanwhile"
    assert (chamber.folder / "alive").exists(), "the watchdog file stays and grows old: the cut-out acts"


def test_a_disk_that_answers_no_more_stops_the_plan_and_neither_the_supervision_nor_the_end(
    chamber: Chamberlain, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tcomp.bench.session.LEAVE_S", 1.0)
    going = chamber.going()
    until(lambda: chamber.now_c == 40.0)
    answers = threading.Event()

    def write(handle: int, data: bytes) -> int:
        answers.wait()
        return os.write(handle, data)

    assert going.session.recorder.log is not None
    monkeypatch.setattr(going.session.recorder.log, "_write", write)
    until(lambda: chamber.now_c == 20.0)
    going.session.stop("a test")
    going.thread.join(60.0)
    assert not going.thread.is_alive()
    answers.set()
    assert not going.outcome.held
    assert going.outcome.reason == (
        "ended by a test; the log could not be closed, as the disk or a source does not answer"
    )
    until(lambda: "the plan has not been followed for" in going.session.layout.path.read_text())


def test_a_controller_that_takes_no_line_and_gives_no_error_is_an_alarm_of_the_log(
    chamber: Chamberlain, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The supervisor itself waits for it then; the recording sees that, and the watchdog file grows old."""
    session = chamber.session()
    going = chamber.going(session)
    until(lambda: chamber.now_c == 40.0)
    takes = threading.Event()
    monkeypatch.setattr("tcomp.bench.chamber.WRITE_S", -5.0)  # later than the slowest by 10 s less

    def waits(_: float) -> float:
        takes.wait()
        raise GoneError("the cable is out")

    monkeypatch.setattr(session.supervisor._controller, "set_c", waits)
    session.supervisor.give_up("a fault")
    until(lambda: bool(session.supervisor.alarms))
    assert session.supervisor.alarms[0].startswith("THE SUPERVISION IS HELD UP by a controller that takes no line")
    takes.set()
    monkeypatch.setattr("tcomp.bench.chamber.END_S", 0.1)
    assert not going.end().held
    assert "alarm: THE SUPERVISION IS HELD UP" in session.layout.path.read_text()


def test_an_error_in_the_supervision_makes_the_chamber_safe_and_goes_on(
    chamber: Chamberlain, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = chamber.session()
    going = chamber.going(session)
    until(lambda: chamber.now_c == 40.0)
    monkeypatch.setattr(session.supervisor, "_fault", lambda: 1 / 0)
    until(lambda: chamber.now_c == 20.0)
    assert not going.end().held
    assert "fault: error of the program, ZeroDivisionError" in session.layout.path.read_text()


def test_an_error_of_the_program_makes_the_chamber_safe(chamber: Chamberlain, monkeypatch: pytest.MonkeyPatch) -> None:
    session = chamber.session()
    calls = iter(range(20))

    def fails() -> None:
        if next(calls, None) is None:
            raise ZeroDivisionError("planted")

    monkeypatch.setattr(session.recorder, "look_after", fails)
    with pytest.raises(ZeroDivisionError):
        session.run()
    assert chamber.now_c == 20.0
    assert len(chamber.set_points) > 1
    assert "end: an error of the program" in session.layout.path.read_text()


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGKILL"])
def test_a_signal_makes_the_chamber_safe_and_what_none_can_catch_leaves_the_watchdog_to_grow_old(
    chamber: Chamberlain, name: str
) -> None:
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "env": os.environ | {"PYTHONPATH": str(ROOT)}}
    command = (sys.executable, "-m", "tcomp", "log", "job.toml", "--plan", "plan.csv", "--drive")
    with running(*command, cwd=chamber.folder, **streams) as process:
        until(lambda: chamber.now_c == 40.0)
        until((chamber.folder / "alive").exists)
        process.send_signal(signal.Signals[name])
        _, err = process.communicate(timeout=PATIENCE_S)
    assert "independent thermal cut-out" in err
    if name == "SIGKILL":
        touched_s = (chamber.folder / "alive").stat().st_mtime
        time.sleep(1.5)
        assert chamber.now_c == 40.0
        assert (chamber.folder / "alive").stat().st_mtime == touched_s
        return
    assert process.returncode == 1, err
    assert chamber.now_c == 20.0
    touched_s = (chamber.folder / "alive").stat().st_mtime
    time.sleep(1.1)
    assert (chamber.folder / "alive").stat().st_mtime == touched_s


def test_a_controller_that_does_not_say_it_back_is_refused_before_anything_begins(chamber: Chamberlain) -> None:
    chamber.controller._says = lambda _: b"?\n"
    with pytest.raises(BenchError, match=r"the set-point was not confirmed within 2 s; check \[controller\] set, echo"):
        chamber.session().run()
    assert not (chamber.folder / "job.log.csv").exists()


def test_a_plan_beyond_the_limits_is_refused_before_anything_begins(chamber: Chamberlain) -> None:
    (chamber.folder / "plan.csv").write_text(PLAN.replace("40", "70"))
    with pytest.raises(
        BenchError, match=r"plan.csv: step 1 goes to 70 degC; the hard limits of \[chamber\] are -20 to 60"
    ):
        chamber.session()
    assert chamber.set_points == []


def test_driving_asks_for_a_plan_and_a_controller(chamber: Chamberlain) -> None:
    job = read_job(chamber.folder / "job.toml", runs_needed=False)
    with pytest.raises(JobError, match="give one with --plan"):
        Session(job, SessionOptions(drive=True), ())
    text = (chamber.folder / "job.toml").read_text()
    (chamber.folder / "job.toml").write_text(text[: text.index("[controller]")])
    with pytest.raises(JobError, match=r"needs a \[controller\] section"):
        chamber.session()
