"""A chamber with thermal inertia, its controller at a bad cable, a sensor and a cut-out, on a simulated clock; all invented.

A heating element warms the board, and the room takes the heat away.  The controller takes lines of text and heats
towards its set-point.  Faults are drawn with a seed.  Everything that waits moves the clock.
"""

from __future__ import annotations

import math
import random
from collections import deque
from dataclasses import dataclass, field
from pathlib import Path

from tcomp.bench.chamber import (
    CONFIRM_AGAIN_S,
    CONFIRM_HOT_S,
    NEAR_C,
    LineController,
    Phase,
    Supervisor,
    watchdog_age_s,
)
from tcomp.bench.links.link import GoneError
from tcomp.errors import BenchError
from tcomp.job import Chamber, Controller

ROOM_C, OWN_C = 20.0, 58.0
"""Of the room, and what the controller goes to by itself when it was switched off and on. [degC]"""
POWER_C_PER_S, LOSS_S = 1.5, 200.0
"""What full power would heat the board by, without its element and without loss; the time constant to the room. It would
end at 20 + 1.5 x 200 = 320 degC."""
ELEMENT_S, ELEMENT_SHARE = 8.0, 0.25
"""Time constant of the element, and its heat capacity as a share of the board's: what is stored in it comes on after a cut."""
RATE_C_PER_S = POWER_C_PER_S / (1.0 + ELEMENT_SHARE)
"""Fastest that element and board rise together."""
STORED_C = RATE_C_PER_S * ELEMENT_S / (1.0 + ELEMENT_SHARE)
"""What the board may still rise once the power is off. By the heat balance, without loss: the flow into the board is the rate,
so the element leads by rate x time constant / share; its heat is then shared out, share / (1 + share) of the lead. [degC]"""
SENSOR_S, PASS_S = 0.5, 0.25
HIGH_C = 60.0
LIMITS = Chamber(lowest_c=-20.0, highest_c=HIGH_C)
JOB = Controller(
    set="SP {:.2f}", echo=r"^SP ([-0-9.]+)$", safe_c=20.0, timeout_s=2.0, sensor_lost_s=5.0, watchdog=Path("alive")
)
SLOWEST_S = 7.0
"""A clean line sets the chamber to safe within a try that began before (2 s for the echo, 1 s to the next), the next one with
two echoes of 0.1 s, and passes of 0.25 s; with a second to spare for an open and a late first echo. [s]"""
LINE_FAULTS = ("lost bytes", "late echo", "nonsense", "wrong echo", "deaf", "unplugged", "ignores")
FAULTS = (*LINE_FAULTS, "reboot", "runaway", "silent sensor", "log held up", "full disk", "kill", "end")
DURATION_S = 160.0


@dataclass(frozen=True)
class Fault:
    """What goes wrong, and when. [s]"""

    kind: str
    from_s: float
    to_s: float


def drawn(random_: random.Random) -> list[Fault]:
    """None to three faults; some last."""
    found = []
    for _ in range(random_.choice((0, 1, 1, 2, 2, 3))):
        from_s = random_.uniform(0.0, 0.7 * DURATION_S)
        lasts_s = random_.choice((0.5, 3.0, 12.0, 40.0, math.inf))
        found.append(Fault(random_.choice(FAULTS), from_s, from_s + lasts_s))
    return found


