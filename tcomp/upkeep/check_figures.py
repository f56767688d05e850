"""What a check found, as a document."""

from __future__ import annotations

import numpy as np

from tcomp.documents import check as documents
from tcomp.documents.check import CheckDocument
from tcomp.documents.fields import values_of
from tcomp.upkeep.check import CheckResult, Remainder
from tcomp.upkeep.claim import Judgement
from tcomp.upkeep.verification import Part, root_mean_square

HOLDS = {"holds": True, "does not hold": False, "too short to tell": None}


def check_document(checked: CheckResult) -> CheckDocument:
    """The document of a check; ``holds`` is None where the run is too short to tell."""
    fresh = checked.fresh
    return CheckDocument(
        checked=checked.kind,
        status=checked.status,
        holds=HOLDS[checked.status],
        range_c=checked.range_c,
        judged_range_c=(float(fresh.sensor_c.min()), float(fresh.sensor_c.max())),
        samples_judged=fresh.sensor_c.size,
        samples_outside_the_range=fresh.outside,
        samples_after_a_start=fresh.unsettled,
        effective_samples=checked.effective,
        lag_s=fresh.lag_s,
        base=tuple(documents.BaseShift(**vars(base)) for base in checked.bases),
        remainders=tuple(_remainder(one) for one in checked.remainders),
        by_temperature=tuple(_part(part) for part in checked.by_temperature),
        by_leg=tuple(_part(part) for part in checked.by_leg),
        remarks=checked.remarks,
    )


def _part(part: Part) -> documents.Part:
    return documents.Part(words=part.words, **values_of(part))


def _remainder(one: Remainder) -> documents.Remainder:
    size = np.abs(one.error_ppb)
    return documents.Remainder(
        what=one.words,
        rms_ppb=root_mean_square(size),
        p95_ppb=float(np.quantile(size, 0.95)),
        max_ppb=float(size.max()),
        judgement=None if one.judgement is None else _judgement(one.judgement),
        shape=None if one.shape is None else documents.ShapeTest(**values_of(one.shape)),
    )


def _judgement(found: Judgement) -> documents.Judgement:
    claim = found.claim
    return documents.Judgement(
        status=found.status,
        promised_rms_ppb=claim.rms_ppb,
        promised_p95_ppb=claim.p95_ppb,
        promised_max_ppb=claim.max_ppb,
        shares=tuple(documents.Share(**vars(share)) for share in claim.shares),
        limit_rms_ppb=found.limit_rms_ppb,
        upper_rms_ppb=found.upper_rms_ppb,
        beyond_promised_p95_share=found.beyond_share,
        limit_share=found.limit_share,
    )
