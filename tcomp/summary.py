"""The figures that matter, from what the stages found: error budget, rival table, summary."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np

from tcomp.curve.curve import Curve
from tcomp.errors import TableError
from tcomp.job import Job
from tcomp.run.inspection import Inspection, Survey
from tcomp.run.stability import CONFIDENCE, Stability
from tcomp.table import AdcScale, CorrectionTable, smallest_sampled_table
from tcomp.units import seconds_per_day

GRID = 1001
"""Temperatures at which worst figures over the range are looked for."""


def error_budget(job: Job, curve: Curve, table: CorrectionTable) -> tuple[tuple[str, float], ...]:
    """Contributions to the error of a corrected reading, each with its basis in its name. [ppb]"""
    temperature_c = np.linspace(curve.low_c, curve.high_c, GRID)
    steepest = float(np.abs(curve.slope_ppb_per_c(temperature_c)).max())
    lines = [
        ("table against curve, largest over every code", table.max_error_ppb),
        ("curve, largest standard uncertainty over the range", float(curve.uncertainty_ppb(temperature_c).max())),
        ("held-out samples about the curve, RMS", curve.held_out.rms_ppb),
        _code_rounding(job, curve, table, steepest),
    ]
    # The steps of a sensor whose raw codes are looked up are the codes' own, which are counted already.
    steps_c = 0.0 if isinstance(table.scale, AdcScale) else job.sensor.resolution_c or 0.0
    own_c = math.hypot(steps_c / math.sqrt(12), job.sensor.sigma_c or 0.0)
    if own_c > 0:
        lines.append(("sensor steps and noise, standard, at the steepest slope", own_c * steepest))
    return tuple(lines)


def _code_rounding(job: Job, curve: Curve, table: CorrectionTable, steepest: float) -> tuple[str, float]:
    """Half a count; nothing where the sensor's own steps are whole counts of temperature.

    A count of a raw code is a different step at each temperature, so it is taken with the slope that the curve has there.
    """
    scale = table.scale
    if isinstance(scale, AdcScale):
        slope = np.abs(curve.slope_ppb_per_c(table.temperature_of(table.codes)))
        largest_ppb = float((0.5 * scale.degc_per_count(table.codes) * slope).max())
        return "rounding to a code, at most, with the local degC per count", largest_ppb
    counts = (job.sensor.resolution_c or 0.0) * scale.counts_per_c
    rounding_c = 0.0 if counts >= 1 and counts == round(counts) else 0.5 / scale.counts_per_c
    return "rounding to a code, at most, at the steepest slope", rounding_c * steepest


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
    proof: dict[str, Any],
    verdict: dict[str, Any] | None,
) -> dict[str, Any]:
    """What ``summary.json`` holds: names carry units, uncertainties are standard ones (k = 1)."""
    return {
        "schema": 1,
        "oscillator": job.oscillator.name,
        **curve_figures(curve),
        "table": table_figures(table, rival),
        "error_budget_ppb": dict(error_budget(job, curve, table)),
        "proof": proof,
        "verdict": None if verdict is None else {name: verdict[name] for name in VERDICT},
    }


VERDICT = ("status", "best", "answer", "paragraph")
"""What the summary repeats of ``verdict.json``."""


def curve_figures(curve: Curve) -> dict[str, Any]:
    """The curve, the effects taken off, and what is left."""
    temperature_c = np.linspace(curve.low_c, curve.high_c, GRID)
    offset_ppb = curve.offset_ppb(temperature_c)
    at_reference = np.array([curve.reference_c])
    spread_ppb = float(offset_ppb.max() - offset_ppb.min())
    return {
        "curve": {
            "model": curve.model,
            "words": curve.words,
            "range_c": [curve.low_c, curve.high_c],
            "reference_c": curve.reference_c,
            "base_ppb": float(curve.offset_ppb(at_reference)[0]),
            "base_u_ppb": float(curve.uncertainty_ppb(at_reference)[0]),
            "base_as_of": curve.base_words,
            "worst_u_ppb": float(curve.uncertainty_ppb(temperature_c).max()),
            "spread_ppb": spread_ppb,
            "spread_s_per_day": seconds_per_day(spread_ppb),
            "parameters": {p.name: {"value": p.value, "u": p.uncertainty, "unit": p.unit} for p in curve.parameters},
            "samples": curve.samples,
            "effective_samples": curve.effective_samples,
            "jumps": [asdict(jump) for jump in curve.jumps],
            "dips": [asdict(dip) for dip in curve.dips],
            "lack_of_fit": curve.lack_of_fit,
            "notes": list(curve.notes),
            "remarks": [*curve.jump_words, *curve.dip_words, *curve.remarks],
        },
        "effects": {
            e.name: {"status": e.status, "value": e.value, "u": e.uncertainty, "unit": e.unit, "reason": e.reason}
            for e in curve.effects
        },
        "residual": {
            "in_sample_rms_ppb": curve.residual_sd_ppb,
            "in_sample_max_ppb": curve.residual_max_ppb,
            "held_out_rms_ppb": curve.held_out.rms_ppb,
            "held_out_p95_ppb": curve.held_out.p95_ppb,
            "held_out_max_ppb": curve.held_out.max_ppb,
            "held_out_heating_minus_cooling_ppb": curve.held_out.heating_minus_cooling_ppb,
            "validation": curve.held_out.method,
        },
    }


def table_figures(table: CorrectionTable, rival: CorrectionTable | None) -> dict[str, Any]:
    """The table beside the plainly sampled one."""
    return {
        "bytes": table.bytes,
        "input": table.scale.to_json_dict()["input"],
        "entries": len(table.entries),
        "entry_bits": table.entry_bits,
        "form": table.form,
        "layout": table.layout,
        "max_error_ppb": table.max_error_ppb,
        "rms_error_ppb": table.rms_error_ppb,
        "bound_ppb": table.bound_ppb,
        "crc32": f"{table.crc32:08X}",
        "plainly_sampled_bytes": rival.bytes if rival else None,
        "plainly_sampled_max_error_ppb": rival.max_error_ppb if rival else None,
    }


def survey_figures(survey: Survey) -> dict[str, Any]:
    """What each run holds and lacks, and what all can tell."""
    return {
        "schema": 1,
        "runs": [run_figures(seen) for seen in survey.runs],
        "cannot_be_told": {effect: reason for effect, reason in survey.untold.items() if reason},
        "unseen": list(survey.unseen),
    }


def run_figures(seen: Inspection) -> dict[str, Any]:
    """What a run holds, and the hints."""
    run, noise = seen.prepared.run, seen.noise
    return {
        "log": run.name,
        "samples_kept": run.samples_kept,
        "interval_s": run.interval_s,
        "duration_s": seen.duration_s,
        "range_c": list(seen.range_c),
        "dropped": run.dropped_counts,
        "gaps": [asdict(gap) for gap in run.gaps],
        "assumptions": list(run.assumptions),
        "legs": [asdict(leg) for leg in seen.prepared.legs],
        "noise": noise and {
            "at_interval_ppb": noise.at_interval_ppb,
            "floor_ppb": noise.floor[0],
            "floor_tau_s": noise.floor[1],
            "counter_step_ppb": noise.counter_ppb,
            "allan_as_logged": stability_figures(noise.as_logged),
            "hadamard_within_legs": stability_figures(noise.still),
        },
        "sensor": asdict(seen.sensor) | {"rms_ppb": seen.sensor.rms_ppb},
        "drift": seen.drift and asdict(seen.drift),
        "hints": list(seen.hints),
    }  # fmt: skip


def stability_figures(found: Stability) -> dict[str, Any]:
    """Deviations over averaging times, with the ends of their confidence interval."""
    return {
        "tau_s": found.tau_s.tolist(),
        "deviation_ppb": found.deviation_ppb.tolist(),
        "low_ppb": found.low_ppb.tolist(),
        "high_ppb": found.high_ppb.tolist(),
        "confidence": CONFIDENCE,
    }
