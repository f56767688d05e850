"""The run at this moment: what is known of it, in memory that does not grow, and the figures that views show."""

from __future__ import annotations

import math
from collections import Counter, deque
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.bench.chamber import Phase
from tcomp.bench.instruments import Fault, Reading
from tcomp.bench.live import Event
from tcomp.bench.rows import LogLayout, LogRow
from tcomp.bench.schedule import SettledSoak, estimate_drift, judge_soak
from tcomp.job import Job
from tcomp.units import SECONDS_PER_MINUTE, offset_ppb_of_frequency, offset_ppb_of_timebase, turned_offset_ppb

if TYPE_CHECKING:
    from tcomp.bench.session import Session


MAX_RECENT = 300
"""Rows that are kept for noise and rate."""
MAX_SOAK = 8000
"""Means over `SOAK_BIN_S` or more that are kept to decide whether a soak has settled."""
SOAK_BIN_S = 1.0
MAX_DRAWN = 1200
"""Points of the charts of the whole run; when there are more, every other one is dropped."""
NOISE_ROWS = 100
RATE_ROWS = 60
MIN_NOISE_ROWS = 12
GLITCH = 6.0
"""Robust standard deviations beyond which a reading is a glitch, not noise."""
UNPLANNED_AVERAGE_S = 600.0
"""How long a soak without a plan is averaged. [s]"""


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
class NoiseEstimate:
    """Allan deviation at the interval of the rows, with the ends of its 95 % interval. [s, ppb]"""

    tau_s: float
    deviation_ppb: float
    low_ppb: float
    high_ppb: float


