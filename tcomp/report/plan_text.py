"""A schedule in words: a table of steps, what they will give, and what can hurt."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

from tcomp.report.layout import Columns, Part, Row
from tcomp.report.numbers import number

ATTENDED_H = 10.0
"""A long day beside a heater (common practice, no source). [h]"""


def plan_parts(figures: dict[str, Any]) -> Iterator[Part]:
    """All of it, for the terminal."""
    low_c, high_c = figures["range_c"]
    yield f"Schedule for {figures['oscillator']}, {low_c:.4g} to {high_c:.4g} degC"
    yield _steps(figures["steps"])
    yield [*plan_rows(figures)]
    yield [("mind", caution) for caution in figures["cautions"]]


def _steps(steps: list[dict[str, Any]]) -> Columns:
    """A row for each step."""
    head = ("step", "what", "from\n[degC]", "to\n[degC]", "rate\n[degC\n/min]", "time\n[min]", "start\n[h:min]", "why")
    return Columns(head, tuple(tuple(_cells(step)) for step in steps), words=(1, 7))


def _cells(step: dict[str, Any]) -> Iterator[str]:
    ramp = step["what"] == "ramp"
    yield f"{step['step']:>4}"
    yield step["what"]
    yield f"{step['from_c']:.1f}" if ramp else ""
    yield f"{step['to_c']:.1f}"
    yield f"{step['rate_c_per_min']:.2g}" if ramp else ""
    yield f"{step['minutes']:.0f}"
    yield clock(step["start_min"])
    yield _why(step)


def _why(step: dict[str, Any]) -> str:
    if step["what"] == "ramp":
        return str(step["why"])
    return f"settle {step['settle_min']:.0f}, average {step['average_min']:.0f}: {step['why']}"


def clock(minutes: float) -> str:
    """Hours and minutes.

    >>> clock(0.0), clock(125.4), clock(1499.7)
    ('0:00', '2:05', '25:00')
    """
    whole = round(minutes)
    return f"{whole // 60}:{whole % 60:02d}"


def steps_csv(steps: list[dict[str, Any]]) -> str:
    """The steps as CSV, for a chamber's controller or a spreadsheet."""
    buffer = io.StringIO()
    names = [
        "step",
        "what",
        "from_c",
        "to_c",
        "rate_c_per_min",
        "minutes",
        "settle_min",
        "average_min",
        "start_min",
        "start",
    ]
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([*names, "why"])
    for step in steps:
        shown = [f"{step[name]:.6g}" if isinstance(step[name], float) else step[name] for name in names[:-1]]
        writer.writerow([*shown, clock(step["start_min"]), step["why"]])
    return buffer.getvalue()


def plan_rows(figures: dict[str, Any]) -> Iterator[Row]:
    """Totals, what it gives, and how the effects are told apart."""
    yield "in all", _total_words(figures)
    if figures["total_h"] > ATTENDED_H:
        yield "  mind", "longer than one person stays with it: have it watched, or bound it by [chamber] longest_hours"
    yield (
        "readings",
        f"gate {figures['gate_s']:g} s, {number(figures['reading_u_ppb'])} ppb each; the mean of a soak, over "
        f"{figures['averaging_s'] / 60:.0f} min, {number(figures['soak_u_ppb'])} ppb",
    )
    what = f"a curve of degree {figures['degree']}" if figures["after"] is None else figures["after"]["curve"]
    yield "planned for", f"{what}, a lag of {figures['lag_s']:.0f} s"
    yield from _given_rows(figures["gives"])
    if figures["after"] is not None:
        yield from _after_rows(figures["after"])
    yield from _effect_rows(figures["effects"])
    for sentence in figures["told_by"]:
        yield "told apart", sentence


def _total_words(figures: dict[str, Any]) -> str:
    return f"{clock(60 * figures['total_h'])} h:min, {figures['readings']} rows, about {figures['file_bytes'] / 1e6:.2g} MB as CSV"


def _given_rows(gives: dict[str, Any]) -> Iterator[Row]:
    verdict = "as needed" if gives["holds"] else "NOT what is needed"
    yield (
        "will give",
        f"curve within {number(gives['curve_k2_ppb'])} ppb (k = 2), {verdict}: {number(gives['needed_k2_ppb'])} ppb",
    )
    yield (
        "  noise",
        f"{number(gives['worst_noise_u_ppb'])} ppb at worst, at {gives['worst_at_c']:.3g} degC (standard uncertainty; median "
        f"{number(gives['middle_noise_u_ppb'])}); {100 * gives['noise_share']:.2g} % of the need, allowed "
        f"{number(gives['noise_limit_u_ppb'])} ppb",
    )
    yield "  reference", f"{number(gives['reference_u_ppb'])} ppb, the same at every temperature"
    yield "  lag", f"at most {number(gives['lag_left_ppb'])} ppb when the averaging begins, before any fit"
    if gives["next_degree_seen_from_ppb"] is not None:
        yield (
            "  lack of fit",
            f"a term of one degree more shows from {number(gives['next_degree_seen_from_ppb'])} ppb on",
        )


def _after_rows(after: dict[str, Any]) -> Iterator[Row]:
    enough = ": enough already; the soaks below lower it" if after["enough"] else ""
    yield (
        "now",
        f"{number(after['worst_u_now_ppb'])} ppb at worst by noise, at {after['worst_now_at_c']:.3g} degC{enough}",
    )
    yield "  next soaks", f"{', '.join(f'{at_c:.1f}' for at_c in sorted(after['chosen_c']))} degC"
    for best_c, worst in zip(after["best_c"], after["worst_u_of_best_ppb"], strict=True):
        yield (
            f"  best {len(best_c)}",
            f"{number(worst)} ppb at worst, {', '.join(f'{at_c:.1f}' for at_c in best_c)} degC",
        )


def _effect_rows(effects: dict[str, Any]) -> Iterator[Row]:
    for name, told in effects.items():
        if told["told"]:
            apart = f"{100 * told['share']:.0f} % of its trace is like nothing else"
            yield name, f"will be known to {number(told['u'], 2)} {told['unit']} (standard uncertainty); {apart}"
        else:
            yield name, "cannot be told: the curve and the other effects imitate it in this schedule"


def setting_rows(figures: dict[str, Any]) -> Iterator[Row]:
    """How long to average to set the oscillator."""
    yield "to set within", f"{number(figures['u_ppb'])} ppb of the reference (standard uncertainty)"
    yield (
        "average",
        f"{_duration(figures['averaging_s'])} of readings with a gate of {figures['gate_s']:g} s; or one gate of "
        f"{_duration(figures['one_gate_s'])}",
    )
    if figures["hold_c"] is not None:
        yield (
            "hold still",
            f"the board within {number(figures['hold_c'], 2)} degC meanwhile, or its curve moves as much",
        )
    yield "mind", f"the reference itself is known to {number(figures['reference_u_ppb'])} ppb"


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{number(seconds, 3)} s"
    return f"{number(seconds / 60, 3)} min" if seconds < 7200 else f"{number(seconds / 3600, 3)} h"
