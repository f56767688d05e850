"""Checks of a job that need more than one key."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import fields
from itertools import pairwise
from typing import Any

from tcomp.errors import JobError
from tcomp.job.bench import check_sources
from tcomp.job.place import Place
from tcomp.job.sections import Job, RunLog, Sensor, Table, header
from tcomp.job.use_sections import Oven, WarmUp
from tcomp.job.written import written


def check_run(run: RunLog, place: Place, number: int) -> None:
    """Keys of one [[run]] that go together, or do not."""
    where = place.of("run", None, number)
    kinds = [name for name in ("frequency", "offset", "phase", "reading") if getattr(run, name) is not None]
    if len(kinds) != 1:
        given = ", ".join(kinds) or "none"
        raise JobError(f"{where}: [[run]] needs exactly one of frequency, offset, phase, reading; it has {given}")
    if (run.offset is not None) != (run.offset_unit is not None):
        raise JobError(f'{where}: [[run]] needs offset and offset_unit ("1", "ppm" or "ppb") together')
    if run.frequency_unit != "Hz" and run.frequency is None:
        raise JobError(
            f"{place.of('run', 'frequency_unit', number)}: [[run]] frequency_unit goes with a frequency column"
        )
    if (run.reading is not None) != bool(run.trusted):
        raise JobError(f"{where}: [[run]] needs reading and trusted together")
    if run.time is not None and run.interval_s is not None:
        raise JobError(f"{where}: [[run]] has both time and interval_s; keep the one that is true")
    if run.phase is not None and run.time is None and run.interval_s is None:
        raise JobError(f"{where}: [[run]] phase needs a time column or interval_s, to be differenced over time")
    timebase_hz = run.role == "timebase" and run.frequency is not None
    if timebase_hz != (run.reference_hz is not None):
        raise JobError(
            f"{where}: [[run]] reference_hz, the trusted frequency that was shown, goes with a frequency column "
            'and role = "timebase"'
        )
    for name in ("interval_s", "reference_hz"):
        _positive(getattr(run, name), f"{place.of('run', name, number)}: [[run]] {name}")
    if run.skip_lines is not None and run.skip_lines < 0:
        raise JobError(
            f"{place.of('run', 'skip_lines', number)}: [[run]] skip_lines = {run.skip_lines}: expected 0 or more"
        )


def _positive(value: float | None, what: str) -> None:
    if value is not None and value <= 0:
        raise JobError(f"{what} = {value:g}: expected a number above 0")


def check_together(job: Job, place: Place) -> None:
    """Checks that need more than one key."""
    _positive(job.oscillator.nominal_hz, f"{place.of('oscillator', 'nominal_hz')}: [oscillator] nominal_hz")
    check_sensor(job.sensor, place)
    if job.table.input == "adc":
        _check_adc(job, place)
    _check_address(job, place)
    _check_table(job, place)
    _positive(job.table.counts_per_c, f"{place.of('table', 'counts_per_c')}: [table] counts_per_c")
    _positive(job.table.max_error_ppb, f"{place.of('table', 'max_error_ppb')}: [table] max_error_ppb")
    _positive(job.table.max_bytes, f"{place.of('table', 'max_bytes')}: [table] max_bytes")
    _check_living(job, place)
    _check_plan(job, place)
    check_sources(job, place)
    for name, range_c in (("fit", job.fit.range_c), ("use", job.use.range_c)):
        if range_c is not None and range_c[0] >= range_c[1]:
            raise JobError(
                f"{place.of(name, 'range_c')}: [{name}] range_c = {written(range_c)}: expected [lowest, highest]"
            )
    if job.oscillator.nominal_hz is None:
        for number, run in enumerate(job.runs):
            if run.frequency is not None and run.role == "oscillator":
                raise JobError(
                    f"{place.of('run', 'frequency', number)}: a frequency column needs [oscillator] nominal_hz"
                )
    if not job.fit.models:
        raise JobError(f'{place.of("fit", "models")}: [fit] models is an empty list; name a curve, or say "auto"')
    for model in () if job.fit.models == "auto" else job.fit.models:
        if not re.fullmatch(r"poly[1-9]|crystal|spline", model):
            raise JobError(
                f'{place.of("fit", "models")}: [fit] models: there is no "{model}"; known: poly1 ... poly9, crystal, spline'
            )


SIGNED = {
    "oscillator": {"ageing_ppb_per_day", "supply_ppb_per_v", "trim_ppb_per_v"},
    "chamber": {"lowest_c", "highest_c", "room_c"},
    "plan": {"lag_s"},
}
"""What has a sign, by section: of an oscillator that is at hand it is known, of one to be bought only the size is."""
ABOVE_ZERO = {
    "needed_ppb", "recalibrate_days", "life_years", "gate_s", "volts", "hours_on_per_day", "fastest_c_per_min",
    "longest_hours", "curve_ppb", "noise_share", "lag_residual_ppb", "slope_ppb_per_c",
}  # fmt: skip
AT_MOST = {"hours_on_per_day": 24.0, "efficiency": 1.0, "noise_share": 1.0}
LONGEST_GATE_S = 1000.0
"""Of twenty readings with a longer one a soak would take most of a day. [s]"""
LONGEST_LAG_S = 7200.0
"""A time constant beyond two hours is no board's: soaks would take a day each (common practice, no source)."""


