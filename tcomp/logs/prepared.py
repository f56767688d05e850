"""Runs that are read, cleaned, cut into legs and compared with each other, and the frame that keeps them in a file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np

from tcomp.errors import JobError, RunError
from tcomp.files import is_stream
from tcomp.job import Column, Job, RunColumns, RunLog, log_of_frame
from tcomp.logs.cells import in_cells
from tcomp.logs.cleaning import clean_run
from tcomp.logs.frames import columns_of_frame
from tcomp.logs.guess import temperature_names
from tcomp.logs.legs import NOISE_SPANS, Leg, cut_legs, noise_c, smoothed_c, sweep_of_sample
from tcomp.logs.log_file import read_run, run_of_columns, temperature_columns
from tcomp.logs.long_run import clean_long_run
from tcomp.logs.quantities import nominal_text
from tcomp.logs.record import CELL_COLUMNS, EVENT_COLUMNS, REGRESSOR, CleanRun, Gap
from tcomp.logs.temperatures import with_coarse_step_remarks
from tcomp.progress import ProgressCallback, no_progress
from tcomp.units import PPB_PER_UNIT, utc

if TYPE_CHECKING:
    import pandas as pd

SAMPLE_COLUMNS = ["line", "time_s", "temperature_c", "offset_ppb", "dropped"]


@dataclass(frozen=True, eq=False)
class PreparedRun:
    """A clean run and its legs."""

    run: CleanRun
    legs: tuple[Leg, ...]


def prepare_runs(job: Job, progress: ProgressCallback = no_progress) -> tuple[PreparedRun, ...]:
    """Read, clean and cut each [[run]] of a job.

    Runs with times of a clock are sorted by time, since the base is stated at the end of the last.  Long runs come in cells of
    many samples each; ``progress`` is called while they are read.

    Raises
    ------
    RunError
        A log cannot be read, or determines nothing, or the runs contradict each other.
    """
    return _cut([_clean(log, job, progress) for log in job.runs], job)


def prepare_frames(
    job: Job,
    frames: pd.DataFrame | Sequence[pd.DataFrame] | Mapping[str, pd.DataFrame],
    **columns: Unpack[RunColumns],
) -> tuple[PreparedRun, ...]:
    """Clean and cut runs given as data frames, with the same checks as log files.

    Parameters
    ----------
    job : Job
        A job without [[run]]: the oscillator, its sensor and the other sections.
    frames : pandas.DataFrame, or a sequence or mapping of them
        A frame per run, one row per sample; messages use the names of a mapping.
    **columns
        What the columns hold, by the keys of [[run]] in a job file (`tcomp build --explain`): ``temperature``, ``time`` or
        ``interval_s``, and one of ``frequency``, ``offset`` (with ``offset_unit``), ``phase``, ``reading`` (with
        ``trusted``); ``role``.  A column is named by its label, the index by its name.

    Raises
    ------
    JobError
        The job names logs of its own, or a keyword is unknown, missing, or does not go with the others.
    RunError
        A column is missing or cannot be read, or the runs determine nothing.

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
        logs.append(replace(log_of_frame(name, columns), regressors=job.regressors))
        raw = run_of_columns(columns_of_frame(frame, logs[-1]), logs[-1], job.oscillator, job.sensor)
        clean.append(in_cells(clean_run(raw, job.sensor.resolution_c)))
    return _cut(clean, replace(job, runs=tuple(logs)))


def _named(frames: Any) -> dict[str, pd.DataFrame]:
    """The frames by the names that messages use."""
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
    return tuple(with_coarse_step_remarks(PreparedRun(run, cut_legs(run)), job.sensor) for run in clean)


def _clean(log: RunLog, job: Job, progress: ProgressCallback) -> CleanRun:
    in_blocks = clean_long_run(log, job.oscillator, job.sensor, progress)
    if in_blocks is not None:
        return in_blocks
    raw = read_run(log, job.oscillator, job.sensor)
    resolution_c = raw.quantum_c if job.sensor.resolution_c is None else job.sensor.resolution_c
    return in_cells(clean_run(raw, resolution_c))


def run_warnings(runs: Sequence[PreparedRun]) -> tuple[str, ...]:
    """The warnings of all runs, each with the name of its log."""
    return tuple(f"{one.run.name}: {warning}" for one in runs for warning in one.run.warnings)


def clean_frame(prepared: tuple[PreparedRun, ...]) -> pd.DataFrame:
    """All rows of all runs in one frame, including the dropped ones.

    Columns: ``run`` (counted from 0), ``log`` (its name), ``line``, ``time_s`` [s], ``temperature_c`` [degC], ``offset_ppb``
    [ppb], ``dropped`` ("" or the reason), ``sweep`` and ``leg`` (counted from 0 within the run; -1 if dropped), ``leg_kind``;
    and those of a `CleanRun` in cells, if any run has cells: a row of another run is then a cell of one sample.  The figures of
    a whole run are in ``attrs["runs"]``, which pandas writes into the metadata of a Parquet file.
    """
    import pandas as pd

    frame = pd.concat([_rows(index, one) for index, one in enumerate(prepared)], ignore_index=True)
    if "samples" in frame:
        single = dict.fromkeys(CELL_COLUMNS, 0.0) | {"samples": 1}
        frame = frame.fillna(single).astype({"samples": np.int64})
    frame.attrs["runs"] = [_about(one) for one in prepared]
    return frame


