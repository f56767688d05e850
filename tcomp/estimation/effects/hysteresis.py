"""Hysteresis: heated the crystal reads otherwise than cooled, and a reversal may take some degrees to come through."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects.dynamics import FollowTerm, PlayLoop
from tcomp.estimation.effects.effect import Effect, Estimates, Exposure, Limit, Outline
from tcomp.estimation.effects.finding import Finding, Reason, Status, judged
from tcomp.estimation.samples import Conditions, Samples
from tcomp.estimation.thermal_lag import SensorLog
from tcomp.estimation.typical import typical

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLAYS_C = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Temperatures over which a reversal may come through, from which the search begins."""
MOST_PLAYS = 3
APART = 1.5
"""Ratio from which two plays are not one (common practice, no source)."""
MOST_STEP = 1.5
"""Ratio by which a play may change in a step: the columns are bent where a reversal has just come through."""
SMALL = 1e-3
"""Relative step of the differences."""
RATES_DIFFER = 1.5
"""Ratio of ramp rates that separates lag and hysteresis (common practice, no source)."""


@dataclass(frozen=True)
class Hysteresis(Effect):
    """A loop of a constant height between heating and cooling: a sum of play operators, each of its own width and height.

    Attributes
    ----------
    plays_c : tuple of float
        Temperatures over which a reversal comes through; none: at once, with the sweep. [degC]
    free : bool
        Whether they are estimated; they come from the runs, and their uncertainty is in that of all else.
    """

    name: ClassVar[str] = "hysteresis"
    unit: ClassVar[str] = "ppb"
    taken_off: ClassVar[bool] = False
    of_the_board: ClassVar[bool] = True
    limit: ClassVar[Limit | None] = Limit(
        kind="crystal", figure="most_hysteresis_ppb",
        instead="a gradient between sensor and crystal that one lag does not describe",
    )  # fmt: skip

    plays_c: tuple[float, ...] = ()
    free: bool = False

    def why_not(self, samples: Samples, conditions: Conditions) -> Reason | None:
        """It needs both directions, and soaks or two rates against the lag."""
        if not samples.has_time:
            return Reason.NO_TIME
        if np.unique(samples.direction[samples.direction != 0]).size < 2:
            return Reason.ONE_DIRECTION
        rates = [abs(rate) for rate in conditions.rates_c_per_min]
        if not conditions.soaked and (not rates or max(rates) < RATES_DIFFER * min(rates)):
            return Reason.ONE_RATE
        return None

    @property
    def size(self) -> int:
        """A height for each play."""
        return max(1, len(self.plays_c))

    def columns(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """-1/2 cooled, +1/2 heated."""
        if not self.plays_c:
            return np.asarray(exposure.direction[:, None])
        return np.column_stack([play(exposure.run, crystal_c, width_c) for width_c in self.plays_c])

    @property
    def parameters(self) -> tuple[str, ...]:
        """The plays."""
        return tuple(f"play {number}" for number, _ in enumerate(self.values, start=1))

    @property
    def values(self) -> tuple[float, ...]:
        """The plays, where they are free. [degC]"""
        return self.plays_c if self.free else ()

    def with_values(self, values: Sequence[float]) -> Self:
        """With other plays."""
        return replace(self, plays_c=tuple(values)) if self.free else self

    def stepped(self, steps: Sequence[float]) -> Self:
        """After a step of the plays, each cut to a ratio."""
        moved = zip(self.values, steps, strict=True)
        return self.with_values([min(max(now + step, now / MOST_STEP), now * MOST_STEP) for now, step in moved])

    def jacobian(
        self, exposure: Exposure, sensor: SensorLog, crystal_c: Floats, slope_ppb_per_c: Floats, coef: Floats
    ) -> Floats:
        """Derivative with respect to the plays, by differences."""
        columns = [
            height_ppb
            * (
                play(exposure.run, crystal_c, width_c * (1 + SMALL))
                - play(exposure.run, crystal_c, width_c * (1 - SMALL))
            )
            / (2 * SMALL * width_c)
            for width_c, height_ppb in zip(self.values, coef.tolist(), strict=True)
        ]
        return np.column_stack(columns)

    def held(self) -> Self:
        """With its plays held."""
        return replace(self, free=False)

    def ordered(self) -> Self:
        """The least play first."""
        return replace(self, plays_c=tuple(sorted(self.plays_c)))

    @property
    def degenerate(self) -> bool:
        """Whether two plays are one."""
        return any(wide < APART * narrow for narrow, wide in pairwise(sorted(self.plays_c)))

    def cancels(self, coef: Floats) -> bool:
        """Whether parts are of unlike sign, which no crystal asks for: the weights of the model are of one sign."""
        return bool((coef > 0).any() and (coef < 0).any())

    def finer(self) -> tuple[Self, ...]:
        """Loops with a play, where it comes through at once so far; else with one play more."""
        if len(self.plays_c) >= MOST_PLAYS:
            return ()
        far = (width_c for width_c in PLAYS_C if not replace(self, plays_c=(*self.plays_c, width_c)).degenerate)
        return tuple(replace(self, plays_c=tuple(sorted((*self.plays_c, width_c))), free=True) for width_c in far)

    def findings(self, own: Estimates, samples: Samples) -> Iterator[Finding]:
        """The height of the whole loop, the sum of its parts."""
        heights = own.coef.tolist()
        part = own.covariance[: self.size, : self.size]
        form = "comes through over " + ", ".join(
            f"{width_c:.3g} degC" if len(heights) == 1 else f"{width_c:.3g} degC ({height_ppb:.3g} ppb)"
            for width_c, height_ppb in zip(self.plays_c, heights, strict=False)
        )
        share = own.share(0) if len(heights) == 1 else 1.0  # parts imitate each other, which the covariance says
        found = judged(
            self.name, self.unit, math.fsum(heights), float(np.sqrt(part.sum())), share, form if self.plays_c else ""
        )
        loops = zip(self.plays_c, heights, strict=False)
        plays = tuple(PlayLoop(height_ppb=height_ppb, play_c=width_c) for width_c, height_ppb in loops)
        yield replace(found, plays=plays) if found.known else found

    def follow_terms(self, findings: Sequence[Finding]) -> tuple[FollowTerm, ...]:
        """The loop, or its parts."""
        found = next((one for one in findings if one.name == self.name and one.value != 0), None)
        if found is None:
            return ()
        return found.plays or (PlayLoop(height_ppb=found.value, play_c=0.0),)

    @classmethod
    def from_findings(cls, findings: Sequence[Finding]) -> Self | None:
        """A loop where one was found."""
        found = next((one for one in findings if one.name == cls.name and one.value != 0), None)
        return None if found is None else cls(plays_c=tuple(one.play_c for one in found.plays))

    @property
    def kind(self) -> float:
        """How many plays."""
        return float(len(self.plays_c))

    def common(self, others: Sequence[Self]) -> Self:
        """With the plays in the middle of all."""
        if not self.plays_c:
            return self
        middle_c = np.median([one.plays_c for one in others], axis=0)
        return replace(self, plays_c=tuple(middle_c.tolist()))

    def figures(self, findings: Sequence[Finding]) -> tuple[Floats, Floats]:
        """The heights of the parts, which share the uncertainty of the whole. [ppb]"""
        own = next(one for one in findings if one.name == self.name)
        heights_ppb = [one.height_ppb for one in own.plays] or [own.value]
        return np.array(heights_ppb), np.eye(len(heights_ppb)) * own.uncertainty**2 / len(heights_ppb)

    def of_lot(self, figures: Floats, covariance: Floats) -> tuple[Finding, ...]:
        """One finding."""
        heights_ppb, u_ppb = figures.tolist(), float(np.sqrt(covariance.sum()))
        parts = zip(heights_ppb, self.plays_c, strict=False)
        plays = tuple(PlayLoop(height_ppb=height_ppb, play_c=width_c) for height_ppb, width_c in parts)
        value_ppb = math.fsum(heights_ppb)
        return (Finding(self.name, self.unit, Status.GIVEN, value_ppb, u_ppb, Reason.OF_THE_LOT, plays=plays),)

    def usual_step_ppb(self, days: float, *, estimated: bool) -> float:
        """Another branch of the loop. [ppb]"""
        return typical("crystal", "hysteresis_ppb").value

    def separation(self, outline: Outline) -> Iterator[str]:
        """Where the rates differ, and where a temperature is soaked at from both directions."""
        up, down = outline.heating_c_per_min, outline.cooling_c_per_min
        if up and down and max(*up, *down) >= RATES_DIFFER * min(*up, *down):
            yield (
                f"hysteresis: heating at {max(up):.2g}, cooling at {max(down):.2g} degC/min; of the loop between them what goes "
                "with the rate is lag, what stays is hysteresis"
            )
        for soak in outline.soaks:
            if soak.again:
                yield f"hysteresis: {soak.at_c:.1f} degC is soaked at heated and cooled, when no lag is left"


def play(run: Ints, crystal_c: Floats, width_c: float) -> Floats:
    """Position in a slot with play that the temperature drags along: -1/2 (cooled) to +1/2 (heated), per run."""
    position = np.empty_like(crystal_c)
    half_c = width_c / 2
    for number in np.unique(run):
        own = run == number
        slots: list[float] = []
        slot = float(crystal_c[own][0])
        for now in crystal_c[own].tolist():
            if slot < now - half_c:
                slot = now - half_c
            elif slot > now + half_c:
                slot = now + half_c
            slots.append(slot)
        position[own] = (crystal_c[own] - np.array(slots)) / width_c
    return position
