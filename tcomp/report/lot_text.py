"""What a lot is like, in words for the terminal and the page."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tcomp.report.layout import Row
from tcomp.report.numbers import number

SHOWN = 10
"""Units listed on the terminal; all stand in lot.csv."""


def lot_rows(figures: dict[str, Any]) -> Iterator[Row]:
    """What became of the units first, then what they are like."""
    yield "lot", figures["lot"]
    yield "units", f"{figures['done']} of {figures['units']} done"
    yield from _listed("FAILED", [f"{one['unit']}: {failed_words(one)}" for one in figures["failed"]])
    yield from _listed("C DIFFERS", figures["proof"]["not_holding"])
    if figures["yield"] is not None:
        yield "yield", yield_words(figures["yield"])
    for reason in figures["proof"]["not_run"]:
        yield "not proven", reason
    yield from _listed("odd", [f"{one['unit']}: {one['why']}" for one in figures["odd"]["units"]])
    yield ("" if figures["odd"]["units"] else "odd"), ("" if figures["odd"]["units"] else "none; ") + odd_words(figures)
    for name, one in figures["figures"].items():
        yield name, distribution_words(one)
    yield "a new unit", prior_words(figures)


def _listed(name: str, lines: list[str]) -> Iterator[Row]:
    for line in lines[:SHOWN]:
        yield name, line
    if len(lines) > SHOWN:
        yield name, f"and {len(lines) - SHOWN} more, in lot.csv"


def failed_words(one: dict[str, Any]) -> str:
    """Why a unit failed."""
    return f"a defect of this program, not of the log: {one['reason']}" if one["defect"] else one["reason"]


def yield_words(found: dict[str, Any]) -> str:
    """How many meet the need, and how well that is known."""
    return (
        f"{found['meeting']} of {found['of']} units stay within {number(found['needed_ppb'])} ppb ({100 * found['share']:.1f} %; "
        f"{100 * found['confidence']:.0f} % interval {100 * found['low']:.1f} to {100 * found['high']:.1f} %)"
    )


def odd_words(figures: dict[str, Any]) -> str:
    """By what odd units are found, and how often a sound one is."""
    odd = figures["odd"]
    if not odd["method"]:
        return "too few units to tell an odd one from the others"
    return f"{odd['method']}; a sound unit is taken for odd with a chance of {odd['false_alarm']:g}"


def distribution_words(one: dict[str, Any]) -> str:
    """Median and spread of a figure."""
    own = f"; each known to {number(one['median_own_u'], 2)}" if one["median_own_u"] is not None else ""
    spread = f"spread {figure(one['robust_spread'], one['unit'], 2)}, of {one['units']} units"
    return f"median {figure(one['median'], one['unit'], 4)} {one['unit']}, {spread}{own}"


def figure(value: float, unit: str, digits: int) -> str:
    """A number of this unit; bytes are whole.

    >>> figure(128.0, "bytes", 5), figure(5.5, "ppb", 2)
    ('128', '5.5')
    """
    return f"{value:.0f}" if unit == "bytes" else number(value, digits)


def prior_words(figures: dict[str, Any]) -> str:
    """Whether the lot foretells the next unit."""
    prior = figures["prior"]
    if prior is None:
        return f"not foretold: {figures['no_prior']}"
    low_c, high_c = prior["basis"]["low_c"], prior["basis"]["high_c"]
    return (
        f"foretold from {low_c:.4g} to {high_c:.4g} degC by {prior['units']} units, degree {prior['basis']['degree']}; a few soaks "
        "place it, with lot.json as the prior of `tcomp fit`"
    )
