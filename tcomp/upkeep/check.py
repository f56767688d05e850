"""A curve or a table held against a verification run: what remains, and whether it is what was promised.

The base may have moved (ageing, retrace); that is stated, and is no failure of the shape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.documents.check import PredictionKind
from tcomp.errors import JobError
from tcomp.estimation.curve import Curve
from tcomp.estimation.uncertainty import effective_samples
from tcomp.job import Job, read_job
from tcomp.logs.prepared import PreparedRun, prepare_runs, run_warnings
from tcomp.progress import ProgressCallback, no_progress
from tcomp.tables import CorrectionTable
from tcomp.units import SECONDS_PER_MINUTE
from tcomp.upkeep.calibration import Calibration, subject_of
from tcomp.upkeep.claim import (
    Judgement,
    Promise,
    Status,
    claimed_by_firmware,
    judge,
    lag_error_ppb,
    promise_at_crystal,
)
from tcomp.upkeep.shape import ShapeTest, shape_test
from tcomp.upkeep.verification import (
    Part,
    VerificationRun,
    fresh_samples,
    parts_by_leg,
    parts_by_temperature,
    root_mean_square,
)

Floats = NDArray[np.float64]

AS_READ: PredictionKind = "as the firmware reads it"
TURNED = 0.2
"""How near to -1 the factor from prediction to run lies where the sign is taken to be turned."""


@dataclass(frozen=True)
class Base:
    """How far the base of a run, at its end, lies from the promised one, with standard uncertainty. [ppb]"""

    log: str
    moved_ppb: float
    u_ppb: float


@dataclass(frozen=True, eq=False)
class Remainder:
    """What remains at each judged sample when the base is off.

    ``judgement`` is of all that remains, noise included, ``shape`` of its smooth shape alone; None: not judged by that.
    ``promise`` is what was promised of single samples; None: nothing.
    """

    words: PredictionKind
    error_ppb: Floats
    promise: Promise | None = None
    judgement: Judgement | None = None
    shape: ShapeTest | None = None

    @property
    def statuses(self) -> tuple[Status, ...]:
        """Of all by which it is judged."""
        return tuple(one.status for one in (self.judgement, self.shape) if one is not None)


@dataclass(frozen=True, eq=False)
class CheckResult:
    """All that the check found; the remainder that decides first stands first."""

    kind: Literal["curve", "table"]
    range_c: tuple[float, float]
    fresh: VerificationRun
    effective: float
    bases: tuple[Base, ...]
    remainders: tuple[Remainder, ...]
    by_temperature: tuple[Part, ...]
    by_leg: tuple[Part, ...]
    remarks: tuple[str, ...]

    @property
    def status(self) -> Status:
        """The worst of the judgements."""
        found = [status for one in self.remainders for status in one.statuses]
        worst_first: tuple[Status, ...] = ("does not hold", "too short to tell", "holds")
        return next(status for status in worst_first if status in found)


def fresh_job(path: Path) -> Job:
    """Read the job that says what the fresh logs hold.

    Raises
    ------
    JobError
        It is no job; of a log it is said that a job is needed.
    """
    if path.suffix.lower() != ".toml":
        raise JobError(
            f"{path}: a log alone does not say what its columns are; expected a job file: "
            f"`tcomp start {path.name}` writes one"
        )
    return read_job(path)


def check(
    promised: Curve | CorrectionTable | Calibration,
    job: Job,
    *,
    runs: tuple[PreparedRun, ...] = (),
    ramp_c_per_min: float | None = None,
    fitted_runs: tuple[PreparedRun, ...] = (),
    progress: ProgressCallback = no_progress,
) -> CheckResult:
    """Apply a curve or table to verification runs, and hold what remains against the promise.

    Parameters
    ----------
    promised : Curve, CorrectionTable or Calibration
        The curve or table.
    job : Job
        Its [[run]] blocks name the fresh logs, its [reference] what they were measured against.
    runs : tuple of PreparedRun, default=()
        The verification runs; none: the logs that the job names are read.
    ramp_c_per_min : float, default=None
        Fastest change at the crystal for which a table is to hold: the lag's share of its promise goes
        no further.  None: as fast as the run's own legs. [degC/min]
    fitted_runs : tuple of PreparedRun, default=()
        Runs that the curve was fitted to: a fresh one that is among them is remarked.
    progress : ProgressCallback, default=no_progress
        Hears how far the reading of long logs is.

    Raises
    ------
    RunError
        A log cannot be read, or has no sample that can be judged.
    """
    subject = subject_of(promised)
    runs = runs or prepare_runs(job, progress)
    fresh = fresh_samples(subject, runs)
    through_firmware = subject.table is not None and not fresh.apart
    predicted_ppb = subject.firmware_ppb(fresh.sensor_c) if through_firmware else _predicted_ppb(subject, fresh)
    offsets, shape_ppb = _base_off(fresh, fresh.offset_ppb - predicted_ppb)
    effective = effective_samples(shape_ppb, fresh.bounds)
    update_s = job.firmware.update_s if job.firmware.follow and fresh.apart and fresh.lag_s else None
    remainders = _remainders(
        subject, fresh, shape_ppb, offsets, effective, job.reference.uncertainty_ppb, ramp_c_per_min, update_s
    )
    errors = [one.error_ppb for one in remainders]
    return CheckResult(
        kind="curve" if subject.table is None else "table",
        range_c=subject.range_c,
        fresh=fresh,
        effective=effective,
        bases=_bases(subject, fresh, shape_ppb, offsets, job.reference.uncertainty_ppb),
        remainders=remainders,
        by_temperature=parts_by_temperature(fresh, errors),
        by_leg=parts_by_leg(fresh, errors),
        remarks=(
            *run_warnings(runs),
            *_assumptions(runs),
            *subject.remarks,
            *_remarks(subject, fresh, predicted_ppb),
            *(_lag_remark(subject, fresh) if update_s is None else ()),
            *_regressor_remarks(subject, job),
            *_seen_before(runs, fitted_runs),
        ),
    )


def _predicted_ppb(subject: Calibration, fresh: VerificationRun) -> Floats:
    """The prediction at the crystal's temperature while it changes as it does. [ppb]"""
    return subject.shape_ppb(fresh.crystal_c) + fresh.response_ppb


