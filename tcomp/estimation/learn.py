"""From the samples of all runs to the validated curve: the whole of this room on one screen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tcomp.arrays import MAD_TO_SD
from tcomp.errors import CurveError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.candidates import Candidate, physical_parameters
from tcomp.estimation.coarse_readings import changing, coarse_readings
from tcomp.estimation.curve import Curve, HeldOut
from tcomp.estimation.dropped_samples import dropped_samples
from tcomp.estimation.effects import FAMILY, Conditions, Status
from tcomp.estimation.effects.finding import SIGNIFICANT
from tcomp.estimation.estimate import LEARNING, Estimate, Estimator, PoorFit, Settings
from tcomp.estimation.fit_result import FitResult
from tcomp.estimation.held_out import parts_of, untested_c
from tcomp.estimation.joint_fit import JointFit
from tcomp.estimation.lack_of_fit import MIN_PPB, LackOfFit, lack_of_fit
from tcomp.estimation.parameters import handbook_remarks
from tcomp.estimation.samples import Samples
from tcomp.estimation.service import learn_in_service
from tcomp.estimation.single_samples import largest, mean_square, sum_of_squares
from tcomp.estimation.spline_basis import SplineBasis, knots_for
from tcomp.estimation.thermal_lag import segment_bounds
from tcomp.estimation.typical import typical
from tcomp.estimation.uncertainty import effective_samples, never_below
from tcomp.estimation.validation import Validation, validate
from tcomp.estimation.weights import counter_remark, rounding_sd
from tcomp.progress import ProgressCallback, no_progress
from tcomp.units import SECONDS_PER_DAY, degc_text, short

Floats = NDArray[np.float64]

RICH_DEGREE = 9
"""Degree of the curve with which effects are looked for: rich enough not to be mistaken for one."""
PIECES = 24
"""Pieces of the spline that competes: more than a crystal needs, since its penalty decides how far they are used."""
CELLS_PER_DEGREE = 3
"""Occupied fortieths of the range per degree of that curve: it is not to bend where nothing was seen."""
TELLING = 0.05
"""Share of what it would tell without a step from which a coarse reading shows what the curve leaves."""
STEPS_PER_DEGREE = 2
"""The same of cells in which a coarse counter goes from one step to another."""
MIN_SAMPLES = 6
"""Of fewer, what is left when a third is held out has less than two freedoms beyond a straight line's two coefficients: it
would pass through them whatever they are."""
FLAT_CURVE = 8.0
"""Standard uncertainties within which a curve is flat, from its lowest to its highest point: by chance a cubic reaches 5, as
the two are chosen among all temperatures (found by simulation)."""
ALIKE = 3.0
"""Standard uncertainties within which heating and cooling are alike (k = 3, common practice, no source)."""
SAME_COLUMN = 1e-6
"""Share of the spread within which offsets on a line are no measurement: no counter has so little noise (common practice, no
source)."""
SHORT = 20
"""Share of a sweep, one in so many, over which the error of a curve hardly changes."""
DIRECTION_CELLS = 20
"""Cells of the range in which heating and cooling are compared."""
OTHER_C = 0.1
"""Difference of two sensors for which a note says what it costs. [degC]"""
BEYOND = 0.02
"""Share of the measured span by which a stated range may exceed it, with a remark: a soak only
approaches its set-point."""


def learn_curve(
    samples: Samples,
    candidates: tuple[Candidate, ...],
    *,
    settings: Settings,
    conditions: Conditions,
    range_c: tuple[float, float] | None,
    reference_c: float,
    reference_u_ppb: float,
    cut: str,
    progress: ProgressCallback = no_progress,
) -> FitResult:
    """Take lag, ageing and bases off, choose the curve on held-out sweeps, fit it with everything jointly.

    Raises
    ------
    CurveError
        Too few temperatures, a range outside what was measured, or no candidate that the data determine.
    """
    _check_enough(samples, candidates[0])
    settings = settings.about(samples)
    _check_given(samples, settings)
    everything = np.ones(samples.offset_ppb.size, dtype=bool)
    dropped_samples(samples, everything, ~everything).refuse_many(settings.max_dropped)  # those lost in cleaning alone
    low_c, high_c, remarks = _range(samples, range_c)
    if samples.clock is not None:
        served = learn_in_service(
            samples, samples.clock, candidates, settings=settings, conditions=conditions, low_c=low_c, high_c=high_c,
            reference_c=reference_c, reference_u_ppb=reference_u_ppb, cut=cut,
        )  # fmt: skip
        progress(LEARNING, 1, 1)
        curve = replace(
            served.curve, remarks=(*remarks, *_reference_remark(reference_c, low_c, high_c), *served.curve.remarks)
        )
        return FitResult(
            curve=curve, validation=served.validation, estimate=served.estimate, scored=served.scored, samples=samples
        )
    rich = _rich_basis(samples, low_c, high_c)
    estimator = Estimator(
        samples,
        settings=settings,
        conditions=conditions,
        low_c=low_c,
        high_c=high_c,
        progress=progress,
    )
    found = estimator.effects(rich)
    dropped = dropped_samples(samples, found.fit.usable, found.fit.gross & ~found.in_dips)
    rivals = tuple(_rival_remarks(found))
    if rivals and dropped.samples:
        dropped = replace(dropped, likely=f"the {found.rivals[0].name} that the job gives")
    elif found.unlike and dropped.samples:
        dropped = replace(dropped, likely="that the runs differ in shape")
    dropped.refuse_many(settings.max_dropped, *rivals, *(one.words for one in found.unlike))
    used = found.fit.used
    if range_c is None:  # what the crystal saw, which is less than the sensor's range where the crystal lags
        low_c, high_c = float(found.fit.crystal_c[used].min()), float(found.fit.crystal_c[used].max())
    if settings.follow_dips and found.dips:
        found = estimator.with_dips_followed(found)
        candidates = tuple(candidate for candidate in candidates if candidate.degree is None)
        used = found.fit.used
    candidates = _separated(candidates, rich, found)
    crystal_c = found.fit.crystal_c[used]
    finer = [(dip.temperature_c, dip.width_c) for dip in found.dips] if settings.follow_dips else []
    spline = SplineBasis(knots_for(crystal_c, low_c, high_c, PIECES, finer))
    validation = validate(
        crystal_c, found.fit.response_ppb[used], samples.sweep[used], samples.direction[used],
        candidates, found.fit.weight[used], spline, None if samples.cells is None else samples.cells.part(used),
        None if found.known is None else found.known[used], found.alike_ppb2,
        None if found.fit.readings is None else found.fit.readings.moved(found.fit.working_ppb).part(used),
    )  # fmt: skip
    degree = validation.chosen.degree
    basis = spline if degree is None else ChebyshevBasis(degree, low_c, high_c)
    penalty = validation.smoothing * spline.penalty() if degree is None else None
    forced = all(candidate.degree is not None and candidate.size < rich.size for candidate in candidates)
    estimate = estimator.curve(basis, penalty, found, forced=forced)
    curve = _curve(
        samples, estimate, basis, validation, used, reference_c=reference_c, reference_u_ppb=reference_u_ppb, cut=cut
    )
    curve = replace(curve, dropped=dropped)
    remarks = (
        *dropped.warnings, *remarks, *_unlike_remarks(estimate), *_effect_remarks(curve), *_flat_remark(curve),
        *(_directions_remark(samples, estimate, curve) or _wander_remark(estimate, curve)), *_one_fold_remark(validation),
        *counter_remark(samples, estimate.fit), *rivals, *_own_remarks(curve, samples, conditions),
    )  # fmt: skip
    progress(LEARNING, 1, 1)
    return FitResult(
        curve=replace(curve, remarks=(*remarks, *curve.remarks)),
        validation=validation,
        estimate=estimate,
        scored=used,
        samples=samples,
    )


def _curve(
    samples: Samples,
    estimate: Estimate,
    basis: ChebyshevBasis | SplineBasis,
    validation: Validation,
    scored: NDArray[np.bool_],
    *,
    reference_c: float,
    reference_u_ppb: float,
    cut: str,
) -> Curve:
    fit, chosen = estimate.fit, validation.chosen
    used = fit.used
    wander = estimate.wander
    covariance = fit.covariance if wander is None else never_below(fit.covariance, wander.covariance)
    parameters = physical_parameters(chosen.name, basis, fit.coef, covariance)
    residuals = (fit.residual_ppb if fit.readings is None else fit.readings.error_ppb)[used]
    count = samples.number(used)
    cells = None if samples.cells is None else samples.cells.part(used)
    low_c, high_c = basis.low_c, basis.high_c
    shaping = (
        used if estimate.known is None else used & estimate.known
    )  # errors of soaks say nothing of the curve's shape
    shape = _shape_left(fit, samples, shaping)
    left = _poor_fit_words(chosen, estimate.poor_fit) or shape.words
    return Curve(
        model=chosen.name, words=chosen.words, basis=basis,
        coef=tuple(fit.coef.tolist()), covariance=tuple(map(tuple, covariance.tolist())),
        low_c=low_c, high_c=high_c, reference_c=min(max(reference_c, low_c), high_c), reference_u_ppb=reference_u_ppb,
        residual_sd_ppb=float(np.sqrt(sum_of_squares(residuals, cells) / max(count - basis.size, 1))),
        residual_max_ppb=largest(residuals, cells), held_out=_held_out(validation, samples, estimate, fit, scored), samples=count,
        effective_samples=_effective(residuals, samples, used),
        effects=estimate.findings, jumps=estimate.jumps, dips=estimate.dips, lack_of_fit=left, parameters=parameters,
        notes=tuple(_notes(estimate, samples)),
        remarks=(*_reference_remark(reference_c, low_c, high_c), *handbook_remarks(parameters, cut)),
        base_time_s=float(samples.time_s[samples.run == samples.run.max()].max()) if samples.has_time else None,
        span_days=float(np.ptp(samples.time_s)) / SECONDS_PER_DAY if samples.has_time else 0.0,
    )  # fmt: skip


def _separated(candidates: tuple[Candidate, ...], rich: ChebyshevBasis, found: Estimate) -> tuple[Candidate, ...]:
    """The candidates that a coarse counter can tell apart: with few steps crossed none that bends between them."""
    if found.fit.readings is None or rich.degree == RICH_DEGREE:
        return candidates
    plain = tuple(one for one in candidates if one.degree is not None and one.degree <= rich.degree)
    return plain or candidates


def _shape_left(fit: JointFit, samples: Samples, telling: NDArray[np.bool_]) -> LackOfFit:
    """The verdict on what the curve leaves of the samples that tell something; of coarse readings by a part of them."""
    left_ppb = fit.residual_ppb
    if fit.readings is not None:
        worth = fit.readings.expected_information * fit.readings.sd_ppb**2 / fit.readings.readings.count
        telling, left_ppb = telling & (worth > TELLING), fit.working_ppb
        if np.unique(fit.crystal_c[telling]).size < MIN_SAMPLES:
            nothing = float("nan")
            return LackOfFit(
                False, nothing, nothing, "too few readings about a step of the counter to tell whether a shape is left"
            )
    return lack_of_fit(fit.crystal_c[telling], left_ppb[telling], samples.sweep[telling])


def _poor_fit_words(chosen: Candidate, poor: PoorFit | None) -> str:
    if poor is None:
        return ""
    return (
        f"the curve does not fit: the {chosen.words} leaves {short(poor.rms_ppb)} ppb RMS where the rich curve with which "
        f"the effects were identified leaves {short(poor.rich_rms_ppb)} ppb; allow a richer curve in [fit] models"
    )


def _check_enough(samples: Samples, simplest: Candidate) -> None:
    if samples.temperature_c.size < MIN_SAMPLES:
        raise CurveError(
            f"{samples.temperature_c.size} samples are too few to hold any curve against samples that it has not seen; log "
            f"more: {MIN_SAMPLES} at the very least, and for a curve to rely on a sweep up and down with hundreds"
        )
    line = np.polynomial.Polynomial.fit(samples.temperature_c, samples.offset_ppb, 1)
    spread_ppb = float(np.ptp(samples.offset_ppb))
    if 0 < float(np.abs(samples.offset_ppb - line(samples.temperature_c)).max()) < SAME_COLUMN * spread_ppb:
        raise CurveError(
            "the offset is a straight line of the temperature without any noise, so it was computed, not measured; give the "
            "offset's own column"
        )
    temperatures = np.unique(samples.temperature_c).size
    if temperatures < simplest.size:
        raise CurveError(
            f"{samples.temperature_c.size} samples at {temperatures} temperatures are too few for a {simplest.words}, "
            f"which has {simplest.size} coefficients; log more, or allow a simpler curve in [fit] models"
        )


def _check_given(samples: Samples, settings: Settings) -> None:
    for effect in FAMILY:
        stated = settings.effects.get(effect.name, "auto")
        if not isinstance(stated, str):
            effect.check_given(stated, samples)


def _held_out(
    validation: Validation, samples: Samples, estimate: Estimate, fit: JointFit, scored: NDArray[np.bool_]
) -> HeldOut:
    """What the chosen curve promises; its range is that of the fit's basis."""
    score, error_ppb, basis = validation.score, validation.held_out_ppb, fit.model.basis
    order = np.arange(error_ppb.size) if samples.has_time else np.argsort(fit.crystal_c[scored], kind="stable")
    known_ppb = None
    if fit.readings is not None:
        step_ppb = rounding_sd(fit.readings.readings.step_ppb[scored])
        known_ppb = float(np.hypot(fit.readings.noise_ppb, np.sqrt(np.mean(step_ppb**2))))
    cells = None if samples.cells is None else samples.cells.part(scored)
    smoothed = max((smooth.width for smooth in estimate.smoothing), default=1)
    apart = min(smoothed, max(error_ppb.size // (SHORT * samples.sweeps), 1))
    parts = parts_of(error_ppb[order], samples.sweep[scored][order], score.rms_ppb, cells, known_ppb, apart)
    return HeldOut(
        validation.method, score.rms_ppb, score.p95_ppb, score.max_ppb, score.heating_minus_cooling_ppb, validation.remarks,
        **vars(parts), untested_c=untested_c(fit.crystal_c[scored], error_ppb, basis.low_c, basis.high_c),
    )  # fmt: skip


def _range(samples: Samples, range_c: tuple[float, float] | None) -> tuple[float, float, tuple[str, ...]]:
    low_c, high_c = float(samples.temperature_c.min()), float(samples.temperature_c.max())
    if range_c is None:
        return low_c, high_c, ()
    beyond = BEYOND * (high_c - low_c)
    if range_c[0] < low_c - beyond or range_c[1] > high_c + beyond:
        raise CurveError(
            f"[fit] range_c = [{range_c[0]:g}, {range_c[1]:g}] reaches outside what was measured, "
            f"{degc_text(low_c)} to {degc_text(high_c)} degC; narrow range_c or log the rest"
        )
    inside = int(np.sum((samples.temperature_c >= range_c[0]) & (samples.temperature_c <= range_c[1])))
    if inside <= RICH_DEGREE < samples.temperature_c.size // 2:
        raise CurveError(
            f"[fit] range_c = [{range_c[0]:g}, {range_c[1]:g}] holds only {inside} of the {samples.temperature_c.size} samples; "
            "widen it"
        )
    remarks = []
    if range_c[0] < low_c or range_c[1] > high_c:
        remarks.append(
            f"the range {degc_text(range_c[0])} to {degc_text(range_c[1])} degC reaches slightly beyond what was measured, "
            f"{degc_text(low_c)} to {degc_text(high_c)} degC: the curve is extrapolated there"
        )
    return range_c[0], range_c[1], tuple(remarks)


def _effective(residuals: Floats, samples: Samples, used: NDArray[np.bool_]) -> float:
    """How many independent samples would tell as much as these, or as cells of these: by the variance of their mean."""
    independent = effective_samples(residuals, segment_bounds(samples.run[used]))
    squares = float(residuals @ residuals)
    if samples.cells is None or squares == 0:
        return independent
    single = mean_square(residuals, samples.cells.part(used))
    return float(min(independent * single * residuals.size / squares, samples.number(used)))


def _notes(estimate: Estimate, samples: Samples) -> Iterator[str]:
    """What was done to the samples on the way to the curve."""
    for number, smooth in enumerate(estimate.smoothing):
        if smooth.step_c:
            yield (
                f"run {number + 1}: the sensor's steps of {smooth.step_c:.3g} degC are taken as intervals, sensor noise "
                f"{smooth.noise_c:.2g} degC; its temperature follows from when the reading changes, and in a soak known to "
                f"{smooth.step_c / np.sqrt(12):.2g} degC only"
            )
            continue
        yield (
            f"run {number + 1}: sensor noise {smooth.noise_c:.2g} degC; its temperature is a local parabola over "
            f"{smooth.width} samples, the width that predicts best"
        )
    fit = estimate.fit
    yield from (f"{step.words}" for step in estimate.base_steps)
    for count, words in (
        (estimate.unsettled, "not used: within two time constants of a start of the lag filter"),
        (samples.number(fit.gross & ~estimate.in_dips), "given no weight as gross errors (Tukey's function)"),
        (samples.number(estimate.in_dips & ~fit.used), "left out in activity dips"),
    ):
        if count:
            yield f"{count} samples {words}"
    steepest = float(np.abs(fit.model.basis.slope(fit.crystal_c[fit.used], fit.coef)).max())
    if OTHER_C * steepest >= MIN_PPB:
        yield (
            f"the curve is against the runs' own sensor: another sensor in the firmware that reads {OTHER_C:g} degC more or less "
            f"adds up to {short(OTHER_C * steepest)} ppb, which no uncertainty here has in it"
        )
    if estimate.wander is not None:
        yield estimate.wander.note
    yield "uncertainties: clustered by stretches of a leg, twelve time constants long, left out one at a time"


def _unlike_remarks(estimate: Estimate) -> tuple[str, ...]:
    """Runs that differ by more than one crystal does, or in shape beyond chance though they are joined."""
    shapes = (f"{one.words}; the curve lies between them" for one in estimate.unlike)
    return (*shapes, *(step.warning for step in estimate.base_steps if step.beyond))


def _effect_remarks(curve: Curve) -> tuple[str, ...]:
    """Effects that are larger than quartz and boards have them: signs of something else."""
    found = []
    for effect in FAMILY:
        if effect.limit is None:
            continue
        finding, limit = curve.effect(effect.name), typical(effect.limit.kind, effect.limit.figure)
        beyond = abs(finding.value) - SIGNIFICANT * finding.uncertainty > limit.value
        if finding.status == Status.FOUND and beyond:
            found.append(
                f"the {finding.name} of {finding.value:.4g} {finding.unit} (u {short(finding.uncertainty)}) is more than "
                f"{limit.value:g} {finding.unit} ({limit.basis}): look for {effect.limit.instead}"
            )
    return tuple(found)


def _own_remarks(curve: Curve, samples: Samples, conditions: Conditions) -> Iterator[str]:
    """What each effect has to say of itself."""
    slopes = curve.slope_ppb_per_c(np.linspace(curve.low_c, curve.high_c, 201))
    for effect in FAMILY:
        yield from effect.remarks(curve.effect(effect.name), samples, conditions, float(np.abs(slopes).max()))


def _flat_remark(curve: Curve) -> tuple[str, ...]:
    """That nothing depends on temperature."""
    temperature_c = np.linspace(curve.low_c, curve.high_c, 201)
    spread_ppb = float(np.ptp(curve.offset_ppb(temperature_c)))
    u_ppb = float(curve.shape_uncertainty_ppb(temperature_c).max())
    if spread_ppb > FLAT_CURVE * u_ppb:
        return ()
    moves, u = (short(max(size_ppb, MIN_PPB)) for size_ppb in (spread_ppb, u_ppb))
    return (
        f"the offset does not depend on temperature: over the range the curve moves by {moves} ppb, hardly more than its "
        f"uncertainty (u {u}); does the counter measure the oscillator, or its own reference?",
    )


def _directions_remark(samples: Samples, estimate: Estimate, curve: Curve) -> tuple[str, ...]:
    """That heating and cooling differ by more than noise and the curve's uncertainty, after all effects are taken off."""
    fit = estimate.fit
    used = fit.used & (samples.direction != 0)
    if not samples.has_time or used.sum() < MIN_SAMPLES:
        return ()
    residual_ppb = fit.residual_ppb[used]
    noise_ppb = MAD_TO_SD * float(np.median(np.abs(np.diff(residual_ppb)))) / np.sqrt(2)
    place = np.floor((fit.crystal_c[used] - curve.low_c) * DIRECTION_CELLS / (curve.high_c - curve.low_c))
    cell = np.clip(place, 0, DIRECTION_CELLS - 1).astype(np.int64)
    means = []
    for own in (samples.direction[used] > 0, samples.direction[used] < 0):
        count = np.bincount(cell[own], minlength=DIRECTION_CELLS)
        total = np.bincount(cell[own], residual_ppb[own], minlength=DIRECTION_CELLS)
        means.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
    apart = (means[0] - means[1])[np.isfinite(means[0] - means[1])]
    if not apart.size:
        return ()
    apart_ppb = float(np.sqrt(np.mean(apart**2)))
    columns = curve.basis.values(
        np.linspace(curve.low_c, curve.high_c, 201)
    )  # without wander, for which it may be taken
    u_ppb2 = np.einsum("ij,jk,ik->i", columns, fit.covariance, columns) + curve.reference_u_ppb**2
    u_ppb = float(np.sqrt(np.mean(u_ppb2)))
    if apart_ppb < ALIKE * max(noise_ppb, 2 * u_ppb, MIN_PPB):
        return ()
    return (
        f"heating and cooling differ by {short(apart_ppb)} ppb RMS after all effects were taken off, far more than the noise of "
        f"{short(noise_ppb)} ppb and the curve's own uncertainty of {short(u_ppb)} ppb: a lag that is not of first order, a loop, "
        "or a drift that was not found or was switched off",
    )


def _wander_remark(estimate: Estimate, curve: Curve) -> tuple[str, ...]:
    """That noise wanders along the runs, or that an effect is missing that looks like it."""
    found = "" if estimate.wander is None else estimate.wander.remark(curve.reference_u_ppb)
    return (found,) if found else ()


def _one_fold_remark(validation: Validation) -> tuple[str, ...]:
    """That the choice among the curves rests on a single figure."""
    if len(validation.score.fold_mse) > 1:
        return ()
    count = int(np.sum(~np.isnan(validation.held_out_ppb)))
    return (
        f"one block of {count} samples alone could be held out, so which curve is best, and how far it is off, is hardly known; "
        "log more",
    )


def _rival_remarks(found: Estimate) -> Iterator[str]:
    """That the data speak against what the job states of an effect."""
    for rival in found.rivals:
        stated = found.finding(rival.name)
        off = stated.status == Status.OFF
        others = ", ".join(effect.name for effect in FAMILY if effect.name != rival.name)
        gives = f"gives no {rival.name}" if off else f"gives a {rival.name} of {stated.value:g} {rival.unit}"
        yield (
            f"the job {gives}; {rival.value:.3g} {rival.unit} fits better: it leaves {short(rival.rms_ppb)} ppb RMS instead of "
            f"{short(rival.given_rms_ppb)} ppb, and what was found of {others}, jumps and dips may be the {rival.name}'s own "
            f"trace; correct [fit] {rival.name}, or leave it out"
        )


def _reference_remark(reference_c: float, low_c: float, high_c: float) -> tuple[str, ...]:
    if low_c <= reference_c <= high_c:
        return ()
    inside = min(max(reference_c, low_c), high_c)
    return (
        f"the reference temperature {reference_c:g} degC is outside the range; the base is stated at {inside:g} degC",
    )


def _rich_basis(samples: Samples, low_c: float, high_c: float) -> ChebyshevBasis:
    def cells(temperature_c: Floats) -> int:
        return int(np.unique(((temperature_c - low_c) / (high_c - low_c) * 40).astype(int)).size)

    degree = cells(samples.temperature_c) // CELLS_PER_DEGREE
    if coarse_readings(samples, "rounded") is not None:
        # Between two steps of the counter nothing is seen of a bend.
        steps = changing(samples)
        crossed = max(cells(samples.temperature_c[steps & (samples.sweep == one)]) for one in np.unique(samples.sweep))
        degree = min(degree, crossed // STEPS_PER_DEGREE)
    return ChebyshevBasis(int(np.clip(degree, 1, RICH_DEGREE)), low_c, high_c)
