"""The sections of a job file: a frozen dataclass each, with a field for each key, which carries its own explanation."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields, is_dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from tcomp.errors import JobError
from tcomp.job.actuators import Actuator, validate_actuators
from tcomp.job.keys import Location, key, keys_of, require_positive, to_toml
from tcomp.job.planning import Chamber, Counter, Plan
from tcomp.job.recording import Controller, Log, Source
from tcomp.job.runs import Regressor, RunLog
from tcomp.job.sensors import Sensor
from tcomp.job.use import Compensated, Oven, Supply, Use, WarmUp

Format = Literal["c", "csv", "json", "ihex", "bin", "cpp", "rust", "python", "readmemh", "points"]
"""Languages and file formats of the firmware: the names of the exporters."""
Output = Literal["firmware", "proof", "verdict", "report"]
OUTPUTS: tuple[Output, ...] = ("firmware", "proof", "verdict", "report")
"""What a build makes besides the curve and the table."""


@dataclass(frozen=True)
class Oscillator:
    """The oscillator that is characterised."""

    name: str = key("what you call it; stands in the report and in the firmware's comments")
    nominal_hz: float | None = key("nominal frequency [Hz]; needed where a column holds frequencies", None)
    cut: Literal["AT", "SC", "BT", "tuning-fork", "unknown"] = key(
        "the crystal's cut; it decides the crystal's own form: cubic (AT, SC) or parabola (BT, tuning-fork)",
        "unknown",
    )
    ageing_ppb_per_day: float | None = key(
        "its ageing in use [ppb/day], of either sign; left out: as found in the runs, or a typical figure",
        None,
        signed=True,
    )
    ageing_u_ppb_per_day: float | None = key(
        "standard uncertainty of ageing_ppb_per_day [ppb/day]; left out: half of it", None
    )
    retrace_ppb: float | None = key(
        "by how much its frequency may differ from power-up to power-up [ppb, +/-]; left out: a typical figure", None
    )
    noise_ppb: float | None = key(
        "its Allan deviation at [use] gate_s [ppb]; left out: the scatter of the runs' samples", None
    )
    supply_ppb_per_v: float | None = key(
        "how far its supply pulls it [ppb/V]; left out: not counted", None, signed=True
    )
    supply_drift_v: float = key("by how much its supply may move after a trim [V, +/-]", 0.0)
    trim_ppb_per_v: float = key("how far its trim voltage pulls it [ppb/V]", 0.0, signed=True)
    trim_drift_v: float = key("by how much its trim voltage may move after a trim [V, +/-]", 0.0)
    load_ppb: float | None = key(
        "by how much its load may move it after a trim [ppb, +/-]; left out: not counted", None
    )
    tilt_ppb: float | None = key(
        "by how much turning it over may move it after a trim [ppb, +/-]; left out: not counted", None
    )
    humidity_ppb: float | None = key(
        "by how much humidity may move it after a trim [ppb, +/-]; left out: not counted", None
    )
    pressure_ppb: float | None = key(
        "by how much air pressure may move it after a trim [ppb, +/-]; left out: not counted", None
    )
    vibration_ppb: float | None = key(
        "by how much vibration may move it in use [ppb, +/-]; left out: not counted", None
    )


@dataclass(frozen=True)
class Reference:
    """The trusted frequency during the runs."""

    uncertainty_ppb: float = key("its standard uncertainty during the runs [ppb]", 0.0)
    noise_ppb: float = key("its Allan deviation at 1 s [ppb]; for a plan", 0.0)
    noise_falls: Literal["1/tau", "1/sqrt(tau)"] = key(
        'how that falls with the averaging time: "1/tau" (noise of phase, such as the pulses of a receiver have) or '
        '"1/sqrt(tau)" (noise of frequency)',
        "1/tau",
    )
    floor_ppb: float = key("the Allan deviation below which no averaging brings it [ppb]; for a plan", 0.0)


@dataclass(frozen=True)
class Fit:
    """What is learned from the runs."""

    range_c: tuple[float, float] | None = key("range of the curve [degC]; left out: what was measured", None)
    reference_c: float = key("reference temperature, at which the base is stated [degC]", 25.0)
    models: Literal["auto"] | tuple[str, ...] = key(
        'curves that compete: "auto", or a list of "poly1" ... "poly9", "crystal" and "spline"', "auto"
    )
    lag: Literal["auto", "none"] | float = key(
        'time constant from sensor to crystal: "auto", "none", or seconds (negative: the sensor lags the crystal)',
        "auto",
    )
    ageing: Literal["auto", "none"] = key('linear drift during the runs: "auto" or "none"', "auto")
    dips: Literal["exclude", "follow"] = key(
        'activity dips, where any are found: "exclude" their samples from the curve, or let a spline "follow" them',
        "exclude",
    )
    hysteresis: Literal["auto", "none"] = key(
        'rate-independent loop between heating and cooling: "auto" or "none"', "auto"
    )
    response: Literal["auto", "none"] = key(
        'offset that goes with the rate at which the temperature changes: "auto" or "none"', "auto"
    )
    unlike_runs: Literal["refuse", "join"] = key(
        'runs whose curves differ in shape more than those of one crystal do: "refuse" them, or "join" them with a warning',
        "refuse",
    )
    max_dropped: float = key(
        "share of the samples that may be impossible, or get no weight in the fit, before the build stops (0 to 1); a warning "
        "begins at 0.02",
        0.2,
    )


@dataclass(frozen=True)
class TemperatureWeight:
    """How much of its time the instrument spends around a temperature, compared with the others."""

    c: float
    share: float


@dataclass(frozen=True)
class Table:
    """What the firmware holds."""

    input: Literal["temperature", "adc"] = key(
        "what the firmware looks up: temperature: a code round(counts_per_c * T), an int16; adc: the raw code of [sensor], a "
        "uint16: the table absorbs the sensor's curve; kind = ntc, pt100 or pt1000 with divider (16 bits at most), or linear",
        "temperature",
    )
    counts_per_c: float = key('codes per degC; with input = "temperature"', 100.0)
    form: Literal["auto", "steps", "even", "segments", "polynomial", "chebyshev", "patches"] = key(
        "steps: knots a power of two of codes apart, found by a shift, the fastest, and the form of bin and ihex; even: any "
        "number of knots, found by a product; segments: a few steps; polynomial: no knots; chebyshev: no knots, and products "
        "of 16 bits; patches: chebyshev with small entries where a dip leaves it; auto: whichever takes the least flash, its "
        "program included",
        "auto",
    )
    interpolation: Literal["auto", "linear", "nearest", "quadratic"] = key(
        "between entries: linear, nearest entry, or quadratic; auto: whichever takes the least flash", "auto"
    )
    max_error_ppb: float | None = key(
        "the table's own share of the error [ppb]; if max_bytes is left out too, half of the curve's uncertainty, or a tenth of "
        "[use] needed_ppb if that is more",
        None,
    )
    max_bytes: int | None = key("the most that the entries, and what finds them, may take [bytes]", None)
    max_cycles: int | None = key(
        "the most that a lookup may take on [firmware] target, about [cycles]; instructions on cortex-m4 and rv32imc",
        None,
    )
    weight: Literal["none", "uncertainty"] = key(
        "uncertainty: where the curve is less certain than max_error_ppb, the table may err as much as the curve's own "
        "standard uncertainty, so that no byte is spent on what is not known",
        "none",
    )
    temperature_weights: tuple[TemperatureWeight, ...] = key(
        "share of the time that the instrument spends around each temperature, for example [{ c = 5, share = 1 }, "
        "{ c = 20, share = 4 }], interpolated between them, constant beyond: among tables within max_error_ppb, the one with "
        "the least mean square error so weighted is taken",
        (),
    )
    align: Literal["auto", "range", "step"] = key(
        "where entry 0 lies: at the range's end, at a multiple of the step, or the better of them", "auto"
    )


@dataclass(frozen=True)
class Firmware:
    """The text that is written for the firmware."""

    symbol: str = key("prefix of all names in C; left out: made from the oscillator's name", "")
    formats: tuple[Format, ...] = key(
        "what to write: c, csv, json; bin: a binary image of the table with header and CRC-32; ihex: the same image as "
        "Intel HEX at image_address; with either of them c writes a reader of images too; cpp: a constexpr header of C++14; "
        "rust: a module without the standard library; python: a module for Python 3, MicroPython and CircuitPython; "
        "readmemh: the entries as hexadecimal words, one a line, for $readmemh and VHDL; points: a text file of temperature "
        "and offset, by the keys points_...",
        ("c", "csv"),
    )
    target: Literal["cortex-m0plus", "cortex-m4", "rv32imc", "avr"] = key(
        "the processor whose program [table] form counts: with form = auto, the table and its program take the least flash there",
        "cortex-m0plus",
    )
    image_address: int = key("where the image of ihex begins, for example 0x0800F000", 0)
    serial: str = key(
        "serial number of the unit in its image, up to 16 printable characters of ASCII; the reader in another unit refuses it",
        "",
    )
    build: int = key("counter of the unit's images; a reader refuses one below its least build", 0)
    points_columns: tuple[
        Literal[
            "temperature_c",
            "temperature_k",
            "temperature_f",
            "offset_ppb",
            "offset_ppm",
            "minus_offset_ppb",
            "minus_offset_ppm",
        ],
        ...,
    ] = key(
        "columns of the points, in their order: temperature_c, temperature_k, temperature_f; offset_ppb, offset_ppm; "
        "minus_offset_ppb, minus_offset_ppm, the same with the other sign",
        ("temperature_c", "offset_ppb"),
    )
    points_step_c: float = key(
        "spacing of the points: their temperatures are its multiples [degC]", 1.0, above_zero=True
    )
    points_separator: Literal["comma", "semicolon", "tab", "space"] = key("what stands between the columns", "comma")
    points_heading: bool = key("whether the first line of the points holds the names of the columns", True)
    correct: tuple[Literal["frequency", "interval", "tuning-word", "tuning-word-48"], ...] = key(
        "corrections to write in addition to the lookup: frequency (also a divider), interval, tuning-word (also an addend), "
        "tuning-word-48 (also a fractional-N ratio)",
        ("frequency",),
    )
    avr_entries: Literal["flash", "ram"] = key(
        "where the entries of the C lie on AVR: flash; ram: copied there at the start, and read in fewer cycles",
        "flash",
    )
    follow: bool = key(
        "whether the C follows a moving temperature: SYMBOL_follow.c keeps a filter for the lag and the loop that the curve "
        "holds, and is updated each update_s; without it the table is right once the temperature stands still",
        False,
    )
    update_s: float = key("time from update to update of that filter [s]", 10.0, above_zero=True, at_most=3600.0)


@dataclass(frozen=True)
class Job:
    """One job file; ``path`` and ``text`` are what it was read from."""

    oscillator: Oscillator
    reference: Reference
    runs: tuple[RunLog, ...]
    regressors: tuple[Regressor, ...]
    sensor: Sensor
    fit: Fit
    table: Table
    firmware: Firmware
    actuators: tuple[Actuator, ...]
    use: Use
    supply: Supply
    compensated: Compensated
    ovens: tuple[Oven, ...]
    chamber: Chamber
    counter: Counter
    plan: Plan
    sources: tuple[Source, ...]
    log: Log
    controller: Controller
    path: Path
    text: str

    @property
    def has_image(self) -> bool:
        """Whether a binary image of the table is asked for."""
        return not {"ihex", "bin"}.isdisjoint(self.firmware.formats)

    @property
    def has_image_reader(self) -> bool:
        """Whether C that reads an image of the table is asked for."""
        return "c" in self.firmware.formats and self.has_image

    def location(self, section: str, name: str | None, block: int = 0) -> str:
        """File and line of a key, or of its section's block of this number, for a message about it."""
        return Location(self.path, self.text).of(section, name, block)


