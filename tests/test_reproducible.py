"""The same input gives the same bytes, whatever the settings of the machine, and on any newer processor of its kind."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hostile_runs import job_of, sweep_log

from tcomp.kernels import choose_common_kernels, has_avx2

KERNELS = ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE", "NPY_ENABLE_CPU_FEATURES", "NPY_DISABLE_CPU_FEATURES")
"""Settings by which a machine's own arithmetic is known or changed: taken off unless a test sets them."""
SETTINGS = {
    "two threads, another zone and seed, German": {
        "OPENBLAS_NUM_THREADS": "2", "OMP_NUM_THREADS": "2", "TZ": "Asia/Kathmandu", "PYTHONHASHSEED": "1",
        "LANG": "de_DE.UTF-8", "LC_ALL": "de_DE.UTF-8",
    },
    "many threads, Turkish": {
        "OPENBLAS_NUM_THREADS": "16", "OMP_NUM_THREADS": "16", "TZ": "Pacific/Chatham", "PYTHONHASHSEED": "77",
        "LC_ALL": "tr_TR.UTF-8",
    },
    "no locale, no UTF-8, optimised": {
        "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONOPTIMIZE": "1", "TZ": "America/St_Johns",
        "PYTHONHASHSEED": "4294967295", "COLUMNS": "40",
    },
}  # fmt: skip
WITHOUT_AVX = {"OPENBLAS_CORETYPE": "Prescott", "NPY_ENABLE_CPU_FEATURES": "none"}
"""A processor with SSE alone, as the libraries would treat it."""


