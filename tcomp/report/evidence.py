"""The evidence: curve, validation, proof and runs, each as a section of the page."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from tcomp.curve.curve import Curve
from tcomp.report import report_charts
from tcomp.report.numbers import number, with_u
from tcomp.report.section import Gauge, Grid, Row, Section
from tcomp.report.ticks import Axis
from tcomp.run.prepared import PreparedRun
from tcomp.table import CorrectionTable

Figures = dict[str, Any]
IN_NUMBERS = 17
"""Temperatures, at most, at which the curve is told in numbers."""

POINTS_OF_RUNS, LEAST_OF_A_RUN = 6000, 300
"""Points drawn of all runs together, and of one at least: a page of many runs is to stay as small as one of a few."""


def curve_section(curve: Curve, fitted: pd.DataFrame, table: CorrectionTable) -> Section:
    """The curve, what was taken off before it, and what is left."""
    effects = tuple(Row((effect.name, effect.words)) for effect in curve.effects)
    here = np.array([curve.reference_c])
    base_ppb, base_u_ppb = float(curve.offset_ppb(here)[0]), float(curve.uncertainty_ppb(here)[0])
    over_time = report_charts.residuals_over_time(curve, fitted)
    return Section(
        "The curve",
        (
            f"A {curve.words}, from {curve.samples} samples that tell as much as {curve.effective_samples:.0f} independent "
            f"ones (neighbouring residuals resemble each other). At {curve.reference_c:g} degC its base is "
            f"{with_u(base_ppb, base_u_ppb, 'ppb')}, {curve.base_words}. "
            "Uncertainties are standard ones; they allow for the resemblance, and for the lag's uncertainty.",
        ),
        (
            report_charts.curve_and_residuals(curve, fitted),
            *((over_time,) if over_time is not None else ()),
            report_charts.loop(curve, fitted),
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
    caption = "What is left of the samples of each sweep, in the order of time"
    return Grid(head, tuple(rows), (0, 2, 3, 4, 5), caption, folded="What is left of each sweep, in numbers")


def validation_section(figures: Figures, scores: pd.DataFrame) -> Section:
    """The candidates on sweeps that they had not seen."""
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
            f"Method: {figures['residual']['validation']}. The simplest candidate whose error is within one standard error of "
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


def proof_section(proof: Figures) -> Section:
    """The C held against its specification, here and on each target."""
    if proof["holds"] is None:
        return Section("Proof of the firmware", (f"The C was not compiled and run: {proof['reason']}",))
    rows = tuple(Row((words, _plain(proof[name]))) for name, words in PROOF_WORDS.items())
    text = (
        "The C was compiled and run at every code and over a grid of corrections, and compared with the integer lookup."
    )
    targets = proof["targets"]
    grids = (Grid(("what", "as found"), rows, caption="On this machine"), *((_targets(targets),) if targets else ()))
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


def runs_section(runs: tuple[PreparedRun, ...], curve: Curve, unseen: tuple[str, ...]) -> Section:
    """What was logged, what was dropped, and what was assumed."""
    most = max(LEAST_OF_A_RUN, POINTS_OF_RUNS // len(runs))
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
                f"{leg.low_c:.4g} to {leg.high_c:.4g}",
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
        tuple(report_charts.run_against_time(place, prepared, curve, most) for place, prepared in enumerate(runs)),
        (
            Grid(("log", "samples kept", "dropped", "gaps"), tuple(rows), (1, 3), "The logs"),
            Grid(("log", "leg", "degC", "degC/min", "samples"), legs, (3, 4), "Legs", folded=f"All {len(legs)} legs"),
        ),
        (*points, *unseen),
    )
