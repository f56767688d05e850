"""A chamber is driven and supervised: set-points within hard limits, each one confirmed, a safe one after any fault.

Software is no protection: a program, a computer and a cable may all stop at the worst moment.  An
independent thermal cut-out is needed, and a heater must not be left alone.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Protocol

from tcomp.bench.links.link import GoneError, Link
from tcomp.bench.links.serial import WRITE_S
from tcomp.bench.live import What
from tcomp.errors import BenchError
from tcomp.job import Chamber, Controller
from tcomp.units import SECONDS_PER_MINUTE

ECHO_TOLERANCE_C = 0.051
"""Set-point and echo may differ by the rounding to a tenth. [degC]"""
RETRY_S = 1.0
"""Time from the start of one try at the safe set-point to the start of the next, until it is confirmed. [s]"""
ALARM_TRIES = 2
"""Failed tries at the safe set-point after which the alarm is raised: a single echo may be lost."""
CONFIRM_AGAIN_S, CONFIRM_HOT_S = 60.0, 10.0
"""Time between repetitions of a confirmed safe set-point, the second while the chamber is not near it: a controller that
was switched off and on may have lost it. The memory of a controller takes a hundred thousand writes (common practice, no
source): ten weeks of the first, eleven days of the second. [s]"""
END_S = 30.0
"""How long the safe set-point is tried at the end of a log. [s]"""
ALARM_AGAIN_S = 60.0
"""Time between two repetitions of an alarm whose cause persists. [s]"""
NEAR_C = 10.0
"""A chamber that is off follows its room: within this distance of the safe set-point no alarm is raised (common practice, no
source). [degC]"""
STALLED_S, STALLED_C = 1800.0, 0.5
"""A chamber that is off approaches the temperature of its room: at `NEAR_C` and a time constant of 5 h by 10 (1 - exp(-0.1)),
0.95 degC in half an hour. Half of that or less means a heater that is still on, or a safe set-point far from the room.
[s, degC]"""
BEYOND_S = 60.0
"""As `STALLED_S`, for a chamber beyond its limits: the heat stored in the heater is out after about a minute. [s]"""

Notify = Callable[[What, str], None]


class Phase(Enum):
    """State of the supervisor."""

    DRIVING = "driving"
    UNCONFIRMED = "unconfirmed"
    SAFE = "safe"


class Supervisor:
    """The chamber's state machine; `step` is one pass, to be called several times a second.

    `observe`, `request`, `give_up` and `finish` only store what they are given, and may be called from any thread; all that
    waits for the controller happens in `step`.

    Parameters
    ----------
    controller : SetsPoint
    job : Controller
    chamber : Chamber
        Its ``lowest_c`` and ``highest_c`` are the hard limits.
    folder : Path
        Folder of the job; the watchdog file is relative to it.
    now_s : callable
        The clock of the run. [s]
    notify : callable
        Called with each event; it must not wait for anything.
    """

    def __init__(
        self, controller: ChamberController, job: Controller, chamber: Chamber, folder: Path, now_s: Callable[[], float],
        notify: Notify,
    ) -> None:  # fmt: skip
        if chamber.lowest_c is None or chamber.highest_c is None or job.safe_c is None:
            raise BenchError("a driven chamber needs [controller] safe_c, and [chamber] lowest_c and highest_c")
        self._controller, self._job, self._now_s, self._notify = controller, job, now_s, notify
        self.low_c, self.high_c, self.safe_c = chamber.lowest_c, chamber.highest_c, job.safe_c
        self.watchdog = WatchdogFile(folder / job.watchdog, now_s) if job.watchdog is not None else None
        self._watchdog_trouble = ""
        self.phase = Phase.DRIVING
        self.sent_c: float | None = None
        self.stepped_s = self._requested_s = now_s()
        self._seen: tuple[float, float | None] = (now_s(), None)
        self._requested_c: float | None = None
        self._leave_why = ""
        self._ending_s: float | None = None
        self._try_s = -math.inf
        self._tries = 0
        self._confirmed_s = -math.inf
        self._why = ""
        self._blind = False
        self._nearest: tuple[float, float] = (now_s(), math.inf)
        self._sounded: dict[str, float] = {}
        self.alarm = ""
        """The dangers now; empty if none is known."""
        self.alarms: list[str] = []
        """The text of each alarm when it was first raised."""

    # Called from any thread -----------------------------------------------------------------------------------------

    def observe(self, time_s: float, temperature_c: float) -> None:
        """A temperature was measured. [s, degC]"""
        self._seen = (time_s, temperature_c)

    def request(self, set_point_c: float) -> None:
        """Set-point of the plan; to be repeated all the time, as a sign that the plan is still followed. [degC]"""
        self._requested_c, self._requested_s = set_point_c, self._now_s()

    def give_up(self, why: str) -> None:
        """Abandon the plan and make the chamber safe; the log goes on."""
        self._leave_why = self._leave_why or why

    def finish(self) -> None:
        """The log ends: make the chamber safe."""
        if self._ending_s is None:
            self._ending_s = self._now_s()

    @property
    def left(self) -> bool:
        """Whether the plan is abandoned."""
        return self.phase is not Phase.DRIVING or bool(self._leave_why) or self._ending_s is not None

    @property
    def finished(self) -> bool:
        """Whether the end need not be waited for any longer: the safe set-point is confirmed, or was tried for `END_S`."""
        if self._ending_s is None:
            return False
        return self._confirmed_s >= self._ending_s or self._now_s() - self._ending_s > END_S

    @property
    def held_up_s(self) -> float:
        """How much longer the current step takes than with the slowest controller; negative if it does not. [s]"""
        return self._now_s() - self.stepped_s - (2.0 * (2.0 * WRITE_S + self._job.timeout_s) + RETRY_S)

    # Called by the one who steps ------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open the controller, and check that it answers, by the safe set-point.

        Raises
        ------
        BenchError
            It cannot be opened, or does not confirm the set-point.
        """
        self._controller.open()
        try:
            self._send_twice(self.safe_c)
        except (GoneError, BenchError) as error:
            self._controller.close()
            raise BenchError(f"{error}; check [controller] set, echo and ask, and the cable") from error
        self.stepped_s = self._requested_s = self._now_s()

    def close(self) -> None:
        """Close the controller, after the end."""
        self._controller.close()

    def step(self) -> None:
        """One pass: check the temperature, send what is due, and touch the watchdog file only if all is well."""
        self.stepped_s = self._now_s()
        if self.phase is Phase.DRIVING:
            why = "" if self._ending_s is not None else self._leave_why or self._fault()
            if why:
                self._notify("fault", f"{why}: the chamber is made safe, the plan is left, the log goes on")
            if why or self._ending_s is not None:
                self.phase = Phase.UNCONFIRMED
                self._blind = self._silent_s > self._job.sensor_lost_s
            else:
                self._touch_watchdog()
                self._send_requested()
        if self.phase is not Phase.DRIVING:
            if self._is_due:
                self._make_safe()
            self._notice_silence()
            self._sound(self._dangers())

    def _fault(self) -> str:
        """Why the chamber must be made safe now; empty if all is well."""
        now_s, temperature_c = self._now_s(), self._seen[1]
        if self._silent_s > self._job.sensor_lost_s:
            return f"no temperature for {self._silent_s:.0f} s"
        if temperature_c is not None and not self._within(temperature_c):
            return self._beyond(temperature_c)
        if now_s - self._requested_s > self._job.sensor_lost_s:
            return f"the plan has not been followed for {now_s - self._requested_s:.0f} s, as the log is held up"
        return ""

    @property
    def _silent_s(self) -> float:
        return self._now_s() - self._seen[0]

    def _within(self, temperature_c: float) -> bool:
        return self.low_c - self._job.beyond_c <= temperature_c <= self.high_c + self._job.beyond_c

    def _beyond(self, temperature_c: float) -> str:
        return f"{temperature_c:.1f} degC was measured, beyond the limits of {self.low_c:g} to {self.high_c:g} degC"

    def _touch_watchdog(self) -> None:
        if self.watchdog is None:
            return
        trouble = ""
        try:
            self.watchdog.touch()
        except OSError as error:
            trouble = f"the watchdog file cannot be written ({error.strerror}); the cut-out will act"
        if trouble and trouble != self._watchdog_trouble:
            self._notify("fault", trouble)
        self._watchdog_trouble = trouble

    def _send_requested(self) -> None:
        """Send the set-point of the plan if it has changed; after a lost or wrong echo it is sent once more."""
        set_point_c = self._requested_c
        if set_point_c is None or set_point_c == self.sent_c:
            return
        if not self.low_c <= set_point_c <= self.high_c:  # false for NaN, too
            self.give_up(
                f"set-point {set_point_c:g} degC is beyond the hard limits, {self.low_c:g} to {self.high_c:g} degC; it was not sent"
            )
            return
        try:
            self._send(set_point_c)
        except (GoneError, BenchError) as error:
            self._notify("fault", f"{error}; it is sent once more")
            if self.left:
                return
            try:
                self._reopen()
                self._send(set_point_c)
            except (GoneError, BenchError) as again:
                self.give_up(str(again))
            else:
                self._notify("well", f"set-point {set_point_c:g} degC is confirmed at the second try")

    def _send(self, set_point_c: float) -> None:
        self.sent_c = None  # unknown until it is confirmed
        echo_c = self._controller.set_c(set_point_c)
        if not abs(echo_c - set_point_c) <= ECHO_TOLERANCE_C:
            raise BenchError(f"{self._controller.description}: was set to {set_point_c:g} degC and answers {echo_c:g}")
        self.sent_c = set_point_c

    def _send_twice(self, set_point_c: float) -> None:
        """Two echoes in a row confirm: a single one that comes very late may be that of an earlier set-point."""
        self._send(set_point_c)
        self._send(set_point_c)

    def _reopen(self) -> None:
        self._controller.close()
        self._controller.open()

    # After the plan was abandoned ----------------------------------------------------------------------------------------

    @property
    def _is_due(self) -> bool:
        """Whether the safe set-point is due, for the first time or again."""
        if self.phase is not Phase.SAFE:
            return self._now_s() >= self._try_s
        if self._ending_s is not None and self._confirmed_s < self._ending_s:
            return True
        return self._now_s() - self._confirmed_s >= (CONFIRM_AGAIN_S if self._is_near else CONFIRM_HOT_S)

    def _make_safe(self) -> None:
        """One try at the safe set-point."""
        began_s = self._now_s()
        try:
            if self._tries:
                self._reopen()
            self._send_twice(self.safe_c)
        except Exception as error:  # whatever it is, even a defect of this program: it is tried again
            if self.phase is Phase.SAFE:
                self._notify("fault", f"the safe set-point is not confirmed any more ({error}); it is sent again")
            self.phase, self._why = Phase.UNCONFIRMED, str(error) or repr(error)
            self._tries += 1
            self._try_s = began_s + RETRY_S
            return
        if self.phase is not Phase.SAFE:
            tries = f" at try {self._tries + 1}" if self._tries else ""
            self._notify("safe", f"the set-point is {self.safe_c:g} degC, confirmed{tries}{self._parting_warning()}")
        self.phase, self._tries, self._confirmed_s = Phase.SAFE, 0, self._now_s()

    @property
    def _is_near(self) -> bool:
        """Whether the last temperature was near the safe set-point."""
        temperature_c = self._seen[1]
        return temperature_c is not None and abs(temperature_c - self.safe_c) <= NEAR_C

    def _parting_warning(self) -> str:
        """A warning if the log ends while the chamber is hot or cold."""
        temperature_c = self._seen[1]
        if self._ending_s is None or temperature_c is None or self._is_near:
            return ""
        return f"; the last temperature was {temperature_c:.1f} degC, and when this log has ended nothing watches the chamber"

    def _dangers(self) -> dict[str, str]:
        """Dangers after the plan was abandoned, by kind."""
        found: dict[str, str] = {}
        if self._tries >= ALARM_TRIES:
            found["unconfirmed"] = (
                f"THE SAFE SET-POINT IS NOT CONFIRMED ({self._why}): switch the chamber off by hand now; only the independent "
                "cut-out protects it"
            )
        seen_s, temperature_c = self._seen
        if temperature_c is None:
            return found
        off_c = abs(temperature_c - self.safe_c)
        if off_c <= self._nearest[1] - STALLED_C:
            self._nearest = (seen_s, off_c)
        nearest_s, nearest_c = self._nearest
        by_hand = f"after the safe set-point of {self.safe_c:g} degC was sent: switch the chamber off by hand now"
        if off_c > max(nearest_c + self._job.beyond_c, NEAR_C):
            way = "RISES" if temperature_c > self.safe_c else "FALLS"
            found["leaves"] = f"THE TEMPERATURE {way}, {temperature_c:.1f} degC, {by_hand}"
        elif off_c > NEAR_C and seen_s - nearest_s > (STALLED_S if self._within(temperature_c) else BEYOND_S):
            minutes = (seen_s - nearest_s) / SECONDS_PER_MINUTE
            found["stays"] = f"THE TEMPERATURE STAYS, {temperature_c:.1f} degC after {minutes:.0f} min, {by_hand}"
        return found

    def _notice_silence(self) -> None:
        blind = self._silent_s > self._job.sensor_lost_s
        if blind and not self._blind:
            self._notify("fault", f"no temperature for {self._silent_s:.0f} s: nothing watches the chamber now")
        self._blind = blind

    def _sound(self, dangers: dict[str, str]) -> None:
        """Raise each alarm at once, and again while its cause persists; notify when it is over."""
        now_s = self._now_s()
        for kind, text in dangers.items():
            if now_s - self._sounded.get(kind, -math.inf) >= ALARM_AGAIN_S:
                self.raise_alarm(text, again=kind in self._sounded)
                self._sounded[kind] = now_s
        for kind in [one for one in self._sounded if one not in dangers]:
            del self._sounded[kind]
            if not dangers:
                self._notify("well", "the cause of the alarm is over")
        self.alarm = "; ".join(dangers.values())

    def raise_alarm(self, text: str, *, again: bool = False) -> None:
        """Raise an alarm; also called from outside when the supervisor itself is held up."""
        if not again:
            self.alarms.append(text)
        self._notify("alarm", text)


