"""The log's clock: UTC that runs on evenly, whatever is done to the wall clock."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime

STEP_S = 0.2
"""Between two looks, a second apart, no clock is slewed by so much: it was set (common practice, no source). [s]"""


def even_s() -> float:
    """Seconds that are never set; they go on while the machine sleeps, where the system has such a clock. [s]"""
    boottime = getattr(time, "CLOCK_BOOTTIME", None)
    return time.monotonic() if boottime is None else time.clock_gettime(boottime)


@dataclass
class EvenClock:
    """Set by the wall clock once, at the start; a step of the wall clock is told and not followed.

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
        """By how much the wall clock was set since the last look; 0 if it was not. [s]"""
        wall_ahead_s = -self.even() + self.wall()
        step_s = wall_ahead_s - self._wall_ahead_s
        self._wall_ahead_s = wall_ahead_s
        return step_s if abs(step_s) > STEP_S else 0.0


def stamp(time_s: float) -> str:
    """UTC as the log writes it.

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
