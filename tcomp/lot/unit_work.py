"""The work on one unit, wherever it is done: built beside, and put in its place whole."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tcomp import __version__
from tcomp.errors import TcompError
from tcomp.files import json_text, write_text
from tcomp.job import Job
from tcomp.job.made import Made
from tcomp.lot.template import Template
from tcomp.workflow import build, input_digest

DONE = "unit.json"
"""Written last into a unit's folder: what its results were made of."""
BEGUN = ".begun"
"""The folder in which units are built before they are put in their place."""


@dataclass(frozen=True)
class Task:
    """All that a worker is told of one unit; logs and results go through the file system, which it must share."""

    unit: str
    file: str
    template: Template
    into: Path
    make: tuple[Made, ...]
    version: str = __version__


@dataclass(frozen=True)
class Outcome:
    """What became of one unit.

    ``made`` is False where the results that were there are still those of its inputs.  ``reason`` is empty for a unit that is
    done; ``defect`` tells a fault of ours from one of the inputs.
    """

    unit: str
    made: bool = False
    reason: str = ""
    defect: bool = False


def make_unit(task: Task) -> Outcome:
    """Build one unit, unless it is done: whatever goes wrong is told, and does not stop the others."""
    import scipy.linalg  # noqa: F401  # only threads of what is loaded can be held
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]  # comes with scikit-learn

    try:
        # A thread per worker: the cores are busy with other units.
        with threadpool_limits(1):
            return Outcome(task.unit, made=_made(task))
    except TcompError as error:
        reason, defect = str(error), False
    except Exception as error:  # Of one unit: the others go on, and it is told as a defect.
        reason, defect = f"{type(error).__name__}: {error}", True
    # Results of other inputs than those that failed would be taken for this unit's.
    discard(task.into, task.unit)
    return Outcome(task.unit, reason=reason.replace(f"{task.template.path.parent}{os.sep}", ""), defect=defect)


def _made(task: Task) -> bool:
    if task.version != __version__:
        raise TcompError(f"the worker has version {__version__} of tcomp, the lot was started with {task.version}")
    job = task.template.job_of(task.unit, task.file)
    done, folder = _done_text(job, task.make), task.into / task.unit
    if (folder / DONE).is_file() and (folder / DONE).read_text(encoding="utf-8") == done:
        return False
    with _beside(task.into) as begun:
        build(job, begun / task.unit, make=task.make)
        write_text(begun / task.unit / DONE, done)
        discard(task.into, task.unit)
        (begun / task.unit).replace(folder)
    return True


@contextmanager
def _beside(into: Path) -> Iterator[Path]:
    """A folder of its own in the same file system, where a rename is all or nothing; gone afterwards."""
    (into / BEGUN).mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(dir=into / BEGUN))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _done_text(job: Job, make: tuple[Made, ...]) -> str:
    """What ``unit.json`` holds: the same for the same inputs, version and wishes."""
    parts = json.dumps([__version__, sorted(make), input_digest(job)])
    return json_text({"schema": 1, "version": __version__, "digest": hashlib.sha256(parts.encode()).hexdigest()})


def discard(into: Path, unit: str) -> None:
    """Take away the results of a unit; a folder that no lot has made is left."""
    if (into / unit / DONE).is_file():
        with _beside(into) as gone:
            (into / unit).replace(gone / unit)
