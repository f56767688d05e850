"""A run from start to end: sources, file, schedule and chamber together, ended by time, by the plan, or by a signal."""

from __future__ import annotations

import contextlib
import math
import queue
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from types import FrameType
from typing import Any

from tcomp.bench.chamber import (
    ALARM_AGAIN_S,
    END_S,
    ChamberController,
    LineController,
    Phase,
    Supervisor,
)
from tcomp.bench.clock import EvenClock
from tcomp.bench.instruments import Arrival, Feed, LineSource, Reading, ThreadedFeed
from tcomp.bench.links import link_from_job
from tcomp.bench.live import ALARM_EVENTS, Announcer, Display, Event, View, What
from tcomp.bench.log_file import last_row_s
from tcomp.bench.monitor import run_state
from tcomp.bench.recorder import MAX_TEMPERATURE_C, MIN_TEMPERATURE_C, Recorder
from tcomp.bench.rows import log_layout
from tcomp.bench.schedule import Follower, ScheduleStep, check_limits, read_steps
from tcomp.bench.simulated import SimulatedController, SimulatedFeed, scenario_of
from tcomp.documents.log import LogDocument
from tcomp.errors import JobError
from tcomp.job import Job

JUDGE_S = 5.0
"""Time between two judgements of a soak, in the time of the run. [s]"""
LOOK_S = 0.2
"""Time between two states that are shown to the views. [s]"""
WAIT_S = 0.05
STEP_S = 0.1
"""Time between two passes of the supervisor. [s]"""
LEAVE_S = 20.0
"""How long the log may take to close at the end before it is abandoned: a disk may not answer any more. [s]"""


@dataclass(frozen=True)
class SessionOptions:
    """When a run ends, and the schedule that it follows or drives; times in s."""

    for_s: float = math.inf
    plan: Path | None = None
    drive: bool = False


