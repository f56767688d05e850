"""Noise of readings and how long to average, against simulated time marks and a library's Allan deviation."""

from __future__ import annotations

import math

import allantools
import numpy as np
import pytest
from scipy import stats

from tcomp.job import read_job_text
from tcomp.planning.averaging import GATES_S, Noise, chosen_gate_s, noise_of

JOB = '[oscillator]\nname = "a"\n'


def noise(text: str) -> Noise:
    return noise_of(read_job_text(JOB + text, runs_needed=False))


def within_chance(values: np.ndarray, sd: float) -> bool:
    """Whether a sample's variance is that of sd, by chi-squared (scipy), at 99.9 %."""
    low, high = stats.chi2.interval(0.999, values.size) / np.float64(values.size)
    return bool(low < np.mean(values**2) / sd**2 < high)


def test_a_reading_has_the_noise_of_its_two_time_marks() -> None:
    marks_s = np.random.RandomState(1).normal(scale=3e-9, size=(2, 20_000))
    readings_ppb = (marks_s[1] - marks_s[0]) / 10.0 * 1e9
    assert within_chance(readings_ppb, Noise(3e-9, 0.0, 0.0).reading_ppb(10.0))
    assert not within_chance(readings_ppb * 1.1, Noise(3e-9, 0.0, 0.0).reading_ppb(10.0))


def test_an_allan_deviation_of_phase_noise_is_turned_into_marks() -> None:
    # allantools 2024.6: the Allan deviation of white phase noise of 3 ns, at 1 s.
    phase_s = np.random.RandomState(2).normal(scale=3e-9, size=40_000)
    at_1_s = allantools.adev(phase_s, rate=1.0, data_type="phase", taus=[1.0])[1][0]
    found = noise(f"[counter]\nresolution_s = 0\n[reference]\nnoise_ppb = {at_1_s * 1e9}\n")
    # The deviation of 40 000 marks scatters by half a percent.
    assert found.mark_s == pytest.approx(3e-9, rel=0.02)
    assert found.frequency_ppb == 0.0


def test_an_allan_deviation_of_frequency_noise_is_the_mean_s_own() -> None:
    found = noise('[counter]\nresolution_s = 0\n[reference]\nnoise_ppb = 2\nnoise_falls = "1/sqrt(tau)"\n')
    offsets = np.random.RandomState(3).normal(scale=2.0, size=(400, 100))  # over 1 s each
    at_100_s = allantools.adev(offsets.ravel(), rate=1.0, data_type="freq", taus=[100.0])[1][0]
    assert found.mean_ppb(100.0, 1.0) == pytest.approx(0.2)
    # 400 means of 100 s: the Allan deviation scatters by some 4 %.
    assert at_100_s == pytest.approx(0.2, rel=0.15)
    assert within_chance(offsets.mean(axis=1), 0.2)


def test_a_counter_s_step_is_rectangular() -> None:
    # GUM (JCGM 100:2008) 4.3.7: a step q has the standard uncertainty q / sqrt(12); two marks, gate 1 s.
    assert noise("[counter]\nresolution_s = 1e-8\n").reading_ppb(1.0) == pytest.approx(10 / math.sqrt(6))


def test_the_oscillator_s_own_noise_is_that_at_its_gate() -> None:
    job = '[oscillator]\nname = "a"\nnoise_ppb = 0.5\n[use]\ngate_s = 4\n[counter]\nresolution_s = 0\n'
    found = noise_of(read_job_text(job, runs_needed=False))
    assert found.mean_ppb(4.0, 4.0) == pytest.approx(0.5)
    assert found.mean_ppb(400.0, 4.0) == pytest.approx(0.05)


@pytest.mark.parametrize("u_ppb", [1.0, 0.1, 0.03])
@pytest.mark.parametrize("case", [Noise(1e-9, 0.0, 0.0), Noise(3e-9, 0.5, 0.01), Noise(0.0, 2.0, 0.0)])
def test_so_much_averaging_gives_what_was_asked_and_less_does_not(case: Noise, u_ppb: float) -> None:
    time_s = case.averaging_s(u_ppb, 10.0)
    assert case.mean_ppb(time_s, 10.0) <= u_ppb * (1 + 1e-9)
    assert time_s == 10.0 or case.mean_ppb(time_s - 10.0, 10.0) > u_ppb
    gate_s = case.one_gate_s(u_ppb)
    assert math.hypot(case.reading_ppb(gate_s), case.floor_ppb) == pytest.approx(u_ppb)


def test_no_averaging_goes_below_the_floor() -> None:
    assert Noise(1e-9, 0.0, 0.1).averaging_s(0.1, 10.0) == math.inf
    assert Noise(1e-9, 0.0, 0.1).one_gate_s(0.05) == math.inf
    assert Noise(1e-9, 0.0, 0.1).mean_ppb(1e9, 10.0) == pytest.approx(0.1, rel=1e-3)


def test_the_gate_is_no_longer_than_it_wins_something_nor_than_the_lag_allows() -> None:
    assert chosen_gate_s(Noise(1e-9, 0.0, 0.0), 180.0) == 10.0  # marks only: the longest below a tenth of the lag
    assert chosen_gate_s(Noise(1e-9, 0.0, 0.0), -600.0) == 50.0  # a sensor that lags
    assert chosen_gate_s(Noise(1e-10, 10.0, 0.0), 180.0) == GATES_S[0]  # the oscillator's own noise: none wins
    assert chosen_gate_s(Noise(1e-9, 0.0, 0.0), 2.0) == 1.0
