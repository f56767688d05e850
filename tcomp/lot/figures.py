"""What the units are like together: distributions, odd ones, yield."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.documents import lot as documents
from tcomp.documents.curve import ChebyshevBasis
from tcomp.documents.fields import values_of
from tcomp.documents.lot import (
    Distribution,
    FailedUnit,
    Figure,
    LotCurves,
    LotDocument,
    LotFigures,
    LotProof,
    OddUnit,
    OddUnits,
    UnitFigures,
    UnitRow,
    Yield,
)
from tcomp.documents.summary import SummaryDocument
from tcomp.errors import CurveError, StageError, TcompError
from tcomp.estimation.curve import Curve, effect_document
from tcomp.estimation.effects import Status
from tcomp.estimation.lot_effects import lot_effects
from tcomp.estimation.prior import ODD, LotEffect, prior_of, robust_spread
from tcomp.files import no_formula
from tcomp.lot.comparison import Curves, common_curves, judge_units
from tcomp.lot.lot_file import LotFile
from tcomp.lot.unit_work import Outcome
from tcomp.results import Folder
from tcomp.units import degc_text

SHOWN_C = 81
"""Temperatures at which curves are drawn."""
CONFIDENCE = 0.95
"""Of the interval of the yield."""
STANDS_OUT = 3.0
"""Robust spreads from which a figure is named as what makes a unit odd (common practice, no source)."""


def lot_figures(lot: LotFile, outcomes: Sequence[Outcome], results: Mapping[str, UnitResult]) -> LotFigures:
    """All figures of a lot; ``results`` are those of the units that are done."""
    needed_ppb = lot.template.job.use.needed_ppb
    curves = common_curves({name: result.curve for name, result in results.items()})
    odd = _odd(results, curves)
    short = curves.short if curves is not None else ()
    meets = {name: result.meets(needed_ppb, short=name in short) for name, result in results.items()}
    prior, no_prior = _prior(results, curves, {one.unit for one in odd.units})
    values = {name: _values(name, results) for name in _names(results)}
    shown, away_ppb = _curves(curves)
    document = LotDocument(
        lot=lot.name,
        units=len(outcomes),
        done=len(results),
        failed=tuple(FailedUnit(unit=o.unit, reason=o.reason, defect=o.defect) for o in outcomes if o.reason),
        yield_=None if needed_ppb is None else _yield(list(meets.values()), len(outcomes), needed_ppb),
        proof=_proofs(results, asked="proof" in lot.make),
        figures={name: _distribution(name, values[name], results) for name in values},
        odd=odd,
        curves=shown,
        prior=prior,
        no_prior=no_prior,
    )
    rows = tuple(_row(one, results.get(one.unit), meets.get(one.unit), short, odd) for one in outcomes)
    return LotFigures(document=document, rows=rows, values=values, away_ppb=away_ppb)


def _yield(meets: Sequence[bool | None], units: int, needed_ppb: float) -> Yield:
    """Units that meet the need, of all that were to be done; the interval is Clopper and Pearson's (Biometrika 26, 1934)."""
    from scipy.stats import binomtest

    meeting = sum(one is True for one in meets)
    interval = binomtest(meeting, units).proportion_ci(CONFIDENCE, method="exact")
    return Yield(
        needed_ppb=needed_ppb,
        meeting=meeting,
        of=units,
        share=meeting / units,
        low=float(interval.low),
        high=float(interval.high),
        confidence=CONFIDENCE,
    )


def _proofs(results: Mapping[str, UnitResult], *, asked: bool) -> LotProof:
    """How many units' C was proven; why not, where it was not."""
    proofs = {name: result.summary.proof for name, result in results.items()}
    return LotProof(
        holding=sum(proof.holds is True for proof in proofs.values()),
        not_holding=tuple(name for name, proof in proofs.items() if proof.holds is False),
        not_run=tuple(sorted({str(proof.reason) for proof in proofs.values() if asked and proof.holds is None})),
    )