class Monitor:
    """Keeps the last rows and a thinned copy of all, and evaluates them on request."""

    def __init__(self, job: Job, layout: LogLayout) -> None:
        self.job, self.layout = job, layout
        self.sources = {source.name: SourceState() for source in job.sources}
        self.events: deque[Event] = deque(maxlen=50)
        self.reference_ok: bool | None = None
        self.rows = 0
        self.origins: Counter[str] = Counter()
        self.soak_since_s: float | None = None
        self.average_s = UNPLANNED_AVERAGE_S
        self._recent: deque[tuple[float, float, float]] = deque(maxlen=MAX_RECENT)
        self._soak: deque[tuple[float, float, float]] = deque(maxlen=MAX_SOAK)
        self._bin: list[tuple[float, float, float]] = []
        self._drawn: list[tuple[float, float, float]] = []
        self._every = 1
        self._quantum_c: float | None = None

    def add(self, arrival: Reading | Fault) -> None:
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
            self.reference_ok = arrival.values["reference"] == 1.0

    def add_row(self, row: LogRow) -> None:
        """Keep a row of the log."""
        self.rows += 1
        self.origins.update(row.origins)
        point = (row.time_s, *self.physical(row))
        self._recent.append(point)
        self._keep_for_soak(point)
        if (self.rows - 1) % self._every == 0:
            self._drawn.append(point)
            if len(self._drawn) > MAX_DRAWN:
                self._drawn = self._drawn[::2]
                self._every *= 2

    def _keep_for_soak(self, point: tuple[float, float, float]) -> None:
        if not (math.isfinite(point[1]) and math.isfinite(point[2])):
            return
        self._bin.append(point)
        if len(self._bin) == 1 and self._soak and point[0] - self._soak[-1][0] < SOAK_BIN_S:
            return
        if len(self._bin) > 1 and point[0] - self._bin[0][0] < SOAK_BIN_S:
            return
        count = len(self._bin)
        time_s, temperature_c, offset = (math.fsum(column) / count for column in zip(*self._bin, strict=True))
        self._soak.append((time_s, temperature_c, offset))
        self._bin.clear()

    def temperature_now(self) -> tuple[float, float]:
        """Time and value of the last temperature, whether or not it is part of a row yet. [s, degC]"""
        column = self.layout.columns[0]
        last = self.sources[column.source].last
        return (math.nan, math.nan) if last is None else (last.time_s, self.celsius(last.values["temperature"]))

    def celsius(self, value: float) -> float:
        """The temperature that a value of the log means. [degC]"""
        if self.layout.columns[0].unit == "degC":
            return value
        return float(self.job.sensor.temperature_c(np.array([value]))[0])

    def physical(self, row: LogRow) -> tuple[float, float]:
        """Temperature and offset of a row. [degC, ppb]"""
        reading = self.layout.columns[1]
        return self.celsius(row.values[0]), offset_ppb(self.job, self.layout, reading.quantity, row.values[1])

    @property
    def last_row(self) -> tuple[float, float, float] | None:
        """Time, temperature and offset of the last row. [s, degC, ppb]"""
        return self._recent[-1] if self._recent else None

    def drawn(self) -> FloatArray:
        """The whole run, thinned: shape (n, 3) of time, temperature, offset. [s, degC, ppb]"""
        return np.array(self._drawn).reshape(-1, 3)

    def recent(self, rows: int = MAX_RECENT) -> FloatArray:
        """The last rows, as `drawn`."""
        return np.array(list(self._recent)[-rows:]).reshape(-1, 3)

    def settled_soak(self) -> SettledSoak | None:
        """What may still drift in this soak; without a plan, in the last half hour. None while nothing is known."""
        since_s = self.soak_since_s
        if since_s is None:
            since_s = self._soak[-1][0] - 3.0 * self.average_s if self._soak else 0.0
        kept: list[tuple[float, float, float]] = []
        for point in reversed(self._soak):
            if point[0] < since_s:
                break
            kept.append(point)
        if not kept:
            return None
        rows = np.array(kept[::-1])
        return judge_soak(
            *rows.T,
            average_s=self.average_s,
            allowed_c=self.job.log.settled_c,
            allowed_ppb=allowed_ppb(self.job),
            quantum_c=self.job.sensor.resolution_c or self._quantum(rows[:, 1]),
        )

    def _quantum(self, temperature_c: FloatArray) -> float:
        if self._quantum_c is None or self.rows % 100 == 0:
            steps = np.abs(np.diff(temperature_c))
            steps = steps[steps > 1e-9]
            interpolated = self.layout.joined
            self._quantum_c = float(steps.min()) if steps.size > 10 and not interpolated else 0.0
        return self._quantum_c

    def rate_c_per_min(self) -> float:
        """Slope of the temperature; NaN while that is not known. [degC/min]"""
        rows = self.recent(RATE_ROWS)
        rows = rows[np.isfinite(rows[:, 1])]
        found = estimate_drift(rows[:, 0], rows[:, 1])
        return found.per_s * SECONDS_PER_MINUTE

    def noise(self) -> NoiseEstimate | None:
        """Noise of the offset at the interval of the rows, less a parabola and glitches; None while there are few rows."""
        rows = self.recent(NOISE_ROWS)
        rows = rows[np.isfinite(rows[:, 2])]
        if len(rows) < MIN_NOISE_ROWS:
            return None
        from tcomp.logs.stability import regular_stretches, stability

        interval_s = float(np.median(np.diff(rows[:, 0])))
        if interval_s <= 0:
            return None
        residual_ppb = _without_trend(rows[:, 0] - rows[0, 0], rows[:, 2])
        found = stability(regular_stretches(rows[:, 0], residual_ppb, interval_s), interval_s, factors=[1])
        if not found.tau_s.size:
            return None
        return NoiseEstimate(
            interval_s, *(float(one[0]) for one in (found.deviation_ppb, found.low_ppb, found.high_ppb))
        )

    def faults(self) -> dict[str, int]:
        """Number of faults by kind, over all sources."""
        total: Counter[str] = Counter()
        for state in self.sources.values():
            total.update(state.faults)
            total.update({"late": state.late} if state.late else {})
        return {kind: total[kind] for kind in sorted(total) if kind != "back"}


def _without_trend(time_s: FloatArray, offset_ppb: FloatArray) -> FloatArray:
    """The offset less a parabola, which a ramp makes of some minutes; glitches become NaN."""
    along = time_s / max(float(time_s[-1]), 1e-9)
    kept = np.ones(time_s.size, dtype=bool)
    residual = offset_ppb
    for _ in range(3):
        residual = offset_ppb - np.polyval(np.polyfit(along[kept], offset_ppb[kept], 2), along)
        size = 1.4826 * float(np.median(np.abs(residual[kept])))
        kept = np.abs(residual) <= max(GLITCH * size, 1e-9)
        if kept.sum() < MIN_NOISE_ROWS:
            return residual
    return np.where(kept, residual, np.nan)


def offset_ppb(job: Job, layout: LogLayout, quantity: str, value: float) -> float:
    """The offset of the oscillator that a frequency or an offset of the log means. [ppb]"""
    role = layout.run.role if layout.run is not None else "oscillator"
    if role == "timebase":
        trusted = layout.run.reference_hz if layout.run is not None else None
        if quantity == "frequency" and trusted:
            return offset_ppb_of_timebase(value, trusted)
        return turned_offset_ppb(value)
    return value if quantity == "offset" else offset_ppb_of_frequency(value, job.oscillator.nominal_hz or math.nan)


