"""A base for each run, and for each part of a run between jumps: retrace, and the steps that a crystal makes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects.effect import Effect, Exposure

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class BasePerRun(Effect):
    """A level for each part but the last, whose base is the curve's own: the oscillator as it was left.

    Attributes
    ----------
    part : ndarray of shape (n,)
        Number of the part of each sample: runs, cut at jumps.
    """

    name: ClassVar[str] = "base"
    unit: ClassVar[str] = "ppb"

    part: Ints = field(repr=False)

    @property
    def finding_names(self) -> tuple[str, ...]:
        """None: a base is part of the curve's account, not a finding."""
        return ()

    @property
    def size(self) -> int:
        """One column for each part but the last."""
        return int(self.part.max())

    @property
    def reported(self) -> tuple[str, ...]:
        """None."""
        return ()

    @property
    def levels(self) -> int:
        """As many as columns."""
        return self.size

    def columns(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """1 in the part of the column."""
        return np.asarray(self.part[:, None] == np.arange(self.size), dtype=np.float64)

    def difference(self, coef: Floats, covariance: Floats, first: int, second: int) -> tuple[float, float]:
        """Base of a part less that of another, and its standard uncertainty, from what a fit says of the columns. [ppb]"""
        row = np.zeros(self.size + 1)
        row[first], row[second] = 1.0, -1.0
        row = row[:-1]  # the last part's base is the curve's own
        return float(row @ coef), float(np.sqrt(row @ covariance @ row))

    def step_before(self, coef: Floats, covariance: Floats, index: int) -> tuple[float, float]:
        """Height of the step from the part before a sample to the sample's own, and its standard uncertainty. [ppb]"""
        part = int(self.part[index])
        return self.difference(coef, covariance, part, part - 1)
