"""A corrected log and a trimmed base, in words for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tcomp.report.layout import Row
from tcomp.report.numbers import number, with_u


def apply_rows(figures: dict[str, Any]) -> Iterator[Row]:
    """What was done to a log."""
    factor = {"frequency": "times 1 + y", "interval": "divided by 1 + y"}[figures["quantity"]]
    yield "corrected", f"{figures['rows']} rows of {figures['log']}: column {figures['column']}, {factor}"
    for state, count in figures["states"].items():
        if count:
            yield f"  {state}", f"{count} rows{MEANT[state]}"
    if figures["offset_ppb"]:
        low, high = figures["offset_ppb"]
        yield "offset taken off", f"{number(low, 5)} to {number(high, 5)} ppb"
    if figures["u_ppb"]:
        low, high = figures["u_ppb"]
        yield "standard uncertainty", f"{number(low)} to {number(high)} ppb"


MEANT = {
    "ok": "",
    "after a start": ": the lag filter has not settled, so the crystal's temperature is a guess",
    "outside range": ": the offset of the range's end is held, and its uncertainty is not known",
    "no reading": ", left empty",
    "no time": ", left empty: the lag cannot be followed",
    "no temperature": ", left empty: none is there, or one that cannot be",
}


def retrim_rows(figures: dict[str, Any]) -> Iterator[Row]:
    """The verdict first, then what it rests on."""
    point, reference = figures["point"], f"at {figures['reference_c']:g} degC"
    yield "base", VERDICTS[figures["status"]]
    predicted = with_u(figures["predicted_ppb"], figures["predicted_u_ppb"], "ppb")
    yield (
        "predicted",
        f"{predicted} {reference}, {number(figures['days_since_the_base_before'])} days after the base before",
    )
    yield (
        "measured",
        f"{with_u(point['base_ppb'], point['u_ppb'], 'ppb')} {reference}, by a point at {point['temperature_c']:.4g} degC",
    )
    yield "apart by", f"{number(figures['away_in_u'], 2)} standard uncertainties"
    ageing = figures["ageing"]
    rate = with_u(ageing["ppb_per_day"], ageing["u_ppb_per_day"], "ppb/day")
    if figures["status"] == "refused":
        yield "ageing", f"{rate} before; {ageing['words']}"
        yield (
            "possible causes",
            "retrace after a time without power, a jump of the crystal, a temperature that was not steady, another sensor or "
            "reference; measure again, or take it as a step with --accept",
        )
        return
    yield "base now", f"{with_u(figures['base_ppb'], figures['base_u_ppb'], 'ppb')} {reference}"
    yield (
        "trim value",
        f"{figures['trim_ppt']:+d} ppt, for firmware that adds a stored base to the table of the last build",
    )
    yield "ageing now", f"{rate}; {ageing['words']}"
    yield "next trim", _due_words(figures["due"])


VERDICTS = {
    "trimmed": "TRIMMED: prediction and point, weighed by their uncertainties",
    "accepted as a step": "TRIMMED: the point contradicts, and is taken as a step of the oscillator",
    "refused": "REFUSED: the point contradicts curve and ageing; nothing was changed",
}


def _due_words(due: dict[str, Any] | None) -> str:
    if due is None:
        return "no date: the job does not say what is needed"
    need = f"for {number(due['needed_ppb'])} ppb (k = 2)"
    if due["date"] is None:
        return f"not within twenty years, {need}"
    limit = "; the history is too short for more" if due["cut_short_by_the_history"] else ""
    return f"due {due['date']}, in {due['days']:.0f} days, {need}; {number(due['now_ppb'])} ppb right after this one{limit}"
