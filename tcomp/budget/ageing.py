"""What is known of the ageing: stated by the job, found in its runs, typical of the cut, or shown by trims."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from tcomp.budget.contribution import WIDER
from tcomp.budget.drift import CONTRADICTS, MIN_U, AgeingFit, Rate, fit_ageing
from tcomp.budget.history import history_path, read_history
from tcomp.estimation.curve import Curve
from tcomp.estimation.typical import typical
from tcomp.job import Job
from tcomp.units import short

STATED_SHARE = 0.5
"""A rate that the job states without its uncertainty is taken to be known to half of its size (common practice, no source)."""
FAR = 3.0
"""Times the span of the runs beyond which their drift is extrapolated too far to be believed (common practice, no source)."""


def stated_rate(job: Job) -> Rate | None:
    """The job's own figure; None: it states none."""
    stated, u = job.oscillator.ageing_ppb_per_day, job.oscillator.ageing_u_ppb_per_day
    if stated is None:
        return None
    if u is not None:
        return Rate(stated, u, f"{stated:g} ppb/day (u {u:g}), as the job states")
    return Rate(stated, STATED_SHARE * abs(stated), f"{stated:g} ppb/day, as the job states, taken as known to half")


def found_rate(curve: Curve) -> Rate | None:
    """The drift of the runs; None: none was found."""
    seen = curve.effect("ageing")
    if seen.status != "found":
        return None
    return Rate(seen.value, seen.uncertainty, f"{seen.value:.3g} ppb/day in runs of {short(curve.span_days)} days")


def known_rate(job: Job, curve: Curve, ahead_days: float) -> Rate:
    """The job's figure; that of the runs, if they were long against the time ahead; or a typical bound of either sign.

    With it the random walk that is typical of the cut.
    """
    kind = "tuning-fork" if job.oscillator.cut == "tuning-fork" else "crystal"
    return replace(_rate(job, curve, ahead_days, kind), walk_ppb=typical(kind, "walk_ppb_per_root_day").value)


def _rate(job: Job, curve: Curve, ahead_days: float, kind: str) -> Rate:
    stated, seen = stated_rate(job), found_rate(curve)
    if stated is not None:
        return stated
    if seen is not None and ahead_days <= FAR * curve.span_days:
        return seen
    guess = typical(kind, "ageing_ppb_per_day")
    if seen is None:
        words = f"what is typical: anything within +/- {guess.value:g} ppb/day; {guess.basis}"
        return Rate(0.0, guess.value / math.sqrt(3.0), words, True, guess.value)
    # A drift right after heat and handling is not that of a year; but it might go on.
    bound = max(guess.value, abs(seen.ppb_per_day))
    words = f"{seen.words}, which is not carried on for {short(ahead_days)}: anything within +/- {bound:.3g} ppb/day"
    return Rate(0.0, bound / math.sqrt(3.0), words, True, bound, min(1 / WIDER, guess.value / bound))


def retrace_sd_ppb(job: Job) -> float:
    """What switching off and on adds from day to day: the job's figure, a bound, if it is ever off (rectangular). [ppb]"""
    off = job.use.hours_on_per_day < 24.0
    return (job.oscillator.retrace_ppb or 0.0) / math.sqrt(3.0) if off else 0.0


def watched_ageing(job: Job, curve: Curve) -> AgeingFit | None:
    """What the job's history of trims has shown; None before the second base.

    Raises
    ------
    HistoryError
        The history is damaged.
    """
    entries = read_history(history_path(job)).entries
    if sum(entry.kind != "refused" for entry in entries) < 2:
        return None
    return fit_ageing(entries, known_rate(job, curve, job.use.recalibrate_days), retrace_sd_ppb(job))


def contradictions(job: Job, curve: Curve, watched: AgeingFit | None) -> Iterator[str]:
    """Where the ageing that the job states is not that which runs or trims have shown, in sentences."""
    stated, seen = stated_rate(job), found_rate(curve)
    if stated is None:
        return
    shown = [("the runs show", seen)] if seen is not None else []
    if watched is not None and watched.identifiable:
        shown.append(("the trims show", Rate(*watched.rate_ppb_per_day(), "")))
    for words, one in shown:
        away = abs(stated.ppb_per_day - one.ppb_per_day) / max(
            math.hypot(stated.u_ppb_per_day, one.u_ppb_per_day), MIN_U
        )
        if away > CONTRADICTS:
            yield (
                f"[oscillator] ageing_ppb_per_day states {stated.ppb_per_day:g} (u {stated.u_ppb_per_day:g}), {words} "
                f"{one.ppb_per_day:.3g} ppb/day (u {one.u_ppb_per_day:.2g}): {away:.0f} u apart"
            )
