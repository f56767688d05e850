"""A schedule for the chamber: on the terminal, as CSV and as a picture."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from tcomp.documents.plan import NextSoaks, PlanDocument, PredictedEffect, Prediction, SettingDocument, Step
from tcomp.planning.plan import PlanResult
from tcomp.report.layout import Columns, Part, Row
from tcomp.report.pictures import COOLING, CURVE, DROPPED, HEATING, INK, QUIET, write_picture
from tcomp.report.words import number
from tcomp.units import degc_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ATTENDED_H = 10.0
"""A long day beside a heater (common practice, no source). [h]"""


def plan_parts(found: PlanDocument) -> Iterator[Part]:
    """The whole schedule, for the terminal."""
    low_c, high_c = found.range_c
    yield f"Schedule for {found.oscillator}, {degc_text(low_c)} to {degc_text(high_c)} degC"
    yield _steps(found.steps)
    yield [*plan_rows(found)]
    yield [("warning", caution) for caution in found.cautions]


def _steps(steps: tuple[Step, ...]) -> Columns:
    """A row for each step."""
    head = ("step", "what", "from\n[degC]", "to\n[degC]", "rate\n[degC\n/min]", "time\n[min]", "start\n[h:min]", "why")
    return Columns(head, tuple(tuple(_cells(step)) for step in steps), words=(1, 7))


def _cells(step: Step) -> Iterator[str]:
    ramp = step.what == "ramp"
    yield f"{step.step:>4}"
    yield step.what
    yield f"{step.from_c:.1f}" if ramp else ""
    yield f"{step.to_c:.1f}"
    yield f"{step.rate_c_per_min:.2g}" if ramp else ""
    yield f"{step.minutes:.0f}"
    yield clock(step.start_min)
    yield _why(step)


def _why(step: Step) -> str:
    if step.what == "ramp":
        return step.why
    return f"settle {step.settle_min:.0f}, average {step.average_min:.0f}: {step.why}"


def clock(minutes: float) -> str:
    """Hours and minutes.

    >>> clock(0.0), clock(125.4), clock(1499.7)
    ('0:00', '2:05', '25:00')
    """
    whole = round(minutes)
    return f"{whole // 60}:{whole % 60:02d}"


def steps_csv(steps: tuple[Step, ...]) -> str:
    """The steps as CSV, for a chamber's controller or a spreadsheet."""
    buffer = io.StringIO()
    names = [
        "step",
        "what",
        "from_c",
        "to_c",
        "rate_c_per_min",
        "minutes",
        "settle_min",
        "average_min",
        "start_min",
        "start",
    ]
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([*names, "why"])
    for step in steps:
        values = (getattr(step, name) for name in names[:-1])
        shown = [f"{value:.6g}" if isinstance(value, float) else value for value in values]
        writer.writerow([*shown, clock(step.start_min), step.why])
    return buffer.getvalue()


def plan_rows(found: PlanDocument) -> Iterator[Row]:
    """Totals, the predicted uncertainty, and how the schedule separates the effects."""
    yield "total", _total_words(found)
    if found.total_h > ATTENDED_H:
        yield (
            "  warning",
            "longer than one person stays with it: have it watched, or bound it by [chamber] longest_hours",
        )
    yield (
        "readings",
        f"gate {found.gate_s:g} s, {number(found.reading_u_ppb)} ppb each; the mean of a soak, over "
        f"{found.averaging_s / 60:.0f} min, {number(found.soak_u_ppb)} ppb",
    )
    what = f"a curve of degree {found.degree}" if found.after is None else found.after.curve
    yield "planned for", f"{what}, a lag of {found.lag_s:.0f} s"
    yield from _given_rows(found.gives)
    if found.after is not None:
        yield from _after_rows(found.after)
    yield from _effect_rows(found.effects)
    for sentence in found.separation:
        yield "identified by", sentence


def _total_words(found: PlanDocument) -> str:
    return f"{clock(60 * found.total_h)} h:min, {found.readings} rows, about {found.file_bytes / 1e6:.2g} MB as CSV"