def _names(results: Mapping[str, UnitResult]) -> list[str]:
    """Figures that any unit has, in the order of the first that has them."""
    return list(dict.fromkeys(name for result in results.values() for name in result.figures))


def _values(name: str, results: Mapping[str, UnitResult]) -> tuple[float, ...]:
    """A figure of the units that have it and know it."""
    found = (result.figures[name].value for result in results.values() if name in result.figures)
    return tuple(value for value in found if math.isfinite(value))


def _distribution(name: str, known: tuple[float, ...], results: Mapping[str, UnitResult]) -> Distribution:
    """Median and robust spread of a figure over the units that have it."""
    found = [result.figures[name] for result in results.values() if name in result.figures]
    own = [figure.u for figure in found if figure.u is not None]
    values = np.array(known)
    return Distribution(
        unit=found[0].unit,
        units=len(known),
        median=float(np.median(values)) if known else None,
        robust_spread=float(robust_spread(values[:, None])[0]) if known else None,
        p5=float(np.quantile(values, 0.05)) if known else None,
        p95=float(np.quantile(values, 0.95)) if known else None,
        median_own_u=float(np.median(own)) if own else None,
    )


TERMS = ("level", "tilt", "bend", "third-order term")


def _odd(results: Mapping[str, UnitResult], curves: Curves | None) -> OddUnits:
    """Units that do not belong to the lot, each with what stands out."""
    if curves is None:
        return OddUnits(method="", false_alarm=ODD, units=())
    found = [
        OddUnit(unit=name, why=f"its curve covers only {degc_text(curve.low_c)} to {degc_text(curve.high_c)} degC")
        for name, curve in ((name, results[name].curve) for name in curves.short)
    ]
    rms_ppb = _column(results, curves.names, HELD_OUT)
    rms_ppb = np.where(np.isfinite(rms_ppb), rms_ppb, np.nanmedian(rms_ppb))
    # The logarithm: a scatter is skewed towards the large.
    judged = judge_units(np.column_stack([curves.coef, np.log(rms_ppb)]))
    ranked = _standing_out(results, curves)
    found += [OddUnit(unit=curves.names[at], why=_reason(ranked[at])) for at in np.flatnonzero(judged.odd)]
    return OddUnits(method=judged.method, false_alarm=ODD, units=tuple(found))


def _reason(ranked: list[tuple[float, str]]) -> str:
    """The two that stand out most; where none does, it is how they go together."""
    out = [words for away, words in ranked[:2] if away >= STANDS_OUT]
    return "; ".join(out) or f"no figure stands out alone, but they go together as in no other unit; {ranked[0][1]}"


def _standing_out(results: Mapping[str, UnitResult], curves: Curves) -> list[list[tuple[float, str]]]:
    """For each unit what stands out most, first; terms of the curve only where no parameter of the crystal does."""
    terms = [TERMS[k] if k < len(TERMS) else f"term of order {k}" for k in range(curves.basis.size)]
    parameters = dict.fromkeys(name for unit in curves.names for name in results[unit].parameters)
    named_values = [(name, _column(results, curves.names, name)) for name in (*parameters, HELD_OUT)]
    named = _sentences(named_values)
    as_terms = _sentences(list(zip(terms, curves.coef.T, strict=True)))
    return [first if first and first[0][0] >= STANDS_OUT else then for first, then in zip(named, as_terms, strict=True)]


def _sentences(named_values: Sequence[tuple[str, FloatArray]]) -> list[list[tuple[float, str]]]:
    """For each unit the robust spreads of each figure from its median, with words, the farthest first."""
    found: list[list[tuple[float, str]]] = [[] for _ in named_values[0][1]]
    for name, values in named_values:
        known = np.isfinite(values)
        median, spread = np.median(values[known]), robust_spread(values[known, None])[0]
        for at in np.flatnonzero(known) if spread > 0 else ():
            away = (values[at] - median) / spread
            side = "above" if away > 0 else "below"
            words = f"{name} {values[at]:.4g}, {abs(away):.3g} spreads {side} the median of {median:.4g}"
            found[at].append((abs(float(away)), words))
    return [sorted(one, reverse=True) for one in found]


