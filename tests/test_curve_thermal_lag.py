"""The lag filter against its closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tcomp.estimation.sensor_smoothing import smooth_temperature
from tcomp.estimation.thermal_lag import SensorLog, lagged

ONE = np.zeros(2000, dtype=np.int64)
TIME_S = np.arange(2000) * 10.0


@pytest.mark.parametrize(("rate_c_per_min", "tau_s"), [(1.0, 60.0), (0.25, 300.0)])
def test_a_ramp_leaves_the_crystal_rate_times_tau_behind(rate_c_per_min: float, tau_s: float) -> None:
    # Steady lag of a first-order system under a ramp: rate x tau (arithmetic: 1 K/min x 60 s = 1 K).
    sensor_c = np.where(TIME_S < 2000.0, 20.0, 20.0 + rate_c_per_min / 60.0 * (TIME_S - 2000.0))
    crystal_c = lagged(TIME_S, sensor_c, ONE, tau_s)
    since_s = TIME_S - 2000.0
    expected = np.where(since_s < 0, 0.0, rate_c_per_min / 60 * tau_s * (1 - np.exp(-np.maximum(since_s, 0) / tau_s)))
    np.testing.assert_allclose(sensor_c - crystal_c, expected, atol=1e-9)


def test_a_sinusoid_is_damped_and_delayed() -> None:
    # tau = 300 s, period 1 h: gain 1 / sqrt(1 + (2 pi tau / P)**2) = 0.88591, delay atan(2 pi tau / P) P / (2 pi) = 276.36 s.
    omega = 2 * math.pi / 3600.0
    crystal_c = lagged(TIME_S, np.sin(omega * TIME_S), ONE, 300.0)
    late = TIME_S > 10_000.0
    expected = 0.8859082643 * np.sin(omega * (TIME_S[late] - 276.3649935))
    # Straight lines between samples of a sinusoid: (omega dt)**2 / 8 = 4e-5.
    np.testing.assert_allclose(crystal_c[late], expected, atol=5e-5)


def test_uneven_stamps_change_nothing() -> None:
    rng = np.random.default_rng(5)
    keep = np.sort(rng.choice(2000, 900, replace=False))
    keep[0] = 0
    sensor_c = 20.0 + TIME_S / 60.0  # a straight line, so that leaving samples out leaves the input as it is
    every = lagged(TIME_S, sensor_c, ONE, 170.0)
    some = lagged(TIME_S[keep], sensor_c[keep], ONE[keep], 170.0)
    np.testing.assert_allclose(some, every[keep], atol=1e-9)


def log(time_s: np.ndarray, temperature_c: np.ndarray, segment: np.ndarray, run: np.ndarray | None = None) -> SensorLog:
    smooth = smooth_temperature(time_s, temperature_c, segment)
    return SensorLog(
        time_s, smooth.temperature_c, smooth.rate_c_per_s, np.zeros_like(segment) if run is None else run, segment
    )


def test_a_sensor_slower_than_the_crystal_is_undone() -> None:
    # The crystal follows a slow sinusoid; the sensor lags it by 120 s.
    crystal_c = 10.0 * np.sin(2 * np.pi * TIME_S / 7200.0)
    sensor_c = lagged(TIME_S, crystal_c, ONE, 120.0)
    undone = log(TIME_S, sensor_c, ONE).crystal_c((-120.0,))
    inner = (TIME_S > 1000.0) & (TIME_S < 19_000.0)
    # A local parabola over 5 samples misses a third derivative of A w**3 = 6.6e-9 degC/s**3 by 3.4 h**2 / 6 of it in
    # the rate: 4e-7 degC/s, times 120 s.
    np.testing.assert_allclose(undone[inner], crystal_c[inner], atol=1e-4)


def test_two_time_constants_act_one_after_the_other_whatever_their_order() -> None:
    ramp_c = TIME_S / 60.0
    sensor = log(TIME_S, ramp_c, ONE)
    behind_c = ramp_c - sensor.crystal_c((150.0, 60.0))
    assert behind_c[-1] == pytest.approx(210.0 / 60.0, rel=1e-6)  # delays add up under a steady ramp
    np.testing.assert_allclose(sensor.crystal_c((60.0, 150.0)), sensor.crystal_c((150.0, 60.0)))


def test_the_filter_starts_anew_behind_a_gap_and_its_start_is_a_column() -> None:
    time_s = np.where(TIME_S < 10_000.0, TIME_S, TIME_S + 500.0)
    segment = (time_s >= 10_000.0).astype(np.int64)
    columns = log(time_s, np.sin(time_s), segment).start_columns(200.0)
    assert columns.shape == (2000, 2)
    assert columns[0, 0] == columns[1000, 1] == 1.0
    assert columns[20, 0] == pytest.approx(math.exp(-1))
    assert not columns[1000:, 0].any()


def test_samples_are_trusted_two_time_constants_after_a_start() -> None:
    sensor = log(TIME_S, np.zeros(2000), ONE)
    assert sensor.settled(100.0).argmax() == 20
    assert sensor.settled(-100.0).all()


def test_a_short_gap_is_bridged_but_never_between_runs() -> None:
    time_s = np.array([0.0, 10.0, 50.0, 60.0, 500.0, 510.0])
    segment = np.array([0, 0, 1, 1, 2, 2])
    flat = np.zeros(6)
    assert SensorLog(time_s, flat, flat, np.zeros(6, dtype=int), segment).bridged(200.0).tolist() == [0, 0, 0, 0, 1, 1]
    assert SensorLog(time_s, flat, flat, np.array([0, 0, 1, 1, 1, 1]), segment).bridged(200.0).tolist() == [
        0,
        0,
        1,
        1,
        2,
        2,
    ]


def test_smoothing_takes_the_sensors_steps_off_and_keeps_the_ripple() -> None:
    # Invented: ripple of 0.05 degC at 310 s on a ramp, steps of 1/16 degC (standard deviation 0.0625 / sqrt(12) = 0.018).
    true_c = 20.0 + 0.5 * TIME_S / 60.0 + 0.05 * np.sin(2 * np.pi * TIME_S / 310.0)
    smooth = smooth_temperature(TIME_S, np.round(true_c * 16) / 16, ONE)
    left = (smooth.temperature_c - true_c)[50:-50]
    assert left.std() < 0.6 * 0.018
    assert smooth.noise_c == pytest.approx(0.018, rel=0.3)
    assert np.abs(smooth.rate_c_per_s[50:-50] - np.gradient(true_c, TIME_S)[50:-50]).max() < 6e-4
