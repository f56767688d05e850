"""One screen of results for the terminal: names on the left, values with unit and basis on the right."""

from __future__ import annotations

from collections.abc import Iterator

from tcomp.documents.proof import ProofDocument, TargetProof
from tcomp.documents.summary import (
    AgainstTruth,
    CurveFigures,
    EffectValue,
    MovingFigures,
    Residual,
    SummaryDocument,
    TableFigures,
)
from tcomp.estimation.effects import FAMILY, Reason
from tcomp.report.answer import base_text
from tcomp.report.layout import Row
from tcomp.report.section import Answer
from tcomp.report.words import number, with_u
from tcomp.units import DAYS_PER_YEAR, MONTHS_PER_YEAR, degc_text, seconds_per_day


def summary_rows(found: SummaryDocument, *, answered: bool = False) -> Iterator[Row]:
    """The figures of ``summary.json`` in words; of the verdict its answer alone, unless the four answers hold it already."""
    yield "oscillator", found.oscillator
    yield from curve_rows(found)
    yield from table_rows(found.table, found.curve.worst_u_ppb)
    if found.moving is not None:
        yield from moving_rows(found.moving)
    yield from proof_rows(found.proof)
    if found.verdict is not None:
        if not answered:
            yield "verdict", found.verdict.answer
        yield from (("warning", one) for one in found.verdict.warnings)
    yield "", LEGEND


def answer_rows(answers: tuple[Answer, ...]) -> Iterator[Row]:
    """The four answers, each command in a line of its own."""
    for one in answers:
        yield one.question, f"{one.mark.upper()}: {one.text}"
        if one.command:
            yield "", one.command


LEGEND = "u: standard uncertainty. `tcomp explain WORD` defines any term."


def curve_rows(found: CurveFigures) -> Iterator[Row]:
    """The curve, the effects and the residual."""
    curve, left = found.curve, found.residual
    yield "curve", curve.words
    yield "range", f"{degc_text(curve.range_c[0])} to {degc_text(curve.range_c[1])} degC"
    yield "uncorrected", f"{number(curve.spread_ppb)} ppb between lowest and highest in the range"
    searched = {effect.name for effect in FAMILY if effect.looked_for}
    for name, effect in found.effects.items():
        if effect.status == "found" or name not in searched:
            yield name, effect_words(effect)
    for name, parameter in curve.parameters.items():
        yield name, with_u(parameter.value, parameter.u, parameter.unit)
    for remark in curve.remarks:
        yield "warning", remark
    yield "shape left", curve.lack_of_fit
    base = with_u(curve.base_ppb, curve.base_u_ppb, "ppb")
    yield "base", f"{base} at {degc_text(curve.reference_c)} degC, {base_text(curve)}"
    yield from clock_rows(found)
    yield (
        "curve known to",
        f"{number(curve.worst_u_ppb, 2)} ppb, worst standard uncertainty in the range; its shape to "
        f"{number(curve.worst_shape_u_ppb, 2)} ppb",
    )
    yield (
        "left, held out",
        f"{held_out_words(left)}, 95 % within {number(left.held_out_p95_ppb)}, "
        f"largest {number(left.held_out_max_ppb)} ({left.validation})",
    )
    if left.untested_c:
        parts = ", ".join(f"{degc_text(low_c)} to {degc_text(high_c)} degC" for low_c, high_c in left.untested_c)
        yield "untested", f"{parts}: nothing was held out there"


def held_out_words(left: Residual) -> str:
    """The three figures of what was held out: the curve's, a reading's noise, and both."""
    if left.held_out_curve_rms_ppb is None:
        return f"{number(left.held_out_rms_ppb)} ppb RMS"
    return (
        f"{number(left.held_out_curve_rms_ppb)} ppb RMS of the curve, {number(left.held_out_noise_rms_ppb)} of a reading's noise; "
        f"both {number(left.held_out_rms_ppb)}"
    )


