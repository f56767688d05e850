"""The report: one self-contained page, the answer first, then the evidence."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tcomp.documents.proof import CountRange, ProofDocument, TargetProof
from tcomp.documents.summary import MovingFigures, Residual, SummaryDocument
from tcomp.documents.verdict import VerdictDocument
from tcomp.estimation.curve import Curve
from tcomp.job import Job
from tcomp.logs.legs import coverage
from tcomp.logs.prepared import PreparedRun
from tcomp.report import charts
from tcomp.report.answer import answer, answers, ladder, next_steps, warnings
from tcomp.report.chart import Axis
from tcomp.report.commands import Commands
from tcomp.report.render import rendered
from tcomp.report.section import Gauge, Grid, Row, Section
from tcomp.report.text import code_words
from tcomp.report.verdict import verdict_basis, verdict_section
from tcomp.report.words import CAUTIONS, number, with_u
from tcomp.tables import CorrectionTable
from tcomp.units import degc_text


def page(
    *,
    job: Job,
    runs: tuple[PreparedRun, ...],
    curve: Curve,
    scores: pd.DataFrame,
    fitted: pd.DataFrame,
    table: CorrectionTable,
    rival: CorrectionTable | None,
    figures: SummaryDocument,
    commands: Commands,
    verdict: VerdictDocument | None = None,
) -> str:
    """The page as text, the same bytes for the same results."""
    unseen = coverage([prepared.legs for prepared in runs], curve.low_c, curve.high_c).sentences()
    return rendered(
        name=job.oscillator.name,
        subject="frequency against temperature",
        answer=answer(figures),
        warnings=warnings(figures),
        answers=answers(job, curve, figures, verdict, commands),
        ladder=ladder(figures, verdict),
        glossary=True,
        sections=(
            *(() if verdict is None else (verdict_section(verdict, job.supply.steady_watts, _found_ageing(figures)),)),
            Section(
                "The gain",
                charts=(
                    charts.gain(
                        job.oscillator.name,
                        curve,
                        table,
                        fitted,
                        charts.RampOfUse(job.use.ramp_c_per_min, job.firmware.follow),
                    ),
                ),
            ),
            _table(curve, table, rival, figures),
            Section(
                "What to do next",
                (
                    f"The commands run in the folder of {commands.job}, with the results beside it in {commands.folder}, where "
                    f"a build puts them unless --into names another place.",
                ),
                steps=tuple(next_steps(job, curve, figures, unseen, commands)),
            ),
            curve_section(curve, fitted, table),
            validation_section(figures.residual, scores),
            proof_section(figures.proof),
            *(() if verdict is None else (verdict_basis(verdict),)),
            runs_section(runs, curve, unseen),
            Section("Cautions", points=CAUTIONS),
        ),
    )


def _found_ageing(figures: SummaryDocument) -> tuple[float, float] | None:
    ageing = figures.effects.get("ageing")
    if ageing is None or ageing.status != "found" or ageing.value is None or ageing.u is None:
        return None
    return ageing.value, ageing.u


def _table(curve: Curve, table: CorrectionTable, rival: CorrectionTable | None, figures: SummaryDocument) -> Section:
    count = len(table.entries)
    texts = [
        f"{count} {'entry' if count == 1 else 'entries'} of {table.entry_bits} bits, {table.bytes} bytes; {table.description}; "
        f"looked up by {code_words(figures.table)}. Over every code of the range the "
        f"integers that it returns are within {number(table.max_error_ppb)} ppb of the curve "
        f"({number(table.rms_error_ppb)} ppb RMS). CRC-32 {figures.table.crc32}."
    ]
    if rival is not None:
        texts.append(
            f"A table that samples the curve at its entries would take {rival.bytes} bytes for an error no worse "
            f"({number(rival.max_error_ppb)} ppb)."
        )
    if figures.moving is not None:
        texts.append(_moving_text(figures.moving))
    budget = tuple(
        Row((one.name, number(one.size_ppb), f"{100 * one.share:.1f} %", f"{'assumed: ' * one.assumed}{one.basis}"))
        for one in figures.error_budget
    )
    head = ("contribution to the error of a corrected reading", "RMS, ppb", "share", "basis")
    return Section(
        "The table",
        tuple(texts),
        (charts.table_error(curve, table, rival),),
        (
            Grid(
                head, budget, (1, 2), "What a corrected reading may be off on the last day before a trim, line by line"
            ),
            *(() if figures.moving is None else (_moving_grid(figures.moving),)),
        ),
    )


def _moving_text(moving: MovingFigures) -> str:
    """What the figures on ramps are, and whether the firmware reaches them."""
    asked = (
        f"The C follows it, by a filter that is updated each {moving.update_s:g} s."
        if moving.followed
        else f"With [firmware] follow = true the C would follow it, by a filter that is updated each {moving.update_s:g} s."
    )
    return (
        f"While the temperature changes, the crystal is not as warm as its sensor, and the table alone does not know. {asked} "
        "The errors below are the largest on a ramp up and down over the range of use. An offset that is read between two "
        "updates is as old as the last of them: a shorter update_s lowers what is read just before the next."
    )


def _moving_grid(moving: MovingFigures) -> Grid:
    head = ("ramp, degC/min", "table alone, ppb", "followed, ppb", "just before the next update, ppb")
    rows = tuple(
        Row((
            f"{one.rate_c_per_min:g}", number(one.table_ppb), number(one.followed_ppb, 2), number(one.until_next_ppb, 2)
        ))
        for one in moving.ramps
    )  # fmt: skip
    return Grid(head, rows, (1, 2, 3), "Errors while the temperature changes")


IN_NUMBERS = 17
"""Largest number of temperatures in the table of the curve."""

POINTS_OF_RUNS, MIN_OF_A_RUN = 6000, 300
"""Points drawn of all runs together, and of one at least: a page of many runs is to stay as small as one of a few."""


def curve_section(curve: Curve, fitted: pd.DataFrame, table: CorrectionTable) -> Section:
    """The curve, the effects taken off before it, and the residual."""
    effects = tuple(Row((effect.name, effect.words)) for effect in curve.effects)
    here = np.array([curve.reference_c])
    base_ppb, base_u_ppb = float(curve.offset_ppb(here)[0]), float(curve.uncertainty_ppb(here)[0])
    over_time = charts.residuals_over_time(curve, fitted)
    return Section(
        "The curve",
        (
            f"A {curve.words}, from {curve.samples} samples that tell as much as {curve.effective_samples:.0f} independent "
            f"ones (neighbouring residuals resemble each other). At {degc_text(curve.reference_c)} degC its base is "
            f"{with_u(base_ppb, base_u_ppb, 'ppb')}, {curve.base_words}. "
            "Uncertainties are standard ones; they allow for the resemblance, and for the lag's uncertainty.",
        ),
        (
            charts.curve_and_residuals(curve, fitted),
            charts.spread(curve, fitted),
            *((over_time,) if over_time is not None else ()),
            charts.loop(curve, fitted),
        ),
        (
            Grid(("taken off before the curve", "what the runs say"), effects, caption="Lag, hysteresis and ageing"),
            *_parameters(curve),
            _in_numbers(curve, fitted, table),
            _by_sweep(fitted),
        ),
        (*curve.notes, f"shape left: {curve.lack_of_fit}"),
    )


def _parameters(curve: Curve) -> tuple[Grid, ...]:
    if not curve.parameters:
        return ()
    rows = tuple(Row((p.name, number(p.value, 6), number(p.uncertainty, 2), p.unit)) for p in curve.parameters)
    return (Grid(("parameter of the crystal", "value", "u (k = 1)", "unit"), rows, (1, 2), "The crystal"),)


STEPS_C = (0.5, 1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 50.0)


def _in_numbers(curve: Curve, fitted: pd.DataFrame, table: CorrectionTable) -> Grid:
    """The charts of the curve as a table: at round temperatures what curve and table say, and what is left nearby."""
    step_c = next((one for one in STEPS_C if (curve.high_c - curve.low_c) / one < IN_NUMBERS), 100.0)
    at_c = np.arange(np.ceil(curve.low_c / step_c), np.floor(curve.high_c / step_c) + 1) * step_c
    codes = table.codes
    codes_c = table.temperature_of(codes)
    nearest = np.array([int(np.abs(codes_c - one).argmin()) for one in at_c], dtype=np.int64)
    away_ppb = table.offset_ppt(codes[nearest]) / 1000 - curve.offset_ppb(codes_c[nearest])
    used = fitted[fitted["used"]]
    rows = []
    columns = zip(at_c, curve.offset_ppb(at_c), curve.uncertainty_ppb(at_c), away_ppb, strict=True)
    for temperature_c, offset_ppb, u_ppb, table_ppb in columns:
        left = used.loc[(used["crystal_c"] - temperature_c).abs() <= step_c / 2, "residual_ppb"]
        cells = (number(offset_ppb, 6), number(u_ppb, 2), number(table_ppb), _rms(left), str(len(left)))
        rows.append(Row((f"{temperature_c:g}", *cells)))
    head = ("degC", "curve [ppb]", "its u [ppb]", "table - curve [ppb]", "left, RMS [ppb]", "samples")
    caption = f"The curve with its base, the table at the nearest code, and what is left of samples within {step_c / 2:g} degC"
    return Grid(head, tuple(rows), (0, 1, 2, 3, 4, 5), caption, folded="The curve and what is left, in numbers")


def _rms(left: pd.Series[float]) -> str:
    return number(float(np.sqrt((left**2).mean()))) if len(left) else "-"


def _by_sweep(fitted: pd.DataFrame) -> Grid:
    """What is left of each sweep: the chart over time as a table."""
    rows = []
    for sweep, part in fitted[fitted["used"]].groupby("sweep", sort=True):
        left, way = part["residual_ppb"], float(part["direction"].iloc[0])
        words = "heating" if way > 0 else "cooling" if way < 0 else "unordered"
        cells = (words, number(float(left.mean())), _rms(left), number(float(left.abs().max())), str(len(part)))
        rows.append(Row((str(int(str(sweep)) + 1), *cells)))
    head = ("sweep", "direction", "mean [ppb]", "RMS [ppb]", "largest [ppb]", "samples")
    caption = "Residuals of each sweep, in the order of time"
    return Grid(head, tuple(rows), (0, 2, 3, 4, 5), caption, folded="The residuals of each sweep, in numbers")


def validation_section(left: Residual, scores: pd.DataFrame) -> Section:
    """The candidates on sweeps that they had not seen."""
    method = "; ".join((left.validation, *left.validation_remarks))
    columns = ("p95_ppb", "max_ppb", "heating_minus_cooling_ppb")
    gauges = _score_gauges(scores)
    rows = tuple(
        Row((row["model"], f"{row['coefficients']:.3g}", gauge, *(number(row[name]) for name in columns)), bool(row["chosen"]))
        for (_, row), gauge in zip(scores.iterrows(), gauges, strict=True)
    )  # fmt: skip
    head = ("candidate", "coefficients", "RMS [ppb]", "95 % [ppb]", "largest [ppb]", "heating - cooling [ppb]")
    return Section(
        "Proof of the curve on data it has not seen",
        (
            f"Method: {method}. The simplest candidate whose error is within one standard error of "
            "the best is taken. Lag, ageing and the base of each run come from all sweeps.",
        ),
        grids=(
            Grid(
                head,
                rows,
                (1, 2, 3, 4, 5),
                "Error on held-out sweeps, simplest candidate first; the one taken is bold. Beside the RMS: its place on a "
                "logarithmic scale, one standard error over the folds to either side; the line is the best plus one standard error",
            ),
        ),
    )


def _score_gauges(scores: pd.DataFrame) -> list[Gauge]:
    """The error of each candidate on one logarithmic scale."""
    middle = scores["fold_mean_square_ppb2"].to_numpy(dtype=np.float64)
    error = scores["fold_mean_square_se_ppb2"].to_numpy(dtype=np.float64)
    low, high = np.sqrt(np.maximum(middle - error, 0.25 * middle)), np.sqrt(middle + error)
    best = int(np.nanargmin(middle))
    known = np.isfinite(low) & np.isfinite(high) & (low > 0)
    axis = Axis(float(low[known].min()) * 0.9, float(high[known].max()) * 1.1, log=True)

    def place(value: float) -> float:
        return round(100 * float(axis.place(np.array(value)).clip(0.0, 1.0)), 1) if np.isfinite(value) else 0.0

    return [
        Gauge(number(rms), place(low[i]), place(high[i]), at=place(np.sqrt(middle[i])), limit=place(high[best]))
        for i, rms in enumerate(scores["rms_ppb"])
    ]


def proof_section(proof: ProofDocument) -> Section:
    """The C compared with its specification, here and on each target."""
    if proof.holds is None:
        return Section("Proof of the firmware", (f"The C was not compiled and run: {proof.reason}",))
    rows = tuple(Row((label, _plain(getattr(proof, name)))) for name, label in PROOF_LABELS.items())
    text = (
        "The C was compiled and run at every code and over a grid of corrections, and compared with the integer lookup."
    )
    targets = (_targets(proof.targets),) if proof.targets else ()
    grids = (Grid(("what", "as found"), rows, caption="On this machine"), *targets)
    not_run = tuple(f"{one.target} was not run: {one.reason}" for one in proof.targets if one.holds is None)
    return Section("Proof of the firmware", (text,), grids=grids, points=not_run)


def _targets(targets: tuple[TargetProof, ...]) -> Grid:
    """What was run on emulated processors, and what a lookup costs there."""
    head = ("target", "compiler", "result", "codes", "instructions", "cycles", "code, bytes", "table, bytes")
    caption = (
        "On emulated processors: least / mean / largest over all codes for one lookup, its own return counted, the call to it "
        "not. Its code is that of all it calls. Cycles are given where the processor alone decides them."
    )
    return Grid(head, tuple(Row(_target_cells(target)) for target in targets), (3, 4, 5, 6, 7), caption)


def _target_cells(target: TargetProof) -> tuple[str, ...]:
    result = {True: "equal everywhere", False: "DIFFERS", None: "not run"}[target.holds]
    cost, compiler = target.lookup, f"{target.compiler} {target.version}".strip()
    if cost is None:
        return (target.target, compiler or NOT_GIVEN, result, str(target.codes), *[NOT_GIVEN] * 4)
    table = f"{cost.table_bytes}{', and in RAM' if cost.table_in_ram else ''}"
    return (
        target.target, compiler, result, str(target.codes), _counts(cost.instructions), _counts(cost.cycles),
        str(cost.code_bytes), table,
    )  # fmt: skip


def _counts(count: CountRange | None) -> str:
    return NOT_GIVEN if count is None else f"{count.least} / {count.mean:.1f} / {count.largest}"


NOT_GIVEN = "-"


PROOF_LABELS = {
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


def _plain(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(_plain(one) for one in value) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)


def runs_section(runs: tuple[PreparedRun, ...], curve: Curve, unseen: tuple[str, ...]) -> Section:
    """What was logged, what was dropped, and what was assumed."""
    most = max(MIN_OF_A_RUN, POINTS_OF_RUNS // len(runs))
    rows, points = [], []
    for run in (prepared.run for prepared in runs):
        dropped = ", ".join(f"{count} {reason}" for reason, count in run.dropped_counts.items()) or "none"
        rows.append(Row((run.name, str(run.samples_kept), dropped, str(len(run.gaps)))))
        points += [f"{run.name}: {assumption}" for assumption in run.assumptions]
    legs = tuple(
        Row(
            (
                p.run.name,
                leg.kind,
                f"{degc_text(leg.low_c)} to {degc_text(leg.high_c)}",
                number(leg.rate_c_per_min, 2),
                str(leg.samples),
            )
        )
        for p in runs
        for leg in p.legs
    )
    return Section(
        "The runs, and what was assumed",
        ("Nothing was repaired: a sample is kept as it was logged or dropped for the reason given.",),
        (
            *(charts.run_against_time(place, prepared, curve, most) for place, prepared in enumerate(runs)),
            *(found for place, one in enumerate(runs) if (found := charts.stability_of(one, place)) is not None),
        ),
        (
            Grid(("log", "samples kept", "dropped", "gaps"), tuple(rows), (1, 3), "The logs"),
            Grid(("log", "leg", "degC", "degC/min", "samples"), legs, (3, 4), "Legs", folded=f"All {len(legs)} legs"),
        ),
        (*points, *unseen),
    )
