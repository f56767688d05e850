"""The report: one self-contained page that loads nothing from anywhere."""

from __future__ import annotations

from importlib import resources
from typing import Any

import pandas as pd

from tcomp.curve.curve import Curve
from tcomp.job import Job
from tcomp.report import pictures
from tcomp.report.cautions import CAUTIONS
from tcomp.report.numbers import number
from tcomp.report.section import Grid, Picture, Row, Section, drawn
from tcomp.report.text import code_words
from tcomp.report.verdict_section import verdict_section
from tcomp.run.coverage import coverage
from tcomp.run.prepared import PreparedRun
from tcomp.table import CorrectionTable


def page(
    *,
    job: Job,
    runs: tuple[PreparedRun, ...],
    curve: Curve,
    scores: pd.DataFrame,
    fitted: pd.DataFrame,
    table: CorrectionTable,
    rival: CorrectionTable | None,
    figures: dict[str, Any],
    verdict: dict[str, Any] | None = None,
) -> str:
    """The page as text, the same bytes for the same results."""
    return rendered(
        name=job.oscillator.name,
        answer=answer(figures),
        warnings=warnings(figures),
        cards=cards(figures),
        sections=(
            _gain(job, curve, fitted),
            *(() if verdict is None else (verdict_section(verdict),)),
            _curve(curve, fitted),
            _validation(figures, scores),
            _table(curve, table, rival, figures),
            _proof(figures["proof"]),
            _runs(runs, curve),
            Section("Cautions", points=CAUTIONS),
        ),
    )


def rendered(**parts: Any) -> str:
    """A page of its name, answer, warnings, cards and sections."""
    from jinja2 import Environment, StrictUndefined

    source = resources.files("tcomp.report").joinpath("page.html").read_text(encoding="utf-8")
    template = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True).from_string(source)
    return template.render(**parts)


def answer(figures: dict[str, Any]) -> str:
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


def warnings(figures: dict[str, Any]) -> list[str]:
    """What must not be overlooked."""
    proof = figures["proof"]
    found = list(figures["curve"]["remarks"])
    if proof["holds"] is None:
        found.insert(0, f"Not proven: {proof['reason']}")
    if proof["holds"] is False:
        found.insert(0, "THE GENERATED C DIFFERS FROM ITS SPECIFICATION. Do not use it; see the proof below.")
    return found


def cards(figures: dict[str, Any]) -> tuple[tuple[str, str, str], ...]:
    """The figures that matter: what, value, basis."""
    curve, left, table, proof = figures["curve"], figures["residual"], figures["table"], figures["proof"]
    lag = figures["effects"]["lag"]
    found = lag["status"] == "found"
    lag_value, lag_basis = (
        (f"{number(lag['value'])} s", f"u {number(lag['u'], 2)} s, ") if found else (lag["status"], "")
    )
    held = {True: "holds", False: "DOES NOT HOLD", None: "not run"}[proof["holds"]]
    return (
        ("wanders, uncorrected", f"{number(curve['spread_ppb'])} ppb", "largest minus smallest"),
        ("left, corrected, RMS", f"{number(left['held_out_rms_ppb'])} ppb", left["validation"].split(";")[0]),
        ("curve known to", f"{number(curve['worst_u_ppb'])} ppb", "largest standard uncertainty in the range"),
        ("table", f"{table['bytes']} bytes", f"within {number(table['max_error_ppb'])} ppb at every code"),
        ("thermal lag", lag_value, f"{lag_basis}from sensor to crystal"),
        ("proof of the C", held, "all 65 536 codes against the specification"),
    )


def _gain(job: Job, curve: Curve, fitted: pd.DataFrame) -> Section:
    caption = (
        f"Above: {job.oscillator.name} trimmed once, at {curve.reference_c:g} degC. Below: the same samples corrected, each "
        "sweep by a curve learnt without it. Mind the two scales."
    )
    alt = "Offset against crystal temperature, before and after correction"
    return Section(
        "What the correction gains", pictures=(Picture(drawn("gain", pictures.gain(curve, fitted), alt, 4.4), caption),)
    )


