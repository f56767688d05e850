"""How long to average to set the oscillator to the reference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tcomp.errors import JobError
from tcomp.job import Job
from tcomp.planning.assumptions import assumptions_for
from tcomp.planning.averaging import chosen_gate_s, noise_of
from tcomp.planning.requirements import range_of

USUAL_RANGE_C = (0.0, 50.0)
"""Over which a stated steepest slope counts, where no range is stated (common practice, no source). [degC]"""


@dataclass(frozen=True)
class Setting:
    """How long to average to set the oscillator to the reference, and how still the board is to be meanwhile."""

    u_ppb: float
    gate_s: float
    averaging_s: float
    one_gate_s: float
    hold_c: float | None
    reference_u_ppb: float
    remarks: tuple[str, ...]


def setting(job: Job, u_ppb: float) -> Setting:
    """How long to average to set the oscillator to within a standard uncertainty of the reference.

    Raises
    ------
    JobError
        The floor of the noise is above it.
    """
    noise = noise_of(job)
    if u_ppb <= noise.floor_ppb:
        raise JobError(
            f"{job.location('reference', 'floor_ppb')}: [reference] floor_ppb = {noise.floor_ppb:g} is not below the "
            f"{u_ppb:g} ppb that the oscillator is to be set within; no averaging gives that: the nearest is above "
            f"{noise.floor_ppb:g} ppb"
        )
    range_c = range_of(job)[0]
    expected = assumptions_for(job, *(range_c or USUAL_RANGE_C))
    gate_s = job.counter.gate_s or chosen_gate_s(noise, expected.lag_s)
    slope = abs(float(expected.slope_ppb_per_c(np.array([job.chamber.room_c]))[0]))
    return Setting(
        u_ppb, gate_s, noise.averaging_s(u_ppb, gate_s), noise.one_gate_s(u_ppb), u_ppb / slope if slope > 0 else None,
        job.reference.uncertainty_ppb, expected.assumptions,
    )  # fmt: skip
