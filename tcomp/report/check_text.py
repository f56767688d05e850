"""What a check found, in words for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from typing import Any

from tcomp.report.layout import Columns, Part, Row
from tcomp.report.numbers import number, with_u


def check_parts(figures: dict[str, Any]) -> Iterator[Part]:
    """The verdict first, then what it rests on."""
    yield [*_verdict_rows(figures)]
    heads = [head for one in figures["remainders"] for head in (f"{SHORT[one['what']]}\nRMS", "\nmean")]
    yield "By temperature [degC, ppb]:"
    parts = figures["by_temperature"]
    yield Columns(("from", "to", "samples", *heads), tuple(tuple(_part_cells(part)) for part in parts), words=())
    for log, legs in groupby(figures["by_leg"], lambda part: str(part["words"]).rpartition(": ")[0]):
        yield f"By leg of {log} [degC, degC/min, ppb]:"
        yield Columns(("leg", "rate", "from", "to", "samples", *heads), tuple(tuple(_leg_cells(leg)) for leg in legs))


def _verdict_rows(figures: dict[str, Any]) -> Iterator[Row]:
    yield "verdict", f"{figures['checked']} {VERDICTS[figures['status']]}"
    yield "samples", _samples_words(figures)
    for base in figures["base"]:
        yield "base moved by", f"{with_u(base['moved_ppb'], base['u_ppb'], 'ppb')}, {base['log']}; not judged"
    for place, remainder in enumerate(figures["remainders"]):
        yield from _remainder_rows(remainder, shares=place == 0)


SHORT = {
    "as the firmware reads it": "as read",
    "at the crystal's temperature": "at crystal",
    "at the sensor's reading": "at sensor",
}
"""Heads of columns."""


def _leg_cells(leg: dict[str, Any]) -> Iterator[str]:
    yield str(leg["words"]).rpartition(": ")[2]
    yield number(leg["rate_c_per_min"], 2) if _moves(leg) else ""
    yield from _part_cells(leg)


def _part_cells(part: dict[str, Any]) -> Iterator[str]:
    yield from (f"{part['low_c']:z.1f}", f"{part['high_c']:z.1f}", str(part["samples"]))
    for rms, mean in zip(part["rms_ppb"], part["mean_ppb"], strict=True):
        yield from (number(rms), number(mean, 2))


VERDICTS = {
    "holds": "HOLDS: what remains is what was promised",
    "does not hold": "DOES NOT HOLD: more remains than was promised",
    "too short to tell": "NOT TOLD: the run is too short, or covers too little of the range",
}


def _moves(part: dict[str, Any]) -> bool:
    return str(part["words"]).endswith(("heating", "cooling"))


def _samples_words(figures: dict[str, Any]) -> str:
    low_c, high_c = figures["judged_range_c"]
    return (
        f"{figures['samples_judged']} judged, {low_c:.4g} to {high_c:.4g} degC, that tell as much as "
        f"{figures['effective_samples']:.0f} independent ones; {figures['samples_outside_the_range']} outside the range "
        f"and {figures['samples_after_a_start']} soon after a start not judged"
    )


def _remainder_rows(remainder: dict[str, Any], *, shares: bool) -> Iterator[Row]:
    left = (
        f"{number(remainder['rms_ppb'])} ppb RMS, 95 % within {number(remainder['p95_ppb'])}, "
        f"largest {number(remainder['max_ppb'])}"
    )
    judged = remainder["judgement"]
    if judged is None:
        yield remainder["what"], f"{left}; not judged"
        return
    yield remainder["what"], f"{left}: {judged['status']}"
    yield (
        "  promised",
        f"{number(judged['promised_rms_ppb'])} ppb RMS, 95 % within {number(judged['promised_p95_ppb'])}, "
        f"largest {number(judged['promised_max_ppb'])}",
    )
    for share in judged["shares"] if shares else ():
        yield "    share", f"{number(share['rms_ppb'])} ppb RMS, 95 % {number(share['p95_ppb'])}: {share['words']}"
    yield (
        "  fails beyond",
        f"{number(judged['limit_rms_ppb'])} ppb RMS, or {100 * judged['limit_share']:.1f} % of the samples beyond the "
        f"promised 95 % (here {100 * judged['beyond_promised_p95_share']:.1f} %)",
    )
