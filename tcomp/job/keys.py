"""How a key of a section is declared."""

from __future__ import annotations

from dataclasses import MISSING, field
from typing import Any

Column = str | int
"""A column by its name in the header, or by its number, counted from 1."""


def key(doc: str, default: Any = MISSING) -> Any:
    """Declare a key of a section: its explanation and its default (none: it must be given)."""
    return field(default=default, metadata={"doc": doc}) if default is not MISSING else field(metadata={"doc": doc})
