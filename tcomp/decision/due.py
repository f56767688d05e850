"""When the next trim is due: as long as drift and uncertainty together stay within what is needed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tcomp.curve.curve import Curve
from tcomp.decision.ageing_history import AgeingFit
from tcomp.decision.apply import sensor_u_c
from tcomp.decision.crystal_error import FAR
from tcomp.job import Job
from tcomp.table import CorrectionTable
from tcomp.units import SECONDS_PER_DAY

Floats = NDArray[np.float64]

LONGEST_DAYS = 7305
"""Twenty years: no trim is put off for longer."""
GRID = 501


@dataclass(frozen=True)
class Due:
    """When the error reaches what is needed.

    Attributes
    ----------
    needed_ppb : float
        What is not to be exceeded, k = 2. [ppb]
    now_ppb : float
        Error right after this trim, k = 2: curve, table, sensor, retrace and base. [ppb]
    days : float
        Until the next trim; 0: the need is not met even now; infinite: never within twenty years. [day]
    foretold_days : float
        The same by the ageing found, although the history does not reach so far. [day]
    """

    needed_ppb: float
    now_ppb: float
    days: float
    foretold_days: float

    @property
    def cut_short(self) -> bool:
        """Whether the history, and not the error, sets the date."""
        return self.days < self.foretold_days


def retrace_sd_ppb(job: Job) -> float:
    """What switching off and on adds from day to day: the job's figure, a bound, if it is ever off (rectangular). [ppb]"""
    off = job.use.hours_on_per_day < 24.0
    return (job.oscillator.retrace_ppb or 0.0) / math.sqrt(3.0) if off else 0.0


def next_trim(job: Job, curve: Curve, table: CorrectionTable | None, ageing: AgeingFit) -> Due | None:
    """The first day on which |drift| + 2 u exceeds the need; None: the job states none.

    The firmware does not follow the drift, so it is added as it is: JCGM 100:2008 F.2.4.5.
    """
    needed_ppb = job.use.needed_ppb
    if needed_ppb is None:
        return None
    days = np.arange(LONGEST_DAYS + 1, dtype=np.float64)
    times_s = ageing.end_s + days * SECONDS_PER_DAY
    # The uncertainty of what the base will be, its own now and that of the ageing; they are not independent.
    u_base = ageing.predicted(times_s)[1]
    error_ppb = np.abs(ageing.moved(times_s)[0]) + 2.0 * np.sqrt(u_base**2 + _fixed_variance(job, curve, table))
    beyond = error_ppb > needed_ppb
    foretold = float(days[np.argmax(beyond)]) if beyond.any() else math.inf
    foretold = max(foretold - 1.0, 0.0) if math.isfinite(foretold) else foretold  # the last day on which it holds
    return Due(needed_ppb, float(error_ppb[0]), min(foretold, math.floor(FAR * ageing.span_days)), foretold)


def _fixed_variance(job: Job, curve: Curve, table: CorrectionTable | None) -> float:
    """What does not grow, where it is largest in the range of use. [ppb**2]"""
    low_c, high_c = job.use.range_c or (curve.low_c, curve.high_c)
    at_c = np.linspace(max(low_c, curve.low_c), min(high_c, curve.high_c), GRID)
    variance = curve.shape_uncertainty_ppb(at_c) ** 2 + (curve.slope_ppb_per_c(at_c) * sensor_u_c(job.sensor)) ** 2
    if table is not None:
        variance = variance + table.max_error_ppb**2 / 3
    return float(variance.max()) + retrace_sd_ppb(job) ** 2
