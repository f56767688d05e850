"""When the next trim is due: as long as the error is within what is needed."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tcomp.budget.ageing import FAR
from tcomp.budget.contribution import error_on, last_day_within
from tcomp.budget.crystal_error import CrystalUnderTest, corrected
from tcomp.budget.drift import AgeingFit
from tcomp.estimation.curve import Curve
from tcomp.job import Job
from tcomp.tables import CorrectionTable

LONGEST_DAYS = 7305
"""Twenty years: no trim is put off for longer."""
TRIMS_TO_REACH = 6
"""Trims from which the ageing found is carried on beyond the span of the history, FAR times that at most (common practice, no
source)."""


@dataclass(frozen=True)
class Due:
    """When the error reaches what is needed.

    Attributes
    ----------
    needed_ppb : float
        What is not to be exceeded, k = 2. [ppb]
    now_ppb : float
        Error right after this trim, k = 2: base, curve, table, sensor and all else that the verdict counts. [ppb]
    days : float
        Until the next trim; 0: the need is not met even now; infinite: never within twenty years. [day]
    predicted_days : float
        The same by the ageing found, although the history does not reach so far. [day]
    reach_days : float
        How far ahead anything is promised. [day]
    """

    needed_ppb: float
    now_ppb: float
    days: float
    predicted_days: float
    reach_days: float

    @property
    def cut_short(self) -> bool:
        """Whether the history, and not the error, sets the date."""
        return self.days < self.predicted_days


def next_trim(job: Job, curve: Curve, table: CorrectionTable | None, ageing: AgeingFit) -> Due | None:
    """The last day on which the error, as the verdict has it, is within the need; None: the job states none."""
    needed_ppb = job.use.needed_ppb
    if needed_ppb is None:
        return None
    known = CrystalUnderTest(job, curve, table, ageing)
    contributions, service = corrected(known), known.service()
    now_ppb = error_on(contributions, service, 0.0).within_ppb()
    days = last_day_within(contributions, service, needed_ppb, LONGEST_DAYS)
    last_day = math.inf if days == LONGEST_DAYS else days or 0.0
    reach_days = math.floor(ageing.span_days if ageing.bases - 1 < TRIMS_TO_REACH else FAR * ageing.span_days)
    return Due(needed_ppb, now_ppb, min(last_day, reach_days), last_day, reach_days)
