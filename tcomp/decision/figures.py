"""What a check found, as plain numbers."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from tcomp.decision.check import Checked, Remainder
from tcomp.decision.promise import root_mean_square

HOLDS = {"holds": True, "does not hold": False, "too short to tell": None}


def check_figures(checked: Checked) -> dict[str, Any]:
    """Names carry units; ``holds`` is None where the run is too short to tell."""
    fresh = checked.fresh
    return {
        "schema": 1,
        "checked": checked.kind,
        "status": checked.status,
        "holds": HOLDS[checked.status],
        "range_c": list(checked.range_c),
        "judged_range_c": [float(fresh.sensor_c.min()), float(fresh.sensor_c.max())],
        "samples_judged": fresh.sensor_c.size,
        "samples_outside_the_range": fresh.outside,
        "samples_after_a_start": fresh.unsettled,
        "effective_samples": checked.effective,
        "lag_s": fresh.lag_s,
        "base": [asdict(base) for base in checked.bases],
        "remainders": [_remainder(one) for one in checked.remainders],
        "by_temperature": [asdict(part) for part in checked.by_temperature],
        "by_leg": [asdict(part) for part in checked.by_leg],
        "remarks": list(checked.remarks),
    }


def _remainder(one: Remainder) -> dict[str, Any]:
    size = np.abs(one.error_ppb)
    figures: dict[str, Any] = {
        "what": one.words,
        "rms_ppb": root_mean_square(size),
        "p95_ppb": float(np.quantile(size, 0.95)),
        "max_ppb": float(size.max()),
        "judgement": None,
    }
    if one.judgement is not None:
        promise = one.judgement.promise
        figures["judgement"] = {
            "status": one.judgement.status,
            "promised_rms_ppb": promise.rms_ppb,
            "promised_p95_ppb": promise.p95_ppb,
            "promised_max_ppb": promise.max_ppb,
            "shares": [asdict(share) for share in promise.shares],
            "limit_rms_ppb": one.judgement.limit_rms_ppb,
            "upper_rms_ppb": one.judgement.upper_rms_ppb,
            "beyond_promised_p95_share": one.judgement.beyond_share,
            "limit_share": one.judgement.limit_share,
        }
    return figures
