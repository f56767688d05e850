"""What is known of the run at this moment, for those who look at it; its memory does not grow."""

from __future__ import annotations

import math
from collections import Counter, deque
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tcomp.bench.columns import Layout
from tcomp.bench.events import Event
from tcomp.bench.join import Row
from tcomp.bench.settled import Judged, drift, judge
from tcomp.bench.source import Fault, Reading
from tcomp.job import Job
from tcomp.units import SECONDS_PER_MINUTE, offset_ppb_of_frequency, offset_ppb_of_timebase, turned_offset_ppb

Floats = NDArray[np.float64]

RECENT = 300
"""Rows that are kept for noise and rate."""
STEADY = 8000
"""Means over a second or more that are kept for whether a soak is over."""
STEADY_S = 1.0
DRAWN = 1200
"""Points of the pictures of the whole run; when there are more, every other one goes."""
NOISE_ROWS = 100
RATE_ROWS = 60
LEAST_NOISE = 12
GLITCH = 6.0
"""Standard deviations (by the median of the residuals) beyond which a reading is a glitch, not noise."""
LEFT_ALONE_S = 600.0
"""What a soak without a plan is averaged for. [s]"""


@dataclass
class SourceState:
    """What is known of one source."""

    last: Reading | None = None
    count: int = 0
    late: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    gone: bool = False
    trouble: str = ""


@dataclass(frozen=True)
class Noise:
    """Allan deviation at the interval of the rows, with the ends of its 95 % interval. [s, ppb]"""

    tau_s: float
    deviation_ppb: float
    low_ppb: float
    high_ppb: float


