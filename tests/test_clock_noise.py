"""The clock's state space against statsmodels' Kalman filter, NIST SP 1065's relations and a dense covariance."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.tsa.statespace.mlemodel import MLEModel

from tcomp.logs.clock_noise import ClockNoise, Readings, Smoother, Whitener, fitted_noise, restricted_deviance

NOISE = ClockNoise(phase=1.5, white_ppb2_s=40.0, walk_ppb2_per_s=0.02, memory_s=3000.0)


def readings(count: int = 60, seed: int = 3) -> Readings:
    rng = np.random.default_rng(seed)
    anew = np.zeros(count - 1, dtype=bool)
    anew[[20, 41]] = True
    return Readings(rng.uniform(5.0, 900.0, count - 1), anew, rng.uniform(20.0, 200.0, count))


def statsmodels_of(read: Readings, noise: ClockNoise, values: np.ndarray) -> MLEModel:
    """The same clock with matrices by numerical integration of the covariance, in statsmodels' own filter.

    Where the phase is lost, the new phase is given a variance of 1e14 ns^2: as good as unknown beside noise of 1e3 ns.
    """
    count = len(values)
    model = MLEModel(values, k_states=2, k_posdef=2)
    transition, covariance = np.zeros((2, 2, count)), np.zeros((2, 2, count))
    for place, step_s in enumerate(read.step_s):
        inner = (np.arange(20_000) + 0.5) / 20_000 * step_s
        kept = np.exp(-inner / noise.memory_s)
        moved = noise.memory_s * (1 - kept)
        q = noise.walk_ppb2_per_s * step_s
        covariance[:, :, place] = [
            [q * np.mean(moved**2) + noise.white_ppb2_s * step_s, q * np.mean(moved * kept)],
            [q * np.mean(moved * kept), q * np.mean(kept**2)],
        ]
        whole = np.exp(-step_s / noise.memory_s)
        transition[:, :, place] = [[1.0, noise.memory_s * (1 - whole)], [0.0, whole]]
        if read.anew[place]:
            transition[0, :, place] = 0.0
            covariance[0, :, place] = covariance[:, 0, place] = 0.0
            covariance[0, 0, place] = 1e14
    model["design"] = np.array([[1.0, 0.0]])
    model["selection"] = np.eye(2)
    model["transition"], model["state_cov"] = transition, covariance
    model["obs_cov"] = ((noise.phase * read.phase_ns) ** 2)[None, None, :]
    wander = noise.walk_ppb2_per_s * noise.memory_s / 2
    model.ssm.initialize_known(np.zeros(2), np.diag([1e14, wander]))
    return model


def test_states_and_innovations_are_those_of_statsmodels() -> None:
    read, rng = readings(), np.random.default_rng(4)
    values = np.cumsum(rng.normal(size=60)) * 500.0
    oracle = statsmodels_of(read, NOISE, values).ssm.smooth()
    phase_ns, wander_ppb = Smoother.of(read, NOISE).states(values[:, None])
    # 1e14 ns^2 for "unknown" leaves 1e-9 of it; the numerical integral has an error of 1e-9 (midpoint rule).
    np.testing.assert_allclose(phase_ns[:, 0], oracle.smoothed_state[0], atol=1e-3)
    np.testing.assert_allclose(wander_ppb[:, 0], oracle.smoothed_state[1], atol=1e-5)
    rows = Whitener.of(read, NOISE).rows(values[:, None])[:, 0]
    theirs = (oracle.forecasts_error[0] / np.sqrt(oracle.forecasts_error_cov[0, 0]))[1:]
    here = ~read.anew
    np.testing.assert_allclose(rows[here], theirs[here], atol=1e-5)
    assert not rows[read.anew].any()


def test_likelihood_differs_between_noises_as_in_statsmodels() -> None:
    """Without a design the restricted likelihood is the likelihood; constants, those of the unknown phases among them, cancel."""
    read, rng = readings(), np.random.default_rng(5)
    values = np.cumsum(rng.normal(size=60)) * 500.0
    other = ClockNoise(phase=0.7, white_ppb2_s=300.0, walk_ppb2_per_s=0.001, memory_s=9000.0)
    ours = [restricted_deviance(read, one, values[:, None]) for one in (NOISE, other)]
    theirs = [-2 * statsmodels_of(read, one, values).ssm.loglike() for one in (NOISE, other)]
    assert ours[0] - ours[1] == pytest.approx(theirs[0] - theirs[1], abs=1e-3)


def test_whitened_rows_have_the_products_of_the_inverse_covariance() -> None:
    read, rng = readings(), np.random.default_rng(6)
    columns = rng.normal(size=(60, 3)) * 300.0
    rows = Whitener.of(read, NOISE).rows(columns)
    np.testing.assert_allclose(rows.T @ rows, Smoother.of(read, NOISE).products(columns), rtol=1e-9)


@pytest.mark.parametrize(
    ("noise", "phase_ns", "tau_s", "expected"),
    [
        # NIST SP 1065 (2008), table of noise identification and domain conversion: white phase, tau^-2, 3 sigma_x^2;
        # white frequency h_0 / (2 tau); random walk of frequency h_-2 (2 pi^2 / 3) tau, with white = h_0 / 2, walk = 2 pi^2 h_-2.
        (ClockNoise(phase=2.0, white_ppb2_s=0.0, walk_ppb2_per_s=1e-30, memory_s=1e9), 5.0, 100.0, np.sqrt(3) * 10.0 / 100),
        (ClockNoise(phase=1.0, white_ppb2_s=8.0 / 2, walk_ppb2_per_s=1e-30, memory_s=1e9), 0.0, 50.0, np.sqrt(8.0 / (2 * 50))),
        (
            ClockNoise(phase=1.0, white_ppb2_s=0.0, walk_ppb2_per_s=2 * np.pi**2 * 1e-3, memory_s=1e12), 0.0, 300.0,
            np.sqrt(1e-3 * (2 * np.pi**2 / 3) * 300.0),
        ),
    ],
)  # fmt: skip
def test_allan_deviation_is_that_of_sp_1065(noise: ClockNoise, phase_ns: float, tau_s: float, expected: float) -> None:
    assert noise.allan_deviation_ppb(np.array([tau_s]), phase_ns)[0] == pytest.approx(expected, rel=1e-6)


def simulated_ns(noise: ClockNoise, step_s: float, count: int, phase_ns: float, seed: int) -> np.ndarray:
    """An invented clock in small steps by its definition: Euler's way, a hundredth of the memory at most."""
    rng = np.random.default_rng(seed)
    inner = 20
    h = step_s / inner
    wander, phase, out = rng.normal() * np.sqrt(noise.walk_ppb2_per_s * noise.memory_s / 2), 0.0, np.zeros(count)
    shocks, whites = rng.normal(size=(2, count, inner))
    for place in range(count):
        for shock, white in zip(shocks[place], whites[place], strict=True):
            out[place] = phase
            phase += wander * h + white * np.sqrt(noise.white_ppb2_s * h)
            wander += -wander * h / noise.memory_s + shock * np.sqrt(noise.walk_ppb2_per_s * h)
    return out + rng.normal(size=count) * noise.phase * phase_ns


