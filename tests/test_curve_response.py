"""The response to changing temperature, recovered from invented compensated oscillators by an independent simulator."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from compensated import Part, part, simulate_part
from independent import Log, at_cubic, chamber_c, lagged, lagged_unevenly, simulate
from recovery import learn_logs

from tcomp.estimation.curve import Curve, curve_text, read_curve
from tcomp.estimation.effects import Finding, Response, Status, effects_of
from tcomp.estimation.effects.response import filtered_rate, rate_of
from tcomp.estimation.estimate import Settings
from tcomp.estimation.learn import FitResult
from tcomp.estimation.samples import samples_of
from tcomp.logs.cleaning import clean_run
from tcomp.logs.legs import cut_legs
from tcomp.logs.prepared import PreparedRun
from tcomp.logs.record import RawRun, frame_of
from tcomp.upkeep.apply import corrected
from tcomp.upkeep.calibration import Calibration
from tcomp.upkeep.corrector import Corrector, RateFilter

OSCILLATOR = Part(
    curve=lambda c: np.polynomial.chebyshev.chebval((c - 27.5) / 57.5, [200.0, 40.0, -60.0, 30.0, 40.0, -20.0]),
    response=lambda c: 250 * (1 - ((c - 25) / 40.0) ** 2),
    lag_s=40.0,
    tau_s=180.0,
)
"""Invented."""


def two_rates() -> np.ndarray:
    """25, -30, 40, 10, 85, 25 degC at 0.4 and 1 degC/min, with a soak in the middle: each second."""
    return chamber_c(
        [(25, 20), (-30, 138), (-30, 20), (40, 70), (40, 30), (10, 30), (85, 188), (85, 20), (25, 60), (25, 20)], 25.0
    )


@pytest.fixture(scope="module")
def fit_result() -> FitResult:
    return learn_logs(simulate_part(1, OSCILLATOR, two_rates()))


def test_the_filter_is_that_of_an_independent_simulator() -> None:
    chamber = two_rates()
    behind_c = lagged(chamber, 180.0)
    rate = filtered_rate(np.arange(chamber.size, dtype=float), np.zeros(chamber.size, dtype=int), chamber, 180.0)
    # One second between samples: the two discretise the ramp's corner differently by half a step over the time constant.
    np.testing.assert_allclose(rate, (chamber - behind_c) / 180.0 * 60, atol=1.0 / 360)
    uneven = np.cumsum(np.random.default_rng(1).uniform(5, 20, 400))
    sensor_c = np.interp(uneven, [0, 1000, 3000, 5000], [20, 20, 50, 40])
    mine = filtered_rate(uneven, np.zeros(400, dtype=int), sensor_c, 300.0)
    np.testing.assert_allclose(mine, (sensor_c - lagged_unevenly(uneven, sensor_c, 300.0)) / 300.0 * 60, atol=1e-9)


def test_curve_and_response_are_recovered_within_3_ppb(fit_result: FitResult) -> None:
    curve, at_c = fit_result.curve, np.linspace(-28.0, 83.0, 112)
    response = curve.response
    assert response is not None
    assert curve.effect("response").status == Status.FOUND
    assert np.abs(curve.offset_ppb(at_c) - OSCILLATOR.curve(at_c)).max() < 3.0
    # At 1 degC/min: within 3 ppb, where its own uncertainty allows.
    assert np.abs(response.at(at_c) - OSCILLATOR.response(at_c)).max() < 3.0 + 3 * response.u_at(at_c).max()
    assert fit_result.validation.chosen.size > 3  # the shape is kept, which every sweep shows


def test_the_document_keeps_it(fit_result: FitResult, tmp_path: Path) -> None:
    path = tmp_path / "curve.json"
    path.write_text(curve_text(fit_result.curve), encoding="utf-8")
    assert read_curve(path).response == fit_result.curve.response
    held = effects_of(fit_result.curve.effects).get("response")
    assert isinstance(held, Response)
    assert not held.parameters


def test_applied_rows_are_near_the_truth(fit_result: FitResult) -> None:
    fresh = simulate_part(7, OSCILLATOR, chamber_c([(25, 20), (60, 50), (0, 100), (25, 20)], 25.0))
    shown = pd.DataFrame(
        {"time_s": fresh.time_s, "temperature_c": fresh.sensor_c, "shown": 1e9 / (1 + fresh.true_ppb * 1e-9)}
    )
    found = corrected(fit_result.curve, shown, frequency="shown")
    error_ppb = (found["shown_true"] / 1e9 - 1) * 1e9
    assert np.sqrt(np.mean(error_ppb**2)) < 3.0
    without = corrected(_without_response(fit_result.curve), shown, frequency="shown")
    assert np.sqrt(np.mean(((without["shown_true"] / 1e9 - 1) * 1e9) ** 2)) > 30.0  # the fault that it takes away


def _without_response(curve: Curve) -> Curve:
    off = Finding("response", "ppb/(degC/min)", Status.OFF)
    return replace(curve, effects=tuple(off if one.name == "response" else one for one in curve.effects))


def test_batches_go_on_where_the_last_one_ended() -> None:
    time_s = np.arange(0.0, 4000.0, 10.0)
    crystal_c = 20 + 5 * np.sin(time_s / 500)
    whole = filtered_rate(time_s, np.zeros(400, dtype=int), crystal_c, 200.0)
    filter = RateFilter(200.0)
    parts = [filter.follow(time_s[own], crystal_c[own]) for own in (slice(0, 123), slice(123, 124), slice(124, 400))]
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-9)


@pytest.mark.parametrize("seed", [3, 4])
def test_none_is_found_where_there_is_none(seed: int) -> None:
    found = learn_logs(simulate(seed, curve=at_cubic)).curve.effect("response")
    assert found.status in (Status.NONE_SEEN, Status.UNDETERMINED)


def test_it_can_be_switched_off() -> None:
    curve = learn_logs(
        simulate_part(1, part(3)), settings=Settings(effects={"response": "none"}, max_dropped=1.0)
    ).curve
    assert curve.response is None
    assert curve.effect("response").status == Status.OFF


def test_one_rate_is_remarked_and_leaves_the_loop_undetermined() -> None:
    curve = learn_logs(simulate_part(3, part(3))).curve
    assert curve.effect("hysteresis").status == Status.UNDETERMINED
    assert any("seen at one rate" in remark for remark in curve.remarks)


AIR_BATH = Path(__file__).parent.parent / "sample_runs" / "air_bath" / "air_bath_1v.dsv.gz"


def air_bath(rows_apart: int = 6) -> Log:
    """The real log of the samples (MIT, its README): a meter's channel against three reference meters, no oscillator; each row
    the mean of some."""
    frame = pd.read_csv(AIR_BATH, sep=";")
    time_s = (pd.to_datetime(frame["date"], format="%d/%m/%Y-%H:%M:%S") - pd.Timestamp("2024-10-20")).dt.total_seconds()
    offset_ppb = (frame["vbl5"] / frame[["vbl1", "vbl2", "vbl3"]].mean(axis=1) - 1).to_numpy() * 1e9
    good = (offset_ppb > 19_000) & (offset_ppb < 35_000)  # two rows are gross errors
    good[1:] &= np.diff(time_s) > 0
    rows = np.flatnonzero(good)[: good.sum() // rows_apart * rows_apart].reshape(-1, rows_apart)
    t, c, y = (np.asarray(values)[rows].mean(axis=1) for values in (time_s, frame["dut_temp"], offset_ppb))
    return Log(time_s=t - t[0], sensor_c=c, offset_ppb=y, crystal_c=c, true_ppb=y)


@pytest.mark.parametrize("block", [3, 9])
def test_a_lag_of_hours_does_not_take_the_responses_place(block: int) -> None:
    log = air_bath()
    out = log.time_s // (3 * 3600.0) == block
    curve = learn_logs(
        replace(log, offset_ppb=np.where(out, np.nan, log.offset_ppb)), settings=Settings(max_dropped=1.0)
    ).curve
    assert curve.effect("response").status == Status.FOUND
    assert curve.effect("lag").status == Status.UNDETERMINED
    error_ppb = log.offset_ppb - Corrector(Calibration(curve, None)).offsets(log.time_s, log.sensor_c).offset_ppb
    # By hand (benchmarks/real.py) 203 and 102 ppb with a response, 600 with a lag, at a noise of 157 / sqrt(6).
    assert np.sqrt(np.mean(error_ppb[out] ** 2)) < 260.0


def test_a_long_lag_stays_a_lag() -> None:
    # 900 s at 1 degC/min in a range of 80 degC: 15 degC behind on each ramp, far beyond a usual board, and true.
    log = simulate(5, curve=at_cubic, lag_s=900.0)
    curve = learn_logs(log).curve
    assert curve.effect("lag").value == pytest.approx(900.0, abs=5.0)
    assert curve.response is None


def test_a_filter_goes_on_through_rows_without_a_reading() -> None:
    log = simulate_part(2, OSCILLATOR, two_rates())
    out = (log.time_s > 9000) & (log.time_s < 14000)
    clean = clean_run(
        RawRun("", frame_of(log.time_s, log.sensor_c, np.where(out, np.nan, log.offset_ppb)), "elapsed", ())
    )
    samples = samples_of((PreparedRun(clean, cut_legs(clean)),))
    assert samples.time_s.size == (~out).sum()
    rate = rate_of(samples, samples.temperature_c, 1500.0)
    whole = filtered_rate(log.time_s, np.zeros(out.size, dtype=int), log.sensor_c, 1500.0)[~out]
    np.testing.assert_allclose(rate, whole, atol=1e-9)
    anew = filtered_rate(samples.time_s, samples.run, samples.temperature_c, 1500.0)
    assert np.abs(anew - whole).max() > 0.1  # the fault: without these rows the filter starts anew behind the gap
