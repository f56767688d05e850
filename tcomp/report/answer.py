"""The answer, before any evidence: what was reached, what must not be overlooked, what to do next."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from tcomp.budget.crystal_error import (
    AGEING,
    CURVE,
    HYSTERESIS,
    LAG,
    RESIDUAL,
    RESPONSE,
    RETRACE,
    SENSOR_DRIFT,
    SENSOR_NOISE,
    SENSOR_STEPS,
    TABLE,
)
from tcomp.documents.summary import CurveSummary, Residual, SummaryDocument
from tcomp.documents.verdict import VerdictDocument
from tcomp.estimation.curve import Curve
from tcomp.estimation.effects import Reason
from tcomp.job import Job
from tcomp.report.chart import Axis
from tcomp.report.commands import Commands
from tcomp.report.section import Answer, Gauge, Grid, Mark, Row, Scale, Step
from tcomp.report.words import number
from tcomp.summary import default_table_error_ppb
from tcomp.units import degc_text


def answer(found: SummaryDocument) -> str:
    """The result in one sentence."""
    curve, left, table = found.curve, found.residual, found.table
    outside = " outside its activity dips" if curve.dips and curve.model != "spline" else ""
    return (
        f"From {degc_text(curve.range_c[0])} to {degc_text(curve.range_c[1])} degC the offset varies by "
        f"{number(curve.spread_ppb)} ppb: a clock on it gains or loses {number(curve.spread_s_per_day)} s a day more at "
        f"one end of that than at the other. Corrected with the curve, sweeps that it had not seen stay{outside} within "
        f"{number(_headline_ppb(left))} ppb RMS of it{_with_noise(left)} "
        f"(95 % within {number(left.held_out_p95_ppb)} ppb). The table that "
        f"puts it into the firmware takes {table.bytes} bytes and adds at most {number(table.max_error_ppb)} ppb to what the "
        f"curve itself is uncertain by, {number(curve.worst_u_ppb, 2)} ppb."
    )


def _headline_ppb(left: Residual) -> float | None:
    """The curve's own error where it is known, else both together. [ppb]"""
    return left.held_out_rms_ppb if left.held_out_curve_rms_ppb is None else left.held_out_curve_rms_ppb


def _with_noise(left: Residual) -> str:
    if left.held_out_curve_rms_ppb is None:
        return ""
    return f" ({number(left.held_out_rms_ppb)} ppb with the noise of a single reading)"


def warnings(found: SummaryDocument) -> list[str]:
    """What must not be overlooked."""
    proof = found.proof
    if proof.holds is None:
        return [f"Not proven: {proof.reason}", *found.curve.remarks]
    if not proof.holds:
        differs = "THE GENERATED C DIFFERS FROM ITS SPECIFICATION. Do not use it; see the proof below."
        return [differs, *found.curve.remarks]
    return [*found.curve.remarks, *(found.verdict.warnings if found.verdict is not None else ())]


def base_text(curve: CurveSummary) -> str:
    """When the base had its value."""
    return "end of the last run" if curve.base_trimmed is None else f"as trimmed at {curve.base_trimmed}"


def answers(
    job: Job, curve: Curve, found: SummaryDocument, verdict: VerdictDocument | None, commands: Commands
) -> tuple[Answer, ...]:
    """What every reader asks first: how good is it now, is the table good enough, is an oven needed, what comes next."""
    return _now(found, verdict), _of_the_table(job, curve, found), _oven(job, verdict), next_answer(found, commands)


def _now(found: SummaryDocument, verdict: VerdictDocument | None) -> Answer:
    """In use from trim to trim, and on the bench."""
    left = found.residual
    bench = f"On the bench {number(_headline_ppb(left))} ppb RMS{_with_noise(left)}, held out, lag and ageing taken off"
    if verdict is None:
        return Answer("Now", "look", f"{bench}. In use it is more: state [use] needed_ppb to see how much.")
    days = verdict.trimmed_table.error_by_day
    (_, _, first_ppb), (last_day, _, last_ppb) = days[0], days[-1]
    need = verdict.needed_ppb
    mark: Mark = "stop" if first_ppb > need else "look" if last_ppb > need or verdict.warnings else "good"
    return Answer(
        "Now",
        mark,
        f"In use within {number(first_ppb)} ppb (95 %) after a trim and {number(last_ppb)} ppb before the next, {last_day:.0f} "
        f"days later; needed: {need:g} ppb. {bench}.",
    )


def _of_the_table(job: Job, curve: Curve, found: SummaryDocument) -> Answer:
    """Its error against what was allowed, its bytes, and where the C was run."""
    table, proof = found.table, found.proof
    allowed_ppb = job.table.max_error_ppb or default_table_error_ppb(job, curve)[0]
    size = f"{table.bytes} bytes, within {number(table.max_error_ppb)} ppb of the curve ({allowed_ppb:g} allowed)"
    if proof.holds is None:
        return Answer("Table", "look", f"{size}. The C is not verified: {proof.reason}.")
    if not proof.holds:
        return Answer("Table", "stop", f"{size}. The C DIFFERS from it: do not use it.")
    places = " and ".join(["this machine", *(one.target for one in proof.targets if one.holds)])
    mark: Mark = "good" if table.max_error_ppb <= allowed_ppb else "look"
    return Answer("Table", mark, f"{size}. The C is verified at every code on {places}.")


