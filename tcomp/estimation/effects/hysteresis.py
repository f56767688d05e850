"""Hysteresis: heated the crystal reads otherwise than cooled, and a reversal may take some degrees to come through."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects.dynamics import FollowTerm, PlayLoop
from tcomp.estimation.effects.effect import Effect, Exposure, Limit, Outline
from tcomp.estimation.effects.finding import Finding, Reason, Status
from tcomp.estimation.samples import Conditions, Samples
from tcomp.estimation.typical import typical

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

PLAYS_C = (0.5, 1.0, 2.0, 4.0, 8.0)
"""Temperatures over which a reversal may come through."""
RATES_DIFFER = 1.5
"""Ratio of ramp rates that separates lag and hysteresis (common practice, no source)."""


@dataclass(frozen=True)
class Hysteresis(Effect):
    """A loop of a constant width between heating and cooling.

    Attributes
    ----------
    play_c : float
        Temperature over which a reversal comes through; 0: at once, with the sweep. [degC]
    """

    name: ClassVar[str] = "hysteresis"
    unit: ClassVar[str] = "ppb"
    taken_off: ClassVar[bool] = False
    of_the_board: ClassVar[bool] = True
    limit: ClassVar[Limit | None] = Limit(
        kind="crystal", figure="most_hysteresis_ppb",
        instead="a gradient between sensor and crystal that one lag does not describe",
    )  # fmt: skip

    play_c: float = 0.0

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
        """One column."""
        return 1

    def columns(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """-1/2 cooled, +1/2 heated."""
        loop = play(exposure.run, crystal_c, self.play_c) if self.play_c else exposure.direction
        return np.asarray(loop[:, None])

    def finer(self) -> tuple[Self, ...]:
        """Loops that take some degrees to come through, where it comes through at once so far."""
        return () if self.play_c else tuple(type(self)(width_c) for width_c in PLAYS_C)

    def form(self, value: float, uncertainty: float, samples: Samples) -> str:
        """The play."""
        return f"comes through over {self.play_c:g} degC" if self.play_c else ""

    def detailed(self, finding: Finding) -> Finding:
        """With the play."""
        return replace(finding, play_c=self.play_c) if self.play_c and finding.known else finding

    def follow_terms(self, findings: Sequence[Finding]) -> tuple[FollowTerm, ...]:
        """The loop and its play."""
        own = (one.value for one in findings if one.name == self.name and one.value != 0)
        return tuple(PlayLoop(height_ppb=height_ppb, play_c=self.play_c) for height_ppb in own)

    @classmethod
    def from_findings(cls, findings: Sequence[Finding]) -> Self | None:
        """A loop where one was found."""
        found = next((one for one in findings if one.name == cls.name and one.value != 0), None)
        return None if found is None else cls(play_c=found.play_c or 0.0)

    @property
    def kind(self) -> float:
        """The play."""
        return self.play_c

    def figures(self, findings: Sequence[Finding]) -> tuple[Floats, Floats]:
        """The loop's height. [ppb]"""
        own = next(one for one in findings if one.name == self.name)
        return np.array([own.value]), np.array([[own.uncertainty**2]])

    def of_lot(self, figures: Floats, covariance: Floats) -> tuple[Finding, ...]:
        """One finding."""
        u_ppb = float(np.sqrt(covariance[0, 0]))
        found = Finding(self.name, self.unit, Status.GIVEN, float(figures[0]), u_ppb, Reason.OF_THE_LOT)
        return (self.detailed(found),)

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
