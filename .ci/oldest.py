"""The oldest versions that pyproject.toml allows, as constraints for pip: `name==minimum`, a line each."""

from __future__ import annotations

import re
import sys
import tomllib
from pathlib import Path

EXTRAS = ("cluster", "log")
"""Beside what is always needed.  A compiler in a wheel is no library of ours: any version will do."""


def main() -> None:
    """Print them; a requirement without a minimum is refused."""
    project = tomllib.loads(Path("pyproject.toml").read_text(encoding="utf-8"))["project"]
    for requirement in (
        *project["dependencies"],
        *(one for name in EXTRAS for one in project["optional-dependencies"][name]),
    ):
        found = re.fullmatch(r"([\w-]+)>=([\w.]+)(?:,<[\w.]+)?", requirement)
        if found is None:
            sys.exit(f"pyproject.toml: {requirement}: expected NAME>=MINIMUM or NAME>=MINIMUM,<BELOW")
        print(f"{found[1]}=={found[2]}")


main()
