"""A new unit of a known lot, placed by a few soaks: the lot's prior and the soaks make its curve."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.candidates import FORMS
from tcomp.estimation.curve import Curve, HeldOut
from tcomp.estimation.effects import FAMILY, Effect, Finding, Reason, Status
from tcomp.estimation.parameters import handbook_remarks
from tcomp.estimation.prior import REFUSED, Posterior, Prior, posterior
from tcomp.estimation.uncertainty import effective_samples
from tcomp.logs.legs import Leg
from tcomp.logs.prepared import PreparedRun

Floats = NDArray[np.float64]
SETTLED = 5.0
"""Time constants of the lag after which a soak has settled to 0.7 %: 1 - 0.993 (first-order lag)."""
STILL_C = 1.0
"""A run that moves less than this is one soak."""
SWEPT = 0.1
"""Share of the lot's range that a sweep of it may leave out at either end (common practice, no source)."""
LEAST = 6
"""Samples of a settled soak, from which their scatter tells the uncertainty of their mean."""


@dataclass(frozen=True)
class Soak:
    """The settled part of a soak: its mean, and how well that is known. [degC, ppb]"""

    log: str
    temperature_c: float
    offset_ppb: float
    u_ppb: float
    samples: int
    effective: float
    start_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class Placed:
    """The curve of the new unit, the soaks that placed it, and each soak as the others predict it. [ppb]"""

    curve: Curve
    soaks: tuple[Soak, ...]
    held_out_ppb: Floats


def is_swept(runs: tuple[PreparedRun, ...], prior: Prior) -> bool:
    """Whether the runs sweep the lot's range, rather than soak in it: two sweeps over it, or one without a soak inside.

    Such runs tell the curve itself, and need of the lot only what its units share beside it.
    """
    if not prior.is_of_lot:
        return False
    legs = [leg for prepared in runs for leg in prepared.legs]
    room_c = SWEPT * (prior.basis.high_c - prior.basis.low_c)
    low_c, high_c = prior.basis.low_c + room_c, prior.basis.high_c - room_c
    sweeps = [
        [leg for leg in prepared.legs if leg.kind != "soak" and leg.sweep == sweep]
        for prepared in runs
        for sweep in dict.fromkeys(leg.sweep for leg in prepared.legs)
    ]
    over = sum(
        min(leg.low_c for leg in ramps) <= low_c and max(leg.high_c for leg in ramps) >= high_c
        for ramps in sweeps
        if ramps
    )
    inside = any(leg.kind == "soak" and low_c < leg.low_c and leg.high_c < high_c for leg in legs)
    return over > 1 or (over == 1 and not inside)


def settled_soaks(runs: tuple[PreparedRun, ...], prior: Prior, sensor_u_c: float) -> tuple[Soak, ...]:
    """The soaks of the runs, each without its first five time constants.

    ``sensor_u_c``: standard uncertainty of a settled temperature, from the sensor's steps. [degC]

    Raises
    ------
    CurveError
        There are fewer than two soaks that settled.
    """
    found = [
        soak
        for prepared in runs
        for leg in _still_legs(prepared)
        if (soak := _settled(prepared, leg, prior, sensor_u_c)) is not None
    ]
    if len(found) < 2:
        raise CurveError(
            f"{len(found)} settled soaks: a unit of a known lot is placed by two or more; stay at each temperature for "
            f"{SETTLED:g} time constants of the lag ({SETTLED * abs(prior.lag_s):.0f} s) and {LEAST} samples more"
        )
    return tuple(found)


def _still_legs(prepared: PreparedRun) -> Iterator[Leg]:
    """Soaks, or the whole of a run that stands still."""
    temperature_c = prepared.run.kept["temperature_c"].to_numpy()
    if np.ptp(temperature_c) < STILL_C:
        whole = prepared.legs[0]
        time_s = prepared.run.kept["time_s"].to_numpy()
        yield Leg(
            "soak", whole.sweep, whole.direction, 0, len(time_s), float(time_s[0]), float(time_s[-1]),
            float(temperature_c.min()), float(temperature_c.max()), 0.0,
        )  # fmt: skip
        return
    yield from (leg for leg in prepared.legs if leg.kind == "soak")


def _settled(prepared: PreparedRun, leg: Leg, prior: Prior, sensor_u_c: float) -> Soak | None:
    kept = prepared.run.kept.iloc[leg.start : leg.stop]
    time_s = kept["time_s"].to_numpy()
    # A run that is nothing but a soak may have begun anywhere: its first half goes too.
    wait_s = SETTLED * abs(prior.lag_s) or leg.duration_s / 2
    after = time_s >= leg.start_s + wait_s
    if after.sum() < LEAST:
        return None
    offset_ppb, temperature_c = kept["offset_ppb"].to_numpy()[after], kept["temperature_c"].to_numpy()[after]
    at_c = float(temperature_c.mean())
    away = offset_ppb - offset_ppb.mean()
    independent = effective_samples(away, [(0, away.size)])
    slope = float(prior.basis.slopes(np.array([at_c]))[0] @ np.array(prior.mean))
    noise = math.sqrt(float(away @ away) / max(independent - 1, 1) / away.size)
    return Soak(
        prepared.run.name, at_c, float(offset_ppb.mean()), math.hypot(noise, slope * sensor_u_c), int(after.sum()),
        independent, float(time_s[after][0]), float(time_s[-1]),
    )  # fmt: skip


