"""The documents of a build, from what the stages found: error budget, summary, inspection."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import cast

import numpy as np

from tcomp import __version__
from tcomp.budget.ageing import watched_ageing
from tcomp.budget.contribution import budget_of
from tcomp.budget.crystal_error import CrystalUnderTest, corrected
from tcomp.documents import curve as of_curve
from tcomp.documents import inspection as of_runs
from tcomp.documents.fields import values_of
from tcomp.documents.inspection import InspectDocument, InspectedRun, NotIdentifiable
from tcomp.documents.proof import ProofDocument
from tcomp.documents.summary import (
    BudgetEntry,
    CurveFigures,
    CurveSummary,
    DroppedShare,
    EffectValue,
    MovingFigures,
    ParameterValue,
    RampFigures,
    Residual,
    SummaryDocument,
    TableFigures,
    TableForm,
    VerdictSummary,
)
from tcomp.documents.verdict import VerdictDocument
from tcomp.errors import TableError
from tcomp.estimation.curve import Curve
from tcomp.estimation.sensor_columns import SensorComparison
from tcomp.firmware import Stamp
from tcomp.following import ramp_errors
from tcomp.job import Job, Sensor
from tcomp.logs.inspection import Inspection, Noise, Survey
from tcomp.logs.stability import CONFIDENCE, Stability
from tcomp.tables import AdcScale, CorrectionTable, smallest_sampled_table
from tcomp.units import degc_text, seconds_per_day, utc

GRID = 1001
"""Temperatures at which worst figures over the range are looked for."""


@dataclass(frozen=True)
class Share:
    """What a table's file states of its error: in words, with what the figure is. [ppb]"""

    words: str
    error_ppb: float


def table_shares(sensor: Sensor, curve: Curve, table: CorrectionTable) -> tuple[Share, ...]:
    """What is known of a table's error from curve, table and sensor alone, whatever its use."""
    temperature_c = np.linspace(curve.low_c, curve.high_c, GRID)
    steepest = float(np.abs(curve.slope_ppb_per_c(temperature_c)).max())
    shares = [
        Share(TABLE_WORDS, table.max_error_ppb),
        Share("curve, largest standard uncertainty over the range", worst_u_ppb(curve)),
        Share("held-out samples about the curve, RMS", curve.held_out.rms_ppb),
        _code_rounding(sensor, curve, table, steepest),
    ]
    # Where raw codes are looked up, the steps of the sensor are the codes themselves, which are counted already.
    steps_c = 0.0 if isinstance(table.scale, AdcScale) else sensor.resolution_c or 0.0
    own_c = math.hypot(steps_c / math.sqrt(12), sensor.sigma_c or 0.0)
    if own_c > 0:
        shares.append(Share("sensor steps and noise, standard, at the steepest slope", own_c * steepest))
    return tuple(shares)


TABLE_WORDS = "table against curve, largest over every code"


def error_budget(job: Job, curve: Curve, table: CorrectionTable) -> tuple[BudgetEntry, ...]:
    """Contributions to the error of a corrected reading on the last day before a trim, as the verdict has them."""
    known = CrystalUnderTest(job, curve, table, watched_ageing(job, curve))
    service = known.service()
    budget = budget_of(corrected(known), service.even(service.last_day))
    return tuple(
        BudgetEntry(name=one.name, size_ppb=one.rms, share=budget.share(one), basis=one.basis, assumed=one.assumed)
        for one in sorted(budget.lines, key=lambda line: -line.rms)
    )


def stamp_of(name: str, table: CorrectionTable, digest: str, sensor: Sensor, curve: Curve | None) -> Stamp:
    """Origin, error budget and validity of a table, for the comments of its files; of the table alone where no curve is known."""
    table_only = (Share(TABLE_WORDS, table.max_error_ppb),)
    shares = table_only if curve is None else table_shares(sensor, curve, table)
    return Stamp(
        version=__version__,
        input_digest=digest,
        oscillator=name,
        budget_ppb=tuple((one.words, one.error_ppb) for one in shares),
        validity="the curve that the table was made from"
        if curve is None
        else f"base {curve.base_words}; curve from {degc_text(curve.low_c)} to {degc_text(curve.high_c)} degC",
    )


def _code_rounding(sensor: Sensor, curve: Curve, table: CorrectionTable, steepest: float) -> Share:
    """Half a count; nothing where the sensor's own steps are whole counts of temperature.

    A count of a raw code is a different step at each temperature, so it is taken with the slope that the curve has there.
    """
    scale = table.scale
    if isinstance(scale, AdcScale):
        slope = np.abs(curve.slope_ppb_per_c(table.temperature_of(table.codes)))
        largest_ppb = float((0.5 * scale.degc_per_count(table.codes) * slope).max())
        return Share("rounding to a code, at most, with the local degC per count", largest_ppb)
    counts = (sensor.resolution_c or 0.0) * scale.counts_per_c
    rounding_c = 0.0 if counts >= 1 and counts == round(counts) else 0.5 / scale.counts_per_c
    return Share("rounding to a code, at most, at the steepest slope", rounding_c * steepest)


