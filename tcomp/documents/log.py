"""A recorded run: how it ended and what it left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from tcomp.documents.fields import About, entry


@dataclass(frozen=True, kw_only=True)
class LogDocument:
    """How a recorded run ended."""

    ABOUT: ClassVar = About("log", 1, "A recorded run", "`tcomp log --json`.")

    file: str = entry("Path of the log; another than the job says if that file was taken away")
    reason: str = entry("Why it ended")
    held: bool = entry("Whether everything that was to be kept is kept, and the plan was done")
    rows: int = entry("Rows that were written")
    lost_lines: int = entry("Lines that were lost")
    file_faults: tuple[str, ...] = entry(
        "What happened to the file while it was written: deleted, moved, replaced, cut; a sentence each"
    )
    faults: dict[str, int] = entry("Number of faults by kind")
    alarms: tuple[str, ...] = entry("Alarms of a driven chamber, a sentence each; empty if there were none")
    run: str = entry("The [[run]] block with which `tcomp build` reads the log, as TOML")
