"""A schedule is followed: ramps by the clock, soaks until they have settled and were averaged."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tcomp.bench.settled import Judged
from tcomp.errors import BenchError
from tcomp.units import SECONDS_PER_MINUTE

NEAR_C = 5.0
"""A board may stand so far off its chamber's set-point: it warms itself, and the chamber's own sensor is elsewhere."""
SET_DIGITS = 1
"""A ramp is set in tenths of a degC: finer ones many controllers do not take, and some wear out what they keep them in."""
MOST_SETTLING = 3.0
"""Times the planned settling after which a soak is averaged as it is, and said not to have settled."""
LEAST_SETTLING_MIN = 10.0
KINDS: dict[str, Literal["ramp", "soak"]] = {"ramp": "ramp", "soak": "soak"}
Told = Iterator[tuple[Literal["set", "soak", "fault"], str]]
"""What is to be told, and a sentence."""
LARGEST_PLAN = 1 << 20
"""Characters of a schedule."""
NAMES = ("what", "from_c", "to_c", "minutes", "settle_min", "average_min")


@dataclass(frozen=True)
class Step:
    """A ramp, or a soak that settles and is averaged. [degC, min]"""

    what: Literal["ramp", "soak"]
    from_c: float
    to_c: float
    minutes: float
    average_min: float
    why: str = ""

    @property
    def settle_min(self) -> float:
        """What was planned for settling. [min]"""
        return self.minutes - self.average_min

    @property
    def words(self) -> str:
        """What is to be done."""
        if self.what == "soak":
            return f"hold {self.to_c:.1f} degC until settled, then average {self.average_min:.0f} min"
        rate = abs(self.to_c - self.from_c) / self.minutes
        return f"go from {self.from_c:.1f} to {self.to_c:.1f} degC at {rate:.2g} degC/min, {self.minutes:.0f} min"


def read_steps(path: Path) -> tuple[Step, ...]:
    """The steps that `tcomp plan --csv` wrote.

    Raises
    ------
    BenchError
        The file cannot be read, or is no such schedule.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(io.StringIO(file.read(LARGEST_PLAN), newline="")))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BenchError(f"{path}: cannot be read ({error}); give a schedule that `tcomp plan --csv` wrote") from error
    steps = []
    for line, row in enumerate(rows, start=2):
        try:
            steps.append(_step(row))
        except (KeyError, ValueError, TypeError) as error:
            raise BenchError(
                f"{path}:{line}: is no step of a schedule ({error}); expected the columns {', '.join(NAMES)}, as "
                "`tcomp plan --csv` writes them"
            ) from error
    if not steps:
        raise BenchError(f"{path}: holds no steps; give a schedule that `tcomp plan --csv` wrote")
    return tuple(steps)


def _step(row: dict[str, str]) -> Step:
    from_c, to_c, minutes, _, average_min = (float(row[name] or 0.0) for name in NAMES[1:])
    if not all(map(math.isfinite, (from_c, to_c, minutes, average_min))) or not 0.0 <= average_min <= minutes:
        raise ValueError("a number that cannot be")
    return Step(KINDS[row["what"]], from_c, to_c, max(minutes, 1e-3), average_min, row.get("why") or "")


def check_limits(steps: Sequence[Step], low_c: float, high_c: float, path: Path) -> None:
    """No set-point of the schedule is beyond the hard limits, before anything is switched on.

    Raises
    ------
    BenchError
        One is.
    """
    for number, step in enumerate(steps, start=1):
        for at_c in (step.from_c, step.to_c):
            if not low_c <= at_c <= high_c:
                raise BenchError(
                    f"{path}: step {number} goes to {at_c:g} degC; the hard limits of [chamber] are {low_c:g} to {high_c:g} degC"
                )


