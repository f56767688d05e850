"""What a point did to the base, as a document and in remarks."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tcomp.documents.upkeep import Ageing, NextTrim, RetrimDocument, TrustedPoint
from tcomp.estimation.curve import Curve
from tcomp.job import Job
from tcomp.tables import CorrectionTable
from tcomp.units import SECONDS_PER_DAY, utc
from tcomp.upkeep.due import Due
from tcomp.upkeep.retrim import RetrimResult


def retrim_document(
    found: RetrimResult, curve: Curve, table: CorrectionTable | None, due: Due | None
) -> RetrimDocument:
    """The document of a trim; uncertainties are standard ones (k = 1)."""
    ageing = found.ageing
    rate, rate_u = ageing.rate_ppb_per_day()
    return RetrimDocument(
        status=found.status,
        time=utc(found.time_s),
        point=TrustedPoint(**vars(found.point)),
        reference_c=curve.reference_c,
        predicted_ppb=found.predicted_ppb,
        predicted_u_ppb=found.predicted_u_ppb,
        days_since_the_base_before=found.days,
        away_in_u=found.away,
        suspected=found.suspected,
        base_ppb=found.base_ppb,
        base_u_ppb=found.base_u_ppb,
        trim_ppt=found.trim_ppt,
        table_max_error_ppb=table.max_error_ppb if table is not None else None,
        ageing=Ageing(
            form=ageing.form,
            separated_by_the_history=ageing.identifiable,
            words=ageing.words,
            bases=ageing.bases,
            span_days=ageing.span_days,
            ppb_per_day=rate,
            u_ppb_per_day=rate_u,
        ),
        due=None if due is None else _next_trim(found, due),
    )


def _next_trim(found: RetrimResult, due: Due) -> NextTrim:
    day = found.time_s + due.days * SECONDS_PER_DAY if math.isfinite(due.days) else None
    return NextTrim(
        needed_ppb=due.needed_ppb,
        now_ppb=due.now_ppb,
        days=due.days,
        date=utc(day)[:10] if day is not None else None,
        predicted_days=due.predicted_days,
        cut_short_by_the_history=due.cut_short,
    )


def retrim_remarks(found: RetrimResult, due: Due | None, job: Job) -> Iterator[str]:
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
        trims = found.ageing.bases - 1
        beyond = f"{due.predicted_days:.0f} days" if math.isfinite(due.predicted_days) else "twenty years and more"
        yield (
            f"the history spans {found.ageing.span_days:.3g} days and has {trims} trim{'s' * (trims != 1)}: nothing is "
            f"promised beyond {due.reach_days:.0f} days; by the ageing found it would be {beyond}"
        )
    if due.days < job.use.recalibrate_days:
        yield f"the job plans {job.use.recalibrate_days:g} days from trim to trim, which is longer"