def _check_living(job: Job, place: Place) -> None:
    """Figures of use, supply and candidates: none below 0, some above it, some with an end."""
    for name, section, block in (
        ("oscillator", job.oscillator, 0), ("use", job.use, 0), ("supply", job.supply, 0),
        ("compensated", job.compensated, 0), ("reference", job.reference, 0), ("chamber", job.chamber, 0),
        ("counter", job.counter, 0), ("plan", job.plan, 0), *(("oven", oven, number) for number, oven in enumerate(job.ovens)),
    ):  # fmt: skip
        for item, value in _numbers(section):
            where = f"{place.of(name, item.split()[0], block)}: {header(name)} {item} = {value:g}"
            if value < 0 and item not in SIGNED.get(name, ()):
                raise JobError(f"{where}: expected 0 or more")
            if value == 0 and item in ABOVE_ZERO:
                raise JobError(f"{where}: expected a number above 0")
            if value > AT_MOST.get(item, math.inf):
                raise JobError(f"{where}: expected at most {AT_MOST[item]:g}")
    if job.supply.efficiency == 0:
        raise JobError(f"{place.of('supply', 'efficiency')}: [supply] efficiency = 0: expected a number above 0")
    peak, steady = job.supply.peak_watts, job.supply.steady_watts
    if peak is not None and steady is not None and steady > peak:
        raise JobError(
            f"{place.of('supply', 'steady_watts')}: [supply] steady_watts = {steady:g} is more than peak_watts = {peak:g}; "
            "expected at most as much"
        )
    for number, oven in enumerate(job.ovens):
        _check_warm_up(oven, place.of("oven", "warm_up", number))


def _check_plan(job: Job, place: Place) -> None:
    """Limits of the chamber and wishes of the plan that cannot be together."""
    chamber, plan = job.chamber, job.plan
    if chamber.lowest_c is not None and chamber.highest_c is not None and chamber.lowest_c >= chamber.highest_c:
        raise JobError(
            f"{place.of('chamber', 'lowest_c')}: [chamber] lowest_c = {chamber.lowest_c:g} is not below highest_c = "
            f"{chamber.highest_c:g}; expected the colder end first"
        )
    for name, least, most in (("degree", 1, 9), ("extra_soaks", 0, 2)):
        value = getattr(plan, name)
        if value is not None and not least <= value <= most:
            raise JobError(f"{place.of('plan', name)}: [plan] {name} = {value}: expected {least} to {most}")
    if job.counter.gate_s is not None and job.counter.gate_s > LONGEST_GATE_S:
        raise JobError(
            f"{place.of('counter', 'gate_s')}: [counter] gate_s = {job.counter.gate_s:g}: expected at most {LONGEST_GATE_S:g} s, "
            "as each soak needs some twenty readings"
        )
    if plan.lag_s is not None and abs(plan.lag_s) > LONGEST_LAG_S:
        raise JobError(
            f"{place.of('plan', 'lag_s')}: [plan] lag_s = {plan.lag_s:g}: expected seconds, at most {LONGEST_LAG_S:g}; a board "
            "that follows so slowly needs a fan, or its crystal nearer to the sensor"
        )
    where = f"{place.of('plan', 'ramps_c_per_min')}: [plan] ramps_c_per_min = {list(plan.ramps_c_per_min)}"
    if plan.ramps_c_per_min and (len(plan.ramps_c_per_min) != 2 or min(plan.ramps_c_per_min) <= 0):
        raise JobError(f"{where}: expected two rates above 0, the faster first")
    if plan.ramps_c_per_min and plan.ramps_c_per_min[0] > chamber.fastest_c_per_min:
        raise JobError(f"{where}: expected at most [chamber] fastest_c_per_min = {chamber.fastest_c_per_min:g}")
    if plan.ramps_c_per_min and plan.ramps_c_per_min[0] < 1.5 * plan.ramps_c_per_min[1]:
        raise JobError(
            f"{where}: expected the faster first, and at least 1.5 times the slower: rates that are alike do not tell "
            "lag from hysteresis"
        )


