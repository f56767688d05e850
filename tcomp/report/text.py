"""One screen of results for the terminal: names on the left, values with unit and basis on the right."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from tcomp.report.layout import Row
from tcomp.report.numbers import number, with_u


def summary_rows(figures: dict[str, Any]) -> Iterator[Row]:
    """The figures of ``summary.json`` in words; of the verdict its answer alone."""
    yield "oscillator", figures["oscillator"]
    yield from curve_rows(figures)
    yield from table_rows(figures["table"])
    yield from proof_rows(figures["proof"])
    if figures["verdict"] is not None:
        yield "verdict", figures["verdict"]["answer"]
    yield "", LEGEND


LEGEND = "u: standard uncertainty. `tcomp explain WORD` says more."


def curve_rows(figures: dict[str, Any]) -> Iterator[Row]:
    """What was learnt."""
    curve, left = figures["curve"], figures["residual"]
    yield "curve", curve["words"]
    yield "range", f"{curve['range_c'][0]:.4g} to {curve['range_c'][1]:.4g} degC"
    yield "uncorrected", f"{number(curve['spread_ppb'])} ppb between lowest and highest in the range"
    for name, effect in figures["effects"].items():
        yield name, effect_words(effect)
    for name, parameter in curve["parameters"].items():
        yield name, with_u(parameter["value"], parameter["u"], parameter["unit"])
    for remark in curve["remarks"]:
        yield "mind", remark
    yield "shape left", curve["lack_of_fit"]
    base = with_u(curve["base_ppb"], curve["base_u_ppb"], "ppb")
    yield "base", f"{base} at {curve['reference_c']:g} degC, {curve['base_as_of'].removeprefix('as at the ')}"
    yield "curve known to", f"{number(curve['worst_u_ppb'], 2)} ppb, worst standard uncertainty in the range"
    yield (
        "left, held out",
        f"{number(left['held_out_rms_ppb'])} ppb RMS, 95 % within {number(left['held_out_p95_ppb'])}, "
        f"largest {number(left['held_out_max_ppb'])} ({left['validation'].split(';')[0]})",
    )


def note_rows(figures: dict[str, Any]) -> Iterator[Row]:
    """How the curve was learnt."""
    for note in figures["curve"]["notes"]:
        yield "note", note


def table_rows(table: dict[str, Any]) -> Iterator[Row]:
    """What the firmware holds."""
    sampled = table["plainly_sampled_bytes"]
    beside = f" (plainly sampled: {sampled} bytes)" if sampled else ""
    within = f"within {number(table['max_error_ppb'])} ppb at every code"
    yield "table", f"{table['bytes']} bytes, looked up by {code_words(table)}, {within}{beside}"


def code_words(table: dict[str, Any]) -> str:
    """What the firmware looks up."""
    return {"temperature": "a temperature code", "adc": "the sensor's raw code"}[table["input"]]


def proof_rows(proof: dict[str, Any]) -> Iterator[Row]:
    """Whether the C is what it should be."""
    if proof["holds"] is None:
        yield "proof of the C", f"NOT RUN: {proof['reason']}"
        return
    # On the host; each target has its own line.
    verdict = "holds" if proof["mismatches"] == 0 else "DOES NOT HOLD"
    checked = f"{proof['codes']} codes and {proof['corrections_checked']} corrections"
    if "image" in proof:
        checked += f", of the image's reader too, with {proof['image']['damaged_images']} damaged images"
    yield "proof of the C", f"{verdict} at {checked} ({proof['compiler']})"
    for target in proof["targets"]:
        yield f"on {target['target']}", target_words(target)


def target_words(target: dict[str, Any]) -> str:
    """The proof on one target, and what a lookup costs there."""
    if target["holds"] is None:
        return f"NOT RUN: {target['reason']}"
    if not target["holds"]:
        return f"DOES NOT HOLD: {target['first_mismatches'][0]}"
    cost = target["lookup"]
    unit = "cycles" if cost["cycles"] else "instructions"
    spread = cost[unit]
    return (
        f"holds at {target['codes']} codes and {target['corrections_checked']} corrections; a lookup takes "
        f"{spread['least']} to {spread['largest']} {unit} (mean {spread['mean']:g}), {cost['code_bytes']} bytes of code "
        f"and {cost['table_bytes']} of table{', copied into RAM' if cost['table_in_ram'] else ''} "
        f"({target['compiler']} {target['version']})"
    )


def truth_rows(error: dict[str, float]) -> Iterator[Row]:
    """The result of a simulated sample against its truth."""
    yield (
        "against the truth",
        f"exported integers within {number(error['firmware_worst_ppb'])} ppb at every code "
        f"({number(error['firmware_rms_ppb'])} ppb RMS), curve within {number(error['curve_worst_ppb'])} ppb",
    )


def effect_words(effect: dict[str, Any]) -> str:
    """An effect in words, shortly."""
    if effect["status"] == "found":
        return with_u(effect["value"], effect["u"], effect["unit"])
    if effect["status"] == "given":
        return f"{effect['value']:g} {effect['unit']}, {effect['reason']}"
    if effect["status"] == "none seen":
        return f"none seen (u {number(effect['u'], 2)} {effect['unit']})"
    return f"{effect['status']}: {effect['reason']}"
