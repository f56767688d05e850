"""What a sensor's own step can pass off as the crystal's doing: while it stands still, the crystal moves on unseen.

The offset then moves by up to the step times the curve's slope, and neither a jump nor a dip within that is identifiable.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.dips import Dip
from tcomp.estimation.jumps import REACH

Floats = NDArray[np.float64]

NARROW = 2.0
"""Steps below which a dip is as narrow as a place where the sensor stands still."""


UNKNOWN = 4.0
"""Standard uncertainties of the temperature behind a coarse sensor that a dip or jump must be beyond."""


@dataclass(frozen=True)
class CoarseSteps:
    """Temperatures as the sensor gave them, shape (n,), and the step in which they come. [degC]"""

    temperature_c: Floats = field(repr=False)
    step_c: float

    def hide_dip(self, dip: Dip, slope_ppb_per_c: float, u_c: float = 0.0) -> bool:
        """Whether a dip may be a place where the sensor stands still, or the temperature within it is known to ``u_c`` only.

        Examples
        --------
        >>> dip = Dip(-19.5, -144.0, 0.6, 9.0, 4)
        >>> [CoarseSteps(np.zeros(0), step_c).hide_dip(dip, 440.0) for step_c in (1.0, 0.0625)]
        [True, False]
        """
        still = dip.width_c < NARROW * self.step_c and abs(dip.depth_ppb) < self.step_c * abs(slope_ppb_per_c)
        return still or abs(dip.depth_ppb) < UNKNOWN * u_c * abs(slope_ppb_per_c)

    def hide_jump(self, index: int, height_ppb: float, slope_ppb_per_c: float, u_c: float = 0.0) -> bool:
        """Whether the sensor stands still about a sample, and a step before it is no higher than the sensor's is worth; or
        whether the temperature there is known to ``u_c`` only."""
        if abs(height_ppb) < UNKNOWN * u_c * abs(slope_ppb_per_c):
            return True
        around = self.temperature_c[max(index - REACH, 0) : index + REACH]
        return np.unique(around).size <= 2 and abs(height_ppb) < self.step_c * abs(slope_ppb_per_c)