def _column(results: Mapping[str, UnitResult], names: Sequence[str], figure: str) -> FloatArray:
    """A figure of these units; NaN where one has none."""
    return np.array([found.value if (found := results[name].figures.get(figure)) else math.nan for name in names])


def _curves(curves: Curves | None) -> tuple[LotCurves | None, dict[str, tuple[float, ...]]]:
    """All curves in one basis, and each unit's less the median; nothing where no two share a range."""
    if curves is None:
        return None, {}
    basis = curves.basis
    temperature_c = np.linspace(basis.low_c, basis.high_c, SHOWN_C)
    each_ppb = curves.coef @ basis.values(temperature_c).T
    median_ppb = np.median(each_ppb, axis=0)
    shown = LotCurves(
        degree=basis.degree,
        range_c=(basis.low_c, basis.high_c),
        missed_ppb=curves.missed_ppb,
        temperature_c=tuple(temperature_c.tolist()),
        median_ppb=tuple(median_ppb.tolist()),
    )
    away_ppb = (each_ppb - median_ppb).tolist()
    return shown, {name: tuple(away) for name, away in zip(curves.names, away_ppb, strict=True)}


def _prior(
    results: Mapping[str, UnitResult], curves: Curves | None, odd: set[str]
) -> tuple[documents.Prior | None, str]:
    """The prior of a new unit, as ``tcomp fit --prior`` reads it; or why there is none.

    Odd units take no part, also in a lot too small for the prior's own judgement.
    """
    if curves is None:
        return None, "no two units share a range"
    effects = lot_effects({name: one.curve.effects for name, one in results.items() if name not in odd})
    usual = [at for at, name in enumerate(curves.names) if name not in odd and results[name].knows(effects)]
    names = [curves.names[at] for at in usual]
    try:
        prior = prior_of(curves.basis, names, curves.coef[usual], curves.own[usual])
    except CurveError as error:
        return None, str(error)
    left_out = tuple(name for name in curves.names if name not in names or name in prior.left_out)
    found = values_of(replace(prior, left_out=left_out))
    shared = tuple(
        documents.LotEffect(
            units=one.units, left_out=one.left_out, findings=tuple(effect_document(finding) for finding in one.findings)
        )
        for one in effects
    )
    return documents.Prior(**found | {"basis": ChebyshevBasis(**values_of(prior.basis)), "effects": shared}), ""


def _row(
    outcome: Outcome, result: UnitResult | None, meets: bool | None, short: Sequence[str], odd: OddUnits
) -> UnitRow:
    if result is None:
        return UnitRow(unit=outcome.unit, reason=outcome.reason, defect=outcome.defect, done=None)
    done = UnitFigures(
        meets=meets,
        short=outcome.unit in short,
        odd=next((one.why for one in odd.units if one.unit == outcome.unit), ""),
        model=result.curve.model,
        range_c=(result.curve.low_c, result.curve.high_c),
        proof=result.summary.proof.holds,
        crc32=result.summary.table.crc32,
        figures=result.figures,
    )
    return UnitRow(unit=outcome.unit, reason=outcome.reason, defect=outcome.defect, done=done)


def lot_csv(lot: LotFigures) -> str:
    """A row per unit: ``lot.csv``; units stand in the names of the columns."""
    names = {name: f"{name} [{one.unit}]" for name, one in lot.document.figures.items()}
    head = ["unit", "status", "meets", "odd", "model", "low [degC]", "high [degC]", "proof", "crc32"]
    for name, one in lot.document.figures.items():
        head += [names[name], *([f"u of {names[name]}"] if one.median_own_u is not None else [])]
    out = io.StringIO()
    writer = csv.DictWriter(out, [*head, "reason"], lineterminator="\n")
    writer.writeheader()
    for row in lot.rows:
        cells: dict[str, object] = {"unit": no_formula(row.unit), "status": "failed", "reason": no_formula(row.reason)}
        if row.done is not None:
            cells |= {"status": "done"} | _cells(row.done, names)
        writer.writerow({name: cell for name, cell in cells.items() if name in writer.fieldnames})
    return out.getvalue()


