"""The inputs of each stage's files, as digests: sections of the job, logs, and files of earlier stages.

A stage depends only on what it reads: a change of [table], for instance, does not cause a new fit.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from tcomp import __version__
from tcomp.budget.history import history_path
from tcomp.errors import JobError
from tcomp.estimation.curve import Curve, curve_text
from tcomp.files import is_stream
from tcomp.job import Job
from tcomp.results import Folder, Inputs

UNREADABLE = ""
"""In place of the digest of a log that cannot be read, or that is a pipe or a device and can be read only once."""
OSCILLATOR_KEYS = ("nominal_hz", "cut", "retrace_ppb")
"""The keys of [oscillator] on which reading and fitting depend; the others describe its use."""
PRIOR = "prior"
"""The name of the digest of a lot's prior."""
VERSION = "tcomp"
"""Another version may compute something else, so the version is an input as well."""


def runs_inputs(job: Job) -> Inputs:
    """The inputs of ``clean.parquet``.

    Examples
    --------
    >>> from tcomp.job import read_job_text
    >>> text = '[oscillator]\\nname = "gauge"\\nnominal_hz = 10_000_000'
    >>> sorted(runs_inputs(read_job_text(text, runs_needed=False)))
    ['[[run]]', '[oscillator]', '[sensor]', 'tcomp']
    """
    logs: dict[str, list[str]] = {}
    for run in job.runs:
        for path in run.files:
            logs.setdefault(path.name, []).append(UNREADABLE if is_stream(path) else _file_digest(path))
    # Two logs of one name, from two folders, share an entry.
    return _measured(job) | {
        name: UNREADABLE if UNREADABLE in found else " ".join(found) for name, found in logs.items()
    }


def curve_inputs(job: Job, folder: Folder, prior: str = "") -> Inputs:
    """The inputs of ``curve.json``, ``validation.csv`` and ``fitted.parquet``; with a digest of the lot's prior if one was used."""
    parts = {
        "[fit]": _digest(asdict(job.fit)),
        "[reference]": _digest(asdict(job.reference)),
        "[counter]": _digest(asdict(job.counter)),
    }
    return _measured(job) | parts | folder.digests("clean.parquet") | ({PRIOR: prior} if prior else {})


def table_inputs(job: Job, folder: Folder) -> Inputs:
    """The inputs of ``table.json``."""
    return {
        VERSION: __version__,
        "[table]": _digest(asdict(job.table)),
        "[sensor]": _digest(asdict(job.sensor)),
        "[firmware] formats": _digest(job.has_image),
        "[use] needed_ppb": _digest(job.use.needed_ppb),
    } | folder.digests("curve.json")


def firmware_inputs(job: Job, folder: Folder, digest: str) -> Inputs:
    """The inputs of the firmware's files; their comments state the digest of the job and all logs."""
    return {VERSION: __version__, "job and logs": digest} | folder.digests("curve.json", "table.json")


def proof_inputs(job: Job, folder: Folder) -> Inputs:
    """The inputs of ``proof.json``."""
    symbol = job.firmware.symbol
    parts = ("", "_image", "_follow", "_actuators")
    names = (f"{symbol}_selftest.c", *(f"{symbol}{part}.{end}" for part in parts for end in ("h", "c")))
    sources = folder.digests(*(name for name in names if (folder.path / name).is_file()))
    return {VERSION: __version__, "[firmware]": _digest(asdict(job.firmware))} | sources | folder.digests("table.json")


def verdict_inputs(job: Job, folder: Folder) -> Inputs:
    """The inputs of ``verdict.json``; the verdict reads most of the job, so any change of it counts."""
    history = _file_digest(history_path(job))
    return {VERSION: __version__, "job": _digest(job.text), "history": history} | folder.digests(
        "curve.json", "table.json"
    )


def _measured(job: Job) -> dict[str, str]:
    """The parts of a job that describe what was measured."""
    oscillator = {name: getattr(job.oscillator, name) for name in OSCILLATOR_KEYS}
    runs = [asdict(run) | {"file": [path.name for path in run.files], "temperature_file": None} for run in job.runs]
    return {
        VERSION: __version__,
        "[oscillator]": _digest(oscillator),
        "[[run]]": _digest(runs),
        "[sensor]": _digest(asdict(job.sensor)),
    }


def _digest(value: Any) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True, default=str).encode()).hexdigest()


def _file_digest(path: Path) -> str:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return UNREADABLE


def check_logs(job: Job) -> None:
    """Refuse a log that can be read only once, before it is read: the digest of the inputs reads all logs again.

    Raises
    ------
    JobError
        A log is a pipe, a socket or a device.
    """
    for path in (path for log in job.runs for path in log.files):
        if is_stream(path):
            raise JobError(
                f"{job.location('run', 'file')}: {path} is a pipe or a device, which can be read only once, and the digest of "
                "the inputs reads it again; save it as a file first, and name that"
            )


def input_digest(job: Job, curve: Curve | None = None) -> str:
    """SHA-256 of the job's text and the bytes of its logs, in the job's order; with the curve if the job names no log."""
    check_logs(job)
    digest = hashlib.sha256(job.text.encode("utf-8"))
    if not job.runs and curve is not None:
        digest.update(curve_text(curve).encode("utf-8"))
    for log in job.runs:
        for path in log.files:
            try:
                with path.open("rb") as file:
                    hashlib.file_digest(file, lambda: digest)
            except OSError as error:
                raise JobError(
                    f"{path}: cannot be read ({error.strerror}); the digest of the inputs needs it"
                ) from error
    return digest.hexdigest()