def sampled_rival(job: Job, curve: Curve, table: CorrectionTable) -> CorrectionTable | None:
    """The plainly sampled uniform table with at most the same worst error; None if there is none."""
    try:
        return smallest_sampled_table(
            curve.continued_ppb,
            low_c=curve.low_c,
            high_c=curve.high_c,
            scale=table.scale,
            interpolation="nearest" if job.table.interpolation == "nearest" else "linear",
            align=job.table.align,
            max_error_ppb=table.max_error_ppb,
        )
    except TableError:  # Integers may do better than a sample at every code.
        return None


def summary(
    job: Job,
    curve: Curve,
    table: CorrectionTable,
    rival: CorrectionTable | None,
    proof: ProofDocument,
    verdict: VerdictDocument | None,
) -> SummaryDocument:
    """What ``summary.json`` holds."""
    return SummaryDocument(
        **values_of(curve_figures(curve)),
        oscillator=job.oscillator.name,
        table=table_figures(table, rival),
        error_budget=error_budget(job, curve, table),
        moving=moving_figures(job, curve, table),
        proof=proof,
        verdict=None if verdict is None else _verdict(verdict),
    )


def moving_figures(job: Job, curve: Curve, table: CorrectionTable) -> MovingFigures | None:
    """Errors while the temperature changes, with and without the filter; None: there is nothing to follow."""
    found = tuple(
        RampFigures(
            rate_c_per_min=one.rate_c_per_min,
            table_ppb=one.plain_ppb,
            followed_ppb=one.followed_ppb,
            until_next_ppb=one.until_next_ppb,
        )
        for one in ramp_errors(job, curve, table)
    )
    if not found:
        return None
    return MovingFigures(followed=job.firmware.follow, update_s=job.firmware.update_s, ramps=found)


def _verdict(verdict: VerdictDocument) -> VerdictSummary:
    return VerdictSummary(
        status=verdict.status,
        best=verdict.best,
        answer=verdict.answer,
        paragraph=verdict.paragraph,
        warnings=verdict.warnings,
    )


def curve_figures(curve: Curve) -> CurveFigures:
    """The curve, the effects taken off, and the residual."""
    return CurveFigures(
        curve=_curve(curve),
        effects={
            one.name: EffectValue(
                status=one.status.value,
                value=one.value,
                u=one.uncertainty,
                unit=one.unit,
                reason=one.reason,
            )
            for one in curve.effects
        },
        residual=Residual(
            in_sample_rms_ppb=curve.residual_sd_ppb,
            in_sample_max_ppb=curve.residual_max_ppb,
            held_out_curve_rms_ppb=curve.held_out.curve_rms_ppb,
            held_out_noise_rms_ppb=curve.held_out.noise_rms_ppb,
            held_out_rms_ppb=curve.held_out.rms_ppb,
            held_out_base_shift_ppb=curve.held_out.base_shift_ppb,
            untested_c=curve.held_out.untested_c,
            held_out_p95_ppb=curve.held_out.p95_ppb,
            held_out_max_ppb=curve.held_out.max_ppb,
            held_out_heating_minus_cooling_ppb=curve.held_out.heating_minus_cooling_ppb,
            validation=curve.held_out.method,
            validation_remarks=curve.held_out.remarks,
        ),
    )


def _curve(curve: Curve) -> CurveSummary:
    temperature_c = np.linspace(curve.low_c, curve.high_c, GRID)
    offset_ppb = curve.offset_ppb(temperature_c)
    at_reference = np.array([curve.reference_c])
    spread_ppb = float(offset_ppb.max() - offset_ppb.min())
    trimmed_s = curve.base_time_s if curve.trimmed else None
    return CurveSummary(
        model=curve.model,
        words=curve.words,
        range_c=(curve.low_c, curve.high_c),
        reference_c=curve.reference_c,
        base_ppb=float(curve.offset_ppb(at_reference)[0]),
        base_u_ppb=float(curve.uncertainty_ppb(at_reference)[0]),
        base_as_of=curve.base_words,
        base_trimmed=None if trimmed_s is None else utc(trimmed_s),
        worst_u_ppb=worst_u_ppb(curve),
        worst_shape_u_ppb=float(curve.shape_uncertainty_ppb(temperature_c).max()),
        spread_ppb=spread_ppb,
        spread_s_per_day=seconds_per_day(spread_ppb),
        parameters={p.name: ParameterValue(value=p.value, u=p.uncertainty, unit=p.unit) for p in curve.parameters},
        samples=curve.samples,
        effective_samples=curve.effective_samples,
        dropped=DroppedShare(**values_of(curve.dropped), share=curve.dropped.share),
        jumps=tuple(of_curve.Jump(**values_of(jump)) for jump in curve.jumps),
        dips=tuple(of_curve.Dip(**values_of(dip)) for dip in curve.dips),
        lack_of_fit=curve.lack_of_fit,
        notes=curve.notes,
        remarks=(*curve.jump_words, *curve.dip_words, *curve.remarks),
    )


