"""What the units of a lot have in common beside the curve: lag, response to changing temperature, and loop.

One board and one part have nearly the same dynamics.  Each unit's figures are known to its own uncertainty, and scatter between
units, as coefficients of curves do (`estimation/prior.py`).  A unit's own estimate and the lot are weighed by their covariances:
posterior precision = precision of the lot + precision of the estimate (a normal prior; Gelman et al., Bayesian Data Analysis,
section 2.5; citation from memory).  Effects are weighed one by one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import CurveError
from tcomp.estimation.effects import FAMILY, Conditions, Effect, Finding, Known, Lag, Reason, Status
from tcomp.estimation.estimate import KnownEffect, Settings
from tcomp.estimation.fit_result import FitResult
from tcomp.estimation.prior import REFUSED, LotEffect, pooled

Floats = NDArray[np.float64]


def lot_effects(units: Mapping[str, Sequence[Finding]]) -> tuple[LotEffect, ...]:
    """Pool the effects that most of the units that can tell them have in one form.

    Parameters
    ----------
    units : mapping
        The findings of each unit's own fit, by its name.

    Returns
    -------
    tuple of LotEffect
        Its findings are those of a unit that nothing else is known of: mean, and the standard uncertainty that comes of the
        scatter between units and of the mean's own uncertainty.

    Examples
    --------
    >>> def lag(value):
    ...     return (Finding("lag", "s", Status.FOUND, value, 1.0),)
    >>> pool = lot_effects({"a": lag(160.0), "b": lag(170.0), "c": lag(175.0), "d": lag(165.0), "e": lag(172.0)})
    >>> [(one.units, one.findings[0].name, round(one.findings[0].value, 1)) for one in pool]
    [(5, 'lag', 168.4)]
    """
    return tuple(found for effect in FAMILY if effect.of_the_board and (found := _pooled(effect, units)) is not None)


def _pooled(effect: Effect, units: Mapping[str, Sequence[Finding]]) -> LotEffect | None:
    telling = [name for name, findings in units.items() if any(_tells(one, effect) for one in findings)]
    found = {name: [one for one in units[name] if _found(one, effect)] for name in telling}
    forms = {name: form for name in telling if (form := type(effect).from_findings(found[name])) is not None}
    if not forms:
        return None
    kind = Counter(form.kind for form in forms.values()).most_common(1)[0][0]
    alike = {name: form for name, form in forms.items() if form.kind == kind}
    if 2 * len(alike) <= len(telling):
        return None
    first, *_ = alike.values()
    common = first.common(tuple(alike.values()))
    figures, own = (np.array(all_of) for all_of in zip(*(common.figures(found[name]) for name in alike), strict=True))
    try:
        scatter = pooled(tuple(alike), figures, own)
    except CurveError:  # too few, or no two alike
        return None
    # The mean is known to what the units' own uncertainties leave of it, beside the scatter.
    covariance = scatter.predicted_variance + own.mean(axis=0) / len(alike)
    mean = np.array(scatter.mean)
    return LotEffect(scatter.units, scatter.left_out, common.at_figures(mean).of_lot(mean, covariance))


def _tells(finding: Finding, effect: Effect) -> bool:
    return finding.name == effect.name and finding.status in (Status.FOUND, Status.NONE_SEEN)


def _found(finding: Finding, effect: Effect) -> bool:
    return finding.name in effect.finding_names and finding.status == Status.FOUND


@dataclass(frozen=True)
class Weighed:
    """What lot and unit say together: effects that are known before the unit's next fit; none where its own fit says all that
    the lot could, or says otherwise, which are sentences."""

    known: tuple[KnownEffect, ...]
    contradictions: tuple[str, ...]


def weighed(effects: Sequence[LotEffect], own: Sequence[Finding]) -> Weighed:
    """Weigh the lot's effects with what a unit's own fit has found.

    What the job gives or switches off stays so.  A unit one of whose estimates the lot contradicts, but for the chance REFUSED,
    keeps all of its own, since effects that were estimated together stand in for each other.

    Examples
    --------
    An own estimate that is as well known as the lot meets it half-way:

    >>> lot = LotEffect(20, (), (Finding("lag", "s", Status.GIVEN, 170.0, 4.0),))
    >>> found = weighed([lot], [Finding("lag", "s", Status.FOUND, 176.0, 4.0)]).known[0].findings[0]
    >>> found.value, round(found.uncertainty, 2)
    (173.0, 2.83)
    >>> weighed([lot], [Finding("lag", "s", Status.FOUND, 300.0, 1.0)]).contradictions[0][:46]
    "the unit's own lag of 300 s contradicts the lo"
    """
    each = [_weighed(of_lot, own) for of_lot in effects]
    shared = {of_lot.findings[0].name for of_lot in effects}
    contradictions = [one.contradiction for one in each if one.contradiction]
    contradictions += [
        f"the unit's own {one.name} of {one.value:.4g} {one.unit} is none of the lot's: its own is kept"
        for one in own
        if shared and one.status == Status.FOUND and one.name in OF_THE_BOARD - shared
    ]
    known = tuple(one.known for one in each if one.known is not None)
    if contradictions or not any(one.taught for one in each):
        return Weighed((), tuple(contradictions))
    return Weighed(known, ())


OF_THE_BOARD = frozenset(effect.name for effect in FAMILY if effect.of_the_board)
TAUGHT = 0.01
"""Share by which an estimate moves towards the lot below which it is left: a tenth of the lot's spread is its own uncertainty."""


