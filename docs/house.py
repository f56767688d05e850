"""Write the picture of the rooms into ``DEVELOPERS.md`` from the imports in the code: ``python docs/house.py``.

An arrow leads from a room to one that imports it, as the data go. Where a longer way leads there too, the arrow is left out.
``tests/test_docs_generated.py`` holds the page equal to it.
"""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "DEVELOPERS.md"
BASE = {"__init__", "__main__", "arrays", "documents", "errors", "files", "kernels", "processors", "progress", "units"}
"""What every room may import: not drawn."""
BEGIN, END = "```mermaid\n", "```\n"


def imports() -> dict[str, set[str]]:
    """The rooms that each room imports."""
    package = ROOT / "tcomp"
    found: dict[str, set[str]] = {}
    for path in package.rglob("*.py"):
        own = path.relative_to(package).parts[0].removesuffix(".py")
        if own in BASE:
            continue
        rooms = found.setdefault(own, set())
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module == "tcomp":
                rooms |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("tcomp."):
                rooms.add((node.module or "").split(".")[1])
    return {own: (rooms & set(found)) - {own} for own, rooms in found.items()}


def reached(room: str, arrows: dict[str, set[str]]) -> set[str]:
    """All that a room imports, directly or through others."""
    direct = arrows[room]
    return direct.union(*(reached(one, arrows) for one in direct))


def picture(arrows: dict[str, set[str]]) -> str:
    """The rooms as a graph in Mermaid's language.

    >>> print(picture({"job": set(), "logs": {"job"}, "lot": {"job", "logs"}}), end="")
    graph LR
      job --> logs
      logs --> lot
    """
    importers: dict[str, list[str]] = {}
    for room, direct in sorted(arrows.items()):
        for one in direct:
            if not any(one in reached(other, arrows) for other in direct - {one}):
                importers.setdefault(one, []).append(room)
    lines = (f"  {one} --> {' & '.join(rooms)}" for one, rooms in sorted(importers.items()))
    return "\n".join(["graph LR", *lines]) + "\n"


def page(text: str) -> str:
    """The page with its picture made anew."""
    start = text.index(BEGIN) + len(BEGIN)
    return text[:start] + picture(imports()) + text[text.index(END, start) :]


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
