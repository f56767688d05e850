"""Runs that are read, cleaned and cut, and the one frame that keeps them in a file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np

from tcomp.errors import JobError, RunError
from tcomp.job import Job, RunColumns, RunLog, log_of_frame
from tcomp.progress import Told, untold
from tcomp.run.cells import in_cells
from tcomp.run.cleaning import clean_run
from tcomp.run.frame_columns import columns_of_frame
from tcomp.run.legs import Leg, cut_legs, sweep_of_sample
from tcomp.run.log_file import read_run, run_of_columns
from tcomp.run.long_run import clean_long_run
from tcomp.run.record import CELL_COLUMNS, CleanRun, Gap
from tcomp.run.sensor_steps import with_coarse_steps_said
from tcomp.run.together import refuse_contradictions

if TYPE_CHECKING:
    import pandas as pd

SAMPLE_COLUMNS = ["line", "time_s", "temperature_c", "offset_ppb", "dropped"]


@dataclass(frozen=True, eq=False)
class PreparedRun:
    """A clean run and its legs."""

    run: CleanRun
    legs: tuple[Leg, ...]


def prepare_runs(job: Job, told: Told = untold) -> tuple[PreparedRun, ...]:
    """Read, clean and cut each [[run]] of a job; in the order of time, where the clocks tell it, since the last one's
    end is where the base is stated.  Long runs come in cells of many samples each; ``told`` hears how far their reading is.

    Raises
    ------
    RunError
        A log cannot be read, or holds nothing to learn from, or the runs contradict each other.
    """
    return _cut([_clean(log, job, told) for log in job.runs], job)


def prepare_frames(
    job: Job,
    frames: pd.DataFrame | Sequence[pd.DataFrame] | Mapping[str, pd.DataFrame],
    **columns: Unpack[RunColumns],
) -> tuple[PreparedRun, ...]:
    """Clean and cut runs that are frames already, by the checks that a log file gets.

    Parameters
    ----------
    job : Job
        Without any [[run]]: the oscillator, its sensor and what else the job says.
    frames : pandas.DataFrame, or a sequence or mapping of them
        A frame per run, one row per sample; the names of a mapping stand in messages.
    **columns
        What the columns hold, as the keys of [[run]] do in a job file (`tcomp build --explain`): ``temperature``, ``time`` or
        ``interval_s``, and one of ``frequency``, ``offset`` (with ``offset_unit``), ``phase``, ``reading`` (with
        ``trusted``); ``role``.  A column is named by its label, the index by its name.

    Raises
    ------
    JobError
        The job names logs of its own, or a keyword is not known, missing, or does not go with the others.
    RunError
        A column is not there or cannot be read, or the runs hold nothing to learn from.

    Examples
    --------
    Three samples of an oscillator that is 100 ppb fast:

    >>> import pandas as pd
    >>> from tcomp.job import read_job_text
    >>> job = read_job_text('[oscillator]\\nname = "gauge"\\nnominal_hz = 10_000_000', runs_needed=False)
    >>> frame = pd.DataFrame({"t": [0.0, 10.0, 20.0], "degC": [24.0, 24.5, 25.0], "Hz": [1e7 + 1.0] * 3})
    >>> (prepared,) = prepare_frames(job, frame, time="t", temperature="degC", frequency="Hz")
    >>> prepared.run.kept["offset_ppb"].round(6).tolist()
    [100.0, 100.0, 100.0]
    """
    if job.runs:
        raise JobError(
            f"{job.path}: names logs of its own ({job.runs[0].file.name}); leave its [[run]] out where frames take their place"
        )
    logs, clean = [], []
    for name, frame in _named(frames).items():
        logs.append(log_of_frame(name, columns))
        raw = run_of_columns(columns_of_frame(frame, logs[-1]), logs[-1], job.oscillator, job.sensor)
        clean.append(in_cells(clean_run(raw, job.sensor.resolution_c)))
    return _cut(clean, replace(job, runs=tuple(logs)))


def _named(frames: Any) -> dict[str, pd.DataFrame]:
    """The frames under the names that messages call them by."""
    import pandas as pd

    if isinstance(frames, pd.DataFrame):
        return {"frame": frames}
    if isinstance(frames, Mapping):
        named = {str(name): frame for name, frame in frames.items()}
    elif isinstance(frames, Sequence) and not isinstance(frames, str):
        named = {f"frame {number}": frame for number, frame in enumerate(frames, start=1)}
    else:
        named = {"frame": frames}
    for name, frame in named.items():
        if not isinstance(frame, pd.DataFrame):
            raise RunError(
                f"{name}: is of the type {type(frame).__name__}; expected a pandas DataFrame, one row per sample"
            )
    if not named:
        raise RunError("there is no frame; expected at least one, with a row per sample")
    return named


def _cut(clean: list[CleanRun], job: Job) -> tuple[PreparedRun, ...]:
    refuse_contradictions(clean, job)
    if all(run.time_kind == "clock" for run in clean):
        clean.sort(key=lambda run: float(run.kept["time_s"].iloc[0]))
    return tuple(with_coarse_steps_said(PreparedRun(run, cut_legs(run)), job.sensor) for run in clean)


def _clean(log: RunLog, job: Job, told: Told) -> CleanRun:
    in_blocks = clean_long_run(log, job.oscillator, job.sensor, told)
    if in_blocks is not None:
        return in_blocks
    return in_cells(clean_run(read_run(log, job.oscillator, job.sensor), job.sensor.resolution_c))


def clean_frame(prepared: tuple[PreparedRun, ...]) -> pd.DataFrame:
    """All rows of all runs in one frame, the dropped ones too.

    Columns: ``run`` (counted from 0), ``log`` (its name), ``line``, ``time_s`` [s],
    ``temperature_c`` [degC], ``offset_ppb`` [ppb], ``dropped`` ("" or the reason), ``sweep`` and
    ``leg`` (counted from 0 within the run; -1 when dropped), ``leg_kind``; and those of a `CleanRun` in cells, if
    any is: a row of any other is then a cell of one sample.  What is said of a run as
    a whole stands in ``attrs["runs"]``, which pandas writes into the metadata of a Parquet file.
    """
    import pandas as pd

    frame = pd.concat([_rows(index, one) for index, one in enumerate(prepared)], ignore_index=True)
    if "samples" in frame:
        single = dict.fromkeys(CELL_COLUMNS, 0.0) | {"samples": 1}
        frame = frame.fillna(single).astype({"samples": np.int64})
    frame.attrs["runs"] = [_about(one) for one in prepared]
    return frame


def from_clean_frame(frame: pd.DataFrame) -> tuple[PreparedRun, ...]:
    """The runs again, from what `clean_frame` gave, as it was or read from Parquet."""
    return tuple(_prepared(about, frame[frame["run"] == index]) for index, about in enumerate(frame.attrs["runs"]))


def _rows(index: int, prepared: PreparedRun) -> pd.DataFrame:
    import pandas as pd

    run, legs = prepared.run, prepared.legs
    kept = (run.frame["dropped"] == "").to_numpy()
    sweep, leg = np.full(len(kept), -1, dtype=np.int64), np.full(len(kept), -1, dtype=np.int64)
    sweep[kept] = sweep_of_sample(legs, int(kept.sum()))
    leg[kept] = np.repeat(np.arange(len(legs)), [one.samples for one in legs])
    kinds = np.array([*(one.kind for one in legs), ""], dtype=object)
    columns = [*SAMPLE_COLUMNS, *(CELL_COLUMNS if run.has_cells else ())]
    rows = run.frame[columns].assign(sweep=sweep, leg=leg, leg_kind=pd.Series(kinds[leg], run.frame.index, str))
    rows.insert(0, "run", index)
    rows.insert(1, "log", run.name)
    return rows


def _about(prepared: PreparedRun) -> dict[str, Any]:
    run = prepared.run
    cells = {"cells": True} if run.has_cells else {}
    return cells | {
        "name": run.name, "time_kind": run.time_kind, "assumptions": list(run.assumptions),
        "interval_s": run.interval_s, "quantum_c": run.quantum_c,
        "gaps": [asdict(gap) for gap in run.gaps], "legs": [asdict(leg) for leg in prepared.legs],
    }  # fmt: skip


def _prepared(about: dict[str, Any], rows: pd.DataFrame) -> PreparedRun:
    cells = CELL_COLUMNS if "cells" in about else ()
    samples = rows[["time_s", "temperature_c", "offset_ppb", "line", "dropped", *cells]].reset_index(drop=True)
    samples.attrs = {}
    run = CleanRun(
        name=about["name"], time_kind=about["time_kind"], frame=samples,
        gaps=tuple(Gap(**gap) for gap in about["gaps"]), assumptions=tuple(about["assumptions"]),
        interval_s=about["interval_s"], quantum_c=about["quantum_c"],
    )  # fmt: skip
    return PreparedRun(run, tuple(Leg(**leg) for leg in about["legs"]))
