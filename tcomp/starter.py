"""A commented job file to start from, generated from the declarations of the keys."""

from __future__ import annotations

import re
import textwrap
from dataclasses import MISSING, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tcomp.errors import RunError
from tcomp.job import CONTROL, REPEATED, SECTIONS, WarmUp, default_text, header, section_words, written

if TYPE_CHECKING:
    from tcomp.run.log_text import LogText

LIKELY = {
    "time": re.compile(r"time|utc|date|stamp|mjd|unix", re.IGNORECASE),
    "temperature": re.compile(r"temp|degc|_c$|celsius", re.IGNORECASE),
    "frequency": re.compile(r"freq|hz", re.IGNORECASE),
    "offset": re.compile(r"ppm|ppb|offset", re.IGNORECASE),
    "phase": re.compile(r"phase|departure", re.IGNORECASE),
}
"""Words in a column's name that tell what it holds."""
QUANTITIES = ("frequency", "offset", "phase")
"""Of these a run has one: the first that is found."""
HEADER_LINES = 50


@dataclass(frozen=True)
class Guess:
    """Columns guessed from a log's header, by key of the job; and all names that the header has."""

    columns: dict[str, str | tuple[str, str]]
    header: tuple[str, ...]


def job_text(log: Path | None = None) -> str:
    """The text of a job file in which every key stands with its meaning; those left out as comments.

    Examples
    --------
    >>> print(job_text().splitlines()[4])
    name = "my oscillator"
    """
    guess = Guess({}, ()) if log is None else guess_columns(log)
    given: dict[str, dict[str, Any]] = {
        "oscillator": {"name": "my oscillator", "nominal_hz": 10_000_000},
        "run": {"file": str(log) if log else "my_log.csv", **_columns(guess)},
    }
    parts = ["# Job file for tcomp. Paths are relative to this file. Keys behind # show their default.\n"]
    if guess.header:
        names = CONTROL.sub("?", f"{log}: {', '.join(guess.header)}")
        parts.append(f"# Columns of {names}. Those below were guessed by name: check them.\n")
    for name, kind in SECTIONS.items():
        # A block that is wanted only by some would be one with its keys missing.
        optional = name in REPEATED and name not in given
        parts.append(f"{'# ' * optional}{header(name)}    # {section_words(kind)}")
        for item in fields(kind):
            parts += textwrap.wrap(item.metadata["doc"], 110, initial_indent="# ", subsequent_indent="# ")
            parts.append(_line(item.name, MISSING if optional else item.default, given.get(name, {})))
        parts.append("")
    return "\n".join(parts)


def guess_columns(log: Path) -> Guess:
    """Guess from the names in a log's header what its columns hold.

    Raises
    ------
    RunError
        The log cannot be read, or no line of its head looks like a header.
    """
    from tcomp.run.dialect import fields_of
    from tcomp.run.log_text import read_text

    text = read_text(log)
    for number in range(1, min(text.line_count, HEADER_LINES)):
        for separator in ("\t", ";", ","):
            header = _header(text, number, separator)
            if header:
                header = _names_above_units(text, number, separator, header)
                row = fields_of(text.line(number + 1), separator)
                return Guess(_by_name(header, _date_and_time(header, row)), header)
    raise RunError(
        f"{log}: no header was found in its first {HEADER_LINES} lines; write the job by hand, columns by number"
    )


def _header(text: LogText, number: int, separator: str) -> tuple[str, ...]:
    """The fields of a line if it looks like a header: names, above a line of as many fields with numbers among them."""
    from tcomp.run.dialect import fields_of, is_number

    names = fields_of(text.line(number).lstrip("# \t"), separator)
    below = fields_of(text.line(number + 1), separator)
    looks = (
        len(names) > 1 and len(names) == len(below) and not any(map(is_number, names)) and any(map(is_number, below))
    )
    return tuple(name for name in names if name) if looks else ()


def _names_above_units(text: LogText, number: int, separator: str, header: tuple[str, ...]) -> tuple[str, ...]:
    """The line above, if it too holds as many names: then the line that was found holds their units."""
    from tcomp.run.dialect import fields_of, is_number

    above = fields_of(text.line(number - 1).lstrip("# \t"), separator) if number > 1 else []
    names = tuple(name for name in above if name and not is_number(name))
    return names if len(names) == len(above) == len(header) else header


def _date_and_time(header: tuple[str, ...], row: list[str]) -> tuple[str, ...]:
    """The names of the columns in which the first row holds a date and a time of day; empty if either is not there."""
    from tcomp.run.dialect import is_date, is_time_of_day

    pairs = list(zip(header, row, strict=False)) if len(header) == len(row) else []
    dates, times = ([name for name, field in pairs if fits(field)] for fits in (is_date, is_time_of_day))
    return (dates[0], times[0]) if dates and times else ()


def _by_name(header: tuple[str, ...], date_and_time: tuple[str, ...]) -> dict[str, str | tuple[str, str]]:
    found: dict[str, str | tuple[str, str]] = {}
    if len(date_and_time) == 2:
        found["time"] = date_and_time
    for key, pattern in LIKELY.items():
        taken = {*found.values(), *date_and_time}
        names = [name for name in header if pattern.search(name) and name not in taken]
        if names and key not in found and not (key in QUANTITIES and any(other in found for other in QUANTITIES)):
            found[key] = names[0]
    unit = re.search(r"ppm|ppb", str(found.get("offset", "")), re.IGNORECASE)
    return found | ({"offset_unit": unit[0].lower()} if unit else {})


def _columns(guess: Guess) -> dict[str, str | tuple[str, str]]:
    shown: dict[str, str | tuple[str, str]] = {"time": "utc", "temperature": "board_c"}
    if not any(key in guess.columns for key in QUANTITIES):
        shown["frequency"] = "osc_hz"
    return shown | guess.columns


def _line(name: str, default: Any, given: dict[str, Any]) -> str:
    if name in given:
        return f"{name} = {written(given[name])}"
    if default is MISSING or default in (None, "", (), WarmUp()):
        return f"# {name} ="
    return f"# {name} = {default_text(default)}"
