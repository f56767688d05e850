"""The lot file: one job for many units, and where the units are found; checked before any of them is begun."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tcomp.errors import JobError
from tcomp.job import SECTIONS, Job
from tcomp.job.made import Made
from tcomp.job.place import Place
from tcomp.job.reader import job_file_text, nearest, section
from tcomp.lot.lot_sections import LOT_SECTIONS, LotKeys, UnitKeys
from tcomp.lot.template import Template


@dataclass(frozen=True)
class LotFile:
    """A lot file as read: the template of the job, and where the units are to be looked for."""

    path: Path
    name: str
    make: tuple[Made, ...]
    template: Template
    units: UnitKeys
    text: str

    def place(self, section_name: str, name: str) -> str:
        """File and line of a key, for a message about it."""
        return Place(self.path, self.text).of(section_name, name)


def read_lot(path: Path) -> LotFile:
    """Read and check a lot file and its job.

    Raises
    ------
    JobError
        A file cannot be read, is not TOML, or holds a key or value that means nothing.
    """
    try:
        return _lot_of_text(job_file_text(path, "lot"), path)
    except RecursionError as error:
        raise JobError(f"{path}: is nested too deeply; expected sections of keys") from error


def _lot_of_text(text: str, path: Path) -> LotFile:
    try:
        document = tomllib.loads(text)
    except ValueError as error:  # also a number of thousands of digits
        raise JobError(f"{path}: is not TOML: {error}; `tcomp lot --explain` shows a lot file's keys") from error
    place = Place(path, text)
    lot: LotKeys = section("lot", LotKeys, document.get("lot", {}), place)
    units: UnitKeys = section("units", UnitKeys, document.get("units", {}), place)
    _check_units(units, place)
    if "proof" in lot.make and "firmware" not in lot.make:
        raise JobError(
            f'{place.of("lot", "make")}: [lot] make has "proof" without "firmware", which it is of; write both'
        )
    inline = [name for name in document if name not in LOT_SECTIONS]
    _check_sections(inline, lot, place)
    template = _template_beside(lot.job, place) if lot.job else Template(path, _without_lot(document, place))
    _check_template(template, template.job)
    if "{file}" in template.text and not units.files:
        raise JobError(
            f"{template.place_of_run}: {{file}} in the job goes with [units] files; write {{unit}} where units differ"
        )
    return LotFile(path, lot.name or path.stem, lot.make, template, units, text)


def _check_units(units: UnitKeys, place: Place) -> None:
    given = [name for name in ("files", "names", "columns") if getattr(units, name)]
    if len(given) != 1:
        raise JobError(
            f"{place.of('units')}: [units] needs exactly one of files, names, columns; it has {', '.join(given) or 'none'}"
        )
    if units.columns is not None and units.columns.count("{unit}") != 1:
        raise JobError(
            f'{place.of("units", "columns")}: [units] columns = "{units.columns}": expected {{unit}} once, where the name of '
            "the unit stands"
        )


def _check_sections(inline: list[str], lot: LotKeys, place: Place) -> None:
    known = {**LOT_SECTIONS, **({} if lot.job else SECTIONS)}
    for name in inline:
        if name not in known:
            both = f", as the job is {lot.job}: write it there" if name in SECTIONS else nearest(name, known)
            raise JobError(f"{place.of(name)}: there is no section [{name}] in this lot file{both}")
    if not inline and not lot.job:
        raise JobError(
            f"{place.of('lot')}: [lot] needs the key 'job', or the sections of a job in this file: [oscillator], [[run]] ..."
        )


def _template_beside(job: Path, place: Place) -> Template:
    path = place.path.parent / job
    if not path.is_file():
        raise JobError(f"{place.of('lot', 'job')}: [lot] job: there is no file {path}; give the path of a job file")
    return Template(path, job_file_text(path))


def _without_lot(document: dict[str, Any], place: Place) -> str:
    """The job's own sections at the lines where they stand, so that messages about them name these lines."""
    lines, ours = [], False
    for line in place.text.splitlines():
        opened = re.match(r"\s*\[+\s*([^\]\s]+)\s*\]+", line)
        ours = opened.group(1) in LOT_SECTIONS if opened else ours
        lines.append("" if ours else line)
    text = "\n".join(lines) + "\n"
    if tomllib.loads(text) != {name: keys for name, keys in document.items() if name not in LOT_SECTIONS}:
        raise JobError(
            f"{place.of('lot')}: [lot] and [units] are to be written as plain sections, above or below the job's"
        )
    return text


def _check_template(template: Template, job: Job) -> None:
    """The units must differ: in what they are called, and in what is read."""
    if "{unit}" not in job.oscillator.name:
        raise JobError(
            f'{job.place("oscillator", "name")}: [oscillator] name = "{job.oscillator.name}" is the same for all units; write '
            "{unit} where the unit's name belongs"
        )
    runs = " ".join(f"{log.file} {log.frequency} {log.offset} {log.phase} {log.reading}" for log in job.runs)
    if "{unit}" not in runs and "{file}" not in runs:
        raise JobError(
            f"{template.place_of_run}: [[run]] reads the same for all units; write {{file}} or {{unit}} "
            "where the units differ: in file, or in the column"
        )