class Session:
    """One run of `tcomp log`.

    Each source is read in its own thread, and each view is drawn in its own; one thread makes and writes rows, and one
    supervises the chamber.  The thread of the caller only waits, so that signals are handled whatever is stuck.  On a
    simulated bench, whose clock moves with its readings, supervision takes turns with the recording.
    """

    def __init__(
        self, job: Job, options: SessionOptions, views: tuple[View, ...], feed: Feed | None = None,
        controller: ChamberController | None = None,
    ) -> None:  # fmt: skip
        self.job, self.options = job, options
        self.layout = log_layout(job)
        self.feed = _feed_of(job, self.layout.path) if feed is None else feed
        self.clock = self.feed.clock
        self.recorder = Recorder(job, self.layout, self.feed, self.clock, self._notify_all)
        self.monitor = self.recorder.monitor
        self.announcers = (
            Announcer("at_event", job.log.at_event, job.path.parent),
            Announcer("alarm_command", job.controller.alarm_command, job.path.parent, ALARM_EVENTS),
        )
        steps = read_steps(options.plan) if options.plan is not None else ()
        self.supervisor = self._supervisor(steps, controller) if options.drive else None
        self.follower = Follower(steps, driven=options.drive) if steps else None
        self.began_s = math.nan
        self._events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._supervising: threading.Thread | None = None
        self._ended_by = ""
        self._closing_s = math.inf
        self._shown_s = self._judged_s = self._held_up_s = -math.inf
        self._outcome: LogDocument | None = None
        self._error: BaseException | None = None
        self.display = Display(views)

    def _supervisor(self, steps: tuple[ScheduleStep, ...], controller: ChamberController | None) -> Supervisor:
        if self.options.plan is None:
            raise JobError(f"{self.job.path}: a chamber is driven along a plan; give one with --plan")
        if self.job.controller.safe_c is None:
            raise JobError(f"{self.job.path}: a driven chamber needs a [controller] section, and safe_c in it")
        if controller is None:
            controller = self._controller()
        supervisor = Supervisor(
            controller,
            self.job.controller,
            self.job.chamber,
            self.job.path.parent,
            self.clock.now_s,
            self._on_supervision,
        )
        check_limits(steps, supervisor.low_c, supervisor.high_c, self.options.plan)
        self.feed.on_arrival = self._observe
        return supervisor

    def _controller(self) -> ChamberController:
        if isinstance(self.feed, SimulatedFeed) != (self.job.controller.kind == "simulated"):
            raise JobError(
                f"{self.job.path}: a simulated chamber goes with simulated sources, a real one with real ones"
            )
        if isinstance(self.feed, SimulatedFeed):
            return SimulatedController(self.feed)
        return LineController(self.job.controller, link_from_job(self.job.controller, self.job.path.parent))

    @property
    def now_s(self) -> float:
        """The time of the run. [s]"""
        return self.clock.now_s()

    def run(self) -> LogDocument:
        """Record until the run is over; at any end the chamber is made safe first, then the file is closed.

        Raises
        ------
        BenchError
            The run cannot begin; nothing was written.
        """
        recording = threading.Thread(target=self._record, name="recording", daemon=True)
        with _signals(self.stop, driving=self.supervisor is not None):
            recording.start()
            while recording.is_alive() and not self._is_abandoned():
                recording.join(STEP_S)
            self.display.close()
            if recording.is_alive():
                ended_by = f"ended by {self._ended_by or 'the plan'}"
                why = f"{ended_by}; the log could not be closed, as the disk or a source does not answer"
                return self._with_alarms(self.recorder.outcome(why, held=False))
        if self._error is not None:
            raise self._error
        assert self._outcome is not None
        return self._with_alarms(self._outcome)

    def stop(self, by: str) -> None:
        """End the run in order; may be called by a signal handler or another thread, and does not wait."""
        self._ended_by = self._ended_by or by
        self._expect_end_within(LEAVE_S)

    def _expect_end_within(self, seconds: float) -> None:
        """The end has begun; the supervisor is informed directly, not by the recording."""
        if self.supervisor is not None:
            self.supervisor.finish()
            seconds += END_S
        self._closing_s = min(self._closing_s, time.monotonic() + seconds)

    def _is_abandoned(self) -> bool:
        """Whether the log takes so long to close that it is abandoned."""
        now_s = time.monotonic()
        if self.supervisor is not None and self.supervisor.finished:
            self._closing_s = min(self._closing_s, now_s + LEAVE_S)
        return now_s > self._closing_s

    def _with_alarms(self, outcome: LogDocument) -> LogDocument:
        return replace(outcome, alarms=tuple(self.supervisor.alarms)) if self.supervisor is not None else outcome

    # In the recording thread ----------------------------------------------------------------------------------------

    def _record(self) -> None:
        try:
            self._outcome = self._recorded()
        except BaseException as error:  # raised again in the caller's thread
            self._error = error

    def _recorded(self) -> LogDocument:
        if self.supervisor is not None:
            self.supervisor.open()
        try:
            self.recorder.begin(lambda: bool(self._ended_by))
            self.began_s = self.now_s
            self._begin_supervision()
            reason, held = self._loop()
            safe = self._make_safe(self._pass)
        except BaseException:
            self._make_safe(lambda: time.sleep(STEP_S))
            if self.recorder.log is not None:
                self.recorder.end("an error of the program", held=False)
            raise
        outcome = self.recorder.end(reason, held=held and safe)
        for announcer in self.announcers:
            announcer.finish()
        for trouble in self._troubles():
            self._notify_all(Event(self.now_s, "fault", trouble))
        if self.display.has_views:
            self.display.show(run_state(self))
        return outcome

    def _loop(self) -> tuple[str, bool]:
        while True:
            over = self._over()
            if over is not None:
                return over
            self._pass()

    def _pass(self) -> None:
        """Take what has arrived, write it, and move the plan on; waits only for the disk."""
        for arrival in self.feed.take(WAIT_S):
            self.recorder.take(arrival)
        for _ in self.recorder.write_rows():
            pass
        self.recorder.look_after()
        self._follow()
        if self.supervisor is not None and self._supervising is None:
            self.supervisor.step()
        self._note_events()
        self._show()

    def _make_safe(self, meanwhile: Callable[[], None]) -> bool:
        """Wait until the supervisor is finished; whether the chamber is safe, and no alarm was raised."""
        supervisor = self.supervisor
        self._expect_end_within(LEAVE_S)
        if supervisor is None:
            return True
        until_s = time.monotonic() + 2.0 * END_S  # a simulated clock may have stopped
        while not supervisor.finished and time.monotonic() < until_s:
            if self._supervising is None:
                supervisor.step()
            if not supervisor.finished:
                meanwhile()
        self._note_events()
        if self._supervising is not None:
            self._supervising.join(STEP_S)
        supervisor.close()
        return supervisor.phase is Phase.SAFE and not supervisor.alarms

    def _over(self) -> tuple[str, bool] | None:
        """Why the run is over, and whether the plan was done; None while the run goes on."""
        planned = self.follower is None or self.follower.done
        if self._ended_by:
            return f"ended by {self._ended_by}", planned
        if self.now_s - self.began_s >= self.options.for_s:
            return "the time asked for is over", planned
        if self.follower is not None and self.follower.done:
            return "the plan is done", True
        if self.feed.ended:
            return "the simulated runs are over", planned
        return None

    def _follow(self) -> None:
        """Move the plan on, and request its set-point."""
        if self.follower is None or (self.supervisor is not None and self.supervisor.left):
            return
        now_s = self.now_s
        if now_s - self._judged_s >= JUDGE_S:
            self._judged_s = now_s
            self._advance(now_s, self.monitor.temperature_now()[1])
        set_point_c = self.follower.set_point_c(now_s)
        if self.supervisor is not None and set_point_c is not None:
            self.supervisor.request(set_point_c)

    def _advance(self, now_s: float, temperature_c: float) -> None:
        follower = self.follower
        assert follower is not None
        self.monitor.soak_since_s = follower.soak_since_s
        step = follower.step
        settling = step is not None and step.what == "soak" and follower.averaging_since_s is None
        if step is not None and step.what == "soak":
            self.monitor.average_s = max(60.0 * step.average_min, 60.0)
        for what, text in follower.advance(now_s, temperature_c, self.monitor.settled_soak() if settling else None):
            self.recorder.event(what, text)
        if follower.lost and self.supervisor is not None:
            self.supervisor.give_up(follower.lost)

    def _show(self) -> None:
        now_s = time.monotonic()
        if now_s - self._shown_s < LOOK_S:
            return
        self._shown_s = now_s
        for trouble in self._troubles():
            self.recorder.event("fault", trouble)
        self._see_supervision(now_s)
        if self.display.has_views:
            self.display.show(run_state(self))

    def _troubles(self) -> list[str]:
        return [one for source in (*self.announcers, self.display) for one in source.new_troubles()]

    def _see_supervision(self, now_s: float) -> None:
        """Raise an alarm if the supervisor is held up: it cannot do so itself."""
        if self.supervisor is None or self.supervisor.held_up_s <= 0 or now_s - self._held_up_s < ALARM_AGAIN_S:
            return
        self._held_up_s = now_s
        self.supervisor.raise_alarm(
            "THE SUPERVISION IS HELD UP by a controller that takes no line: switch the chamber off by hand now; only the "
            "independent cut-out protects it"
        )

    def _note_events(self) -> None:
        """Write what the supervisor did into the log; the views were notified at once."""
        with contextlib.suppress(queue.Empty):
            while True:
                self.recorder.note(self._events.get_nowait())

    def _notify_all(self, event: Event) -> None:
        self.display.notify(event)
        for announcer in self.announcers:
            announcer.notify(event)

    # In the supervisor's thread, and in those of the sources --------------------------------------------------------

    def _begin_supervision(self) -> None:
        if self.supervisor is None or self.feed.lockstep:
            return
        self._supervising = threading.Thread(target=self._supervise, name="supervisor", daemon=True)
        self._supervising.start()

    def _supervise(self) -> None:
        supervisor = self.supervisor
        assert supervisor is not None
        while not supervisor.finished:
            try:
                supervisor.step()
            except Exception as error:  # a defect of this program must not end the supervision
                supervisor.give_up(f"error of the program, {error!r}")
            time.sleep(STEP_S)

    def _observe(self, arrival: Arrival) -> None:
        """Pass a temperature to the supervisor before it comes to the log, which may be held up."""
        if self.supervisor is None or not isinstance(arrival, Reading) or "temperature" not in arrival.values:
            return
        temperature_c = self.monitor.celsius(arrival.values["temperature"])
        if MIN_TEMPERATURE_C < temperature_c < MAX_TEMPERATURE_C:
            self.supervisor.observe(arrival.time_s, temperature_c)

    def _on_supervision(self, what: What, text: str) -> None:
        event = Event(self.now_s, what, text)
        self._notify_all(event)
        self._events.put(event)


