"""What a fit gives: the curve, how it was chosen, and the samples as the crystal saw them."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tcomp.arrays import BoolArray
from tcomp.estimation.curve import LINE, Curve
from tcomp.estimation.estimate import Estimate
from tcomp.estimation.samples import Samples
from tcomp.estimation.validation import Validation
from tcomp.units import short

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PLOTTED = 20_000
"""Most samples that a plot shows: of more, each second, third, ..."""


@dataclass(frozen=True, kw_only=True)
class FitResult:
    """The curve, how it was chosen, and the samples as the crystal saw them."""

    curve: Curve
    validation: Validation
    estimate: Estimate
    scored: BoolArray
    """The samples that took part in the validation, in the order of its arrays."""
    samples: Samples
    """The samples that the fit was made from, cleaned."""

    def __repr__(self) -> str:
        used, count = int(self.estimate.fit.used.sum()), self.samples.offset_ppb.size
        what = "samples" if self.samples.cells is None else "cells of samples"
        return (
            f"FitResult: {used} of {count} {what} used, {len(self.validation.scores)} curves compared\n{self.curve!r}"
        )

    def summary(self) -> str:
        """All that was found, as text: the curve, its parameters, the curves that competed, notes and remarks."""
        return "\n".join(self._summary())

    def _summary(self) -> Iterator[str]:
        yield repr(self)
        if self.curve.parameters:
            yield "\nParameters"
            width = max(len(one.name) for one in self.curve.parameters)
            for one in self.curve.parameters:
                yield f"  {one.name:<{width}}  {one.value:12.6g} {one.unit}, u {one.uncertainty:.2g}"
        yield f"\nCurves that competed, by the error on samples that they had not seen ({self.validation.method})"
        yield "  curve     coefficients  RMS [ppb]  largest [ppb]"
        for score in self.validation.scores:
            chosen = "  chosen" if score.candidate == self.validation.chosen else ""
            yield (
                f"  {score.candidate.name:<9} {score.size:12.3g}  {score.rms_ppb:9.4g}  {score.max_ppb:13.4g}{chosen}"
            )
        for heading, texts in (
            ("Residuals", (self.curve.lack_of_fit,)),
            ("Notes", (*self.curve.jump_words, *self.curve.dip_words, *self.curve.notes)),
            ("Remarks", self.curve.remarks),
        ):
            if any(texts):
                yield f"\n{heading}"
                for text in texts:
                    yield textwrap.fill(
                        text, LINE, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False
                    )

    def plot(self, figure: Figure | None = None) -> Figure:
        """Draw the samples with all effects taken off, the curve with twice its standard uncertainty, and the residuals.

        Parameters
        ----------
        figure : matplotlib Figure or None
            An empty figure to draw into; None: a new one of pyplot, which a notebook shows.
        """
        if figure is None:
            import matplotlib.pyplot as plt

            figure = plt.figure(layout="constrained")
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
        fit, curve = self.estimate.fit, self.curve
        step = -(-fit.crystal_c.size // PLOTTED)
        for label, among, color in (
            ("heating", 1.0, "#d55e00"),
            ("cooling", -1.0, "#2a8fd0"),
            ("other", 0.0, "#8a8f98"),
        ):
            shown = np.flatnonzero(fit.used & (np.sign(self.samples.direction) == among))[::step]
            if shown.size:
                above.plot(fit.crystal_c[shown], fit.corrected_ppb[shown], ".", color=color, markersize=3, label=label)
                below.plot(fit.crystal_c[shown], fit.residual_ppb[shown], ".", color=color, markersize=3)
        grid_c = np.linspace(curve.low_c, curve.high_c, 401)
        offset_ppb, band_ppb = curve.predict(grid_c), 2 * curve.uncertainty(grid_c)
        above.plot(grid_c, offset_ppb, color="black", linewidth=1, label="curve")
        above.fill_between(grid_c, offset_ppb - band_ppb, offset_ppb + band_ppb, color="black", alpha=0.2)
        below.axhline(0, color="black", linewidth=1)
        below.fill_between(grid_c, -band_ppb, band_ppb, color="black", alpha=0.2)
        above.set(ylabel="offset [ppb]", title=curve.words)
        below.set(ylabel="residual [ppb]", xlabel="crystal temperature [degC]")
        above.legend()
        return figure

    # That processors cut off is common practice, no source.
    def with_undeclared_rounding(self, step_c: float) -> FitResult:
        """The same, with a remark on what it would do if the sensor cut off instead of rounding to steps of ``step_c``. [degC]"""
        curve = self.curve
        slope = np.abs(curve.slope_ppb_per_c(np.linspace(curve.low_c, curve.high_c, 201)))
        remark = (
            f"the sensor's steps of {step_c:g} degC are taken as rounded, which no log can tell: if it cuts off, as a processor's "
            f"whole degrees often do, the curve lies {step_c / 2:g} degC too low and is up to "
            f'{short(step_c / 2 * slope.max())} ppb off; see its data sheet, and say rounding = "nearest" or "down" in [sensor]'
        )
        return replace(self, curve=replace(curve, remarks=(*curve.remarks, remark)))
