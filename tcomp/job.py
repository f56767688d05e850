"""The job file: one oscillator and everything wanted of it, checked before anything is read.

Each section is a frozen dataclass and each key a field that carries its own explanation, so that
the checks, ``tcomp build --explain`` and ``tcomp start`` all speak from the same declaration.

Examples
--------
>>> job = read_job_text('''
... [oscillator]
... name = "gauge 07"
... nominal_hz = 12_800_000
... [[run]]
... file = "up_down.csv"
... time = "utc"
... temperature = "board_c"
... frequency = "osc_hz"
... ''')
>>> job.runs[0].temperature, job.table.counts_per_c
('board_c', 100.0)
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
import typing
from collections.abc import Iterator
from dataclasses import MISSING, asdict, dataclass, field, fields, is_dataclass, replace
from itertools import pairwise
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from tcomp.errors import JobError

Column = str | int
"""A column by its name in the header, or by its number, counted from 1."""


def key(doc: str, default: Any = MISSING) -> Any:
    """Declare a key of a section: its explanation and its default (none: it must be given)."""
    return field(default=default, metadata={"doc": doc}) if default is not MISSING else field(metadata={"doc": doc})


@dataclass(frozen=True)
class Oscillator:
    """The oscillator that is characterised."""

    name: str = key("what you call it; stands in the report and in the firmware's comments")
    nominal_hz: float | None = key("nominal frequency [Hz]; needed where a column holds frequencies", None)
    cut: Literal["AT", "SC", "BT", "tuning-fork", "unknown"] = key(
        "the crystal's cut; it decides the crystal's own form: cubic (AT, SC) or parabola (BT, tuning-fork)",
        "unknown",
    )


@dataclass(frozen=True)
class Reference:
    """The trusted frequency during the runs."""

    uncertainty_ppb: float = key("its standard uncertainty during the runs [ppb]", 0.0)


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
        "column with the frequency [Hz]; or give offset, phase, or reading and trusted", None
    )
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
        return _Place(self.path, self.text).of(section, name)


SECTIONS: dict[str, type[Any]] = {
    "oscillator": Oscillator, "reference": Reference, "run": RunLog, "sensor": Sensor,
    "fit": Fit, "table": Table, "firmware": Firmware,
}  # fmt: skip


def read_job(path: Path) -> Job:
    """Read and check a job file.

    Raises
    ------
    JobError
        The file cannot be read, is not TOML, or holds a key or value that means nothing.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise JobError(
            f"{path}: cannot be read ({error.strerror}); give the path of a job file, or write one with `tcomp start`"
        ) from error
    except UnicodeDecodeError as error:
        raise JobError(f"{path}: is not UTF-8 text; save the job file as UTF-8") from error
    return read_job_text(text, path)


