"""The direction of imports: a room knows only the rooms above it on the data's way."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "tcomp"
BASE = {"errors", "units", "arrays", "files", "progress", "kernels", "processors", "documents", "__init__"}
"""What every room may import."""
RESULTS = {"job", "logs", "estimation", "tables"}
MAY_IMPORT = {
    "errors": set(),
    "units": set(),
    "arrays": set(),
    "files": {"errors"},
    "progress": set(),
    "processors": set(),
    "kernels": set(),
    "__init__": set(),
    "job": set(),
    "documents": {"files"},
    "glossary": {"job"},
    "logs": {"job"},
    "estimation": {"logs"},
    "tables": {"job"},
    "firmware": {"tables"},
    "following": {"job", "estimation", "tables"},
    "steering": {"job", "firmware"},
    "proof": {"tables", "firmware"},
    "simulation": set(),
    "bench": {"job", "logs", "simulation"},
    "starter": {"job", "logs"},
    "frames": {"logs", "estimation", "tables"},
    "results": {"logs", "estimation", "tables", "frames"},
    "summary": RESULTS | {"following", "firmware", "budget"},
    "budget": {"job", "estimation", "tables"},
    "planning": {"job", "estimation"},
    "verdict": {"job", "estimation", "tables", "budget", "following"},
    "upkeep": RESULTS | {"budget"},
    "report": RESULTS | {"budget", "firmware", "planning", "upkeep", "bench", "frames", "glossary", "summary"},
    "inputs": {"job", "estimation", "results", "budget"},
    "workflow": RESULTS
    | {"inputs", "following", "firmware", "steering", "proof", "results", "summary", "budget", "verdict", "report"},
    "api": RESULTS | {"firmware", "summary", "workflow"},
    "demonstration": {"job", "simulation", "bench", "workflow"},
    "current_results": RESULTS | {"results", "inputs", "workflow"},
    "maintenance": RESULTS | {"results", "inputs", "budget", "upkeep", "workflow"},
    "lot": {"job", "logs", "estimation", "firmware", "results", "inputs", "report", "workflow"},
    "cli": {
        "job",
        "logs",
        "estimation",
        "firmware",
        "proof",
        "results",
        "summary",
        "planning",
        "verdict",
        "upkeep",
        "report",
        "bench",
    }
    | {"starter", "workflow", "current_results", "demonstration", "maintenance", "lot", "glossary"},
    "__main__": {"cli"},
}
"""What each room imports besides: every entry is in use."""
MOST_LINES = 500
"""Of a module."""


def room_of(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imported_rooms(source: str) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(source)):
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute"
            names = (
                [f"{node.module}.{alias.name}" for alias in node.names]
                if node.module == "tcomp"
                else [node.module or ""]
            )
        for name in names:
            parts = name.split(".")
            if parts[0] == "tcomp" and len(parts) > 1:
                found.add(parts[1] if parts[1] in MAY_IMPORT else "__init__" if parts[1] == "__version__" else name)
    return found


def offences(room: str, source: str) -> set[str]:
    return imported_rooms(source) - BASE - MAY_IMPORT[room] - {room}


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_one_way(path: Path) -> None:
    assert offences(room_of(path), path.read_text(encoding="utf-8")) == set()


def test_a_planted_import_against_the_direction_is_found() -> None:
    assert offences("tables", "from tcomp.cli import main") == {"cli"}
    assert offences("estimation", "import tcomp.report.page") == {"report"}
    assert offences("tables", "def f():\n    from tcomp.estimation.curve import Curve") == {"estimation"}
    # What the package opens for users would reach any room.
    assert offences("tables", "from tcomp import read_job") == {"tcomp.read_job"}
    assert offences("workflow", "from tcomp import __version__") == set()
    assert offences("simulation", "from tcomp.estimation.estimate import joint_fit") == {"estimation"}


def test_every_room_is_listed() -> None:
    assert {room_of(path) for path in PACKAGE.rglob("*.py")} == set(MAY_IMPORT)


def unused(imported: dict[str, set[str]]) -> dict[str, set[str]]:
    """Permissions that no import uses, by room."""
    return {room: left for room, allowed in MAY_IMPORT.items() if (left := allowed - imported[room])}


def test_every_permission_is_used() -> None:
    imported: dict[str, set[str]] = {room: set() for room in MAY_IMPORT}
    for path in PACKAGE.rglob("*.py"):
        imported[room_of(path)] |= imported_rooms(path.read_text(encoding="utf-8"))
    assert unused(imported) == {}
    imported["firmware"] = set()
    assert unused(imported) == {"firmware": {"tables"}}


LONG = {"estimation/estimate.py", "estimation/joint_fit.py"}
"""Modules that are still too long: each is to be divided."""


def test_no_module_is_long() -> None:
    long = {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*.py")
        if len(path.read_text(encoding="utf-8").splitlines()) > MOST_LINES
    }
    assert long - LONG == set()
