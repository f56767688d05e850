"""A check, a corrected log and a trimmed base on the terminal, and the picture of a check."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tcomp.documents.check import CheckDocument, PredictionKind, Remainder, ShapeTest
from tcomp.documents.check import Part as CheckPart
from tcomp.documents.upkeep import ApplyDocument, NextTrim, RetrimDocument
from tcomp.report.layout import Columns, Part, Row
from tcomp.report.pictures import COOLING, CURVE, HEATING, INK, QUIET, write_picture
from tcomp.report.words import number, with_u
from tcomp.units import degc_text
from tcomp.upkeep.check import CheckResult
from tcomp.upkeep.check import Remainder as CheckedRemainder

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def check_parts(check: CheckDocument) -> Iterator[Part]:
    """The verdict first, then what it rests on."""
    yield [*_verdict_rows(check)]
    heads = [head for one in check.remainders for head in (f"{SHORT[one.what]}\nRMS", "\nmean")]
    yield "By temperature [degC, ppb]:"
    parts = check.by_temperature
    yield Columns(("from", "to", "samples", *heads), tuple(tuple(_part_cells(part)) for part in parts), words=())
    for log, legs in groupby(check.by_leg, lambda part: part.log):
        yield f"By leg of {log} [degC, degC/min, ppb]:"
        yield Columns(("leg", "rate", "from", "to", "samples", *heads), tuple(tuple(_leg_cells(leg)) for leg in legs))


def _verdict_rows(check: CheckDocument) -> Iterator[Row]:
    yield "verdict", f"{check.checked} {CHECK_VERDICTS[check.status]}"
    yield "samples", _samples_words(check)
    for base in check.base:
        yield "base moved by", f"{with_u(base.moved_ppb, base.u_ppb, 'ppb')}, {base.log}; not judged"
    for place, remainder in enumerate(check.remainders):
        yield from _remainder_rows(remainder, shares=place == 0)


SHORT: dict[PredictionKind, str] = {
    "as the firmware reads it": "as read",
    "at the crystal's temperature": "at crystal",
    "at the sensor's reading": "at sensor",
}
"""Heads of columns."""


def _leg_cells(leg: CheckPart) -> Iterator[str]:
    yield str(leg.leg)
    yield number(leg.rate_c_per_min, 2) if _moves(leg) else ""
    yield from _part_cells(leg)


def _part_cells(part: CheckPart) -> Iterator[str]:
    yield from (f"{part.low_c:z.1f}", f"{part.high_c:z.1f}", str(part.samples))
    for rms, mean in zip(part.rms_ppb, part.mean_ppb, strict=True):
        yield from (number(rms), number(mean, 2))


CHECK_VERDICTS = {
    "holds": "HOLDS: what remains is what was promised",
    "does not hold": "DOES NOT HOLD: more remains than was promised",
    "too short to tell": "UNDECIDED: the run is too short, or covers too little of the range",
}


def _moves(part: CheckPart) -> bool:
    return part.leg in ("heating", "cooling")


def _samples_words(check: CheckDocument) -> str:
    low_c, high_c = check.judged_range_c
    return (
        f"{check.samples_judged} judged, {degc_text(low_c)} to {degc_text(high_c)} degC, that tell as much as "
        f"{check.effective_samples:.0f} independent ones; {check.samples_outside_the_range} outside the range "
        f"and {check.samples_after_a_start} soon after a start not judged"
    )


def _remainder_rows(remainder: Remainder, *, shares: bool) -> Iterator[Row]:
    left = (
        f"{number(remainder.rms_ppb)} ppb RMS, 95 % within {number(remainder.p95_ppb)}, "
        f"largest {number(remainder.max_ppb)}"
    )
    judged, shape = remainder.judgement, remainder.shape
    if shape is not None:
        yield remainder.what, left if judged is not None else f"{left}: {shape.status}"
        yield from _shape_rows(shape)
    if judged is None:
        if shape is None:
            yield remainder.what, f"{left}; not judged"
        return
    yield remainder.what, f"{left}: {judged.status}"
    yield (
        "  promised",
        f"{number(judged.promised_rms_ppb)} ppb RMS, 95 % within {number(judged.promised_p95_ppb)}, "
        f"largest {number(judged.promised_max_ppb)}",
    )
    for share in judged.shares if shares else ():
        yield "    share", f"{number(share.rms_ppb)} ppb RMS, 95 % {number(share.p95_ppb)}: {share.words}"
    yield (
        "  fails beyond",
        f"{number(judged.limit_rms_ppb)} ppb RMS, or {100 * judged.limit_share:.1f} % of the samples beyond the "
        f"promised 95 % (here {100 * judged.beyond_promised_p95_share:.1f} %)",
    )


def _shape_rows(shape: ShapeTest) -> Iterator[Row]:
    difference, slope = (
        with_u(shape.difference_ppb, shape.u_ppb, "ppb"),
        with_u(shape.slope_ppb_per_c, shape.slope_u_ppb_per_c, "ppb/degC"),
    )
    local = f"; {number(shape.local_ppb)} ppb RMS in places" if shape.local_ppb else ""
    yield (
        "  shape",
        f"{shape.status}: the smooth difference is {difference} at most, at {degc_text(shape.at_c)} degC, its slope {slope}, "
        f"{number(shape.times, 2)} times what fails{local}",
    )
    times = f", {number(shape.noise_ppb / shape.built_ppb, 2)} times the build's" if shape.built_ppb > 0 else ""
    yield "  noise", f"{number(shape.noise_ppb)} ppb a sample{times}; not judged"


PANEL_HEIGHT = 3.0


def write_check_picture(checked: CheckResult, path: Path) -> Path:
    """Write the picture as SVG or PNG, by the file's name."""
    return write_picture(
        path,
        remaining(checked),
        name="check",
        alt="Remaining error against temperature, by leg, with the promise as a band",
        height=PANEL_HEIGHT * len(checked.remainders),
    )


