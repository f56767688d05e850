"""What only the runs side by side can show to be wrong."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import combinations

import numpy as np

from tcomp.errors import RunError
from tcomp.job import Job, RunLog
from tcomp.run.legs import NOISE_SPANS, noise_c, smoothed_c
from tcomp.run.quantity import nominal_text
from tcomp.run.record import CleanRun
from tcomp.units import PPB_PER_UNIT

LARGEST_DIFFERENCE_PPB = 200e3
"""200 ppm: one crystal's medians over two runs never lie so far apart (a tuning fork moves 150 ppm over 65 degC;
common practice, no source)."""

STEPS = 3.0
"""A sensor at rest between two of its steps shows either, and smoothed anything between."""
FEW_SAMPLES = 25
"""Fewer tell no noise; what they are good for is judged by the fit."""


def refuse_contradictions(runs: Sequence[CleanRun], job: Job) -> None:
    """Refuse runs that cannot be of one oscillator, or not at the times that they state.

    Raises
    ------
    RunError
        The temperature never moved, two runs were logged at the same time by their clocks, or one has another nominal
        frequency.
    """
    _refuse_standstill(runs)
    for one, other in combinations(runs, 2):
        _refuse_overlap(one, other)
    _refuse_other_nominal(runs, job)


def _refuse_standstill(runs: Sequence[CleanRun]) -> None:
    """A curve of what the sensor's noise alone moved would be one of noise."""
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
            "its sensor's noise and steps, so nothing can be learnt of it; log while the temperature sweeps the range of use, up "
            "and down"
        )


def stretches_s(run: CleanRun) -> list[tuple[float, float]]:
    """First and last time of each stretch between gaps. [s]"""
    time_s = run.kept["time_s"]
    starts = [float(time_s.iloc[0]), *(gap.end_s for gap in run.gaps)]
    ends = [*(gap.start_s for gap in run.gaps), float(time_s.iloc[-1])]
    return list(zip(starts, ends, strict=True))


def _refuse_overlap(one: CleanRun, other: CleanRun) -> None:
    """Stretches are compared, not whole runs: a logger's clock that wakes up wrong stands behind a gap of its own."""
    if one.time_kind != "clock" or other.time_kind != "clock":
        return
    for start_s, end_s in stretches_s(one):
        for other_start_s, other_end_s in stretches_s(other):
            first_s, last_s = max(start_s, other_start_s), min(end_s, other_end_s)
            if first_s < last_s:
                raise RunError(
                    f"{one.name} and {other.name} overlap from {_stamp(first_s)} to {_stamp(last_s)}, but one oscillator has "
                    "one frequency at a time; leave out the [[run]] that repeats the other, or correct its times"
                )


def _stamp(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _refuse_other_nominal(runs: Sequence[CleanRun], job: Job) -> None:
    medians_ppb = np.array([run.kept["offset_ppb"].median() for run in runs])
    # Of two runs, the one nearer to the nominal is taken for the right one.
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
