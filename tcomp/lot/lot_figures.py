"""What the units are like together: distributions, odd ones, yield; as plain numbers, for ``lot.json`` and the page."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from tcomp.curve.prior import ODD, prior_dict, prior_of, robust_spread
from tcomp.errors import CurveError
from tcomp.files import no_formula
from tcomp.lot.between import Curves, Floats, common_curves
from tcomp.lot.lot_file import LotFile
from tcomp.lot.odd_units import judge_units
from tcomp.lot.unit_figures import HELD_OUT, UnitResult
from tcomp.lot.unit_work import Outcome

SHOWN_C = 81
"""Temperatures at which curves are told for a picture."""
CONFIDENCE = 0.95
"""Of the interval of the yield."""
STANDS_OUT = 3.0
"""Robust spreads from which a figure is named as what makes a unit odd (common practice, no source)."""


def lot_figures(lot: LotFile, outcomes: Sequence[Outcome], results: Mapping[str, UnitResult]) -> dict[str, Any]:
    """All figures of a lot; ``results`` are those of the units that are done."""
    needed_ppb = lot.template.job.use.needed_ppb
    curves = common_curves({name: result.curve for name, result in results.items()})
    odd = _odd(results, curves)
    short = curves.short if curves is not None else ()
    meets = {name: result.meets(needed_ppb, short=name in short) for name, result in results.items()}
    prior, no_prior = _prior(results, curves, {one["unit"] for one in odd["units"]})
    return {
        "schema": 1,
        "lot": lot.name,
        "units": len(outcomes),
        "done": len(results),
        "failed": [{"unit": o.unit, "reason": o.reason, "defect": o.defect} for o in outcomes if o.reason],
        "yield": None if needed_ppb is None else _yield(list(meets.values()), len(outcomes), needed_ppb),
        "proof": _proofs(results, asked="proof" in lot.make),
        "figures": {name: _distribution(name, results) for name in _names(results)},
        "odd": odd,
        "curves": _curves(curves),
        "prior": prior,
        "no_prior": no_prior,
        "rows": [_row(one, results.get(one.unit), meets.get(one.unit), short, odd) for one in outcomes],
    }


def _yield(meets: Sequence[bool | None], units: int, needed_ppb: float) -> dict[str, Any]:
    """Units that meet the need, of all that were to be done; the interval is Clopper and Pearson's (Biometrika 26, 1934)."""
    from scipy.stats import binomtest

    meeting = sum(one is True for one in meets)
    interval = binomtest(meeting, units).proportion_ci(CONFIDENCE, method="exact")
    return {
        "needed_ppb": needed_ppb,
        "meeting": meeting,
        "of": units,
        "share": meeting / units,
        "low": float(interval.low),
        "high": float(interval.high),
        "confidence": CONFIDENCE,
    }


def _proofs(results: Mapping[str, UnitResult], *, asked: bool) -> dict[str, Any]:
    """How many units' C was proven; why not, where it was not."""
    proofs = [result.summary["proof"] for result in results.values()]
    return {
        "holding": sum(proof["holds"] is True for proof in proofs),
        "not_holding": [name for name, result in results.items() if result.summary["proof"]["holds"] is False],
        "not_run": sorted({proof["reason"] for proof in proofs if asked and proof["holds"] is None}),
    }


def _names(results: Mapping[str, UnitResult]) -> list[str]:
    """Figures that any unit has, in the order of the first that has them."""
    return list(dict.fromkeys(name for result in results.values() for name in result.figures))


def _distribution(name: str, results: Mapping[str, UnitResult]) -> dict[str, Any]:
    """Median and robust spread of a figure over the units that have it."""
    found = [result.figures[name] for result in results.values() if name in result.figures]
    values = np.array([figure.value for figure in found])
    values = values[np.isfinite(values)]
    own = [figure.u for figure in found if figure.u is not None]
    known = values.size > 0
    return {
        "unit": found[0].unit,
        "units": int(values.size),
        "median": float(np.median(values)) if known else math.nan,
        "robust_spread": float(robust_spread(values[:, None])[0]) if known else math.nan,
        "p5": float(np.quantile(values, 0.05)) if known else math.nan,
        "p95": float(np.quantile(values, 0.95)) if known else math.nan,
        "median_own_u": float(np.median(own)) if own else None,
        "values": values.tolist(),
    }


