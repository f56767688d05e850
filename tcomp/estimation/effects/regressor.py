"""A quantity besides temperature that moves the offset, logged beside it: supply, humidity, a second temperature, load."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from tcomp.estimation.effects.effect import Effect, Estimates, Exposure
from tcomp.estimation.effects.finding import SIGNIFICANT, Finding, Reason, RegressorTerm, Status, powers
from tcomp.estimation.samples import Conditions, Samples

Floats = NDArray[np.float64]

FOLLOWS = 0.01
"""Share of a column's squares that identifies it beside the temperature: below a tenth of its swing what is left of it is its
own sensor's noise, and the coefficient that of the noise (common practice, no source)."""
DIGITS = 3
"""Of a reference that is found."""


@dataclass(frozen=True)
class Regressor(Effect):
    """b (v - v0), or b (v - v0) + c (v - v0)^2, with v the quantity and v0 its reference.

    Attributes
    ----------
    name, quantity_unit : str
        Of the quantity.
    degree : int
        1 or 2.
    reference : float or None
        v0; None: not known yet. [quantity_unit]
    """

    slow: ClassVar[bool] = True

    name: str  # type: ignore[misc]  # each has a name of its own
    quantity_unit: str = ""
    degree: int = 1
    reference: float | None = None

    @property
    def unit(self) -> str:  # type: ignore[override]  # as the name
        """Of what it reports: ppb per unit of the quantity."""
        return f"ppb/{self.quantity_unit}" if self.quantity_unit else "ppb"

    def about(self, samples: Samples) -> Regressor:
        """With the mean over the samples as the reference, in few digits, where there is none."""
        if self.reference is not None:
            return self
        values = samples.regressors[self.name]
        places = DIGITS - 1 - int(np.floor(np.log10(max(float(np.ptp(values)), 1e-12))))
        return replace(self, reference=round(float(values.mean()), places))

    def why_not(self, samples: Samples, conditions: Conditions) -> Reason | None:
        """It has to change."""
        return None if float(np.ptp(samples.regressors[self.name])) > 0 else Reason.UNCHANGED

    @property
    def size(self) -> int:
        """One column, or two."""
        return self.degree

    def columns(self, exposure: Exposure, crystal_c: Floats) -> Floats:
        """Powers of the quantity less its reference. [quantity_unit**k]"""
        return powers(exposure.regressors[self.name] - (self.reference or 0.0), self.degree)

    def findings(self, own: Estimates, samples: Samples) -> Iterator[Finding]:
        """One finding: the slope at the reference, and with it the rest."""
        values = samples.regressors[self.name]
        covariance = own.covariance[: self.degree, : self.degree]
        term = RegressorTerm(
            unit=self.quantity_unit, reference=self.reference or 0.0, low=float(values.min()), high=float(values.max()),
            rms=float(np.std(values)), values=tuple(own.coef.tolist()), covariance=tuple(map(tuple, covariance.tolist())),
        )  # fmt: skip
        share = min(own.share(column) for column in range(self.degree))
        if share < FOLLOWS:
            reason = (
                f"it follows the temperature: the curve and the other effects imitate {100 * (1 - share):.3g} % of it in these "
                "runs; change it at a steady temperature"
            )
            yield Finding(self.name, self.unit, Status.UNDETERMINED, reason=reason)
            return
        slope, u = term.values[0], float(np.sqrt(covariance[0, 0]))
        at = np.linspace(term.low, term.high, 41)
        u_at = term.u_at(at)
        if np.max(np.abs(term.at(at)) / np.where(u_at > 0, u_at, np.inf)) <= SIGNIFICANT:
            reason = f"estimated {slope:.3g} {self.unit}, not beyond three times its uncertainty"
            none = replace(term, values=(0.0,) * self.degree)
            yield Finding(self.name, self.unit, Status.NONE_SEEN, 0.0, u, reason, regressor=none)
            return
        yield Finding(self.name, self.unit, Status.FOUND, slope, u, term.words, regressor=term)

    @classmethod
    def all_from_findings(cls, findings: Sequence[Finding]) -> tuple[Regressor, ...]:
        """Those that were found."""
        return tuple(
            cls(one.name, one.regressor.unit, len(one.regressor.values), one.regressor.reference)
            for one in findings
            if one.regressor is not None and one.known
        )