def _numbers(section: Any) -> Iterator[tuple[str, float]]:
    for item in fields(section):
        value = getattr(section, item.name)
        if isinstance(value, WarmUp):
            yield from ((f"{item.name} {name}", number) for name, number in _numbers(value))
        elif isinstance(value, float):
            yield item.name, value


def _check_warm_up(oven: Oven, where: str) -> None:
    left, cold, hot = oven.warm_up.to_ppb, oven.warm_up.from_ppb, oven.steady_watts
    if left is not None and cold is not None and not 0 < left < cold:
        raise JobError(
            f"{where}: [[oven]] warm_up goes from {cold:g} to {left:g} ppb; expected from more to less, above 0"
        )
    if hot is not None and oven.warm_up.watts is not None and hot > oven.warm_up.watts:
        raise JobError(
            f"{where}: [[oven]] steady_watts = {hot:g} is more than the {oven.warm_up.watts:g} W of its warm_up; an oven "
            "takes most while it heats"
        )


RESISTIVE = ("divider", "lead_ohm", "self_heating_c_per_mw", "excitation_ma")
KEYS_OF_SENSOR = {
    "celsius": (),
    "pt100": RESISTIVE,
    "pt1000": RESISTIVE,
    "ntc": ("steinhart_hart", "r25_ohm", "beta_k", *RESISTIVE),
    "linear": ("degc_per_count", "offset_c"),
}
"""The keys of [sensor] that belong to some kinds only."""


def check_sensor(sensor: Sensor, place: Place) -> None:
    """Each key goes with the kind, and those that go together are there."""
    given = {item.name for item in fields(sensor) if getattr(sensor, item.name) != item.default}
    foreign = given - {"kind", "resolution_c", "sigma_c", *KEYS_OF_SENSOR[sensor.kind]}
    for name in sorted(foreign):
        kinds = " or ".join(f'"{kind}"' for kind, keys in KEYS_OF_SENSOR.items() if name in keys)
        raise JobError(f'{place.of("sensor", name)}: [sensor] {name} goes with kind = {kinds}, not "{sensor.kind}"')
    for name in ("resolution_c", "sigma_c", "r25_ohm", "beta_k", "excitation_ma"):
        _positive(getattr(sensor, name), f"{place.of('sensor', name)}: [sensor] {name}")
    where = place.of("sensor", "kind")
    curves = given & {"steinhart_hart", "r25_ohm", "beta_k"}
    if sensor.kind == "ntc" and curves not in ({"steinhart_hart"}, {"r25_ohm", "beta_k"}):
        raise JobError(f'{where}: [sensor] kind = "ntc" needs either steinhart_hart, or r25_ohm and beta_k')
    if sensor.steinhart_hart is not None and not (sensor.steinhart_hart[1] > 0 and sensor.steinhart_hart[2] >= 0):
        raise JobError(
            f"{place.of('sensor', 'steinhart_hart')}: [sensor] steinhart_hart = {written(sensor.steinhart_hart)}: expected b "
            "above 0 and c not below 0, or one resistance would have several temperatures"
        )
    if sensor.kind == "linear" and not sensor.degc_per_count:
        raise JobError(f'{where}: [sensor] kind = "linear" needs degc_per_count, and it is not 0')
    for name in ("lead_ohm", "self_heating_c_per_mw"):
        if getattr(sensor, name) < 0:
            raise JobError(f"{place.of('sensor', name)}: [sensor] {name} is negative; expected 0 or more")
    _check_divider(sensor, place)


