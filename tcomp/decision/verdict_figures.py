"""The verdict as plain numbers: what ``verdict.json`` holds."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from tcomp.decision.budget import Budget, Line
from tcomp.decision.crystal_error import Characterised
from tcomp.decision.verdict import Judged, Verdict, affordable
from tcomp.decision.verdict_words import answer, assumptions, paragraph, questions


def verdict_figures(verdict: Verdict, known: Characterised) -> dict[str, Any]:
    """Names carry units; uncertainties are standard ones unless the name says otherwise."""
    job = known.job
    return {
        "schema": 1,
        "status": verdict.status,
        "best": verdict.best.option.name,
        "answer": answer(verdict),
        "paragraph": paragraph(verdict, job),
        "needed_ppb": verdict.needed_ppb,
        "use": {
            "range_c": list(known.range_c),
            "ramp_c_per_min": job.use.ramp_c_per_min,
            "hours_on_per_day": job.use.hours_on_per_day,
            "recalibrate_days": job.use.recalibrate_days,
            "life_years": job.use.life_years,
        },
        "options": [_option(one, known) for one in verdict.options],
        "break_evens": [asdict(one) for one in verdict.break_evens],
        "assumed": list(assumptions(verdict)),
        "questions": [*questions(job), *_beyond(known)],
    }


def _beyond(known: Characterised) -> list[str]:
    (low_c, high_c), curve = known.range_c, known.curve
    if low_c >= curve.low_c and high_c <= curve.high_c:
        return []
    return [
        f"[use] range_c goes from {low_c:g} to {high_c:g} degC, the curve from {curve.low_c:.4g} to {curve.high_c:.4g}: beyond it "
        "the table holds its end, and the curve, continued, says what that costs; a run over all of the use would tell"
    ]


def _option(one: Judged, known: Characterised) -> dict[str, Any]:
    power, within = one.option.power, one.budget.expanded()
    return {
        "name": one.option.name,
        "meets": one.meets,
        "probability": one.probability,
        "share_of_time_within": one.share,
        "share_of_time_within_5_to_95_percent": [one.share_low, one.share_high],
        "need_met_ppb": one.need_met_ppb,
        "minutes_until_within": one.minutes_until_within,
        "cost": one.cost,
        "price": one.option.price,
        "affordable": affordable(one, known.job),
        "settles_days": one.option.settles_days,
        "power": asdict(power) | {"remarks": list(power.remarks)},
        "limited_by": one.budget.largest.name,
        "budget": [_line(line, one.budget) for line in one.budget.lines],
        "u_ppb": one.budget.u,
        "effective_degrees_of_freedom": _finite(one.budget.dof),
        "expanded_ppb": within,
        "drawn_mean_ppb": one.drawn.mean,
        "drawn_u_ppb": one.drawn.u,
        "drawn_within_ppb": one.drawn.within,
        "draws": one.drawn.draws,
        "approaches_differ": one.approaches_differ,
        "error_by_day": [list(row) for row in one.error_by_day],
        "turns_on": [figure.name for figure in one.open],
        "assumed": list(one.option.assumed),
    }


def _line(line: Line, budget: Budget) -> dict[str, Any]:
    return {
        "name": line.name,
        "evaluated": line.evaluated,
        "distribution": line.distribution,
        "u": line.u,
        "unit": line.unit,
        "sensitivity_ppb": line.sensitivity,
        "degrees_of_freedom": _finite(line.dof),
        "contribution_ppb": line.contribution,
        "share_of_variance": budget.share(line),
        "basis": line.basis,
        "assumed": line.assumed,
    }


LARGE = 1e6
"""Degrees of freedom beyond which Student's t is the normal distribution to six digits."""


def _finite(dof: float) -> float | None:
    return dof if math.isfinite(dof) and dof < LARGE else None
