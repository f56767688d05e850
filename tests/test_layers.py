"""The direction of imports: a room knows only the rooms above it on the data's way."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "tcomp"
BASE = {"errors", "units", "files", "progress", "kernels", "__init__"}
RUN = {"job", "run"}
RESULTS = RUN | {"model", "curve", "table"}
MAY_IMPORT = {
    "errors": set(),
    "units": set(),
    "files": {"errors"},
    "progress": set(),
    "kernels": set(),
    "__init__": set(),
    "job": set(),
    "schemas": set(),
    "glossary": {"job", "schemas"},
    "run": {"job"},
    "model": set(),
    "curve": {"run", "model"},
    "table": RUN,
    "firmware": {"table"},
    "proof": {"table", "firmware"},
    "simulation": set(),
    "bench": RUN | {"simulation"},
    "starter": RUN,
    "frames": RESULTS,
    "results": RESULTS | {"proof", "frames"},
    "summary": RESULTS,
    "decision": RESULTS,
    "report": RESULTS | {"firmware", "decision", "summary", "bench", "glossary"},
    "workflow": RESULTS | {"firmware", "proof", "results", "summary", "decision", "report", "simulation"},
    "demonstration": RESULTS | {"simulation", "bench", "workflow"},
    "upkeep": RESULTS | {"results", "decision", "workflow"},
    "lot": RESULTS | {"firmware", "results", "report", "workflow"},
    "cli": RESULTS
    | {"firmware", "proof", "results", "summary", "decision", "report", "simulation", "bench", "starter", "workflow"}
    | {"demonstration", "upkeep", "lot", "schemas", "glossary"},
    "__main__": {"cli"},
}


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
    assert offences("table", "from tcomp.cli import main") == {"cli"}
    assert offences("curve", "import tcomp.report.page") == {"report"}
    assert offences("model", "def f():\n    from tcomp.run.legs import Leg") == {"run"}
    # What the package opens for users would reach any room.
    assert offences("model", "from tcomp import read_job") == {"tcomp.read_job"}
    assert offences("workflow", "from tcomp import __version__") == set()
    assert offences("simulation", "from tcomp.curve.estimate import joint_fit") == {"curve"}


def test_every_room_is_listed() -> None:
    assert {room_of(path) for path in PACKAGE.rglob("*.py")} == set(MAY_IMPORT)
