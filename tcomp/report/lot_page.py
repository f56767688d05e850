"""The page of a lot: which units need a look, what all have in common, and the way to each unit's own page."""

from __future__ import annotations

from typing import Any

from tcomp.report import lot_charts
from tcomp.report.lot_text import failed_words, figure, odd_words, prior_words, yield_words
from tcomp.report.numbers import number
from tcomp.report.render import rendered
from tcomp.report.section import Grid, Row, Section

Figures = dict[str, Any]
WORST = 10
"""Units in the list of the largest errors."""
LOOKED_AT = 100
"""Rows of units that need a look."""
LISTED = 500
"""Units up to which the page lists all; a longer list is read in lot.csv."""
ERROR = "error, 95 % within"


def lot_page(figures: Figures, *, units_have_pages: bool) -> str:
    """The page as text, the same bytes for the same results."""
    done = [row for row in figures["rows"] if row["status"] == "done"]
    sections = (
        _needing_a_look(figures, done, units_have_pages),
        *((_in_common(figures), _errors(figures, done, units_have_pages)) if done else ()),
        _all_units(figures, units_have_pages),
    )
    return rendered(
        name=figures["lot"],
        subject="a lot of oscillators",
        answer=_answer(figures),
        warnings=_warnings(figures),
        cards=_cards(figures),
        sections=sections,
    )


def _answer(figures: Figures) -> str:
    failed, odd = len(figures["failed"]), len(figures["odd"]["units"])
    parts = [f"{figures['done']} of {figures['units']} units are done" + (f", {failed} failed" if failed else "") + "."]
    if figures["yield"] is not None:
        parts.append(f"As logged, {yield_words(figures['yield'])}; failed units count as not within.")
    if figures["odd"]["method"]:
        are = "unit stands" if odd == 1 else "units stand"
        parts.append(f"{odd or 'No'} {are} outside the lot.")
    return " ".join(parts)


def _warnings(figures: Figures) -> list[str]:
    proof = figures["proof"]
    found = [f"{name}: THE GENERATED C DIFFERS FROM ITS SPECIFICATION. Do not use it." for name in proof["not_holding"]]
    defects = sum(one["defect"] for one in figures["failed"])
    if defects:
        found.append(f"{defects} units failed by a defect of this program, not of their logs.")
    return [*found, *(f"Not proven: {reason}" for reason in proof["not_run"])]


def _cards(figures: Figures) -> tuple[tuple[str, str, str], ...]:
    shown = figures["figures"]
    found = figures["yield"]
    need = ("yield", f"{100 * found['share']:.1f} %", f"within {number(found['needed_ppb'])} ppb") if found else None
    typical = [
        (
            words,
            f"{figure(shown[name]['median'], shown[name]['unit'], 3)} {shown[name]['unit']}",
            f"median; spread {figure(shown[name]['robust_spread'], shown[name]['unit'], 2)}",
        )
        for words, name in (
            ("uncorrected", "uncorrected"),
            ("left, corrected, RMS", "left, held out, RMS"),
            ("table", "table"),
        )
        if name in shown
    ]
    odd = (
        "odd units",
        str(len(figures["odd"]["units"])),
        f"{100 * figures['odd']['false_alarm']:g} % of sound ones by chance",
    )
    counted = ("units done", f"{figures['done']} of {figures['units']}", f"{len(figures['failed'])} failed")
    return (counted, need or ("yield", "not asked", "[use] needed_ppb is not given"), odd, *typical)


def _needing_a_look(figures: Figures, done: list[Figures], pages: bool) -> Section:
    rows = [Row((one["unit"], "failed", failed_words(one)), chosen=one["defect"]) for one in figures["failed"]]
    by_name = {row["unit"]: row for row in done}
    for one in figures["odd"]["units"]:
        what = "covers too little" if by_name[one["unit"]]["short"] else "odd"
        rows.append(Row((one["unit"], what, one["why"]), link=_link(one["unit"], pages)))
    rows += [
        Row((name, "does not meet the need", _error_words(row)), link=_link(name, pages))
        for name, row in by_name.items()
        if row["meets"] is False and not row["short"]
    ]
    texts = [f"Odd units: {odd_words(figures)}."] if done else []
    if not rows:
        return Section("Units that need a look", ("None.", *texts))
    if len(rows) > LOOKED_AT:
        texts.append(f"The first {LOOKED_AT} of {len(rows)}; all stand in lot.csv.")
    return Section(
        "Units that need a look",
        tuple(texts),
        grids=(Grid(("unit", "what", "why"), tuple(rows[:LOOKED_AT]), caption="What is the matter with each"),),
    )