def test_levels_of_an_invented_clock_come_back() -> None:
    """4000 readings tell the phase level to 2 % and the wander to some 15 % (chi-square of as many readings, of 30 memories)."""
    truth = ClockNoise(phase=1.0, white_ppb2_s=1e-3, walk_ppb2_per_s=0.02, memory_s=20_000.0)
    values = simulated_ns(truth, 300.0, 4000, 5000.0, 11)
    read = Readings(np.full(3999, 300.0), np.zeros(3999, dtype=bool), np.full(4000, 5000.0))
    start = ClockNoise(phase=3.0, white_ppb2_s=1.0, walk_ppb2_per_s=1.0, memory_s=5000.0)
    found = fitted_noise(read, values[:, None], start)
    assert found.phase == pytest.approx(1.0, rel=0.05)
    assert found.walk_ppb2_per_s == pytest.approx(0.02, rel=0.35)
    assert found.wander_ppb == pytest.approx(truth.wander_ppb, rel=0.35)


def test_a_clock_of_another_noise_is_less_likely() -> None:
    """A planted fault: the likelihood prefers the true levels to levels three times off."""
    truth = ClockNoise(phase=1.0, white_ppb2_s=1e-3, walk_ppb2_per_s=0.02, memory_s=20_000.0)
    values = simulated_ns(truth, 300.0, 2000, 5000.0, 12)[:, None]
    read = Readings(np.full(1999, 300.0), np.zeros(1999, dtype=bool), np.full(2000, 5000.0))
    best = restricted_deviance(read, truth, values)
    for wrong in (
        ClockNoise(phase=1.3, white_ppb2_s=1e-3, walk_ppb2_per_s=0.02, memory_s=20_000.0),
        ClockNoise(phase=1.0, white_ppb2_s=1e-3, walk_ppb2_per_s=0.2, memory_s=20_000.0),
    ):
        assert restricted_deviance(read, wrong, values) > best + 10.0
