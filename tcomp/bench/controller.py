"""The chamber's controller: set-points within hard limits, said back, and a safe one at any end.

Software is no protection: a program, a computer and a cable may all stop at the worst moment.  An
independent thermal cut-out is needed, and a heater is not left alone.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from tcomp.bench.link import GoneError, Link
from tcomp.bench.simulated import SimulatedFeed
from tcomp.errors import BenchError
from tcomp.job import Chamber, Controller

AGREES_C = 0.051
"""Set-point and echo may differ by rounding to a tenth. [degC]"""
SAFE_TRIES = 3
WATCHDOG_S = 1.0


class SetsPoint(Protocol):
    """What takes a set-point and says it back."""

    words: str

    def open(self) -> None:
        """Open the way to it."""

    def close(self) -> None:
        """Close it."""

    def set_c(self, set_point_c: float) -> float:
        """Send a set-point; what was said back. [degC]"""


class LineController:
    """A controller that takes lines of text; the lines are the user's."""

    def __init__(self, job: Controller, link: Link) -> None:
        self._job, self._link = job, link
        self._echo = re.compile(job.echo or "")
        self.words = f"controller, {link.words}"

    def open(self) -> None:
        """Open the way to it."""
        self._link.open()

    def close(self) -> None:
        """Close it."""
        self._link.close()

    def set_c(self, set_point_c: float) -> float:
        """Send a set-point; what was said back. [degC]

        Raises
        ------
        GoneError
            The way is broken, or nothing was said back in time.
        """
        self._link.drain()
        self._link.send((self._job.set or "").format(set_point_c))
        if self._job.ask is not None:
            self._link.send(self._job.ask)
        until_s = time.monotonic() + self._job.timeout_s
        while (left_s := until_s - time.monotonic()) > 0:
            line = self._link.receive(left_s)
            match = self._echo.search((line or b"").decode("utf-8", errors="replace"))
            if line is not None and match is not None:
                with contextlib.suppress(ValueError):
                    return float(match[1])
        raise GoneError(f"{self.words}: the set-point was not said back within {self._job.timeout_s:g} s")


class SimulatedController:
    """The simulated bench's chamber."""

    words = "controller, simulated"

    def __init__(self, feed: SimulatedFeed) -> None:
        self._bench = feed.bench

    def open(self) -> None:
        """Nothing to open."""

    def close(self) -> None:
        """Nothing to close."""

    def set_c(self, set_point_c: float) -> float:
        """Set the chamber of the bench. [degC]"""
        self._bench.set_point_c = set_point_c
        return set_point_c


class Driver:
    """Drives a chamber within hard limits; `safe` may be called at any time and any number of times."""

    def __init__(
        self, controller: SetsPoint, job: Controller, chamber: Chamber, folder: Path, tell: Callable[[str], None]
    ) -> None:
        if chamber.lowest_c is None or chamber.highest_c is None or job.safe_c is None:
            raise BenchError("a driven chamber needs [controller] safe_c, and [chamber] lowest_c and highest_c")
        self._controller, self._job, self._tell = controller, job, tell
        self.low_c, self.high_c, self.safe_c = chamber.lowest_c, chamber.highest_c, job.safe_c
        self._watchdog = folder / job.watchdog if job.watchdog is not None else None
        self._fed_s = -math.inf
        self.sent_c: float | None = None
        self.is_safe: bool | None = None
        """Whether the safe set-point stands: None before the end, False where it could not be confirmed."""

    def open(self) -> None:
        """Open the controller, and see that it answers, by the safe set-point.

        Raises
        ------
        BenchError
            It cannot be opened, or does not say the set-point back.
        """
        self._controller.open()
        try:
            self._send(self.safe_c)
        except (GoneError, BenchError) as error:
            self._controller.close()
            raise BenchError(f"{error}; check [controller] set, echo and ask, and the cable") from error

    def set_c(self, set_point_c: float) -> None:
        """Send a set-point, if it is another one; the limits are checked first. [degC]

        Raises
        ------
        BenchError
            It is beyond the limits, or what was said back is another.
        GoneError
            The controller is gone or silent.
        """
        if self.is_safe is not None:
            raise BenchError("the chamber is at its safe set-point, and stays there")
        if set_point_c != self.sent_c:
            self._send(set_point_c)

    def _send(self, set_point_c: float) -> None:
        if not self.low_c <= set_point_c <= self.high_c:  # NaN is not within either
            raise BenchError(
                f"set-point {set_point_c:g} degC is beyond the hard limits, {self.low_c:g} to {self.high_c:g} degC; it was not sent"
            )
        said_c = self._controller.set_c(set_point_c)
        if not abs(said_c - set_point_c) <= AGREES_C:
            raise BenchError(f"{self._controller.words}: was set to {set_point_c:g} degC and says {said_c:g}")
        self.sent_c = set_point_c

    def watch(self, temperature_c: float, silent_s: float) -> str:
        """Why the chamber must be made safe now; empty if all is well, and then the watchdog file is written anew.

        Parameters
        ----------
        temperature_c : float
            The last that was measured. [degC]
        silent_s : float
            Since when there was none. [s]
        """
        if silent_s > self._job.sensor_lost_s:
            return f"no temperature for {silent_s:.0f} s"
        if not self.low_c - self._job.beyond_c <= temperature_c <= self.high_c + self._job.beyond_c:
            return f"{temperature_c:.1f} degC was measured, beyond the limits of {self.low_c:g} to {self.high_c:g} degC"
        self._feed_watchdog()
        return ""

    def _feed_watchdog(self) -> None:
        now_s = time.monotonic()
        if self._watchdog is None or now_s - self._fed_s < WATCHDOG_S:
            return
        self._fed_s = now_s
        try:
            self._watchdog.write_text(f"{time.time():.0f}\n", encoding="utf-8")
        except OSError as error:
            self._tell(f"the watchdog file cannot be written ({error.strerror}); the cut-out will act")

    def safe(self) -> bool:
        """Send the safe set-point, check that it was said back, and close; whether it stands."""
        if self.is_safe:
            return True
        why = ""
        for attempt in range(SAFE_TRIES):
            try:
                if attempt:
                    self._controller.close()
                    self._controller.open()
                self._send(self.safe_c)
                self.is_safe = True
                break
            except (GoneError, BenchError) as error:
                why = str(error)
                time.sleep(0.2 * attempt)
        if not self.is_safe:
            self.is_safe = False
            self._tell(
                f"THE SAFE SET-POINT WAS NOT CONFIRMED ({why}): switch the chamber off by hand now; the independent cut-out is "
                "what protects it"
            )
            return False
        # Fed no more, and gone: an absent watchdog file means that nobody drives the chamber.
        if self._watchdog is not None:
            with contextlib.suppress(OSError):
                os.unlink(self._watchdog)
        return True

    def close(self) -> None:
        """Close the controller, after `safe`."""
        self._controller.close()