def remaining(checked: CheckResult) -> Callable[[Figure], None]:
    """A panel for each remainder, over the sensor's temperature."""

    def draw(figure: Figure) -> None:
        panels = figure.subplots(len(checked.remainders), 1, sharex=True, squeeze=False)[:, 0]
        for ax, remainder in zip(panels, checked.remainders, strict=True):
            _panel(ax, checked, remainder)
        panels[-1].set_xlabel("sensor temperature [degC]")

    return draw


def _panel(ax: Axes, checked: CheckResult, remainder: CheckedRemainder) -> None:
    for words, colour in (("heating", HEATING), ("cooling", COOLING), ("soak", QUIET), ("unordered", CURVE)):
        legs = [number for number, leg in enumerate(checked.fresh.legs) if leg.kind == words]
        here = np.isin(checked.fresh.leg, legs)
        if here.any():
            at_c, left = checked.fresh.sensor_c[here], remainder.error_ppb[here]
            ax.plot(at_c, left, ".", color=colour, markersize=2.5, alpha=0.6, label=words, rasterized=True)
    if remainder.promise is not None:
        within = remainder.promise.p95_ppb
        ax.axhspan(-within, within, color=CURVE, alpha=0.2, linewidth=0, label="promised, 95 %")
    ax.axhline(0, color=INK, linewidth=0.8)
    status = f": {', '.join(remainder.statuses)}" if remainder.statuses else ", not judged"
    ax.set_title(remainder.words + status, fontsize=10, loc="left")
    ax.set_ylabel("what remains [ppb]")
    # Above the panel: inside, it would cover samples.
    ax.legend(loc="lower right", bbox_to_anchor=(1, 1), ncols=4, fontsize=9, borderaxespad=0.2, markerscale=2)


