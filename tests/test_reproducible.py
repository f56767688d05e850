"""The same input gives the same bytes, whatever the machine's settings."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hostile_runs import job_of, sweep_log

SETTINGS = {
    "plain": {},
    "two threads, another zone, seed and locale": {
        "OPENBLAS_NUM_THREADS": "2", "OMP_NUM_THREADS": "2", "TZ": "Asia/Kathmandu", "PYTHONHASHSEED": "1",
        "LANG": "de_DE.UTF-8", "LC_ALL": "de_DE.UTF-8",
    },
    "no locale, no UTF-8, optimised": {
        "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONOPTIMIZE": "1", "TZ": "America/St_Johns",
        "PYTHONHASHSEED": "4294967295", "COLUMNS": "40",
    },
}  # fmt: skip


def built(folder: Path, settings: dict[str, str], seed: str = "") -> dict[str, bytes]:
    (folder / "log.csv").write_text(sweep_log() + seed)
    keys = '[firmware]\nformats = ["c", "csv", "json", "ihex", "bin"]\n[use]\nneeded_ppb = 100.0'
    job = job_of(folder, name="Pegel 7 °C", run=keys)
    environment = {"OPENBLAS_NUM_THREADS": "1", "TZ": "UTC", "PYTHONHASHSEED": "0"} | settings
    done = subprocess.run(
        [sys.executable, "-m", "tcomp", "build", str(job), "--into", str(folder / "out"), "--json", "--quiet"],
        env={**os.environ, **environment}, capture_output=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode()
    return {path.name: path.read_bytes() for path in (folder / "out").iterdir()} | {"stdout": done.stdout}


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return built(tmp_path_factory.mktemp("plain"), {})


@pytest.mark.parametrize("settings", list(SETTINGS)[1:])
def test_the_same_input_gives_the_same_bytes(plain: dict[str, bytes], tmp_path: Path, settings: str) -> None:
    found = built(tmp_path, SETTINGS[settings])
    assert found.keys() == plain.keys()
    assert [name for name in found if found[name] != plain[name]] == []


def test_another_input_gives_other_bytes(plain: dict[str, bytes], tmp_path: Path) -> None:
    # What the comparison above would find: one sample more.
    found = built(tmp_path, {}, "1700009000,1.0,-1720.0\n")
    assert {"curve.json", "report.html", "pegel_7_c.h", "summary.json"} <= {
        name for name in found if found[name] != plain[name]
    }