class Watch:
    """Keeps the last rows and a thinned picture of all, and judges them when asked."""

    def __init__(self, job: Job, layout: Layout) -> None:
        self.job, self.layout = job, layout
        self.sources = {source.name: SourceState() for source in job.sources}
        self.events: deque[Event] = deque(maxlen=50)
        self.reference_well: bool | None = None
        self.rows = 0
        self.hows: Counter[str] = Counter()
        self.soak_since_s: float | None = None
        self.average_s = LEFT_ALONE_S
        self._recent: deque[tuple[float, float, float]] = deque(maxlen=RECENT)
        self._steady: deque[tuple[float, float, float]] = deque(maxlen=STEADY)
        self._bin: list[tuple[float, float, float]] = []
        self._drawn: list[tuple[float, float, float]] = []
        self._every = 1
        self._quantum_c: float | None = None

    def see(self, arrival: Reading | Fault) -> None:
        """Count a sample or a fault."""
        state = self.sources[arrival.source]
        if isinstance(arrival, Fault):
            state.faults[arrival.kind] += 1
            state.gone = arrival.kind == "gone" or (state.gone and arrival.kind != "back")
            state.trouble = "" if arrival.kind == "back" else arrival.text
            return
        state.last, state.count, state.late = arrival, state.count + 1, state.late + arrival.late
        state.gone, state.trouble = False, ""
        if "reference" in arrival.values:
            self.reference_well = arrival.values["reference"] == 1.0

    def see_row(self, row: Row) -> None:
        """Keep a row of the log."""
        self.rows += 1
        self.hows.update(row.hows)
        point = (row.time_s, *self.physical(row))
        self._recent.append(point)
        self._keep_steady(point)
        if (self.rows - 1) % self._every == 0:
            self._drawn.append(point)
            if len(self._drawn) > DRAWN:
                self._drawn = self._drawn[::2]
                self._every *= 2

    def _keep_steady(self, point: tuple[float, float, float]) -> None:
        if not (math.isfinite(point[1]) and math.isfinite(point[2])):
            return
        self._bin.append(point)
        if len(self._bin) == 1 and self._steady and point[0] - self._steady[-1][0] < STEADY_S:
            return
        if len(self._bin) > 1 and point[0] - self._bin[0][0] < STEADY_S:
            return
        count = len(self._bin)
        time_s, temperature_c, offset = (math.fsum(column) / count for column in zip(*self._bin, strict=True))
        self._steady.append((time_s, temperature_c, offset))
        self._bin.clear()

    def temperature_now(self) -> tuple[float, float]:
        """Time and value of the last temperature, whether or not it has come into a row yet. [s, degC]"""
        column = self.layout.columns[0]
        last = self.sources[column.source].last
        return (math.nan, math.nan) if last is None else (last.time_s, self._celsius(last.values["temperature"]))

    def _celsius(self, value: float) -> float:
        if self.layout.columns[0].unit == "degC":
            return value
        from tcomp.run.sensor import sensed_c

        return float(sensed_c(np.array([value]), self.job.sensor)[0])

    def physical(self, row: Row) -> tuple[float, float]:
        """Temperature and offset of a row. [degC, ppb]"""
        reading = self.layout.columns[1]
        return self._celsius(row.values[0]), offset_ppb(self.job, self.layout, reading.quantity, row.values[1])

    @property
    def last_row(self) -> tuple[float, float, float] | None:
        """Time, temperature and offset of the last row. [s, degC, ppb]"""
        return self._recent[-1] if self._recent else None

    def drawn(self) -> Floats:
        """The whole run, thinned: shape (n, 3) of time, temperature, offset. [s, degC, ppb]"""
        return np.array(self._drawn).reshape(-1, 3)

    def recent(self, rows: int = RECENT) -> Floats:
        """The last rows, as `drawn`."""
        return np.array(list(self._recent)[-rows:]).reshape(-1, 3)

    def judged(self) -> Judged | None:
        """Whether the soak is over; without a plan, of the last half hour. None while nothing is known."""
        since_s = self.soak_since_s
        if since_s is None:
            since_s = self._steady[-1][0] - 3.0 * self.average_s if self._steady else 0.0
        kept: list[tuple[float, float, float]] = []
        for point in reversed(self._steady):
            if point[0] < since_s:
                break
            kept.append(point)
        if not kept:
            return None
        rows = np.array(kept[::-1])
        return judge(
            *rows.T,
            average_s=self.average_s,
            allowed_c=self.job.log.settled_c,
            allowed_ppb=allowed_ppb(self.job),
            quantum_c=self.job.sensor.resolution_c or self._quantum(rows[:, 1]),
        )

    def _quantum(self, temperature_c: Floats) -> float:
        if self._quantum_c is None or self.rows % 100 == 0:
            steps = np.abs(np.diff(temperature_c))
            steps = steps[steps > 1e-9]
            interpolated = self.layout.joined
            self._quantum_c = float(steps.min()) if steps.size > 10 and not interpolated else 0.0
        return self._quantum_c

    def rate_c_per_min(self) -> float:
        """How fast the temperature moves; NaN where that is not known. [degC/min]"""
        rows = self.recent(RATE_ROWS)
        rows = rows[np.isfinite(rows[:, 1])]
        found = drift(rows[:, 0], rows[:, 1])
        return found.per_s * SECONDS_PER_MINUTE

    def noise(self) -> Noise | None:
        """The offset's noise at the interval of the rows, a parabola and glitches taken off; None while there are few."""
        rows = self.recent(NOISE_ROWS)
        rows = rows[np.isfinite(rows[:, 2])]
        if len(rows) < LEAST_NOISE:
            return None
        from tcomp.run.stability import regular_stretches, stability

        interval_s = float(np.median(np.diff(rows[:, 0])))
        if interval_s <= 0:
            return None
        left_ppb = _without_trend(rows[:, 0] - rows[0, 0], rows[:, 2])
        found = stability(regular_stretches(rows[:, 0], left_ppb, interval_s), interval_s, factors=[1])
        if not found.tau_s.size:
            return None
        return Noise(interval_s, *(float(one[0]) for one in (found.deviation_ppb, found.low_ppb, found.high_ppb)))

    def faults(self) -> dict[str, int]:
        """How often which fault was met, over all sources."""
        total: Counter[str] = Counter()
        for state in self.sources.values():
            total.update(state.faults)
            total.update({"late": state.late} if state.late else {})
        return {kind: total[kind] for kind in sorted(total) if kind != "back"}


def _without_trend(time_s: Floats, offset_ppb: Floats) -> Floats:
    """What a ramp does in some minutes is not noise; glitches become NaN."""
    along = time_s / max(float(time_s[-1]), 1e-9)
    kept = np.ones(time_s.size, dtype=bool)
    left = offset_ppb
    for _ in range(3):
        left = offset_ppb - np.polyval(np.polyfit(along[kept], offset_ppb[kept], 2), along)
        size = 1.4826 * float(np.median(np.abs(left[kept])))
        kept = np.abs(left) <= max(GLITCH * size, 1e-9)
        if kept.sum() < LEAST_NOISE:
            return left
    return np.where(kept, left, np.nan)


def offset_ppb(job: Job, layout: Layout, quantity: str, value: float) -> float:
    """The oscillator's offset, of a frequency or offset as it stands in the log. [ppb]"""
    role = layout.run.role if layout.run is not None else "oscillator"
    if role == "timebase":
        trusted = layout.run.reference_hz if layout.run is not None else None
        if quantity == "frequency" and trusted:
            return offset_ppb_of_timebase(value, trusted)
        return turned_offset_ppb(value)
    return value if quantity == "offset" else offset_ppb_of_frequency(value, job.oscillator.nominal_hz or math.nan)


def allowed_ppb(job: Job) -> float:
    """What the offset may still drift while a soak is averaged. [ppb]"""
    plan: Any = job.plan
    given = job.log.settled_ppb or plan.lag_residual_ppb
    return float(given or (plan.curve_ppb / 20.0 if plan.curve_ppb else 1.0))