def _oven(job: Job, verdict: VerdictDocument | None) -> Answer:
    """Whether to buy something."""
    if verdict is None:
        key = f"Write needed_ppb, the error that you can bear (k = 2), under [use] in {job.path.name}"
        return Answer("Oven?", "look", f"Not asked. {key}: the next build compares the crystal with an oven.")
    if verdict.status == "nothing meets the need":
        return Answer("Oven?", "stop", verdict.answer)
    if verdict.status == "not decidable":
        return Answer("Oven?", "look", verdict.answer)
    bought = verdict.taken.power.peak_watts > 0
    contradicted = " But see what contradicts itself." if verdict.warnings else ""
    text = f"{'Buy.' if bought else 'No.'} {verdict.answer}{contradicted}"
    return Answer("Oven?", "look" if bought or verdict.warnings else "good", text)


def next_answer(found: SummaryDocument, commands: Commands) -> Answer:
    """What to do after a build: why, and one command that runs as it is printed."""
    if found.proof.holds is False:
        return Answer("Next", "stop", "Look at the first codes that differ:", commands.prove())
    undetermined = [name for name, effect in found.effects.items() if effect.status == "undetermined"]
    known_well = found.curve.worst_u_ppb <= found.table.max_error_ppb
    if found.proof.holds and not undetermined and known_well and not found.proof.targets:
        return Answer("Next", "good", "Run the C on emulated processors:", commands.prove_everywhere())
    if any(found.effects[name].reason == Reason.IN_SERVICE for name in undetermined):  # no chamber, no soaks
        text = "Log on, through warmer and colder weeks, which tell more of the curve; then build again:"
        return Answer("Next", "look", text, commands.build())
    why = f"{' and '.join(undetermined)} could not be determined; see" if undetermined else "See"
    mark: Mark = "look" if undetermined else "good"
    return Answer("Next", mark, f"{why} which soaks would lower the curve's u most:", commands.plan_after())


def ladder(found: SummaryDocument, verdict: VerdictDocument | None) -> Grid:
    """What is how large, on one logarithmic axis, with the need as an upright line."""
    known = (
        (words, ppb) for words, ppb in _ladder(found, verdict) if ppb is not None and math.isfinite(ppb) and ppb > 0
    )
    steps = sorted(known, key=lambda step: -step[1])
    need = None if verdict is None else verdict.needed_ppb
    sizes = [ppb for _, ppb in steps] + ([] if need is None else [need])
    axis = Axis(10.0 ** math.floor(math.log10(min(sizes))), 10.0 ** math.ceil(math.log10(max(sizes))), log=True)
    lines = tuple(round(100 * tick.at, 1) for tick in axis.ticks())
    limit = None if need is None else _share(axis, need)
    rows = tuple(
        Row(
            (
                words,
                number(ppb),
                Gauge("", 0.0, _share(axis, ppb), at=_share(axis, ppb), limit=limit, wide=True, lines=lines),
            )
        )
        for words, ppb in steps
    )
    caption = "How large is what" if need is None else f"How large is what; the upright line is the need, {need:g} ppb"
    return Grid(("what", "ppb", Scale("logarithmic", axis.ticks())), rows, (1,), caption)


def _ladder(found: SummaryDocument, verdict: VerdictDocument | None) -> Iterator[tuple[str, float | None]]:
    """Errors and what they are made of, all as 95 % of them are within, or k = 2."""
    yield "uncorrected, lowest to highest", found.curve.spread_ppb
    if verdict is not None:
        days = verdict.trimmed_table.error_by_day
        yield "in use before the next trim, 95 %", days[-1][2]
        yield "in use after a trim, 95 %", days[0][2]
    yield (
        "sensor's steps and noise, k = 2",
        2 * math.hypot(*(one.size_ppb for one in found.error_budget if one.name in (SENSOR_STEPS, SENSOR_NOISE))),
    )
    yield "held-out sweeps on the bench, 95 %", found.residual.held_out_p95_ppb
    yield "curve at its worst, k = 2", 2 * found.curve.worst_u_ppb
    yield "table, at most", found.table.max_error_ppb


def _share(axis: Axis, value: float) -> float:
    return round(100 * float(axis.place(np.array(value)).clip(0.0, 1.0)), 1)


def next_steps(
    job: Job, curve: Curve, found: SummaryDocument, unseen: tuple[str, ...], commands: Commands
) -> Iterator[Step]:
    """What a practitioner does now, in order."""
    yield from _into_the_firmware(job, found, commands)
    yield _when_to_trim(job, found, commands.retrim(curve))
    yield from _what_to_measure(found, unseen, commands.plan_after())
    yield Step(
        "After some months, or when board, sensor or case have been changed: log a verification run, here as verification.csv, "
        "write a job for it, look through that job, and hold the table against the run.",
        commands.check(),
    )


