"""A run from begin to end: sources, file, schedule and chamber together, ended by time, by its end, or by a signal."""

from __future__ import annotations

import math
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any, Protocol

from tcomp.bench.clock import EvenClock
from tcomp.bench.columns import layout_of
from tcomp.bench.controller import Driver, LineController, SetsPoint, SimulatedController
from tcomp.bench.events import Announcer, Event
from tcomp.bench.feed import Feed, ThreadedFeed
from tcomp.bench.follow import Follower, Step, check_limits, read_steps
from tcomp.bench.link import GoneError
from tcomp.bench.log_file import last_row_s
from tcomp.bench.recorder import Clock, Outcome, Recorder
from tcomp.bench.simulated import SimulatedFeed, scenario_of
from tcomp.bench.source import LineSource, link_of
from tcomp.bench.state import State, state_of
from tcomp.errors import BenchError, JobError
from tcomp.job import Job

JUDGE_S = 5.0
"""How often it is asked whether a soak is over, in the time of the run. [s]"""
LOOK_S = 0.2
"""How often those who look are shown the run. [s]"""
WAIT_S = 0.05


class View(Protocol):
    """Somebody who looks at a run."""

    def show(self, state: State) -> None:
        """Show the state of the run; called a few times a second."""

    def tell(self, event: Event) -> None:
        """Tell what happened, at once."""

    def close(self) -> None:
        """The run is over."""


@dataclass(frozen=True)
class Wanted:
    """What a run is to do besides recording. [s]"""

    for_s: float = math.inf
    plan: Path | None = None
    drive: bool = False