def placed(
    runs: tuple[PreparedRun, ...],
    prior: Prior,
    *,
    sensor_u_c: float,
    reference_c: float,
    reference_u_ppb: float,
    cut: str,
) -> Placed:
    """The curve of a new unit from a few soaks.

    Raises
    ------
    CurveError
        Too few soaks, or soaks that the lot does not predict: the unit needs a full sweep.
    """
    soaks = settled_soaks(runs, prior, sensor_u_c)
    found = _posterior(prior, soaks)
    if found.chance < REFUSED:
        raise CurveError(
            f"these soaks are not of {prior.whose}'s kind (a unit of it lies so far off with a chance of {found.chance:.1g}): "
            "sweep this unit in full, and fit it without --prior"
        )
    held_out_ppb = np.array([_left_out(prior, soaks, number) for number in range(len(soaks))])
    return Placed(_curve(prior, soaks, found, held_out_ppb, reference_c, reference_u_ppb, cut), soaks, held_out_ppb)


def _posterior(prior: Prior, soaks: tuple[Soak, ...]) -> Posterior:
    temperature_c, offset_ppb, u_ppb = np.array([(s.temperature_c, s.offset_ppb, s.u_ppb) for s in soaks]).T
    return posterior(prior, temperature_c, offset_ppb, u_ppb)


def _left_out(prior: Prior, soaks: tuple[Soak, ...], number: int) -> float:
    """A soak minus its prediction from the others. [ppb]"""
    others = _posterior(prior, soaks[:number] + soaks[number + 1 :])
    columns = prior.basis.values(np.array([soaks[number].temperature_c]))
    return float(soaks[number].offset_ppb - (columns @ others.coef)[0])


def _curve(
    prior: Prior, soaks: tuple[Soak, ...], found: Posterior, held_out_ppb: Floats, reference_c: float,
    reference_u_ppb: float, cut: str,
) -> Curve:  # fmt: skip
    basis, residual_ppb = prior.basis, _residuals(prior, soaks, found)
    form = FORMS.get(cut)
    parameters = form[1](basis, found.coef, found.covariance) if form and form[0] == basis.degree else ()
    size = np.abs(held_out_ppb)
    return replace(
        lot_curve(prior), words=f"{prior.words}, placed by {len(soaks)} soaks",
        coef=tuple(found.coef.tolist()), covariance=tuple(map(tuple, found.covariance.tolist())),
        reference_c=min(max(reference_c, basis.low_c), basis.high_c), reference_u_ppb=reference_u_ppb,
        residual_sd_ppb=float(np.sqrt(np.mean(residual_ppb**2))), residual_max_ppb=float(np.abs(residual_ppb).max()),
        held_out=HeldOut(
            f"leave one soak out, {len(soaks)} soaks", float(np.sqrt(np.mean(size**2))),
            float(np.quantile(size, 0.95)), float(size.max()), 0.0, (f"{prior.whose}'s prior stands in for it",),
        ),
        samples=sum(soak.samples for soak in soaks), effective_samples=math.fsum(soak.effective for soak in soaks),
        lack_of_fit=f"as far from {prior.whose} as these soaks, or farther, lies {100 * found.chance:.0f} % of its units",
        parameters=parameters, notes=tuple(_notes(soaks)),
        remarks=(
            f"the shape is {prior.whose}'s between the soaks: where units differ more than {prior.scatter_words}, it is wrong",
            *handbook_remarks(parameters, cut),
        ),
    )  # fmt: skip


def lot_curve(prior: Prior) -> Curve:
    """What is known of a new unit before anything is measured: the lot's mean curve, with the scatter of its units."""
    basis, unknown = prior.basis, float("nan")
    return Curve(
        model="lot", words=prior.words, basis=basis, coef=prior.mean,
        covariance=tuple(map(tuple, prior.predicted_variance.tolist())), low_c=basis.low_c, high_c=basis.high_c,
        reference_c=(basis.low_c + basis.high_c) / 2, reference_u_ppb=0.0, residual_sd_ppb=unknown, residual_max_ppb=unknown,
        held_out=HeldOut("none: nothing is measured", unknown, unknown, unknown, unknown), samples=0, effective_samples=0.0,
        effects=tuple(finding for one in FAMILY for finding in _of_prior(one, prior)),
        jumps=(), dips=(), lack_of_fit="", parameters=(), notes=(), remarks=(),
    )  # fmt: skip


def _of_prior(effect: Effect, prior: Prior) -> tuple[Finding, ...]:
    """What a prior says of an effect: a lot's units share their dynamics, crystals of a cut share nothing but the cut."""
    shared = [
        one for effect_of_lot in prior.effects for one in effect_of_lot.findings if one.name in effect.finding_names
    ]
    if shared:
        return tuple(shared)
    reason = Reason.NONE_IN_LOT if prior.is_of_lot and effect.of_the_board else Reason.FEW_SOAKS
    return (Finding(effect.name, effect.unit, Status.UNDETERMINED, reason=reason),)


def _residuals(prior: Prior, soaks: tuple[Soak, ...], found: Posterior) -> Floats:
    columns = prior.basis.values(np.array([soak.temperature_c for soak in soaks]))
    return np.array([soak.offset_ppb for soak in soaks]) - columns @ found.coef


def _notes(soaks: tuple[Soak, ...]) -> Iterator[str]:
    for soak in soaks:
        yield (
            f"soak at {soak.temperature_c:.2f} degC ({soak.log}): {soak.offset_ppb:.2f} ppb, u {soak.u_ppb:.2g} ppb, from "
            f"{soak.samples} samples that tell as much as {soak.effective:.0f}"
        )
