"""Runs that are read, cleaned and cut, and the one frame that keeps them in a file."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tcomp.job import Job, RunLog
from tcomp.progress import Told, untold
from tcomp.run.cells import in_cells
from tcomp.run.cleaning import clean_run
from tcomp.run.legs import Leg, cut_legs, sweep_of_sample
from tcomp.run.log_file import read_run
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
    clean = [_clean(log, job, told) for log in job.runs]
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