@dataclass(frozen=True)
class _Weighed:
    """An effect that is known to unit and lot together; whether the lot adds to the unit's own; what it contradicts."""

    known: KnownEffect | None = None
    taught: bool = False
    contradiction: str = ""


def _weighed(of_lot: LotEffect, own: Sequence[Finding]) -> _Weighed:
    effect, form = _form(of_lot)
    mean, covariance = form.figures(of_lot.findings)
    mine = next(one for one in own if one.name == effect.name)
    if mine.status in (Status.GIVEN, Status.OFF):
        return _Weighed()
    moved = 1.0
    if mine.status == Status.FOUND:
        found = [one for one in own if _found(one, effect)]
        own_form = type(effect).from_findings(found)
        if own_form is None or own_form.kind != form.kind:
            return _Weighed(contradiction=_contradiction(mine, of_lot, " in another form"))
        estimate, own_covariance = form.figures(found)
        away = estimate - mean
        if _chance(away, covariance + own_covariance) < REFUSED:
            return _Weighed(contradiction=_contradiction(mine, of_lot))
        gain = np.linalg.solve(covariance + own_covariance, covariance).T
        left = np.eye(away.size) - gain
        mean = mean + gain @ away
        covariance = left @ covariance @ left.T + gain @ own_covariance @ gain.T  # Joseph's form
        moved = float(np.abs(np.linalg.eigvals(left)).max())
    elif mine.status == Status.NONE_SEEN and _chance(mean, covariance + np.diag(_none_seen(mine, mean))) < REFUSED:
        return _Weighed(contradiction=_contradiction(mine, of_lot))
    coef, now = tuple(mean[: form.size].tolist()), form.at_figures(mean)
    known = Known(effect.name, now, coef, tuple(map(tuple, covariance.tolist())))
    return _Weighed(KnownEffect(known, now.of_lot(mean, covariance)), moved > TAUGHT)


def _none_seen(mine: Finding, mean: Floats) -> Floats:
    """Variances of figures of which none was seen: the first by its uncertainty, others not at all."""
    return np.array([mine.uncertainty**2, *[np.inf] * (mean.size - 1)])


def _chance(away: Floats, covariance: Floats) -> float:
    """Of figures as far from the lot as these, or farther."""
    from scipy.stats import chi2

    finite = np.isfinite(np.diag(covariance))
    away, covariance = away[finite], covariance[np.ix_(finite, finite)]
    return float(chi2.sf(away @ np.linalg.solve(covariance, away), away.size))


def _form(of_lot: LotEffect) -> tuple[Effect, Effect]:
    """The effect of the family, and its form in the lot."""
    for effect in FAMILY:
        if of_lot.findings[0].name == effect.name:
            form = type(effect).from_findings(of_lot.findings)
            if form is not None:
                return effect, form
    raise CurveError(f"the lot's {of_lot.findings[0].name} is no effect that units share; run `tcomp lot` again")


def _contradiction(mine: Finding, of_lot: LotEffect, form: str = "") -> str:
    lot = of_lot.findings[0]
    return (
        f"the unit's own {mine.name} of {mine.value:.4g} {mine.unit} contradicts the lot's {lot.value:.4g} {lot.unit}{form} "
        f"(spread {lot.uncertainty:.2g}): its own is kept"
    )


class Learn(Protocol):
    """`learn_curve` of a unit's samples."""

    def __call__(self, *, settings: Settings, conditions: Conditions) -> FitResult: ...


def learn_of_lot(learned: Learn, settings: Settings, conditions: Conditions, effects: Sequence[LotEffect]) -> FitResult:
    """The curve of a unit in the light of its lot.

    The unit's own fit comes first; what it cannot tell, or tells badly, is then held at what lot and unit say together.  One
    sweep tells a lag by how its soaks begin, once all that decays like it is known: of the lot that can be said, and a lone
    unit's soak may do anything.

    Raises
    ------
    CurveError
        The unit's own fit is refused.
    """
    own = learned(settings=settings, conditions=conditions)
    both = weighed(effects, own.curve.effects)
    if both.known and conditions.soaked and own.curve.effect(Lag.name).reason == Reason.ONE_SWEEP_LAG:
        others = tuple(one for one in both.known if one.effect.name != Lag.name)
        try:
            own = learned(settings=replace(settings, known=others), conditions=replace(conditions, soak_tells_lag=True))
            again = weighed([one for one in effects if one.findings[0].name == Lag.name], own.curve.effects)
            both = Weighed((*others, *again.known) if again.known else (), again.contradictions)
        except CurveError:  # no lag is found so; the lot's is left
            pass
    if both.known:
        return learned(settings=replace(settings, known=both.known), conditions=conditions)
    return replace(own, curve=replace(own.curve, remarks=(*both.contradictions, *own.curve.remarks)))
