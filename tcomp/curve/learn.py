"""From the samples of all runs to the validated curve: the whole of this room on one screen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.curve import Curve, HeldOut
from tcomp.curve.effects import SIGNIFICANT, Effect
from tcomp.curve.estimate import LEARNING, Estimate, Estimator, Misfit, RivalLag, Settings
from tcomp.curve.lack_of_fit import LEAST_PPB, lack_of_fit
from tcomp.curve.samples import Samples
from tcomp.curve.single_samples import largest, mean_square, sum_of_squares
from tcomp.curve.thermal_lag import segment_bounds
from tcomp.curve.uncertainty import effective_samples
from tcomp.curve.validation import Validation, validate
from tcomp.errors import CurveError
from tcomp.model.basis import ChebyshevBasis
from tcomp.model.candidates import Candidate, physical_parameters
from tcomp.model.parameters import handbook_remarks
from tcomp.model.spline_basis import SplineBasis, knots_for
from tcomp.progress import Told, untold
from tcomp.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE, short

Floats = NDArray[np.float64]

RICH_DEGREE = 9
"""Degree of the curve with which effects are looked for: rich enough not to be mistaken for one."""
PIECES = 24
"""Pieces of the spline that competes: more than a crystal needs, since its penalty decides how far they are used."""
CELLS_PER_DEGREE = 3
"""Occupied fortieths of the range per degree of that curve: it is not to bend where nothing was seen."""
UNKNOWN_LAG_S = 60.0
"""A lag that a small board may well have: the unit in which an undetermined one is said to hurt."""
LEAST_SAMPLES = 6
"""Of fewer, what is left when a third is held out has less than two freedoms beyond a straight line's two coefficients: it
would pass through them whatever they are."""
BEYOND = 0.02
"""Share of the measured span by which a stated range may exceed it, with a remark: a soak only
approaches its set-point."""


@dataclass(frozen=True)
class Learnt:
    """The curve, how it was chosen, and the samples as the crystal saw them."""

    curve: Curve
    validation: Validation
    estimate: Estimate
    scored: NDArray[np.bool_]
    """The samples that took part in the validation, in the order of its arrays."""


def learn_curve(
    samples: Samples,
    candidates: tuple[Candidate, ...],
    *,
    settings: Settings,
    rates_c_per_min: Sequence[float],
    soaked: bool,
    range_c: tuple[float, float] | None,
    reference_c: float,
    reference_u_ppb: float,
    cut: str,
    told: Told = untold,
) -> Learnt:
    """Take lag, ageing and bases off, choose the curve on held-out sweeps, fit it with everything jointly.

    Raises
    ------
    CurveError
        Too few temperatures, a range outside what was measured, or no candidate that the data determine.
    """
    _check_enough(samples, candidates[0])
    _check_lag(samples, settings.lag)
    low_c, high_c, remarks = _range(samples, range_c)
    rich = _rich_basis(samples, low_c, high_c)
    estimator = Estimator(
        samples,
        settings=settings,
        rates_c_per_min=rates_c_per_min,
        soaked=soaked,
        low_c=low_c,
        high_c=high_c,
        told=told,
    )
    found = estimator.effects(rich)
    used = found.fit.used
    if range_c is None:  # what the crystal saw, which is less than the sensor's range where the crystal lags
        low_c, high_c = float(found.fit.crystal_c[used].min()), float(found.fit.crystal_c[used].max())
    if settings.follow_dips and found.dips:
        found = estimator.with_dips_followed(found)
        candidates = tuple(candidate for candidate in candidates if candidate.degree is None)
        used = found.fit.used
    crystal_c = found.fit.crystal_c[used]
    finer = [(dip.temperature_c, dip.width_c) for dip in found.dips] if settings.follow_dips else []
    spline = SplineBasis(knots_for(crystal_c, low_c, high_c, PIECES, finer))
    validation = validate(
        crystal_c, found.fit.corrected_ppb[used], samples.sweep[used], samples.direction[used],
        candidates, found.fit.weight[used], spline, None if samples.cells is None else samples.cells.part(used),
    )  # fmt: skip
    degree = validation.chosen.degree
    basis = spline if degree is None else ChebyshevBasis(degree, low_c, high_c)
    penalty = validation.smoothing * spline.penalty() if degree is None else None
    forced = all(candidate.degree is not None and candidate.size < rich.size for candidate in candidates)
    estimate = estimator.curve(basis, penalty, found, forced=forced)
    curve = _curve(
        samples, estimate, basis, validation, reference_c=reference_c, reference_u_ppb=reference_u_ppb, cut=cut
    )
    remarks += _one_fold_remark(validation)
    remarks += _rival_lag_remark(curve.effect("lag"), found.rival_lag)
    remarks += _unknown_lag_remark(curve, rates_c_per_min) + _sparse_remark(samples, curve)
    told(LEARNING, 1, 1)
    return Learnt(replace(curve, remarks=(*remarks, *curve.remarks)), validation, estimate, used)


def _curve(
    samples: Samples,
    estimate: Estimate,
    basis: ChebyshevBasis | SplineBasis,
    validation: Validation,
    *,
    reference_c: float,
    reference_u_ppb: float,
    cut: str,
) -> Curve:
    fit, chosen = estimate.fit, validation.chosen
    used = fit.used
    parameters = physical_parameters(chosen.name, basis, fit.coef, fit.covariance)
    residuals, count = fit.residual_ppb[used], samples.number(used)
    cells = None if samples.cells is None else samples.cells.part(used)
    low_c, high_c = basis.low_c, basis.high_c
    left = (
        _misfit_words(chosen, estimate.misfit) or lack_of_fit(fit.crystal_c[used], residuals, samples.sweep[used]).words
    )
    return Curve(
        model=chosen.name, words=chosen.words, basis=basis,
        coef=tuple(fit.coef.tolist()), covariance=tuple(map(tuple, fit.covariance.tolist())),
        low_c=low_c, high_c=high_c, reference_c=min(max(reference_c, low_c), high_c), reference_u_ppb=reference_u_ppb,
        residual_sd_ppb=float(np.sqrt(sum_of_squares(residuals, cells) / max(count - basis.size, 1))),
        residual_max_ppb=largest(residuals, cells), held_out=_held_out(validation), samples=count,
        effective_samples=_effective(residuals, samples, used),
        effects=estimate.effects, jumps=estimate.jumps, dips=estimate.dips, lack_of_fit=left, parameters=parameters,
        notes=tuple(_notes(estimate, samples)),
        remarks=(*_reference_remark(reference_c, low_c, high_c), *handbook_remarks(parameters, cut)),
        base_time_s=float(samples.time_s[samples.run == samples.run.max()].max()) if samples.has_time else None,
        span_days=float(np.ptp(samples.time_s)) / SECONDS_PER_DAY if samples.has_time else 0.0,
    )  # fmt: skip


def _misfit_words(chosen: Candidate, misfit: Misfit | None) -> str:
    if misfit is None:
        return ""
    return (
        f"the curve does not fit: the {chosen.words} leaves {short(misfit.rms_ppb)} ppb RMS where the rich curve with which "
        f"the effects were told leaves {short(misfit.rich_rms_ppb)} ppb; allow a richer curve in [fit] models"
    )


def _check_enough(samples: Samples, simplest: Candidate) -> None:
    if samples.temperature_c.size < LEAST_SAMPLES:
        raise CurveError(
            f"{samples.temperature_c.size} samples are too few to hold any curve against samples that it has not seen; log "
            f"more: {LEAST_SAMPLES} at the very least, and for a curve to rely on a sweep up and down with hundreds"
        )
    temperatures = np.unique(samples.temperature_c).size
    if temperatures < simplest.size:
        raise CurveError(
            f"{samples.temperature_c.size} samples at {temperatures} temperatures are too few for a {simplest.words}, "
            f"which has {simplest.size} coefficients; log more, or allow a simpler curve in [fit] models"
        )


def _check_lag(samples: Samples, lag_s: float | str) -> None:
    if isinstance(lag_s, str) or not samples.has_time:
        return
    longest_s = max(float(samples.time_s[b - 1] - samples.time_s[a]) for a, b in segment_bounds(samples.run))
    if abs(lag_s) > longest_s / 2:
        raise CurveError(
            f"[fit] lag = {lag_s:g} s is more than half of the longest run, {longest_s:.0f} s, which could then tell "
            'nothing; give seconds, or "auto"'
        )


def _held_out(validation: Validation) -> HeldOut:
    score = validation.score
    return HeldOut(validation.method, score.rms_ppb, score.p95_ppb, score.max_ppb, score.heating_minus_cooling_ppb)


def _range(samples: Samples, range_c: tuple[float, float] | None) -> tuple[float, float, tuple[str, ...]]:
    low_c, high_c = float(samples.temperature_c.min()), float(samples.temperature_c.max())
    if range_c is None:
        return low_c, high_c, ()
    beyond = BEYOND * (high_c - low_c)
    if range_c[0] < low_c - beyond or range_c[1] > high_c + beyond:
        raise CurveError(
            f"[fit] range_c = [{range_c[0]:g}, {range_c[1]:g}] reaches outside what was measured, "
            f"{low_c:g} to {high_c:g} degC; narrow range_c or log the rest"
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
            f"the range {range_c[0]:g} to {range_c[1]:g} degC reaches slightly beyond what was measured, "
            f"{low_c:g} to {high_c:g} degC: the curve is extrapolated there"
        )
    return range_c[0], range_c[1], tuple(remarks)


def _effective(residuals: Floats, samples: Samples, used: NDArray[np.bool_]) -> float:
    """How many independent samples would tell as much as these, or as cells of these: by the variance of their mean."""
    told = effective_samples(residuals, segment_bounds(samples.run[used]))
    squares = float(residuals @ residuals)
    if samples.cells is None or squares == 0:
        return told
    single = mean_square(residuals, samples.cells.part(used))
    return float(min(told * single * residuals.size / squares, samples.number(used)))


def _notes(estimate: Estimate, samples: Samples) -> Iterator[str]:
    """What was done to the samples on the way to the curve."""
    for number, smooth in enumerate(estimate.smoothing):
        yield (
            f"run {number + 1}: sensor noise {smooth.noise_c:.2g} degC; its temperature is a local parabola over "
            f"{smooth.width} samples, the width that foretells best"
        )
    fit = estimate.fit
    for count, words in (
        (estimate.unsettled, "not used: within two time constants of a start of the lag filter"),
        (samples.number(fit.gross & ~estimate.in_dips), "given no weight as gross errors (Tukey's function)"),
        (samples.number(estimate.in_dips & ~fit.used), "left out in activity dips"),
    ):
        if count:
            yield f"{count} samples {words}"
    yield "uncertainties: clustered by stretches of a leg, twelve time constants long, left out one at a time"


def _one_fold_remark(validation: Validation) -> tuple[str, ...]:
    """That the choice among the curves rests on a single figure."""
    if len(validation.score.fold_mse) > 1:
        return ()
    count = int(np.sum(~np.isnan(validation.held_out_ppb)))
    return (
        f"one block of {count} samples alone could be held out, so which curve is best, and how far it is off, is hardly told; "
        "log more",
    )


def _rival_lag_remark(stated: Effect, rival: RivalLag | None) -> tuple[str, ...]:
    """That the data speak against the lag that the job states."""
    if rival is None:
        return ()
    gives = "gives no lag" if stated.status == "off" else f"gives a lag of {stated.value:g} s"
    return (
        f"the job {gives}; {rival.lag_s:.3g} s fits better: it leaves {short(rival.rms_ppb)} ppb RMS instead of "
        f"{short(rival.given_rms_ppb)} ppb, and what was found of ageing, hysteresis, jumps and dips may be the lag's own "
        "trace; correct [fit] lag, or leave it out",
    )


def _unknown_lag_remark(curve: Curve, rates_c_per_min: Sequence[float]) -> tuple[str, ...]:
    """What a lag that the runs cannot tell would do to the curve."""
    if curve.effect("lag").status != "undetermined" or not rates_c_per_min:
        return ()
    temperature_c = np.linspace(curve.low_c, curve.high_c, 201)
    rate = max(abs(rate) for rate in rates_c_per_min)
    shift_ppb = UNKNOWN_LAG_S / SECONDS_PER_MINUTE * rate * float(np.abs(curve.slope_ppb_per_c(temperature_c)).max())
    if shift_ppb < LEAST_PPB:
        return ()
    return (
        f"the thermal lag is undetermined ({curve.effect('lag').reason}); each {UNKNOWN_LAG_S:g} s of it would shift the "
        f"curve by up to {shift_ppb:.3g} ppb at the runs' {rate:.2g} degC/min",
    )


def _sparse_remark(samples: Samples, curve: Curve) -> tuple[str, ...]:
    """That a lag shorter than the interval rests on straight lines between the samples, or cannot be told at all."""
    lag = curve.effect("lag")
    if not samples.has_time or lag.status not in ("found", "given", "none seen"):
        return ()
    interval_s = samples.interval_s
    if lag.status == "none seen":
        reach_s = SIGNIFICANT * lag.uncertainty
        if not 0.1 * interval_s < reach_s < interval_s:
            return ()
        return (
            f"the samples are {interval_s:.0f} s apart and a lag of up to {reach_s:.0f} s cannot be excluded, which the "
            "curve's uncertainty does not hold; log more often",
        )
    if interval_s <= abs(lag.value):
        return ()
    return (
        f"the samples are {interval_s:.0f} s apart, further than the lag of {lag.value:.0f} s reaches: what the temperature "
        "did between them is not known, so the curve may be further off than its uncertainty says; log more often",
    )


def _reference_remark(reference_c: float, low_c: float, high_c: float) -> tuple[str, ...]:
    if low_c <= reference_c <= high_c:
        return ()
    inside = min(max(reference_c, low_c), high_c)
    return (
        f"the reference temperature {reference_c:g} degC is outside the range; the base is stated at {inside:g} degC",
    )


def _rich_basis(samples: Samples, low_c: float, high_c: float) -> ChebyshevBasis:
    cells = np.unique(((samples.temperature_c - low_c) / (high_c - low_c) * 40).astype(int)).size
    return ChebyshevBasis(int(np.clip(cells // CELLS_PER_DEGREE, 1, RICH_DEGREE)), low_c, high_c)
