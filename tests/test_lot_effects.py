"""What a lot tells of a unit that was swept once: invented boards by a simulator that shares no code with tcomp."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from independent import Log, chamber_c, lagged, simulate

from tcomp import workflow
from tcomp.cli import main
from tcomp.estimation.curve import Curve
from tcomp.estimation.effects import Finding, Status
from tcomp.estimation.lot_effects import lot_effects, weighed
from tcomp.estimation.prior import LotEffect, read_prior
from tcomp.job import read_job
from tcomp.results import Folder

FOUR = [(0.0, 30), (55.0, 150), (55.0, 30), (0.0, 90), (0.0, 30), (55.0, 90), (55.0, 30), (0.0, 150), (0.0, 30)]
"""Four sweeps at 0.37 and 0.61 degC/min with soaks of half an hour. [degC, min]"""
SOAKED = [(0.0, 30), (55.0, 150), (55.0, 30)]
BARE = [(55.0, 150)]
GRID_C = np.linspace(1.0, 54.0, 107)
JOB = """
[oscillator]
name = "gauge {unit}"
nominal_hz = 10_000_000
cut = "AT"
[[run]]
file = "{file}"
time = "time_s"
temperature = "temp_c"
offset = "offset_ppb"
offset_unit = "ppb"
[fit]
models = ["crystal"]
[table]
form = "steps"
max_error_ppb = 5
"""


@dataclass(frozen=True)
class Board:
    """An invented board: its curve, its lag [s] and the height of its response [ppb/(degC/min)]."""

    curve: Callable[[np.ndarray], np.ndarray]
    lag_s: float
    response: float

    def log(self, seed: int, legs: list[tuple[float, float]]) -> Log:
        chamber = chamber_c(legs, 0.0)
        rate = np.gradient(lagged(lagged(chamber, self.lag_s), 60.0))[::10] * 60.0

        def response_ppb(_: np.ndarray, crystal_c: np.ndarray, __: np.random.Generator) -> np.ndarray:
            return self.response * (1 - ((crystal_c - 27.0) / 40.0) ** 2) * rate

        return simulate(seed, chamber=chamber, curve=self.curve, lag_s=self.lag_s, besides_ppb=response_ppb)


def board(rng: np.random.Generator, response: float = 0.0, spread: float = 0.02, lag_s: float = 110.0) -> Board:
    slope, inflection_c, base = rng.normal(-120.0, 25.0), rng.normal(27.0, 0.3), rng.normal(900.0, 150.0)

    def curve(temperature_c: np.ndarray) -> np.ndarray:
        away = temperature_c - inflection_c
        return base + slope * away + 0.104 * away**3

    return Board(curve, rng.normal(lag_s, spread * lag_s), response * rng.normal(1.0, spread))


def learnt(folder: Path, log: Log, lot: tuple[LotEffect, ...] = ()) -> Curve:
    log.write(folder / "log.csv")
    (folder / "job.toml").write_text(JOB.format(unit="x", file="log.csv"))
    job = read_job(folder / "job.toml")
    return workflow.fit(job, workflow.inspect_runs(job, Folder(folder / "out"), print), lot=lot).curve


def error_ppb(curve: Curve, truth: Board) -> np.ndarray:
    return curve.offset_ppb(GRID_C) - truth.curve(GRID_C)


@pytest.fixture(scope="module")
def lot(tmp_path_factory: pytest.TempPathFactory) -> tuple[LotEffect, ...]:
    """Six boards with lag and response, each swept four times."""
    rng, folder = np.random.default_rng(71), tmp_path_factory.mktemp("lot")
    boards = [board(rng, response=40.0) for _ in range(6)]
    curves = [learnt(folder, one.log(seed, FOUR)) for seed, one in enumerate(boards)]
    return lot_effects({str(number): curve.effects for number, curve in enumerate(curves)})


def test_a_unit_swept_once_gets_lag_and_response_of_the_lot(lot: tuple[LotEffect, ...], tmp_path: Path) -> None:
    assert [one.findings[0].name for one in lot] == ["lag", "response"]
    rng = np.random.default_rng(72)
    for seed, legs in enumerate((SOAKED, BARE)):
        unit = board(rng, response=40.0)
        log = unit.log(200 + seed, legs)
        curve = learnt(tmp_path, log, lot)
        alone = error_ppb(learnt(tmp_path, log), unit)
        error, u_ppb = error_ppb(curve, unit), curve.uncertainty_ppb(GRID_C)
        # Alone, slope times rate times lag is in the curve; with the lot what is left are units' differences of 2 %.
        assert np.abs(error).max() < 0.1 * np.abs(alone).max()
        assert np.all(np.abs(error) < 3 * u_ppb)
        assert u_ppb.max() < 15.0
        assert [curve.effect(name).status for name in ("lag", "response")] == [Status.GIVEN] * 2
        assert curve.response is not None


def test_the_uncertainty_of_the_lots_figures_is_in_the_curve(lot: tuple[LotEffect, ...], tmp_path: Path) -> None:
    # Planted: the same lag, said to be ten times as uncertain.
    log = board(np.random.default_rng(73)).log(300, BARE)
    us = []
    for u_s in (2.0, 20.0):
        shared = LotEffect(20, (), (Finding("lag", "s", Status.GIVEN, 110.0, u_s),))
        us.append(learnt(tmp_path, log, (shared,)).uncertainty_ppb(GRID_C))
    # Slope times rate times u of the lag: -120 ppb/degC at 27 degC, 0.367 degC/min.
    assert us[1][52] == pytest.approx(120.0 * 55.0 / 9000.0 * 20.0, rel=0.3)
    assert us[1][52] > 5 * us[0][52]


def test_a_unit_whose_own_data_contradict_the_lot_keeps_its_own_and_is_named(
    lot: tuple[LotEffect, ...], tmp_path: Path
) -> None:
    other = board(np.random.default_rng(74), lag_s=240.0)
    log = other.log(400, FOUR)
    curve = learnt(tmp_path, log, lot)
    assert curve.effect("lag").value == pytest.approx(other.lag_s, rel=0.02)
    assert any("contradicts the lot's" in remark for remark in curve.remarks)
    assert np.abs(error_ppb(curve, other)).max() < 1.0


def test_a_unit_that_tells_its_own_loses_nothing(lot: tuple[LotEffect, ...], tmp_path: Path) -> None:
    unit = board(np.random.default_rng(75), response=40.0)
    log = unit.log(500, FOUR)
    with_lot, alone = (np.abs(error_ppb(learnt(tmp_path, log, known), unit)).max() for known in (lot, ()))
    # Within a tenth of the noise of one reading, 1.5 ppb.
    assert with_lot < alone + 0.15


def test_figures_are_weighed_as_a_general_library_does() -> None:
    # A normal prior and one normal measurement: scikit-learn's Gaussian process, with a constant kernel and a known noise.
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel

    mean_s, spread_s, own_s, u_s = 170.0, 6.0, 178.0, 3.0
    known = GaussianProcessRegressor(ConstantKernel(spread_s**2, "fixed"), alpha=u_s**2).fit([[0.0]], [own_s - mean_s])
    (expected,), (u_expected,) = known.predict([[0.0]], return_std=True)
    shared = LotEffect(20, (), (Finding("lag", "s", Status.GIVEN, mean_s, spread_s),))
    ((found,),) = [one.findings for one in weighed([shared], [Finding("lag", "s", Status.FOUND, own_s, u_s)]).known]
    assert found.value == pytest.approx(mean_s + expected)
    assert found.uncertainty == pytest.approx(u_expected)


def test_the_scatter_of_the_lot_is_that_between_units() -> None:
    rng = np.random.default_rng(76)
    true_s, own_u_s = rng.normal(150.0, 8.0, 400), 6.0
    units = {
        str(number): (Finding("lag", "s", Status.FOUND, float(value), own_u_s),)
        for number, value in enumerate(true_s + rng.normal(0.0, own_u_s, 400))
    }
    (found,) = lot_effects(units)
    # A standard deviation of 400 is known to 1/sqrt(800), and that of a difference of variances to twice that here.
    assert found.findings[0].uncertainty == pytest.approx(8.0, rel=4 * 2 / np.sqrt(800))
    assert found.findings[0].value == pytest.approx(150.0, abs=3 * 10.0 / 20.0)


def test_what_most_units_do_not_show_is_none_of_the_lots() -> None:
    found = [
        Finding("hysteresis", "ppb", Status.FOUND, 5.0, 1.0),
        Finding("hysteresis", "ppb", Status.NONE_SEEN, 0.0, 1.0),
    ]
    assert lot_effects({str(number): (found[number % 3 > 0],) for number in range(12)}) == ()
    assert lot_effects({str(number): (found[number % 3 > 1],) for number in range(12)}) != ()


def test_the_file_of_a_lot_carries_them_to_a_unit_swept_once(tmp_path: Path) -> None:
    rng = np.random.default_rng(77)
    names = [f"g{number:02d}" for number in range(8)]
    boards = {name: board(rng) for name in names}
    for number, name in enumerate(names):  # the last was swept once
        boards[name].log(600 + number, FOUR if number < 7 else SOAKED).write(tmp_path / f"{name}.csv")
    (tmp_path / "lot.toml").write_text('[lot]\nmake = []\n[units]\nfiles = "*.csv"\n' + JOB)

    def run(*words: str | Path) -> str:
        result = CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)
        assert result.exit_code == 0, result.stderr
        return result.stdout

    run("lot", tmp_path / "lot.toml", "--into", tmp_path / "out", "--workers", "1", "--quiet")
    prior = read_prior(tmp_path / "out" / "lot.json")
    assert prior.left_out == ("g07",)
    assert prior.lag_s == pytest.approx(110.0, rel=0.03)
    (tmp_path / "g07.toml").write_text(run("lot", tmp_path / "lot.toml", "--job-of", "g07"))
    fitted = json.loads(
        run(
            "fit", tmp_path / "g07.toml", "--into", tmp_path / "new", "--prior", tmp_path / "out" / "lot.json", "--json"
        )
    )
    assert fitted["effects"]["lag"]["status"] == "given"
    curve = Folder(tmp_path / "new").read_curve()
    assert np.all(np.abs(error_ppb(curve, boards["g07"])) < 3 * curve.uncertainty_ppb(GRID_C))