def _feed_of(job: Job, path: Path) -> Feed:
    if job.sources and job.sources[0].kind == "simulated":
        feed = SimulatedFeed(job.sources, scenario_of(job), job.log.speed)
        before_s = last_row_s(path)
        if before_s is not None:
            feed.begin_after(before_s)
        return feed
    clock = EvenClock()
    sources = [LineSource(source, link_from_job(source, job.path.parent), clock.now_s) for source in job.sources]
    return ThreadedFeed(sources, clock)


@contextmanager
def _signals(stop: Callable[[str], None], *, driving: bool) -> Iterator[None]:
    """INT, TERM and HUP end the run in order, however often they come; one that is ignored stays ignored (nohup).

    While a chamber is driven, the signals by which a terminal stops a program (Ctrl-Z) are ignored: a program that is
    stopped supervises nothing, and leaves the heater as it is.
    """
    before: dict[signal.Signals, Any] = {}

    def handle(number: int, _: FrameType | None) -> None:
        stop(signal.Signals(number).name)

    actions: dict[str, Any] = dict.fromkeys(("SIGINT", "SIGTERM", "SIGHUP"), handle)
    if driving:
        actions |= dict.fromkeys(("SIGTSTP", "SIGTTOU", "SIGTTIN"), signal.SIG_IGN)
    for name, action in actions.items() if threading.current_thread() is threading.main_thread() else ():
        which = getattr(signal, name, None)
        if which is not None and signal.getsignal(which) != signal.SIG_IGN:
            before[which] = signal.signal(which, action)
    try:
        yield
    finally:
        for which, handler in before.items():
            signal.signal(which, handler)
