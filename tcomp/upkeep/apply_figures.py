"""What was done to a log, as a document and in remarks."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from tcomp.budget.ageing import known_rate
from tcomp.budget.drift import DriftSince, fit_ageing
from tcomp.budget.history import history_path, read_history
from tcomp.documents.upkeep import ApplyDocument, BaseDrift
from tcomp.job import Job
from tcomp.logs.dialect import column_label
from tcomp.logs.stream import LogStream
from tcomp.units import SECONDS_PER_DAY, utc
from tcomp.upkeep.apply import Quantity, Tally
from tcomp.upkeep.calibration import Calibration
from tcomp.upkeep.corrector import STATES
from tcomp.upkeep.retrim import base_of_runs


def drift_since(subject: Calibration, job: Job, start_s: float | None) -> DriftSince | None:
    """How the base has moved since the curve states it, by history, job or runs; None: runs or log have no clock."""
    curve = subject.curve
    if curve is None or curve.base_clock_s is None or start_s is None:
        return None
    runs = base_of_runs(curve, None)
    entries = read_history(history_path(job)).entries or ((runs,) if runs is not None else ())
    if not entries:
        return None
    rate = known_rate(job, curve, abs(start_s - entries[0].time_s) / SECONDS_PER_DAY)
    return DriftSince(fit_ageing(entries, rate), curve.base_clock_s)


def built_s(subject: Calibration, job: Job) -> float | None:
    """When the runs were, of which the sensor's drift is counted; None: not known. [s]"""
    if subject.curve is None:
        return None
    of_runs = [entry.time_s for entry in read_history(history_path(job)).entries if entry.kind == "runs"]
    return of_runs[-1] if of_runs else None if subject.curve.trimmed else subject.curve.base_clock_s


def apply_document(
    subject: Calibration, stream: LogStream, quantity: Quantity, drift: DriftSince | None, tally: Tally
) -> ApplyDocument:
    """The document of a corrected log; uncertainties are standard ones (k = 1)."""
    return ApplyDocument(
        applied="curve" if subject.table is None else "table",
        log=stream.log.file.name,
        quantity=quantity,
        column=stream.reading,
        rows=tally.rows,
        states={state: int(count) for state, count in zip(STATES, tally.states, strict=True)},
        offset_ppb=_ends(tally.offset_ppb),
        u_ppb=_ends(tally.u_ppb),
        range_c=subject.range_c,
        lags_s=subject.lags_s if stream.timed else (),
        drift=_drift(drift, tally),
        warnings=stream.warnings,
    )


def _ends(ends: tuple[float, float]) -> tuple[float, float] | None:
    return ends if math.isfinite(ends[0]) else None


def _drift(drift: DriftSince | None, tally: Tally) -> BaseDrift | None:
    if drift is None or not math.isfinite(tally.time_s[0]):
        return None
    moved_ppb, u_ppb = drift.moved(np.array(tally.time_s))
    first_s, last_s = tally.time_s
    return BaseDrift(
        base_of=utc(drift.since_s),
        days=((first_s - drift.since_s) / SECONDS_PER_DAY, (last_s - drift.since_s) / SECONDS_PER_DAY),
        moved_ppb=(float(moved_ppb[0]), float(moved_ppb[1])),
        u_ppb=(float(u_ppb[0]), float(u_ppb[1])),
        ageing=drift.ageing.words,
    )


def apply_remarks(
    subject: Calibration, job: Job, stream: LogStream, drift: DriftSince | None, tally: Tally
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
    held = [name for name in subject.regressors if name not in [one.name for one in stream.log.regressors]]
    for name in held:
        term = subject.regressors[name]
        yield (
            f"the log has no column for {name}, which is taken to be {term.reference:g} {term.unit}: u holds what it spread by in "
            f"the runs, {term.spread_ppb:.3g} ppb"
        )
    moved = _drift(drift, tally)
    if moved is not None:
        first, last = moved.days
        yield (
            f"ageing is extrapolated from the base of {moved.base_of} to this log, {first:.3g} to {last:.3g} days from it: "
            f"{moved.moved_ppb[1]:+.3g} ppb (u {moved.u_ppb[1]:.2g}) at its end; {moved.ageing}"
        )
    elif subject.curve is not None:
        yield "ageing since the base is not corrected: the runs, or this log, have no clock"
