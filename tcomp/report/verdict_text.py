"""The verdict in words for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tcomp.report.numbers import number
from tcomp.report.text import wrapped


def verdict_rows(figures: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """The paragraph, a row per option, the budget of the best, and what was assumed."""
    yield from wrapped("verdict", figures["paragraph"])
    yield "", ""
    width = max(len(option["name"]) for option in figures["options"])
    yield "options", f"{'':<{width}}  {COLUMNS}"
    for option in figures["options"]:
        yield "", f"{option['name']:<{width}}  {_option_words(option)}"
    best = next(option for option in figures["options"] if option["name"] == figures["best"])
    width = max(len(line["name"]) for line in best["budget"])
    yield "", ""
    yield "budget", f"of {best['name']}, standard uncertainties [ppb], once it is warm"
    for line in best["budget"]:
        yield "", f"{line['name']:<{width}}  {_line_words(line)}"
    yield "", f"{'together':<{width}}  {number(best['u_ppb']):>8}  {together_words(best)}"
    for option in figures["options"]:
        for remark in option["power"]["remarks"]:
            yield from wrapped("power", f"{option['name']}: {remark}")
    for question in figures["questions"]:
        yield from wrapped("mind", question)
    yield "", ""
    for assumed in figures["assumed"]:
        yield from wrapped("assumed", assumed)


COLUMNS = "probability  time within  would meet [ppb]  ready after       watts      cost"


def _option_words(option: dict[str, Any]) -> str:
    power = option["power"]
    watts = f"{number(power['peak_watts'], 2)}/{number(power['steady_watts'], 2)}" if power["peak_watts"] else "0"
    return (
        f"{100 * option['probability']:>9.0f} %  {100 * option['share_of_time_within']:>9.1f} %  "
        f"{number(option['need_met_ppb']):>16}  {ready_words(option):>11}  {watts:>10}  {cost_words(option):>8}"
    )


def ready_words(option: dict[str, Any]) -> str:
    """How long from switch-on until it is within the need."""
    minutes = option["minutes_until_within"]
    if minutes is None:
        return "never"
    return f"{number(minutes, 2)} min" if minutes else "seconds"


def cost_words(option: dict[str, Any]) -> str:
    """What it costs over the life."""
    return "not told" if option["cost"] is None else f"{option['cost']:.4g}"


def _line_words(line: dict[str, Any]) -> str:
    share = f"{100 * line['share_of_variance']:.1f} %"
    spread = f"{line['evaluated']}, {line['distribution']}"
    basis = "assumed" if line["assumed"] else line["basis"]
    return f"{number(line['contribution_ppb']):>8}  {share:>7}  {spread:<16}  {basis}"


def together_words(option: dict[str, Any]) -> str:
    """Both approaches where they differ."""
    dof = option["effective_degrees_of_freedom"]
    known_to = f" ({dof:.0f} effective degrees of freedom)" if dof else ""
    words = f"expanded (k = 2) {number(option['expanded_ppb'])} ppb{known_to}"
    if option["approaches_differ"]:
        return f"{words} after JCGM 100; drawn after JCGM 101 {number(option['drawn_within_ppb'])} ppb, which counts"
    return f"{words}; drawn after JCGM 101 the same"
