"""A commented job file to start from, generated from the declarations of the keys."""

from __future__ import annotations

import textwrap
from dataclasses import MISSING, Field, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tcomp.job import CONTROL, SECTIONS, WarmUp, default_text, header, section_words, written

if TYPE_CHECKING:
    from tcomp.run.guess import Guess

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
"""The keys that a job most often has.  A short file is read; all keys are a command away."""
FAHRENHEIT = {"kind": "linear", "degc_per_count": 5 / 9, "offset_c": -160 / 9}
"""degC = 5/9 (degF - 32)."""
NOTHING_KNOWN: dict[str, Any] = {"time": "utc", "temperature": "board_c", "frequency": "osc_hz"}


@dataclass(frozen=True)
class Start:
    """The text of a job file, and what in it was assumed."""

    text: str
    remarks: tuple[str, ...]


def start_of(log: Path | None = None, job: Path = Path("job.toml")) -> Start:
    """A job file with the keys that a job most often has, each with its meaning; those left out as comments.

    Examples
    --------
    >>> print(start_of().text.splitlines()[5])
    name = "my oscillator"

    Raises
    ------
    RunError
        The log cannot be read, or no line of its head looks like a header.
    """
    if log is None:
        run = {"file": "my_log.csv", **NOTHING_KNOWN}
        given = {"oscillator": {"name": "my oscillator", "nominal_hz": 10_000_000}, "run": run}
        return Start(_text(given, []), ("the names of the columns and nominal_hz are examples: put in your own",))
    from tcomp.run.guess import guess_columns

    guess = guess_columns(log)
    columns = CONTROL.sub("?", ", ".join(guess.names))
    notes = [f"# Columns of the log: {columns}. What was told from them, to be checked:"]
    notes += [f"# - {one}" for one in guess.remarks] or ["# - nothing but by their names"]
    return Start(_text(_given(guess, _beside(log, job)), notes), guess.remarks)


def _beside(log: Path, job: Path) -> str:
    """A log's path as a job file writes it: relative to the job's folder, where it lies in or below that."""
    folder = job.resolve().parent
    whole = log.resolve()
    return whole.relative_to(folder).as_posix() if whole.is_relative_to(folder) else str(whole)


def _given(guess: Guess, file: str) -> dict[str, dict[str, Any]]:
    oscillator: dict[str, Any] = {"name": "my oscillator"}
    if guess.nominal_hz is not None:
        oscillator["nominal_hz"] = guess.nominal_hz
    return {
        "oscillator": oscillator,
        "run": {"file": file, **guess.keys},
        "sensor": FAHRENHEIT if guess.is_fahrenheit else {},
    }


def _text(given: dict[str, dict[str, Any]], notes: list[str]) -> str:
    lines = [
        "# Job file for tcomp. Paths are relative to this file. Keys behind # show their default.",
        "# These are the keys that are mostly used; `tcomp build --explain` prints all of them.",
        *notes,
        "",
    ]
    for name, keys in MOSTLY_USED.items():
        kind = SECTIONS[name]
        known = {item.name: item for item in fields(kind)}
        lines.append(f"{header(name)}    # {section_words(kind)}")
        for key in keys:
            lines += textwrap.wrap(known[key].metadata["doc"], 110, initial_indent="# ", subsequent_indent="# ")
            lines.append(_line(known[key], given.get(name, {})))
        lines.append("")
    return "\n".join(lines[:-1]) + "\n"


def _line(item: Field[Any], given: dict[str, Any]) -> str:
    if item.name in given:
        return f"{item.name} = {written(given[item.name])}"
    if item.default is MISSING or item.default in (None, "", (), WarmUp()):
        return f"# {item.name} ="
    return f"# {item.name} = {default_text(item.default)}"