def read_job_text(text: str, path: Path = Path("job.toml")) -> Job:
    """Check the text of a job file; ``path`` is where its relative paths start."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise JobError(
            f"{path}: is not TOML: {error}; expected a job file, such as `tcomp start` writes for a log"
        ) from error
    place = _Place(path, text)
    for name in document:
        if name not in SECTIONS:
            raise JobError(f"{place.of(name)}: there is no section [{name}]{_nearest(name, SECTIONS)}")
    single = {name: _section(name, document.get(name, {}), place) for name in SECTIONS if name != "run"}
    blocks = document.get("run", [])
    if not isinstance(blocks, list) or not blocks:
        raise JobError(
            f"{place.of('run')}: a job needs at least one [[run]] block, with the file of a log and its columns"
        )
    runs = tuple(_run(block, place, number) for number, block in enumerate(blocks))
    job = Job(runs=runs, path=path, text=text, **single)
    _check_together(job, place)
    return replace(
        job, firmware=replace(job.firmware, symbol=job.firmware.symbol or symbol_of_name(job.oscillator.name))
    )


def symbol_of_name(name: str) -> str:
    """Make a C identifier of an oscillator's name.

    >>> symbol_of_name("Gauge 07"), symbol_of_name("7 mile bridge")
    ('gauge_07', 'osc_7_mile_bridge')
    """
    symbol = re.sub(r"[^a-z0-9]+", "_", name.lower().encode("ascii", "ignore").decode()).strip("_") or "oscillator"
    return symbol if symbol[0].isalpha() else f"osc_{symbol}"


@dataclass(frozen=True)
class _Place:
    """Finds the line of a section or key, which the TOML reader does not keep."""

    path: Path
    text: str

    def of(self, section: str, name: str | None = None, block: int = 0) -> str:
        seen, inside = -1, False
        for number, line in enumerate(self.text.splitlines(), start=1):
            header = re.match(r"\s*\[+\s*([^\]\s]+)\s*\]+", line)
            if header:
                inside = header.group(1) == section
                seen += inside
                if inside and seen == block and name is None:
                    return f"{self.path}:{number}"
            elif inside and seen == block and name and re.match(rf"\s*[\"']?{re.escape(name)}[\"']?\s*=", line):
                return f"{self.path}:{number}"
        return f"{self.path}"


def _section(name: str, values: Any, place: _Place, block: int = 0) -> Any:
    kind = SECTIONS[name]
    if not isinstance(values, dict):
        raise JobError(f"{place.of(name)}: [{name}] must be a section of keys, got {values!r}")
    hints = typing.get_type_hints(kind)
    for given in values:
        if given not in hints:
            raise JobError(f"{place.of(name, given, block)}: [{name}] has no key '{given}'{_nearest(given, hints)}")
    checked = {}
    for item in fields(kind):
        if item.name in values:
            try:
                checked[item.name] = _converted(values[item.name], hints[item.name])
            except ValueError as error:
                where = place.of(name, item.name, block)
                raise JobError(f"{where}: [{name}] {item.name} = {values[item.name]!r}: expected {error}") from error
        elif item.default is MISSING:
            raise JobError(
                f"{place.of(name, None, block)}: [{name}] needs the key '{item.name}': {item.metadata['doc']}"
            )
    return kind(**checked)


def _nearest(given: str, known: Any) -> str:
    near = difflib.get_close_matches(given, list(known), n=1, cutoff=0.5)
    return f"; the nearest is '{near[0]}'" if near else f"; known: {', '.join(known)}"


def _converted(value: Any, hint: Any) -> Any:
    """The value as the annotation asks, or ValueError that says what was expected."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return _any_of(value, [one for one in inner if one is not type(None)])
    if origin is Literal:
        if value not in inner or isinstance(value, bool):
            raise ValueError(" or ".join(repr(one) for one in inner))
        return value
    if origin is tuple:
        return _tuple(value, inner)
    if is_dataclass(hint):
        return _inline(value, hint)
    if not isinstance(value, bool) and (
        (hint is float and isinstance(value, int | float) and math.isfinite(value))
        or (hint is int and isinstance(value, int))
        or (hint in (str, Path) and isinstance(value, str) and value)
    ):
        return hint(value)
    raise ValueError({float: "a number", int: "a whole number", str: "text", Path: "a file name"}[hint])


def _inline(value: Any, kind: Any) -> Any:
    """An inline table as its dataclass."""
    hints = typing.get_type_hints(kind)
    must = [item.name for item in fields(kind) if item.default is MISSING]
    if not isinstance(value, dict) or not set(must) <= set(value) <= set(hints):
        raise ValueError(f"an inline table {{ {', '.join(f'{name} = ...' for name in must)} }}")
    checked = {}
    for name, inner in value.items():
        try:
            checked[name] = _converted(inner, hints[name])
        except ValueError as error:
            raise ValueError(f"{name} to be {error}") from error
    return kind(**checked)


def _any_of(value: Any, hints: list[Any]) -> Any:
    wanted = []
    for hint in hints:
        try:
            return _converted(value, hint)
        except ValueError as error:
            wanted.append(str(error))
    raise ValueError(" or ".join(wanted))


def _tuple(value: Any, inner: tuple[Any, ...]) -> tuple[Any, ...]:
    many = inner[-1] is Ellipsis
    hints = [inner[0]] * (len(value) if isinstance(value, list) else 1) if many else list(inner)
    values = [value] if many and not isinstance(value, list) else value
    if not isinstance(values, list) or len(values) != len(hints):
        raise ValueError(
            "a list" if many else f"a list of {len(hints)} {'numbers' if hints[0] is float else 'columns'}"
        )
    return tuple(_converted(one, hint) for one, hint in zip(values, hints, strict=True))


def _run(block: Any, place: _Place, number: int) -> RunLog:
    run: RunLog = _section("run", block, place, number)
    where = place.of("run", None, number)
    kinds = [name for name in ("frequency", "offset", "phase", "reading") if getattr(run, name) is not None]
    if len(kinds) != 1:
        given = ", ".join(kinds) or "none"
        raise JobError(f"{where}: [[run]] needs exactly one of frequency, offset, phase, reading; it has {given}")
    if (run.offset is not None) != (run.offset_unit is not None):
        raise JobError(f'{where}: [[run]] needs offset and offset_unit ("1", "ppm" or "ppb") together')
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
    return replace(run, file=place.path.parent / run.file)


def _positive(value: float | None, what: str) -> None:
    if value is not None and value <= 0:
        raise JobError(f"{what} = {value:g}: expected a number above 0")