def clock_rows(found: CurveFigures) -> Iterator[Row]:
    """What base and residual mean in time, where the oscillator is a clock in service."""
    if found.effects["lag"].reason != Reason.IN_SERVICE:
        return
    base_s = seconds_per_day(found.curve.base_ppb or 0.0)
    left_s = seconds_per_day(found.residual.held_out_rms_ppb or 0.0)
    month = DAYS_PER_YEAR / MONTHS_PER_YEAR
    yield (
        "as a clock",
        f"{'gains' if base_s > 0 else 'loses'} {number(abs(base_s))} s/day or {number(abs(base_s) * month)} s/month at "
        f"{degc_text(found.curve.reference_c)} degC; corrected, a day is off by {number(left_s)} s RMS, held out",
    )


def note_rows(found: CurveFigures) -> Iterator[Row]:
    """How the curve was fitted."""
    for note in found.curve.notes:
        yield "note", note


def table_rows(table: TableFigures, curve_u_ppb: float) -> Iterator[Row]:
    """What the firmware holds, and whose share of the error is whose."""
    sampled = table.plainly_sampled_bytes
    beside = f" (plainly sampled: {sampled} bytes)" if sampled else ""
    yield "table", f"{table.bytes} bytes, looked up by {code_words(table)}{beside}"
    yield (
        "table's share",
        f"within {number(table.max_error_ppb)} ppb of the curve, whose own u is {number(curve_u_ppb, 2)} ppb",
    )


def moving_rows(moving: MovingFigures) -> Iterator[Row]:
    """Where the firmware follows: the largest error on the fastest ramp, by the table alone, and just before an update."""
    if not moving.followed:
        return
    for one in sorted(moving.ramps, key=lambda ramp: ramp.rate_c_per_min)[-1:]:
        error = f"{number(one.table_ppb)} ppb at {one.rate_c_per_min:g} degC/min"
        yield "on a ramp", f"{error}, {number(one.until_next_ppb, 2)} followed"


def code_words(table: TableFigures) -> str:
    """What the firmware looks up."""
    return {"temperature": "a temperature code", "adc": "the sensor's raw code"}[table.input]


def proof_rows(proof: ProofDocument) -> Iterator[Row]:
    """Whether the C is what it should be."""
    if proof.holds is None:
        yield "proof of the C", f"NOT RUN: {proof.reason}"
        return
    # On the host; each target has its own line.
    verdict = "holds" if proof.mismatches == 0 else "DOES NOT HOLD"
    checked = f"{proof.codes} codes and {proof.corrections_checked} corrections"
    if proof.image is not None:
        checked += f", of the image's reader too, with {proof.image.damaged_images} damaged images"
    for one in proof.follow or ():
        if one.target == "host":
            checked += f", and {one.updates} updates of the filter"
    yield "proof of the C", f"{verdict} at {checked} ({proof.builds})"
    for target in proof.targets:
        yield f"on {target.target}", target_summary(target)


def target_summary(target: TargetProof) -> str:
    """The proof on one target, and what a lookup costs there."""
    if target.holds is None:
        return f"NOT RUN: {target.reason}"
    if not target.holds or target.lookup is None:
        return f"DOES NOT HOLD: {target.first_mismatches[0]}"
    cost = target.lookup
    unit, count = ("cycles", cost.cycles) if cost.cycles else ("instructions", cost.instructions)
    return (
        f"holds at {target.codes} codes and {target.corrections_checked} corrections; a lookup takes "
        f"{count.least} to {count.largest} {unit} (mean {count.mean:g}), {cost.code_bytes} bytes of code "
        f"and {cost.table_bytes} of table{', copied into RAM' if cost.table_in_ram else ''} "
        f"({target.compiler} {target.version})"
    )


def truth_rows(error: AgainstTruth) -> Iterator[Row]:
    """The result of a simulated sample against its truth."""
    yield (
        "against the truth",
        f"exported integers within {number(error.firmware_worst_ppb)} ppb at every code "
        f"({number(error.firmware_rms_ppb)} ppb RMS), curve within {number(error.curve_worst_ppb)} ppb",
    )


def effect_words(effect: EffectValue) -> str:
    """An effect in words, shortly."""
    if effect.status == "found":
        return with_u(effect.value, effect.u, effect.unit)
    if effect.status == "given":
        return f"{effect.value:g} {effect.unit}, {effect.reason}"
    if effect.status == "none seen":
        return f"none seen (u {number(effect.u, 2)} {effect.unit})"
    return f"{effect.status}: {effect.reason}"
