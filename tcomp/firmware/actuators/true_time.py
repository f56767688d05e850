"""A clock that has run since a trusted mark: how far it is off now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from tcomp.firmware.actuators.actuator import Actuator, Reading, State
from tcomp.firmware.corrections import INT64_MAX, INT64_MIN, true_interval

PART_BITS = 30
EXAMPLE_TICKS, EXAMPLE_PPT = 327_680, 20_000_000


@dataclass(frozen=True, kw_only=True)
class TrueTime(Actuator):
    """What a clock has gained since its mark, in 2^-30 ticks of it.

    At each update: the ticks that the clock has counted since the last one, and its offset in that time. The interval that
    they lasted is ``true_interval``, exact to 2^-31 tick; the difference is added up.

    Examples
    --------
    A clock of 32 768 ticks a second, fast by 20 ppm, an update each 10 s for a day: 1.728 s of 86400 * (1 + y) s shown.

    >>> clock = TrueTime(name="clock")
    >>> state = clock.history([(20_000_000, 327_680)] * 8640)[-1]
    >>> round(state[0] / 2**30 / 32768, 6)
    1.727965
    """

    templates: ClassVar = ("true_time.h", "true_time.c")
    update: ClassVar = "${own}_update(&a, offset_ppt, ticks)"
    readings: ClassVar = (
        Reading("ahead, lower half", "(uint32_t)((uint64_t)${own}_ahead(&a) & UINT32_MAX)"),
        Reading("ahead, upper half", "(uint32_t)((uint64_t)${own}_ahead(&a) >> 32u)"),
    )
    needs: ClassVar = ("interval",)

    @property
    def start(self) -> State:
        """At the mark nothing is gained. [2^-30 ticks]"""
        return (0,)

    def updated(self, state: State, offset_ppt: int, ticks: int = 0) -> State:
        """What is gained after an update, held within an int64."""
        shown = ticks << PART_BITS
        gained = state[0] + shown - true_interval(shown, offset_ppt)
        return (min(max(gained, INT64_MIN), INT64_MAX),)

    def read(self, state: State) -> tuple[int, ...]:
        """What is gained, in two halves of 32 bits with signs."""
        halves = (state[0] % 2**32, state[0] % 2**64 >> 32)
        return tuple(half - 2**32 if half >> 31 else half for half in halves)

    def names(self, symbol: str) -> dict[str, object]:
        """What the templates fill in."""
        gained = self.history([(EXAMPLE_PPT, EXAMPLE_TICKS)])[0][0]
        return {
            "part_bits": PART_BITS,
            "parts": 1 << PART_BITS,
            "example_ppt": EXAMPLE_PPT,
            "example_ticks": EXAMPLE_TICKS,
            "example_gained": gained,
            "example_words": f"{gained / (1 << PART_BITS):.6f}",
        }
