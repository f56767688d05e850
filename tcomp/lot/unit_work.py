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
from tcomp.documents.fields import document_text
from tcomp.documents.folder import UnitDocument
from tcomp.errors import TcompError
from tcomp.files import LOT_WORK, is_held, write_text
from tcomp.inputs import input_digest
from tcomp.job import Job
from tcomp.job.sections import Output
from tcomp.kernels import arithmetic_digest
from tcomp.lot.lot_file import Template
from tcomp.workflow import build

DONE = "unit.json"
"""Written last into a unit's folder: what its results were made of."""
LONGEST_REASON = 400
"""Characters of the reason for which a unit failed: it may name columns or files that are no text."""


@dataclass(frozen=True)
class Task:
    """The task of a worker for one unit; logs and results go through the file system, which it must share."""

    unit: str
    file: str
    template: Template
    into: Path
    make: tuple[Output, ...]
    version: str = __version__
    arithmetic: str = ""
    """`arithmetic_digest` of the machine that started the lot; empty: not compared."""


@dataclass(frozen=True)
class Outcome:
    """What became of one unit.

    ``made`` is False where the results that were there are still those of its inputs.  ``reason`` is empty for a unit that is
    done; ``defect`` tells a fault of ours from one of the inputs.  ``same_arithmetic`` is False where the worker's processor
    or libraries round otherwise than those of the machine that started the lot.
    """

    unit: str
    made: bool = False
    reason: str = ""
    defect: bool = False
    same_arithmetic: bool = True


def make_unit(task: Task) -> Outcome:
    """Build one unit, unless it is done: a failure is reported and does not stop the others."""
    import scipy.linalg  # noqa: F401  # only threads of what is loaded can be held
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]  # comes with scikit-learn

    if task.version != __version__:  # The results that are there may be good.
        reason = f"the worker has version {__version__} of tcomp, the lot was started with {task.version}"
        return Outcome(task.unit, reason=reason)
    try:
        # A thread per worker: the cores are busy with other units.
        with threadpool_limits(1):
            same = not task.arithmetic or arithmetic_digest() == task.arithmetic
            return Outcome(task.unit, made=_made(task), same_arithmetic=same)
    except _BusyError as error:
        return Outcome(task.unit, reason=str(error))
    except TcompError as error:
        reason, defect = str(error), False
    except Exception as error:  # Of one unit: the others go on, and it is reported as a defect.
        reason, defect = f"{type(error).__name__}: {error}", True
    # Results of other inputs than those that failed would be taken for this unit's.
    discard(task.into, task.unit)
    return Outcome(
        task.unit, reason=_shortened(reason.replace(f"{task.template.path.parent}{os.sep}", "")), defect=defect
    )


class _BusyError(TcompError):
    """Somebody else is at work in the unit's folder."""


def _shortened(reason: str) -> str:
    """A reason that fits a few lines: its beginning and its end.

    >>> len(_shortened("x" * 100_000)), _shortened("too few samples")
    (405, 'too few samples')
    """
    half = LONGEST_REASON // 2
    return reason if len(reason) <= LONGEST_REASON else f"{reason[:half]} ... {reason[-half:]}"


def _made(task: Task) -> bool:
    job = task.template.job_of(task.unit, task.file)
    done, folder = _done_text(job, task.make), task.into / task.unit
    # As bytes: what a fault of the disk has left there need not be text.
    if (folder / DONE).is_file() and (folder / DONE).read_bytes() == done.encode("utf-8"):
        return False
    _check_free(folder)
    with _beside(task.into) as begun:
        build(job, begun / task.unit, make=task.make)
        write_text(begun / task.unit / DONE, done)
        _check_free(folder)
        discard(task.into, task.unit)
        try:
            (begun / task.unit).replace(folder)
        except OSError as error:  # A folder that was made there meanwhile is not ours to take away.
            raise _BusyError(
                f"{folder}: results of another command were written there meanwhile ({error.strerror}); move them away, and "
                "run the same command again"
            ) from error
    return True


def _check_free(folder: Path) -> None:
    if is_held(folder):
        raise _BusyError(
            f"{folder}: another tcomp is at work in this folder; run the same command again when it is done"
        )


@contextmanager
def _beside(into: Path) -> Iterator[Path]:
    """A folder of its own in the same file system, where a rename is all or nothing; gone afterwards."""
    (into / LOT_WORK).mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(dir=into / LOT_WORK))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _done_text(job: Job, make: tuple[Output, ...]) -> str:
    """What ``unit.json`` holds: the same for the same inputs, version and wishes."""
    parts = json.dumps([__version__, sorted(make), input_digest(job)])
    return document_text(UnitDocument(version=__version__, digest=hashlib.sha256(parts.encode()).hexdigest()))


def discard(into: Path, unit: str) -> None:
    """Take away the results of a unit; a folder that no lot has made is left."""
    if (into / unit / DONE).is_file():
        with _beside(into) as gone:
            (into / unit).replace(gone / unit)
