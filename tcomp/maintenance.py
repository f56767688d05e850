"""Between the runs: a log is corrected, the base is trimmed.

Takes what `tcomp.workflow` has left in the folder of results.
"""

from __future__ import annotations

from pathlib import Path
from typing import IO

from tcomp.budget.ageing import known_rate, retrace_sd_ppb
from tcomp.budget.history import add_entry, history_path, read_history
from tcomp.documents.upkeep import ApplyDocument, RetrimDocument
from tcomp.errors import TableError
from tcomp.estimation.curve import Curve
from tcomp.inputs import table_inputs
from tcomp.job import Column, Job, read_job
from tcomp.logs.stream import LogStream, named_log
from tcomp.results import Folder
from tcomp.tables import CorrectionTable
from tcomp.units import SECONDS_PER_DAY
from tcomp.upkeep.apply import Quantity, Tally, corrected_lines, sensor_u_c
from tcomp.upkeep.apply_figures import apply_document, apply_remarks, built_s, drift_since
from tcomp.upkeep.calibration import Calibration, read_subject
from tcomp.upkeep.corrector import Corrector
from tcomp.upkeep.due import next_trim
from tcomp.upkeep.point import Point
from tcomp.upkeep.retrim import RetrimResult, retrimmed_table
from tcomp.upkeep.retrim import retrim as weigh
from tcomp.upkeep.retrim_figures import retrim_document, retrim_remarks
from tcomp.upkeep.time_error import FittedDrift, TimeIntegral, frequency_noise
from tcomp.workflow import Notify, design, export, prove_sources, silent


def apply(
    promised: Path,
    log: Path,
    out: IO[bytes],
    notify: Notify,
    *,
    job: Path | None = None,
    column: Column | None = None,
    quantity: Quantity = "frequency",
    mark_s: float | None = None,
) -> ApplyDocument:
    """A log of an instrument's readings, corrected by a ``curve.json`` or ``table.json``, written as it is read.

    Of times ``mark_s`` is when the clock was right, by its own stamps; None: at the first row. [s]
    """
    subject = read_subject(promised)
    known = read_job(job or Folder(promised.parent).job_path())
    times = quantity == "times"
    stream = LogStream(named_log(known.runs, log, column, times=times), known.sensor)
    drift = drift_since(subject, known, stream.clock_start_s)
    corrector = Corrector(
        subject,
        sensor_u_c=0.0 if times else sensor_u_c(known.sensor),  # over hours readings average out
        drift=(fitted_drift(subject, known) or drift) if times else drift,
        timed=stream.timed,
        job=None if times else known,
        built_s=built_s(subject, known) if stream.clock_start_s is not None else None,
    )
    tally = Tally()
    integral = None
    if times:
        integral = TimeIntegral(None if subject.curve is None else frequency_noise(subject.curve), mark_s)
    for text in corrected_lines(stream, corrector, quantity, tally, integral):
        out.write(text)
    for remark in (*subject.remarks, *stream.assumptions, *apply_remarks(subject, known, stream, drift, tally)):
        notify(remark)
    return apply_document(subject, stream, quantity, drift, tally)


def fitted_drift(subject: Calibration, job: Job) -> FittedDrift | None:
    """The drift that a clock's weeks in service have shown, as long as no trim has shown another."""
    if subject.curve is None or read_history(history_path(job)).entries:
        return None
    return FittedDrift.of(subject.curve)


def retrim(
    folder: Folder,
    job: Job,
    point: Point,
    time_s: float,
    *,
    notify: Notify = silent,
    since_s: float | None = None,
    accept: bool = False,
) -> tuple[RetrimResult, RetrimDocument]:
    """One trusted point against curve and ageing: the base is weighed anew, and curve, table and firmware written with it.

    The history is added to last: after a crash the same point can be given again.  A point that is refused is entered there,
    and leaves all else as it was.
    """
    with folder.held():
        curve, table = folder.read_curve(), folder.read_table()
        history = read_history(history_path(job))
        for remark in history.remarks:
            notify(remark)
        first_s = history.entries[0].time_s if history.entries else since_s or curve.base_clock_s or time_s
        rate = known_rate(job, curve, (time_s - first_s) / SECONDS_PER_DAY)
        found = weigh(
            curve, history, point, time_s, rate, scatter_ppb=retrace_sd_ppb(job), since_s=since_s, accept=accept
        )
        if found.status == "refused":
            for entry in found.added:
                history = add_entry(history, entry)
            return found, retrim_document(found, curve, None, None)
        for entry in found.added[:-1]:
            history = add_entry(history, entry)
        moved = curve.trimmed_to(found.base_ppb, found.base_u_ppb, time_s)
        trimmed = _trimmed_table(job, table, moved, folder, notify)
        folder.write_curve(moved)
        folder.write_table(trimmed)
        folder.record("table.json", table_inputs(job, folder))
        export(job, moved, trimmed, folder, notify)
        proof = prove_sources(job, trimmed, folder, notify)
        if proof.holds:
            notify(proof.summary)
        add_entry(history, found.added[-1])
        due = next_trim(job, moved, trimmed, found.ageing)
        for remark in retrim_remarks(found, due, job):
            notify(remark)
        return found, retrim_document(found, moved, trimmed, due)


def _trimmed_table(job: Job, table: CorrectionTable, curve: Curve, folder: Folder, notify: Notify) -> CorrectionTable:
    """The same entries on the new base; designed anew only where they would leave their bits."""
    try:
        return retrimmed_table(table, curve)
    except TableError as error:
        notify(f"the entries cannot be moved so far ({error}): the table is designed anew")
        return design(job, curve, folder, notify)
