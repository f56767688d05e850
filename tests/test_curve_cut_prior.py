"""A new unit without a lot: two or three soaks and what handbooks say of its cut; invented crystals of an independent simulator."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from cut_crystals import crystal

from tcomp.cli import main
from tcomp.estimation.cut_prior import SPREADS, CutPrior, prior_of_cut
from tcomp.estimation.prior import REFUSED, posterior
from tcomp.results import Folder

U_PPB = 3.0
TWO_C, THREE_C = (-10.0, 48.0), (-14.0, 20.0, 54.0)


def errors(
    prior: CutPrior, soaks_c: tuple[float, ...], count: int, seed: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Along the range, of so many crystals: error, its standard uncertainty, and each one's chance. [ppb]"""
    rng, at_c = np.random.default_rng(seed), np.array(soaks_c)
    grid_c = np.linspace(prior.basis.low_c, prior.basis.high_c, 161)
    columns, error, u, chance = prior.basis.values(grid_c), [], [], []
    for _ in range(count):
        truth = crystal(prior.cut, rng)
        found = posterior(prior, at_c, truth(at_c) + U_PPB * rng.standard_normal(at_c.size), np.full(at_c.size, U_PPB))
        error.append(columns @ found.coef - truth(grid_c))
        u.append(np.sqrt(np.einsum("ij,jk,ik->i", columns, found.covariance, columns)))
        chance.append(found.chance)
    return np.array(error), np.array(u), np.array(chance)


@pytest.mark.parametrize(
    ("cut", "soaks_c", "asked_ppb"),
    [
        ("AT", THREE_C, 150.0),
        # Asked: 400.  An inflection known to 3 K, 95 %, leaves 420 at the best two temperatures (benchmarks/cut_prior.py).
        ("AT", TWO_C, 450.0),
        ("tuning-fork", (6.0, 34.0), 1000.0),
    ],
)
def test_a_few_soaks_place_a_crystal_of_no_lot_and_its_band_holds(
    cut: str, soaks_c: tuple[float, ...], asked_ppb: float
) -> None:
    error, u, chance = errors(prior_of_cut(cut), soaks_c, 400, 7)
    assert np.quantile(np.abs(error).max(axis=1), 0.95) <= asked_ppb
    # Asked: 93 to 97 %.  Errors along a curve go together: 400 crystals know the share to 1 %.
    assert 0.92 <= np.mean(np.abs(error) <= 1.96 * u) <= 0.98
    assert np.mean(chance < REFUSED) < 0.01


def test_a_spread_that_is_taken_for_half_would_not_hold() -> None:
    prior = prior_of_cut("AT")
    narrow = replace(prior, between=tuple(tuple(one / 4 for one in row) for row in prior.between))  # the planted fault
    error, u, _ = errors(narrow, TWO_C, 200, 7)
    assert np.mean(np.abs(error) <= 1.96 * u) < 0.8


@pytest.mark.parametrize("other", ["SC", "BT", "tuning-fork"])
def test_a_crystal_of_another_cut_is_refused(other: str) -> None:
    rng, at_c, prior = np.random.default_rng(8), np.array(THREE_C), prior_of_cut("AT")
    chances = [posterior(prior, at_c, crystal(other, rng)(at_c), np.full(3, U_PPB)).chance for _ in range(200)]
    assert np.mean(np.array(chances) < REFUSED) >= 0.99


def test_the_mean_curve_is_that_of_the_handbook() -> None:
    # By hand, at the middle of each range (-0.035 ppm/K**2: Vig 1992): half of the second derivative.
    for cut, bend in (("tuning-fork", -35.0), ("BT", -40.0)):
        prior = prior_of_cut(cut, (0.0, 40.0))
        assert prior.mean[2] * 2 / 20.0**2 == pytest.approx(
            bend, abs=0.05
        )  # 2 u of the mean of 20 000 draws of 2 ppb/degC**2
    powers = prior_of_cut("AT").basis.power_coefficients(np.array(prior_of_cut("AT").mean), 26.5)
    assert powers[3] == pytest.approx(0.1075, abs=2e-5)
    assert powers[2] == pytest.approx(0.0, abs=0.01)  # it bends neither way at the inflection


