"""A schedule is followed: ramps by the clock, soaks until they have settled and were averaged; when a soak has settled."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import BenchError
from tcomp.units import SECONDS_PER_MINUTE

NEAR_C = 5.0
"""A board may differ so much from the set-point of its chamber: it warms itself, and the chamber has its own sensor. [degC]"""
SET_DIGITS = 1
"""A ramp is set in tenths of a degC: many controllers take no finer ones, and each one wears the memory of some."""
MAX_SETTLING = 3.0
"""Times the planned settling after which a soak is averaged as it is, and reported as not settled."""
MIN_SETTLING_MIN = 10.0
KINDS: dict[str, Literal["ramp", "soak"]] = {"ramp": "ramp", "soak": "soak"}
ScheduleEvents = Iterator[tuple[Literal["set", "soak", "fault"], str]]
"""What happened, and a sentence."""
MAX_SCHEDULE = 1 << 20
"""Characters of a schedule that are read."""
NAMES = ("what", "from_c", "to_c", "minutes", "settle_min", "average_min")
MIN_SAMPLES = 12
MIN_DEGREES_OF_FREEDOM = 3.0
PADDING = 8
"""Steps of a frequency within one turn over the window."""
MIN_TURNS = 1.5
MIN_HUNTING_SHARE = 0.5
"""Share of the variance of a soak above which an oscillation is called hunting (common practice, no source)."""
GLITCH = 8.0
"""Robust standard deviations beyond which a reading is a gross error and not used."""
MAX_PASSES = 4
COVERAGE_FACTOR = 2.0
"""Standard uncertainties that are added to a drift before it is compared with what is allowed."""


@dataclass(frozen=True)
class DriftEstimate:
    """Slope of a straight line, per second, with its standard uncertainty and degrees of freedom."""

    per_s: float
    u_per_s: float
    degrees_of_freedom: float

    def max_change(self, over_s: float) -> float:
        """Upper bound of the change within ``over_s``; infinite while nothing is known. [s]"""
        if self.degrees_of_freedom < MIN_DEGREES_OF_FREEDOM:
            return math.inf
        return (abs(self.per_s) + COVERAGE_FACTOR * self.u_per_s) * over_s


def hunting_frequency_rad_per_s(time_s: FloatArray, temperature_c: FloatArray) -> float:
    """Frequency at which the controller of a chamber hunts, if that is most of the scatter of a soak's temperature; else 0.

    Examples
    --------
    >>> time_s = np.arange(0.0, 1800.0, 10.0)
    >>> found = hunting_frequency_rad_per_s(time_s, 40.0 + 0.05 * np.sin(2 * np.pi * time_s / 310.0))
    >>> abs(2 * np.pi / found - 310.0) < 5.0
    True
    """
    count = time_s.size
    if count < 4 * MIN_SAMPLES or time_s[-1] <= time_s[0]:
        return 0.0
    along = time_s - time_s.mean()
    residual = temperature_c - np.polyval(np.polyfit(along, temperature_c, 2), along)
    length = PADDING * count
    power = np.abs(np.fft.rfft(residual, length)) ** 2
    slowest = int(MIN_TURNS * PADDING)
    peak = slowest + int(np.argmax(power[slowest:])) if power.size > slowest + 1 else 0
    # A sine of amplitude A has a peak of (A n / 2)^2, and a sum of squares of n A^2 / 2.
    if not peak or power[peak] < MIN_HUNTING_SHARE * count / 2.0 * float(residual @ residual):
        return 0.0
    return 2.0 * math.pi * peak / length * (count - 1) / float(time_s[-1] - time_s[0])


def estimate_drift(time_s: FloatArray, values: FloatArray, quantum: float = 0.0, hunting: float = 0.0) -> DriftEstimate:
    """Drift of samples that are correlated in time.

    Parameters
    ----------
    time_s, values : ndarray of shape (n,)
        At about equal intervals. [s, any unit]
    quantum : float
        Step of the values; the standard deviation of a residual is taken to be quantum / sqrt(12) at least.
    hunting : float
        Frequency of an oscillation that is fitted with the line; 0 for none. [rad/s]

    Returns
    -------
    DriftEstimate
        The variance of the slope is that of independent residuals times tau = 1 + 2 (rho_1 + rho_2 + ...), the sum being
        taken while pairs of neighbouring terms are positive (C. J. Geyer, "Practical Markov chain Monte Carlo", Statistical
        Science 7 (1992), the initial positive sequence); the degrees of freedom are n / tau - 2.

    Examples
    --------
    >>> found = estimate_drift(np.arange(60.0), 0.5 * np.arange(60.0) + np.random.default_rng(1).normal(0.0, 0.1, 60))
    >>> round(found.per_s, 2), found.u_per_s < 0.002
    (0.5, True)
    """
    for _ in range(MAX_PASSES):
        found, residual = _line(time_s, values, quantum, hunting)
        size = max(1.4826 * float(np.median(np.abs(residual))), quantum / 2.0) if residual.size else 0.0
        kept = np.abs(residual) <= GLITCH * size
        if kept.all() or size == 0.0:
            break
        time_s, values = time_s[kept], values[kept]
    return found


def _line(time_s: FloatArray, values: FloatArray, quantum: float, hunting: float) -> tuple[DriftEstimate, FloatArray]:
    """The drift, and the residuals."""
    count = time_s.size
    if count < MIN_SAMPLES or time_s[-1] <= time_s[0]:
        return DriftEstimate(math.nan, math.nan, 0.0), np.zeros(0)
    along = time_s - time_s.mean()
    turns = [np.cos(hunting * along), np.sin(hunting * along)] if hunting else []
    columns = np.column_stack([along, np.ones(count), *turns])
    inverse = np.linalg.pinv(columns)
    from_first = values - values[0]
    found = inverse @ from_first
    residual = from_first - columns @ found
    tau = _integrated_correlation(residual)
    variance = max(float(residual @ residual) / (count - columns.shape[1]), quantum**2 / 12.0)
    # A sensor whose reading never changes hides a drift of half a step from end to end.
    hidden = quantum / math.sqrt(12.0) / (time_s[-1] - time_s[0]) if not residual.any() else 0.0
    u_per_s = math.sqrt(variance * tau * float(inverse[0] @ inverse[0]))
    return DriftEstimate(float(found[0]), math.hypot(u_per_s, hidden), count / tau - columns.shape[1]), residual


def _integrated_correlation(residual: FloatArray) -> float:
    """Number of samples with as much information as one independent sample."""
    square = float(residual @ residual)
    if square == 0.0:
        return 1.0
    length = 1 << (2 * residual.size - 1).bit_length()
    spectrum = np.abs(np.fft.rfft(residual, length)) ** 2
    rho = np.fft.irfft(spectrum, length)[: residual.size // 2] / square
    pairs = rho[: rho.size // 2 * 2].reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0)
    kept = pairs[: int(ends[0]) if ends.size else pairs.size]
    return max(1.0, 2.0 * float(kept.sum()) - 1.0)


@dataclass(frozen=True)
class SettledSoak:
    """Upper bounds of the drift of temperature and offset while a soak is averaged, and what is allowed. [degC, ppb]"""

    drift_c: float
    drift_ppb: float
    allowed_c: float
    allowed_ppb: float

    @property
    def settled(self) -> bool:
        """Whether both drift no more than allowed."""
        return self.drift_c <= self.allowed_c and self.drift_ppb <= self.allowed_ppb

    @property
    def is_known(self) -> bool:
        """Whether there were enough samples to estimate both."""
        return math.isfinite(self.drift_c) and math.isfinite(self.drift_ppb)


def judge_soak(
    time_s: FloatArray,
    temperature_c: FloatArray,
    offset_ppb: FloatArray,
    *,
    average_s: float,
    allowed_c: float,
    allowed_ppb: float,
    quantum_c: float = 0.0,
) -> SettledSoak:
    """Judge a soak by the second half of what was logged since its set-point stands still.

    Parameters
    ----------
    time_s, temperature_c, offset_ppb : ndarray of shape (n,)
        Samples since then. [s, degC, ppb]
    average_s : float
        How long the soak is averaged afterwards. [s]
    allowed_c, allowed_ppb : float
        Drift that is allowed in that time. [degC, ppb]
    quantum_c : float
        Step of the sensor. [degC]
    """
    half = time_s >= (time_s[0] + time_s[-1]) / 2 if time_s.size else np.zeros(0, dtype=bool)
    finite = half & np.isfinite(temperature_c) & np.isfinite(offset_ppb)
    times_s = time_s[finite]
    hunting = hunting_frequency_rad_per_s(times_s, temperature_c[finite])
    return SettledSoak(
        estimate_drift(times_s, temperature_c[finite], quantum_c, hunting).max_change(average_s),
        estimate_drift(times_s, offset_ppb[finite], 0.0, hunting).max_change(average_s),
        allowed_c,
        allowed_ppb,
    )


@dataclass(frozen=True)
class ScheduleStep:
    """A ramp, or a soak that settles and is averaged. [degC, min]"""

    what: Literal["ramp", "soak"]
    from_c: float
    to_c: float
    minutes: float
    average_min: float
    why: str = ""

    @property
    def settle_min(self) -> float:
        """Time planned for settling. [min]"""
        return self.minutes - self.average_min

    @property
    def summary(self) -> str:
        """What the step does, in a few words."""
        if self.what == "soak":
            return f"hold {self.to_c:.1f} degC until settled, then average {self.average_min:.0f} min"
        rate = abs(self.to_c - self.from_c) / self.minutes
        return f"go from {self.from_c:.1f} to {self.to_c:.1f} degC at {rate:.2g} degC/min, {self.minutes:.0f} min"


def read_steps(path: Path) -> tuple[ScheduleStep, ...]:
    """The steps that `tcomp plan --csv` wrote.

    Raises
    ------
    BenchError
        The file cannot be read, or is not such a schedule.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(io.StringIO(file.read(MAX_SCHEDULE), newline="")))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise BenchError(f"{path}: cannot be read ({error}); give a schedule that `tcomp plan --csv` wrote") from error
    steps = []
    for line, row in enumerate(rows, start=2):
        try:
            steps.append(_step(row))
        except (KeyError, ValueError, TypeError) as error:
            raise BenchError(
                f"{path}:{line}: is not a step of a schedule ({error}); expected the columns {', '.join(NAMES)}, as "
                "`tcomp plan --csv` writes them"
            ) from error
    if not steps:
        raise BenchError(f"{path}: holds no steps; give a schedule that `tcomp plan --csv` wrote")
    return tuple(steps)