SECTIONS: dict[str, type[Any]] = {
    "oscillator": Oscillator, "reference": Reference, "run": RunLog, "regressor": Regressor, "sensor": Sensor, "fit": Fit,
    "table": Table, "firmware": Firmware, "actuator": Actuator, "use": Use, "supply": Supply, "compensated": Compensated,
    "oven": Oven, "chamber": Chamber, "counter": Counter, "plan": Plan, "source": Source, "log": Log, "controller": Controller,
}  # fmt: skip
REPEATED = {"run", "regressor", "actuator", "oven", "source"}
"""Sections that may have several blocks."""


def explained(sections: dict[str, type[Any]] = SECTIONS) -> Iterator[str]:
    """Every key with its default and meaning, line by line, as ``tcomp build --explain`` prints it."""
    for name, kind in sections.items():
        yield header(name)
        yield f"# {section_summary(kind)}"
        for item in keys_of(kind):
            yield f"  {item.name} = {default_text(item.default)}"
            yield f"      {item.metadata['doc']}"
        yield ""


def header(name: str) -> str:
    """The line that opens a section.

    >>> header("fit"), header("run")
    ('[fit]', '[[run]]')
    """
    return f"[[{name}]]" if name in REPEATED else f"[{name}]"


def section_summary(kind: type[Any]) -> str:
    """What a section is about, in one sentence."""
    return (kind.__doc__ or "").splitlines()[0]


