"""How tests run is itself tested: a skip is a failure where the project is judged, in every process."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest


def run(folder: Path, *arguments: str, judged: bool) -> tuple[int, str]:
    """Run pytest on a test that skips itself, beside a copy of this project's conftest."""
    shutil.copy(Path(__file__).with_name("conftest.py"), folder)
    (folder / "test_planted.py").write_text("import pytest\ndef test_lacking(): pytest.skip('needs a tool')\n")
    environment = {key: value for key, value in os.environ.items() if key != "CI" and not key.startswith("PYTEST")}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--rootdir", str(folder), *arguments],
        cwd=folder, env=environment | ({"CI": "true"} if judged else {}), capture_output=True, text=True, timeout=120,
        check=False,
    )  # fmt: skip
    return done.returncode, done.stdout


@pytest.mark.parametrize("processes", ["0", "2"])
def test_a_skip_fails_where_the_project_is_judged(tmp_path: Path, processes: str) -> None:
    code, said = run(tmp_path, "-n", processes, judged=True)
    assert code == 1
    assert "test_lacking was skipped, which is not allowed with CI=true" in said


def test_a_skip_is_a_skip_elsewhere(tmp_path: Path) -> None:
    code, said = run(tmp_path, "-n", "2", judged=False)
    assert (code, "1 skipped" in said) == (0, True)


@pytest.mark.parametrize("asked", [".", "test_planted.py"])
def test_a_folder_runs_on_two_processes_a_core_and_a_file_in_this_one(tmp_path: Path, asked: str) -> None:
    _, said = run(tmp_path, "-n", "auto", asked, judged=False)
    processes = min(2 * (os.cpu_count() or 1), 8)
    assert (f"{processes} workers" in said) is (asked == ".")
