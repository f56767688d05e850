"""A new unit of a lot from a few soaks: invented boards, their truth known."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tcomp import workflow
from tcomp.cli import main
from tcomp.errors import CurveError, JobError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.effects import Finding, Reason, Status
from tcomp.estimation.few_points import Placed
from tcomp.estimation.prior import LotEffect, Prior, prior_of, read_prior
from tcomp.job import Job, read_job
from tcomp.lot.new_unit import place
from tcomp.results import Folder

LAG_S, INTERVAL_S = 60.0, 10.0
GRID_C = np.linspace(-20.0, 60.0, 161)
JOB = """
[oscillator]
name = "gauge 08"
nominal_hz = 12_800_000
cut = "AT"
[reference]
uncertainty_ppb = 0.5
[[run]]
file = "soaks.csv"
time = "utc"
temperature = "board_c"
frequency = "osc_hz"
[sensor]
resolution_c = 0.0625
"""


def shared_lag(lag_s: float) -> tuple[LotEffect, ...]:
    """What a lot says of a lag."""
    return (LotEffect(30, (), (Finding("lag", "s", Status.GIVEN, lag_s, 3.0, Reason.OF_THE_LOT),)),)


def offset_ppb(temperature_c: np.ndarray, slope: float, inflection_c: float, base: float) -> np.ndarray:
    away = temperature_c - inflection_c
    return base + slope * away + 0.1086 * away**3


@pytest.fixture(scope="module")
def prior() -> Prior:
    """Thirty invented boards, each known to 1 ppb at 40 temperatures."""
    rng, basis = np.random.default_rng(21), ChebyshevBasis(3, -20.0, 60.0)
    temperature_c = np.linspace(-20.0, 60.0, 40)
    columns = basis.values(temperature_c)
    inverse = np.linalg.inv(columns.T @ columns)
    y = [
        offset_ppb(
            temperature_c,
            -220 + 28 * rng.standard_normal(),
            26.4 + 0.3 * rng.standard_normal(),
            500 * rng.standard_normal(),
        )
        for _ in range(30)
    ]
    noisy = np.array(y) + rng.standard_normal((30, 40))
    coef, own = noisy @ columns @ inverse, np.broadcast_to(inverse, (30, 4, 4))
    return replace(prior_of(basis, [f"board {n}" for n in range(30)], coef, own), effects=shared_lag(LAG_S))


def soak_run(folder: Path, targets_c: tuple[float, ...], curve=None, minutes: int = 40, lag_s: float = LAG_S) -> Job:
    """A log of a board that goes to each temperature at 0.6 degC/min or more, and stays; the crystal lags."""
    rng = np.random.default_rng(22)
    curve = curve or (lambda temperature_c: offset_ppb(temperature_c, -210.0, 26.6, 300.0))
    rows, sensor_c, crystal_c, time_s = ["utc,board_c,osc_hz"], targets_c[0], targets_c[0], 1.772e9
    for target_c in targets_c:
        travel = int(abs(target_c - sensor_c) / 0.1)
        for _ in range(travel + 6 * minutes):
            sensor_c += float(np.clip(target_c - sensor_c, -0.1, 0.1))
            crystal_c += (sensor_c - crystal_c) * INTERVAL_S / lag_s
            stamp = datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            hz = 12.8e6 * (1 + 1e-9 * (curve(np.array(crystal_c)) + rng.standard_normal()))
            rows.append(f"{stamp},{round(sensor_c * 16) / 16},{hz:.6f}")
            time_s += INTERVAL_S
    (folder / "soaks.csv").write_text("\n".join(rows) + "\n")
    (folder / "gauge08.toml").write_text(JOB)
    return read_job(folder / "gauge08.toml")


def placed_by(folder: Path, prior: Prior, targets_c: tuple[float, ...], **how) -> Placed:
    job, results = soak_run(folder, targets_c, **how), Folder(folder / "out")
    return place(job, workflow.inspect_runs(job, results, print), prior, results)


@pytest.mark.parametrize("targets_c", [(-10.0, 50.0), (-15.0, 20.0, 55.0), (-18.0, 5.0, 35.0, 58.0)])
def test_two_to_four_soaks_place_a_board_within_its_band(
    targets_c: tuple[float, ...], prior: Prior, tmp_path: Path
) -> None:
    placed = placed_by(tmp_path, prior, targets_c)
    assert [round(soak.temperature_c, 1) for soak in placed.soaks] == list(targets_c)
    error = placed.curve.offset_ppb(GRID_C) - offset_ppb(GRID_C, -210.0, 26.6, 300.0)
    # Three standard uncertainties anywhere along the curve: exceeded by one curve in a hundred or so.
    assert np.all(np.abs(error) < 3 * placed.curve.uncertainty_ppb(GRID_C))


def test_a_settled_soak_does_not_know_how_it_was_reached(prior: Prior, tmp_path: Path) -> None:
    slow = replace(prior, effects=shared_lag(240.0))
    placed = placed_by(tmp_path, slow, (-15.0, 20.0, 55.0), lag_s=240.0)
    for soak in placed.soaks:
        truth = offset_ppb(np.array([soak.temperature_c]), -210.0, 26.6, 300.0)[0]
        assert abs(soak.offset_ppb - truth) < 3 * soak.u_ppb
    # Planted: a lag that is said to be short leaves unsettled samples in, which shows.
    hasty = placed_by(tmp_path, replace(prior, effects=shared_lag(1.0)), (-15.0, 20.0, 55.0), lag_s=240.0)
    middle = [one.soaks[1].offset_ppb for one in (placed, hasty)]
    assert abs(middle[0] - middle[1]) > 3 * placed.soaks[1].u_ppb


def test_a_board_that_is_not_of_the_lot_is_refused(prior: Prior, tmp_path: Path) -> None:
    with pytest.raises(CurveError, match=r"not of the lot's kind .*: sweep this unit in full"):
        placed_by(tmp_path, prior, (-15.0, 20.0, 55.0), curve=lambda temperature_c: -35.0 * (temperature_c - 25.0) ** 2)


def test_codes_beyond_an_int16_are_refused_before_a_board_is_placed(prior: Prior, tmp_path: Path) -> None:
    job, results = soak_run(tmp_path, (-15.0, 20.0, 55.0)), Folder(tmp_path / "out")
    runs = workflow.inspect_runs(job, results, print)
    fine = replace(job, table=replace(job.table, counts_per_c=1000.0))
    with pytest.raises(
        JobError, match=r"gauge08.toml.*: \[table\] counts_per_c 1000 takes the range .* beyond an int16"
    ):
        place(fine, runs, prior, results)


def test_soaks_that_did_not_settle_are_not_used(prior: Prior, tmp_path: Path) -> None:
    with pytest.raises(CurveError, match=r"0 settled soaks: .* stay at each temperature for 5 time constants"):
        placed_by(tmp_path, replace(prior, effects=shared_lag(3000.0)), (-15.0, 20.0, 55.0))


def test_the_prior_comes_back_from_its_file_and_other_files_are_said(prior: Prior, tmp_path: Path) -> None:
    path = tmp_path / "lot.json"
    path.write_text(json.dumps({"prior": asdict(prior)}))
    assert read_prior(path) == prior
    path.write_text("{}")
    with pytest.raises(CurveError, match=r"holds no prior; expected the lot\.json"):
        read_prior(path)
    with pytest.raises(CurveError, match="cannot be read"):
        read_prior(tmp_path / "none.json")


def test_the_command_goes_on_to_table_and_report(prior: Prior, tmp_path: Path) -> None:
    soak_run(tmp_path, (-15.0, 20.0, 55.0))
    (tmp_path / "lot.json").write_text(json.dumps({"prior": asdict(prior)}))
    job, into = str(tmp_path / "gauge08.toml"), str(tmp_path / "out")
    lot = ["--prior", str(tmp_path / "lot.json")]
    for command, more in (("inspect", []), ("fit", lot), ("table", []), ("export", []), ("prove", []), ("report", [])):
        result = CliRunner().invoke(main, [command, job, "--into", into, *more], catch_exceptions=False)
        assert result.exit_code == 0, result.stderr
    assert "placed by 3 soaks" in result.stdout
    assert "leave one soak out" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_the_best_few_soaks_are_planned_from_what_the_lot_taught(prior: Prior, tmp_path: Path) -> None:
    (tmp_path / "lot.json").write_text(json.dumps({"prior": asdict(prior)}))
    (tmp_path / "gauge08.toml").write_text(JOB.split("[[run]]", maxsplit=1)[0] + "[use]\nneeded_ppb = 25\n")
    arguments = ["plan", str(tmp_path / "gauge08.toml"), "--prior", str(tmp_path / "lot.json"), "--json"]
    result = CliRunner().invoke(main, arguments, catch_exceptions=False)
    figures = json.loads(result.stdout)
    assert [len(best) for best in figures["after"]["best_c"]] == [1, 2, 3, 4][: len(figures["after"]["best_c"])]
    assert len(figures["after"]["best_c"]) >= 2
    assert figures["lag_s"] == LAG_S
    soaked = [step["to_c"] for step in figures["steps"] if step["what"] == "soak"]
    assert sorted(soaked[:-1]) == pytest.approx(
        sorted(figures["after"]["chosen_c"]), abs=0.06
    )  # to a tenth of a degree


def test_two_ways_to_know_the_curve_are_one_too_many(tmp_path: Path) -> None:
    (tmp_path / "gauge08.toml").write_text(JOB.split("[[run]]", maxsplit=1)[0])
    result = CliRunner().invoke(main, ["plan", str(tmp_path / "gauge08.toml"), "--prior", "a.json", "--after", "out"])
    assert result.exit_code == 2
    assert "give one of them" in result.stderr