def worst_u_ppb(curve: Curve) -> float:
    """The largest standard uncertainty of a curve over its range. [ppb]"""
    return float(curve.uncertainty_ppb(np.linspace(curve.low_c, curve.high_c, GRID)).max())


def default_table_error_ppb(job: Job, curve: Curve) -> tuple[float, str]:
    """The error that a table may add where the job states no limit, and why. [ppb]

    Finer than half of what is uncertain anyway, the curve or the rounding to a code, it would hardly show: it raises the
    error by an eighth at most (hypot(1, 1/2)). Where a need is stated, a tenth of it will do.
    """
    temperature_c = np.linspace(curve.low_c, curve.high_c, GRID)
    steepest = float(np.abs(curve.slope_ppb_per_c(temperature_c)).max())
    rounding_ppb = 0.0 if job.table.input == "adc" else steepest / job.table.counts_per_c / math.sqrt(12)
    curve_ppb, need_ppb = worst_u_ppb(curve), job.use.needed_ppb or 0.0
    shares = {
        "half of the curve's own largest u": curve_ppb / 2,
        "half of what rounding to a code adds": rounding_ppb / 2,
        "a tenth of [use] needed_ppb": need_ppb / 10,
    }
    why = max(shares, key=lambda name: shares[name])
    return float(f"{max(shares[why], MIN_TABLE_ERROR_PPB):.2g}"), why


MIN_TABLE_ERROR_PPB = 0.001
"""The unit of the firmware's answer, 1 ppt: no table is finer. [ppb]"""


def table_figures(table: CorrectionTable, rival: CorrectionTable | None) -> TableFigures:
    """The table beside the plainly sampled one."""
    return TableFigures(
        bytes=table.bytes,
        input="adc" if isinstance(table.scale, AdcScale) else "temperature",
        entries=len(table.entries),
        entry_bits=table.entry_bits,
        form=cast("TableForm", table.form),
        layout=table.description,
        max_error_ppb=table.max_error_ppb,
        rms_error_ppb=table.rms_error_ppb,
        bound_ppb=table.bound_ppb,
        crc32=f"{table.crc32:08X}",
        plainly_sampled_bytes=rival.bytes if rival else None,
        plainly_sampled_max_error_ppb=rival.max_error_ppb if rival else None,
    )


def inspect_document(survey: Survey, sensors: SensorComparison | None = None) -> InspectDocument:
    """What each run holds and lacks, what all identify, and how several sensors compare."""
    return InspectDocument(
        runs=tuple(_run(seen) for seen in survey.runs),
        not_identifiable=tuple(
            NotIdentifiable(effect=effect, reason=reason)
            for effect, reason in survey.not_identifiable.items()
            if reason
        ),
        unseen=survey.unseen,
        sensor_columns=()
        if sensors is None
        else tuple(of_runs.SensorColumn(**values_of(one)) for one in sensors.columns),
        sensor_advice=None if sensors is None else sensors.advice,
    )


def _run(seen: Inspection) -> InspectedRun:
    """What a run holds, and the hints."""
    run = seen.prepared.run
    return InspectedRun(
        log=run.name,
        samples_kept=run.samples_kept,
        interval_s=run.interval_s,
        duration_s=seen.duration_s,
        range_c=seen.range_c,
        dropped=dict(run.dropped_counts),
        gaps=tuple(of_runs.Gap(**values_of(gap)) for gap in run.gaps),
        assumptions=run.assumptions,
        warnings=run.warnings,
        legs=tuple(of_runs.Leg(**values_of(leg)) for leg in seen.prepared.legs),
        noise=None if seen.noise is None else _noise(seen.noise),
        sensor=of_runs.SensorSteps(**values_of(seen.sensor), rms_ppb=seen.sensor.rms_ppb),
        drift=None if seen.drift is None else of_runs.Drift(**values_of(seen.drift)),
        hints=seen.hints,
    )


def _noise(noise: Noise) -> of_runs.Noise:
    floor_ppb, floor_tau_s = noise.floor
    return of_runs.Noise(
        at_interval_ppb=noise.at_interval_ppb,
        floor_ppb=floor_ppb,
        floor_tau_s=floor_tau_s,
        counter_step_ppb=noise.counter_ppb,
        allan_as_logged=_deviation(noise.as_logged),
        hadamard_within_legs=_deviation(noise.still),
    )


def _deviation(found: Stability) -> of_runs.Deviation:
    """Deviations over averaging times, with the ends of their confidence interval."""
    return of_runs.Deviation(
        tau_s=tuple(found.tau_s.tolist()),
        deviation_ppb=tuple(found.deviation_ppb.tolist()),
        low_ppb=tuple(found.low_ppb.tolist()),
        high_ppb=tuple(found.high_ppb.tolist()),
        confidence=CONFIDENCE,
    )