def _check_together(job: Job, place: _Place) -> None:
    """Checks that need more than one key."""
    _positive(job.oscillator.nominal_hz, f"{place.of('oscillator', 'nominal_hz')}: [oscillator] nominal_hz")
    _check_sensor(job.sensor, place)
    if job.table.input == "adc":
        _check_adc(job, place)
    _check_address(job, place)
    _check_table(job, place)
    _positive(job.table.counts_per_c, f"{place.of('table', 'counts_per_c')}: [table] counts_per_c")
    _positive(job.table.max_error_ppb, f"{place.of('table', 'max_error_ppb')}: [table] max_error_ppb")
    _positive(job.table.max_bytes, f"{place.of('table', 'max_bytes')}: [table] max_bytes")
    if job.reference.uncertainty_ppb < 0:
        raise JobError(
            f"{place.of('reference', 'uncertainty_ppb')}: [reference] uncertainty_ppb is negative; expected 0 or more"
        )
    if job.fit.range_c is not None and job.fit.range_c[0] >= job.fit.range_c[1]:
        raise JobError(
            f"{place.of('fit', 'range_c')}: [fit] range_c = {list(job.fit.range_c)}: expected [lowest, highest]"
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


RESISTIVE = ("divider", "lead_ohm", "self_heating_c_per_mw", "excitation_ma")
KEYS_OF_SENSOR = {
    "celsius": (),
    "pt100": RESISTIVE,
    "pt1000": RESISTIVE,
    "ntc": ("steinhart_hart", "r25_ohm", "beta_k", *RESISTIVE),
    "linear": ("degc_per_count", "offset_c"),
}
"""The keys of [sensor] that belong to some kinds only."""


def _check_sensor(sensor: Sensor, place: _Place) -> None:
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
            f"{place.of('sensor', 'steinhart_hart')}: [sensor] steinhart_hart = {list(sensor.steinhart_hart)}: expected b "
            "above 0 and c not below 0, or one resistance would have several temperatures"
        )
    if sensor.kind == "linear" and not sensor.degc_per_count:
        raise JobError(f'{where}: [sensor] kind = "linear" needs degc_per_count, and it is not 0')
    for name in ("lead_ohm", "self_heating_c_per_mw"):
        if getattr(sensor, name) < 0:
            raise JobError(f"{place.of('sensor', name)}: [sensor] {name} is negative; expected 0 or more")
    _check_divider(sensor, place)


def _check_divider(sensor: Sensor, place: _Place) -> None:
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


def _check_address(job: Job, place: _Place) -> None:
    address, where = job.firmware.image_address, place.of("firmware", "image_address")
    if not 0 <= address < 2**32:
        raise JobError(
            f"{where}: [firmware] image_address = {address:#x}: expected an address of 32 bits, 0x0 to 0xffffffff"
        )
    if address and "ihex" not in job.firmware.formats:
        raise JobError(f'{where}: [firmware] image_address goes with formats = ["ihex"]; only that states an address')


def _check_table(job: Job, place: _Place) -> None:
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


def _check_adc(job: Job, place: _Place) -> None:
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


def keys_of_sensor(sensor: Sensor) -> dict[str, Any]:
    """The keys of a [sensor] section that are not left out, as JSON and TOML hold them.

    >>> keys_of_sensor(Sensor("linear", degc_per_count=0.5))
    {'kind': 'linear', 'degc_per_count': 0.5}
    """
    keys = {item.name: getattr(sensor, item.name) for item in fields(sensor)}
    keys = {name: value for name, value in keys.items() if name == "kind" or value != getattr(Sensor, name)}
    if sensor.divider is not None:
        keys["divider"] = {name: value for name, value in asdict(sensor.divider).items() if value is not None}
    return {name: list(value) if isinstance(value, tuple) else value for name, value in keys.items()}


def sensor_of_keys(keys: Any) -> Sensor:
    """The sensor that :func:`keys_of_sensor` told of.

    Raises
    ------
    JobError
        A key or value means nothing, or they do not go together.
    """
    place = _Place(Path("scale"), "")
    sensor: Sensor = _section("sensor", keys, place)
    _check_sensor(sensor, place)
    return sensor


def explained() -> Iterator[str]:
    """Every key with its default and meaning, line by line, as ``tcomp build --explain`` prints it."""
    for name, kind in SECTIONS.items():
        yield f"[[{name}]]" if name == "run" else f"[{name}]"
        yield f"# {section_words(kind)}"
        for item in fields(kind):
            yield f"  {item.name} = {default_text(item.default)}"
            yield f"      {item.metadata['doc']}"
        yield ""


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
    if default in (None, "", ()):
        return "(left out)"
    if isinstance(default, tuple):
        return "[" + ", ".join(f'"{one}"' for one in default) + "]"
    return f'"{default}"' if isinstance(default, str) else f"{default:g}"
