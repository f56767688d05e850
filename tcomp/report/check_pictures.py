"""The picture of a check: what remains against temperature, by leg, with the promise as a band."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tcomp.decision.check import Checked, Remainder
from tcomp.report.picture_file import write_picture
from tcomp.report.pictures import COOLING, CURVE, HEATING, INK, QUIET

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANEL_HEIGHT = 3.0


def write_check_picture(checked: Checked, path: Path) -> Path:
    """Write the picture as SVG or PNG, by the file's name."""
    return write_picture(
        path,
        remaining(checked),
        name="check",
        alt="Remaining error against temperature, by leg, with the promise as a band",
        height=PANEL_HEIGHT * len(checked.remainders),
    )


def remaining(checked: Checked) -> Callable[[Figure], None]:
    """A panel for each remainder, over the sensor's temperature."""

    def draw(figure: Figure) -> None:
        panels = figure.subplots(len(checked.remainders), 1, sharex=True, squeeze=False)[:, 0]
        for ax, remainder in zip(panels, checked.remainders, strict=True):
            _panel(ax, checked, remainder)
        panels[-1].set_xlabel("sensor temperature [degC]")

    return draw


def _panel(ax: Axes, checked: Checked, remainder: Remainder) -> None:
    for words, colour in (("heating", HEATING), ("cooling", COOLING), ("soak", QUIET), ("unordered", CURVE)):
        legs = [number for number, leg in enumerate(checked.fresh.legs) if leg.kind == words]
        here = np.isin(checked.fresh.leg, legs)
        if here.any():
            at_c, left = checked.fresh.sensor_c[here], remainder.error_ppb[here]
            ax.plot(at_c, left, ".", color=colour, markersize=2.5, alpha=0.6, label=words, rasterized=True)
    if remainder.judgement is not None:
        within = remainder.judgement.promise.p95_ppb
        ax.axhspan(-within, within, color=CURVE, alpha=0.2, linewidth=0, label="promised, 95 %")
    ax.axhline(0, color=INK, linewidth=0.8)
    status = f": {remainder.judgement.status}" if remainder.judgement is not None else ", not judged"
    ax.set_title(remainder.words + status, fontsize=10, loc="left")
    ax.set_ylabel("what remains [ppb]")
    # Above the panel: inside, it would cover samples.
    ax.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=4, fontsize=9, borderaxespad=0.2, markerscale=2)
