"""The sample runs in sample_runs/: what the code writes, and what can be read out of them again."""

from __future__ import annotations

import gzip
import json
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tcomp.errors import JobError
from tcomp.simulation import SAMPLES, simulate, write_sample
from tcomp.simulation.__main__ import main
from tcomp.simulation.chamber import first_order_lag
from tcomp.simulation.scenario import Scenario, SimulatedRun

SAMPLE_RUNS = Path(__file__).parents[1] / "sample_runs"
NAMES = sorted(SAMPLES)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def logged(name: str, run: dict[str, object]) -> pd.DataFrame:
    style = SAMPLES[name]().style
    path = SAMPLE_RUNS / name / str(run["file"])
    frame = pd.read_csv(path, comment="#", sep=style.separator, decimal=style.decimal)
    return frame.set_axis(["stamp", "temperature_c", "reading"], axis=1)


@pytest.mark.parametrize("name", NAMES)
def test_the_code_writes_the_samples_byte_for_byte(name: str, tmp_path: Path) -> None:
    write_sample(name, tmp_path)
    assert contents(tmp_path) == contents(SAMPLE_RUNS / name)


@pytest.mark.parametrize("name", NAMES)
def test_a_run_file_stays_small(name: str) -> None:
    assert max(path.stat().st_size for path in (SAMPLE_RUNS / name).glob("*.csv")) < 300_000


@pytest.mark.parametrize("name", [*NAMES, "air_bath"])
def test_a_job_names_columns_that_its_files_have(name: str) -> None:
    [job_file] = (SAMPLE_RUNS / name).glob("*.toml")
    job = tomllib.loads(job_file.read_text())
    assert job["firmware"]["symbol"] == job_file.stem
    for run in job["run"]:
        path = SAMPLE_RUNS / name / run["file"]
        text = gzip.decompress(path.read_bytes()).decode() if path.suffix == ".gz" else path.read_text()
        header = next(line for line in text.splitlines() if not line.startswith("#"))
        wanted = [run[key] for key in ("time", "temperature", "frequency", "offset", "reading") if key in run]
        assert set(wanted + run.get("trusted", [])) <= set(header.replace(";", ",").split(","))


def test_the_glitched_rows_of_the_truth_are_those_of_the_file() -> None:
    result = json.loads((SAMPLE_RUNS / "river_gauge/truth.json").read_text())
    for run, simulated in zip(result["runs"], simulate(SAMPLES["river_gauge"]()), strict=True):
        log = logged("river_gauge", run)
        error_ppb = (log["reading"] / 12.8e6 - 1.0) * 1e9 - simulated.truth["offset_ppb"]
        # Noise is 1 ppb and the smallest glitch 200 ppb.
        assert np.flatnonzero(error_ppb.abs() > 100.0).tolist() == sorted(
            set(run["glitched_rows"]) - set(np.flatnonzero(log["reading"].isna()))
        )
        # 0.7 % of 4400 rows is 31, standard deviation 5.5: four of them, shared by length.
        assert 0.002 < len(run["glitched_rows"]) / run["rows"] < 0.014


def test_the_river_gauge_has_the_defects_that_it_promises() -> None:
    result = json.loads((SAMPLE_RUNS / "river_gauge/truth.json").read_text())
    slow = logged("river_gauge", result["runs"][0])
    stamps_s = pd.to_datetime(slow["stamp"]).diff().dt.total_seconds().to_numpy()[1:]
    assert sorted(stamps_s[stamps_s > 100.0]) == [910.0, 1210.0]
    assert (stamps_s == 0.0).sum() >= 3
    assert (stamps_s < 0.0).sum() >= 2
    assert slow.isna().sum().tolist() == [0, 3, 4]
    stuck = result["runs"][0]["stuck_rows"]
    assert len(stuck) >= 15
    # On a ramp of 0.35 degC/min the sensor's step of 0.0625 degC lasts 11 s: 25 equal rows are no soak.
    assert slow["temperature_c"][stuck].dropna().nunique() == 1
    assert slow["temperature_c"][stuck[-1] + 1] - slow["temperature_c"][stuck[0]] > 1.0


def design(scenario: Scenario, run: SimulatedRun, number: int, tau_s: float) -> np.ndarray:
    """Powers of the lagged temperature, one base for each run, and time in days."""
    elapsed_s = run.truth["elapsed_s"].to_numpy()
    # Noise-free temperature: a lag fitted to noisy ones is drawn long, for smoothing them pays as well.
    even_s = np.arange(elapsed_s[0], elapsed_s[-1] + 1.0, scenario.interval_s)
    seen_c = first_order_lag(np.interp(even_s, elapsed_s, run.truth["sensor_c"]), tau_s, scenario.interval_s)
    away_c = np.interp(elapsed_s, even_s, seen_c) - scenario.crystal.cut.centre_c
    powers = [away_c**power for power in range(1, len(scenario.crystal.cut.coefficients_ppb) + 1)]
    bases = [np.full(len(away_c), float(number == other)) for other in range(len(scenario.runs))]
    return np.column_stack([*powers, *bases, elapsed_s / 86_400.0])