class Follower:
    """Where in a schedule a run is; moved on by the clock and by what has settled.

    ``driven``: set-points are sent to a controller; otherwise a person is told, and a soak waits until
    the temperature is near, however long that takes.
    """

    def __init__(self, steps: Sequence[Step], *, driven: bool) -> None:
        self.steps, self._driven = tuple(steps), driven
        self._at = -1
        self._began_s = math.nan
        self.averaging_since_s: float | None = None
        self.unsettled = 0
        self.lost = ""
        """Why the schedule cannot go on; empty while it can."""

    @property
    def step(self) -> Step | None:
        """The step that is being done; None before the first and after the last."""
        return self.steps[self._at] if 0 <= self._at < len(self.steps) else None

    @property
    def number(self) -> int:
        """Of the step, counted from 1."""
        return self._at + 1

    @property
    def done(self) -> bool:
        """Whether all steps are done."""
        return self._at >= len(self.steps)

    @property
    def soak_since_s(self) -> float | None:
        """Since when the set-point stands still; None on a ramp. [s]"""
        return self._began_s if self.step is not None and self.step.what == "soak" else None

    def set_point_c(self, now_s: float) -> float | None:
        """Where the chamber is to be. [degC]"""
        step = self.step
        if step is None:
            return self.steps[-1].to_c if self.done else None
        part = min(1.0, (now_s - self._began_s) / (step.minutes * SECONDS_PER_MINUTE)) if step.what == "ramp" else 1.0
        if part == 1.0:
            return step.to_c
        return round(step.from_c + part * (step.to_c - step.from_c), SET_DIGITS)

    def left_s(self, now_s: float) -> float:
        """Time left, by the plan. [s]"""
        later = sum(step.minutes for step in self.steps[max(self._at + 1, 0) :]) * SECONDS_PER_MINUTE
        step = self.step
        if step is None:
            return later
        if self.averaging_since_s is not None:
            return later + max(0.0, self.averaging_since_s + step.average_min * SECONDS_PER_MINUTE - now_s)
        here_s = step.minutes * SECONDS_PER_MINUTE - (now_s - self._began_s)
        return later + max(here_s, step.average_min * SECONDS_PER_MINUTE if step.what == "soak" else 0.0)

    def advance(self, now_s: float, temperature_c: float, judged: Judged | None) -> Told:
        """Move on to where the run is now; what is to be told of it.

        Parameters
        ----------
        now_s : float
            [s]
        temperature_c : float
            The last that was measured. [degC]
        judged : Judged or None
            Of what was measured since the set-point stands still.
        """
        if self._at < 0:
            yield from self._next(now_s)
        step = self.step
        if step is None or self.lost:
            return
        minutes = (now_s - self._began_s) / SECONDS_PER_MINUTE
        if step.what == "ramp":
            if minutes >= step.minutes:
                yield from self._next(now_s)
        elif self.averaging_since_s is not None:
            if now_s - self.averaging_since_s >= step.average_min * SECONDS_PER_MINUTE:
                yield from self._next(now_s)
        else:
            yield from self._settling(now_s, minutes, abs(temperature_c - step.to_c) <= NEAR_C, judged)

    def _settling(self, now_s: float, minutes: float, near: bool, judged: Judged | None) -> Told:
        step = self.steps[self._at]
        if near and judged is not None and judged.settled:
            self.averaging_since_s = now_s
            yield "soak", f"settled at {step.to_c:.1f} degC after {minutes:.0f} min (planned: {step.settle_min:.0f})"
            return
        most_min = max(MOST_SETTLING * step.settle_min, LEAST_SETTLING_MIN) + step.average_min
        if minutes < most_min:
            return
        if near:
            self.averaging_since_s = now_s
            self.unsettled += 1
            yield "fault", f"not settled at {step.to_c:.1f} degC after {minutes:.0f} min; it is averaged as it is"
        elif self._driven:
            self.lost = f"the chamber does not come near {step.to_c:.1f} degC within {minutes:.0f} min"

    def _next(self, now_s: float) -> Told:
        self._at += 1
        self._began_s, self.averaging_since_s = now_s, None
        step = self.step
        if step is not None:
            tail = f": {step.why}" if step.why else ""
            yield "set", f"step {self.number} of {len(self.steps)}: {step.words}{tail}"
