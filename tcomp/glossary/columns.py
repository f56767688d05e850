"""The columns of the files that the tool writes, from ``columns.toml``."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from tcomp.glossary.terms import plain


@dataclass(frozen=True)
class Column:
    """A column of an output file; capitals in its name stand for what differs from file to file."""

    file: str
    name: str
    text: str
    unit: str = ""

    def is_named(self, word: str) -> bool:
        """Whether a word is its name.

        >>> Column("validation.csv", "fold_N_rms_ppb", "").is_named("fold_12_rms_ppb")
        True
        """
        pattern = re.escape(plain(self.name)).replace(r"\ n\ ", r"\ (n|\d+)\ ")
        return re.fullmatch(pattern, plain(word)) is not None


@cache
def files() -> dict[str, str]:
    """Each file with what a row of it is."""
    return {name: content["about"] for name, content in _content().items()}


@cache
def columns() -> tuple[Column, ...]:
    """All columns, file by file, in the order in which they stand there."""
    return tuple(
        Column(file, name, column["text"], column.get("unit", ""))
        for file, content in _content().items()
        for name, column in content["columns"].items()
    )


@cache
def _content() -> dict[str, Any]:
    return tomllib.loads((resources.files("tcomp.glossary") / "columns.toml").read_text(encoding="utf-8"))
