"""Curve, base of each run, lag, ageing and hysteresis, estimated together.

y_i = f(Tx_i) + base_r + a (t_i - t_ref) + h s_i + e_i, with Tx the sensor's temperature through
the lag.  All but the lag is linear.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.effects import (
    Effect,
    LinearEffect,
    base_columns,
    effect_columns,
    independent_share,
    judged,
    why_no_ageing,
    why_no_hysteresis,
)
from tcomp.curve.lag_search import lag_sensitivity, refine_near, search_lag, seen_at, trusted
from tcomp.curve.samples import Samples
from tcomp.curve.thermal_lag import crystal_temperature, segment_bounds
from tcomp.curve.uncertainty import hac_covariance
from tcomp.model.basis import ChebyshevBasis
from tcomp.model.least_squares import least_squares

Floats = NDArray[np.float64]
UNITS = {"lag": "s", "ageing": "ppb/day", "hysteresis": "ppb"}


@dataclass(frozen=True)
class Settings:
    """What to estimate: each "auto", "none", or for the lag a number of seconds."""

    lag: float | Literal["auto", "none"] = "auto"
    ageing: Literal["auto", "none"] = "auto"
    hysteresis: Literal["auto", "none"] = "auto"


@dataclass(frozen=True)
class JointFit:
    """One joint least-squares fit.  ``coef`` and ``covariance`` are the curve's own, in ``basis``."""

    basis: ChebyshevBasis
    coef: Floats
    covariance: Floats
    effects: tuple[Effect, ...]
    base_ppb: Floats
    """Base of each run but the last, against the last. [ppb]"""
    crystal_c: Floats
    residual_ppb: Floats
    """What is left when curve, base and effects are taken off, NaN where the sample was not used. [ppb]"""
    corrected_ppb: Floats
    """Offsets with base and ageing taken off, hysteresis left in: what the curve is to describe. [ppb]"""
    used: NDArray[np.bool_]

    def effect(self, name: str) -> Effect:
        """The effect of that name."""
        return next(effect for effect in self.effects if effect.name == name)


def estimate_effects(
    samples: Samples, basis: ChebyshevBasis, settings: Settings, rates_c_per_min: Sequence[float], soaked: bool
) -> JointFit:
    """Find which effects the data can tell, with a curve rich enough not to be mistaken for one.

    Returns
    -------
    JointFit
        Its effects are found, none seen, undetermined, given or off; only the found and given
        ones are taken off.
    """
    linear, settled_effects = _possible(samples, settings, rates_c_per_min, soaked)
    lag = _starting_lag(samples, settings, basis, linear)
    fit = joint_fit(samples, basis, linear, lag, refine=lag.status == "found")
    judged_effects = {effect.name: effect for effect in fit.effects} | settled_effects
    kept: tuple[LinearEffect, ...] = tuple(name for name in linear if judged_effects[name].status == "found")
    lag = judged_effects["lag"]
    again = joint_fit(samples, basis, kept, lag, refine=lag.status == "found")
    return _with_verdicts(again, judged_effects)


def estimate_curve(samples: Samples, basis: ChebyshevBasis, found: JointFit) -> JointFit:
    """Fit the chosen curve together with the effects that were found."""
    names: tuple[LinearEffect, ...] = tuple(n for n in ("ageing", "hysteresis") if found.effect(n).status == "found")
    lag = found.effect("lag")
    fit = joint_fit(samples, basis, names, lag, refine=lag.status == "found")
    return _with_verdicts(fit, {effect.name: effect for effect in found.effects})


def joint_fit(
    samples: Samples, basis: ChebyshevBasis, names: tuple[LinearEffect, ...], lag: Effect, *, refine: bool
) -> JointFit:
    """Least squares over curve, run bases, the named effects and, with ``refine``, the lag.

    With ``refine`` the lag's own column, f'(Tx) dTx/dtau, stands in the design from which the
    covariance comes, so that every uncertainty carries the lag's.
    """
    bases = base_columns(samples)
    linear = np.column_stack([bases, effect_columns(samples, names)])
    lag_s = lag.value
    use = trusted(samples, lag_s) & _inside(samples, basis, lag_s)
    if refine:
        lag_s = refine_near(samples, linear, basis, use, lag_s)
    seen = seen_at(samples, linear, basis, use, lag_s)
    crystal_c = seen.crystal_c
    design = np.column_stack([linear, basis.values(crystal_c), seen.starts])
    fit = least_squares(design[use], samples.offset_ppb[use])
    coef = fit.coef[linear.shape[1] : linear.shape[1] + basis.size]
    if refine:
        design = np.column_stack([design, (basis.slopes(crystal_c) @ coef) * lag_sensitivity(samples, lag_s)])
    covariance = hac_covariance(*_ordered(design[use], fit.residuals, samples, use))
    effects = _effects(names, fit.coef[bases.shape[1] :], covariance, design[use], bases.shape[1])
    if refine:
        effects += (_judged_at("lag", lag_s, covariance, design[use], design.shape[1] - 1),)
    else:
        effects += (lag,)
    residual = np.full(samples.offset_ppb.size, np.nan)
    residual[use] = fit.residuals
    static = [i for i in range(linear.shape[1]) if i < bases.shape[1] or names[i - bases.shape[1]] != "hysteresis"]
    inner = slice(linear.shape[1], linear.shape[1] + basis.size)
    return JointFit(
        basis, coef, covariance[inner, inner], effects, fit.coef[: bases.shape[1]], crystal_c, residual,
        samples.offset_ppb - linear[:, static] @ fit.coef[static], use,
    )  # fmt: skip