def _check_divider(sensor: Sensor, place: Place) -> None:
    """The divider's numbers, and the one source of the sensor's current."""
    divider, where = sensor.divider, place.of("sensor", "divider")
    if divider is not None:
        _positive(divider.series_ohm, f"{where}: [sensor] divider: series_ohm")
        _positive(divider.supply_v, f"{where}: [sensor] divider: supply_v")
        if not 4 <= divider.adc_bits <= 32:
            raise JobError(f"{where}: [sensor] divider: adc_bits = {divider.adc_bits}: expected 4 to 32")
    currents = [sensor.excitation_ma is not None, divider is not None and divider.supply_v is not None]
    if sum(currents) != (1 if sensor.self_heating_c_per_mw else 0) or (divider and currents[0]):
        raise JobError(
            f"{place.of('sensor', 'self_heating_c_per_mw')}: [sensor] self_heating_c_per_mw goes with excitation_ma, or with "
            "supply_v in the divider: give both or none"
        )


def _check_address(job: Job, place: Place) -> None:
    address, where = job.firmware.image_address, place.of("firmware", "image_address")
    if not 0 <= address < 2**32:
        raise JobError(
            f"{where}: [firmware] image_address = {address:#x}: expected an address of 32 bits, 0x0 to 0xffffffff"
        )
    if address and "ihex" not in job.firmware.formats:
        raise JobError(f'{where}: [firmware] image_address goes with formats = ["ihex"]; only that states an address')


def _check_table(job: Job, place: Place) -> None:
    """Keys of [table] that go together, or do not."""
    table, images = job.table, {"bin", "ihex"} & set(job.firmware.formats)
    if images and table.form not in ("auto", "steps"):
        raise JobError(
            f'{place.of("table", "form")}: [table] form = "{table.form}": expected "steps", as '
            f"[firmware] formats has {' and '.join(sorted(images))}, which hold no other form"
        )
    if table.weight == "uncertainty" and table.max_error_ppb is None:
        raise JobError(
            f'{place.of("table", "weight")}: [table] weight = "uncertainty" needs max_error_ppb, which it is held against'
        )
    where = f"{place.of('table', 'dwell')}: [table] dwell"
    if table.dwell and (min(d.share for d in table.dwell) < 0 or not any(d.share > 0 for d in table.dwell)):
        raise JobError(f"{where} has a share below 0, or none above; expected shares of 0 or more, one of them above 0")
    if any(after.c <= before.c for before, after in pairwise(table.dwell)):
        raise JobError(f"{where} does not ascend; expected temperatures from the lowest to the highest")


def _check_adc(job: Job, place: Place) -> None:
    """A table of raw codes needs a sensor that gives some."""
    where, sensor = f'{place.of("table", "input")}: [table] input = "adc"', job.sensor
    if sensor.kind == "celsius":
        raise JobError(
            f'{where} needs [sensor] kind = "ntc", "pt100", "pt1000" or "linear", with which codes were logged'
        )
    if sensor.kind != "linear" and sensor.divider is None:
        raise JobError(f"{where} needs [sensor] divider: without it the log holds ohm, and the firmware has no code")
    if sensor.divider is not None and sensor.divider.adc_bits > 16:
        raise JobError(
            f"{where} has codes of 16 bits at most, and the divider has adc_bits = {sensor.divider.adc_bits}; log the "
            "upper 16 bits, as the firmware will look them up"
        )
    if job.table.counts_per_c != Table.counts_per_c:
        raise JobError(
            f'{place.of("table", "counts_per_c")}: [table] counts_per_c goes with input = "temperature"; leave it out'
        )