WATCHDOG_S = 1.0
"""Time between two touches of the watchdog file. [s]"""


class ChamberController(Protocol):
    """A controller that takes a set-point and sends it back."""

    description: str

    def open(self) -> None:
        """Open the link to it."""

    def close(self) -> None:
        """Close the link."""

    def set_c(self, set_point_c: float) -> float:
        """Send a set-point; returns the one that the controller sends back. [degC]"""


class LineController:
    """A controller that takes lines of text, in the user's own commands."""

    def __init__(self, job: Controller, link: Link, now_s: Callable[[], float] = time.monotonic) -> None:
        self._job, self._link, self._now_s = job, link, now_s
        self._echo = re.compile(job.echo or "")
        self.description = f"controller, {link.description}"

    def open(self) -> None:
        """Open the link to it."""
        self._link.open()

    def close(self) -> None:
        """Close the link."""
        self._link.close()

    def set_c(self, set_point_c: float) -> float:
        """Send a set-point; returns the one that the controller sends back. [degC]

        Raises
        ------
        GoneError
            The link is broken, or no echo came in time.
        """
        self._link.drain()
        self._link.send((self._job.set or "").format(set_point_c))
        if self._job.ask is not None:
            self._link.send(self._job.ask)
        until_s = self._now_s() + self._job.timeout_s
        while (left_s := until_s - self._now_s()) > 0:
            line = self._link.receive(left_s)
            match = self._echo.search((line or b"").decode("utf-8", errors="replace"))
            if line is not None and match is not None:
                with contextlib.suppress(ValueError):
                    return float(match[1])
        raise GoneError(f"{self.description}: the set-point was not confirmed within {self._job.timeout_s:g} s")


