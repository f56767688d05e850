"""A driven chamber: hard limits, set-points said back, a safe one at any end, a watchdog file."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from bench_instruments import PtyBoard, board, job_text

from tcomp.bench.controller import Driver
from tcomp.bench.events import Event
from tcomp.bench.link import GoneError
from tcomp.bench.session import Session, Wanted
from tcomp.errors import BenchError, JobError
from tcomp.job import Chamber, Controller, read_job

ROOT = Path(__file__).parent.parent
LIMITS = Chamber(lowest_c=-20.0, highest_c=60.0)
PLAN = """step,what,from_c,to_c,rate_c_per_min,minutes,settle_min,average_min,start_min,start,why
1,ramp,20,40,600,0.033333,,,0,0:00,heating
2,soak,40,40,0,60,5,55,0.0333,0:00,the first
"""


class Plate:
    """A controller of lines, and the set-points that it was sent; it may be made to fail."""

    words = "plate"

    def __init__(self) -> None:
        self.sent: list[float] = []
        self.says_back = lambda set_point_c: set_point_c
        self.opened = 0

    def open(self) -> None:
        self.opened += 1

    def close(self) -> None:
        pass

    def set_c(self, set_point_c: float) -> float:
        self.sent.append(set_point_c)
        return self.says_back(set_point_c)


def driver(plate: Plate, told: list[str] | None = None, **keys: object) -> Driver:
    job = Controller(safe_c=20.0, **keys)  # type: ignore[arg-type]
    found = Driver(plate, job, LIMITS, Path(), (told if told is not None else []).append)
    found.open()
    return found


@pytest.mark.parametrize("set_point_c", [60.01, -20.01, float("nan"), float("inf")])
def test_a_set_point_beyond_the_limits_is_never_sent(set_point_c: float) -> None:
    plate = Plate()
    found = driver(plate)
    with pytest.raises(BenchError, match=r"beyond the hard limits, -20 to 60 degC; it was not sent"):
        found.set_c(set_point_c)
    assert plate.sent == [20.0]


def test_the_limits_themselves_may_be_sent_and_the_same_set_point_is_sent_once() -> None:
    plate = Plate()
    found = driver(plate)
    for set_point_c in (60.0, 60.0, 59.9, -20.0):
        found.set_c(set_point_c)
    assert plate.sent == [20.0, 60.0, 59.9, -20.0]


def test_a_set_point_that_is_said_back_otherwise_is_an_error() -> None:
    plate = Plate()
    found = driver(plate)
    plate.says_back = lambda _: 39.0
    with pytest.raises(BenchError, match=r"plate: was set to 40 degC and says 39"):
        found.set_c(40.0)


def test_the_safe_set_point_is_tried_again_and_after_it_nothing_else_is_sent() -> None:
    plate = Plate()
    found = driver(plate)
    found.set_c(50.0)
    answers = iter([99.0])
    plate.says_back = lambda set_point_c: next(answers, set_point_c)
    assert found.safe()
    assert plate.sent[-2:] == [20.0, 20.0]
    assert plate.opened == 2
    with pytest.raises(BenchError, match="at its safe set-point, and stays there"):
        found.set_c(50.0)
    assert found.safe()
    assert len(plate.sent) == 4


def test_a_safe_set_point_that_is_not_confirmed_is_cried_out() -> None:
    plate, told = Plate(), []
    found = driver(plate, told)

    def gone(_: float) -> float:
        raise GoneError("the cable is out")

    plate.says_back = gone
    assert not found.safe()
    assert "THE SAFE SET-POINT WAS NOT CONFIRMED (the cable is out): switch the chamber off by hand now" in told[0]


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
    found = driver(Plate()).watch(temperature_c, silent_s)
    assert (why in found) if why else found == ""


def test_the_watchdog_file_is_written_while_all_is_well_and_gone_when_nobody_drives(tmp_path: Path) -> None:
    alive = tmp_path / "alive"
    found = driver(Plate(), watchdog=alive)
    assert not alive.exists()
    found.watch(30.0, 0.0)
    assert abs(float(alive.read_text()) - time.time()) < 5.0
    os.utime(alive, (0, 0))
    found._fed_s = -1e9
    found.watch(99.0, 0.0)
    assert alive.stat().st_mtime == 0, "fed although the chamber is too hot"
    found.safe()
    assert not alive.exists()


class Chamberlain:
    """A board in a chamber, both at pseudo-terminals: the board is at the set-point at once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
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
timeout_s = 0.5
sensor_lost_s = 0.5
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

    def session(self) -> Session:
        job = read_job(self.folder / "job.toml", runs_needed=False)
        return Session(job, Wanted(plan=self.folder / "plan.csv", drive=True), ())

    def close(self) -> None:
        self.board.unplug()
        self.controller.unplug()