@dataclass
class World:
    """Chamber, controller, cable and clock; it is the controller's link, as `tcomp.bench.links.link.Link` wants one."""

    random_: random.Random
    faults: list[Fault]
    cut_out_s: float = math.inf
    echo_s: float = 0.1
    description: str = "cable"
    slice_s: float = 0.25
    unfinished: bytes = b""
    now_s: float = 0.0
    element_c: float = ROOM_C
    board_c: float = ROOM_C
    hottest_c: float = ROOM_C
    set_point_c: float = ROOM_C
    touched_s: float = 0.0
    powered: bool = True
    rebooted: set[Fault] = field(default_factory=set)
    lied: bool = False
    clean_since_s: float = 0.0
    is_open: bool = False
    echoes: deque[tuple[float, bytes]] = field(default_factory=deque)

    def clock_s(self) -> float:
        return self.now_s

    def active(self, *kinds: str) -> bool:
        return any(one.from_s <= self.now_s < one.to_s and one.kind in kinds for one in self.faults)

    def ever(self, kind: str) -> bool:
        """Whether such a fault has begun."""
        return any(one.kind == kind and one.from_s <= self.now_s for one in self.faults)

    def advance(self, seconds: float) -> None:
        """Let the time go by, in steps that are short against the element's time constant."""
        if seconds <= 0:
            return
        steps = max(1, math.ceil(seconds / PASS_S))
        step_s = seconds / steps
        for _ in range(steps):
            self.now_s += step_s
            self._heat(step_s)
        for one in self.faults:
            if one.kind == "reboot" and one.from_s <= self.now_s and one not in self.rebooted:
                self.rebooted.add(one)
                self.set_point_c = OWN_C
        if self.active(*LINE_FAULTS) or self.echoes:
            self.clean_since_s = self.now_s
        if self.now_s - self.touched_s > self.cut_out_s:
            self.powered = False

    def _heat(self, step_s: float) -> None:
        power = 1.0 if self.ever("runaway") else min(1.0, max(0.0, 0.2 * (self.set_point_c - self.board_c)))
        power = power if self.powered else 0.0
        flow = (self.element_c - self.board_c) * ELEMENT_SHARE / ELEMENT_S
        self.element_c += step_s * (power * POWER_C_PER_S - flow) / ELEMENT_SHARE
        self.board_c += step_s * (flow - (self.board_c - ROOM_C) / LOSS_S)
        self.hottest_c = max(self.hottest_c, self.board_c)

    # A link -----------------------------------------------------------------------------------------------------

    def open(self) -> None:
        if self.active("unplugged"):
            raise BenchError("the cable is out")
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    def _mangled(self, data: bytes) -> bytes:
        share = 0.2 if self.active("lost bytes") else 0.0
        return bytes(one for one in data if self.random_.random() >= share)

    def send(self, line: str) -> None:
        if self.active("unplugged") or not self.is_open:
            self.is_open = False
            raise GoneError("the cable is out")
        if self.active("deaf"):
            return
        heard = self._mangled(line.encode())
        try:
            set_point_c = float(heard.decode().removeprefix("SP "))
        except ValueError:
            return
        said_c = set_point_c
        if self.active("wrong echo"):
            said_c = self.random_.choice((self.set_point_c, 0.0, 20.0))
        if not self.active("ignores"):
            self.set_point_c = set_point_c
        self.lied = self.lied or said_c != self.set_point_c
        if self.active("nonsense"):
            self.echoes.append((self.now_s + 0.05, self.random_.randbytes(5)))
        delay_s = self.random_.uniform(0.0, 6.0) if self.active("late echo") else self.echo_s
        self.echoes.append((self.now_s + delay_s, self._mangled(f"SP {said_c:.2f}".encode())))
        self.echoes = deque(sorted(self.echoes))

    def receive(self, wait_s: float) -> bytes | None:
        if self.active("unplugged"):
            self.is_open = False
            raise GoneError("the cable is out")
        if self.echoes and self.echoes[0][0] <= self.now_s + wait_s:
            due_s, line = self.echoes.popleft()
            self.advance(due_s - self.now_s)
            return line
        self.advance(wait_s)
        return None

    def drain(self) -> int:
        count = 0
        while self.echoes and self.echoes[0][0] <= self.now_s:
            count += len(self.echoes.popleft()[1])
        return count

    # A watchdog file --------------------------------------------------------------------------------------------

    def touch(self) -> None:
        if self.active("full disk"):
            raise OSError(28, "No space left on device")
        self.touched_s = self.now_s


@dataclass
class Seen:
    """What is found out about one run; ``broken`` is what does not hold."""

    broken: list[str] = field(default_factory=list)
    left: bool = False
    alarms: int = 0
    hottest_c: float = ROOM_C
    cut: bool = False
    killed: bool = False


def plan_c(now_s: float, top_c: float) -> float:
    """Up at half a degree a second, and held. [s, degC]"""
    return round(min(top_c, ROOM_C + 0.5 * now_s), 1)


def bound_c(cut_out_s: float) -> float:
    """What the board may reach: the limit and what may be passed of it; then heated at full power for as long as a dead
    sensor is trusted and the cut-out waits; then what is stored in the element. [s, degC]"""
    unseen_s = JOB.sensor_lost_s + cut_out_s + SENSOR_S + 2.0 * PASS_S
    return HIGH_C + JOB.beyond_c + RATE_C_PER_S * unseen_s + STORED_C


def run(seed: int, kind: type[Supervisor] = Supervisor, *, cut_out: bool = True) -> Seen:
    """One run with the faults of a seed; with or without the cut-out that reads the watchdog file."""
    return Run(seed, kind, cut_out=cut_out).seen


