"""The results of a job as it is now: results that are missing or stale are made first."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from pathlib import Path

from tcomp import workflow
from tcomp.documents.summary import SummaryDocument
from tcomp.errors import StageError, TcompError
from tcomp.estimation.curve import Curve, read_curve
from tcomp.inputs import (
    PRIOR,
    UNREADABLE,
    curve_inputs,
    firmware_inputs,
    input_digest,
    proof_inputs,
    runs_inputs,
    table_inputs,
    verdict_inputs,
)
from tcomp.job import Job
from tcomp.logs.prepared import PreparedRun
from tcomp.progress import ProgressCallback, no_progress
from tcomp.results import Folder, Inputs
from tcomp.tables import CorrectionTable


@dataclass(frozen=True)
class CurrentResults:
    """The results of a job in a folder; each is made again if it is missing or its inputs have changed.

    Attributes
    ----------
    notify : callable
        Called with a sentence for each result that is made again, and why.
    progress : callable
        Called while a long stage runs.
    """

    job: Job
    folder: Folder
    notify: Callable[[str], None] = workflow.silent
    progress: ProgressCallback = no_progress

    def runs(self) -> tuple[PreparedRun, ...]:
        """The cleaned runs.

        Raises
        ------
        TcompError
            A log cannot be read, or determines nothing.
        """
        made = self._runs_made_again()
        return self.folder.read_runs() if made is None else made

    def _runs_made_again(self) -> tuple[PreparedRun, ...] | None:
        """The cleaned runs where they were missing or stale; None: those in the folder are current, and are not read."""
        inputs = runs_inputs(self.job)
        gone = sorted(name for name, digest in inputs.items() if digest == UNREADABLE)
        known = self.folder.made_from("clean.parquet") or {}
        if gone and self.folder.has("clean.parquet") and not _changed(known, inputs, but=gone):
            self.notify(
                f"{', '.join(gone)}: cannot be read, so clean.parquet is used without a check that it is still of this log"
            )
        elif not self._is_current(inputs, "clean.parquet"):
            return workflow.inspect_runs(self.job, self.folder, self.notify, self.progress)
        return None

    def curve(self) -> Curve:
        """The curve.

        Raises
        ------
        TcompError
            It is stale and was fitted with a prior, which is not known here; or the data do not determine it.
        """
        made = self._runs_made_again()
        prior = (self.folder.made_from("curve.json") or {}).get(PRIOR, "")
        names = ("curve.json", "validation.csv", "fitted.parquet")
        if self._is_current(curve_inputs(self.job, self.folder, prior), *names, refuse_if=prior):
            return self.folder.read_curve()
        return self.new_curve(self.folder.read_runs() if made is None else made)

    def new_curve(self, runs: tuple[PreparedRun, ...]) -> Curve:
        """The curve, fitted again in any case."""
        if is_trimmed(self.folder.path / "curve.json"):
            self.notify(
                "warning: the base that `tcomp retrim` had set is replaced by that of the runs; trim again, the history "
                "beside the job is kept"
            )
        return workflow.fit(self.job, runs, self.folder, self.notify, self.progress).curve

    def table(self) -> tuple[Curve, CorrectionTable]:
        """The curve and its table."""
        curve = self.curve()
        if self._is_current(table_inputs(self.job, self.folder), "table.json"):
            return curve, self.folder.read_table()
        return curve, workflow.design(self.job, curve, self.folder, self.notify)

    def firmware(self) -> CorrectionTable:
        """The table, with its firmware files in the folder, as exported or edited since."""
        workflow.check_job(self.job)
        curve, table = self.table()
        symbol = self.job.firmware.symbol
        follow = ("_follow.h", "_follow.c") if self.job.firmware.follow else ()
        ends = (".h", ".c", "_selftest.c", *follow) if "c" in self.job.firmware.formats else ()
        names = [f"{symbol}{end}" for end in ends]
        inputs = firmware_inputs(self.job, self.folder, input_digest(self.job, curve))
        if not self._is_current(inputs, *names, of="firmware"):
            workflow.export(self.job, curve, table, self.folder, self.notify)
        return table

    def judged(self) -> None:
        """Make the proof, and the verdict if the job needs one."""
        table = self.firmware()
        if not self._is_current(proof_inputs(self.job, self.folder), "proof.json"):
            workflow.prove_sources(self.job, table, self.folder, self.notify, progress=self.progress)
        needed = self.job.use.needed_ppb is not None
        if needed and not self._is_current(verdict_inputs(self.job, self.folder), "verdict.json"):
            workflow.judge(self.job, self.folder, self.notify, self.progress)

    def report(self) -> SummaryDocument:
        """Make ``summary.json`` and ``report.html`` from results of the job as it is now."""
        self.judged()
        return workflow.report(self.job, self.folder, self.notify)

    def _is_current(self, inputs: Inputs, *names: str, of: str = "", refuse_if: str = "") -> bool:
        """Whether all files are there and were made from these inputs; if not, notify why they are made again."""
        lost = [name for name in names if not self.folder.has(name)]
        known = self.folder.made_from(of or names[0])
        changed = [] if known is None else _changed(known, inputs)
        if not lost and known is not None and not changed:
            return True
        reason = "is not there yet" if lost else f"was made from another {' and another '.join(changed)}"
        reason = reason if lost or changed else "does not say what it was made from"
        what = lost[0] if lost else (of or names[0])
        if refuse_if:
            raise StageError(
                f"{self.folder.path / what}: {reason}, and the curve was fitted with a prior; run `tcomp fit "
                f"{self.job.path} --prior {'cut' if refuse_if == 'cut' else 'LOT.json'}` again"
            )
        self.notify(f"{what} {reason}: it is made {'first' if lost else 'again'}")
        return False


def _changed(known: Inputs, inputs: Inputs, but: Collection[str] = ()) -> list[str]:
    """The inputs that differ from those of a result, sections of the job first."""
    names = sorted({*known, *inputs} - {*but}, key=lambda name: (not name.startswith("["), name))
    return [name for name in names if known.get(name) != inputs.get(name)]


def is_trimmed(path: Path) -> bool:
    """Whether a later trim set the base of a curve, which a new fit would replace."""
    try:
        return read_curve(path).trimmed
    except TcompError:
        return False