def apply_rows(found: ApplyDocument) -> Iterator[Row]:
    """What was done to a log."""
    factor = {"frequency": "times 1 + y", "interval": "divided by 1 + y", "times": "less the integral of y"}[
        found.quantity
    ]
    yield "corrected", f"{found.rows} rows of {found.log}: column {found.column}, {factor}"
    for state, count in found.states.items():
        if count:
            yield f"  {state}", f"{count} rows{STATE_NOTES[state]}"
    if found.offset_ppb:
        low, high = found.offset_ppb
        yield "offset taken off", f"{number(low, 5)} to {number(high, 5)} ppb"
    if found.u_ppb:
        low, high = found.u_ppb
        yield "standard uncertainty", f"{number(low)} to {number(high)} ppb"
    for warning in found.warnings:
        yield "warning", warning


STATE_NOTES = {
    "ok": "",
    "after a start": ": the lag filter has not settled, so the crystal's temperature is a guess",
    "outside range": ": the offset of the range's end is held, and its uncertainty is not known",
    "no reading": ", left empty",
    "no time": ", left empty: the lag cannot be followed",
    "before the mark": ", left empty: the clock's error is counted from the mark on",
    "no temperature": ", left empty: none is there, or one that cannot be",
}


def retrim_rows(found: RetrimDocument) -> Iterator[Row]:
    """The verdict first, then what it rests on."""
    point, reference = found.point, f"at {found.reference_c:g} degC"
    yield "base", TRIM_VERDICTS[found.status]
    predicted = with_u(found.predicted_ppb, found.predicted_u_ppb, "ppb")
    yield (
        "predicted",
        f"{predicted} {reference}, {number(found.days_since_the_base_before)} days after the base before",
    )
    yield (
        "measured",
        f"{with_u(point.base_ppb, point.u_ppb, 'ppb')} {reference}, by a point at {point.temperature_c:.4g} degC",
    )
    yield "apart by", f"{number(found.away_in_u, 2)} standard uncertainties"
    ageing = found.ageing
    rate = with_u(ageing.ppb_per_day, ageing.u_ppb_per_day, "ppb/day")
    if found.status == "refused":
        yield "ageing", f"{rate} before; {ageing.words}"
        yield "possible causes", CAUSES[found.suspected or "fault or step"]
        return
    yield "base now", f"{with_u(found.base_ppb, found.base_u_ppb, 'ppb')} {reference}"
    yield (
        "trim value",
        f"{found.trim_ppt:+d} ppt (1e-12), for firmware that adds a stored base to the table of the last build",
    )
    yield "ageing now", f"{rate}; {ageing.words}"
    yield "next trim", _due_words(found.due)


TRIM_VERDICTS = {
    "trimmed": "TRIMMED: prediction and point, weighed by their uncertainties",
    "accepted as a step": "TRIMMED: the point contradicts, and is taken as a step of the oscillator",
    "accepted as a bend": "TRIMMED: the ageing bends; with the point refused before, its rate is estimated again",
    "refused": "REFUSED: the point contradicts curve and ageing; nothing was changed but the history",
}
CAUSES = {
    "fault or step": "retrace after a time without power, a jump of the crystal, a temperature that was not steady, another sensor "
    "or reference; measure again, or take it as a step with --accept",
    "step": "a step of the base: a point before was refused too, and is off by as much; take it with --accept",
    "bend": "the ageing bends: the point before was refused on the same side, and no step explains both; take both with "
    "--accept, and the rate is estimated again",
    "step or bend": "a step of the base, or the ageing bends: the point before was refused on the same side; wait for a later "
    "point, which tells, or take it as a step with --accept",
}


def _due_words(due: NextTrim | None) -> str:
    if due is None:
        return "no date: the job does not say what is needed"
    need = f"for {number(due.needed_ppb)} ppb (k = 2)"
    if due.date is None:
        return f"not within twenty years, {need}"
    limit = "; the history is too short, or has too few trims, for more" if due.cut_short_by_the_history else ""
    return f"due {due.date}, in {due.days:.0f} days, {need}; {number(due.now_ppb)} ppb right after this one{limit}"
