"""What a point did to the base, as plain numbers and in remarks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from tcomp.curve.curve import Curve, utc
from tcomp.decision.crystal_error import FAR
from tcomp.decision.due import Due
from tcomp.decision.retrim import Retrim
from tcomp.job import Job
from tcomp.table import CorrectionTable
from tcomp.units import SECONDS_PER_DAY


def retrim_figures(found: Retrim, curve: Curve, table: CorrectionTable | None, due: Due | None) -> dict[str, Any]:
    """Names carry units; uncertainties are standard ones (k = 1)."""
    ageing = found.ageing
    rate, rate_u = ageing.rate_ppb_per_day()
    return {
        "schema": 1,
        "status": found.status,
        "time": utc(found.time_s),
        "point": asdict(found.point),
        "reference_c": curve.reference_c,
        "predicted_ppb": found.predicted_ppb,
        "predicted_u_ppb": found.predicted_u_ppb,
        "days_since_the_base_before": found.days,
        "away_in_u": found.away,
        "base_ppb": found.base_ppb,
        "base_u_ppb": found.base_u_ppb,
        "trim_ppt": found.trim_ppt,
        "table_max_error_ppb": table.max_error_ppb if table is not None else None,
        "ageing": {
            "form": ageing.form, "told_by_the_history": ageing.told, "words": ageing.words, "bases": ageing.bases,
            "span_days": ageing.span_days, "ppb_per_day": rate, "u_ppb_per_day": rate_u,
        },
        "due": _due_figures(found, due),
    }  # fmt: skip


def _due_figures(found: Retrim, due: Due | None) -> dict[str, Any] | None:
    if due is None:
        return None
    day = found.time_s + due.days * SECONDS_PER_DAY if math.isfinite(due.days) else None
    return {
        "needed_ppb": due.needed_ppb,
        "now_ppb": due.now_ppb,
        "days": due.days,
        "date": utc(day)[:10] if day is not None else None,
        "foretold_days": due.foretold_days,
        "cut_short_by_the_history": due.cut_short,
    }


def retrim_remarks(found: Retrim, due: Due | None, job: Job) -> Iterator[str]:
    """What must not be overlooked."""
    yield "report.html and summary.json are those of the last build"
    if due is None:
        yield "[use] needed_ppb is not in the job, so no date can be given for the next trim"
        return
    if due.now_ppb > due.needed_ppb:
        yield (
            f"{due.needed_ppb:g} ppb cannot be kept even now: right after this trim the error is up to {due.now_ppb:.3g} ppb, "
            "k = 2"
        )
    if due.cut_short:
        beyond = f"{due.foretold_days:.0f} days" if math.isfinite(due.foretold_days) else "twenty years and more"
        yield (
            f"the history spans {found.ageing.span_days:.3g} days, and nothing is promised beyond {FAR:g} times that; by "
            f"the ageing found it would be {beyond}"
        )
    if due.days < job.use.recalibrate_days:
        yield f"the job plans {job.use.recalibrate_days:g} days from trim to trim, which is longer"