def default_text(default: Any) -> str:
    """A default as it would stand in a job file.

    >>> default_text(("c", "csv")), default_text(25.0), default_text(None)
    ('["c", "csv"]', '25', '(left out)')
    """
    if default is MISSING:
        return "(must be given)"
    if default in (None, "", (), WarmUp()):
        return "(left out)"
    return to_toml(default)


def validate_numbers(job: Job, location: Location) -> None:
    """Refuse a number outside the range that its key declares.

    Raises
    ------
    JobError
        A number is below 0, or 0 where it must be above, or larger than its key allows.
    """
    single = ("oscillator", "use", "supply", "compensated", "reference", "chamber", "counter", "plan", "firmware")
    blocks = [(name, getattr(job, name), 0) for name in single]
    blocks += [("oven", oven, number) for number, oven in enumerate(job.ovens)]
    blocks += [("actuator", one, number) for number, one in enumerate(job.actuators)]
    for name, section, block in blocks:
        for item in fields(section):
            for inner, value in _numbers(item.name, getattr(section, item.name)):
                where = f"{location.of(name, item.name, block)}: {header(name)} {inner} = {value:g}"
                _validate_number(value, item.metadata, where)


def _numbers(name: str, value: Any) -> Iterator[tuple[str, float]]:
    """A number with its name; of an inline table, each of its numbers."""
    if is_dataclass(value):
        for item in fields(value):
            yield from _numbers(f"{name} {item.name}", getattr(value, item.name))
    elif isinstance(value, float):
        yield name, value