class Run:
    """A plan that is driven through the faults of a seed; ``seen`` is what came of it."""

    def __init__(self, seed: int, kind: type[Supervisor], *, cut_out: bool) -> None:
        random_ = random.Random(seed)
        faults = drawn(random_)
        self.top_c = random_.uniform(40.0, 60.0)
        # The chamber is opened while all is well: what cannot begin heats nothing.
        self.world = world = World(random_, [], watchdog_age_s(JOB) if cut_out else math.inf)
        self.seen = Seen()
        self.supervisor = kind(
            LineController(JOB, world, world.clock_s), JOB, LIMITS, Path(), world.clock_s, self._notify
        )  # fmt: skip
        self.supervisor.watchdog = world  # type: ignore[assignment]  # what is used of it
        self.supervisor.open()
        self.began_s = self.sampled_s = self.requested_s = world.now_s
        self.sample_c, self.closest_c = ROOM_C, math.inf
        self.lasts_s = dict.fromkeys(("unsafe", "unsafe and hot", "ignored", "rises"), 0.0)
        world.faults = faults
        while world.now_s < DURATION_S:
            self._pass()
        self._sum_up()

    def _notify(self, what: str, _: str) -> None:
        self.seen.alarms += what == "alarm"

    def _broken(self, text: str) -> None:
        if text not in self.seen.broken:
            self.seen.broken.append(text)

    def _pass(self) -> None:
        world, supervisor = self.world, self.supervisor
        world.advance(PASS_S)
        touched_s = world.touched_s
        if world.ever("kill") or (world.ever("end") and supervisor.finished):
            self.seen.killed = True
            return
        if not world.active("silent sensor") and world.now_s - self.sampled_s >= SENSOR_S:
            self.sampled_s, self.sample_c = world.now_s, world.board_c
            supervisor.observe(self.sampled_s, self.sample_c)
        if not world.active("log held up"):
            self.requested_s = world.now_s
            supervisor.request(plan_c(world.now_s - self.began_s, self.top_c))
        if world.ever("end"):
            supervisor.finish()
        was_left, before_s = supervisor.left, world.now_s
        supervisor.step()
        if was_left and world.touched_s != touched_s:
            self._broken("the watchdog file was touched after a fault")
        self._check(world.now_s - before_s + PASS_S)

    def _lasted_s(self, what: str, passed_s: float, *, holds: bool) -> float:
        self.lasts_s[what] = self.lasts_s[what] + passed_s if holds else 0.0
        return self.lasts_s[what]

    def _check(self, passed_s: float) -> None:
        world, left = self.world, self.supervisor.left
        off_c = abs(self.sample_c - ROOM_C)
        # Set to safe, soon after the line is clean; a controller that has forgotten its set-point, or has confirmed one
        # that it did not take, is believed for a while.
        unsafe = left and world.set_point_c != self.supervisor.safe_c and world.now_s > world.clean_since_s
        believed = bool(world.rebooted) or world.lied
        for what, holds, again_s in (
            ("unsafe", unsafe, CONFIRM_AGAIN_S), ("unsafe and hot", unsafe and off_c > NEAR_C, CONFIRM_HOT_S),
        ):  # fmt: skip
            if self._lasted_s(what, passed_s, holds=holds) > SLOWEST_S + (again_s if believed else 0.0):
                self._broken(f"at {world.set_point_c:g} degC after a fault, over a clean line")
        # What is seen is acted on at once, or after what the controller was waited for, twice.
        lost = max(world.now_s - self.sampled_s, world.now_s - self.requested_s) > JOB.sensor_lost_s
        fault = lost or self.sample_c > HIGH_C + JOB.beyond_c
        if self._lasted_s("ignored", passed_s, holds=fault and not left) > 2.0 * SLOWEST_S:
            self._broken("the plan is still followed after a fault that was seen")
        if self.supervisor.phase is not Phase.DRIVING:
            self.closest_c = min(self.closest_c, off_c)
            # A degree more than what raises the alarm: it is held against the nearest by half degrees.
            rises = off_c > max(self.closest_c + JOB.beyond_c, NEAR_C) + 1.0
            if self._lasted_s("rises", passed_s, holds=rises) > SLOWEST_S and not self.seen.alarms:
                self._broken("it heats on after the safe set-point, and no alarm was raised")

    def _sum_up(self) -> None:
        world, seen = self.world, self.seen
        seen.left, seen.cut, seen.hottest_c = self.supervisor.left, not world.powered, world.hottest_c
        if seen.hottest_c > bound_c(world.cut_out_s):
            self._broken(f"{seen.hottest_c:.1f} degC, more than the {bound_c(world.cut_out_s):.1f} that physics allow")
        if not world.faults and (seen.left or seen.cut or seen.alarms):
            self._broken(f"without a fault: left {seen.left}, cut off {seen.cut}, {seen.alarms} alarms")
