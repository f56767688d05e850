"""Text becomes TOML's document; a fault is told with its line, and with what is usually meant."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from tcomp.errors import JobError

LOG_ENDINGS = (".csv", ".tsv", ".txt", ".dsv", ".gz", ".parquet")
AT = re.compile(r" \(at line (\d+), column (\d+)\)$")
"""Where tomllib says that it stopped."""
MEANT = (
    (re.compile(r"=\s*[-+]?[\d_.]*\d,\d"), "a number has a decimal point and no commas: 12.5, 12_800_000"),
    (re.compile(r'=\s*\[?\s*"[^"]*\\'), "a backslash in double quotes must be doubled; write / in paths"),
    (re.compile(r"=\s*[-+]?\d[\d_.eE+-]*\s*[A-Za-z%]"), "a number stands without its unit, which the key tells"),
    (re.compile(r"=\s*[A-Za-z_][\w./ -]*$"), "a text stands in double quotes"),
    (re.compile(r"^\s*\[(run|oven|source)\]"), "a section that may stand several times has two brackets: [[run]]"),
)
"""What a line that is not TOML looks like, and what would be right."""


def document_of(text: str, path: Path) -> dict[str, Any]:
    """The sections and keys of a job file.

    Raises
    ------
    JobError
        It is not TOML; the line is named, and what is usually meant by such a line.
    """
    try:
        return tomllib.loads(text)
    except ValueError as error:  # also a number of thousands of digits
        raise JobError(_fault(str(error), text, path)) from error


def _fault(said: str, text: str, path: Path) -> str:
    if path.suffix.lower() in LOG_ENDINGS:
        return f"{path}: is a log and no job file; `tcomp start {path.name}` writes a job file for it"
    found = AT.search(said)
    if found is None:
        return f"{path}: is not TOML: {said}; expected a job file, such as `tcomp start` writes for a log"
    number, column = int(found[1]), found[2]
    line = text.split("\n")[number - 1]
    meant = next((words for pattern, words in MEANT if pattern.search(line.partition("#")[0].rstrip())), None)
    hint = meant or "expected a job file, such as `tcomp start` writes for a log"
    return f"{path}:{number}: is not TOML: {AT.sub('', said)} (column {column}); {hint}"