def _validate_number(value: float, declared: Any, where: str) -> None:
    if value < 0 and not declared["signed"]:
        raise JobError(f"{where}: expected 0 or more")
    if value == 0 and declared["above_zero"]:
        raise JobError(f"{where}: expected a number above 0")
    if value > (math.inf if declared["at_most"] is None else declared["at_most"]):
        raise JobError(f"{where}: expected at most {declared['at_most']:g}")


def validate_nominal(job: Job, location: Location) -> None:
    """Refuse a log that needs the nominal frequency in a job that does not state it.

    Raises
    ------
    JobError
        A column holds frequencies, or differences in Hz, and nominal_hz is left out.
    """
    if job.oscillator.nominal_hz is not None:
        return
    for number, run in enumerate(job.runs):
        if run.frequency is not None and run.role == "oscillator":
            raise JobError(
                f"{location.of('run', 'frequency', number)}: a frequency column needs [oscillator] nominal_hz"
            )
        if run.offset_unit == "Hz" and run.role == "oscillator":
            raise JobError(
                f'{location.of("run", "offset_unit", number)}: offset_unit = "Hz" needs [oscillator] nominal_hz'
            )


def validate_fit(fit: Fit, location: Location) -> None:
    """Refuse a share beyond 0 to 1, and curves that do not exist.

    Raises
    ------
    JobError
        A value is none that a fit takes.
    """
    if not 0 <= fit.max_dropped <= 1:
        raise JobError(
            f"{location.of('fit', 'max_dropped')}: [fit] max_dropped = {fit.max_dropped:g}: expected a share from 0 to 1"
        )
    if not fit.models:
        raise JobError(f'{location.of("fit", "models")}: [fit] models is an empty list; name a curve, or give "auto"')
    for model in () if fit.models == "auto" else fit.models:
        if not re.fullmatch(r"poly[1-9]|crystal|spline", model):
            raise JobError(
                f'{location.of("fit", "models")}: [fit] models: there is no "{model}"; known: poly1 ... poly9, crystal, spline'
            )


