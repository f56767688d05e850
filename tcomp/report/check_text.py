"""What a check found, in words for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tcomp.report.numbers import number, with_u


def check_rows(figures: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """The verdict first, then what it rests on."""
    yield "verdict", f"{figures['checked']} {VERDICTS[figures['status']]}"
    yield "samples", _samples_words(figures)
    for base in figures["base"]:
        yield "base moved by", f"{with_u(base['moved_ppb'], base['u_ppb'], 'ppb')}, {base['log']}; not judged"
    for place, remainder in enumerate(figures["remainders"]):
        yield from _remainder_rows(remainder, shares=place == 0)
    yield "", f"RMS and mean [ppb]: {'; '.join(one['what'] for one in figures['remainders'])}"
    for part in figures["by_temperature"]:
        yield "by temperature", _part_words(part)
    for part in figures["by_leg"]:
        rate = f" at {number(part['rate_c_per_min'], 2)} degC/min" if _moves(part) else ""
        yield "by leg", f"{part['words']}{rate}, {_part_words(part)}"


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


def _remainder_rows(remainder: dict[str, Any], *, shares: bool) -> Iterator[tuple[str, str]]:
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


def _part_words(part: dict[str, Any]) -> str:
    pairs = zip(part["rms_ppb"], part["mean_ppb"], strict=True)
    values = "; ".join(f"{number(rms)} RMS, mean {number(mean)}" for rms, mean in pairs)
    return f"{part['low_c']:.4g} to {part['high_c']:.4g} degC, {part['samples']} samples: {values}"
