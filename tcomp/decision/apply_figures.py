"""What was done to a log, as plain numbers and in remarks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import numpy as np

from tcomp.curve.curve import utc
from tcomp.decision.ageing_history import DriftSince, fit_ageing, known_rate
from tcomp.decision.apply import Quantity, Tally
from tcomp.decision.corrector import STATES
from tcomp.decision.history import history_path, read_history
from tcomp.decision.retrim import base_of_runs
from tcomp.decision.subject import Subject
from tcomp.job import Job
from tcomp.run.dialect import column_label
from tcomp.run.log_stream import LogStream
from tcomp.units import SECONDS_PER_DAY


def drift_since(subject: Subject, job: Job, start_s: float | None) -> DriftSince | None:
    """How the base has moved since the curve states it, by history, job or runs; None: runs or log have no clock."""
    curve = subject.curve
    if curve is None or curve.base_clock_s is None or start_s is None:
        return None
    runs = base_of_runs(curve, None)
    entries = read_history(history_path(job)).entries or ((runs,) if runs is not None else ())
    if not entries:
        return None
    rate = known_rate(job, curve, abs(start_s - entries[-1].time_s) / SECONDS_PER_DAY)
    return DriftSince(fit_ageing(entries, rate), curve.base_clock_s)


def apply_figures(
    subject: Subject, stream: LogStream, quantity: Quantity, drift: DriftSince | None, tally: Tally
) -> dict[str, Any]:
    """Names carry units; uncertainties are standard ones (k = 1)."""
    return {
        "schema": 1,
        "applied": "curve" if subject.table is None else "table",
        "log": stream.log.file.name,
        "quantity": quantity,
        "column": stream.reading,
        "rows": tally.rows,
        "states": {state: int(count) for state, count in zip(STATES, tally.states, strict=True)},
        "offset_ppb": _ends(tally.offset_ppb),
        "u_ppb": _ends(tally.u_ppb),
        "range_c": list(subject.range_c),
        "lags_s": list(subject.lags_s) if stream.timed else [],
        "drift": _drift_figures(drift, tally),
    }


def _ends(ends: tuple[float, float]) -> list[float] | None:
    return list(ends) if math.isfinite(ends[0]) else None


def _drift_figures(drift: DriftSince | None, tally: Tally) -> dict[str, Any] | None:
    if drift is None or not math.isfinite(tally.time_s[0]):
        return None
    moved_ppb, u_ppb = drift.moved(np.array(tally.time_s))
    return {
        "base_of": utc(drift.since_s),
        "days": [(time_s - drift.since_s) / SECONDS_PER_DAY for time_s in tally.time_s],
        "moved_ppb": moved_ppb.tolist(),
        "u_ppb": u_ppb.tolist(),
        "ageing": drift.ageing.words,
    }


def apply_remarks(
    subject: Subject, job: Job, stream: LogStream, drift: DriftSince | None, tally: Tally
) -> Iterator[str]:
    """What was assumed, and what must not be overlooked."""
    column = column_label(stream.reading)
    if any(run.role == "oscillator" and run.frequency == stream.reading for run in job.runs):
        yield (
            f"{column} is taken as what the instrument shows of another signal; in the job's runs it is the oscillator's own "
            "frequency, which is not to be corrected by itself"
        )
    if subject.curve is None:
        yield "without the curve its uncertainty, the lag and the ageing are not known: u is the table's own share"
    elif subject.lags_s and not stream.timed:
        yield "the log has no time, so the lag cannot be followed: the crystal is taken to be as warm as its sensor"
    figures = _drift_figures(drift, tally)
    if figures is not None:
        first, last = figures["days"]
        yield (
            f"ageing is extrapolated from the base of {figures['base_of']} to this log, {first:.3g} to {last:.3g} days from it: "
            f"{figures['moved_ppb'][1]:+.3g} ppb (u {figures['u_ppb'][1]:.2g}) at its end; {figures['ageing']}"
        )
    elif subject.curve is not None:
        yield "ageing since the base is not corrected: the runs, or this log, have no clock"