def _step(row: dict[str, str]) -> ScheduleStep:
    from_c, to_c, minutes, _, average_min = (float(row[name] or 0.0) for name in NAMES[1:])
    if not all(map(math.isfinite, (from_c, to_c, minutes, average_min))) or not 0.0 <= average_min <= minutes:
        raise ValueError("a number that is impossible")
    return ScheduleStep(KINDS[row["what"]], from_c, to_c, max(minutes, 1e-3), average_min, row.get("why") or "")


def check_limits(steps: Sequence[ScheduleStep], low_c: float, high_c: float, path: Path) -> None:
    """Check that no set-point of the schedule is beyond the hard limits, before anything is switched on.

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
    """Where in a schedule a run is; it moves on with the clock, and when a soak has settled.

    ``driven``: set-points are sent to a controller; otherwise a person sets the chamber, and a soak waits until
    the temperature is near, however long that takes.
    """

    def __init__(self, steps: Sequence[ScheduleStep], *, driven: bool) -> None:
        self.steps, self._driven = tuple(steps), driven
        self._at = -1
        self._began_s = math.nan
        self.averaging_since_s: float | None = None
        self.unsettled = 0
        self.lost = ""
        """Why the schedule cannot go on; empty while it can."""

    @property
    def step(self) -> ScheduleStep | None:
        """The step that is being done; None before the first and after the last."""
        return self.steps[self._at] if 0 <= self._at < len(self.steps) else None

    @property
    def number(self) -> int:
        """Number of the step, counted from 1."""
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
        """Set-point at this time. [degC]"""
        step = self.step
        if step is None:
            return self.steps[-1].to_c if self.done else None
        part = min(1.0, (now_s - self._began_s) / (step.minutes * SECONDS_PER_MINUTE)) if step.what == "ramp" else 1.0
        if part == 1.0:
            return step.to_c
        return round(step.from_c + part * (step.to_c - step.from_c), SET_DIGITS)

    def left_s(self, now_s: float) -> float:
        """Time left, as planned. [s]"""
        later = sum(step.minutes for step in self.steps[max(self._at + 1, 0) :]) * SECONDS_PER_MINUTE
        step = self.step
        if step is None:
            return later
        if self.averaging_since_s is not None:
            return later + max(0.0, self.averaging_since_s + step.average_min * SECONDS_PER_MINUTE - now_s)
        here_s = step.minutes * SECONDS_PER_MINUTE - (now_s - self._began_s)
        return later + max(here_s, step.average_min * SECONDS_PER_MINUTE if step.what == "soak" else 0.0)

    def advance(self, now_s: float, temperature_c: float, soak: SettledSoak | None) -> ScheduleEvents:
        """Move on to where the run is now; the events of doing so.

        Parameters
        ----------
        now_s : float
            Time of the run. [s]
        temperature_c : float
            Last measured temperature. [degC]
        soak : SettledSoak or None
            Judgement of what was measured since the set-point stands still; None: not judged.
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
            yield from self._settling(now_s, minutes, soak, near=abs(temperature_c - step.to_c) <= NEAR_C)

    def _settling(self, now_s: float, minutes: float, soak: SettledSoak | None, *, near: bool) -> ScheduleEvents:
        step = self.steps[self._at]
        if near and soak is not None and soak.settled:
            self.averaging_since_s = now_s
            yield "soak", f"settled at {step.to_c:.1f} degC after {minutes:.0f} min (planned: {step.settle_min:.0f})"
            return
        longest_min = max(MAX_SETTLING * step.settle_min, MIN_SETTLING_MIN) + step.average_min
        if minutes < longest_min:
            return
        if near:
            self.averaging_since_s = now_s
            self.unsettled += 1
            yield "fault", f"not settled at {step.to_c:.1f} degC after {minutes:.0f} min; it is averaged as it is"
        elif self._driven:
            self.lost = f"the chamber does not come near {step.to_c:.1f} degC within {minutes:.0f} min"

    def _next(self, now_s: float) -> ScheduleEvents:
        self._at += 1
        self._began_s, self.averaging_since_s = now_s, None
        step = self.step
        if step is not None:
            tail = f": {step.why}" if step.why else ""
            yield "set", f"step {self.number} of {len(self.steps)}: {step.summary}{tail}"
