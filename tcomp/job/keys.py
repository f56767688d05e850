"""How a key of a section is declared, located in the file, and written."""

from __future__ import annotations

import json
import re
from dataclasses import MISSING, Field, dataclass, field, fields
from datetime import date, time
from pathlib import Path
from typing import Any

from tcomp.errors import JobError

Column = str | int
"""A column by its name in the header, or by its number, counted from 1."""


def key(
    doc: str, default: Any = MISSING, *, signed: bool = False, above_zero: bool = False, at_most: float | None = None
) -> Any:
    """Declare a key of a section.

    Parameters
    ----------
    doc : str
        What it means; printed by ``tcomp build --explain``.
    default : optional
        Its default; without one the key is required.
    signed, above_zero : bool
        A number may be negative; or must be above 0.  Else it must be 0 or more.  Checked where the section's numbers are
        (`validate_numbers` in ``tcomp/job/sections.py``).
    at_most : float, optional
        Largest value of a number.
    """
    metadata = {"doc": doc, "signed": signed, "above_zero": above_zero, "at_most": at_most}
    return field(metadata=metadata) if default is MISSING else field(default=default, metadata=metadata)


def keys_of(kind: Any) -> tuple[Field[Any], ...]:
    """The fields of a section that a job file may hold: those that were declared by `key`."""
    return tuple(item for item in fields(kind) if "doc" in item.metadata)


def to_toml(value: Any) -> str:
    """A value as TOML, tables inline; for messages about a job file and for its defaults.

    >>> to_toml([True, "osc \\"A\\"", 12.0]), to_toml({"minutes": 5, "watts": 0.25})
    ('[true, "osc \\\\"A\\\\"", 12]', '{ minutes = 5, watts = 0.25 }')
    """
    match value:
        case bool():
            text = "true" if value else "false"
        case str() | Path():
            text = json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")
        case float():
            text = f"{value:.15g}"
        case list() | tuple():
            text = f"[{', '.join(map(to_toml, value))}]"
        case dict():
            text = f"{{ {', '.join(f'{name} = {to_toml(one)}' for name, one in value.items())} }}" if value else "{}"
        case date() | time():
            text = value.isoformat()
        case _:
            text = str(value)
    return text


@dataclass(frozen=True)
class Location:
    """Finds the line of a section or key in the text of a job file; the TOML reader does not keep it."""

    path: Path
    text: str

    def of(self, section: str, name: str | None = None, block: int = 0) -> str:
        """File and line of a section, or of a key in its block of this number; the file alone where it is not given.

        >>> location = Location(Path("gauge.toml"), '[[run]]\\nfile = "a.csv"\\n[[run]]\\nfile = "b.csv"\\n')
        >>> location.of("run", "file", 1), location.of("fit")
        ('gauge.toml:4', 'gauge.toml')
        """
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


def require_positive(value: float | None, what: str) -> None:
    """Refuse a number that is given and not above 0; ``what`` begins the message with its place and key.

    Raises
    ------
    JobError
        It is 0 or less.
    """
    if value is not None and value <= 0:
        raise JobError(f"{what} = {value:g}: expected a number above 0")
