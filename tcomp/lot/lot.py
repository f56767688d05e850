"""A lot from its file to its page: the units are checked, built by the workers, and summed up."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

from tcomp.documents.fields import document_text
from tcomp.documents.lot import LotDocument, LotFigures
from tcomp.errors import JobError, StageError
from tcomp.files import LOT_WORK, held, write_text
from tcomp.kernels import arithmetic_digest, kernel_settings
from tcomp.lot.figures import lot_csv, lot_figures, read_result
from tcomp.lot.lot_file import LotFile, Template, read_lot
from tcomp.lot.unit_work import DONE, Outcome, Task
from tcomp.lot.units import Unit, units_of
from tcomp.lot.workers import outcomes
from tcomp.progress import ProgressCallback, no_progress

Notify = Callable[[str], None]


def make_lot(
    path: Path,
    into: Path,
    notify: Notify = lambda _: None,
    progress: ProgressCallback = no_progress,
    *,
    jobs: int | None = None,
    scheduler: str | None = None,
) -> LotDocument:
    """Make all units of a lot file that are not done yet, then ``lot.json``, ``lot.csv`` and ``lot.html``.

    Parameters
    ----------
    path : Path
        The lot file.
    into : Path
        Folder of the results, with a folder for each unit.
    notify, progress : callable
        Take the remarks, and how far the work is.
    jobs : int, default=None
        Processes of this machine; None: one for each core.
    scheduler : str, default=None
        Address of a Dask scheduler, or "local".

    Returns
    -------
    LotDocument
        The figures of the lot: what ``lot.json`` holds.

    Raises
    ------
    TcompError
        The lot file or its job is wrong, logs are missing, nobody is there to work, or another lot is being made in this
        folder: nothing is begun.
    """
    lot = read_lot(path)
    units = units_of(lot)
    _check_folder(units, into, lot)
    with held(into):  # What another lot has begun would be taken for what a kill has left.
        _say_strangers(units, into, notify)
        return _made(lot, units, into, notify, progress, jobs, scheduler)


def _made(
    lot: LotFile,
    units: Sequence[Unit],
    into: Path,
    notify: Notify,
    progress: ProgressCallback,
    jobs: int | None,
    scheduler: str | None,
) -> LotDocument:
    for name in SUMMARY:  # They would be of other units than those that are done when this is stopped.
        (into / name).unlink(missing_ok=True)
    shutil.rmtree(into / LOT_WORK, ignore_errors=True)
    (into / LOT_WORK).mkdir(exist_ok=True)  # Other commands see by it that a lot is at work here.
    done = _work(tasks_of(lot, units, into, arithmetic_digest()), notify, progress, jobs, scheduler)
    shutil.rmtree(into / LOT_WORK, ignore_errors=True)
    _say_other_arithmetic(done, notify)
    figures = lot_figures(lot, done, {one.unit: read_result(into, one.unit) for one in done if not one.reason})
    return _write(figures, lot, into, notify)


SUMMARY = ("lot.json", "lot.csv", "lot.html")


def job_text(path: Path, unit: str) -> str:
    """The job of one unit, whose relative paths start where the lot's job lies.

    Raises
    ------
    TcompError
        The lot file is wrong, or has no such unit.
    """
    lot = read_lot(path)
    names = {one.name: one for one in units_of(lot)}
    if unit not in names:
        raise JobError(f"{path}: there is no unit '{unit}' in this lot; its units are {_from_to(tuple(names))}")
    return lot.template.filled(lot.template.text, unit, names[unit].file)


def _from_to(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}, {len(names)} of them"


def tasks_of(lot: LotFile, units: Sequence[Unit], into: Path, arithmetic: str = "") -> list[Task]:
    """The tasks of the workers; paths are absolute, as the workers may run elsewhere."""
    template = Template(lot.template.path.resolve(), lot.template.text)
    return [Task(unit.name, unit.file, template, into.resolve(), lot.make, arithmetic=arithmetic) for unit in units]


def _check_folder(units: Sequence[Unit], into: Path, lot: LotFile) -> None:
    if into.exists() and not into.is_dir():
        raise StageError(f"{into}: is a file; give a folder for the results with --into")
    for unit in units:
        folder = into / unit.name
        if folder.exists() and not (folder / DONE).is_file():
            raise JobError(
                f"{lot.place('units', 'names')}: the results of unit '{unit.name}' would go into {folder}, which no lot has made; "
                "move it away, or choose another folder with --into"
            )


def _say_strangers(units: Sequence[Unit], into: Path, notify: Notify) -> None:
    own = {unit.name for unit in units}
    strangers = sorted(path.parent.name for path in into.glob(f"*/{DONE}") if path.parent.name not in own)
    if strangers:
        notify(
            f"left as they are: {len(strangers)} folders of units that are not in the lot any more, such as {strangers[0]}"
        )


def _say_other_arithmetic(done: Sequence[Outcome], notify: Notify) -> None:
    others = [one.unit for one in done if not one.same_arithmetic]
    if others:
        settings = kernel_settings()
        how = (
            f"; start the workers with {' '.join(f'{name}={value}' for name, value in settings.items())} in their environment, "
            "and the same versions of the libraries"
            if settings
            else ""
        )
        notify(
            f"{len(others)} of {len(done)} units, such as {others[0]}, were built by workers whose processor or libraries round "
            f"otherwise than this machine's: the last digits of their figures may differ from those that are built here{how}"
        )


def _work(
    tasks: Sequence[Task], notify: Notify, progress: ProgressCallback, jobs: int | None, scheduler: str | None
) -> list[Outcome]:
    """What became of each, in the order of the lot."""
    found: dict[str, Outcome] = {}
    try:
        for outcome in outcomes(tasks, jobs, scheduler):
            found[outcome.unit] = outcome
            notify(f"{outcome.unit} ({len(found)} of {len(tasks)}): {_words(outcome)}")
            progress("building the lot", len(found), len(tasks), "units")
    except KeyboardInterrupt as error:
        raise KeyboardInterrupt(
            f"{len(found)} of {len(tasks)} units are done and kept; run the same command again to go on"
        ) from error
    return [found[task.unit] for task in tasks]


def _words(outcome: Outcome) -> str:
    if outcome.reason:
        return f"FAILED{', BY A DEFECT OF THIS PROGRAM' if outcome.defect else ''}: {outcome.reason}"
    return "done" if outcome.made else "was done, and its inputs are the same"


def _write(figures: LotFigures, lot: LotFile, into: Path, notify: Notify) -> LotDocument:
    from tcomp.report.lot import lot_page

    has_page = "report" in lot.make
    write_text(into / "lot.csv", lot_csv(figures))
    write_text(into / "lot.html", lot_page(figures, units_have_pages=has_page))
    write_text(into / "lot.json", document_text(figures.document))
    notify(f"report: {into / 'lot.html'}")
    return figures.document
