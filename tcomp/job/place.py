"""Where in a job file a key stands, for messages about it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Place:
    """Finds the line of a section or key, which the TOML reader does not keep."""

    path: Path
    text: str

    def of(self, section: str, name: str | None = None, block: int = 0) -> str:
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
