"""Between the runs: a log is corrected, the base is trimmed.

Takes what `tcomp.workflow` has left in the folder of results.
"""

from __future__ import annotations

from pathlib import Path
from typing import IO, Any

from tcomp.curve.curve import Curve
from tcomp.decision.ageing_history import known_rate
from tcomp.decision.apply import Quantity, Tally, corrected_lines, sensor_u_c
from tcomp.decision.apply_figures import apply_figures, apply_remarks, drift_since
from tcomp.decision.corrector import Corrector
from tcomp.decision.due import next_trim, retrace_sd_ppb
from tcomp.decision.history import add_entry, history_path, read_history
from tcomp.decision.point import Point
from tcomp.decision.retrim import Retrim, retrimmed_table
from tcomp.decision.retrim import retrim as weigh
from tcomp.decision.retrim_figures import retrim_figures, retrim_remarks
from tcomp.decision.subject import read_subject
from tcomp.errors import TableError
from tcomp.job import Column, Job, read_job
from tcomp.results import Folder
from tcomp.run.log_stream import LogStream, named_log
from tcomp.table import CorrectionTable
from tcomp.units import SECONDS_PER_DAY
from tcomp.workflow import Say, design, export, proof_words, prove_sources


def apply(
    promised: Path,
    log: Path,
    out: IO[bytes],
    say: Say,
    *,
    job: Path | None = None,
    column: Column | None = None,
    quantity: Quantity = "frequency",
) -> dict[str, Any]:
    """A log of an instrument's readings, corrected by a ``curve.json`` or ``table.json``, written as it is read."""
    subject = read_subject(promised)
    known = read_job(job or Folder(promised.parent).job_path())
    stream = LogStream(named_log(known.runs, log, column), known.sensor)
    drift = drift_since(subject, known, stream.clock_start_s)
    corrector = Corrector(subject, sensor_u_c=sensor_u_c(known.sensor), drift=drift, timed=stream.timed)
    tally = Tally()
    for text in corrected_lines(stream, corrector, quantity, tally):
        out.write(text)
    for remark in (*subject.remarks, *stream.assumptions, *apply_remarks(subject, known, stream, drift, tally)):
        say(remark)
    return apply_figures(subject, stream, quantity, drift, tally)


def retrim(
    folder: Folder,
    job: Job,
    point: Point,
    time_s: float,
    say: Say,
    *,
    since_s: float | None = None,
    accept: bool = False,
) -> tuple[Retrim, dict[str, Any]]:
    """One trusted point against curve and ageing: the base is weighed anew, and curve, table and firmware written with it.

    The history is added to last: after a crash the same point can be given again.  A point that is refused leaves all
    as it was.
    """
    with folder.held():
        curve, table = folder.read_curve(), folder.read_table()
        history = read_history(history_path(job))
        for remark in history.remarks:
            say(remark)
        before = history.entries[-1].time_s if history.entries else since_s or curve.base_clock_s or time_s
        rate = known_rate(job, curve, (time_s - before) / SECONDS_PER_DAY)
        found = weigh(
            curve, history, point, time_s, rate, scatter_ppb=retrace_sd_ppb(job), since_s=since_s, accept=accept
        )
        if found.status == "refused":
            return found, retrim_figures(found, curve, None, None)
        for entry in found.added[:-1]:
            history = add_entry(history, entry)
        moved = curve.trimmed_to(found.base_ppb, found.base_u_ppb, time_s)
        trimmed = _trimmed_table(job, table, moved, folder, say)
        folder.write_curve(moved)
        folder.write_table(trimmed)
        export(job, moved, trimmed, folder, say)
        proof = prove_sources(job, trimmed, folder, say)
        if proof["holds"]:
            say(proof_words(proof))
        add_entry(history, found.added[-1])
        due = next_trim(job, moved, trimmed, found.ageing)
        for remark in retrim_remarks(found, due, job):
            say(remark)
        return found, retrim_figures(found, moved, trimmed, due)


def _trimmed_table(job: Job, table: CorrectionTable, curve: Curve, folder: Folder, say: Say) -> CorrectionTable:
    """The same entries on the new base; designed anew only where they would leave their bits."""
    try:
        return retrimmed_table(table, curve)
    except TableError as error:
        say(f"the entries cannot be moved so far ({error}): the table is designed anew")
        return design(job, curve, folder, say)