class Session:
    """One run of `tcomp log`."""

    def __init__(self, job: Job, wanted: Wanted, views: tuple[View, ...], feed: Feed | None = None) -> None:
        self.job, self.wanted, self._views = job, wanted, views
        self.layout = layout_of(job)
        self.feed, self.clock = _feed_of(job, self.layout.path) if feed is None else (feed, _clock_of(feed))
        self.recorder = Recorder(job, self.layout, self.feed, self.clock, self._tell)
        self.watch = self.recorder.watch
        self.announcer = Announcer(job.log.at_event, job.path.parent)
        steps = read_steps(wanted.plan) if wanted.plan is not None else ()
        self.driver = self._driver(steps) if wanted.drive else None
        self.follower = Follower(steps, driven=wanted.drive) if steps else None
        self.began_s = math.nan
        self._ended_by = ""
        self._shown_s = -math.inf
        self._judged_s = -math.inf

    def _driver(self, steps: tuple[Step, ...]) -> Driver:
        if self.wanted.plan is None:
            raise JobError(f"{self.job.path}: a chamber is driven along a plan; give one with --plan")
        if self.job.controller.safe_c is None:
            raise JobError(f"{self.job.path}: a driven chamber needs a [controller] section, and safe_c in it")
        controller: SetsPoint
        if isinstance(self.feed, SimulatedFeed) != (self.job.controller.kind == "simulated"):
            raise JobError(
                f"{self.job.path}: a simulated chamber goes with simulated sources, a real one with real ones"
            )
        if isinstance(self.feed, SimulatedFeed):
            controller = SimulatedController(self.feed)
        else:
            controller = LineController(self.job.controller, link_of(self.job.controller, self.job.path.parent))
        driver = Driver(
            controller, self.job.controller, self.job.chamber, self.job.path.parent,
            lambda text: self.recorder.event("fault", text),
        )  # fmt: skip
        check_limits(steps, driver.low_c, driver.high_c, self.wanted.plan)
        return driver

    @property
    def now_s(self) -> float:
        """The time of the run. [s]"""
        return self.clock.now_s()

    def run(self) -> Outcome:
        """Record until it is over; on any end the chamber is made safe first, then the file closed.

        Raises
        ------
        BenchError
            The run cannot begin; nothing was written.
        """
        with _signals(self.stop):
            if self.driver is not None:
                self.driver.open()
            try:
                self.recorder.begin(lambda: bool(self._ended_by))
                self.began_s = self.now_s
                reason, held = self._loop()
            except BaseException:
                self._make_safe()
                if self.recorder.log is not None:
                    self.recorder.end("an error of the program", held=False)
                raise
            safe = self._make_safe()
            outcome = self.recorder.end(reason, held=held and safe)
            self.announcer.finish()
            for trouble in self.announcer.new_troubles():
                self._tell(Event(self.now_s, "fault", trouble))
            self._look()
            for view in self._views:
                view.close()
            return outcome

    def stop(self, by: str) -> None:
        """End the run in order; may be called from a signal or another thread."""
        self._ended_by = by

    def _make_safe(self) -> bool:
        if self.driver is None:
            return True
        safe = self.driver.safe()
        self.driver.close()
        if safe and self.recorder.log is not None:
            self.recorder.event("safe", f"the chamber is set to {self.driver.safe_c:g} degC, and said so")
        return safe

    def _loop(self) -> tuple[str, bool]:
        while True:
            over = self._over()
            if over is not None:
                return over
            for arrival in self.feed.take(WAIT_S):
                self.recorder.take(arrival)
            for _ in self.recorder.write_rows():
                pass
            self.recorder.look_after()
            self._follow()
            self._show()

    def _over(self) -> tuple[str, bool] | None:
        """Why the run is over, and whether all went as wanted; None while it goes on."""
        planned = self.follower is None or self.follower.done
        if self._ended_by:
            return f"ended by {self._ended_by}", planned
        if self.now_s - self.began_s >= self.wanted.for_s:
            return "the time asked for is over", planned
        if self.follower is not None and self.follower.done:
            return "the plan is done", True
        if isinstance(self.feed, SimulatedFeed) and self.feed.ended:
            return "the simulated runs are over", planned
        return None

    def _follow(self) -> None:
        """Watch the sensor, move the plan on, and set the chamber."""
        now_s = self.now_s
        measured_s, temperature_c = self.watch.temperature_now()
        if self.driver is not None and self.driver.is_safe is None:
            why = self.driver.watch(temperature_c, now_s - measured_s)
            if why:
                self._give_up(why)
        if self.follower is None or (self.driver is not None and self.driver.is_safe is not None):
            return
        if now_s - self._judged_s >= JUDGE_S:
            self._judged_s = now_s
            self._advance(now_s, temperature_c)
        set_point_c = self.follower.set_point_c(now_s)
        if self.driver is not None and set_point_c is not None:
            self._set(set_point_c)

    def _advance(self, now_s: float, temperature_c: float) -> None:
        follower = self.follower
        assert follower is not None
        self.watch.soak_since_s = follower.soak_since_s
        step = follower.step
        settling = step is not None and step.what == "soak" and follower.averaging_since_s is None
        if step is not None and step.what == "soak":
            self.watch.average_s = max(60.0 * step.average_min, 60.0)
        for what, text in follower.advance(now_s, temperature_c, self.watch.judged() if settling else None):
            self.recorder.event(what, text)
        if follower.lost and self.driver is not None:
            self._give_up(follower.lost)

    def _set(self, set_point_c: float) -> None:
        assert self.driver is not None
        try:
            self.driver.set_c(set_point_c)
        except (BenchError, GoneError) as error:
            self._give_up(str(error))

    def _give_up(self, why: str) -> None:
        """The plan is left, the chamber made safe; the log goes on."""
        assert self.driver is not None
        self.recorder.event("fault", f"{why}: the chamber is made safe, the plan is left, the log goes on")
        if self.driver.safe():
            self.recorder.event("safe", f"the chamber is set to {self.driver.safe_c:g} degC, and said so")

    def _show(self) -> None:
        now_s = time.monotonic()
        if now_s - self._shown_s < LOOK_S:
            return
        self._shown_s = now_s
        for trouble in self.announcer.new_troubles():
            self.recorder.event("fault", trouble)
        self._look()

    def _look(self) -> None:
        """Show the run to each who looks; one that fails is left, since the log must go on."""
        state: State | None = None
        for view in self._views:
            try:
                state = state or state_of(self)
                view.show(state)
            except Exception as error:
                self._views = tuple(other for other in self._views if other is not view)
                self.recorder.event("fault", f"a view of the run is left, {error!r}")

    def _tell(self, event: Event) -> None:
        self.announcer.tell(event)
        for view in self._views:
            view.tell(event)


def _feed_of(job: Job, path: Path) -> tuple[Feed, Clock]:
    if job.sources and job.sources[0].kind == "simulated":
        feed = SimulatedFeed(job.sources, scenario_of(job), job.log.speed)
        before_s = last_row_s(path)
        if before_s is not None:
            feed.begin_after(before_s)
        return feed, feed.clock
    clock = EvenClock()
    sources = [LineSource(source, link_of(source, job.path.parent), clock.now_s) for source in job.sources]
    return ThreadedFeed(sources, clock.now_s), clock


def _clock_of(feed: Feed) -> Clock:
    return feed.clock if isinstance(feed, SimulatedFeed) else EvenClock()


@contextmanager
def _signals(tell: Callable[[str], None]) -> Iterator[None]:
    """INT, TERM and HUP end the run in order, however often they come; one that was ignored stays so (nohup)."""
    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before: dict[signal.Signals, Any] = {}

    def handle(number: int, _: FrameType | None) -> None:
        tell(signal.Signals(number).name)

    for name in names if threading.current_thread() is threading.main_thread() else ():
        which = signal.Signals[name]
        if signal.getsignal(which) != signal.SIG_IGN:
            before[which] = signal.signal(which, handle)
    try:
        yield
    finally:
        for which, handler in before.items():
            signal.signal(which, handler)
