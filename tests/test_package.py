"""What is handed out: the same bytes at each build, from a checkout or from its source archive, and complete."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
BUILD = "import sys; from hatchling.build import build_sdist, build_wheel; print({}(sys.argv[1]))"


def checkout(folder: Path) -> Path:
    """A copy of the tree as git has it, without what tools leave in it; times and place differ at each."""
    left = shutil.ignore_patterns("__pycache__", ".venv", ".git", "*.out", "dist", "build", ".*_cache", ".hypothesis")
    return Path(shutil.copytree(ROOT, folder, ignore=left, copy_function=shutil.copyfile))


def made(kind: str, source: Path, into: Path) -> Path:
    """What the build back end makes, as pip would call it."""
    into.mkdir(parents=True, exist_ok=True)
    environment = {name: value for name, value in os.environ.items() if name != "SOURCE_DATE_EPOCH"}
    done = subprocess.run(
        [sys.executable, "-c", BUILD.format(f"build_{kind}"), str(into)],
        cwd=source, env=environment, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return into / done.stdout.split()[-1]


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("first")
    source = checkout(folder / "tcomp")
    return {kind: made(kind, source, folder / kind) for kind in ("wheel", "sdist")}


@pytest.mark.parametrize("kind", ["wheel", "sdist"])
def test_a_second_build_in_another_place_gives_the_same_bytes(
    first: dict[str, Path], tmp_path: Path, kind: str
) -> None:
    again = made(kind, checkout(tmp_path / "elsewhere"), tmp_path / kind)
    assert again.name == first[kind].name
    assert again.read_bytes() == first[kind].read_bytes()


def test_another_text_gives_other_bytes(first: dict[str, Path], tmp_path: Path) -> None:
    # What the comparison above would find.
    source = checkout(tmp_path / "elsewhere")
    with (source / "tcomp" / "units.py").open("a") as file:
        file.write("# one line more\n")
    for kind, path in first.items():
        assert made(kind, source, tmp_path / kind).read_bytes() != path.read_bytes()


def test_the_wheel_of_the_source_archive_is_that_of_the_checkout(first: dict[str, Path], tmp_path: Path) -> None:
    with tarfile.open(first["sdist"]) as archive:
        archive.extractall(tmp_path, filter="data")
    (source,) = tmp_path.iterdir()
    assert made("wheel", source, tmp_path / "wheel").read_bytes() == first["wheel"].read_bytes()


def test_the_wheel_holds_every_file_of_the_package_and_nothing_else(first: dict[str, Path]) -> None:
    with zipfile.ZipFile(first["wheel"]) as wheel:
        held = {name for name in wheel.namelist() if ".dist-info/" not in name}
    files = {path.relative_to(ROOT).as_posix() for path in (ROOT / "tcomp").rglob("*") if path.is_file()}
    assert held == {name for name in files if "__pycache__" not in name}
    data = {
        "estimation/typical.csv",
        "report/pages/page.html",
        "report/pages/explore.js",
        "schemas/table.json",
        "glossary/terms.toml",
    }
    assert {"tcomp/py.typed", "tcomp/__init__.pyi", *(f"tcomp/{name}" for name in data)} <= held


def test_the_source_archive_holds_the_tests_and_what_they_read(first: dict[str, Path]) -> None:
    with tarfile.open(first["sdist"]) as archive:
        held = {name.split("/", 1)[1] for name in archive.getnames()}
    assert {"README.md", "pyproject.toml", "docs/python.md", "sample_runs/river_gauge/gauge07.toml"} <= held
    assert {path.relative_to(ROOT).as_posix() for path in (ROOT / "tests").glob("*.py")} <= held
