"""The clock of the log: UTC that runs evenly, whatever happens to the wall clock."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Protocol

MIN_STEP_S = 0.2
"""Within a second no clock is slewed by so much: it was set (common practice, no source). [s]"""


class Clock(Protocol):
    """A clock of the log."""

    def now_s(self) -> float:
        """UTC as Unix time. [s]"""

    def step_s(self) -> float:
        """Step of the wall clock since the last call. [s]"""


def even_s() -> float:
    """A clock that is never set; it runs on while the machine sleeps, if the system has such a clock. [s]"""
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.monotonic()


@dataclass
class EvenClock:
    """A clock that is set by the wall clock once, at the start; later steps of the wall clock are reported, not followed.

    Examples
    --------
    The wall clock is put forward by an hour, 5 s after the start:

    >>> even, wall = iter([0.0, 5.0, 5.0]), iter([1000.0, 4605.0])
    >>> clock = EvenClock(even=lambda: next(even), wall=lambda: next(wall))
    >>> clock.step_s(), clock.now_s()
    (3600.0, 1005.0)
    """

    even: Callable[[], float] = even_s
    wall: Callable[[], float] = time.time
    ahead_s: float = field(init=False)
    _wall_ahead_s: float = field(init=False)

    def __post_init__(self) -> None:
        self.ahead_s = -self.even() + self.wall()
        self._wall_ahead_s = self.ahead_s

    def now_s(self) -> float:
        """UTC as Unix time. [s]"""
        return self.even() + self.ahead_s

    def step_s(self) -> float:
        """Step of the wall clock since the last call; 0 if there was none. [s]"""
        wall_ahead_s = -self.even() + self.wall()
        step_s = wall_ahead_s - self._wall_ahead_s
        self._wall_ahead_s = wall_ahead_s
        return step_s if abs(step_s) > MIN_STEP_S else 0.0


def stamp(time_s: float) -> str:
    """UTC as it is written in the log.

    >>> stamp(1_772_436_600.25)
    '2026-03-02T07:30:00.250000Z'
    """
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="microseconds")[:26] + "Z"


def unix_s(text: str) -> float:
    """The Unix time of a stamp. [s]

    >>> unix_s("2026-03-02T07:30:00.250000Z")
    1772436600.25
    """
    return datetime.fromisoformat(text).timestamp()