def _curve(curve: Curve, fitted: pd.DataFrame) -> Section:
    parameters = tuple(Row((p.name, number(p.value, 6), number(p.uncertainty, 2), p.unit)) for p in curve.parameters)
    effects = tuple(Row((effect.name, effect.words)) for effect in curve.effects)
    grids = [Grid(("taken off before the curve", "what the runs say"), effects)]
    if parameters:
        grids.append(Grid(("parameter of the crystal", "value", "u (k = 1)", "unit"), parameters, (1, 2)))
    return Section(
        "The curve",
        (
            f"A {curve.words}, from {curve.samples} samples that tell as much as {curve.effective_samples:.0f} independent "
            f"ones (neighbouring residuals resemble each other). At {curve.reference_c:g} degC its base is "
            f"{curve.base_words}. Uncertainties are standard ones; they allow for the resemblance, and for the lag's uncertainty.",
        ),
        (
            Picture(
                drawn(
                    "curve", pictures.offset_against_temperature(curve, fitted), "Offset against temperature, by sweep"
                ),
                "Left: as the sensor saw it; a loop between heating and cooling is lag or hysteresis. Right: as the crystal "
                "saw it, with base and ageing taken off, and the curve.",
            ),
            Picture(
                drawn("residuals", pictures.residuals(curve, fitted), "Residuals against temperature, by sweep"),
                "What is left of each sample. A shape that heating and cooling share is a curve that is too simple; a gap "
                "between the two colours is lag or hysteresis that is not taken off.",
            ),
        ),
        tuple(grids),
        (*curve.notes, f"shape left: {curve.lack_of_fit}"),
    )


def _validation(figures: dict[str, Any], scores: pd.DataFrame) -> Section:
    columns = ("rms_ppb", "p95_ppb", "max_ppb", "heating_minus_cooling_ppb")
    rows = tuple(
        Row((row["model"], number(row["coefficients"]), *(number(row[name]) for name in columns)), bool(row["chosen"]))
        for _, row in scores.iterrows()
    )
    head = ("candidate", "coefficients", "RMS [ppb]", "95 % [ppb]", "largest [ppb]", "heating - cooling [ppb]")
    return Section(
        "Proof of the curve on data it has not seen",
        (
            f"Method: {figures['residual']['validation']}. The simplest candidate whose error is within one standard error of "
            "the best is taken. Lag, ageing and the base of each run come from all sweeps.",
        ),
        (
            Picture(
                drawn("scores", pictures.scores_by_model(scores), "Held-out error by candidate"),
                "Error on held-out sweeps; the bars are one standard error over the folds.",
            ),
        ),
        (Grid(head, rows, (1, 2, 3, 4, 5)),),
    )


def _table(curve: Curve, table: CorrectionTable, rival: CorrectionTable | None, figures: dict[str, Any]) -> Section:
    texts = [
        f"{len(table.entries)} entries of {table.entry_bits} bits, {table.bytes} bytes; {table.layout}; looked up by "
        f"{code_words(figures['table'])}. Over every code of the range the "
        f"integers that it returns are within {number(table.max_error_ppb)} ppb of the curve "
        f"({number(table.rms_error_ppb)} ppb RMS). CRC-32 {figures['table']['crc32']}."
    ]
    if rival is not None:
        texts.append(
            f"A table that samples the curve at its entries would take {rival.bytes} bytes for an error no worse "
            f"({number(rival.max_error_ppb)} ppb)."
        )
    budget = tuple(Row((words, number(value))) for words, value in figures["error_budget_ppb"].items())
    return Section(
        "The table",
        tuple(texts),
        (
            Picture(
                drawn("table", pictures.table_error(curve, table, rival), "Error of the table over all codes"),
                "Table minus curve at every code; dashed: the largest error.",
            ),
        ),
        (Grid(("contribution to the error of a corrected reading", "ppb"), budget, (1,)),),
    )


