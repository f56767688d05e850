"""The verdict as a section of the page."""

from __future__ import annotations

from typing import Any

from tcomp.report import verdict_pictures
from tcomp.report.numbers import number
from tcomp.report.section import Grid, Picture, Row, Section, drawn
from tcomp.report.verdict_text import cost_words, ready_words, together_words

HEAD = ("option", "probability", "time within", "would meet [ppb]", "ready after", "cost")
POWER = ("option", "watts, most / steady", "kWh a year", "ageing settled after")


def verdict_section(figures: dict[str, Any]) -> Section:
    """Paragraph, pictures, a row per option, and the budget of each."""
    budgets, footing = verdict_pictures.heights(figures)
    options = figures["options"]
    points = [f"{one['name']}: {remark}." for one in options for remark in one["power"]["remarks"]]
    return Section(
        "Verdict: this, or an oven?",
        (
            figures["paragraph"],
            "Meeting the need is being within it for the share of the switched-on time that k = 2 stands for (95 %), warming up "
            "included; the probability is over instruments of the kind. What is marked as assumed is typical, not measured.",
        ),
        (
            Picture(
                drawn(
                    "footing", verdict_pictures.footing(figures),
                    "Probability of meeting the need, cost and power of each option", footing,
                ),
                "Options on one footing; dashed: the probability asked for.",
            ),
            Picture(
                drawn("days", verdict_pictures.over_days(figures), "Error of each option against days since its trim", 3.9),
                "Within the line lie 95 % of the errors, within the lower end of its band 68 %; dashed: the need.",
            ),
            Picture(
                drawn("budgets", verdict_pictures.budgets(figures), "What makes the variance of each option", budgets),
                "What makes the error of each option, once it is warm.",
            ),
        ),
        (
            Grid(HEAD, tuple(_row(one, figures["best"]) for one in options), (1, 2, 3, 4, 5)),
            Grid(POWER, tuple(_power_row(one) for one in options), (1, 2, 3)),
            *(_budget(one) for one in options),
        ),
        (*points, *(f"Mind: {question}." for question in figures["questions"]),
         *(f"Assumed: {assumed}." for assumed in figures["assumed"])),
    )  # fmt: skip


def _row(option: dict[str, Any], best: str) -> Row:
    return Row(
        (
            option["name"],
            f"{100 * option['probability']:.0f} %",
            f"{100 * option['share_of_time_within']:.1f} %",
            number(option["need_met_ppb"]),
            ready_words(option),
            cost_words(option),
        ),
        option["name"] == best,
    )


def _power_row(option: dict[str, Any]) -> Row:
    power = option["power"]
    return Row(
        (
            option["name"],
            f"{number(power['peak_watts'], 2)} / {number(power['steady_watts'], 2)}",
            number(power["kwh_per_year"], 2),
            f"{number(option['settles_days'], 2)} days" if option["settles_days"] else "-",
        )
    )


def _budget(option: dict[str, Any]) -> Grid:
    rows = [
        Row((line["name"], _spread(line), _input(line), number(line["contribution_ppb"]), _basis(line)))
        for line in option["budget"]
    ]
    rows.append(Row(("together", "", "", number(option["u_ppb"]), together_words(option)), chosen=True))
    head = ("contribution", "type, distribution", "u x sensitivity", "ppb", "basis")
    return Grid(head, tuple(rows), (2, 3), caption=f"Budget of: {option['name']}, once it is warm")


def _spread(line: dict[str, Any]) -> str:
    dof = line["degrees_of_freedom"]
    return f"{line['evaluated']}, {line['distribution']}" + (f", {dof:.0f} degrees of freedom" if dof else "")


def _input(line: dict[str, Any]) -> str:
    if line["unit"] in ("1", "ppb"):
        return "-"
    return f"{number(line['u'])} {line['unit']} x {number(line['sensitivity_ppb'])}"


def _basis(line: dict[str, Any]) -> str:
    return f"{'assumed: ' * line['assumed']}{line['basis']}"
