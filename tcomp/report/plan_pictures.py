"""The picture of a schedule: temperature against time, and the uncertainty that it will give along the range."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from tcomp.decision.plan import Planned
from tcomp.report.picture_file import write_picture
from tcomp.report.pictures import COOLING, CURVE, DROPPED, HEATING, INK, QUIET

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

HEIGHT = 6.4


def write_plan_picture(planned: Planned, path: Path) -> Path:
    """Write the picture as SVG or PNG, by the file's name."""
    alt = "Temperature of the chamber against time, and the curve's uncertainty against temperature"
    return write_picture(path, panels(planned), name="plan", alt=alt, height=HEIGHT)


def panels(planned: Planned) -> Callable[[Figure], None]:
    """Time above, temperature below."""

    def draw(figure: Figure) -> None:
        above, below = figure.subplots(2, 1)
        _against_time(above, planned)
        _uncertainty(below, planned)

    return draw


def _against_time(ax: Axes, planned: Planned) -> None:
    named = set()
    for step, start_min in zip(planned.schedule.steps, planned.schedule.starts_min, strict=True):
        hours = [start_min / 60, (start_min + step.minutes) / 60]
        if step.what == "ramp":
            parts = [("heating" if step.to_c > step.from_c else "cooling", hours, 2.0)]
        else:
            settled = hours[0] + step.settle_min / 60
            parts = [("settling", [hours[0], settled], 2.0), ("averaging", [settled, hours[1]], 5.0)]
        for name, when, width in parts:
            label = name if name not in named else None
            ax.plot(when, [step.to_c if step.what == "soak" else step.from_c, step.to_c], color=COLOURS[name],
                    linewidth=width, solid_capstyle="butt", label=label)  # fmt: skip
            named.add(name)
    ax.set_xlabel("time since start [h]")
    ax.set_ylabel("chamber [degC]")
    ax.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=4, fontsize=9, borderaxespad=0.2)


COLOURS = {"heating": HEATING, "cooling": COOLING, "settling": QUIET, "averaging": CURVE}


def _uncertainty(ax: Axes, planned: Planned) -> None:
    foretold, budget = planned.foretold, planned.budget
    if planned.next_soaks is not None:
        ax.plot(planned.next_soaks.at_c, planned.next_soaks.now_ppb, color=QUIET, linewidth=1.5, label="now")
    ax.plot(foretold.at_c, foretold.noise_ppb, color=CURVE, linewidth=1.8, label="by noise, as planned")
    together = [budget.u_ppb(float(noise)) for noise in foretold.noise_ppb]
    ax.plot(foretold.at_c, together, color=INK, linewidth=1.2, label="with reference and lag")
    ax.axhline(budget.needed_u_ppb, color=DROPPED, linestyle="--", linewidth=1.2, label="needed")
    soaks = sorted({step.to_c for step in planned.schedule.steps if step.what == "soak"})
    ax.plot(soaks, [0.0] * len(soaks), "^", color=CURVE, markersize=7, clip_on=False, label="soaks",
            transform=ax.get_xaxis_transform())  # fmt: skip
    ax.set_yscale("log")
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_xlabel("crystal temperature [degC]")
    ax.set_ylabel("standard uncertainty [ppb]")
    ax.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=5, fontsize=9, borderaxespad=0.2)