@pytest.fixture
def chamber(tmp_path: Path) -> Iterator[Chamberlain]:
    found = Chamberlain(tmp_path)
    yield found
    found.close()


def until(holds) -> None:
    end_s = time.monotonic() + 20.0
    while not holds():
        assert time.monotonic() < end_s, "did not come"
        time.sleep(0.01)


class Going:
    """A session in a thread."""

    def __init__(self, session: Session) -> None:
        self.session, self.outcome = session, None
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def _run(self) -> None:
        self.outcome = self.session.run()

    def end(self):
        self.session.stop("a test")
        self.thread.join()
        return self.outcome


def test_a_ramp_is_driven_and_the_safe_set_point_comes_at_the_end(chamber: Chamberlain) -> None:
    going = Going(chamber.session())
    until(lambda: chamber.now_c == 40.0)
    assert (chamber.folder / "alive").exists()
    outcome = going.end()
    assert not outcome.held, "the plan was not done"
    assert chamber.set_points[0] == chamber.set_points[-1] == 20.0
    assert max(chamber.set_points) == 40.0
    assert not (chamber.folder / "alive").exists()
    assert "safe: the chamber is set to 20 degC, and said so" in going.session.layout.path.read_text()


def test_a_lost_sensor_makes_the_chamber_safe_and_the_log_goes_on(chamber: Chamberlain) -> None:
    going = Going(chamber.session())
    until(lambda: chamber.now_c == 40.0)
    chamber.board.unplug()
    until(lambda: chamber.now_c == 20.0)
    chamber.board.plug()
    before = going.session.watch.rows
    until(lambda: going.session.watch.rows > before + 3)
    assert chamber.now_c == 20.0
    outcome = going.end()
    text = going.session.layout.path.read_text()
    assert not outcome.held
    assert "no temperature for" in text
    assert "the chamber is made safe, the plan is left, the log goes on" in text


def test_a_chamber_that_runs_away_is_made_safe(chamber: Chamberlain) -> None:
    going = Going(chamber.session())
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
    going = Going(chamber.session())
    until(lambda: chamber.now_c == 40.0)
    counter.unplug()
    until(lambda: going.session.watch.sources["counter"].gone)
    chamber.board._says = lambda _: b"70.0\n"
    until(lambda: chamber.now_c == 20.0)
    going.end()


def test_a_controller_that_falls_silent_is_cried_out_and_the_run_is_not_held(chamber: Chamberlain) -> None:
    events: list[Event] = []
    session = chamber.session()
    session._views = (
        type("View", (), {"show": lambda *_: None, "tell": lambda _, e: events.append(e), "close": lambda _: None})(),
    )
    going = Going(session)
    until(lambda: chamber.now_c == 40.0)
    chamber.controller.unplug()
    outcome = going.end()
    assert not outcome.held
    assert any("THE SAFE SET-POINT WAS NOT CONFIRMED" in event.text for event in events)
    assert (chamber.folder / "alive").exists(), "the watchdog file stays and grows old: the cut-out acts"


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
    process = subprocess.Popen(
        [sys.executable, "-m", "tcomp", "log", "job.toml", "--plan", "plan.csv", "--drive"],
        cwd=chamber.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    until(lambda: chamber.now_c == 40.0)
    until((chamber.folder / "alive").exists)
    process.send_signal(signal.Signals[name])
    _, err = process.communicate(timeout=10)
    assert "independent thermal cut-out" in err
    if name == "SIGKILL":
        time.sleep(0.2)
        assert chamber.now_c == 40.0
        assert (chamber.folder / "alive").exists()
        return
    assert process.returncode == 1, err
    assert chamber.now_c == 20.0
    assert not (chamber.folder / "alive").exists()


def test_a_controller_that_does_not_say_it_back_is_refused_before_anything_begins(chamber: Chamberlain) -> None:
    chamber.controller._says = lambda _: b"?\n"
    with pytest.raises(
        BenchError, match=r"the set-point was not said back within 0.5 s; check \[controller\] set, echo"
    ):
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
        Session(job, Wanted(drive=True), ())
    text = (chamber.folder / "job.toml").read_text()
    (chamber.folder / "job.toml").write_text(text[: text.index("[controller]")])
    with pytest.raises(JobError, match=r"needs a \[controller\] section"):
        chamber.session()