JOB = """
[oscillator]
name = "gauge 09"
nominal_hz = 12_800_000
cut = "{cut}"
[[run]]
file = "soaks.csv"
time = "utc"
temperature = "board_c"
frequency = "osc_hz"
"""


def soaked(folder: Path, cut: str, soaks_c: tuple[float, ...], of: str = "AT") -> Path:
    """A job with 40 min at each temperature, and ramps of 10 min between, each 10 s."""
    rng, parts, at_c = np.random.default_rng(4), [], soaks_c[0]
    for target_c in soaks_c:
        parts += [np.linspace(at_c, target_c, 60, endpoint=False), np.full(240, target_c)]
        at_c = target_c
    temperature_c = np.concatenate(parts[1:])
    offset_ppb = crystal(of, np.random.default_rng(11))(temperature_c) + U_PPB * rng.standard_normal(temperature_c.size)
    rows = (
        f"{datetime.fromtimestamp(1_772_582_400 + 10 * row, UTC):%Y-%m-%dT%H:%M:%SZ},{t:.4f},{12.8e6 * (1 + y * 1e-9):.6f}"
        for row, (t, y) in enumerate(zip(temperature_c, offset_ppb, strict=True))
    )
    (folder / "soaks.csv").write_text("utc,board_c,osc_hz\n" + "\n".join(rows) + "\n")
    (folder / "job.toml").write_text(JOB.format(cut=cut))
    return folder / "job.toml"


def tcomp(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)


def test_the_command_places_a_board_by_its_cut_and_goes_on_to_the_table(tmp_path: Path) -> None:
    job = soaked(tmp_path, "AT", THREE_C)
    result = tcomp("fit", job, "--into", tmp_path / "out", "--prior", "cut", "--json")
    assert result.exit_code == 0, result.stderr
    curve = Folder(tmp_path / "out").read_curve()
    assert curve.words == "polynomial of degree 3 as handbooks have it of an AT cut, placed by 3 soaks"
    grid_c = np.linspace(-20.0, 60.0, 161)
    error_ppb = curve.offset_ppb(grid_c) - crystal("AT", np.random.default_rng(11))(grid_c)
    assert np.abs(error_ppb).max() <= 150.0
    assert np.mean(np.abs(error_ppb) <= 3 * curve.uncertainty_ppb(grid_c)) == 1.0
    assert "the lot" not in " ".join(
        (*curve.remarks, *curve.notes, curve.lack_of_fit, *(one.words for one in curve.effects))
    )
    assert tcomp("table", job, "--into", tmp_path / "out", "--quiet").exit_code == 0


def test_a_board_of_another_cut_and_a_job_without_a_cut_are_one_sentence(tmp_path: Path) -> None:
    job = soaked(tmp_path, "AT", THREE_C, of="tuning-fork")
    result = tcomp("fit", job, "--into", tmp_path / "out", "--prior", "cut")
    assert result.exit_code == 2
    assert "these soaks are not of an AT cut's kind" in result.stderr
    job.write_text(JOB.format(cut="unknown"))
    result = tcomp("fit", job, "--into", tmp_path / "out", "--prior", "cut")
    assert result.exit_code == 2
    assert f'[oscillator] cut is "unknown", of which no handbook speaks; expected {", ".join(SPREADS)}' in result.stderr


def test_the_best_soaks_are_planned_by_the_cut(tmp_path: Path) -> None:
    (tmp_path / "new.toml").write_text('[oscillator]\nname = "gauge 09"\ncut = "AT"\n[fit]\nrange_c = [-20, 60]\n')
    result = tcomp("plan", tmp_path / "new.toml", "--prior", "cut", "--json", "--quiet")
    assert result.exit_code == 0, result.stderr
    best_c = json.loads(result.stdout)["after"]["best_c"]
    two = next(one for one in best_c if len(one) == 2)
    # Of a parabola through the two points the error is least where they are at 20 -/+ 40 / sqrt(2) (Chebyshev's nodes).
    assert two == pytest.approx([-8.3, 48.3], abs=6.0)