def _base_off(fresh: VerificationRun, error_ppb: Floats) -> tuple[Floats, Floats]:
    """Mean error of each run, at every sample, and what is left."""
    mean_ppb = np.bincount(fresh.run, error_ppb) / np.maximum(np.bincount(fresh.run), 1)
    return mean_ppb[fresh.run], error_ppb - mean_ppb[fresh.run]


def _remainders(
    subject: Calibration,
    fresh: VerificationRun,
    shape_ppb: Floats,
    base_ppb: Floats,
    effective: float,
    reference_u_ppb: float,
    ramp_c_per_min: float | None,
    update_s: float | None,
) -> tuple[Remainder, ...]:
    low_c, high_c = subject.range_c
    covered = float(np.ptp(fresh.sensor_c)) / (high_c - low_c) if high_c > low_c else 1.0
    curve = subject.curve
    if curve is None:  # a table alone, whose lag is not known either
        claim = claimed_by_firmware(subject, fresh, reference_u_ppb, ramp_c_per_min, update_s)
        return (Remainder(AS_READ, shape_ppb, claim, judge(shape_ppb, claim, effective, math.inf, covered)),)
    promise = promise_at_crystal(subject, fresh)
    shape = shape_test(subject, curve, fresh, shape_ppb, promise, covered)
    at_crystal = Remainder("at the crystal's temperature", shape_ppb, promise, shape=shape)
    if subject.table is None:
        if not fresh.apart:
            return (at_crystal,)
        sensor_ppb = fresh.offset_ppb - subject.shape_ppb(fresh.sensor_c) - base_ppb
        return at_crystal, Remainder("at the sensor's reading", sensor_ppb)
    claim = claimed_by_firmware(subject, fresh, reference_u_ppb, ramp_c_per_min, update_s).in_noise(
        shape.noise_ppb / shape.built_ppb
    )
    seen_c = fresh.sensor_c if update_s is None else fresh.crystal_c
    read_ppb = fresh.offset_ppb - subject.firmware_ppb(seen_c) - base_ppb
    judgement = judge(read_ppb, claim, effective, curve.effective_samples, covered)
    if not fresh.apart:
        return (Remainder(AS_READ, read_ppb, claim, judgement, shape),)
    return Remainder(AS_READ, read_ppb, claim, judgement), at_crystal