def _cells(done: UnitFigures, names: Mapping[str, str]) -> dict[str, object]:
    cells: dict[str, object] = {
        "meets": YES[done.meets],
        "proof": YES[done.proof],
        "odd": done.odd,
        "model": done.model,
        "crc32": done.crc32,
        "low [degC]": done.range_c[0],
        "high [degC]": done.range_c[1],
    }
    for name, one in done.figures.items():
        cells[names[name]] = one.value if math.isfinite(one.value) else ""
        cells[f"u of {names[name]}"] = one.u
    return cells


YES = {True: "yes", False: "no", None: ""}


@dataclass(frozen=True, eq=False)
class UnitResult:
    """A unit that is done: its curve, and what ``summary.json`` says of it."""

    name: str
    curve: Curve
    summary: SummaryDocument

    def knows(self, effects: Sequence[LotEffect]) -> bool:
        """Whether its runs can tell what the units share; else its curve is shifted by what is not taken off."""
        return not any(self.curve.effect(one.findings[0].name).status == Status.UNDETERMINED for one in effects)

    @property
    def parameters(self) -> dict[str, Figure]:
        """Of the crystal, where its own form was taken."""
        return {one.name: Figure(one.value, one.unit, one.uncertainty) for one in self.curve.parameters}

    @property
    def figures(self) -> dict[str, Figure]:
        """All that units are compared by."""
        return self.parameters | dict(self._effects()) | dict(self._results())

    def _effects(self) -> Iterator[tuple[str, Figure]]:
        for name, one in self.summary.effects.items():
            if one.status == "found":
                yield name, Figure(_number(one.value), one.unit, one.u)

    def _results(self) -> Iterator[tuple[str, Figure]]:
        curve, left, table = self.summary.curve, self.summary.residual, self.summary.table
        yield "base", Figure(curve.base_ppb, "ppb", curve.base_u_ppb)
        yield "uncorrected", Figure(curve.spread_ppb, "ppb")
        yield HELD_OUT, Figure(_number(left.held_out_rms_ppb), "ppb")
        yield "table", Figure(float(table.bytes), "bytes")
        yield "table's worst error", Figure(table.max_error_ppb, "ppb")
        yield ERROR, Figure(self.error_ppb, "ppb")

    @property
    def error_ppb(self) -> float:
        """What 95 % of corrected readings stay within: held-out samples, the table's worst, the reference; NaN: not known."""
        left_ppb = _number(self.summary.residual.held_out_p95_ppb)
        return math.hypot(left_ppb, 2 * self.curve.reference_u_ppb) + self.summary.table.max_error_ppb

    def meets(self, needed_ppb: float | None, *, short: bool) -> bool | None:
        """Whether it is within the need; None: no need is stated, or the error is not known.

        One whose C is disproved is not, nor is one whose curve is short of the range that the others have.
        """
        if self.summary.proof.holds is False or (short and needed_ppb is not None):
            return False
        if needed_ppb is None or not math.isfinite(self.error_ppb):
            return None
        return self.error_ppb <= needed_ppb


HELD_OUT = "left, held out, RMS"
ERROR = "error, 95 % within"


def read_result(into: Path, unit: str) -> UnitResult:
    """Read back what a build has left.

    Raises
    ------
    StageError
        It is damaged.
    """
    folder = Folder(into / unit)
    try:
        return UnitResult(unit, folder.read_curve(), folder.read_summary())
    except TcompError as error:
        raise StageError(
            f"{folder.path}: the results of unit '{unit}' are damaged; take that folder away, and run the same command again"
        ) from error


def _number(value: float | None) -> float:
    return math.nan if value is None else value