@pytest.mark.parametrize("name", NAMES)
def test_a_plain_least_squares_fit_finds_the_truth_in_the_sample(name: str) -> None:
    scenario, truth = SAMPLES[name](), json.loads((SAMPLE_RUNS / name / "truth.json").read_text())
    runs = simulate(scenario)
    sound = np.concatenate([~(run.truth["glitched"] | run.log["reading_hz"].isna()) for run in runs])
    reading_hz = np.concatenate([run.log["reading_hz"] for run in runs])[sound]
    offset_ppb = (reading_hz / scenario.counter.input_hz - 1.0) * 1e9

    def fit(tau_s: float) -> tuple[float, float, np.ndarray]:
        columns = np.concatenate([design(scenario, run, number, tau_s) for number, run in enumerate(runs)])[sound]
        coefficients, *_ = np.linalg.lstsq(columns, offset_ppb, rcond=None)
        return float(np.sqrt(np.mean((offset_ppb - columns @ coefficients) ** 2))), tau_s, coefficients

    residual_ppb, lag_s, coefficients = min(map(fit, truth["lag_s"] + np.arange(-10.0, 11.0)), key=lambda fit: fit[0])
    # The search goes in steps of 1 s; 1 s moves the river gauge by 0.015 degC x 300 ppb/degC at its faster ramp,
    # several times the noise of one reading, and there are thousands.
    assert lag_s == pytest.approx(truth["lag_s"], abs=1.0)
    # Four standard errors of a deviation from 4000 readings are 4.5 %; the chamber's corners, where one lag
    # stands in for two and half a gate, may add as much.
    noise_ppb = truth["white_noise_ppb"]
    assert 0.955 * noise_ppb < residual_ppb < 1.09 * noise_ppb
    # Seven coefficients from 4000 readings: sqrt(7/4000) = 0.04 of the noise in the middle, several times that
    # at the ends, and the corners again.
    reached_c = np.concatenate([run.truth["crystal_c"] for run in runs])
    away_c = np.linspace(reached_c.min(), reached_c.max(), 81) - truth["curve"]["centre_c"]
    expected = truth["curve"]["coefficients_ppb_per_c_k"]
    wrong_by = [got - want for got, want in zip(coefficients, expected, strict=False)]
    assert np.ptp(np.polyval([*wrong_by[::-1], 0.0], away_c)) < 0.5 * noise_ppb


def test_an_unknown_sample_is_refused(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"no sample is called 'tide_table'; choose river_gauge or weather_station"):
        write_sample("tide_table", tmp_path)


def test_the_module_writes_a_sample_and_says_what(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["weather_station", str(tmp_path / "deep" / "folder")]) == 0
    printed = capsys.readouterr().out.split("\n")[:-1]
    assert sorted(Path(line).name for line in printed) == sorted(contents(tmp_path / "deep" / "folder"))


@pytest.mark.parametrize(("arguments", "said"), [([], "usage:"), (["tide_table", "x"], "no sample is called")])
def test_the_module_leaves_with_2_when_asked_wrongly(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    assert said in capsys.readouterr().err


def test_the_real_log_is_whole_and_keeps_its_licence() -> None:
    # Figures of a quick look at the whole log, made apart from this program: 6311 rows, the first of fill values;
    # +0.62 ppm/degC of vbl5 against dut_temp; 17.2 to 33.8 ppm; 18.6 to 36.7 degC.
    folder = SAMPLE_RUNS / "air_bath"
    log = pd.read_csv(folder / "air_bath_1v.dsv.gz", sep=";", index_col=False)
    assert len(log) == 6311
    assert log["vbl6"][0] == 9.9e37
    sound = log.iloc[1:]
    offset_ppm = (sound["vbl5"] / sound[["vbl1", "vbl2", "vbl3"]].mean(axis=1) - 1.0) * 1e6
    assert np.polyfit(sound["dut_temp"], offset_ppm, 1)[0] == pytest.approx(0.62, abs=0.005)
    assert (offset_ppm.min(), offset_ppm.max()) == pytest.approx((17.2, 33.8), abs=0.05)
    assert (sound["dut_temp"].min(), sound["dut_temp"].max()) == pytest.approx((18.6, 36.7), abs=0.05)
    licence = (folder / "LICENSE").read_text()
    assert licence.startswith("MIT License\n\nCopyright (c) 2025 ")
    assert "The above copyright notice and this permission notice shall be included" in licence