def _possible(
    samples: Samples, settings: Settings, rates_c_per_min: Sequence[float], soaked: bool
) -> tuple[tuple[LinearEffect, ...], dict[str, Effect]]:
    """Linear effects worth estimating, and the verdict on those that are not."""
    reasons: dict[LinearEffect, str] = {
        "ageing": why_no_ageing(samples),
        "hysteresis": why_no_hysteresis(samples, rates_c_per_min, soaked),
    }
    names: list[LinearEffect] = []
    verdicts: dict[str, Effect] = {}
    for name, reason in reasons.items():
        if getattr(settings, name) == "none":
            verdicts[name] = Effect(name, UNITS[name], "off", reason="switched off in the job")
        elif reason:
            verdicts[name] = Effect(name, UNITS[name], "undetermined", reason=reason)
        else:
            names.append(name)
    return tuple(names), verdicts


def _starting_lag(
    samples: Samples, settings: Settings, basis: ChebyshevBasis, names: tuple[LinearEffect, ...]
) -> Effect:
    if settings.lag == "none":
        return Effect("lag", "s", "off", reason="switched off in the job")
    if not samples.has_time:
        return Effect("lag", "s", "undetermined", reason="the log has no time")
    if settings.lag != "auto":
        return Effect("lag", "s", "given", settings.lag, 0.0, "given in the job")
    if samples.sweeps == 1:
        return Effect("lag", "s", "undetermined", reason="one sweep only: a lag shifts the curve and leaves no trace")
    linear = np.column_stack([base_columns(samples), effect_columns(samples, names)])
    first = search_lag(samples, linear, basis, _inside(samples, basis, 0.0))
    settled_use = trusted(samples, first) & _inside(samples, basis, first)
    return Effect("lag", "s", "found", search_lag(samples, linear, basis, settled_use), 0.0)


def _effects(
    names: tuple[LinearEffect, ...], values: Floats, covariance: Floats, design: Floats, first: int
) -> tuple[Effect, ...]:
    return tuple(_judged_at(name, float(values[i]), covariance, design, first + i) for i, name in enumerate(names))


def _judged_at(name: str, value: float, covariance: Floats, design: Floats, column: int) -> Effect:
    share = independent_share(design[:, column], np.delete(design, column, axis=1))
    return judged(name, UNITS[name], value, float(np.sqrt(covariance[column, column])), share)


def _with_verdicts(fit: JointFit, verdicts: dict[str, Effect]) -> JointFit:
    """Effects of the fit, and for those that it leaves out the verdict reached before."""
    fitted = {effect.name: effect for effect in fit.effects if effect.status == "found"}
    return replace(fit, effects=tuple(fitted.get(name, verdicts[name]) for name in UNITS))


def _crystal(samples: Samples, lag_s: float) -> Floats:
    return crystal_temperature(samples.time_s, samples.temperature_c, samples.segment, lag_s)


def _inside(samples: Samples, basis: ChebyshevBasis, lag_s: float) -> NDArray[np.bool_]:
    """Samples whose crystal temperature lies in the range of the curve, to round-off."""
    crystal_c = _crystal(samples, lag_s)
    slack = 1e-9 * (basis.high_c - basis.low_c)
    return np.asarray((crystal_c >= basis.low_c - slack) & (crystal_c <= basis.high_c + slack))


def _ordered(
    design: Floats, residuals: Floats, samples: Samples, use: NDArray[np.bool_]
) -> tuple[Floats, Floats, list[tuple[int, int]]]:
    """Samples in the order in which neighbours resemble each other: time, or temperature where there is no time."""
    if samples.has_time:
        return design, residuals, segment_bounds(samples.run[use])
    order = np.argsort(samples.temperature_c[use], kind="stable")
    return design[order], residuals[order], [(0, order.size)]
