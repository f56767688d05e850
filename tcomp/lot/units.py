"""The units of a lot: their names and logs, found and checked before any of them is begun."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from tcomp.errors import FirmwareError, JobError
from tcomp.files import is_reserved
from tcomp.firmware import check_symbol
from tcomp.job import symbol_of_name
from tcomp.logs.log_file import column_names
from tcomp.lot.lot_file import LotFile

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.+-]*")
SHOWN = 3
"""Of many alike in a message."""


@dataclass(frozen=True)
class Unit:
    """One oscillator of the lot; ``file`` is its log as the job names it, empty where the job names it otherwise."""

    name: str
    file: str = ""


def units_of(lot: LotFile) -> tuple[Unit, ...]:
    """The units, in the order of the list, of the columns, or of the names of the files.

    Raises
    ------
    JobError, RunError
        There are none, two have one name or one symbol, a name is none for a folder, or logs are missing.
    """
    found = tuple(_found(lot))
    which = next(key for key in ("files", "names", "columns") if getattr(lot.units, key))
    where = f"{lot.place('units', which)}: [units] {which}"
    if not found:
        raise JobError(f"{where}: no unit is found; {_HINTS[which]}")
    _check_names(found, where)
    _check_symbols(found, lot)
    _check_logs(found, lot)
    return found


_HINTS = {
    "files": "check the pattern, which starts at the folder of the lot file",
    "names": "give their names",
    "columns": "check the pattern against the columns of the job's first log",
}


def _found(lot: LotFile) -> Iterator[Unit]:
    if lot.units.names:
        yield from map(Unit, lot.units.names)
    elif lot.units.columns is not None:
        yield from _of_columns(lot, lot.units.columns)
    else:
        for pattern in lot.units.files:
            yield from _of_files(lot, pattern)


def _of_files(lot: LotFile, pattern: str) -> Iterator[Unit]:
    """Files that the pattern fits, sorted; one without a wildcard is a file, there or not."""
    folder = lot.path.parent
    wild = pattern.replace("{unit}", "*", 1)
    fits = re.compile(re.escape(Path(pattern).name).replace(re.escape("{unit}"), "(.+)", 1).replace(r"\*", ".*"))
    named = "{unit}" in Path(pattern).name
    found = sorted(glob.glob(wild, root_dir=folder, recursive=True)) if "*" in wild else [wild]
    for path in (folder / one for one in found):
        match = fits.fullmatch(path.name)
        name = match.group(1) if named and match else path.name.split(".")[0]
        yield Unit(name, Path(os.path.relpath(path, lot.template.path.parent)).as_posix())


def _of_columns(lot: LotFile, pattern: str) -> Iterator[Unit]:
    log = lot.template.job.runs[0]
    if "{" in str(log.file):
        raise JobError(
            f"{lot.place('units', 'columns')}: [units] columns looks for units in one log, and the job's first one is "
            f"{log.file.name}; use files instead"
        )
    common = [column for column in (*log.time_columns, log.temperature) if "{unit}" not in str(column)]
    if not common or not all(isinstance(column, str) for column in common):
        raise JobError(
            f"{lot.place('units', 'columns')}: [units] columns needs a log whose time or temperature is one column for all "
            "units, given by its name; list the units with names instead"
        )
    before, after = map(re.escape, pattern.split("{unit}"))
    named = replace(
        log, time=common[0], temperature=common[-1], frequency=None, offset=None, phase=None, reading=None, trusted=()
    )
    for column in column_names(named):
        match = re.fullmatch(f"{before}(.+){after}", column)
        if match:
            yield Unit(match.group(1))


def _check_names(units: tuple[Unit, ...], where: str) -> None:
    seen: dict[str, Unit] = {}
    for unit in units:
        if not NAME.fullmatch(unit.name) or unit.name.lower().startswith("lot."):
            raise JobError(
                f"{where}: a unit cannot be called '{unit.name}', as its results go into a folder of that name; expected letters, "
                "digits, and _ . + - between them"
            )
        if is_reserved(unit.name):
            raise JobError(
                f"{where}: a unit cannot be called '{unit.name}', which is a device on Windows, where its results could have no "
                f"folder; '{unit.name}_' would do"
            )
        before = seen.setdefault(unit.name.lower(), unit)
        if before is not unit:
            logs = f": {before.file} and {unit.file}" if unit.file else ""
            alike = "" if before.name == unit.name else f" ('{before.name}': folders may not tell capitals apart)"
            raise JobError(f"{where}: two units are called '{unit.name}'{alike}{logs}; give each another name")


def _check_symbols(units: tuple[Unit, ...], lot: LotFile) -> None:
    """A symbol that the job gives without {unit} is meant for all: one program, a table for each unit."""
    job = lot.template.job
    own = job.firmware.symbol if job.location("firmware", "symbol") != str(job.path) else ""
    seen: dict[str, Unit] = {}
    for unit in units:
        pattern = own or job.oscillator.name
        symbol = lot.template.filled(pattern, unit.name, unit.file)
        symbol = symbol if own else symbol_of_name(symbol)
        where = job.location("firmware", "symbol") if own else job.location("oscillator", "name")
        try:
            check_symbol(symbol)
        except FirmwareError as error:
            raise JobError(f"{where}: unit '{unit.name}': {error}") from error
        before = seen.setdefault(symbol, unit)
        if before is not unit and "{unit}" in pattern:
            raise JobError(
                f"{where}: units '{before.name}' and '{unit.name}' would both have the symbol '{symbol}' in C; call one of them "
                "otherwise, or give [firmware] symbol without {unit}, for one program with a table for each unit"
            )


def _check_logs(units: tuple[Unit, ...], lot: LotFile) -> None:
    missing: dict[str, None] = {}
    for unit in units:
        for log in lot.template.job.runs:
            path = lot.template.filled(str(log.file), unit.name, unit.file)
            if not Path(path).is_file():
                missing.setdefault(path)
    if missing:
        shown = ", ".join(list(missing)[:SHOWN]) + (", ..." if len(missing) > SHOWN else "")
        which = "log is" if len(missing) == 1 else "logs are"
        raise JobError(
            f"{lot.template.job.location('run', 'file')}: {len(missing)} {which} not there: {shown}; of {len(units)} units each "
            "needs its log before the lot begins"
        )
