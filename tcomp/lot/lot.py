"""A lot from its file to its page: units checked, made by whoever works, and told of together."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from tcomp.errors import JobError, StageError
from tcomp.files import held, json_text, write_text
from tcomp.lot.lot_figures import lot_csv, lot_figures
from tcomp.lot.lot_file import LotFile, read_lot
from tcomp.lot.template import Template
from tcomp.lot.unit_figures import read_result
from tcomp.lot.unit_work import BEGUN, DONE, Outcome, Task
from tcomp.lot.units import Unit, units_of
from tcomp.lot.workers import outcomes
from tcomp.progress import Told, untold

Say = Callable[[str], None]


def make_lot(
    path: Path,
    into: Path,
    say: Say = lambda _: None,
    told: Told = untold,
    *,
    jobs: int | None = None,
    scheduler: str | None = None,
) -> dict[str, Any]:
    """Make all units of a lot file that are not done yet, then ``lot.json``, ``lot.csv`` and ``lot.html``.

    Parameters
    ----------
    path : Path
        The lot file.
    into : Path
        Folder of the results, with a folder for each unit.
    say, told : callable
        Where remarks go, and how far it is.
    jobs : int, default=None
        Processes of this machine; None: one for each core.
    scheduler : str, default=None
        Address of a Dask scheduler, or "local".

    Returns
    -------
    dict
        The figures of the lot.

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
        _say_strangers(units, into, say)
        return _made(lot, units, into, say, told, jobs, scheduler)


def _made(
    lot: LotFile, units: Sequence[Unit], into: Path, say: Say, told: Told, jobs: int | None, scheduler: str | None
) -> dict[str, Any]:
    for name in SUMMARY:  # They would be of other units than those that are done when this is stopped.
        (into / name).unlink(missing_ok=True)
    shutil.rmtree(into / BEGUN, ignore_errors=True)
    done = _work(tasks_of(lot, units, into), say, told, jobs, scheduler)
    shutil.rmtree(into / BEGUN, ignore_errors=True)
    figures = lot_figures(lot, done, {one.unit: read_result(into, one.unit) for one in done if not one.reason})
    return _write(figures, lot, into, say)


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


def tasks_of(lot: LotFile, units: Sequence[Unit], into: Path) -> list[Task]:
    """What workers are told; paths are absolute, as they may run elsewhere."""
    template = Template(lot.template.path.resolve(), lot.template.text)
    return [Task(unit.name, unit.file, template, into.resolve(), lot.make) for unit in units]


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


def _say_strangers(units: Sequence[Unit], into: Path, say: Say) -> None:
    own = {unit.name for unit in units}
    strangers = sorted(path.parent.name for path in into.glob(f"*/{DONE}") if path.parent.name not in own)
    if strangers:
        say(
            f"left as they are: {len(strangers)} folders of units that are not in the lot any more, such as {strangers[0]}"
        )


def _work(tasks: Sequence[Task], say: Say, told: Told, jobs: int | None, scheduler: str | None) -> list[Outcome]:
    """What became of each, in the order of the lot."""
    found: dict[str, Outcome] = {}
    try:
        for outcome in outcomes(tasks, jobs, scheduler):
            found[outcome.unit] = outcome
            say(f"{outcome.unit} ({len(found)} of {len(tasks)}): {_words(outcome)}")
            told("building the lot", len(found), len(tasks), "units")
    except KeyboardInterrupt as error:
        raise KeyboardInterrupt(
            f"{len(found)} of {len(tasks)} units are done and kept; run the same command again to go on"
        ) from error
    return [found[task.unit] for task in tasks]


def _words(outcome: Outcome) -> str:
    if outcome.reason:
        return f"FAILED{', BY A DEFECT OF THIS PROGRAM' if outcome.defect else ''}: {outcome.reason}"
    return "done" if outcome.made else "was done, and its inputs are the same"


def _write(figures: dict[str, Any], lot: LotFile, into: Path, say: Say) -> dict[str, Any]:
    from tcomp.report.lot_page import lot_page

    has_page = "report" in lot.make
    write_text(into / "lot.csv", lot_csv(figures))
    write_text(into / "lot.html", lot_page(figures, units_have_pages=has_page))
    kept = _without(figures, "rows") | {
        "figures": {name: _without(one, "values") for name, one in figures["figures"].items()},
        "curves": figures["curves"] and _without(figures["curves"], "away_ppb"),
    }
    write_text(into / "lot.json", json_text(kept))
    say(f"report: {into / 'lot.html'}")
    return kept


def _without(figures: dict[str, Any], name: str) -> dict[str, Any]:
    """What is told unit by unit stands in ``lot.csv`` and in the units' own folders."""
    return {key: value for key, value in figures.items() if key != name}
