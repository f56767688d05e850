"""A schedule, and the time to set the oscillator, as documents."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tcomp.documents import plan as documents
from tcomp.documents.fields import values_of
from tcomp.documents.plan import PlanDocument, SettingDocument
from tcomp.planning.plan import PlanResult
from tcomp.planning.setting import Setting
from tcomp.planning.soaks import NextSoaks


def plan_document(planned: PlanResult, cautions: tuple[str, ...]) -> PlanDocument:
    """The document of a schedule, with what can hurt."""
    predicted = planned.prediction
    return PlanDocument(
        oscillator=planned.name,
        range_c=planned.range_c,
        degree=planned.expected.degree,
        lag_s=planned.expected.lag_s,
        gate_s=planned.gate_s,
        reading_u_ppb=planned.noise.reading_ppb(planned.gate_s),
        averaging_s=planned.averaging_s,
        soak_u_ppb=planned.noise.mean_ppb(planned.averaging_s, planned.gate_s),
        steps=tuple(_steps(planned)),
        total_h=planned.schedule.total_min / 60,
        readings=planned.readings,
        file_bytes=planned.file_bytes,
        gives=_prediction(planned),
        along_range=documents.PredictedNoise(
            c=tuple(predicted.at_c.tolist()), noise_u_ppb=tuple(predicted.noise_ppb.tolist())
        ),
        effects={
            one.name: documents.PredictedEffect(**values_of(one), identifiable=one.identifiable)
            for one in predicted.effects
        },
        separation=planned.separation,
        after=None if planned.next_soaks is None else _next_soaks(planned.next_soaks, of_a_lot=planned.of_a_lot),
        remarks=planned.remarks,
        cautions=cautions,
    )


def _prediction(planned: PlanResult) -> documents.Prediction:
    budget, predicted = planned.budget, planned.prediction
    total_u_ppb = budget.u_ppb(predicted.worst_ppb)
    return documents.Prediction(
        needed_k2_ppb=budget.curve_ppb,
        curve_k2_ppb=2 * total_u_ppb,
        holds=total_u_ppb <= budget.needed_u_ppb * (1 + 1e-9),
        worst_noise_u_ppb=predicted.worst_ppb,
        worst_at_c=predicted.worst_at_c,
        middle_noise_u_ppb=float(np.median(predicted.noise_ppb)),
        noise_limit_u_ppb=budget.noise_ppb,
        noise_share=predicted.worst_ppb / budget.needed_u_ppb,
        reference_u_ppb=budget.reference_ppb,
        lag_left_ppb=budget.lag_ppb,
        next_degree_seen_from_ppb=planned.next_degree_ppb,
    )


def _steps(planned: PlanResult) -> Iterator[documents.Step]:
    rows = zip(planned.schedule.steps, planned.schedule.starts_min, strict=True)
    for number, (step, start_min) in enumerate(rows, 1):
        yield documents.Step(
            step=number,
            what=step.what,
            from_c=step.from_c,
            to_c=step.to_c,
            rate_c_per_min=step.rate_c_per_min,
            minutes=step.minutes,
            settle_min=step.settle_min,
            average_min=step.minutes - step.settle_min if step.what == "soak" else 0.0,
            start_min=start_min,
            why=step.why,
        )


def _next_soaks(found: NextSoaks, *, of_a_lot: bool) -> documents.NextSoaks:
    return documents.NextSoaks(
        curve="the lot's curve" if of_a_lot else "the curve as measured",
        enough=found.enough,
        chosen_c=tuple(found.chosen_c),
        best_c=tuple(tuple(best) for best in found.best_c),
        worst_u_of_best_ppb=tuple(found.worst_of_best_ppb),
        worst_u_now_ppb=float(found.now_ppb.max()),
        worst_now_at_c=float(found.at_c[np.argmax(found.now_ppb)]),
        along_range=documents.PresentNoise(c=tuple(found.at_c.tolist()), now_u_ppb=tuple(found.now_ppb.tolist())),
    )


def setting_document(setting: Setting) -> SettingDocument:
    """The document of the time to set the oscillator."""
    return SettingDocument(**values_of(setting))
