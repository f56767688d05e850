"""Values as a job file writes them, for messages about it and for its defaults."""

from __future__ import annotations

import json
from datetime import date, time
from pathlib import Path
from typing import Any


def written(value: Any) -> str:
    """A value as TOML writes it, a table inline.

    >>> written([True, "osc \\"A\\"", 12.0]), written({"minutes": 5, "watts": 0.25})
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
            text = f"[{', '.join(map(written, value))}]"
        case dict():
            text = f"{{ {', '.join(f'{name} = {written(one)}' for name, one in value.items())} }}" if value else "{}"
        case date() | time():
            text = value.isoformat()
        case _:
            text = str(value)
    return text
