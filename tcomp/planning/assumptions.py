"""What is expected of the oscillator before it is measured: lag, degree and slopes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import JobError
from tcomp.estimation.candidates import candidates
from tcomp.estimation.curve import Curve, read_curve
from tcomp.job import Job

Slope = Callable[[FloatArray], FloatArray]

ASSUMED_LAG_S = 120.0
"""A small board in still air (common practice, no source). [s]"""
UNKNOWN_SLOPE = 300.0
"""Of a crystal of which nothing is known, everywhere in the range: common practice, no source. [ppb/degC]"""
SPLINE_DEGREE = 7
"""A spline is planned for as a polynomial of so high a degree; so is an unknown crystal with models = "auto"."""
FORMS: dict[str, tuple[Slope, str]] = {
    # Cubic coefficient 108.6e-12 per K^3: Gerber and Ballato, Precision Frequency Control vol. 2, 1985, p. 101,
    # second-hand; inflection 27 degC and turning points 27 degC to either side: common practice, no source.
    "AT": (lambda t: 3 * 0.1086 * ((t - 27) ** 2 - 27**2), "a typical AT cut, turning at 0 and 54 degC"),
    # Inflection about 95 degC: Vig, SLCET-TR-92-1 rev. 1, 1992; the rest from memory.
    "SC": (lambda t: 3 * 0.058 * ((t - 95) ** 2 - 20**2), "a typical SC cut, turning at 75 and 115 degC"),
    # -0.035 ppm/K^2: Vig 1992, same page; turnover 25 degC: from memory.
    "tuning-fork": (lambda t: -70.0 * (t - 25), "a typical tuning fork, -35 ppb/degC^2 about 25 degC"),
    # About -0.04 ppm/K^2: recomputed from elastic constants, Bechmann, Ballato, Lukaszek, Proc. IRE 50 (1962).
    "BT": (lambda t: -80.0 * (t - 25), "a typical BT cut, -40 ppb/degC^2 about 25 degC"),
}  # fmt: skip


@dataclass(frozen=True)
class Assumptions:
    """The oscillator as it is expected: ``lag_s`` [s], ``degree``, ``slope_ppb_per_c`` over temperatures; and why."""

    lag_s: float
    degree: int
    slope_ppb_per_c: Slope
    assumptions: tuple[str, ...]


def assumptions_for(job: Job, low_c: float, high_c: float, measured: Curve | None = None) -> Assumptions:
    """What the job says, or an earlier curve, or else what is usual; each guess is said.

    Raises
    ------
    TcompError
        The earlier curve is not there or cannot be read.
    """
    stated = None if measured is not None else _stated_lag(job)  # a guess does not stand against what is measured
    if measured is None and job.plan.earlier is not None:
        path = job.path.parent / job.plan.earlier
        if not path.is_file():
            raise JobError(
                f"{job.location('plan', 'earlier')}: [plan] earlier: there is no {path}; expected the curve.json of a build"
            )
        measured = read_curve(path)
    lag_s, of_lag = (stated, "") if stated is not None else _found_lag(job, measured)
    slope, of_slope = _slope(job, low_c, high_c, measured)
    return Assumptions(lag_s, degree_of(job), slope, tuple(filter(None, (of_lag, of_slope, *_silent(job)))))


def degree_of(job: Job) -> int:
    """The degree that is asked, or the crystal's own, or the richest of those that compete.

    >>> from tcomp.job import read_job_text
    >>> degree_of(read_job_text('[oscillator]\\nname = "a"\\ncut = "AT"', runs_needed=False))
    3
    """
    if job.plan.degree is not None:
        return job.plan.degree
    own = candidates(("crystal",), job.oscillator.cut)
    if job.fit.models == "auto":
        return (own[0].degree or SPLINE_DEGREE) if len(own) == 1 else SPLINE_DEGREE
    return max(one.degree or SPLINE_DEGREE for one in candidates(job.fit.models, job.oscillator.cut))


def _stated_lag(job: Job) -> float | None:
    if job.plan.lag_s is not None:
        return job.plan.lag_s
    return 0.0 if job.fit.lag == "none" else job.fit.lag if isinstance(job.fit.lag, float) else None


def _found_lag(job: Job, measured: Curve | None) -> tuple[float, str]:
    lags_s = measured.known_effects.time_constants_s if measured is not None else ()
    if lags_s:
        return sum(lags_s), f"lag of {sum(lags_s):.0f} s as measured"
    stated = _stated_lag(job)
    if stated is not None:
        return stated, ""
    return ASSUMED_LAG_S, f"assuming a lag of {ASSUMED_LAG_S:g} s from sensor to crystal; give [plan] lag_s"


def _slope(job: Job, low_c: float, high_c: float, measured: Curve | None) -> tuple[Slope, str]:
    if measured is not None and job.plan.slope_ppb_per_c is None:
        return measured.slope_ppb_per_c, "slopes of the curve as measured"
    shape, words = FORMS.get(job.oscillator.cut, (None, ""))
    if shape is None:
        steepest = job.plan.slope_ppb_per_c or UNKNOWN_SLOPE
        assumed = f"assuming slopes of up to {steepest:g} ppb/degC everywhere; give [oscillator] cut or [plan] slope_ppb_per_c"
        return (lambda t: np.full(np.shape(t), steepest)), "" if job.plan.slope_ppb_per_c else assumed
    own = shape
    if job.plan.slope_ppb_per_c is None:
        return own, f"assuming the slopes of {words}"
    scale = job.plan.slope_ppb_per_c / float(np.abs(own(np.linspace(low_c, high_c, 201))).max())
    return (lambda t: scale * own(t)), ""


def _silent(job: Job) -> Iterator[str]:
    """What is left out and counts as none."""
    if not job.reference.uncertainty_ppb:
        yield "the reference's uncertainty is left out and counts as none; give [reference] uncertainty_ppb"
    if not job.reference.noise_ppb:
        yield "the reference's own noise is left out and counts as none; give [reference] noise_ppb"
    if job.oscillator.noise_ppb is None:
        yield "the oscillator's own noise is left out and counts as none; give [oscillator] noise_ppb"
    if job.sensor.resolution_c is None:
        yield "the sensor's steps are left out and count as none; give [sensor] resolution_c"