def _proof(proof: dict[str, Any]) -> Section:
    if proof["holds"] is None:
        return Section("Proof of the firmware", (f"The C was not compiled and run: {proof['reason']}",))
    rows = tuple(Row((words, _plain(proof[name]))) for name, words in PROOF_WORDS.items())
    text = (
        "The C was compiled and run at every code and over a grid of corrections, and compared with the integer lookup."
    )
    targets = proof["targets"]
    grids = (Grid(("what", "as found"), rows), *((_targets(targets),) if targets else ()))
    not_run = tuple(f"{one['target']} was not run: {one['reason']}" for one in targets if one["holds"] is None)
    return Section("Proof of the firmware", (text,), grids=grids, points=not_run)


def _targets(targets: list[dict[str, Any]]) -> Grid:
    """What was run on emulated processors, and what a lookup costs there."""
    head = ("target", "compiler", "result", "codes", "instructions", "cycles", "code, bytes", "table, bytes")
    caption = (
        "On emulated processors: least / mean / largest over all codes for one lookup, its own return counted, the call to it "
        "not. Its code is that of all it calls. Cycles are given where the processor alone decides them."
    )
    return Grid(head, tuple(Row(_target_cells(target)) for target in targets), (3, 4, 5, 6, 7), caption)


def _target_cells(target: dict[str, Any]) -> tuple[str, ...]:
    result = {True: "equal everywhere", False: "DIFFERS", None: "not run"}[target["holds"]]
    cost, compiler = target["lookup"], f"{target['compiler']} {target['version']}".strip()
    if cost is None:
        return (target["target"], compiler or NOT_GIVEN, result, str(target["codes"]), *[NOT_GIVEN] * 4)
    table = f"{cost['table_bytes']}{', and in RAM' if cost['table_in_ram'] else ''}"
    return (
        target["target"], compiler, result, str(target["codes"]), _spread(cost["instructions"]), _spread(cost["cycles"]),
        str(cost["code_bytes"]), table,
    )  # fmt: skip


def _spread(spread: dict[str, Any] | None) -> str:
    return NOT_GIVEN if spread is None else f"{spread['least']} / {spread['mean']:.1f} / {spread['largest']}"


NOT_GIVEN = "-"


PROOF_WORDS = {
    "holds": "equal everywhere",
    "codes": "codes compared, in each build",
    "corrections_checked": "corrections compared, in each build",
    "mismatches": "mismatches",
    "first_mismatches": "the first of them",
    "selftest": "self-test returned",
    "sanitizer": "sanitizer of the compiler",
    "compiler": "compiler",
    "version": "version",
    "flags": "options of each build",
}


def _plain(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(_plain(one) for one in value) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def _runs(runs: tuple[PreparedRun, ...], curve: Curve) -> Section:
    shown, rows, points = [], [], []
    for number_of_run, prepared in enumerate(runs):
        run = prepared.run
        alt = f"Temperature and offset of {run.name} against time"
        svg = drawn(f"run{number_of_run}", pictures.run_against_time(prepared, curve.jumps), alt)
        shown.append(Picture(svg, f"{run.name}, with what was dropped; grey: gaps; dashed: jumps of the crystal."))
        dropped = ", ".join(f"{count} {reason}" for reason, count in run.dropped_counts.items()) or "none"
        rows.append(Row((run.name, str(run.samples_kept), dropped, str(len(run.gaps)))))
        points += [f"{run.name}: {assumption}" for assumption in run.assumptions]
    legs = tuple(
        Row(
            (
                p.run.name,
                leg.kind,
                f"{leg.low_c:.4g} to {leg.high_c:.4g}",
                number(leg.rate_c_per_min, 2),
                str(leg.samples),
            )
        )
        for p in runs
        for leg in p.legs
    )
    unseen = coverage([prepared.legs for prepared in runs], curve.low_c, curve.high_c).sentences()
    return Section(
        "The runs, and what was assumed",
        ("Nothing was repaired: a sample is kept as it was logged or dropped for the reason given.",),
        tuple(shown),
        (
            Grid(("log", "samples kept", "dropped", "gaps"), tuple(rows), (1, 3)),
            Grid(("log", "leg", "degC", "degC/min", "samples"), legs, (3, 4)),
        ),
        (*points, *unseen),
    )
