"""The lot file: one job for many units, and where the units are found; checked before any of them is begun."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from tcomp.errors import JobError
from tcomp.job import SECTIONS, Job, read_job_text
from tcomp.job.keys import Location, key
from tcomp.job.reader import job_file_text, nearest, section
from tcomp.job.sections import OUTPUTS, Output


@dataclass(frozen=True)
class LotFile:
    """A lot file as read: the template of the job, and where the units are to be looked for."""

    path: Path
    name: str
    make: tuple[Output, ...]
    template: Template
    units: UnitKeys
    text: str

    def place(self, section_name: str, name: str) -> str:
        """File and line of a key, for a message about it."""
        return Location(self.path, self.text).of(section_name, name)


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
    place = Location(path, text)
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


def _check_units(units: UnitKeys, place: Location) -> None:
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


def _check_sections(inline: list[str], lot: LotKeys, place: Location) -> None:
    known = {**LOT_SECTIONS, **({} if lot.job else SECTIONS)}
    for name in inline:
        if name not in known:
            both = f", as the job is {lot.job}: write it there" if name in SECTIONS else nearest(name, known)
            raise JobError(f"{place.of(name)}: there is no section [{name}] in this lot file{both}")
    if not inline and not lot.job:
        raise JobError(
            f"{place.of('lot')}: [lot] needs the key 'job', or the sections of a job in this file: [oscillator], [[run]] ..."
        )


def _template_beside(job: Path, place: Location) -> Template:
    path = place.path.parent / job
    if not path.is_file():
        raise JobError(f"{place.of('lot', 'job')}: [lot] job: there is no file {path}; give the path of a job file")
    return Template(path, job_file_text(path))


def _without_lot(document: dict[str, Any], place: Location) -> str:
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
            f'{job.location("oscillator", "name")}: [oscillator] name = "{job.oscillator.name}" is the same for all units; write '
            "{unit} where the unit's name belongs"
        )
    runs = " ".join(f"{log.file} {log.frequency} {log.offset} {log.phase} {log.reading}" for log in job.runs)
    if "{unit}" not in runs and "{file}" not in runs:
        raise JobError(
            f"{template.place_of_run}: [[run]] reads the same for all units; write {{file}} or {{unit}} "
            "where the units differ: in file, or in the column"
        )


@dataclass(frozen=True)
class LotKeys:
    """The job that all units share."""

    job: Path | None = key(
        "the job file, in whose text {unit} stands for the unit's name and {file} for its log; left out: the sections of the "
        "job stand in this file",
        None,
    )
    name: str = key("what you call the lot; left out: this file's name", "")
    make: tuple[Output, ...] = key(
        "what is made of each unit beside its curve and table: firmware, proof, verdict (with [use] needed_ppb), report; a "
        "report's pictures take longest",
        OUTPUTS,
    )


@dataclass(frozen=True)
class UnitKeys:
    """Where the units are found: give one of the three."""

    files: tuple[str, ...] = key(
        'a log each: "logs/{unit}.csv", where the unit\'s name is what stands for {unit}; "logs/*.csv" or a list of files, '
        'where it is the file\'s name without its ending; the job then says file = "{file}"',
        (),
    )
    names: tuple[str, ...] = key("the names of the units, for a job that says where {unit} comes in", ())
    columns: str | None = key(
        'one log for all: "osc_{unit}_hz" finds the units by the columns of the job\'s first log', None
    )


LOT_SECTIONS: dict[str, type[Any]] = {"lot": LotKeys, "units": UnitKeys}


@dataclass(frozen=True)
class Template:
    """The text of a job with {unit} and {file} in it, and the path that its relative paths start from.

    Examples
    --------
    >>> text = '''[oscillator]
    ... name = "gauge {unit}"
    ... [[run]]
    ... file = "{file}"
    ... temperature = "board_c"
    ... offset = "ppb"
    ... offset_unit = "ppb"'''
    >>> job = Template(Path("job.toml"), text).job_of("07", "logs/07.csv")
    >>> job.oscillator.name, job.firmware.symbol, job.runs[0].file.as_posix()
    ('gauge 07', 'gauge_07', 'logs/07.csv')
    """

    path: Path
    text: str

    @cached_property
    def job(self) -> Job:
        """The job with its places still open."""
        return read_job_text(self.text, self.path)

    @property
    def place_of_run(self) -> str:
        """File and line of the first [[run]], for a message about it."""
        return Location(self.path, self.text).of("run")

    def filled(self, text: str, unit: str, file: str) -> str:
        """A text of the job as it is for one unit."""
        return text.replace("{unit}", unit).replace("{file}", file)

    def job_of(self, unit: str, file: str) -> Job:
        """The job of one unit: the very one that a job file with this text asks for.

        Raises
        ------
        JobError
            The text is no job.
        """
        job = read_job_text(self.filled(self.text, unit, file), self.path)
        # As `tcomp lot --job-of UNIT > UNIT.toml` leaves it: the commands on the unit's page are those of its own build.
        return replace(job, path=self.path.with_name(f"{unit}.toml"))
