"""Ageing: the base drifts, evenly or on a logarithmic clock."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects.effect import Effect, Exposure, Limit, Outline
from tcomp.estimation.effects.finding import Finding, Reason
from tcomp.estimation.samples import Conditions, Samples
from tcomp.estimation.typical import typical
from tcomp.units import SECONDS_PER_DAY, degc_text

Floats = NDArray[np.float64]

LOG_CLOCKS_PER_DAY = (0.5, 2.0, 8.0, 32.0)
"""B of A ln(1 + B t) that are tried: the data barely tell it, so steps of 4 do."""


@dataclass(frozen=True)
class Ageing(Effect):
    """A drift a (t - t_end), or on a logarithmic clock A ln(1 + B t) (MIL-PRF-55310's form, second-hand).

    Each part of the runs has a base of its own, so that the drift is identified by what happens within parts.

    Attributes
    ----------
    log_per_day : float
        B, with t from the first sample; 0: an even drift. [1/day]
    """

    name: ClassVar[str] = "ageing"
    unit: ClassVar[str] = "ppb/day"
    slow: ClassVar[bool] = True
    limit: ClassVar[Limit | None] = Limit(
        kind="crystal", figure="most_ageing_ppb_per_day",
        instead="a jump, a drift of the reference or a board that was warming up",
    )  # fmt: skip

    log_per_day: float = 0.0

    def why_not(self, samples: Samples, conditions: Conditions) -> Reason | None:
        """It needs times, and a temperature that was visited twice."""
        if not samples.has_time:
            return Reason.NO_TIME
        return None if samples.sweeps > 1 else Reason.ONE_SWEEP_AGEING

    @property
    def size(self) -> int:
        """One column."""
        return 1

    def columns(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """Days before the end of the last run, or the like on a logarithmic clock scaled to the slope there.

        So the coefficient of either is the drift per day at the end.
        """
        return drift_days(exposure, self.log_per_day)[:, None]

    def finer(self) -> tuple[Self, ...]:
        """Logarithmic clocks, where the drift is even so far."""
        return () if self.log_per_day else tuple(type(self)(clock) for clock in LOG_CLOCKS_PER_DAY)

    def form(self, value: float, uncertainty: float, samples: Samples) -> str:
        """Whether the clock is logarithmic."""
        return "logarithmic, at the end" if self.log_per_day else ""

    @classmethod
    def from_findings(cls, findings: Sequence[Finding]) -> Self | None:
        """An even drift where one was found."""
        return cls() if any(one.name == cls.name and one.value != 0 for one in findings) else None

    def usual_step_ppb(self, days: float, *, estimated: bool) -> float:
        """The typical drift over so many days, unless it is estimated. [ppb]"""
        return 0.0 if estimated else days * typical("crystal", "ageing_ppb_per_day").value

    def separation(self, outline: Outline) -> Iterator[str]:
        """Where the first temperature is soaked at again at the end."""
        soaks = outline.soaks
        if len(soaks) > 1 and soaks[0].at_c == soaks[-1].at_c:
            came = "heated" if soaks[0].at_c > min(soak.at_c for soak in soaks) else "cooled"
            apart_h = (soaks[-1].ends_min - soaks[0].ends_min) / 60
            yield (
                f"ageing: {degc_text(soaks[0].at_c)} degC is soaked at first and last, {apart_h:.1f} h apart and {came} "
                "both times; what differs is ageing"
            )


def drift_days(exposure: Exposure, log_per_day: float) -> Floats:
    """Days before the end of the last run, shape (n,), on a clock that is even (0) or logarithmic."""
    days = (exposure.time_s - exposure.time_s.min()) / SECONDS_PER_DAY
    last = float(days[exposure.run == exposure.run.max()].max())
    if log_per_day == 0:
        return np.asarray(days - last)
    return np.asarray((np.log1p(log_per_day * days) - math.log1p(log_per_day * last)) * (1 / log_per_day + last))
