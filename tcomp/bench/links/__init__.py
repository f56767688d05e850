"""Links to instruments, one module for each kind; `LINKS` is the registry.

A new kind is a class with the methods of :class:`~tcomp.bench.links.link.ByteLink` in a module of its own, an entry of
`LINKS`, and its name and keys in the job's sections.  The simulated bench is not a link: its clock moves with its readings,
so it is a feed of its own (:mod:`tcomp.bench.simulated`).
"""

from __future__ import annotations

from pathlib import Path

from tcomp.bench.links.file import FileLink
from tcomp.bench.links.link import ByteLink
from tcomp.bench.links.program import ProgramLink
from tcomp.bench.links.serial import SerialLink
from tcomp.bench.links.visa import VisaLink
from tcomp.job import Controller, Source

LINKS: dict[str, type[ByteLink]] = {
    "serial": SerialLink,
    "visa": VisaLink,
    "command": ProgramLink,
    "file": FileLink,
}
"""Each kind of link by the name that a job gives it."""


def link_from_job(job: Source | Controller, folder: Path) -> ByteLink:
    """The link to a source or a controller; paths are relative to the folder of the job."""
    return LINKS[job.kind].from_job(job, folder)


__all__ = ["LINKS", "link_from_job"]
