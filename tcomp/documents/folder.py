"""What is kept beside results to tell whether they are still current."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from tcomp.documents.fields import About, entry


@dataclass(frozen=True, kw_only=True)
class MadeFromDocument:
    """What results were made from."""

    ABOUT: ClassVar = About(
        "made_from",
        1,
        "What results were made from",
        "`made_from.json`: for each result in the folder the digests of its inputs, by which a stale one is found.",
    )

    kind: Literal["made_from"] = entry("What the file is")
    files: dict[str, dict[str, str]] = entry(
        "Inputs of each result, by its name",
        item="SHA-256 of each input, by its name: a part of the job, a log, another result, or the version of the tool; empty: it "
        "was not there",
    )


@dataclass(frozen=True, kw_only=True)
class UnitDocument:
    """State of a unit of a lot."""

    ABOUT: ClassVar = About(
        "unit",
        1,
        "State of a unit of a lot",
        "unit.json in the folder of each unit: written last, so that a lot that was stopped goes on where it was.",
    )

    version: str = entry("Version of tcomp that built it")
    digest: str = entry(
        "SHA-256 of version, what is made, job text and the bytes of the logs", pattern="^[0-9a-f]{64}$"
    )
