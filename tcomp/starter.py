"""A commented job file to start from, made from the declarations of the keys and from what a log seems to hold."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import MISSING, Field, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tcomp.errors import JobError, RunError
from tcomp.job import CONTROL, SECTIONS, Job, WarmUp, default_text, header, read_job_text, section_summary, to_toml

if TYPE_CHECKING:
    from tcomp.logs.guess import Guess

MOSTLY_USED = {
    "oscillator": ("name", "nominal_hz", "cut"),
    "reference": ("uncertainty_ppb",),
    "run": (
        "file", "time", "time_format", "interval_s", "temperature", "frequency", "frequency_unit", "offset", "offset_unit",
        "phase", "role", "reference_hz",
    ),
    "sensor": ("kind", "degc_per_count", "offset_c"),
    "fit": ("range_c", "reference_c"),
    "table": ("input", "counts_per_c", "max_error_ppb", "max_bytes"),
    "firmware": ("symbol", "formats", "correct"),
    "use": ("needed_ppb", "range_c", "ramp_c_per_min", "hours_on_per_day", "recalibrate_days"),
}  # fmt: skip
"""The keys that a job most often has; a short file is easier to read, and `tcomp build --explain` prints all keys."""
FAHRENHEIT = {"kind": "linear", "degc_per_count": 5 / 9, "offset_c": -160 / 9}
"""degC = 5/9 (degF - 32)."""
NOTHING_KNOWN: dict[str, Any] = {"time": "utc", "temperature": "board_c", "frequency": "osc_hz"}


@dataclass(frozen=True)
class Start:
    """The text of a job file, and remarks on what in it is assumed."""

    text: str
    remarks: tuple[str, ...]


def start_of(log: Path | None = None, job: Path = Path("job.toml"), *, more: Sequence[Path] = ()) -> Start:
    """A job file with the keys that a job most often has, each with its meaning; keys without a value are comments.

    Parameters
    ----------
    log : Path or None
        A log whose columns are guessed.
    job : Path
        The path of the job file; the paths in it are relative to its folder.
    more : sequence of Path
        Further logs, with a block each.  A log with temperatures but no frequency becomes the `temperature_file` of those
        without a temperature.

    Examples
    --------
    >>> print(start_of().text.splitlines()[5])
    name = "my oscillator"

    Raises
    ------
    RunError
        A log cannot be read, or no line of its head looks like a header.
    """
    if log is None:
        run = {"file": "my_log.csv", **NOTHING_KNOWN}
        given = {"oscillator": {"name": "my oscillator", "nominal_hz": 10_000_000}, "run": run}
        return Start(_text(given, [], []), ("the names of the columns and nominal_hz are examples: fill in your own",))
    from tcomp.logs.guess import guess_columns

    logs = [log, *more]
    guesses = [guess_columns(one) for one in logs]
    files = [_path_in_job(one, job) for one in logs]
    blocks, remarks = _blocks(list(zip(files, guesses, strict=True)))
    notes = []
    for file, guess in zip(files, guesses, strict=True):
        of_many = f"{file}: " if more else ""
        columns = CONTROL.sub("?", ", ".join(guess.names))
        notes.append(f"# {of_many}Columns of the log: {columns}. What was guessed from them, to be checked:")
        notes += [f"# - {CONTROL.sub('?', one)}" for one in guess.remarks] or ["# - nothing except by their names"]
        remarks += [f"{of_many}{one}" for one in guess.remarks]
    given = _given(guesses) | {"run": blocks[0]}
    return Start(_text(given, notes, blocks[1:], guesses[0].temperatures), tuple(remarks))


def guessed_job(log: Path) -> tuple[Job, tuple[str, ...]]:
    """The job that `start_of` makes for a log, without writing a file, and remarks on what in it is guessed.

    Raises
    ------
    RunError
        The log cannot be read, or its columns cannot be guessed.
    """
    from tcomp.logs.guess import guess_columns

    guess = guess_columns(log)
    if guess.lost:
        lost = " nor ".join(
            {"quantity": "a frequency, an offset or a phase"}.get(one, f"a {one}") for one in guess.lost
        )
        raise RunError(
            f"{log}: no column looks like {lost}; the columns are {', '.join(guess.names)}; write a job with `tcomp start {log}` "
            "and name them in it"
        )
    start = start_of(log, log.parent / "job.toml")
    keys = ", ".join(f"{key} = {value!r}" for key, value in guess.keys.items())
    try:
        job = read_job_text(start.text, log.parent / "job.toml")
    except JobError as error:
        raise RunError(
            f"{log}: what is guessed of it ({keys}) makes no job; write one with `tcomp start {log}`, and correct it"
        ) from error
    return job, (f"no job is given, so the columns are guessed: {keys}", *start.remarks)


Block = dict[str, Any]


def _blocks(logs: list[tuple[str, Guess]]) -> tuple[list[Block], list[str]]:
    """A [[run]] for each log; a log of temperatures alone is joined to those that have none; and remarks on that."""
    sensors = [(file, guess) for file, guess in logs if guess.lost == ("quantity",)]
    bare = [file for file, guess in logs if guess.lost == ("temperature",)]
    blocks, remarks = [], []
    pairs = dict(zip(bare, sensors if len(sensors) == len(bare) else sensors[:1] * len(bare), strict=False))
    for file, guess in logs:
        if pairs and guess.lost == ("quantity",):
            continue
        block = {"file": file, **guess.keys}
        if file in pairs:
            sensor_file, sensor = pairs[file]
            block |= {
                "temperature": sensor.keys["temperature"],
                "temperature_file": sensor_file,
                "temperature_time": sensor.keys["time"],
            }
            if "time_format" in sensor.keys:
                block["temperature_time_format"] = sensor.keys["time_format"]
            remarks.append(f"{file} has no temperature, so that of {sensor_file} is taken, as its temperature_file")
        blocks.append(block)
    return blocks, remarks


def _path_in_job(log: Path, job: Path) -> str:
    """A log's path for a job file: relative to the job's folder if it is in or below that."""
    folder = job.resolve().parent
    whole = log.resolve()
    return whole.relative_to(folder).as_posix() if whole.is_relative_to(folder) else str(whole)


def _given(guesses: list[Guess]) -> dict[str, dict[str, Any]]:
    oscillator: dict[str, Any] = {"name": "my oscillator"}
    nominals_hz = [guess.nominal_hz for guess in guesses if guess.nominal_hz is not None]
    if nominals_hz:
        oscillator["nominal_hz"] = nominals_hz[0]
    return {"oscillator": oscillator, "sensor": _sensor(guesses)}


def _sensor(guesses: list[Guess]) -> dict[str, Any]:
    for guess in guesses:
        if guess.degc_per_count is not None:
            return {"kind": "linear", "degc_per_count": guess.degc_per_count}
    return FAHRENHEIT if any(guess.is_fahrenheit for guess in guesses) else {}


def _text(given: dict[str, Block], notes: list[str], more: Sequence[Block], temperatures: Sequence[str] = ()) -> str:
    lines = [
        "# Job file for tcomp. Paths are relative to this file. Keys behind # show their default.",
        "# These are the most common keys; `tcomp build --explain` prints all of them.",
        *notes,
        "",
    ]
    for name, keys in MOSTLY_USED.items():
        kind = SECTIONS[name]
        known = {item.name: item for item in fields(kind)}
        lines.append(f"{header(name)}    # {section_summary(kind)}")
        for key in keys:
            lines += textwrap.wrap(known[key].metadata["doc"], 110, initial_indent="# ", subsequent_indent="# ")
            lines.append(_line(known[key], given.get(name, {})))
            if (name, key) == ("run", "temperature"):
                others = [one for one in temperatures if one != given[name].get(key)]
                lines += [f"# temperature = {to_toml(one)}" for one in others]
        if name == "run":
            lines += [f"{key} = {to_toml(value)}" for key, value in given[name].items() if key not in keys]
            for block in more:
                lines += ["", header(name), *(f"{key} = {to_toml(value)}" for key, value in block.items())]
        lines.append("")
    return "\n".join(lines[:-1]) + "\n"


def _line(item: Field[Any], given: dict[str, Any]) -> str:
    if item.name in given:
        return f"{item.name} = {to_toml(given[item.name])}"
    if item.default is MISSING or item.default in (None, "", (), WarmUp()):
        return f"# {item.name} ="
    return f"# {item.name} = {default_text(item.default)}"