def _given_rows(gives: Prediction) -> Iterator[Row]:
    verdict = "as needed" if gives.holds else "NOT what is needed"
    yield (
        "predicted",
        f"curve within {number(gives.curve_k2_ppb)} ppb (k = 2), {verdict}: {number(gives.needed_k2_ppb)} ppb",
    )
    yield (
        "  noise",
        f"{number(gives.worst_noise_u_ppb)} ppb at worst, at {gives.worst_at_c:.3g} degC (standard uncertainty; median "
        f"{number(gives.middle_noise_u_ppb)}); {100 * gives.noise_share:.2g} % of the need, allowed "
        f"{number(gives.noise_limit_u_ppb)} ppb",
    )
    yield "  reference", f"{number(gives.reference_u_ppb)} ppb, the same at every temperature"
    yield "  lag", f"at most {number(gives.lag_left_ppb)} ppb when the averaging begins, before any fit"
    if gives.next_degree_seen_from_ppb is not None:
        yield (
            "  lack of fit",
            f"a term of one degree more shows from {number(gives.next_degree_seen_from_ppb)} ppb on",
        )


def _after_rows(after: NextSoaks) -> Iterator[Row]:
    enough = ": enough already; the soaks below lower it" if after.enough else ""
    yield (
        "now",
        f"{number(after.worst_u_now_ppb)} ppb at worst by noise, at {after.worst_now_at_c:.3g} degC{enough}",
    )
    yield "  next soaks", f"{', '.join(f'{at_c:.1f}' for at_c in sorted(after.chosen_c))} degC"
    for best_c, worst in zip(after.best_c, after.worst_u_of_best_ppb, strict=True):
        yield (
            f"  best {len(best_c)}",
            f"{number(worst)} ppb at worst, {', '.join(f'{at_c:.1f}' for at_c in best_c)} degC",
        )


def _effect_rows(effects: dict[str, PredictedEffect]) -> Iterator[Row]:
    for name, effect in effects.items():
        if effect.identifiable:
            apart = f"{100 * effect.share:.0f} % of its signal is independent of the other terms"
            yield name, f"predicted u {number(effect.u, 2)} {effect.unit}; {apart}"
        else:
            yield name, "not identifiable: the curve and the other effects imitate it in this schedule"


def setting_rows(found: SettingDocument) -> Iterator[Row]:
    """How long to average to set the oscillator."""
    yield "to set within", f"{number(found.u_ppb)} ppb of the reference (standard uncertainty)"
    yield (
        "average",
        f"{_duration(found.averaging_s)} of readings with a gate of {found.gate_s:g} s; or one gate of "
        f"{_duration(found.one_gate_s)}",
    )
    if found.hold_c is not None:
        yield (
            "hold still",
            f"the board within {number(found.hold_c, 2)} degC meanwhile, or its curve moves as much",
        )
    yield "warning", f"the reference itself is known to {number(found.reference_u_ppb)} ppb"


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{number(seconds, 3)} s"
    return f"{number(seconds / 60, 3)} min" if seconds < 7200 else f"{number(seconds / 3600, 3)} h"


HEIGHT = 6.4


def write_plan_picture(planned: PlanResult, path: Path) -> Path:
    """Write the picture as SVG or PNG, by the file's name."""
    alt = "Temperature of the chamber against time, and the curve's uncertainty against temperature"
    return write_picture(path, panels(planned), name="plan", alt=alt, height=HEIGHT)


def panels(planned: PlanResult) -> Callable[[Figure], None]:
    """Time above, temperature below."""

    def draw(figure: Figure) -> None:
        above, below = figure.subplots(2, 1)
        _against_time(above, planned)
        _uncertainty(below, planned)

    return draw


def _against_time(ax: Axes, planned: PlanResult) -> None:
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


def _uncertainty(ax: Axes, planned: PlanResult) -> None:
    predicted, budget = planned.prediction, planned.budget
    if planned.next_soaks is not None:
        ax.plot(planned.next_soaks.at_c, planned.next_soaks.now_ppb, color=QUIET, linewidth=1.5, label="now")
    ax.plot(predicted.at_c, predicted.noise_ppb, color=CURVE, linewidth=1.8, label="by noise, as planned")
    total_ppb = [budget.u_ppb(float(noise)) for noise in predicted.noise_ppb]
    ax.plot(predicted.at_c, total_ppb, color=INK, linewidth=1.2, label="with reference and lag")
    ax.axhline(budget.needed_u_ppb, color=DROPPED, linestyle="--", linewidth=1.2, label="needed")
    soaks = sorted({step.to_c for step in planned.schedule.steps if step.what == "soak"})
    ax.plot(soaks, [0.0] * len(soaks), "^", color=CURVE, markersize=7, clip_on=False, label="soaks",
            transform=ax.get_xaxis_transform())  # fmt: skip
    ax.set_yscale("log")
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_xlabel("crystal temperature [degC]")
    ax.set_ylabel("standard uncertainty [ppb]")
    ax.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=5, fontsize=9, borderaxespad=0.2)
