"""From the samples of all runs to the validated curve: the whole of this room on one screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.curve import Curve, HeldOut
from tcomp.curve.estimate import JointFit, Settings, estimate_curve, estimate_effects
from tcomp.curve.samples import Samples
from tcomp.curve.thermal_lag import segment_bounds
from tcomp.curve.uncertainty import effective_samples
from tcomp.curve.validation import Validation, validate
from tcomp.errors import CurveError
from tcomp.model.basis import ChebyshevBasis
from tcomp.model.candidates import Candidate, physical_parameters
from tcomp.model.parameters import handbook_remarks

Floats = NDArray[np.float64]

RICH_DEGREE = 9
"""Degree of the curve with which effects are looked for: rich enough not to be mistaken for one."""
CELLS_PER_DEGREE = 3
"""Occupied fortieths of the range per degree of that curve: it is not to bend where nothing was seen."""
BEYOND = 0.02
"""Share of the measured span by which a stated range may exceed it, with a remark: a soak only
approaches its set-point."""


@dataclass(frozen=True)
class Learnt:
    """The curve, how it was chosen, and the samples as the crystal saw them."""

    curve: Curve
    validation: Validation
    fit: JointFit
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
) -> Learnt:
    """Take lag, ageing and bases off, choose the curve on held-out sweeps, fit it with everything jointly.

    Raises
    ------
    CurveError
        Too few temperatures, a range outside what was measured, or no candidate that the data determine.
    """
    _check_enough(samples, candidates[0])
    low_c, high_c, remarks = _range(samples, range_c)
    found = estimate_effects(samples, _rich_basis(samples, low_c, high_c), settings, rates_c_per_min, soaked)
    use = found.used
    if range_c is None:  # what the crystal saw, which is less than the sensor's range where the crystal lags
        low_c, high_c = float(found.crystal_c[use].min()), float(found.crystal_c[use].max())
    validation = validate(
        found.crystal_c[use], found.corrected_ppb[use], samples.sweep[use], samples.direction[use], candidates
    )
    chosen = validation.chosen
    fit = estimate_curve(samples, ChebyshevBasis(chosen.degree, low_c, high_c), found)
    parameters = physical_parameters(chosen.name, fit.basis, fit.coef, fit.covariance)
    residuals = fit.residual_ppb[fit.used]
    bounds = segment_bounds(samples.run[fit.used])
    curve = Curve(
        model=chosen.name, words=chosen.words, basis=fit.basis,
        coef=tuple(fit.coef.tolist()), covariance=tuple(map(tuple, fit.covariance.tolist())),
        low_c=low_c, high_c=high_c, reference_c=min(max(reference_c, low_c), high_c), reference_u_ppb=reference_u_ppb,
        residual_sd_ppb=float(np.sqrt(residuals @ residuals / max(residuals.size - fit.basis.size, 1))),
        residual_max_ppb=float(np.abs(residuals).max()), held_out=_held_out(validation),
        samples=residuals.size, effective_samples=effective_samples(residuals, bounds),
        effects=fit.effects, parameters=parameters,
        remarks=(*remarks, *_reference_remark(reference_c, low_c, high_c), *handbook_remarks(parameters, cut)),
    )  # fmt: skip
    return Learnt(curve, validation, fit, use)


def _check_enough(samples: Samples, simplest: Candidate) -> None:
    temperatures = np.unique(samples.temperature_c).size
    if temperatures < simplest.size:
        raise CurveError(
            f"{samples.temperature_c.size} samples at {temperatures} temperatures are too few for a {simplest.words}, "
            f"which has {simplest.size} coefficients; log more, or allow a simpler curve in [fit] models"
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
    remarks = []
    if range_c[0] < low_c or range_c[1] > high_c:
        remarks.append(
            f"the range {range_c[0]:g} to {range_c[1]:g} degC reaches slightly beyond what was measured, "
            f"{low_c:g} to {high_c:g} degC: the curve is extrapolated there"
        )
    return range_c[0], range_c[1], tuple(remarks)


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
