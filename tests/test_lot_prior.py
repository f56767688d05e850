"""The whole way of a new unit: a lot is built, tells which soaks are best, and they place the unit; invented, truth known."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from lots import JOB, offset_ppb, sound_logs, write_lot

from tcomp.cli import main
from tcomp.results import Folder


def run(*words: str | Path) -> str:
    result = CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)
    assert result.exit_code == 0, result.stderr
    return result.stdout


def soak_log(soaks_c: list[float], slope: float, base: float) -> str:
    """An hour at each temperature, every 10 s, and 3 degC/min between; of a board without lag."""
    rng, parts = np.random.default_rng(77), [np.full(360, soaks_c[0])]
    for before_c, at_c in pairwise(soaks_c):
        parts += [np.linspace(before_c, at_c, int(abs(at_c - before_c) / 0.5)), np.full(360, at_c)]
    temperature_c = np.concatenate(parts)
    shown_hz = 1e7 * (1 + (offset_ppb(temperature_c, slope, base) + rng.normal(0.0, 2.0, temperature_c.size)) * 1e-9)
    rows = (
        f"{1_710_000_000 + 10 * i},{t:.4f},{f:.6f}"
        for i, (t, f) in enumerate(zip(temperature_c, shown_hz, strict=True))
    )
    return "utc,board_c,osc_hz\n" + "\n".join(rows) + "\n"


@pytest.fixture(scope="module")
def lot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("lot")
    run("lot", write_lot(folder, sound_logs(22)), "--into", folder / "out", "--workers", "1", "--quiet")
    return folder / "out" / "lot.json"


def job_for(folder: Path, name: str) -> Path:
    path = folder / "new.toml"
    path.write_text(JOB.replace("{unit}", "99").replace("{file}", name))
    return path


def test_the_soaks_that_the_lot_asks_for_place_a_new_unit_within_its_band(lot: Path, tmp_path: Path) -> None:
    job = job_for(tmp_path, "new.csv")
    planned = json.loads(run("plan", job, "--prior", lot, "--json", "--quiet"))["after"]
    soaks_c = next(best for best in planned["best_c"] if len(best) == 3)
    (tmp_path / "new.csv").write_text(soak_log(soaks_c, slope=-193.0, base=610.0))
    run("inspect", job, "--into", tmp_path / "out", "--quiet")
    run("fit", job, "--into", tmp_path / "out", "--prior", lot, "--quiet")
    curve = Folder(tmp_path / "out").read_curve()
    at_c = np.linspace(curve.low_c, curve.high_c, 81)
    error = curve.offset_ppb(at_c) - offset_ppb(at_c, -193.0, 610.0)
    # Three standard uncertainties anywhere along the curve; and no wider than the base's scatter in the lot, 100 ppb.
    assert np.all(np.abs(error) < 3 * curve.uncertainty_ppb(at_c))
    assert curve.uncertainty_ppb(at_c).max() < 20.0


def test_a_board_cut_at_another_angle_is_refused_by_the_lot(lot: Path, tmp_path: Path) -> None:
    job = job_for(tmp_path, "new.csv")
    (tmp_path / "new.csv").write_text(soak_log([-15.0, 20.0, 55.0], slope=-420.0, base=500.0))
    run("inspect", job, "--into", tmp_path / "out", "--quiet")
    result = CliRunner().invoke(main, ["fit", str(job), "--into", str(tmp_path / "out"), "--prior", str(lot)])
    assert result.exit_code == 2
    assert "sweep this unit in full" in result.stderr