def validate_table(job: Job, location: Location) -> None:
    """Refuse keys of [table] that contradict each other, the sensor or the formats of the firmware.

    Raises
    ------
    JobError
        They do.
    """
    table, images = job.table, {"bin", "ihex"} & set(job.firmware.formats)
    if table.input == "adc":
        _validate_codes(job, location)
    _validate_address(job.firmware, location)
    _validate_image(job.firmware, location)
    validate_actuators(job.actuators, job.firmware.formats, location)
    if job.firmware.follow and "c" not in job.firmware.formats:
        raise JobError(
            f"{location.of('firmware', 'follow')}: [firmware] follow = true adds to the C, which formats leaves out; add "
            '"c" to formats, or leave follow out'
        )
    if not job.firmware.points_columns:
        raise JobError(
            f"{location.of('firmware', 'points_columns')}: [firmware] points_columns is empty; expected a column"
        )
    if images and table.form not in ("auto", "steps"):
        raise JobError(
            f'{location.of("table", "form")}: [table] form = "{table.form}": expected "steps", as '
            f"[firmware] formats has {' and '.join(sorted(images))}, which hold no other form"
        )
    if table.weight == "uncertainty" and table.max_error_ppb is None:
        raise JobError(
            f'{location.of("table", "weight")}: [table] weight = "uncertainty" needs max_error_ppb, which it is compared with'
        )
    _validate_weights(table, location)
    for name in ("counts_per_c", "max_error_ppb", "max_bytes"):
        require_positive(getattr(table, name), f"{location.of('table', name)}: [table] {name}")


def _validate_weights(table: Table, location: Location) -> None:
    where = f"{location.of('table', 'temperature_weights')}: [table] temperature_weights"
    shares = [one.share for one in table.temperature_weights]
    if shares and (min(shares) < 0 or max(shares) == 0):
        raise JobError(f"{where} has a share below 0, or none above; expected shares of 0 or more, one of them above 0")
    if any(after.c <= before.c for before, after in pairwise(table.temperature_weights)):
        raise JobError(f"{where} does not ascend; expected temperatures from the lowest to the highest")


def _validate_image(firmware: Firmware, location: Location) -> None:
    """An image holds 16 bytes of a serial number, and 32 bits of its build."""
    serial = firmware.serial
    if len(serial) > 16 or not serial.isascii() or not (serial + "0").isprintable():
        raise JobError(
            f'{location.of("firmware", "serial")}: [firmware] serial = "{serial}": expected up to 16 printable characters of ASCII'
        )
    if not 0 <= firmware.build < 2**32:
        raise JobError(
            f"{location.of('firmware', 'build')}: [firmware] build = {firmware.build}: expected 0 to {2**32 - 1}"
        )


def _validate_address(firmware: Firmware, location: Location) -> None:
    address, where = firmware.image_address, location.of("firmware", "image_address")
    if not 0 <= address < 2**32:
        raise JobError(
            f"{where}: [firmware] image_address = {address:#x}: expected an address of 32 bits, 0x0 to 0xffffffff"
        )
    if address and "ihex" not in firmware.formats:
        raise JobError(f'{where}: [firmware] image_address goes with formats = ["ihex"]; only that states an address')


def _validate_codes(job: Job, location: Location) -> None:
    """A table of raw codes needs a sensor that gives some."""
    where = f'{location.of("table", "input")}: [table] input = "adc"'
    for fault in job.sensor.family.code_faults(job.sensor):
        raise JobError(f"{where} {fault}")
    if job.table.counts_per_c != Table.counts_per_c:
        raise JobError(
            f'{location.of("table", "counts_per_c")}: [table] counts_per_c goes with input = "temperature"; leave it out'
        )
