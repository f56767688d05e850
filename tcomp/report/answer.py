"""The answer, before any evidence: what was reached, what must not be overlooked, what to do next."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tcomp.job import Job
from tcomp.report.numbers import number
from tcomp.report.section import Step

Figures = dict[str, Any]


def answer(figures: Figures) -> str:
    """The result in one sentence."""
    curve, left, table = figures["curve"], figures["residual"], figures["table"]
    beside = " outside its activity dips" if curve["dips"] and curve["model"] != "spline" else ""
    return (
        f"From {curve['range_c'][0]:.4g} to {curve['range_c'][1]:.4g} degC the offset wanders over "
        f"{number(curve['spread_ppb'])} ppb: a clock on it gains or loses {number(curve['spread_s_per_day'])} s a day more at "
        f"one end of that than at the other. Corrected with the curve, sweeps that it had not seen stay{beside} within "
        f"{number(left['held_out_rms_ppb'])} ppb RMS (95 % within {number(left['held_out_p95_ppb'])} ppb). The table that "
        f"puts it into the firmware takes {table['bytes']} bytes and adds at most {number(table['max_error_ppb'])} ppb."
    )


def warnings(figures: Figures) -> list[str]:
    """What must not be overlooked."""
    proof = figures["proof"]
    found = list(figures["curve"]["remarks"])
    if proof["holds"] is None:
        found.insert(0, f"Not proven: {proof['reason']}")
    if proof["holds"] is False:
        found.insert(0, "THE GENERATED C DIFFERS FROM ITS SPECIFICATION. Do not use it; see the proof below.")
    return found


def cards(figures: Figures) -> tuple[tuple[str, str, str], ...]:
    """The figures that matter: what, value, basis."""
    curve, left, table, proof = figures["curve"], figures["residual"], figures["table"], figures["proof"]
    lag = figures["effects"]["lag"]
    found = lag["status"] == "found"
    lag_value, lag_basis = (
        (f"{number(lag['value'])} s", f"u {number(lag['u'], 2)} s, ") if found else (lag["status"], "")
    )
    held = {True: "holds", False: "DOES NOT HOLD", None: "not run"}[proof["holds"]]
    return (
        ("uncorrected", f"{number(curve['spread_ppb'])} ppb", "largest minus smallest"),
        ("left, corrected, RMS", f"{number(left['held_out_rms_ppb'])} ppb", left["validation"].split(";")[0]),
        ("curve known to", f"{number(curve['worst_u_ppb'])} ppb", "largest standard uncertainty in the range"),
        ("table", f"{table['bytes']} bytes", f"within {number(table['max_error_ppb'])} ppb at every code"),
        ("thermal lag", lag_value, f"{lag_basis}from sensor to crystal"),
        ("proof of the C", held, "all 65 536 codes against the specification"),
    )


def next_steps(job: Job, figures: Figures, unseen: tuple[str, ...]) -> Iterator[Step]:
    """What a practitioner does now, in order."""
    yield from _into_the_firmware(job, figures)
    yield from _when_to_trim(job, figures)
    yield from _what_to_measure(figures, unseen)
    yield Step(
        "After some months, or when board, sensor or case have been changed: log a fresh run, and hold the table against it.",
        "tcomp check FOLDER/table.json FRESH.toml",
    )


def _into_the_firmware(job: Job, figures: Figures) -> Iterator[Step]:
    symbol, proof = job.firmware.symbol, figures["proof"]
    if proof["holds"] is False:
        yield Step(
            "Do not build this C into anything: it differs from its specification. Try another compiler, and report it."
        )
        return
    if "c" not in job.firmware.formats:
        yield Step(
            "The job asks for no C. Name it in [firmware] formats to get the table as source that can be proven."
        )
        return
    what = CODES[figures["table"]["input"]]
    yield Step(
        f"Add {symbol}.c and {symbol}.h to the firmware. It hands over {what} and gets the offset; the header states "
        "units and sign with a worked example.",
        f"int32_t offset_ppt = {symbol}_offset_ppt(code);",
    )
    if proof["holds"] is None:
        yield Step("Prove that C on a machine with a compiler before it is trusted.", "tcomp prove JOB.toml")


CODES = {"temperature": "the temperature as a code", "adc": "the sensor's raw code"}


def _when_to_trim(job: Job, figures: Figures) -> Iterator[Step]:
    ageing, often = figures["effects"]["ageing"], job.use.recalibrate_days
    moved = (
        f" In the runs it moved by {number(ageing['value'])} ppb a day (u {number(ageing['u'], 2)})."
        if ageing["status"] == "found"
        else ""
    )
    yield Step(
        "Trim the base once the board is back in its place, as it moves with every time without power and with age, and then "
        f"every {often:g} days ([use] recalibrate_days): one trusted point is enough.{moved}",
        'tcomp retrim FOLDER --at "23.5 degC, 120 ppb, 5 ppb"',
    )


def _what_to_measure(figures: Figures, unseen: tuple[str, ...]) -> Iterator[Step]:
    """What another run would tell, and what limits a corrected reading most."""
    if unseen:
        yield Step(f"Measure what was not: {' '.join(unseen)}", "tcomp plan JOB.toml --after FOLDER")
    untold = [name for name, effect in figures["effects"].items() if effect["status"] == "undetermined"]
    if untold:
        reasons = "; ".join(f"{name}: {figures['effects'][name]['reason']}" for name in untold)
        yield Step(f"Another run could tell what these could not. {reasons}.", "tcomp plan JOB.toml --after FOLDER")
    budget = figures["error_budget_ppb"]
    words = max(budget, key=lambda name: budget[name])
    advice = next(text for start, text in ADVICE.items() if words.startswith(start))
    yield Step(f"To do better, begin with what limits most, {number(budget[words])} ppb: {words}. {advice}")


ADVICE = {
    "table": "A smaller [table] max_error_ppb gives a table with more entries.",
    "curve": "`tcomp plan JOB.toml --after FOLDER` names the few soaks that lower it most.",
    "held-out": "That is the noise of single samples; a longer gate, or an average of several, lowers it until the curve's own "
    "uncertainty is left.",
    "rounding": "More [table] counts_per_c, or a converter with more bits, lowers it.",
    "sensor": "A sensor with finer steps, or a mean of several of its readings in the firmware, lowers it; away from the steepest "
    "slope it is less.",
}
"""By what a line of the error budget begins with."""
