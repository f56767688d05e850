"""The independent simulator is what it says: a check on the recovery tests' own ground."""

from __future__ import annotations

import numpy as np
from independent import at_cubic, counted, lagged, rounded, simulate, truncated, two_rates


def test_a_ramp_is_followed_behind_by_the_lag_times_its_rate() -> None:
    ramp = np.arange(4000) * 0.01
    # A first-order low-pass lags a ramp by its time constant, once settled (textbook result: x(t - tau); half a second of
    # it is the sampled form's own).
    assert np.allclose(ramp[-1] - lagged(ramp, 110.0)[-1], 110 * 0.01, atol=0.005 + 1e-6)


def test_the_instruments_round_as_they_say() -> None:
    rng = np.random.default_rng(1)
    assert rounded(0.5)(np.array([0.2, 0.3]), rng).tolist() == [0.0, 0.5]
    assert truncated(1.0)(np.array([-0.1, 0.9]), rng).tolist() == [-1.0, 0.0]
    counts = counted(16e6, 1.0, 0.0)(np.full(20000, 20.0), rng)
    # One cycle of 16 MHz in a second is 62.5 ppb; the mean of many counts at random phases is the value itself.
    assert np.allclose(np.unique(counts), [0.0, 62.5], atol=1e-6)
    assert abs(counts.mean() - 20.0) < 4 * 62.5 * 0.5 / np.sqrt(20000)


def test_the_usual_run_is_2800_rows_between_0_and_55_degrees() -> None:
    log = simulate(1)
    assert abs(log.time_s.size - 2800) < 20
    assert (two_rates().min(), two_rates().max()) == (0.0, 55.0)
    assert abs(np.std(log.offset_ppb - at_cubic(log.crystal_c)) / 1.5 - 1) < 0.06
