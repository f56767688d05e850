"""The verdict as a document: what ``verdict.json`` holds."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tcomp.budget.budget import Budget, Line
from tcomp.budget.crystal_error import CrystalUnderTest, not_counted
from tcomp.documents import verdict as documents
from tcomp.documents.verdict import REGULARLY, Service, VerdictDocument
from tcomp.units import degc_text
from tcomp.verdict.clock_time import HELD_OVER, forecast, held_over
from tcomp.verdict.verdict import JudgedOption, Verdict, affordable
from tcomp.verdict.words import answer, assumptions, paragraph, questions, warnings


def verdict_document(verdict: Verdict, known: CrystalUnderTest) -> VerdictDocument:
    """The document of a verdict."""
    use = known.job.use
    return VerdictDocument(
        status=verdict.status,
        best=verdict.best.option.name,
        answer=answer(verdict),
        paragraph=paragraph(verdict, known.job),
        needed_ppb=verdict.needed_ppb,
        use=Service(
            range_c=known.range_c,
            ramp_c_per_min=use.ramp_c_per_min,
            hours_on_per_day=use.hours_on_per_day,
            recalibrate_days=use.recalibrate_days,
            life_years=use.life_years,
        ),
        options=tuple(_option(one, known) for one in verdict.options),
        break_evens=tuple(documents.BreakEven(**vars(one)) for one in verdict.break_evens),
        assumed=assumptions(verdict),
        warnings=tuple(warnings(verdict, known)),
        not_counted=tuple(not_counted(known.job)),
        turned_by=tuple(documents.Turn(**vars(one)) for one in verdict.turned_by),
        questions=(*questions(known.job), *_beyond(known)),
        times=tuple(_times(verdict, known)),
    )


def _times(verdict: Verdict, known: CrystalUnderTest) -> Iterator[documents.TimeForecast]:
    """Time errors of clocks on the options, where the job asks, and of one whose reference is lost."""
    asked = known.job.use.needed_time
    if asked is None:
        return
    weighed = [(one.option.name, one.option.contributions, one.option.trimmed) for one in verdict.options]
    weighed += [(HELD_OVER, held_over(parts), True) for name, parts, _ in weighed if name == REGULARLY]
    for name, contributions, trimmed in weighed:
        found = forecast(name, contributions, known.service(trimmed=trimmed), asked.error_s, asked.after_days)
        yield documents.TimeForecast(**vars(found), within_s=found.within_s)


def _beyond(known: CrystalUnderTest) -> list[str]:
    (low_c, high_c), curve = known.range_c, known.curve
    if low_c >= curve.low_c and high_c <= curve.high_c:
        return []
    return [
        f"[use] range_c goes from {degc_text(low_c)} to {degc_text(high_c)} degC, the curve from {degc_text(curve.low_c)} to "
        f"{degc_text(curve.high_c)}: beyond it the table holds its end, and the curve, "
        "continued, says what that costs; a run over all of the use would tell"
    ]


def _option(one: JudgedOption, known: CrystalUnderTest) -> documents.Option:
    return documents.Option(
        name=one.option.name,
        meets=one.meets,
        probability=one.probability,
        share_of_time_within=one.share,
        share_of_time_within_5_to_95_percent=(one.share_low, one.share_high),
        need_met_ppb=one.need_met_ppb,
        minutes_until_within=one.minutes_until_within,
        cost=one.cost,
        price=one.option.price,
        affordable=affordable(one, known.job),
        settles_days=one.option.settles_days,
        power=documents.Power(**vars(one.option.power)),
        limited_by=one.limited_by,
        limit_share=one.limit_share,
        budget=tuple(_line(line, one.budget) for line in one.budget.lines),
        u_ppb=one.budget.u,
        effective_degrees_of_freedom=_finite(one.budget.dof),
        known_ppb=one.budget.known,
        expanded_ppb=one.budget.expanded(),
        drawn_mean_ppb=one.drawn.mean,
        drawn_u_ppb=one.drawn.u,
        drawn_within_ppb=one.drawn_within_ppb,
        draws=one.drawn.draws,
        approaches_differ=one.approaches_differ,
        error_by_day=one.error_by_day,
        turns_on=tuple(figure.name for figure in one.open),
        assumed=one.option.assumed,
    )


def _line(line: Line, budget: Budget) -> documents.BudgetLine:
    return documents.BudgetLine(
        name=line.name,
        evaluated=line.evaluated,
        distribution=line.distribution,
        u=line.u,
        unit=line.unit,
        sensitivity_ppb=line.sensitivity,
        degrees_of_freedom=_finite(line.dof),
        contribution_ppb=line.contribution,
        known_ppb=line.known,
        size_ppb=line.rms,
        share_of_variance=budget.share(line),
        basis=line.basis,
        assumed=line.assumed,
    )


LARGE = 1e6
"""Degrees of freedom beyond which Student's t is the normal distribution to six digits."""


def _finite(dof: float) -> float | None:
    return dof if math.isfinite(dof) and dof < LARGE else None
