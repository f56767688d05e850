"""The verdict in words for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tcomp.report.layout import Columns, Part, Row
from tcomp.report.numbers import number
from tcomp.report.text import LEGEND


def verdict_parts(figures: dict[str, Any]) -> Iterator[Part]:
    """The paragraph, a row per option, the budget of the best, and what was assumed."""
    yield figures["paragraph"]
    yield _options(figures["options"])
    best = next(option for option in figures["options"] if option["name"] == figures["best"])
    yield f"Budget of {best['name']}, once it is warm: standard uncertainties; A, B: how it was evaluated (JCGM 100)"
    yield _budget(best)
    yield [
        ("together", f"u {number(best['u_ppb'])} ppb, {together_words(best)}"),
        *_power(figures["options"]),
        *_assumed(figures["assumed"]),
        ("", LEGEND),
    ]


def _options(options: list[dict[str, Any]]) -> Columns:
    head = (
        "option",
        "proba-\nbility",
        "time\nwithin",
        "would meet\n[ppb]",
        "ready\nafter",
        "watts, most\n/ steady",
        "cost",
    )
    return Columns(head, tuple((option["name"], *_option_words(option)) for option in options))


def _option_words(option: dict[str, Any]) -> Iterator[str]:
    power = option["power"]
    yield f"{100 * option['probability']:.0f} %"
    yield f"{100 * option['share_of_time_within']:.1f} %"
    yield number(option["need_met_ppb"])
    yield ready_words(option)
    yield f"{power['peak_watts']:.2g} / {power['steady_watts']:.2g}" if power["peak_watts"] else "0"
    yield cost_words(option)


def ready_words(option: dict[str, Any]) -> str:
    """How long from switch-on until it is within the need."""
    minutes = option["minutes_until_within"]
    if minutes is None:
        return "never"
    return f"{number(minutes, 2)} min" if minutes else "seconds"


def cost_words(option: dict[str, Any]) -> str:
    """What it costs over the life."""
    return "not told" if option["cost"] is None else f"{option['cost']:.4g}"


def _budget(option: dict[str, Any]) -> Columns:
    rows = tuple(tuple(_line_words(line)) for line in option["budget"])
    return Columns(("contribution", "u [ppb]", "variance", "evaluated", "basis"), rows, words=(0, 3, 4))


def _line_words(line: dict[str, Any]) -> Iterator[str]:
    yield line["name"]
    yield number(line["contribution_ppb"])
    yield f"{100 * line['share_of_variance']:.1f} %"
    yield f"{line['evaluated']}, {line['distribution']}"
    yield "assumed" if line["assumed"] else line["basis"]


def _power(options: list[dict[str, Any]]) -> Iterator[Row]:
    for option in options:
        for remark in option["power"]["remarks"]:
            yield "power", f"{option['name']}: {remark}"


def _assumed(assumed: list[str]) -> Iterator[Row]:
    """The figures alone: their sources stand in verdict.json and in the report."""
    if assumed:
        figures = dict.fromkeys(one.partition(": ")[0] for one in assumed)
        yield "assumed", f"{'; '.join(figures)}. Sources: verdict.json"


def together_words(option: dict[str, Any]) -> str:
    """Both approaches where they differ."""
    dof = option["effective_degrees_of_freedom"]
    known_to = f" ({dof:.0f} effective degrees of freedom)" if dof else ""
    words = f"expanded (k = 2) {number(option['expanded_ppb'])} ppb{known_to}"
    if option["approaches_differ"]:
        return f"{words} after JCGM 100; drawn after JCGM 101 {number(option['drawn_within_ppb'])} ppb, which counts"
    return f"{words}; drawn after JCGM 101 the same"
