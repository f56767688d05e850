"""The run at one moment, as plain figures for those who look at it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tcomp.bench.events import Event
from tcomp.bench.settled import Judged
from tcomp.bench.watch import Noise, SourceState

if TYPE_CHECKING:
    from tcomp.bench.session import Session


@dataclass(frozen=True)
class Progress:
    """Where in the plan the run is. [degC, s]"""

    number: int
    steps: int
    words: str
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
class State:
    """All that is shown; ``drawn`` has a row of time, temperature and offset for each point. [s, degC, ppb]"""

    name: str
    file: Path
    time_s: float
    elapsed_s: float
    for_s: float
    rows: int
    temperature_c: float
    offset_ppb: float
    rate_c_per_min: float
    noise: Noise | None
    reference_well: bool | None
    ramping: bool
    judged: Judged | None
    average_s: float
    progress: Progress | None
    chamber: str
    sources: tuple[SourceFigures, ...]
    disk: str
    events: tuple[Event, ...]
    drawn: Any


def state_of(session: Session) -> State:
    """The run as it is now."""
    watch, now_s = session.watch, session.now_s
    row = watch.last_row or (now_s, math.nan, math.nan)
    log = session.recorder.log
    return State(
        name=session.job.oscillator.name,
        file=session.layout.path,
        time_s=now_s,
        elapsed_s=now_s - session.began_s,
        for_s=session.wanted.for_s,
        rows=watch.rows,
        temperature_c=row[1],
        offset_ppb=row[2],
        rate_c_per_min=watch.rate_c_per_min(),
        noise=watch.noise(),
        reference_well=watch.reference_well,
        ramping=session.follower is not None and session.follower.soak_since_s is None,
        judged=watch.judged(),
        average_s=watch.average_s,
        progress=_progress(session),
        chamber=_chamber(session),
        sources=tuple(_source(name, state) for name, state in watch.sources.items()),
        disk=log.trouble if log is not None else "",
        events=tuple(watch.events),
        drawn=watch.drawn(),
    )


def _progress(session: Session) -> Progress | None:
    follower, now_s = session.follower, session.now_s
    if follower is None:
        return None
    step, left_s = follower.step, follower.left_s(now_s)
    set_point_c = follower.set_point_c(now_s)
    done_s = now_s - session.began_s
    return Progress(
        number=min(follower.number, len(follower.steps)),
        steps=len(follower.steps),
        words="done" if follower.done else step.words if step is not None else "begins",
        set_point_c=math.nan if set_point_c is None else set_point_c,
        averaging=follower.averaging_since_s is not None,
        part=done_s / (done_s + left_s) if done_s + left_s > 0 else 0.0,
        left_s=left_s,
    )


def _chamber(session: Session) -> str:
    driver = session.driver
    if driver is None:
        return ""
    if driver.is_safe is None:
        return f"driven, set to {driver.sent_c:.1f} degC" if driver.sent_c is not None else "driven"
    return f"safe, set to {driver.safe_c:.1f} degC" if driver.is_safe else "NOT CONFIRMED SAFE: switch it off by hand"


def _source(name: str, state: SourceState) -> SourceFigures:
    faults = {kind: count for kind, count in sorted(state.faults.items()) if kind != "back"}
    if state.late:
        faults["late"] = state.late
    values = dict(state.last.values) if state.last is not None else {}
    return SourceFigures(name, values, state.count, faults, state.gone, state.trouble)