def _bases(
    subject: Calibration, fresh: VerificationRun, shape_ppb: Floats, base_ppb: Floats, reference_u_ppb: float
) -> tuple[Base, ...]:
    """The reference of the verification run and that of the fitted ones are taken to be independent."""
    bases = []
    for start, stop in fresh.bounds:
        here = shape_ppb[start:stop]
        variance = float(here.var()) / effective_samples(here, [(0, here.size)]) + reference_u_ppb**2
        if subject.curve is not None:
            variance += float(np.mean(subject.curve.uncertainty_ppb(fresh.crystal_c[start:stop]) ** 2))
        if subject.table is not None:
            variance += subject.table.max_error_ppb**2 / 3  # rectangular: GUM (JCGM 100:2008) 4.3.7
        bases.append(Base(fresh.logs[fresh.run[start]], float(base_ppb[start]), math.sqrt(variance)))
    return tuple(bases)


def _remarks(subject: Calibration, fresh: VerificationRun, predicted_ppb: Floats) -> tuple[str, ...]:
    remarks = []
    if subject.lags_s and not fresh.lag_s:
        remarks.append("the verification run has no time, so the lag cannot be taken off")
    measured, predicted = (_base_off(fresh, values)[1] for values in (fresh.offset_ppb, predicted_ppb))
    squares = float(predicted @ predicted)
    if squares > 0 and abs(float(measured @ predicted) / squares + 1) < TURNED:
        remarks.append(
            "the verification run goes the opposite way of the prediction: one sign is turned; see role in [[run]], or the table"
        )
    return tuple(remarks)


def _lag_remark(subject: Calibration, fresh: VerificationRun) -> tuple[str, ...]:
    """Where the lag outweighs all else that the firmware leaves."""
    if subject.table is None or subject.curve is None or not fresh.lag_s:
        return ()
    lag_ppb = root_mean_square(lag_error_ppb(subject.curve, fresh, None))
    if lag_ppb < promise_at_crystal(subject, fresh).rms_ppb:
        return ()
    fastest = float(np.quantile(np.abs(fresh.smooth_c - fresh.crystal_c), 0.95)) / abs(fresh.lag_s) * SECONDS_PER_MINUTE
    return (
        f"changes of up to {fastest:.2g} degC/min put {lag_ppb:.3g} ppb RMS of lag into what the firmware reads, more than "
        "all else; to judge the table for slower changes, state their rate (--ramp)",
    )


def _regressor_remarks(subject: Calibration, job: Job) -> tuple[str, ...]:
    """What became of quantities besides temperature."""
    there = {one.name for one in job.regressors}
    remarks = []
    for name, term in subject.regressors.items():
        if not any(term.values):
            continue
        if name in there:
            remarks.append(
                f"what {name} adds was taken off the verification run: the curve holds at {term.reference:g} {term.unit}"
            )
        else:
            remarks.append(
                f"{name} moves the offset, and the job of the verification run has no [[regressor]] of that name: what it adds is "
                "left"
            )
    return tuple(remarks)


def _assumptions(runs: tuple[PreparedRun, ...]) -> tuple[str, ...]:
    assumed = tuple(f"{one.run.name}: {assumption}" for one in runs for assumption in one.run.assumptions)
    return assumed + tuple(
        f"{one.run.name}: what remains is that of means over its cells, which scatter less than the single samples that the "
        "promise is of"
        for one in runs
        if one.run.has_cells
    )


def _seen_before(runs: tuple[PreparedRun, ...], fitted_runs: tuple[PreparedRun, ...]) -> tuple[str, ...]:
    old = [one.run.kept["offset_ppb"].to_numpy() for one in fitted_runs]
    again = [one.run.name for one in runs if any(np.array_equal(one.run.kept["offset_ppb"], other) for other in old)]
    return tuple(f"{name} is a log that the curve was fitted to: it shows nothing new" for name in again)
