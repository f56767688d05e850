"""Causes that move the offset besides the curve: a family of objects, one file each, that a fit composes."""

from __future__ import annotations

from tcomp.estimation.effects.ageing import Ageing
from tcomp.estimation.effects.base_per_run import BasePerRun
from tcomp.estimation.effects.dynamics import FollowTerm, PlayLoop, TimeConstant
from tcomp.estimation.effects.effect import Effect, Estimates, Exposure, Outline, Soak
from tcomp.estimation.effects.effects import Effects
from tcomp.estimation.effects.finding import Finding, RateResponse, Reason, RegressorTerm, Status
from tcomp.estimation.effects.hysteresis import Hysteresis
from tcomp.estimation.effects.known import Known
from tcomp.estimation.effects.lag import Lag
from tcomp.estimation.effects.regressor import Regressor
from tcomp.estimation.effects.response import Response
from tcomp.estimation.samples import Conditions

FAMILY: tuple[Effect, ...] = (Lag(), Ageing(), Hysteresis(), Response())
"""Every effect that a fit may find, in the order in which findings are listed, before those of [[regressor]].  A new one is a line
here."""

FINDING_NAMES: tuple[str, ...] = tuple(name for effect in FAMILY for name in effect.finding_names)


def follow_terms(findings: tuple[Finding, ...]) -> tuple[FollowTerm, ...]:
    """What firmware keeps to follow the effects that a curve's findings hold."""
    return tuple(term for effect in effects_of(findings) for term in effect.follow_terms(findings))


def effects_of(findings: tuple[Finding, ...]) -> Effects:
    """The effects that a curve's findings hold, with their values."""
    found = (type(effect).from_findings(findings) for effect in FAMILY)
    return Effects((*(effect for effect in found if effect is not None), *Regressor.all_from_findings(findings)))


__all__ = [
    "FAMILY", "FINDING_NAMES", "Ageing", "BasePerRun", "Conditions", "Effect", "Effects", "Estimates", "Exposure", "Finding",
    "FollowTerm", "Hysteresis", "Known", "Lag", "Outline", "PlayLoop", "RateResponse", "Reason", "Regressor", "RegressorTerm",
    "Response", "Soak", "Status", "TimeConstant", "effects_of", "follow_terms",
]  # fmt: skip