@pytest.fixture(scope="module")
def locales(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a German and a Turkish locale (commas for points; i and I that are no pair)."""
    folder = tmp_path_factory.mktemp("locales")
    for name in ("de_DE", "tr_TR"):
        made = shutil.which("localedef") and subprocess.run(
            ["localedef", "-i", name, "-f", "UTF-8", str(folder / f"{name}.UTF-8")], capture_output=True, check=False
        )
        if not made or made.returncode:
            pytest.skip("needs localedef and the sources of the locales (Debian: locales)")
    return folder


def built(folder: Path, settings: dict[str, str], seed: str = "") -> dict[str, bytes]:
    (folder / "log.csv").write_text(sweep_log() + seed)
    keys = '[firmware]\nformats = ["c", "csv", "json", "ihex", "bin"]\n[use]\nneeded_ppb = 100.0'
    job = job_of(folder, name="Pegel 7 °C", run=keys)
    inherited = {name: value for name, value in os.environ.items() if name not in KERNELS}
    environment = {"OPENBLAS_NUM_THREADS": "1", "TZ": "UTC", "PYTHONHASHSEED": "0"} | settings
    done = subprocess.run(
        [sys.executable, "-m", "tcomp", "build", str(job), "--into", str(folder / "out"), "--json", "--quiet"],
        env=inherited | environment, capture_output=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr.decode()
    return {path.name: path.read_bytes() for path in (folder / "out").iterdir()} | {"stdout": done.stdout}


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    return built(tmp_path_factory.mktemp("plain"), {})


def others(found: dict[str, bytes], plain: dict[str, bytes]) -> list[str]:
    assert found.keys() == plain.keys()
    return sorted(name for name in found if found[name] != plain[name])


@pytest.mark.parametrize("settings", SETTINGS)
def test_the_same_input_gives_the_same_bytes(
    plain: dict[str, bytes], tmp_path: Path, locales: Path, settings: str
) -> None:
    assert others(built(tmp_path, SETTINGS[settings] | {"LOCPATH": str(locales)}), plain) == []


def test_another_input_gives_other_bytes(plain: dict[str, bytes], tmp_path: Path) -> None:
    # What the comparison above would find: one sample more.
    found = others(built(tmp_path, {}, "1700009000,1.0,-1720.0\n"), plain)
    assert {"curve.json", "report.html", "pegel_7_c.h", "summary.json"} <= set(found)


def test_a_newer_processor_gives_the_bytes_of_one_with_avx2(plain: dict[str, bytes], tmp_path: Path) -> None:
    # What the libraries do on a processor with AVX2 and nothing newer: said outright, where `plain` leaves it to the program.
    if not has_avx2():
        pytest.skip("needs a processor with AVX2")
    with pytest.MonkeyPatch.context() as patch:
        for name in KERNELS:
            patch.delenv(name, raising=False)
        choose_common_kernels()
        asked = {name: os.environ[name] for name in KERNELS if name in os.environ}
        for name in asked:
            patch.delenv(name)
    assert asked["OPENBLAS_CORETYPE"] == "Haswell"
    assert others(built(tmp_path, asked), plain) == []


def test_other_arithmetic_gives_the_same_firmware_and_figures_within_their_last_digits(
    plain: dict[str, bytes], tmp_path: Path
) -> None:
    found = built(tmp_path, WITHOUT_AVX)
    differing = others(found, plain)
    # That other routines were taken at all; and what they may touch.
    assert "curve.json" in differing
    texts = {name for name in found if name.endswith((".c", ".h", ".bin", ".hex"))}
    assert texts.isdisjoint(differing)
    assert found["clean.parquet"] == plain["clean.parquet"]
    for name in [name for name in found if name.endswith(".json")]:
        one, other = (json.loads(files[name]) for files in (found, plain))
        if name == "made_from.json":  # the digest of a file that differs differs too
            one, other = without_digests_of(one, differing), without_digests_of(other, differing)
        assert_same_figures(one, other, name)
    one, other = (read_parquet(files["fitted.parquet"], tmp_path) for files in (found, plain))
    # Residuals are small differences of offsets of thousands of ppb: to 1e-6 ppb, a millionth of the noise.
    pd.testing.assert_frame_equal(one, other, rtol=0.0, atol=1e-6)


def without_digests_of(made_from: dict[str, Any], names: list[str]) -> dict[str, Any]:
    """The inputs of all results, but for the digests of these files."""
    kept = {
        result: {name: digest for name, digest in inputs.items() if name not in names}
        for result, inputs in made_from["files"].items()
    }
    return made_from | {"files": kept}


def assert_same_figures(found: Any, expected: Any, where: str) -> None:
    """Everything alike; floats to 1e-6 of themselves, where uncertainties mean two or three digits (3e-9 was measured on the
    samples, on five kinds of processors and two versions of the libraries)."""
    if isinstance(expected, dict):
        assert found.keys() == expected.keys(), where
        for name in expected:
            assert_same_figures(found[name], expected[name], f"{where} {name}")
    elif isinstance(expected, list):
        assert len(found) == len(expected), where
        for number, one in enumerate(expected):
            assert_same_figures(found[number], one, f"{where} {number}")
    elif isinstance(expected, float) and not np.isnan(expected):
        assert found == pytest.approx(expected, rel=1e-6, abs=1e-9), where
    elif not isinstance(expected, float):
        assert found == expected, where


def read_parquet(content: bytes, folder: Path) -> pd.DataFrame:
    path = folder / "one.parquet"
    path.write_bytes(content)
    return pd.read_parquet(path)


PROCESSORS = {
    "flags\t\t: fpu sse2 avx fma avx2 bmi2\n": True,
    "flags\t\t: fpu sse2 avx avx2x\n": False,
    "Features\t: fp asimd\n": False,
    "": False,
}


@pytest.mark.parametrize(("cpuinfo", "has"), PROCESSORS.items())
def test_a_processor_is_told_by_its_flags(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cpuinfo: str, has: bool
) -> None:
    monkeypatch.setattr("tcomp.kernels.platform.machine", lambda: "x86_64")
    monkeypatch.setattr("tcomp.kernels.sys.platform", "linux")
    (tmp_path / "cpuinfo").write_text(cpuinfo)
    assert has_avx2(tmp_path / "cpuinfo") is has
    assert not has_avx2(tmp_path / "none")
    monkeypatch.setattr("tcomp.kernels.platform.machine", lambda: "aarch64")
    assert not has_avx2(tmp_path / "cpuinfo")


def test_what_the_environment_asks_for_stands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tcomp.kernels.has_avx2", lambda: True)
    monkeypatch.delenv("NPY_ENABLE_CPU_FEATURES", raising=False)
    monkeypatch.setenv("OPENBLAS_CORETYPE", "Nehalem")
    monkeypatch.setenv("NPY_DISABLE_CPU_FEATURES", "X86_V4")
    choose_common_kernels()
    assert os.environ["OPENBLAS_CORETYPE"] == "Nehalem"
    assert "NPY_ENABLE_CPU_FEATURES" not in os.environ  # the two exclude each other
