"""Whether a soak is over: drift with an uncertainty that allows for samples that resemble each other."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.regression.linear_model import OLS
from statsmodels.tools import add_constant

from tcomp.bench.schedule import estimate_drift, hunting_frequency_rad_per_s, judge_soak

RNG = np.random.default_rng


def autoregressive(random: np.random.Generator, count: int, rho: float) -> np.ndarray:
    """Noise of unit variance whose neighbours are correlated by rho; invented."""
    noise = random.normal(0.0, 1.0, count + 200)
    for i in range(1, noise.size):
        noise[i] = rho * noise[i - 1] + np.sqrt(1 - rho**2) * noise[i]
    return noise[200:]


def test_slope_and_uncertainty_of_independent_samples_are_those_of_least_squares() -> None:
    """statsmodels' ordinary least squares; the factor for resemblance is near 1 where there is none."""
    time_s = np.arange(400.0)
    values = 0.01 * time_s + RNG(3).normal(0.0, 2.0, 400)
    found, other = estimate_drift(time_s, values), OLS(values, add_constant(time_s)).fit()
    assert found.per_s == pytest.approx(other.params[1], rel=1e-12)
    assert found.u_per_s == pytest.approx(other.bse[1], rel=0.25)


@pytest.mark.parametrize("rho", [0.0, 0.6, 0.9])
def test_the_uncertainty_holds_where_neighbours_resemble_each_other(rho: float) -> None:
    """Of 400 runs without a drift twice the uncertainty covers 0 about as often as it should; independent residuals would not."""
    random, time_s = RNG(5), np.arange(300.0)
    found = [estimate_drift(time_s, autoregressive(random, 300, rho)) for _ in range(400)]
    covered = np.mean([abs(one.per_s) <= 2.0 * one.u_per_s for one in found])
    # 95.4 % are due.  The correlation is estimated from the samples themselves, which makes it somewhat too small.
    assert covered > 0.89
    naive = [OLS(autoregressive(random, 300, 0.9), add_constant(time_s)).fit() for _ in range(100)]
    assert np.mean([abs(one.params[1]) <= 2.0 * one.bse[1] for one in naive]) < 0.6


def test_nothing_is_settled_while_there_are_few_samples_that_tell_anything() -> None:
    assert estimate_drift(np.arange(5.0), np.zeros(5)).max_change(60.0) == np.inf
    slow = np.sin(np.arange(40.0) / 40.0)  # one bend: neighbours tell the same
    assert estimate_drift(np.arange(40.0), np.cumsum(slow)).max_change(60.0) == np.inf


def test_a_step_of_the_sensor_that_never_shows_hides_a_drift_of_its_size() -> None:
    stuck = estimate_drift(np.arange(100.0), np.full(100, 21.25), quantum=0.25)
    assert 0.0 < stuck.max_change(100.0) < 0.25


def soak(tau_s: float, step_c: float, slope_ppb_per_c: float, minutes: float, seed: int = 1) -> tuple[np.ndarray, ...]:
    """A board that comes to rest with a time constant, each 10 s, with the noise of sensor and counter; invented."""
    time_s = np.arange(0.0, 60.0 * minutes, 10.0)
    random = RNG(seed)
    away_c = step_c * np.exp(-time_s / tau_s)
    return (
        time_s,
        40.0 - away_c / 20.0 + random.normal(0.0, 0.02, time_s.size),
        slope_ppb_per_c * away_c + random.normal(0.0, 1.0, time_s.size),
    )


ALLOWED = {"average_s": 600.0, "allowed_c": 0.1, "allowed_ppb": 2.0}


def test_a_soak_is_over_when_what_the_lag_still_does_is_below_what_is_allowed() -> None:
    """The truth is known: what the exponential does in the ten minutes of averaging that follow."""
    for seed in range(20):
        for minutes in np.arange(4.0, 90.0, 2.0):
            time_s, temperature_c, offset_ppb = soak(300.0, 2.0, 100.0, minutes, seed)
            if judge_soak(time_s, temperature_c, offset_ppb, **ALLOWED).settled:
                break
        still_ppb = 200.0 * np.exp(-60.0 * minutes / 300.0) * -np.expm1(-600.0 / 300.0)
        assert still_ppb <= 2.0
        assert minutes < 75.0


def test_a_longer_time_constant_takes_a_longer_soak_not_a_fixed_one() -> None:
    def first(tau_s: float) -> float:
        spans = np.arange(4.0, 300.0, 2.0)
        return next(m for m in spans if judge_soak(*soak(tau_s, 2.0, 100.0, m), **ALLOWED).settled)

    assert first(60.0) < first(300.0) < first(900.0)


def test_both_temperature_and_offset_must_be_settled() -> None:
    time_s, temperature_c, offset_ppb = soak(60.0, 0.0, 0.0, 60.0)
    assert judge_soak(time_s, temperature_c, offset_ppb, **ALLOWED).settled
    assert not judge_soak(time_s, temperature_c + 0.0005 * time_s, offset_ppb, **ALLOWED).settled
    assert not judge_soak(time_s, temperature_c, offset_ppb + 0.01 * time_s, **ALLOWED).settled


def test_the_rest_of_a_ramp_in_the_first_half_does_not_count() -> None:
    time_s, temperature_c, offset_ppb = soak(60.0, 0.0, 0.0, 60.0)
    ramped_c = np.where(time_s < 1000.0, temperature_c - 0.01 * (1000.0 - time_s), temperature_c)
    assert judge_soak(time_s, ramped_c, offset_ppb, **ALLOWED).settled


def test_a_chamber_that_hunts_does_not_hide_that_a_soak_is_over() -> None:
    """0.05 degC at 310 s, 10 ppb in the offset and late in it: taken off, the drift is known ten times better; invented."""
    time_s = np.arange(0.0, 2400.0, 10.0)
    turn = 2 * np.pi * time_s / 310.0
    temperature_c = 40.0 + 0.05 * np.sin(turn) + RNG(1).normal(0.0, 0.01, time_s.size)
    offset_ppb = 10.0 * np.sin(turn - 0.8) + RNG(2).normal(0.0, 1.0, time_s.size)
    hunting = hunting_frequency_rad_per_s(time_s, temperature_c)
    assert 2 * np.pi / hunting == pytest.approx(310.0, rel=0.02)
    with_it, without = estimate_drift(time_s, offset_ppb, hunting=hunting), estimate_drift(time_s, offset_ppb)
    assert with_it.max_change(300.0) < without.max_change(300.0) / 4
    assert abs(with_it.per_s) < 2.5 * with_it.u_per_s


def test_noise_alone_is_not_called_hunting() -> None:
    found = [hunting_frequency_rad_per_s(np.arange(100.0), RNG(seed).normal(0.0, 1.0, 100)) for seed in range(200)]
    assert np.count_nonzero(found) == 0


def test_a_gross_error_of_the_counter_does_not_keep_a_soak_from_being_over() -> None:
    time_s, temperature_c, offset_ppb = soak(60.0, 0.0, 0.0, 60.0)
    offset_ppb[[250, 300]] += 50_000.0
    assert judge_soak(time_s, temperature_c, offset_ppb, **ALLOWED).settled