def _into_the_firmware(job: Job, found: SummaryDocument, commands: Commands) -> Iterator[Step]:
    symbol, proof = job.firmware.symbol, found.proof
    if proof.holds is False:
        yield Step(
            "Do not build this C into anything: it differs from its specification. Try another compiler, and report it."
        )
        return
    if "c" not in job.firmware.formats:
        yield Step(
            "The job asks for no C. Name it in [firmware] formats to get the table as source that can be proven."
        )
        return
    what = {"temperature": "the temperature as a code", "adc": "the sensor's raw code"}[found.table.input]
    yield Step(
        f"Add {symbol}.c and {symbol}.h to the firmware. It hands over {what} and gets the offset; the header states "
        "units and sign with a worked example.",
        (f"int32_t offset_ppt = {symbol}_offset_ppt(code);",),
    )
    if proof.holds is None:
        yield Step("Prove that C on a machine with a compiler before it is trusted.", (commands.prove(),))


def _when_to_trim(job: Job, found: SummaryDocument, command: str) -> Step:
    ageing, often = found.effects["ageing"], job.use.recalibrate_days
    moved = (
        f" In the runs it moved by {number(ageing.value)} ppb a day (u {number(ageing.u, 2)})."
        if ageing.status == "found"
        else ""
    )
    return Step(
        "Trim the base once the board is back in its place, as it moves with every time without power and with age, and then "
        f"every {often:g} days ([use] recalibrate_days): one trusted point is enough.{moved} Put your own "
        "temperature, offset, standard uncertainty and time in the place of these, which are what the curve predicts.",
        (command,),
    )


def _what_to_measure(found: SummaryDocument, unseen: tuple[str, ...], plan: str) -> Iterator[Step]:
    """What another run would tell, and what limits a corrected reading most."""
    if unseen:
        yield Step(f"Measure what was not: {' '.join(unseen)}", (plan,))
    undetermined = {name: effect for name, effect in found.effects.items() if effect.status == "undetermined"}
    if undetermined:
        reasons = "; ".join(f"{name}: {effect.reason}" for name, effect in undetermined.items())
        yield Step(f"Another run could tell what these could not. {reasons}.", (plan,))
    if found.error_budget:
        largest = found.error_budget[0]
        words = f"{number(largest.size_ppb)} ppb RMS on the last day before a trim, {100 * largest.share:.0f} % of the mean square"
        first = f"To do better, begin with what limits most: {largest.name}, {words}."
        lines = (plan,) if largest.name == CURVE else ()
        yield Step(f"{first} {_advice(largest.name, found.residual)}".rstrip(), lines)


def _advice(name: str, left: Residual) -> str:
    """What lowers a contribution; of held-out samples by which part of them is large."""
    curve_ppb, noise_ppb, shift_ppb = (
        value or 0.0
        for value in (left.held_out_curve_rms_ppb, left.held_out_noise_rms_ppb, left.held_out_base_shift_ppb)
    )
    if name != RESIDUAL or curve_ppb <= noise_ppb:
        return ADVICE.get(name, "")
    if shift_ppb**2 > curve_ppb**2 / 2:
        return (
            f"Most of that is the base, which shifts by {number(shift_ppb)} ppb from sweep to sweep: no longer gate lowers it, and "
            "no richer curve; trim the base in its place, and log sweeps without switching off in between."
        )
    return (
        f"Most of that is the curve's own error, {number(curve_ppb)} ppb, which no longer gate lowers: log slower ramps, or soaks "
        "inside the range from both sides, which tell what goes with the rate and what with the direction."
    )


ADVICE = {
    TABLE: "A smaller [table] max_error_ppb gives a table with more entries.",
    CURVE: "The plan names the few soaks that lower it most.",
    RESIDUAL: "That is the noise of single samples; a longer gate, or an average of several, lowers it until the curve's own "
    "uncertainty is left.",
    SENSOR_STEPS: "A sensor with finer steps, a converter with more bits, more [table] counts_per_c, or a mean of several readings "
    "in the firmware, lowers it.",
    SENSOR_NOISE: "A mean of several readings in the firmware lowers it.",
    SENSOR_DRIFT: "A better sensor, or a trim at the temperature of use ([use] trim_c), lowers it.",
    LAG: "[firmware] follow = true lets the firmware follow it; more of a case about the board lowers the ramp.",
    RESPONSE: "More of a case about the board lowers the ramp.",
    HYSTERESIS: "A narrower range of temperatures, or firmware that follows the loop ([firmware] follow), lowers it.",
    AGEING: "Trims more often ([use] recalibrate_days), or a better known rate ([oscillator] ageing_u_ppb_per_day), lower it.",
    RETRACE: "An oscillator that stays powered has none.",
}
"""What lowers each contribution."""