TERMS = ("level", "tilt", "bend", "third-order term")


def _odd(results: Mapping[str, UnitResult], curves: Curves | None) -> dict[str, Any]:
    """Units that the lot does not support, each with what stands out."""
    short = curves.short if curves is not None else ()
    found: list[dict[str, Any]] = [
        {
            "unit": name,
            "why": f"its curve covers only {results[name].curve.low_c:.4g} to {results[name].curve.high_c:.4g} degC",
        }
        for name in short
    ]
    told = {"method": "", "false_alarm": ODD, "units": found}
    if curves is None:
        return told
    rms_ppb = _column(results, curves.names, HELD_OUT)
    rms_ppb = np.where(np.isfinite(rms_ppb), rms_ppb, np.nanmedian(rms_ppb))
    # The logarithm: a scatter is skewed towards the large.
    judged = judge_units(np.column_stack([curves.coef, np.log(rms_ppb)]))
    beside = _standing_out(results, curves)
    for at in np.flatnonzero(judged.odd):
        found.append({"unit": curves.names[at], "why": _reason(beside[at])})
    return told | {"method": judged.method}


def _reason(beside: list[tuple[float, str]]) -> str:
    """The two that stand out most; where none does, it is how they go together."""
    out = [words for away, words in beside[:2] if away >= STANDS_OUT]
    return "; ".join(out) or f"no figure stands out alone, but they go together as in no other unit; {beside[0][1]}"


def _standing_out(results: Mapping[str, UnitResult], curves: Curves) -> list[list[tuple[float, str]]]:
    """For each unit what stands out most, first; terms of the curve only where no parameter of the crystal does."""
    terms = [TERMS[k] if k < len(TERMS) else f"term of order {k}" for k in range(curves.basis.size)]
    parameters = dict.fromkeys(name for unit in curves.names for name in results[unit].parameters)
    told = [(name, _column(results, curves.names, name)) for name in (*parameters, HELD_OUT)]
    named = _sentences(told)
    as_terms = _sentences(list(zip(terms, curves.coef.T, strict=True)))
    return [first if first and first[0][0] >= STANDS_OUT else then for first, then in zip(named, as_terms, strict=True)]


def _sentences(told: Sequence[tuple[str, Floats]]) -> list[list[tuple[float, str]]]:
    """For each unit the robust spreads of each figure from its median, with words, the farthest first."""
    found: list[list[tuple[float, str]]] = [[] for _ in told[0][1]]
    for name, values in told:
        known = np.isfinite(values)
        median, spread = np.median(values[known]), robust_spread(values[known, None])[0]
        for at in np.flatnonzero(known) if spread > 0 else ():
            away = (values[at] - median) / spread
            side = "above" if away > 0 else "below"
            words = f"{name} {values[at]:.4g}, {abs(away):.3g} spreads {side} the median of {median:.4g}"
            found[at].append((abs(float(away)), words))
    return [sorted(one, reverse=True) for one in found]


def _column(results: Mapping[str, UnitResult], names: Sequence[str], figure: str) -> Floats:
    """A figure of these units; NaN where one has none."""
    return np.array([found.value if (found := results[name].figures.get(figure)) else math.nan for name in names])


def _curves(curves: Curves | None) -> dict[str, Any] | None:
    """All curves in one basis, for a picture; None where no two share a range."""
    if curves is None:
        return None
    basis = curves.basis
    temperature_c = np.linspace(basis.low_c, basis.high_c, SHOWN_C)
    each_ppb = curves.coef @ basis.values(temperature_c).T
    median_ppb = np.median(each_ppb, axis=0)
    return {
        "degree": basis.degree,
        "range_c": [basis.low_c, basis.high_c],
        "missed_ppb": curves.missed_ppb,
        "temperature_c": temperature_c.tolist(),
        "median_ppb": median_ppb.tolist(),
        "away_ppb": dict(zip(curves.names, (each_ppb - median_ppb).tolist(), strict=True)),
    }


