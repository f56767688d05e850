"""A job file becomes a job: each value is converted as its key is annotated, then the sections are validated."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
import typing
from collections.abc import Mapping
from dataclasses import MISSING, asdict, fields, is_dataclass, replace
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from tcomp.errors import JobError
from tcomp.job.keys import Location, keys_of, require_positive, to_toml
from tcomp.job.planning import validate_plan
from tcomp.job.recording import validate_recording
from tcomp.job.runs import RunColumns, RunLog, named_regressors, validate_run
from tcomp.job.sections import (
    REPEATED,
    SECTIONS,
    Job,
    header,
    validate_fit,
    validate_nominal,
    validate_numbers,
    validate_table,
)
from tcomp.job.sensors import Sensor, validate_sensor
from tcomp.job.use import validate_oven, validate_supply

LARGEST_JOB = 1 << 20
"""Bytes of a job file."""
INT64 = range(-(2**63), 2**63)
"""Whole numbers of TOML 1.0."""
CONTROL = re.compile(r"[\x00-\x08\x0a-\x1f\x7f-\x9f\u2028\u2029]")
"""Characters that break a line or control a terminal; a text may hold a tab."""
RENAMED = {("table", "dwell"): "temperature_weights"}
"""Keys that had another name: section and old name, with the new name."""


def read_job(path: Path | str, *, runs_needed: bool = True) -> Job:
    """Read and validate a job file.

    Parameters
    ----------
    path : Path or str
    runs_needed : bool, default=True
        Whether a job without [[run]] is refused; a plan is made before there is any run.

    Raises
    ------
    JobError
        The file cannot be read, is not TOML, or holds a key or value that means nothing.
    """
    path = Path(path)
    return read_job_text(job_file_text(path), path, runs_needed=runs_needed)


def job_file_text(path: Path, kind: str = "job") -> str:
    """The text of a job file, or of another file of its kind.

    Raises
    ------
    JobError
        It cannot be read, is no UTF-8, or is larger than 1 MiB.
    """
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_JOB + 1)
        text = content.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except OSError as error:
        hint = ", or write one with `tcomp start`" if kind == "job" else ""
        raise JobError(f"{path}: cannot be read ({error.strerror}); give the path of a {kind} file{hint}") from error
    except UnicodeDecodeError as error:
        raise JobError(f"{path}: is not UTF-8 text; save the {kind} file as UTF-8") from error
    if len(content) > LARGEST_JOB:
        raise JobError(f"{path}: is larger than {LARGEST_JOB >> 20} MiB, so it is no {kind} file; give the path of one")
    return text


def read_job_text(text: str, path: Path = Path("job.toml"), *, runs_needed: bool = True) -> Job:
    """Read and validate the text of a job file; ``path`` is what its relative paths are relative to."""
    try:
        return _job(document_of(text, path), text, path, runs_needed)
    except RecursionError as error:
        raise JobError(f"{path}: is nested too deeply; expected sections of keys") from error


def job_of_sections(sections: dict[str, dict[str, Any]], caller: str) -> Job:
    """A job without [[run]] from its sections and keys, validated as those of a job file; keys that are None are left out.

    Parameters
    ----------
    sections : dict
        The keys of each section by their names.
    caller : str
        What messages name in place of a job file.

    Raises
    ------
    JobError
        A key or value means nothing.
    """
    document = {
        name: {key: _as_toml(value) for key, value in keys.items() if value is not None}
        for name, keys in sections.items()
    }
    return _job(document, "", Path(caller), False)


def _as_toml(value: Any) -> Any:
    """A number of NumPy, or a sequence, as the TOML reader would give it."""
    if isinstance(value, list | tuple):
        return [_as_toml(one) for one in value]
    return value.item() if hasattr(value, "item") else value


def _job(document: dict[str, Any], text: str, path: Path, runs_needed: bool) -> Job:
    location = Location(path, text)
    for name in document:
        if name not in SECTIONS:
            raise JobError(f"{location.of(name)}: there is no section [{name}]{nearest(name, SECTIONS)}")
    single = {
        name: section(name, kind, document.get(name, {}), location)
        for name, kind in SECTIONS.items()
        if name not in REPEATED
    }
    repeated = {
        name: [section(name, SECTIONS[name], block, location, number) for number, block in enumerate(blocks)]
        for name in ("run", "regressor", "actuator", "oven", "source")
        if (blocks := _blocks(name, document, location))
    }
    regressors = named_regressors(tuple(repeated.get("regressor", ())), location)
    runs = tuple(
        replace(_checked_run(run, location, number), regressors=regressors)
        for number, run in enumerate(repeated.get("run", ()))
    )
    if runs_needed and not runs:
        raise JobError(
            f"{location.of('run')}: a job needs at least one [[run]] block, with the file of a log and its columns"
        )
    ovens, sources, actuators = (tuple(repeated.get(name, ())) for name in ("oven", "source", "actuator"))
    job = Job(
        runs=runs,
        regressors=regressors,
        ovens=ovens,
        sources=sources,
        actuators=actuators,
        path=path,
        text=text,
        **single,
    )
    validate(job, location)
    symbol = job.firmware.symbol or symbol_of_name(job.oscillator.name)
    return replace(job, firmware=replace(job.firmware, symbol=symbol))


def validate(job: Job, location: Location) -> None:
    """Validate each section of a job but [[run]], and what several sections say together.

    Raises
    ------
    JobError
        A value is not possible, or contradicts another.
    """
    require_positive(job.oscillator.nominal_hz, f"{location.of('oscillator', 'nominal_hz')}: [oscillator] nominal_hz")
    validate_sensor(job.sensor, location)
    validate_table(job, location)
    validate_numbers(job, location)
    validate_supply(job.supply, location)
    for number, oven in enumerate(job.ovens):
        validate_oven(oven, location, number)
    validate_plan(job.plan, job.chamber, job.counter, location)
    validate_recording(job, location)
    for name, range_c in (("fit", job.fit.range_c), ("use", job.use.range_c)):
        if range_c is not None and range_c[0] >= range_c[1]:
            raise JobError(
                f"{location.of(name, 'range_c')}: [{name}] range_c = {to_toml(range_c)}: expected [lowest, highest]"
            )
    validate_nominal(job, location)
    validate_fit(job.fit, location)


def symbol_of_name(name: str) -> str:
    """A C identifier made from an oscillator's name.

    >>> symbol_of_name("Gauge 07"), symbol_of_name("7 mile bridge")
    ('gauge_07', 'osc_7_mile_bridge')
    """
    symbol = re.sub(r"[^a-z0-9]+", "_", name.lower().encode("ascii", "ignore").decode()).strip("_") or "oscillator"
    return symbol if symbol[0].isalpha() else f"osc_{symbol}"


def _blocks(name: str, document: dict[str, Any], location: Location) -> list[Any]:
    blocks = document.get(name, [])
    if not isinstance(blocks, list):
        raise JobError(f"{location.of(name)}: [{name}] may stand several times: write {header(name)}")
    return blocks


def section(name: str, kind: type[Any], values: Any, location: Location, block: int = 0) -> Any:
    """A section as its dataclass: all keys are known, none is missing, and values are converted as annotated.

    Raises
    ------
    JobError
        A key is not known or missing, or a value is not what its annotation asks for.
    """
    if not isinstance(values, dict):
        raise JobError(f"{location.of(name)}: {header(name)} must be a section of keys, got {to_toml(values)}")
    known = {item.name: item for item in keys_of(kind)}
    for given in values:
        if given not in known:
            renamed = RENAMED.get((name, given))
            hint = f"; it is called {renamed} now" if renamed else nearest(given, known)
            raise JobError(f"{location.of(name, given, block)}: {header(name)} has no key '{given}'{hint}")
    for item in known.values():
        if item.default is MISSING and item.name not in values:
            raise JobError(
                f"{location.of(name, None, block)}: {header(name)} needs the key '{item.name}': {item.metadata['doc']}"
            )
    try:
        return _converted_fields(values, kind)
    except _ValueOfKeyError as error:
        where, given = location.of(name, error.key, block), to_toml(values[error.key])
        raise JobError(f"{where}: {header(name)} {error.key} = {given}: expected {error}") from error


def _checked_run(run: RunLog, location: Location, block: int) -> RunLog:
    """A run with the paths of its files, which are relative to the job file."""
    validate_run(run, location, block)
    second = run.temperature_file
    return replace(
        run,
        file=location.path.parent / run.file,
        temperature_file=None if second is None else location.path.parent / second,
    )


def log_of_frame(name: str, columns: Mapping[str, Any]) -> RunLog:
    """The [[run]] block that says what the columns of a frame hold, validated as in a job file.

    Raises
    ------
    JobError
        A keyword is not known or missing, or they do not go together.
    """
    for given in columns:
        if given not in RunColumns.__annotations__:
            raise JobError(
                f"{name}: there is no keyword '{given}' for a frame{nearest(given, RunColumns.__annotations__)}"
            )
    location = Location(Path(name), "")
    keys = {
        key: list(value) if isinstance(value, tuple) else value for key, value in columns.items() if value is not None
    }
    run: RunLog = section("run", RunLog, {"file": name, **keys}, location)
    validate_run(run, location, 0)
    return run


def nearest(given: str, known: Any) -> str:
    """The known name nearest to an unknown one, or all known names, as the end of a sentence."""
    near = difflib.get_close_matches(given, list(known), n=1, cutoff=0.5)
    return f"; the nearest is '{near[0]}'" if near else f"; known: {', '.join(known)}"


class _ValueOfKeyError(ValueError):
    """The value of a key is not what was expected, which the message says."""

    def __init__(self, key: str, expected: str) -> None:
        super().__init__(expected)
        self.key = key


def _converted_fields(values: dict[str, Any], kind: Any) -> Any:
    """A table of known keys as its dataclass."""
    hints = typing.get_type_hints(kind)
    converted = {}
    for name in (item.name for item in fields(kind) if item.name in values):
        try:
            converted[name] = _converted(values[name], hints[name])
        except ValueError as error:
            raise _ValueOfKeyError(name, str(error)) from error
    return kind(**converted)


def _converted(value: Any, hint: Any) -> Any:
    """The value as its annotation asks for it.

    Raises
    ------
    ValueError
        It is something else; the message says what was expected.
    """
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return _any_of(value, [one for one in inner if one is not type(None)])
    if origin is Literal:
        if value not in inner or isinstance(value, bool):
            raise ValueError(" or ".join(map(to_toml, inner)))
        return value
    if origin is tuple:
        return _tuple(value, inner)
    if is_dataclass(hint):
        return _inline(value, hint)
    if isinstance(value, bool) == (hint is bool) and (
        hint is bool
        or (hint is float and isinstance(value, int | float) and math.isfinite(_float(value)))
        or (hint is int and isinstance(value, int) and value in INT64)
        or (hint in (str, Path) and isinstance(value, str) and value and not CONTROL.search(value))
    ):
        return hint(value)
    raise ValueError(
        {bool: "true or false", float: "a number", int: "a whole number", str: "text", Path: "a file name"}[hint]
        + _without_control(value)
        + _without_unit(value, hint)
    )


def _float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _without_control(value: Any) -> str:
    return " without control characters" if isinstance(value, str) and CONTROL.search(value) else ""


def _without_unit(value: Any, hint: Any) -> str:
    """What to say of a number that is given with its unit, in quotes."""
    is_number = hint in (float, int) and isinstance(value, str) and re.match(r"\s*[-+]?[\d.]", value)
    return " without quotes and without a unit, which the key states" if is_number else ""


def _inline(value: Any, kind: Any) -> Any:
    """An inline table as its dataclass."""
    known = {item.name for item in fields(kind)}
    required = [item.name for item in fields(kind) if item.default is MISSING]
    if not isinstance(value, dict) or not set(required) <= set(value) <= known:
        raise ValueError(f"an inline table {{ {', '.join(f'{name} = ...' for name in required)} }}")
    try:
        return _converted_fields(value, kind)
    except _ValueOfKeyError as error:
        raise ValueError(f"{error.key} to be {error}") from error


def _any_of(value: Any, hints: list[Any]) -> Any:
    expected = []
    for hint in hints:
        try:
            return _converted(value, hint)
        except ValueError as error:
            expected.append(str(error))
    raise ValueError(" or ".join(expected))


def _tuple(value: Any, inner: tuple[Any, ...]) -> tuple[Any, ...]:
    many = inner[-1] is Ellipsis
    hints = [inner[0]] * (len(value) if isinstance(value, list) else 1) if many else list(inner)
    values = [value] if many and not isinstance(value, list) else value
    if not isinstance(values, list) or len(values) != len(hints):
        raise ValueError(
            "a list" if many else f"a list of {len(hints)} {'numbers' if hints[0] is float else 'columns'}"
        )
    return tuple(_converted(one, hint) for one, hint in zip(values, hints, strict=True))


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
    """The sensor of the keys that :func:`keys_of_sensor` gives.

    Raises
    ------
    JobError
        A key or value means nothing, or they do not go together.
    """
    location = Location(Path("scale"), "")
    sensor: Sensor = section("sensor", Sensor, keys, location)
    validate_sensor(sensor, location)
    return sensor


LOG_ENDINGS = (".csv", ".tsv", ".txt", ".dsv", ".gz", ".parquet")
TOML_POSITION = re.compile(r" \(at line (\d+), column (\d+)\)$")
"""Position in a message of tomllib."""
USUAL_MISTAKES = (
    (re.compile(r"=\s*[-+]?[\d_.]*\d,\d"), "a number has a decimal point and no commas: 12.5, 12_800_000"),
    (re.compile(r'=\s*\[?\s*"[^"]*\\'), "a backslash in double quotes must be doubled; write / in paths"),
    (re.compile(r"=\s*[-+]?\d[\d_.eE+-]*\s*[A-Za-z%]"), "a number is written without its unit, which the key states"),
    (re.compile(r"=\s*[A-Za-z_][\w./ -]*$"), "a text is written in double quotes"),
    (
        re.compile(r"^\s*\[(run|regressor|actuator|oven|source)\]"),
        "a section that may have several blocks has two brackets: [[run]]",
    ),
)
"""Patterns of lines that are not TOML, and what would be right."""


def document_of(text: str, path: Path) -> dict[str, Any]:
    """The sections and keys of a job file.

    Raises
    ------
    JobError
        It is not TOML; the message names the line, and what such a line usually means.
    """
    try:
        return tomllib.loads(text)
    except ValueError as error:  # also a number of thousands of digits
        raise JobError(_toml_fault(str(error), text, path)) from error


def _toml_fault(message: str, text: str, path: Path) -> str:
    if path.suffix.lower() in LOG_ENDINGS:
        return f"{path}: is a log, not a job file; `tcomp start {path.name}` writes a job file for it"
    found = TOML_POSITION.search(message)
    if found is None:
        return f"{path}: is not TOML: {message}; expected a job file, such as `tcomp start` writes for a log"
    number, column = int(found[1]), found[2]
    line = text.split("\n")[number - 1]
    hint = next((words for pattern, words in USUAL_MISTAKES if pattern.search(line.partition("#")[0].rstrip())), None)
    hint = hint or "expected a job file, such as `tcomp start` writes for a log"
    return f"{path}:{number}: is not TOML: {TOML_POSITION.sub('', message)} (column {column}); {hint}"
