"""A lot on the terminal and on its page: units that need a look, figures of all units, and their charts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.documents.lot import Distribution, FailedUnit, LotCurves, LotDocument, LotFigures, UnitFigures, Yield
from tcomp.report.chart import Band, Chart, Level, Note, Panel, Series
from tcomp.report.layout import Row as TerminalRow
from tcomp.report.render import rendered
from tcomp.report.section import Grid, Row, Section
from tcomp.report.words import number
from tcomp.units import degc_text

SHOWN = 10
"""Units listed on the terminal; all stand in lot.csv."""


def lot_rows(found: LotDocument) -> Iterator[TerminalRow]:
    """The result of the units first, then their figures."""
    yield "lot", found.lot
    yield "units", f"{found.done} of {found.units} done"
    yield from _listed("FAILED", [f"{one.unit}: {failed_words(one)}" for one in found.failed])
    yield from _listed("C DIFFERS", found.proof.not_holding)
    if found.yield_ is not None:
        yield "yield", yield_words(found.yield_)
    for reason in found.proof.not_run:
        yield "not proven", reason
    yield from _listed("odd", [f"{one.unit}: {one.why}" for one in found.odd.units])
    yield ("" if found.odd.units else "odd"), ("" if found.odd.units else "none; ") + odd_words(found)
    for name, one in found.figures.items():
        yield name, distribution_words(one)
    yield "a new unit", prior_words(found)


def _listed(name: str, lines: Sequence[str]) -> Iterator[TerminalRow]:
    for line in lines[:SHOWN]:
        yield name, line
    if len(lines) > SHOWN:
        yield name, f"and {len(lines) - SHOWN} more, in lot.csv"


def failed_words(one: FailedUnit) -> str:
    """Why a unit failed."""
    return f"a defect of this program, not of the log: {one.reason}" if one.defect else one.reason


def yield_words(found: Yield) -> str:
    """How many meet the need, and how well that is known."""
    return (
        f"{found.meeting} of {found.of} units stay within {number(found.needed_ppb)} ppb ({100 * found.share:.1f} %; "
        f"{100 * found.confidence:.0f} % interval {100 * found.low:.1f} to {100 * found.high:.1f} %)"
    )


def odd_words(found: LotDocument) -> str:
    """How odd units are found, and how often a sound one is called odd."""
    odd = found.odd
    if not odd.method:
        return "too few units to tell an odd one from the others"
    return f"{odd.method}; a sound unit is taken for odd with a chance of {odd.false_alarm:g}"


def distribution_words(one: Distribution) -> str:
    """Median and spread of a figure."""
    own = f"; each known to {number(one.median_own_u, 2)}" if one.median_own_u is not None else ""
    spread = f"spread {figure(one.robust_spread, one.unit, 2)}, of {one.units} units"
    return f"median {figure(one.median, one.unit, 4)} {one.unit}, {spread}{own}"


def figure(value: float | None, unit: str, digits: int) -> str:
    """A number of this unit; bytes are whole.

    >>> figure(128.0, "bytes", 5), figure(5.5, "ppb", 2)
    ('128', '5.5')
    """
    return f"{value:.0f}" if unit == "bytes" and value is not None else number(value, digits)


def prior_words(found: LotDocument) -> str:
    """Whether the lot has a prior for the next unit."""
    prior = found.prior
    if prior is None:
        return f"not predicted: {found.no_prior}"
    low_c, high_c = prior.basis.low_c, prior.basis.high_c
    names = [effect.name for one in prior.effects for effect in one.findings]
    shared = f", with {' and '.join(names)} in common" if names else ""
    return (
        f"predicted from {degc_text(low_c)} to {degc_text(high_c)} degC by {prior.units} units, degree "
        f"{prior.basis.degree}{shared}; a few soaks place it, or one sweep, with lot.json as the prior of `tcomp fit`"
    )


WORST = 10
"""Units in the list of the largest errors."""
LOOKED_AT = 100
"""Rows of units that need a look."""
LISTED = 500
"""Units up to which the page lists all; a longer list is read in lot.csv."""
ERROR = "error, 95 % within"


def lot_page(lot: LotFigures, *, units_have_pages: bool) -> str:
    """The page as text, the same bytes for the same results."""
    found = lot.document
    done = {row.unit: row.done for row in lot.rows if row.done is not None}
    sections = (
        _needing_a_look(found, done, units_have_pages),
        *((_in_common(lot), _errors(found, done, units_have_pages)) if done else ()),
        _all_units(lot, units_have_pages),
    )
    return rendered(
        name=found.lot,
        subject="a lot of oscillators",
        answer=_answer(found),
        warnings=_warnings(found),
        cards=_cards(found),
        sections=sections,
    )


def _answer(found: LotDocument) -> str:
    failed, odd = len(found.failed), len(found.odd.units)
    parts = [f"{found.done} of {found.units} units are done" + (f", {failed} failed" if failed else "") + "."]
    if found.yield_ is not None:
        parts.append(f"As logged, {yield_words(found.yield_)}; failed units count as not within.")
    if found.odd.method:
        are = "unit stands" if odd == 1 else "units stand"
        parts.append(f"{odd or 'No'} {are} outside the lot.")
    return " ".join(parts)


def _warnings(found: LotDocument) -> list[str]:
    proof = found.proof
    warnings = [f"{name}: THE GENERATED C DIFFERS FROM ITS SPECIFICATION. Do not use it." for name in proof.not_holding]
    defects = sum(one.defect for one in found.failed)
    if defects:
        warnings.append(f"{defects} units failed by a defect of this program, not of their logs.")
    return [*warnings, *(f"Not proven: {reason}" for reason in proof.not_run)]


TYPICAL = {"uncorrected": "uncorrected", "left, corrected, RMS": "left, held out, RMS", "table": "table"}
"""Cards of the page, and the figures that they show."""


def _cards(found: LotDocument) -> tuple[tuple[str, str, str], ...]:
    typical = [
        _card(label, found.figures[name], found.figures[name].unit)
        for label, name in TYPICAL.items()
        if name in found.figures
    ]
    odd = ("odd units", str(len(found.odd.units)), f"{100 * found.odd.false_alarm:g} % of sound ones by chance")
    counted = ("units done", f"{found.done} of {found.units}", f"{len(found.failed)} failed")
    need = ("yield", "not asked", "[use] needed_ppb is not given")
    if found.yield_ is not None:
        need = ("yield", f"{100 * found.yield_.share:.1f} %", f"within {number(found.yield_.needed_ppb)} ppb")
    return (counted, need, odd, *typical)


def _card(label: str, one: Distribution, unit: str) -> tuple[str, str, str]:
    return label, f"{figure(one.median, unit, 3)} {unit}", f"median; spread {figure(one.robust_spread, unit, 2)}"


def _needing_a_look(found: LotDocument, done: dict[str, UnitFigures], pages: bool) -> Section:
    rows = [Row((one.unit, "failed", failed_words(one)), chosen=one.defect) for one in found.failed]
    for one in found.odd.units:
        what = "covers too little" if done[one.unit].short else "odd"
        rows.append(Row((one.unit, what, one.why), link=_link(one.unit, pages)))
    rows += [
        Row((name, "does not meet the need", _error_words(unit)), link=_link(name, pages))
        for name, unit in done.items()
        if unit.meets is False and not unit.short
    ]
    texts = [f"Odd units: {odd_words(found)}."] if done else []
    if not rows:
        return Section("Units that need a look", ("None.", *texts))
    if len(rows) > LOOKED_AT:
        texts.append(f"The first {LOOKED_AT} of {len(rows)}; all stand in lot.csv.")
    return Section(
        "Units that need a look",
        tuple(texts),
        grids=(Grid(("unit", "what", "why"), tuple(rows[:LOOKED_AT]), caption="What is the matter with each"),),
    )


def _error_words(unit: UnitFigures) -> str:
    if unit.proof is False:
        return "its C differs from its specification"
    return f"95 % of its corrected readings stay within {number(_error_ppb(unit))} ppb"


def _error_ppb(unit: UnitFigures) -> float:
    return unit.figures[ERROR].value


def _in_common(lot: LotFigures) -> Section:
    found = lot.document
    rows = tuple(_figure_row(name, one) for name, one in found.figures.items())
    head = ("figure", "units", "median", "robust spread", "5 % to 95 %", "own u, median")
    texts = (
        "The robust spread is 1.4826 times the median distance from the median: a standard deviation that odd units do not move. "
        "Where it is not much larger than the units' own standard uncertainty (last column), the units are hardly distinguished.",
        f"A new unit is {prior_words(found)}.",
    )
    return Section(
        "What the units have in common",
        texts,
        (curves_chart(lot, found.curves),) if found.curves is not None else (),
        (Grid(head, rows, (1, 2, 3, 4, 5), "Figures over the units"),),
        small=tuple(histogram_charts(lot)),
        small_title="How is each figure spread? Dashed: the median; values more than five robust spreads off stand at the edge",
    )


def _figure_row(name: str, one: Distribution) -> Row:
    shown = ((one.median, 5), (one.robust_spread, 2), (one.p5, 4), (one.p95, 4))
    median, spread, low, high = (figure(value, one.unit, digits) for value, digits in shown)
    own = "-" if one.median_own_u is None else number(one.median_own_u, 2)
    return Row((f"{name} [{one.unit}]", str(one.units), median, spread, f"{low} to {high}", own))


def _errors(found: LotDocument, done: dict[str, UnitFigures], pages: bool) -> Section:
    known = {name: unit for name, unit in done.items() if not math.isnan(_error_ppb(unit))}
    worst = sorted(known, key=lambda name: -_error_ppb(known[name]))[:WORST]
    head = ("largest errors", *(label for _, label in COLUMNS))
    rows = tuple(Row((name, *_cells(known[name])), link=_link(name, pages)) for name in worst)
    text = (
        "The error of a unit is what 95 % of its held-out samples stay within, with twice the reference's standard uncertainty, "
        "plus the table's worst: as logged, before it ages. What it does in use over the years is the verdict's, on its own page."
    )
    drawn_ppb = [_error_ppb(unit) for unit in known.values() if not unit.short]
    return Section(
        "Error and yield",
        (text,),
        (errors_chart(found, drawn_ppb),) if drawn_ppb else (),
        (Grid(head, rows, tuple(range(1, len(head))), f"The {len(rows)} units with the largest errors"),),
    )


COLUMNS = (
    (ERROR, "error [ppb]"),
    ("left, held out, RMS", "left, RMS [ppb]"),
    ("table's worst error", "table, worst [ppb]"),
    ("table", "table [bytes]"),
)


def _cells(unit: UnitFigures) -> tuple[str, ...]:
    return tuple(figure(unit.figures[name].value, unit.figures[name].unit, 4) for name, _ in COLUMNS)


def _all_units(lot: LotFigures, pages: bool) -> Section:
    shown = tuple(
        Row((row.unit, row.done.model, *_cells(row.done), _marks(row.done)), link=_link(row.unit, pages))
        if row.done is not None
        else Row((row.unit, "failed", *("" for _ in COLUMNS), ""))
        for row in lot.rows[:LISTED]
    )
    head = ("unit", "curve", *(label for _, label in COLUMNS), "warning")
    where = "All figures of all units stand in lot.csv."
    if len(lot.rows) > LISTED:
        where = f"The first {LISTED} of {len(lot.rows)} units. {where}"
    return Section("All units", (where,), grids=(Grid(head, shown, tuple(range(2, 2 + len(COLUMNS))), "Unit by unit"),))


def _marks(unit: UnitFigures) -> str:
    marks = [
        *(["covers too little" if unit.short else "odd"] if unit.odd else []),
        *(["not within the need"] if unit.meets is False and not unit.short else []),
    ]
    return ", ".join(marks) or "-"


def _link(unit: str, pages: bool) -> str:
    return f"{unit}/report.html" if pages else ""


DRAWN_UNITS = 200
"""Units up to which each is drawn; of more, bands say more."""
NAMED = 6
"""Odd units named in the chart."""
EDGE = 5.0
"""Robust spreads from the median, beyond which a value stands at the edge."""


def curves_chart(lot: LotFigures, shown: LotCurves) -> Chart:
    """Above: the median curve; below: each unit less the median, odd ones by name."""
    at_c, odd = np.array(shown.temperature_c), {one.unit for one in lot.document.odd.units}
    usual = np.array([away for name, away in lot.away_ppb.items() if name not in odd])
    named = [(name, np.array(away)) for name, away in lot.away_ppb.items() if name in odd]
    shown_ppb = _shown(usual, np.array([away for _, away in named]))
    return Chart(
        "curves",
        "How alike are the units?",
        "Median curve, and each unit's difference from it",
        "Above: the median of all units. Below: each unit less that; level: another base; tilted: another cut angle."
        + (" Odd units that lie far off run along the edge." if shown_ppb is not None else ""),
        "crystal temperature [degC]",
        (
            Panel("median unit [ppb]", (Series("", at_c, np.array(shown.median_ppb), "line", "curve"),), low=True),
            Panel(
                "unit minus median [ppb]",
                (*_usual(at_c, usual), *(Series("odd unit", at_c, away, "dashed", "dropped") for _, away in named)),
                tuple(_bands(at_c, usual)),
                notes=tuple(Note(name, float(at_c[-1]), float(away[-1])) for name, away in named[:NAMED]),
                shown=shown_ppb,
            ),
        ),
    )


def _shown(usual: FloatArray, odd: FloatArray) -> tuple[float, float] | None:
    """The ends of y where odd units would make a flat line of all others; None where all can be shown. [ppb]"""
    if not usual.size or not odd.size:
        return None
    low, high = float(usual.min()), float(usual.max())
    room = 0.5 * (high - low)
    far = np.nanmin(odd) < low - 4 * room or np.nanmax(odd) > high + 4 * room
    return (low - room, high + room) if far and room > 0 else None


def _usual(at_c: FloatArray, away_ppb: FloatArray) -> Iterator[Series]:
    if len(away_ppb) <= DRAWN_UNITS:
        yield from (Series("unit", at_c, away, "line", "cooling") for away in away_ppb)


def _bands(at_c: FloatArray, away_ppb: FloatArray) -> Iterator[Band]:
    if len(away_ppb) <= DRAWN_UNITS:
        return
    for share in (0.99, 0.9, 0.5):
        low, high = np.quantile(away_ppb, [(1 - share) / 2, (1 + share) / 2], axis=0)
        yield Band(f"{100 * share:.0f} % of units", at_c, low, high, "cooling")


def histogram_charts(lot: LotFigures) -> Iterator[Chart]:
    """A chart for each figure: how the units are spread, the median as a line; far ones stand at the edge."""
    for place, (name, one) in enumerate(lot.document.figures.items()):
        values = np.array(lot.values[name], dtype=np.float64)
        if one.median is not None:
            yield _histogram(f"spread{place}", f"{name} [{one.unit}]", values, one.median, one)


def _histogram(identifier: str, words: str, values: FloatArray, middle: float, one: Distribution) -> Chart:
    room = EDGE * one.robust_spread if one.robust_spread else np.inf
    near = np.clip(values, middle - room, middle + room)
    far = int((near != values).sum())
    bins = min(40, max(6, round(2 * len(near) ** 0.5)))
    # Values alike up to round-off have no width that could be divided.
    resolved = float(np.ptp(near)) > bins * float(np.spacing(np.abs(near).max()))
    counts, edges = np.histogram(near if resolved else np.full_like(near, middle), bins=bins)
    heights = np.append(counts.astype(np.float64), 0.0)
    median = Level("", middle, upright=True)
    panel = Panel(
        words, (Series("", edges, heights, "bars", "cooling"),), levels=(median,), shown=(0.0, 1.08 * counts.max()), low=True
    )  # fmt: skip
    alt = f"Units by {words}: median {number(middle, 5)}, robust spread {number(one.robust_spread, 2)}"
    caption = f"{far} far off, at the edge" if far else ""
    return Chart(identifier, "", alt, caption, "", (panel,), heading=False)


def errors_chart(lot: LotDocument, errors_ppb: list[float]) -> Chart:
    """Share of the units whose error stays below a value, beside the need."""
    found = np.sort(np.array(errors_ppb, dtype=np.float64))
    share = 100 * np.arange(1, found.size + 1) / lot.units
    series = [Series("", found, share, "steps", "cooling")]
    if found.size <= DRAWN_UNITS:
        series.append(Series("unit", found, share, "dot", "cooling"))
    needed = None if lot.yield_ is None else lot.yield_.needed_ppb
    need = (Level(f"need, {number(needed)} ppb", needed, upright=True),) if needed is not None else ()
    ends = np.array([*found, *([needed] if needed is not None else [])])
    # Not drawn, but within the axis: the need, and the foot of the steps.
    series.append(Series("", ends, np.full(ends.size, np.nan), "dot", "cooling"))
    return Chart(
        "errors",
        "How many units stay within which error?",
        "Share of units within an error",
        "Share of all units whose error stays below a value; failed and short ones never do. Dashed: the need.",
        "error that 95 % of corrected readings stay within [ppb]",
        (Panel("share of all units [%]", tuple(series), levels=need, shown=(0.0, 102.0)),),
        x_log=True,
    )
