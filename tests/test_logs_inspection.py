"""What a run can and cannot give, on invented runs with a known truth: each planted lack is found, and named."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from tcomp.job import read_job
from tcomp.logs import PreparedRun, clean_run, cut_legs, prepare_runs
from tcomp.logs.inspection import drift_between_visits, inspect_run
from tcomp.logs.record import RawRun, frame_of

SAMPLES = Path(__file__).parent.parent / "sample_runs"
INTERVAL_S = 10.0
STEPS_PER_DAY = 86_400.0 / INTERVAL_S


def programme(*legs: tuple[float, int], start_c: float = 0.0) -> np.ndarray:
    """Temperatures at 10 s: to each end in so many samples; the same end again is a soak."""
    parts, now_c = [np.array([start_c])], start_c
    for end_c, samples in legs:
        parts.append(np.linspace(now_c, end_c, samples + 1)[1:])
        now_c = end_c
    return np.concatenate(parts)


def prepared(
    temperature_c: np.ndarray,
    *,
    slope_ppb_per_c: float = -50.0,
    noise_ppb: float = 1.0,
    quantum_c: float = 0.01,
    drift_ppb_per_day: float = 0.0,
    keep: np.ndarray | None = None,
    resolution_c: float | None = None,
    offset_step_ppb: float = 0.0,
    ordered: bool = True,
) -> PreparedRun:
    rng = np.random.default_rng(21)
    time_s = INTERVAL_S * np.arange(len(temperature_c))
    offset_ppb = slope_ppb_per_c * temperature_c + drift_ppb_per_day * time_s / 86_400.0
    offset_ppb = offset_ppb + rng.normal(0.0, noise_ppb, len(time_s)) + 0.02 * (temperature_c - 20.0) ** 2
    if offset_step_ppb:
        offset_ppb = np.round(offset_ppb / offset_step_ppb) * offset_step_ppb
    sensed_c = np.round((temperature_c + rng.normal(0.0, 0.3 * quantum_c, len(time_s))) / quantum_c) * quantum_c
    rows = np.ones(len(time_s), dtype=bool) if keep is None else keep
    times = time_s if ordered else np.full(len(time_s), np.nan)
    frame = frame_of(times[rows], sensed_c[rows], offset_ppb[rows])
    run = clean_run(RawRun("run.csv", frame, "elapsed" if ordered else "none", ()), resolution_c)
    return PreparedRun(run, cut_legs(run))


ROUND = programme((0.0, 360), (40.0, 720), (40.0, 360), (0.0, 720), (0.0, 360))
THREE = programme((0.0, 360), (40.0, 1440), (0.0, 1440), (40.0, 1440))


def test_a_sound_run_gets_no_hint() -> None:
    seen = inspect_run(prepared(THREE), lag_s=300.0)
    assert seen.hints == ()
    assert seen.range_c == pytest.approx((0.0, 40.0), abs=0.03)
    assert seen.duration_s == INTERVAL_S * (len(THREE) - 1)


def test_the_noise_is_found_beneath_the_ramp() -> None:
    # 1 ppb planted; the ramp moves the offset by 17 ppb between samples, which the Allan deviation shows and this does not.
    seen = inspect_run(prepared(ROUND, slope_ppb_per_c=-300.0))
    assert seen.noise is not None
    assert seen.noise.still.low_ppb[0] < 1.0 < seen.noise.still.high_ppb[0]
    assert seen.noise.as_logged.deviation_ppb[0] > 5.0
    least_ppb, tau_s = seen.noise.floor
    assert least_ppb < 0.5
    assert tau_s > INTERVAL_S


@pytest.mark.parametrize(
    ("name", "planted_ppb"), [("river_gauge/gauge07", 1.0), ("weather_station/station_clock", 30.0)]
)
def test_the_planted_noise_of_the_samples_is_found(name: str, planted_ppb: float) -> None:
    # sample_runs/README.md; 5 %: what a lagged, hunting chamber adds within one interval.
    for run in prepare_runs(read_job(SAMPLES / f"{name}.toml")):
        noise = inspect_run(run).noise
        assert noise is not None
        assert noise.at_interval_ppb == pytest.approx(planted_ppb, rel=0.05)


def test_the_quantum_is_found_and_weighed() -> None:
    sensor = inspect_run(prepared(ROUND, quantum_c=0.25, slope_ppb_per_c=-300.0)).sensor
    assert sensor.found_c == sensor.used_c == 0.25
    # -300 ppb/degC and the parabola's own 0.8 ppb/degC at 0 degC.  A cell holds eight steps, of which one at its edge may
    # fall to either side: half a step in eight, 6 %.
    assert sensor.steepest_ppb_per_c == pytest.approx(300.8, rel=0.06)
    assert sensor.rms_ppb == pytest.approx(0.25 / np.sqrt(12) * 300.8, rel=0.06)


@pytest.mark.parametrize("temperature_c", [ROUND, THREE], ids=["between soaks", "between sweeps"])
@pytest.mark.parametrize("planted", [0.0, 200.0, -200.0])
def test_a_planted_drift_is_found_between_visits(temperature_c: np.ndarray, planted: float) -> None:
    drift = drift_between_visits(prepared(temperature_c, drift_ppb_per_day=planted))
    assert drift is not None
    assert abs(drift.ppb_per_day - planted) < 3 * drift.u_ppb_per_day
    assert drift.seen == (planted != 0.0)
    assert drift.between == ("soaks" if temperature_c is ROUND else "sweeps")
    # From middle of last quarter to the like; from one heating to the next.
    apart = len(ROUND) - 1 - 360 if temperature_c is ROUND else 2880
    assert drift.days == pytest.approx(apart / STEPS_PER_DAY, rel=0.01)


def test_lag_between_sweeps_of_two_rates_is_not_taken_for_drift() -> None:
    # Two heating sweeps, the second at twice the rate: their difference would be lag, so nothing is said.
    twice = programme((40.0, 1440), (0.0, 720), (40.0, 720))
    assert drift_between_visits(prepared(twice)) is None


def test_a_soak_that_still_settles_is_no_drift() -> None:
    # The crystal, 300 s behind, is 1.7 degC = 500 ppb away when the last soak begins, and fades through its 20 minutes.
    temperature_c = programme((0.0, 360), (40.0, 720), (0.0, 720), (0.0, 120))
    tail = np.exp(-np.arange(len(temperature_c)) * INTERVAL_S / 300.0)
    lagged_c = temperature_c.copy()
    for i in range(1, len(temperature_c)):
        lagged_c[i] = temperature_c[i] + (lagged_c[i - 1] - temperature_c[i]) * tail[1]
    run = prepared(temperature_c)
    frame = run.run.frame.assign(offset_ppb=-300.0 * lagged_c)[["time_s", "temperature_c", "offset_ppb", "line"]]
    late = clean_run(RawRun("late.csv", frame, "elapsed", ()))
    drift = drift_between_visits(PreparedRun(late, cut_legs(late)))
    assert drift is not None
    assert abs(drift.ppb_per_day) < 2 * drift.u_ppb_per_day


ONE_WAY = programme((0.0, 360), (40.0, 720))
HOLES = np.ones(len(ROUND), dtype=bool)
HOLES[500:900] = False
LACKS = {
    "one direction": (prepared(ONE_WAY), None, "the run only heats: sweep back as well, or lag cannot be separated"),
    "only down": (prepared(ONE_WAY[::-1].copy()), None, "the run only cools: sweep up as well"),
    "no soak": (prepared(programme((40.0, 720), (0.0, 720))), None, "no soak: hold each end for 30 min, and lag"),
    "no soak, with a lag": (
        prepared(programme((40.0, 720), (0.0, 720))), 600.0, "no soak: hold each end for 50 min, 5 times the lag of 600 s"
    ),
    "a short soak": (prepared(ROUND), 1000.0, r"the soak at .* lasts 5\d min: make it 83 min, 5 times the lag of 1000 s"),
    "nothing visited twice": (prepared(ONE_WAY), None, "twice under equal conditions.*end with a soak at .* first soak"),
    "a coarse sensor": (
        prepared(ROUND, quantum_c=0.25, slope_ppb_per_c=-300.0), None,
        "steps of 0.25 degC amount to 22 ppb .* noise to 1 ppb: a finer sensor",
    ),
    "a narrow run": (prepared(0.1 * ROUND, quantum_c=0.125), None, "are few steps of 0.125 degC: sweep wider"),
    "a coarse counter": (
        prepared(ROUND, offset_step_ppb=20.0, noise_ppb=3.0), None, "the counter's steps of 20 ppb hide the noise"
    ),
    "a wrong resolution": (
        prepared(ROUND, quantum_c=0.1, resolution_c=0.01), None, "come in steps of 0.1 degC, not of resolution_c = 0.01: correct"
    ),
    "blind soaks": (prepared(ROUND, quantum_c=0.25), None, "between the soaks a drift below .* ppb/day does not show"),
    "gaps": (prepared(ROUND, keep=HOLES), None, r"1\.1 h of 7 h are gaps"),
    "no time": (prepared(ROUND, ordered=False), None, "the log has no time, so lag, ageing and noise stay unknown"),
}  # fmt: skip


@pytest.mark.parametrize(("run", "lag_s", "message"), LACKS.values(), ids=LACKS)
def test_each_planted_lack_is_found_with_what_to_do(run: PreparedRun, lag_s: float | None, message: str) -> None:
    hints = inspect_run(run, lag_s).hints
    assert any(re.search(message, hint) for hint in hints), hints


def test_many_dropped_samples_are_named_with_a_remedy() -> None:
    run = prepared(ROUND)
    frame = run.run.frame.drop(columns="dropped")
    frame.loc[::20, "temperature_c"] = np.inf
    frame.loc[7::40, "offset_ppb"] = np.nan
    late = clean_run(RawRun("run.csv", frame, "elapsed", ()))
    hints = inspect_run(PreparedRun(late, cut_legs(late))).hints
    assert "5 % dropped as sensor out of range: look at the sensor's wiring and connector" in hints
    assert "2.5 % dropped as not a number: find out why the logger had nothing to write" in hints


def test_an_unordered_table_has_no_noise_and_no_drift() -> None:
    seen = inspect_run(prepared(ROUND, ordered=False))
    assert seen.noise is None
    assert seen.drift is None
    assert np.isnan(seen.duration_s)