def _error_words(row: Figures) -> str:
    if row["proof"] is False:
        return "its C differs from its specification"
    return f"95 % of its corrected readings stay within {number(row['figures'][ERROR]['value'])} ppb"


def _in_common(figures: Figures) -> Section:
    rows = tuple(_figure_row(name, one) for name, one in figures["figures"].items())
    head = ("figure", "units", "median", "robust spread", "5 % to 95 %", "own u, median")
    texts = [
        "The robust spread is 1.4826 times the median distance from the median: a standard deviation that odd units do not move. "
        "Where it is not much larger than the units' own standard uncertainty (last column), the units are hardly told apart."
    ]
    texts.append(f"A new unit is {prior_words(figures)}.")
    return Section(
        "What the units have in common",
        tuple(texts),
        (lot_charts.curves(figures),) if figures["curves"] is not None else (),
        (Grid(head, rows, (1, 2, 3, 4, 5), "Figures over the units"),),
        small=tuple(lot_charts.histograms(figures)),
        small_title="How is each figure spread? Dashed: the median; values more than five robust spreads off stand at the edge",
    )


def _figure_row(name: str, one: Figures) -> Row:
    median, spread, low, high = (
        figure(one[key], one["unit"], digits)
        for key, digits in (("median", 5), ("robust_spread", 2), ("p5", 4), ("p95", 4))
    )
    own = "-" if one["median_own_u"] is None else number(one["median_own_u"], 2)
    return Row((f"{name} [{one['unit']}]", str(one["units"]), median, spread, f"{low} to {high}", own))


def _errors(figures: Figures, done: list[Figures], pages: bool) -> Section:
    known = [row for row in done if row["figures"][ERROR]["value"] == row["figures"][ERROR]["value"]]
    worst = sorted(known, key=lambda row: -row["figures"][ERROR]["value"])[:WORST]
    head = ("largest errors", *(words for _, words in COLUMNS))
    rows = tuple(Row((row["unit"], *_cells(row)), link=_link(row["unit"], pages)) for row in worst)
    text = (
        "The error of a unit is what 95 % of its held-out samples stay within, with twice the reference's standard uncertainty, "
        "plus the table's worst: as logged, before it ages. What it does in use over the years is the verdict's, on its own page."
    )
    drawn_ppb = [row["figures"][ERROR]["value"] for row in known if not row["short"]]
    return Section(
        "Error and yield",
        (text,),
        (lot_charts.errors(figures, drawn_ppb),) if drawn_ppb else (),
        (Grid(head, rows, tuple(range(1, len(head))), f"The {len(rows)} units with the largest errors"),),
    )


COLUMNS = (
    (ERROR, "error [ppb]"),
    ("left, held out, RMS", "left, RMS [ppb]"),
    ("table's worst error", "table, worst [ppb]"),
    ("table", "table [bytes]"),
)


def _cells(row: Figures) -> tuple[str, ...]:
    return tuple(figure(row["figures"][name]["value"], row["figures"][name]["unit"], 4) for name, _ in COLUMNS)


def _all_units(figures: Figures, pages: bool) -> Section:
    rows = figures["rows"]
    shown = tuple(
        Row((row["unit"], row["model"], *_cells(row), _marks(row)), link=_link(row["unit"], pages))
        if row["status"] == "done"
        else Row((row["unit"], "failed", *("" for _ in COLUMNS), ""))
        for row in rows[:LISTED]
    )
    head = ("unit", "curve", *(words for _, words in COLUMNS), "mind")
    where = "All figures of all units stand in lot.csv."
    if len(rows) > LISTED:
        where = f"The first {LISTED} of {len(rows)} units. {where}"
    return Section("All units", (where,), grids=(Grid(head, shown, tuple(range(2, 2 + len(COLUMNS))), "Unit by unit"),))


def _marks(row: Figures) -> str:
    marks = [
        *(["covers too little" if row["short"] else "odd"] if row["odd"] else []),
        *(["not within the need"] if row["meets"] is False and not row["short"] else []),
    ]
    return ", ".join(marks) or "-"


def _link(unit: str, pages: bool) -> str:
    return f"{unit}/report.html" if pages else ""
