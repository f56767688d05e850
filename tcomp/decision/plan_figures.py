"""What a plan found, as plain numbers."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np

from tcomp.decision.plan import Planned
from tcomp.decision.setting import Setting


def plan_figures(planned: Planned) -> dict[str, Any]:
    """Names carry units; uncertainties are standard ones (k = 1) but where ``k2`` stands."""
    budget, foretold, schedule = planned.budget, planned.foretold, planned.schedule
    total_u_ppb = budget.u_ppb(foretold.worst_ppb)
    return {
        "schema": 1,
        "oscillator": planned.name,
        "range_c": list(planned.range_c),
        "degree": planned.expected.degree,
        "lag_s": planned.expected.lag_s,
        "gate_s": planned.gate_s,
        "reading_u_ppb": planned.noise.reading_ppb(planned.gate_s),
        "averaging_s": planned.averaging_s,
        "soak_u_ppb": planned.noise.mean_ppb(planned.averaging_s, planned.gate_s),
        "steps": _steps(planned),
        "total_h": schedule.total_min / 60,
        "readings": planned.readings,
        "file_bytes": planned.file_bytes,
        "gives": {
            "needed_k2_ppb": budget.curve_ppb,
            "curve_k2_ppb": 2 * total_u_ppb,
            "holds": total_u_ppb <= budget.needed_u_ppb * (1 + 1e-9),
            "worst_noise_u_ppb": foretold.worst_ppb,
            "worst_at_c": foretold.worst_at_c,
            "middle_noise_u_ppb": float(np.median(foretold.noise_ppb)),
            "noise_limit_u_ppb": budget.noise_ppb,
            "noise_share": foretold.worst_ppb / budget.needed_u_ppb,
            "reference_u_ppb": budget.reference_ppb,
            "lag_left_ppb": budget.lag_ppb,
            "next_degree_seen_from_ppb": planned.next_degree_ppb,
        },
        "along_range": {"c": foretold.at_c.tolist(), "noise_u_ppb": foretold.noise_ppb.tolist()},
        "effects": {told.name: {**asdict(told), "told": told.told} for told in foretold.effects},
        "told_by": list(planned.told_by),
        "after": _after(planned),
        "remarks": list(planned.remarks),
    }


def _steps(planned: Planned) -> list[dict[str, Any]]:
    rows = zip(planned.schedule.steps, planned.schedule.starts_min, strict=True)
    return [
        {
            "step": number, "what": step.what, "from_c": step.from_c, "to_c": step.to_c,
            "rate_c_per_min": step.rate_c_per_min, "minutes": step.minutes, "settle_min": step.settle_min,
            "average_min": step.minutes - step.settle_min if step.what == "soak" else 0.0, "start_min": start_min,
            "why": step.why,
        }
        for number, (step, start_min) in enumerate(rows, 1)
    ]  # fmt: skip


def _after(planned: Planned) -> dict[str, Any] | None:
    found = planned.next_soaks
    if found is None:
        return None
    return {
        "curve": "the lot's curve" if planned.of_a_lot else "the curve as measured",
        "enough": found.enough,
        "chosen_c": list(found.chosen_c),
        "best_c": [list(best) for best in found.best_c],
        "worst_u_of_best_ppb": list(found.worst_of_best_ppb),
        "worst_u_now_ppb": float(found.now_ppb.max()),
        "worst_now_at_c": float(found.at_c[np.argmax(found.now_ppb)]),
        "along_range": {"c": found.at_c.tolist(), "now_u_ppb": found.now_ppb.tolist()},
    }


def setting_figures(setting: Setting) -> dict[str, Any]:
    """The same of the time to set the oscillator."""
    return {"schema": 1, **asdict(setting), "remarks": list(setting.remarks)}
