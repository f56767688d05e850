"""The sections of a job file: a frozen dataclass each, and a key a field that carries its own explanation."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields
from pathlib import Path
from typing import Any, Literal

from tcomp.job.keys import Column, key
from tcomp.job.log_sections import Controller, Log, Source
from tcomp.job.place import Place
from tcomp.job.plan_sections import Chamber, Counter, Plan
from tcomp.job.use_sections import Compensated, Oven, Supply, Use, WarmUp
from tcomp.job.written import written


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
        "its ageing in use [ppb/day], of either sign; left out: as found in the runs, or a typical figure", None
    )
    retrace_ppb: float | None = key(
        "by how much its frequency may differ from power-up to power-up [ppb, +/-]; left out: a typical figure", None
    )
    noise_ppb: float | None = key(
        "its Allan deviation at [use] gate_s [ppb]; left out: the scatter of the runs' samples", None
    )
    supply_ppb_per_v: float = key("how far its supply pulls it [ppb/V]", 0.0)
    supply_drift_v: float = key("by how much its supply may move after a trim [V, +/-]", 0.0)
    trim_ppb_per_v: float = key("how far its trim voltage pulls it [ppb/V]", 0.0)
    trim_drift_v: float = key("by how much its trim voltage may move after a trim [V, +/-]", 0.0)


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
class RunLog:
    """One log of the oscillator: give one block per file."""

    file: Path = key("the log: .csv, .tsv, .txt, .dsv (also .gz), or .parquet; relative to this job file")
    temperature: Column = key("the column with the sensor's temperature")
    time: Column | tuple[Column, Column] | None = key(
        'the column with the time, or two of them, ["date", "time"], to be joined by a blank; left out: see interval_s',
        None,
    )
    time_format: str | None = key(
        'how the time is written, if not ISO 8601, Unix seconds or MJD; for example "%d/%m/%Y %H:%M:%S"', None
    )
    interval_s: float | None = key(
        "seconds between rows, where there is no time column and the rows are in order; with neither the log "
        "is an unordered table, and lag and ageing are undetermined",
        None,
    )
    frequency: Column | None = key(
        "column with the frequency, in frequency_unit; or give offset, phase, or reading and trusted", None
    )
    frequency_unit: Literal["Hz", "kHz", "MHz"] = key('unit of the frequency column: "Hz", "kHz" or "MHz"', "Hz")
    offset: Column | None = key("column with the fractional frequency offset, in offset_unit", None)
    offset_unit: Literal["1", "ppm", "ppb"] | None = key('unit of the offset column: "1", "ppm" or "ppb"', None)
    phase: Column | None = key(
        "column with the time departure of the oscillator's clock [s]; positive: it is ahead", None
    )
    reading: Column | None = key("column with a reading taken at the same moment as trusted, in the same unit", None)
    trusted: tuple[Column, ...] = key("the trusted column, or columns to average, that reading is compared with", ())
    role: Literal["oscillator", "timebase"] = key(
        "oscillator: the column is the oscillator, measured against the trusted reference; timebase: it is a "
        "trusted frequency, shown by an instrument that runs on the oscillator, and the sign turns round",
        "oscillator",
    )
    reference_hz: float | None = key(
        'the trusted frequency [Hz] that the instrument showed; with role = "timebase"', None
    )
    separator: Literal[",", ";", "\t"] | None = key("between fields; found from the header if left out", None)
    decimal: Literal[".", ","] | None = key("decimal mark; found from the values if left out", None)
    skip_lines: int | None = key("lines before the header; found by the column names if left out", None)
    missing: tuple[str, ...] = key("words that the log writes for a missing value", ())

    @property
    def time_columns(self) -> tuple[Column, ...]:
        """The columns that the time stands in: none, one, or two."""
        if self.time is None:
            return ()
        return self.time if isinstance(self.time, tuple) else (self.time,)


@dataclass(frozen=True)
class Divider:
    """A resistive sensor in series with a known resistor, read by a converter that takes the supply as its scale."""

    series_ohm: float
    adc_bits: int
    sensor_to: Literal["ground", "supply"]
    supply_v: float | None = None


@dataclass(frozen=True)
class Sensor:
    """The temperature sensor."""

    kind: Literal["celsius", "pt100", "pt1000", "ntc", "linear"] = key(
        "what the temperature column holds: celsius: degC; pt100, pt1000: platinum after IEC 60751 [ohm]; ntc: "
        "thermistor [ohm]; linear: anything straight in temperature, also degF or kelvin",
        "celsius",
    )
    resolution_c: float | None = key("its quantum [degC]; found from the data if left out", None)
    sigma_c: float | None = key("standard deviation of one reading, without the quantum [degC]", None)
    steinhart_hart: tuple[float, float, float] | None = key(
        "ntc: [a, b, c] of 1/T = a + b ln R + c (ln R)^3, T in kelvin, R in ohm; or give r25_ohm and beta_k", None
    )
    r25_ohm: float | None = key("ntc: resistance at 25 degC [ohm]; with beta_k", None)
    beta_k: float | None = key("ntc: beta of R = r25_ohm exp(beta_k (1/T - 1/298.15 K)) [K]; with r25_ohm", None)
    divider: Divider | None = key(
        "pt100, pt1000, ntc: the column holds ADC codes, code / 2^adc_bits of the supply: { series_ohm = 10000, "
        'adc_bits = 12, sensor_to = "ground" } or "supply": where the sensor\'s other end goes; supply_v [V] is needed for '
        "the self-heating only",
        None,
    )
    degc_per_count: float | None = key("linear: degC for a step of 1 in the column", None)
    offset_c: float = key("linear: degC where the column is 0", 0.0)
    lead_ohm: float = key("pt100, pt1000, ntc: resistance of the leads, taken off [ohm]", 0.0)
    self_heating_c_per_mw: float = key(
        "pt100, pt1000, ntc: by how much the sensor warms itself, taken off [degC/mW]; with excitation_ma or divider",
        0.0,
    )
    excitation_ma: float | None = key("the current through the sensor [mA]; with self_heating_c_per_mw", None)


@dataclass(frozen=True)
class Fit:
    """What is learnt from the runs."""

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
        "activity dips, where any are found: their samples are left out of the curve, or a spline follows them",
        "exclude",
    )
    hysteresis: Literal["auto", "none"] = key(
        'rate-independent loop between heating and cooling: "auto" or "none"', "auto"
    )


@dataclass(frozen=True)
class Dwell:
    """How much of its time the instrument spends about a temperature, against the others."""

    c: float
    share: float


@dataclass(frozen=True)
class Table:
    """What the firmware holds."""

    input: Literal["temperature", "adc"] = key(
        "what the firmware looks up: temperature: a code round(counts_per_c * T), an int16; adc: the raw code of [sensor] "
        "as its converter gives it, a uint16: the table absorbs the sensor's curve, and the firmware does no sensor "
        "arithmetic; kind = ntc, pt100 or pt1000 with divider (16 bits at most), or linear",
        "temperature",
    )
    counts_per_c: float = key('codes per degC; with input = "temperature"', 100.0)
    form: Literal["auto", "steps", "even", "segments", "breakpoints", "polynomial"] = key(
        "steps: knots a power of two of codes apart, found by a shift, the fastest, and the form of bin and ihex; even: any "
        "number of knots, found by a product; segments: a few steps; breakpoints: free knots; polynomial: no knots; auto: "
        "whichever takes the least flash, its program included",
        "auto",
    )
    interpolation: Literal["auto", "linear", "nearest", "quadratic"] = key(
        "between entries: linear, nearest entry, or quadratic; auto: whichever takes the least flash", "auto"
    )
    max_error_ppb: float | None = key("the table's own share of the error [ppb]; 20 if max_bytes is left out too", None)
    max_bytes: int | None = key("the most that the entries, and what finds them, may take [bytes]", None)
    weight: Literal["none", "uncertainty"] = key(
        "uncertainty: where the curve is less certain than max_error_ppb, the table may err as much as the curve's own "
        "standard uncertainty, so that no byte is spent on what is not known",
        "none",
    )
    dwell: tuple[Dwell, ...] = key(
        "how much time the instrument spends where, for example [{ c = 5, share = 1 }, { c = 20, share = 4 }], straight "
        "between and beyond: within max_error_ppb the mean square error weighted so is least",
        (),
    )
    align: Literal["auto", "range", "step"] = key(
        "where entry 0 lies: at the range's end, at a multiple of the step, or the better of them", "auto"
    )


@dataclass(frozen=True)
class Firmware:
    """The text that is written for the firmware."""

    symbol: str = key("prefix of all names in C; left out: made from the oscillator's name", "")
    formats: tuple[Literal["c", "csv", "json", "ihex", "bin"], ...] = key(
        "what to write: c, csv, json; bin: a binary image of the table with header and CRC-32; ihex: the same image as "
        "Intel HEX at image_address; with either of them c writes a reader of images too",
        ("c", "csv"),
    )
    image_address: int = key("where the image of ihex begins, for example 0x0800F000", 0)
    correct: tuple[Literal["frequency", "interval", "tuning-word"], ...] = key(
        "corrections to write beside the lookup: frequency, interval, tuning-word", ("frequency",)
    )


@dataclass(frozen=True)
class Job:
    """One job file.  ``path`` and ``text`` are what it was read from."""

    oscillator: Oscillator
    reference: Reference
    runs: tuple[RunLog, ...]
    sensor: Sensor
    fit: Fit
    table: Table
    firmware: Firmware
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

    def place(self, section: str, name: str) -> str:
        """File and line of a key, for a message about it."""
        return Place(self.path, self.text).of(section, name)


SECTIONS: dict[str, type[Any]] = {
    "oscillator": Oscillator, "reference": Reference, "run": RunLog, "sensor": Sensor, "fit": Fit, "table": Table,
    "firmware": Firmware, "use": Use, "supply": Supply, "compensated": Compensated, "oven": Oven,
    "chamber": Chamber, "counter": Counter, "plan": Plan, "source": Source, "log": Log, "controller": Controller,
}  # fmt: skip
REPEATED = {"run", "oven", "source"}
"""Sections of which a job may have several blocks."""


def explained(sections: dict[str, type[Any]] = SECTIONS) -> Iterator[str]:
    """Every key with its default and meaning, line by line, as ``tcomp build --explain`` prints it."""
    for name, kind in sections.items():
        yield header(name)
        yield f"# {section_words(kind)}"
        for item in fields(kind):
            yield f"  {item.name} = {default_text(item.default)}"
            yield f"      {item.metadata['doc']}"
        yield ""


def header(name: str) -> str:
    """The line that opens a section.

    >>> header("fit"), header("run")
    ('[fit]', '[[run]]')
    """
    return f"[[{name}]]" if name in REPEATED else f"[{name}]"


def section_words(kind: type[Any]) -> str:
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
    return written(default)
