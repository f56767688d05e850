"""What the runs can give and what they lack, on one or two screens."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tcomp.report.layout import Part, Row
from tcomp.report.numbers import number, with_u
from tcomp.run.inspection import Inspection, Noise, Survey
from tcomp.run.legs import Leg
from tcomp.run.stability import CONFIDENCE
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, SECONDS_PER_MINUTE


def survey_parts(survey: Survey) -> Iterator[Part]:
    """Each run, then what all of them can tell together."""
    for seen in survey.runs:
        yield [*run_rows(seen)]
    yield [*_together_rows(survey)]


def _together_rows(survey: Survey) -> Iterator[Row]:
    yield "all runs together", ""
    for effect, reason in survey.untold.items():
        yield f"  {effect}", f"cannot be told: {reason}" if reason else "can be told by a fit"
    for sentence in survey.unseen:
        yield "  range", sentence


def run_rows(seen: Inspection) -> Iterator[Row]:
    """One run."""
    run = seen.prepared.run
    dropped = ", ".join(f"{count} {reason}" for reason, count in run.dropped_counts.items()) or "none"
    each = f"in cells of {run.interval_s:.4g} s" if run.has_cells else f"{run.interval_s:.4g} s apart"
    every = "" if math.isnan(run.interval_s) else f", {each}, over {hours_text(seen.duration_s)}"
    yield run.name, f"{run.samples_kept} samples kept{every}"
    yield "  dropped", dropped
    if run.gaps:
        yield "  gaps", f"{len(run.gaps)}, {hours_text(sum(gap.duration_s for gap in run.gaps))} in all"
    yield "  range", f"{seen.range_c[0]:.4g} to {seen.range_c[1]:.4g} degC"
    for leg in seen.legs("heating", "cooling"):
        # A remnant of a sweep in the other direction belongs to its sweep, but is called what it is.
        kind = "heating" if leg.rate_c_per_min > 0 else "cooling"
        yield (
            f"  {kind}",
            f"{_ends(leg)} degC at {number(leg.rate_c_per_min, 2)} degC/min, {hours_text(leg.duration_s)}",
        )
    soaks = [f"{hours_text(leg.duration_s)} at {(leg.low_c + leg.high_c) / 2:.3g} degC" for leg in seen.legs("soak")]
    yield "  soaks", ", ".join(soaks) or "none"
    yield "  noise", noise_text(seen.noise)
    yield "  sensor", sensor_text(seen)
    yield "  drift", drift_text(seen)
    for hint in seen.hints:
        yield "  hint", hint


def _ends(leg: Leg) -> str:
    low, high = f"{leg.low_c:.4g}", f"{leg.high_c:.4g}"
    return f"{low} to {high}" if leg.rate_c_per_min > 0 else f"{high} to {low}"


def noise_text(noise: Noise | None) -> str:
    """The noise at the interval, and how far averaging helps."""
    if noise is None:
        return "unknown: the samples have no order in time, or are too few"
    least_ppb, tau_s = noise.floor
    low, high = (number(ends[0]) for ends in (noise.still.low_ppb, noise.still.high_ppb))
    at_interval = (
        f"{number(noise.at_interval_ppb)} ppb over {noise.still.tau_s[0]:.4g} s ({low} to {high} at "
        f"{100 * CONFIDENCE:g} %)"
    )
    if least_ppb == noise.at_interval_ppb:
        return f"{at_interval}; averaging does not lower it"
    return f"{at_interval}, least {number(least_ppb, 2)} ppb over {tau_s:.4g} s; then temperature or drift shows"


def sensor_text(seen: Inspection) -> str:
    """The sensor's steps, in degC and in what they do to the offset."""
    sensor = seen.sensor
    steps = f"steps of {sensor.found_c:.3g} degC" if sensor.found_c else "shows no steps"
    if not math.isfinite(sensor.steepest_ppb_per_c):
        return steps
    weigh = f", {number(sensor.rms_ppb, 2)} ppb RMS" if sensor.used_c else ""
    return f"{steps}{weigh} where the offset is steepest, {number(sensor.steepest_ppb_per_c, 2)} ppb/degC"


def drift_text(seen: Inspection) -> str:
    """What moved between two visits to a temperature."""
    drift = seen.drift
    if drift is None:
        return "unknown before a fit"
    value = with_u(drift.ppb_per_day, drift.u_ppb_per_day, "ppb/day")
    return f"{value if drift.seen else f'none seen: {value}'}, {drift.where}, {hours_text(drift.days * SECONDS_PER_DAY)} apart"


def hours_text(duration_s: float) -> str:
    """A duration as people say it.

    >>> hours_text(25.0), hours_text(1500.0), hours_text(34200.0), hours_text(259200.0)
    ('25 s', '25 min', '9.5 h', '72 h')
    """
    if duration_s < 2 * SECONDS_PER_MINUTE:
        return f"{number(duration_s, 2)} s"
    if duration_s < 120 * SECONDS_PER_MINUTE:
        return f"{number(duration_s / SECONDS_PER_MINUTE, 2)} min"
    return f"{number(duration_s / SECONDS_PER_HOUR, 2)} h"
