"""The verdict as sections of the page: the answer, and what it rests on."""

from __future__ import annotations

from typing import Any

import numpy as np

from tcomp.report.chart import Band, Chart, Level, Mark, Panel, Series
from tcomp.report.numbers import number
from tcomp.report.section import Gauge, Grid, Row, Section
from tcomp.report.verdict_text import cost_words, ready_words, together_words

Figures = dict[str, Any]
HEAD = ("option", "probability", "time within", "would meet [ppb]", "ready after", "cost")
POWER = ("option", "watts, most / steady", "kWh a year", "ageing settled after")
DASHES: tuple[Mark, ...] = ("line", "dashed", "mixed", "dotted", "long")
COLOURS = ("cooling", "heating", "curve", "dropped", "gold", "violet", "ink", "quiet")
"""Of the options, in their order: five dashes and eight colours make forty pairs."""
FIRST_DAY = 0.5
"""Where the day of the trim stands on a logarithmic axis. [day]"""
TOLD_DAYS = 8
"""Days, at most, at which the error is told in numbers."""


def verdict_section(figures: Figures) -> Section:
    """Paragraph, a row per option, and the error with time."""
    options = figures["options"]
    return Section(
        "Verdict: this, or an oven?",
        (
            figures["paragraph"],
            "Meeting the need is being within it for the share of the switched-on time that k = 2 stands for (95 %), warming up "
            "included; the probability is over instruments of the kind. What is marked as assumed is typical, not measured.",
        ),
        (over_days(figures),),
        (_in_numbers(options), Grid(POWER, tuple(_power_row(one) for one in options), (1, 2, 3), "What they take")),
        tuple(f"Mind: {question}." for question in figures["questions"]),
        first=(
            Grid(
                HEAD, tuple(_row(one, figures["best"]) for one in options), (1, 2, 3, 4, 5),
                "Options on one footing; the one to take is bold; the line at the probability's bar is what is asked for, 95 %",
            ),
        ),
    )  # fmt: skip


def verdict_basis(figures: Figures) -> Section:
    """What makes the error of each option, and what was assumed."""
    options = figures["options"]
    points = [f"{one['name']}: {remark}." for one in options for remark in one["power"]["remarks"]]
    return Section(
        "What the verdict rests on",
        (
            "What makes the error of each option, once it is warm: a line per contribution, and its share of the variance. The "
            "longest bar is where something can be won.",
        ),
        grids=tuple(_budget(one, unfolded=one["name"] == figures["best"]) for one in options),
        points=(*points, *(f"Assumed: {assumed}." for assumed in figures["assumed"])),
    )


def over_days(figures: Figures) -> Chart:
    """What 95 % of the errors are within, from 68 % upwards as a band, against days since the trim."""
    series, bands = [], []
    for place, option in enumerate(figures["options"]):
        mark, colour = DASHES[place % len(DASHES)], COLOURS[place % len(COLOURS)]
        days, most, nearly = np.array(option["error_by_day"], dtype=np.float64).T
        days = np.maximum(days, FIRST_DAY)
        bands.append(Band("", days, most, nearly, colour))
        series.append(Series(option["name"], days, nearly, mark, colour))
    return Chart(
        "days",
        "How does the error of each option grow after its trim?",
        "Error of each option against days since its trim",
        "Within the line lie 95 % of the errors, within the lower end of its band 68 %. The left end is the day of the trim.",
        "days since the trim",
        (
            Panel(
                "error, 95 % within [ppb]",
                tuple(series),
                tuple(bands),
                (Level("need", float(figures["needed_ppb"])),),
                log=True,
            ),
        ),
        x_log=True,
        explored=True,
    )


def _in_numbers(options: list[Figures]) -> Grid:
    """The chart as a table: every so many days, what 95 % of the errors are within."""
    days = [day for day, _, _ in options[0]["error_by_day"]]
    places = sorted({round(place) for place in np.linspace(0, len(days) - 1, TOLD_DAYS)})
    rows = tuple(
        Row((option["name"], *(number(option["error_by_day"][place][2]) for place in places))) for option in options
    )
    head = ("option", *(f"day {number(days[place], 2)}" for place in places))
    caption = "What 95 % of the errors are within, so many days after the trim [ppb]"
    return Grid(head, rows, tuple(range(1, len(head))), caption, folded="The error after the trim, in numbers")


def _row(option: Figures, best: str) -> Row:
    share = 100 * option["probability"]
    return Row(
        (
            option["name"],
            Gauge(f"{share:.0f} %", 0.0, round(share, 1), limit=95.0),
            f"{100 * option['share_of_time_within']:.1f} %",
            number(option["need_met_ppb"]),
            ready_words(option),
            cost_words(option),
        ),
        option["name"] == best,
    )


def _power_row(option: Figures) -> Row:
    power = option["power"]
    return Row(
        (
            option["name"],
            f"{number(power['peak_watts'], 2)} / {number(power['steady_watts'], 2)}",
            number(power["kwh_per_year"], 2),
            f"{number(option['settles_days'], 2)} days" if option["settles_days"] else "-",
        )
    )


def _budget(option: Figures, *, unfolded: bool) -> Grid:
    rows = [
        Row((line["name"], _share(line), _input(line), number(line["contribution_ppb"]), _spread(line), _basis(line)))
        for line in option["budget"]
    ]
    together = ("together", "", "", number(option["u_ppb"]), "", together_words(option))
    head = ("contribution", "share", "u x sensitivity", "ppb", "type, distribution", "basis")
    return Grid(
        head, (*rows, Row(together, chosen=True)), (1, 2, 3), "Standard uncertainties [ppb], and their shares of the variance",
        folded=f"Budget of: {option['name']}", open=unfolded,
    )  # fmt: skip


def _share(line: Figures) -> Gauge:
    share = 100 * line["share_of_variance"]
    return Gauge(f"{share:.1f} %", 0.0, round(share, 1))


def _spread(line: Figures) -> str:
    dof = line["degrees_of_freedom"]
    return f"{line['evaluated']}, {line['distribution']}" + (f", {dof:.0f} degrees of freedom" if dof else "")


def _input(line: Figures) -> str:
    if line["unit"] in ("1", "ppb"):
        return "-"
    return f"{number(line['u'])} {line['unit']} x {number(line['sensitivity_ppb'])}"


def _basis(line: Figures) -> str:
    return f"{'assumed: ' * line['assumed']}{line['basis']}"