def from_clean_frame(frame: pd.DataFrame) -> tuple[PreparedRun, ...]:
    """The runs of a frame that `clean_frame` made, as it is or read from Parquet."""
    return tuple(_prepared(about, frame[frame["run"] == index]) for index, about in enumerate(frame.attrs["runs"]))


def _rows(index: int, prepared: PreparedRun) -> pd.DataFrame:
    import pandas as pd

    run, legs = prepared.run, prepared.legs
    kept = (run.frame["dropped"] == "").to_numpy()
    sweep, leg = np.full(len(kept), -1, dtype=np.int64), np.full(len(kept), -1, dtype=np.int64)
    sweep[kept] = sweep_of_sample(legs, int(kept.sum()))
    leg[kept] = np.repeat(np.arange(len(legs)), [one.samples for one in legs])
    kinds = np.array([*(one.kind for one in legs), ""], dtype=object)
    columns = [*SAMPLE_COLUMNS, *(CELL_COLUMNS if run.has_cells else ()), *(EVENT_COLUMNS if run.has_events else ())]
    columns += run.regressor_columns
    rows = run.frame[columns].assign(sweep=sweep, leg=leg, leg_kind=pd.Series(kinds[leg], run.frame.index, str))
    rows.insert(0, "run", index)
    rows.insert(1, "log", run.name)
    return rows


def _about(prepared: PreparedRun) -> dict[str, Any]:
    run = prepared.run
    cells = {"cells": True} if run.has_cells else {}
    events = {"events": True} if run.has_events else {}
    return cells | events | {
        "name": run.name, "time_kind": run.time_kind, "assumptions": list(run.assumptions), "warnings": list(run.warnings),
        "interval_s": run.interval_s, "quantum_c": run.quantum_c, "quantum_ppb": run.quantum_ppb,
        "shown_ppb": run.shown_ppb,
        "gaps": [asdict(gap) for gap in run.gaps], "legs": [asdict(leg) for leg in prepared.legs],
    }  # fmt: skip


def _prepared(about: dict[str, Any], rows: pd.DataFrame) -> PreparedRun:
    cells = CELL_COLUMNS if "cells" in about else ()
    events = EVENT_COLUMNS if "events" in about else ()
    others = [name for name in map(str, rows.columns) if name.startswith(REGRESSOR)]
    samples = rows[["time_s", "temperature_c", "offset_ppb", "line", "dropped", *cells, *events, *others]].reset_index(
        drop=True
    )
    samples.attrs = {}
    run = CleanRun(
        name=about["name"], time_kind=about["time_kind"], frame=samples,
        gaps=tuple(Gap(**gap) for gap in about["gaps"]), assumptions=tuple(about["assumptions"]),
        interval_s=about["interval_s"], quantum_c=about["quantum_c"], quantum_ppb=about.get("quantum_ppb", 0.0),
        shown_ppb=about.get("shown_ppb", 0.0), warnings=tuple(about.get("warnings", ())),
    )  # fmt: skip
    return PreparedRun(run, tuple(Leg(**leg) for leg in about["legs"]))


def temperature_columns_of(job: Job) -> tuple[Column, ...]:
    """The columns of every log whose names look like temperatures, the job's own first; of a pipe, which is not read again,
    the job's own alone."""
    own = job.runs[0].temperature
    if any(is_stream(path) for run in job.runs for path in run.files):
        return (own,)
    others = [temperature_names(temperature_columns(run)) for run in job.runs]
    return own, *(name for name in others[0] if name != own and all(name in names for names in others))


LARGEST_DIFFERENCE_PPB = 200e3
"""200 ppm: the medians of two runs of one crystal never differ so much (a tuning fork moves 150 ppm over 65 degC; common
practice, no source)."""

WINDOW = 20
"""Rows compared as a block: so many equal rows, with noise in both columns, are no coincidence."""
REPEATED = 0.5
"""Share of the blocks of a run that occur in another, above which one repeats the other."""

STEPS = 3.0
"""Between two of its steps, a sensor at rest shows either, and the smoothed temperature any value between them."""
FEW_SAMPLES = 25
"""Fewer samples determine no noise; the fit decides whether they are enough."""


def refuse_contradictions(runs: Sequence[CleanRun], job: Job) -> None:
    """Refuse runs that cannot be of one oscillator, or not at their stated times.

    Raises
    ------
    RunError
        The temperature never moved, a run repeats another, two overlap in time by their clocks, or one has another nominal
        frequency.
    """
    _refuse_standstill(runs)
    for one, other in combinations(runs, 2):
        _refuse_overlap(one, other)
        _refuse_repeated(one, other)
    _refuse_other_nominal(runs, job)