@dataclass
class WatchdogFile:
    """A file that is touched each second while all is well, and otherwise not touched; it is never deleted.

    A cut-out reads the time of its last change: missing, or older than `watchdog_age_s`, means off.
    """

    path: Path
    now_s: Callable[[], float]
    _touched_s: float = -math.inf

    def touch(self) -> None:
        """Write the time into it, if the last touch was a second ago.

        Raises
        ------
        OSError
            It cannot be written.
        """
        now_s = self.now_s()
        if 0.0 <= now_s - self._touched_s < WATCHDOG_S:
            return
        self._touched_s = now_s
        handle = os.open(self.path, os.O_WRONLY | os.O_CREAT, 0o666)
        try:
            # Overwritten in place: a disk that is full must neither stop a chamber that is well nor leave an empty file
            # with a new time.
            os.write(handle, f"{time.time():.0f}\n".encode())
        finally:
            os.close(handle)


def watchdog_age_s(job: Controller) -> float:
    """Age of the watchdog file beyond which something is wrong; it is not touched while the controller is waited for. [s]

    Two tries at a set-point, each of which may wait for the link and for the echo, and twice the time between touches.

    >>> watchdog_age_s(Controller(timeout_s=2.0))
    10.0
    """
    return 2.0 * (WRITE_S + job.timeout_s) + 2.0 * WATCHDOG_S
