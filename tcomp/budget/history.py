"""What became of an oscillator's base: a file to which lines are added, and never changed.

Each line ends in the CRC-32 of what stands before it.  It is written in one piece and forced to the disk, so that a
crash leaves at most a half last line; that one is set aside.
"""

from __future__ import annotations

import os
import zlib
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, get_args

from tcomp.errors import HistoryError
from tcomp.job import Job

Kind = Literal["runs", "trim", "step", "bend", "refused"]
COLUMNS = (
    "time", "kind", "at_c", "reference_c", "measured_ppb", "measured_u_ppb", "base_ppb", "base_u_ppb", "crc32",
)  # fmt: skip
SET_ASIDE = "# half a line, set aside"


@dataclass(frozen=True)
class Entry:
    """One base.

    Attributes
    ----------
    time_s : float
        Unix time, in whole seconds. [s]
    kind : {"runs", "trim", "step", "bend", "refused"}
        As the runs left it; measured at a point; measured, and accepted although it contradicted what went before, as a step of
        the base, or as a bend of its ageing, with the refused one before it; measured, and refused.
    at_c, reference_c : float
        Temperature of the point, and that at which bases are stated. [degC]
    measured_ppb, measured_u_ppb : float
        The base by the measurement alone, with its standard uncertainty. [ppb]
    base_ppb, base_u_ppb : float
        The base that was put in force; of a refused point that before it. [ppb]
    """

    time_s: float
    kind: Kind
    at_c: float
    reference_c: float
    measured_ppb: float
    measured_u_ppb: float
    base_ppb: float
    base_u_ppb: float


@dataclass(frozen=True)
class History:
    """All entries, the earliest first, and what was found odd."""

    path: Path
    entries: tuple[Entry, ...]
    remarks: tuple[str, ...]


def history_path(job: Job) -> Path:
    """Where the history of a job's oscillator stands: beside the job, as results may be thrown away."""
    return job.path.with_suffix(".history.csv")


def read_history(path: Path) -> History:
    """Read a history; one that is not there yet is empty.

    Raises
    ------
    HistoryError
        A line is damaged, or the entries are not in the order of time.
    """
    try:
        text = path.read_text(encoding="utf-8") if path.exists() else ""
    except (OSError, UnicodeDecodeError) as error:
        raise HistoryError(f"{path}: cannot be read as a history ({error}); restore it from a copy") from error
    *lines, half = text.split("\n")
    remarks = (f"{path}:{len(lines) + 1}: the last line is half written, and is set aside",) if half else ()
    entries: list[Entry] = []
    seen_header = False
    for number, line in enumerate(lines, 1):
        if line.endswith(SET_ASIDE):
            continue
        if not seen_header:
            if line != ",".join(COLUMNS):
                raise HistoryError(f"{path}:{number}: is no history: expected the header {','.join(COLUMNS)}")
            seen_header = True
            continue
        entry = _entry(line, f"{path}:{number}")
        again = bool(entries) and entries[-1].kind == "refused" and entry.time_s == entries[-1].time_s
        if entries and entry.time_s <= entries[-1].time_s and not again:
            raise HistoryError(f"{path}:{number}: is not later than the line before; restore the history from a copy")
        entries.append(entry)
    return History(path, tuple(entries), remarks)


def add_entry(history: History, entry: Entry) -> History:
    """Add a line, and have it on the disk before this returns.

    Raises
    ------
    HistoryError
        The file cannot be written.
    """
    path = history.path
    try:
        before = path.read_bytes() if path.exists() else b""
        text = f" {SET_ASIDE}\n" if before and not before.endswith(b"\n") else ""
        if not history.entries:
            text += ",".join(COLUMNS) + "\n" if (",".join(COLUMNS) + "\n").encode() not in before else ""
        with path.open("ab") as file:
            file.write((text + _line(entry) + "\n").encode("utf-8"))
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise HistoryError(f"{path}: cannot be written ({error.strerror}); the point is not recorded") from error
    return History(path, (*history.entries, entry), history.remarks)


def _line(entry: Entry) -> str:
    """An entry as text.

    >>> _line(Entry(1772630400.0, "trim", 23.5, 25.0, 120.0, 5.0, 119.5, 4.9))
    '2026-03-04T13:20:00Z,trim,23.5,25.0,120.0,5.0,119.5,4.9,936e3c9d'
    """
    numbers = (
        entry.at_c, entry.reference_c, entry.measured_ppb, entry.measured_u_ppb, entry.base_ppb, entry.base_u_ppb,
    )  # fmt: skip
    time = datetime.fromtimestamp(entry.time_s, UTC).isoformat().replace("+00:00", "Z")
    body = ",".join([time, entry.kind, *map(repr, numbers)])
    return f"{body},{zlib.crc32(body.encode('utf-8')):08x}"


def _entry(line: str, where: str) -> Entry:
    body, _, crc = line.rpartition(",")
    fields = body.split(",")
    if crc != f"{zlib.crc32(body.encode('utf-8')):08x}" or len(fields) != len(COLUMNS) - 1:
        raise HistoryError(
            f"{where}: the line is damaged, its CRC-32 is another; restore the history from a copy, as it is only ever "
            "added to"
        )
    try:
        time_s = datetime.fromisoformat(fields[0]).astimezone(UTC).timestamp()
        numbers = [float(field) for field in fields[2:]]
    except ValueError as error:
        raise HistoryError(f"{where}: cannot be read ({error}); restore the history from a copy") from error
    if fields[1] not in get_args(Kind):
        raise HistoryError(f"{where}: holds an entry of the kind '{fields[1]}'; expected {', '.join(get_args(Kind))}")
    return Entry(time_s, fields[1], *numbers)  # type: ignore[arg-type]  # the kind has just been checked
