"""The sections of a lot file: what all units share, and where they are found."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tcomp.job.keys import key
from tcomp.job.made import MAKE, Made


@dataclass(frozen=True)
class LotKeys:
    """The job that all units share."""

    job: Path | None = key(
        "the job file, in whose text {unit} stands for the unit's name and {file} for its log; left out: the sections of the "
        "job stand in this file",
        None,
    )
    name: str = key("what you call the lot; left out: this file's name", "")
    make: tuple[Made, ...] = key(
        "what is made of each unit beside its curve and table: firmware, proof, verdict (with [use] needed_ppb), report; a "
        "report's pictures take longest",
        MAKE,
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
