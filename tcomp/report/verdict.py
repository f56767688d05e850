"""The verdict on the terminal, on the page and as pictures: budgets, error against time, cost and power."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from tcomp.documents.verdict import Assumption, BudgetLine, Option, TimeForecast, VerdictDocument
from tcomp.report.layout import Columns, Part
from tcomp.report.layout import Row as TerminalRow
from tcomp.report.section import Gauge, Grid, Row, Section
from tcomp.report.text import LEGEND
from tcomp.report.verdict_charts import against_cost, over_days, turning_points
from tcomp.report.words import number
from tcomp.units import chance

if TYPE_CHECKING:
    pass


def verdict_parts(verdict: VerdictDocument) -> Iterator[Part]:
    """The paragraph, a row per option, the budget of the best, and what was assumed."""
    yield verdict.paragraph
    yield _option_columns(verdict.options)
    if verdict.times:
        yield (
            f"Time error of a clock on each, {verdict.times[0].days:g} days after it was trimmed and set, 95 % within; no jump is "
            "foreseen"
        )
        yield _time_columns(verdict.times)
    best = verdict.taken
    yield (
        f"Budget of {best.name} on the last day before a trim, once it is warm: standard uncertainties, and what is known and not "
        "corrected; A, B: how it was evaluated (JCGM 100)"
    )
    yield _budget_columns(best)
    yield [
        *(("warning", one) for one in verdict.warnings),
        ("together", f"u {number(best.u_ppb)} ppb, {together_words(best)}"),
        *_power(verdict.options),
        ("not counted", "; ".join(verdict.not_counted) or "nothing that has a key"),
        *_assumed(verdict.assumed),
        ("", LEGEND),
    ]


def _option_columns(options: Sequence[Option]) -> Columns:
    head = (
        "option",
        "proba-\nbility",
        "time\nwithin",
        "would meet\n[ppb]",
        "ready\nafter",
        "watts, most\n/ steady",
        "cost",
    )
    return Columns(head, tuple((option.name, *_option_words(option)) for option in options))


def _time_columns(times: Sequence[TimeForecast]) -> Columns:
    head = ("option", "time error\n[s]", "known\n[s]", "day of\nbreach")
    return Columns(
        head,
        tuple(
            (one.name, number(one.within_s), number(one.known_s) if one.known_s else "", breach_words(one))
            for one in times
        ),
    )


def breach_words(forecast: TimeForecast) -> str:
    """The day on which the need may be exceeded."""
    return "-" if forecast.broken_day is None else str(forecast.broken_day)


def _option_words(option: Option) -> Iterator[str]:
    power = option.power
    yield chance(option.probability)
    yield f"{100 * option.share_of_time_within:.1f} %"
    yield number(option.need_met_ppb)
    yield ready_words(option)
    yield f"{power.peak_watts:.2g} / {power.steady_watts:.2g}" if power.peak_watts else "0"
    yield cost_words(option)


def ready_words(option: Option) -> str:
    """How long from switch-on until it is within the need."""
    minutes = option.minutes_until_within
    if minutes is None:
        return "never"
    return f"{number(minutes, 2)} min" if minutes else "seconds"


def cost_words(option: Option) -> str:
    """What it costs over the life."""
    return "not given" if option.cost is None else f"{option.cost:.4g}"


def _budget_columns(option: Option) -> Columns:
    rows = tuple(tuple(_line_words(line)) for line in option.budget)
    return Columns(("contribution", "u [ppb]", "known [ppb]", "share", "evaluated", "basis"), rows, words=(0, 4, 5))


def _line_words(line: BudgetLine) -> Iterator[str]:
    yield line.name
    yield number(line.contribution_ppb)
    yield number(line.known_ppb) if line.known_ppb else ""
    yield f"{100 * line.share_of_variance:.1f} %"
    yield f"{line.evaluated}, {line.distribution}"
    yield "assumed" if line.assumed else line.basis


def _power(options: Sequence[Option]) -> Iterator[TerminalRow]:
    for option in options:
        for remark in option.power.remarks:
            yield "power", f"{option.name}: {remark}"


def _assumed(assumed: Sequence[Assumption]) -> Iterator[TerminalRow]:
    """The figures alone: their sources stand in verdict.json and in the report."""
    if assumed:
        figures = dict.fromkeys(one.figure for one in assumed)
        yield "assumed", f"{'; '.join(figures)}. Sources: verdict.json"


def together_words(option: Option) -> str:
    """Both approaches where they differ."""
    dof = option.effective_degrees_of_freedom
    known_to = f" ({dof:.0f} effective degrees of freedom)" if dof else ""
    words = f"expanded (k = 2) {number(option.expanded_ppb)} ppb{known_to}"
    if option.approaches_differ:
        return f"{words} after JCGM 100; drawn after JCGM 101 {number(option.drawn_within_ppb)} ppb, which counts"
    return f"{words}; drawn after JCGM 101 the same"


HEAD = ("option", "probability", "time within", "would meet [ppb]", "ready after", "cost")
POWER = ("option", "watts, most / steady / coldest", "Wh a day", "kWh a year", "battery lasts", "ageing settled after")
ROUND_DAYS = (7, 30, 365)
"""Days in the table of the error, besides the first and the last of each option."""


def verdict_section(
    verdict: VerdictDocument, supply_watts: float | None, found_ageing: tuple[float, float] | None
) -> Section:
    """Paragraph, a row per option, what would turn it, and the error against time, watts and price.

    ``found_ageing`` is what the runs show, with its u, where they show any. [ppb/day]
    """
    turning = turning_points(verdict.break_evens, found_ageing)
    options = verdict.options
    return Section(
        "Verdict: this, or an oven?",
        (
            verdict.paragraph,
            "Meeting the need is being within it on the last day before a trim, for the share of the readings that k = 2 stands "
            "for (95 %), warming up included; the probability is that of a reading on that day, of instruments of the kind. What "
            "is marked as assumed is typical, not measured.",
        ),
        (over_days(verdict), *against_cost(verdict, supply_watts)),
        (_in_numbers(options), Grid(POWER, tuple(_power_row(one) for one in options), (1, 2, 3, 4, 5), "What they take")),
        tuple(f"Warning: {one}." for one in (*verdict.warnings, *verdict.questions)),
        first=(
            Grid(
                HEAD, tuple(_row(one, verdict.best) for one in options), (1, 2, 3, 4, 5),
                "Options on one footing; the one to take is bold; the line at the probability's bar is what is asked for, 95 %",
            ),
            *(() if turning is None else (turning,)),
        ),
    )  # fmt: skip


def verdict_basis(verdict: VerdictDocument) -> Section:
    """What makes the error of each option, and what was assumed."""
    options = verdict.options
    points = [f"{one.name}: {remark}." for one in options for remark in one.power.remarks]
    return Section(
        "What the verdict rests on",
        (
            "What makes the error of each option on the last day before a trim, once it is warm: a line per contribution, and its "
            "share of the mean square. What is known and not corrected, a drift, is added as it is. The longest bar is where "
            "something can be won.",
        ),
        grids=tuple(_budget_grid(one, unfolded=one.name == verdict.best) for one in options),
        points=(
            *points,
            f"Not counted: {'; '.join(verdict.not_counted) or 'nothing that has a key'}.",
            *(f"Assumed: {one.figure}: {one.source}." for one in verdict.assumed),
        ),
    )


def _in_numbers(options: Sequence[Option]) -> Grid:
    """The chart as a table: on some days, what 95 % of the errors are within."""
    ends = {round(option.error_by_day[-1][0]) for option in options}
    days = sorted({0, *(day for day in ROUND_DAYS if day < 0.8 * max(ends)), *ends})
    rows = tuple(Row((option.name, *(_error_on(option, day) for day in days))) for option in options)
    head = ("option", *(f"day {day}" for day in days))
    caption = "What 95 % of the errors are within, so many days after the trim [ppb]"
    return Grid(head, rows, tuple(range(1, len(head))), caption, folded="The error after the trim, in numbers")


def _error_on(option: Option, day: int) -> str:
    """What 95 % of the errors are within on a day, between the days that were computed; each option has its own."""
    days, _, nearly = np.array(option.error_by_day, dtype=np.float64).T
    return number(float(np.interp(day, days, nearly))) if day <= round(days[-1]) else "-"


def _row(option: Option, best: str) -> Row:
    share = 100 * option.probability
    return Row(
        (
            option.name,
            Gauge(chance(option.probability), 0.0, round(share, 1), limit=95.0),
            f"{100 * option.share_of_time_within:.1f} %",
            number(option.need_met_ppb),
            ready_words(option),
            cost_words(option),
        ),
        option.name == best,
    )


def _power_row(option: Option) -> Row:
    power = option.power
    return Row(
        (
            option.name,
            f"{number(power.peak_watts, 2)} / {number(power.steady_watts, 2)} / {number(power.coldest_watts, 2)}",
            number(power.wh_per_day, 2),
            number(power.kwh_per_year, 2),
            f"{number(power.battery_days, 2)} days" if power.battery_days else "-",
            f"{number(option.settles_days, 2)} days" if option.settles_days else "-",
        )
    )


def _budget_grid(option: Option, *, unfolded: bool) -> Grid:
    """The largest first; what makes less than a hundredth of the mean square is one line."""
    lines = sorted(option.budget, key=lambda line: -line.share_of_variance)
    small = [line for line in lines if line.share_of_variance < SMALL_LINE]
    shown = lines if len(small) < 2 else lines[: -len(small)]
    rows = [
        Row(
            (
                line.name,
                _share(line.share_of_variance),
                _input(line),
                number(line.contribution_ppb),
                _known(line),
                _distribution(line),
                _basis(line),
            )
        )
        for line in shown
    ]
    if len(shown) < len(lines):
        together_ppb = math.hypot(*(line.contribution_ppb for line in small))
        names = ", ".join(line.name for line in small)
        share = _share(math.fsum(line.share_of_variance for line in small))
        rows.append(Row((f"{len(small)} smaller ones", share, "", number(together_ppb), "-", "", names)))
    together = ("together", "", "", number(option.u_ppb), number(option.known_ppb), "", together_words(option))
    head = ("contribution", "share", "u x sensitivity", "u, ppb", "known, ppb", "type, distribution", "basis")
    return Grid(
        head, (*rows, Row(together, chosen=True)), (1, 2, 3, 4),
        "Standard uncertainties [ppb], what is known and not corrected, and their shares of the mean square",
        folded=f"Budget of: {option.name}", open=unfolded,
    )  # fmt: skip


SMALL_LINE = 0.01
"""Share of the mean square below which lines of a budget are folded into one."""


def _share(of_all: float) -> Gauge:
    share = 100 * of_all
    return Gauge(f"{share:.1f} %", 0.0, round(share, 1))


def _known(line: BudgetLine) -> str:
    return number(line.known_ppb) if line.known_ppb else "-"


def _distribution(line: BudgetLine) -> str:
    dof = line.degrees_of_freedom
    return f"{line.evaluated}, {line.distribution}" + (f", {dof:.0f} degrees of freedom" if dof else "")


def _input(line: BudgetLine) -> str:
    if line.unit in ("1", "ppb"):
        return "-"
    return f"{number(line.u)} {line.unit} x {number(line.sensitivity_ppb)}"


def _basis(line: BudgetLine) -> str:
    return f"{'assumed: ' * line.assumed}{line.basis}"
