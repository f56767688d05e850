"""A unit of a known lot, or of a cut: fitted from a sweep or a few soaks, with what the others of its kind teach."""

from __future__ import annotations

from dataclasses import replace

from tcomp.estimation.curve import Curve
from tcomp.estimation.few_points import Placed, is_swept, placed
from tcomp.estimation.prior import Prior
from tcomp.estimation.samples import samples_of
from tcomp.inputs import curve_inputs
from tcomp.job import Job
from tcomp.logs.prepared import PreparedRun
from tcomp.progress import ProgressCallback, no_progress
from tcomp.results import Folder
from tcomp.workflow import Notify, check_codes, fit, silent, with_run_warnings


def place(
    job: Job, runs: tuple[PreparedRun, ...], prior: Prior, folder: Folder, prior_digest: str = "unknown"
) -> Placed:
    """The curve of a new unit of a known lot, from a few soaks: the files that ``fit`` writes.

    Raises
    ------
    CurveError
        Too few soaks, or a unit that is not of the lot.
    """
    check_codes(job, prior.basis.low_c, prior.basis.high_c)
    found = placed(
        runs,
        prior,
        sensor_u_c=job.sensor.standard_uncertainty_c,
        reference_c=job.fit.reference_c,
        reference_u_ppb=job.reference.uncertainty_ppb,
        cut=job.oscillator.cut,
    )
    found = replace(found, curve=with_run_warnings(found.curve, runs))
    folder.write_placed(samples_of(runs), found)
    folder.record("curve.json", curve_inputs(job, folder, prior_digest))
    return found


def fit_of_lot(
    job: Job,
    runs: tuple[PreparedRun, ...],
    prior: Prior,
    folder: Folder,
    prior_digest: str = "unknown",
    notify: Notify = silent,
    progress: ProgressCallback = no_progress,
) -> Curve:
    """The curve of a unit of a known lot: of its own sweep, with what units share beside it, or else of a few soaks.

    Raises
    ------
    CurveError
        Too few soaks, or a unit that is not of the lot.
    """
    if is_swept(runs, prior):
        return fit(job, runs, folder, notify, progress, prior.effects, prior_digest).curve
    return place(job, runs, prior, folder, prior_digest).curve