def _refuse_standstill(runs: Sequence[CleanRun]) -> None:
    """Refuse runs whose temperature moves by no more than the sensor's noise and steps."""
    if any(run.time_kind == "none" or len(run.kept) < FEW_SAMPLES for run in runs):
        return
    logged_c = [run.kept["temperature_c"].to_numpy() for run in runs]
    smooth_c = np.concatenate(
        [smoothed_c(run.kept["time_s"].to_numpy(), one) for run, one in zip(runs, logged_c, strict=True)]
    )
    moved_c = float(np.ptp(smooth_c))
    least_c = max(
        max(NOISE_SPANS * noise_c(one), STEPS * run.quantum_c) for run, one in zip(runs, logged_c, strict=True)
    )
    if moved_c < least_c:
        raise RunError(
            f"{runs[0].name}: the temperature stays within {moved_c:.2g} degC of {np.median(smooth_c):.4g} degC, no more than "
            "its sensor's noise and steps, so no curve is determined; log while the temperature sweeps the range of use, up and "
            "down"
        )


def stretches_s(run: CleanRun) -> list[tuple[float, float]]:
    """First and last time of each stretch between gaps. [s]"""
    time_s = run.kept["time_s"]
    starts = [float(time_s.iloc[0]), *(gap.end_s for gap in run.gaps)]
    ends = [*(gap.start_s for gap in run.gaps), float(time_s.iloc[-1])]
    return list(zip(starts, ends, strict=True))


def _refuse_overlap(one: CleanRun, other: CleanRun) -> None:
    """Refuse overlaps between stretches, not whole runs: a clock that starts wrong has a gap behind its first rows."""
    if one.time_kind != "clock" or other.time_kind != "clock":
        return
    for start_s, end_s in stretches_s(one):
        for other_start_s, other_end_s in stretches_s(other):
            first_s, last_s = max(start_s, other_start_s), min(end_s, other_end_s)
            if first_s < last_s:
                raise RunError(
                    f"{one.name} and {other.name} overlap from {utc(first_s)} to {utc(last_s)}, but one oscillator has "
                    "one frequency at a time; leave out the [[run]] that repeats the other, or correct its times"
                )


def _refuse_repeated(one: CleanRun, other: CleanRun) -> None:
    """Refuse the same samples given twice: they would count double, and every uncertainty would be too small."""
    first, second = sorted(
        (run.kept[["temperature_c", "offset_ppb"]].to_numpy(dtype=np.float64) for run in (one, other)), key=len
    )
    windows = [first[start : start + WINDOW] for start in range(0, len(first) - WINDOW + 1, WINDOW)]
    # Where hardly anything moves, a coarse counter and a coarse sensor repeat themselves.
    varied = [rows.tobytes() for rows in windows if len(np.unique(rows, axis=0)) > WINDOW // 2]
    if not varied:
        return
    there = {second[start : start + WINDOW].tobytes() for start in range(len(second) - WINDOW + 1)}
    repeated = sum(rows in there for rows in varied)
    if repeated > REPEATED * len(varied):
        raise RunError(
            f"{one.name} and {other.name} hold the same samples ({100 * repeated / len(varied):.0f} % of what can be compared), "
            "which would count double; leave out one [[run]]"
        )


def _refuse_other_nominal(runs: Sequence[CleanRun], job: Job) -> None:
    medians_ppb = np.array([run.kept["offset_ppb"].median() for run in runs])
    # Of two runs, the one nearer to the nominal is taken to be right.
    middle_ppb = np.median(medians_ppb) if len(runs) > 2 else medians_ppb[np.argmin(np.abs(medians_ppb))]
    odd = int(np.argmax(np.abs(medians_ppb - middle_ppb)))
    if np.abs(medians_ppb[odd] - middle_ppb) <= LARGEST_DIFFERENCE_PPB:
        return
    right = int(np.argmin(np.abs(medians_ppb - middle_ppb)))
    odd_ppm, right_ppm = (medians_ppb[index] / PPB_PER_UNIT["ppm"] for index in (odd, right))
    raise RunError(
        f"{runs[odd].name}: its median offset is {odd_ppm:.4g} ppm, that of {runs[right].name} {right_ppm:.4g} ppm; one "
        f"crystal does not move so far, so {_remedy(job, job.runs[odd], float(medians_ppb[odd]))}"
    )


def _remedy(job: Job, log: RunLog, median_ppb: float) -> str:
    share = 1.0 + median_ppb / PPB_PER_UNIT["1"]
    if log.reference_hz is not None:
        fitting = nominal_text(log.reference_hz / share)
        return f"its reference_hz is probably another: {fitting} would fit"
    if log.frequency is not None and job.oscillator.nominal_hz is not None:
        fitting = nominal_text(job.oscillator.nominal_hz * share)
        return f"it is probably of another oscillator, of a nominal of {fitting} Hz: give it a job of its own"
    return "its unit is probably another, or it is of another oscillator"