def _prior(
    results: Mapping[str, UnitResult], curves: Curves | None, odd: set[str]
) -> tuple[dict[str, Any] | None, str]:
    """What the lot foretells of a new unit, as ``tcomp fit --prior`` reads it; or why it foretells nothing.

    What is called odd teaches nothing, in a lot too small for the prior's own judgement as well.
    """
    if curves is None:
        return None, "no two units share a range"
    usual = [at for at, name in enumerate(curves.names) if name not in odd]
    names = [curves.names[at] for at in usual]
    try:
        prior = prior_of(curves.basis, names, curves.coef[usual], curves.own[usual])
    except CurveError as error:
        return None, str(error)
    lag_s, lag_u_s = _shared_lag(_column(results, curves.names, "lag"))
    left_out = tuple(name for name in curves.names if name in odd or name in prior.left_out)
    return prior_dict(replace(prior, left_out=left_out, lag_s=lag_s, lag_u_s=lag_u_s)), ""


def _shared_lag(lags_s: Floats) -> tuple[float, float]:
    """Median and robust spread of the lag, where most units tell one. [s]"""
    found = lags_s[np.isfinite(lags_s)]
    if found.size <= len(lags_s) / 2:
        return 0.0, 0.0
    return float(np.median(found)), float(robust_spread(found[:, None])[0])


def _row(
    outcome: Outcome, result: UnitResult | None, meets: bool | None, short: Sequence[str], odd: dict[str, Any]
) -> dict[str, Any]:
    row: dict[str, Any] = {"unit": outcome.unit, "reason": outcome.reason, "defect": outcome.defect}
    if result is None:
        return row | {"status": "failed"}
    why = next((one["why"] for one in odd["units"] if one["unit"] == outcome.unit), "")
    return row | {
        "status": "done",
        "meets": meets,
        "short": outcome.unit in short,
        "odd": why,
        "model": result.curve.model,
        "range_c": [result.curve.low_c, result.curve.high_c],
        "proof": result.summary["proof"]["holds"],
        "crc32": result.summary["table"]["crc32"],
        "figures": {name: asdict(figure) for name, figure in result.figures.items()},
    }


def lot_csv(figures: dict[str, Any]) -> str:
    """A row per unit: ``lot.csv``; units stand in the names of the columns."""
    names = {name: f"{name} [{one['unit']}]" for name, one in figures["figures"].items()}
    head = ["unit", "status", "meets", "odd", "model", "low [degC]", "high [degC]", "proof", "crc32"]
    for name, one in figures["figures"].items():
        head += [names[name], *([f"u of {name} [{one['unit']}]"] if one["median_own_u"] is not None else [])]
    out = io.StringIO()
    writer = csv.DictWriter(out, [*head, "reason"], lineterminator="\n")
    writer.writeheader()
    for row in figures["rows"]:
        low_c, high_c = row.get("range_c", ("", ""))
        cells = {name: no_formula(row[name] or "") for name in ("unit", "status", "reason")} | {
            "low [degC]": low_c,
            "high [degC]": high_c,
        }
        cells |= {name: _yes(row.get(name)) for name in ("meets", "proof")}
        cells |= {name: row.get(name, "") for name in ("odd", "model", "crc32")}
        for name, one in row.get("figures", {}).items():
            cells[names[name]] = one["value"] if math.isfinite(one["value"]) else ""
            if f"u of {name} [{one['unit']}]" in head:
                cells[f"u of {name} [{one['unit']}]"] = one["u"]
        writer.writerow(cells)
    return out.getvalue()


def _yes(value: bool | None) -> str:
    return {True: "yes", False: "no", None: ""}[value]