def allowed_ppb(job: Job) -> float:
    """The drift of the offset that is allowed while a soak is averaged. [ppb]"""
    plan: Any = job.plan
    given = job.log.settled_ppb or plan.lag_residual_ppb
    return float(given or (plan.curve_ppb / 20.0 if plan.curve_ppb else 1.0))


@dataclass(frozen=True)
class ScheduleProgress:
    """Where in the plan the run is. [degC, s]"""

    number: int
    steps: int
    summary: str
    set_point_c: float
    averaging: bool
    part: float
    left_s: float


@dataclass(frozen=True)
class SourceFigures:
    """One source: its last values, how many samples came, what went wrong."""

    name: str
    values: dict[str, float]
    samples: int
    faults: dict[str, int]
    gone: bool
    trouble: str


@dataclass(frozen=True, eq=False)
class RunState:
    """All that views show; ``drawn`` is an array of shape (n, 3) of time, temperature and offset. [s, degC, ppb]"""

    name: str
    file: Path
    time_s: float
    elapsed_s: float
    for_s: float
    rows: int
    temperature_c: float
    offset_ppb: float
    rate_c_per_min: float
    noise: NoiseEstimate | None
    reference_ok: bool | None
    ramping: bool
    settled_soak: SettledSoak | None
    average_s: float
    progress: ScheduleProgress | None
    chamber: str
    chamber_unconfirmed: bool
    alarm: str
    sources: tuple[SourceFigures, ...]
    disk: str
    events: tuple[Event, ...]
    drawn: FloatArray


def run_state(session: Session) -> RunState:
    """The state of a run now."""
    monitor, now_s = session.monitor, session.now_s
    row = monitor.last_row or (now_s, math.nan, math.nan)
    log = session.recorder.log
    return RunState(
        name=session.job.oscillator.name,
        file=log.path if log is not None else session.layout.path,
        time_s=now_s,
        elapsed_s=now_s - session.began_s,
        for_s=session.options.for_s,
        rows=monitor.rows,
        temperature_c=row[1],
        offset_ppb=row[2],
        rate_c_per_min=monitor.rate_c_per_min(),
        noise=monitor.noise(),
        reference_ok=monitor.reference_ok,
        ramping=session.follower is not None and session.follower.soak_since_s is None,
        settled_soak=monitor.settled_soak(),
        average_s=monitor.average_s,
        progress=_progress(session),
        chamber=_chamber(session),
        chamber_unconfirmed=session.supervisor is not None and session.supervisor.phase is Phase.UNCONFIRMED,
        alarm=session.supervisor.alarm if session.supervisor is not None else "",
        sources=tuple(_source(name, state) for name, state in monitor.sources.items()),
        disk=log.trouble if log is not None else "",
        events=tuple(monitor.events),
        drawn=monitor.drawn(),
    )


def _progress(session: Session) -> ScheduleProgress | None:
    follower, now_s = session.follower, session.now_s
    if follower is None:
        return None
    step, left_s = follower.step, follower.left_s(now_s)
    set_point_c = follower.set_point_c(now_s)
    done_s = now_s - session.began_s
    return ScheduleProgress(
        number=min(follower.number, len(follower.steps)),
        steps=len(follower.steps),
        summary="done" if follower.done else step.summary if step is not None else "begins",
        set_point_c=math.nan if set_point_c is None else set_point_c,
        averaging=follower.averaging_since_s is not None,
        part=done_s / (done_s + left_s) if done_s + left_s > 0 else 0.0,
        left_s=left_s,
    )


def _chamber(session: Session) -> str:
    supervisor = session.supervisor
    if supervisor is None:
        return ""
    sent_c = supervisor.sent_c
    if supervisor.phase is Phase.DRIVING:
        return f"driven, set to {sent_c:.1f} degC" if sent_c is not None else "driven"
    if supervisor.phase is Phase.SAFE:
        return f"safe, set to {supervisor.safe_c:.1f} degC"
    return "NOT CONFIRMED SAFE: switch it off by hand"


def _source(name: str, state: SourceState) -> SourceFigures:
    faults = {kind: count for kind, count in sorted(state.faults.items()) if kind != "back"}
    if state.late:
        faults["late"] = state.late
    values = dict(state.last.values) if state.last is not None else {}
    return SourceFigures(name, values, state.count, faults, state.gone, state.trouble)
