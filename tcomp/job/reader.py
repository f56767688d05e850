"""A job file becomes a job: sections and keys are known, and values are what their annotations ask."""

from __future__ import annotations

import difflib
import math
import re
import typing
from collections.abc import Mapping
from dataclasses import MISSING, asdict, fields, is_dataclass, replace
from pathlib import Path
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from tcomp.errors import JobError
from tcomp.job.place import Place
from tcomp.job.sections import REPEATED, SECTIONS, Job, RunColumns, RunLog, Sensor, header
from tcomp.job.together import check_run, check_sensor, check_together
from tcomp.job.toml_text import document_of
from tcomp.job.written import written

LARGEST_JOB = 1 << 20
"""Bytes of a job file."""
INT64 = range(-(2**63), 2**63)
"""Whole numbers of TOML 1.0."""
CONTROL = re.compile(r"[\x00-\x08\x0a-\x1f\x7f-\x9f\u2028\u2029]")
"""What breaks a line or steers a terminal; a tab may stand in a text."""


def read_job(path: Path | str, *, runs_needed: bool = True) -> Job:
    """Read and check a job file; a plan is made before there is any run.

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
    """Check the text of a job file; ``path`` is where its relative paths start."""
    try:
        return _job(text, path, runs_needed)
    except RecursionError as error:
        raise JobError(f"{path}: is nested too deeply; expected sections of keys") from error


def _job(text: str, path: Path, runs_needed: bool) -> Job:
    document = document_of(text, path)
    place = Place(path, text)
    for name in document:
        if name not in SECTIONS:
            raise JobError(f"{place.of(name)}: there is no section [{name}]{nearest(name, SECTIONS)}")
    single = {
        name: section(name, kind, document.get(name, {}), place)
        for name, kind in SECTIONS.items()
        if name not in REPEATED
    }
    runs = tuple(_run(block, place, number) for number, block in enumerate(_blocks("run", document, place)))
    ovens = tuple(
        section("oven", SECTIONS["oven"], block, place, number)
        for number, block in enumerate(_blocks("oven", document, place))
    )
    sources = tuple(
        section("source", SECTIONS["source"], block, place, number)
        for number, block in enumerate(_blocks("source", document, place))
    )
    if runs_needed and not runs:
        raise JobError(
            f"{place.of('run')}: a job needs at least one [[run]] block, with the file of a log and its columns"
        )
    job = Job(runs=runs, ovens=ovens, sources=sources, path=path, text=text, **single)
    check_together(job, place)
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


def _blocks(name: str, document: dict[str, Any], place: Place) -> list[Any]:
    blocks = document.get(name, [])
    if not isinstance(blocks, list):
        raise JobError(f"{place.of(name)}: [{name}] may stand several times: write {header(name)}")
    return blocks


def section(name: str, kind: type[Any], values: Any, place: Place, block: int = 0) -> Any:
    """A section as its dataclass: known keys, and values as they are annotated.

    Raises
    ------
    JobError
        A key is not known or missing, or a value is not what its annotation asks.
    """
    if not isinstance(values, dict):
        raise JobError(f"{place.of(name)}: {header(name)} must be a section of keys, got {written(values)}")
    hints = typing.get_type_hints(kind)
    for given in values:
        if given not in hints:
            raise JobError(
                f"{place.of(name, given, block)}: {header(name)} has no key '{given}'{nearest(given, hints)}"
            )
    checked = {}
    for item in fields(kind):
        if item.name in values:
            try:
                checked[item.name] = _converted(values[item.name], hints[item.name])
            except ValueError as error:
                where = place.of(name, item.name, block)
                given = written(values[item.name])
                raise JobError(f"{where}: {header(name)} {item.name} = {given}: expected {error}") from error
        elif item.default is MISSING:
            raise JobError(
                f"{place.of(name, None, block)}: {header(name)} needs the key '{item.name}': {item.metadata['doc']}"
            )
    return kind(**checked)


def _run(block: Any, place: Place, number: int) -> RunLog:
    run: RunLog = section("run", RunLog, block, place, number)
    check_run(run, place, number)
    return replace(run, file=place.path.parent / run.file)


def log_of_frame(name: str, columns: Mapping[str, Any]) -> RunLog:
    """The block that says what the columns of a frame hold, checked as one that stands in a job file.

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
    place = Place(Path(name), "")
    keys = {
        key: list(value) if isinstance(value, tuple) else value for key, value in columns.items() if value is not None
    }
    run: RunLog = section("run", RunLog, {"file": name, **keys}, place)
    check_run(run, place, 0)
    return run


def nearest(given: str, known: Any) -> str:
    """What an unknown name was likely meant to be, as the end of a sentence."""
    near = difflib.get_close_matches(given, list(known), n=1, cutoff=0.5)
    return f"; the nearest is '{near[0]}'" if near else f"; known: {', '.join(known)}"


def _converted(value: Any, hint: Any) -> Any:
    """The value as the annotation asks, or ValueError that says what was expected."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return _any_of(value, [one for one in inner if one is not type(None)])
    if origin is Literal:
        if value not in inner or isinstance(value, bool):
            raise ValueError(" or ".join(map(written, inner)))
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
    """A number with its unit, in quotes."""
    is_number = hint in (float, int) and isinstance(value, str) and re.match(r"\s*[-+]?[\d.]", value)
    return " without quotes and without a unit, which the key tells" if is_number else ""


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
    place = Place(Path("scale"), "")
    sensor: Sensor = section("sensor", Sensor, keys, place)
    check_sensor(sensor, place)
    return sensor
