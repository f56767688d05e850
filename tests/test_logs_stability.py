"""The deviations against NIST SP 1065, against another implementation, and across gaps."""

from __future__ import annotations

import json
from pathlib import Path

import allantools
import numpy as np
import pytest
from allantools.ci import edf_greenhall
from scipy import stats

from tcomp.logs.stability import (
    CONFIDENCE,
    Kind,
    confidence_interval,
    equivalent_freedom,
    regular_stretches,
    stability,
)

SP1065 = json.loads((Path(__file__).parent / "data" / "sp1065" / "sp1065.json").read_text())
KINDS: dict[Kind, str] = {"plain": "adev", "overlapping": "oadev", "modified": "mdev", "hadamard": "ohdev"}
OTHERS = {
    "plain": allantools.adev,
    "overlapping": allantools.oadev,
    "modified": allantools.mdev,
    "hadamard": allantools.ohdev,
}


def thousand() -> np.ndarray:
    """The thousand frequencies of SP 1065, section 12.4."""
    numbers = [1234567890]
    for _ in range(999):
        numbers.append(16807 * numbers[-1] % 2147483647)
    assert numbers[:4] == SP1065["table31"]["first_n"]
    return np.array(numbers) / 2147483647


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("table", ["table30", "table31"])
def test_the_published_deviations_come_out(table: str, kind: Kind) -> None:
    published = SP1065[table]
    frequencies = np.array(published["frequency"], dtype=float) if table == "table30" else thousand()
    found = stability([frequencies], 1.0, kind, factors=published["m"])
    # Printed to seven digits, and the hdev of table 30 is off by one in the last.
    np.testing.assert_allclose(found.deviation_ppb, published["published"][KINDS[kind]], rtol=2e-7)


@pytest.mark.parametrize("table", ["table30", "table31"])
def test_the_published_time_deviation_comes_out(table: str) -> None:
    published = SP1065[table]
    frequencies = np.array(published["frequency"], dtype=float) if table == "table30" else thousand()
    found = stability([frequencies], 1.0, "modified", factors=published["m"])
    np.testing.assert_allclose(found.time_deviation_ns, published["published"]["tdev"], rtol=3e-7)


def test_the_time_deviation_is_of_the_modified_one_only() -> None:
    with pytest.raises(ValueError, match="not of kind 'plain'"):
        _ = stability([thousand()], 1.0, "plain").time_deviation_ns


@pytest.mark.parametrize("kind", KINDS)
def test_another_implementation_agrees_without_gaps(kind: Kind) -> None:
    noise = np.random.default_rng(3).normal(size=1000) + 0.02 * np.cumsum(np.random.default_rng(4).normal(size=1000))
    found = stability([noise + 4e6], 10.0, kind)  # a large offset must cost no digits
    taus, deviations, _, terms = OTHERS[kind](noise, rate=0.1, data_type="freq", taus=found.tau_s)
    count = len(taus)  # the other leaves out the longest times
    assert count >= 8
    np.testing.assert_allclose(found.deviation_ppb[:count], deviations, rtol=1e-7)
    np.testing.assert_array_equal(found.terms[:count], terms)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("alpha", [2, 1, 0, -1, -2])
def test_degrees_of_freedom_agree_with_another_implementation(kind: Kind, alpha: int) -> None:
    options = {"overlapping": kind != "plain", "modified": kind == "modified", "d": 3 if kind == "hadamard" else 2}
    for factor in (1, 2, 8, 33, 100):
        other = edf_greenhall(alpha=alpha, m=factor, N=1001, **options)
        # It takes the published shortcuts for long sums, good to a few per cent.
        assert equivalent_freedom(kind, alpha, factor, 1001) == pytest.approx(other, rel=0.035)


def test_white_noise_falls_as_the_root_of_the_time() -> None:
    # Invented noise of 1 ppb at 10 s: sigma(tau) = (tau / 10 s)^-1/2 ppb, at all times within intervals of 99.99 %.
    found = stability([np.random.default_rng(11).normal(0.0, 1.0, 50_000)], 10.0, confidence=0.9999)
    truth = np.sqrt(10.0 / found.tau_s)
    assert np.all((found.low_ppb < truth) & (truth < found.high_ppb))
    assert np.polyfit(np.log(found.tau_s[:9]), np.log(found.deviation_ppb[:9]), 1)[0] == pytest.approx(-0.5, abs=0.02)
    assert set(found.noise[:8]) == {"white frequency"}


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    # 400 invented runs; the binomial scatter of 95 % of 400 is 1.1 %, at k = 3.
    rng = np.random.default_rng(5)
    for factor in (1, 16):
        held = []
        for _ in range(400):
            parts = [rng.normal(size=150), rng.normal(size=90)]
            one = stability(parts, 1.0, factors=[factor])
            held.append(one.low_ppb[0] < factor**-0.5 < one.high_ppb[0])
        assert np.mean(held) == pytest.approx(CONFIDENCE, abs=0.035)


def test_the_interval_is_chi_square() -> None:
    low, high = confidence_interval(np.array([2.0]), np.array([7.5]))
    assert low[0] == pytest.approx(2.0 * np.sqrt(7.5 / stats.chi2.ppf(0.975, 7.5)))
    assert high[0] == pytest.approx(2.0 * np.sqrt(7.5 / stats.chi2.ppf(0.025, 7.5)))


NOISES = {
    "white phase": lambda white: np.diff(white, prepend=0.0),
    "white frequency": lambda white: white,
    "random walk of frequency": np.cumsum,
}


@pytest.mark.parametrize("name", NOISES)
def test_the_kind_of_noise_is_told(name: str) -> None:
    white = np.random.default_rng(6).normal(size=4000)
    assert stability([NOISES[name](white)], 1.0).noise[0] == name


def test_a_drift_is_no_noise() -> None:
    drifting = np.random.default_rng(7).normal(size=2000) + 0.05 * np.arange(2000)
    found = stability([drifting], 1.0, "hadamard")
    assert found.noise[0] == "white frequency"
    assert found.deviation_ppb[5] == pytest.approx(32**-0.5, rel=0.15)  # the Hadamard deviation is blind to it
    assert stability([drifting], 1.0).deviation_ppb[5] > 5 * 32**-0.5  # the Allan deviation is not


def test_no_difference_reaches_across_a_gap() -> None:
    # Between two quiet stretches the oscillator has jumped by 1000 ppb; a pair across the gap would show it.
    rng = np.random.default_rng(8)
    one, other = rng.normal(size=400), 1000.0 + rng.normal(size=300)
    time_s = np.concatenate([10.0 * np.arange(400), 10.0 * np.arange(300) + 9000.0])
    parted = stability(regular_stretches(time_s, np.concatenate([one, other]), 10.0), 10.0)
    assert parted.deviation_ppb.max() < 1.3
    assert parted.terms[0] == 399 + 299
    joined = stability([np.concatenate([one, other])], 10.0)  # the planted fault
    assert joined.deviation_ppb.max() > 100.0


def test_pooled_stretches_are_the_mean_of_their_squares() -> None:
    rng = np.random.default_rng(9)
    one, other = rng.normal(size=300), rng.normal(size=100)
    alone = [stability([part], 1.0, factors=[4]) for part in (one, other)]
    mean = np.average([a.deviation_ppb[0] ** 2 for a in alone], weights=[a.terms[0] for a in alone])
    both = stability([one, other], 1.0, factors=[4])
    assert both.deviation_ppb[0] ** 2 == pytest.approx(mean)
    assert both.terms[0] == sum(a.terms[0] for a in alone)


def test_single_missing_samples_neither_bias_nor_stop_it() -> None:
    rng = np.random.default_rng(10)
    noise = rng.normal(size=40_000)
    holed = noise.copy()
    holed[rng.choice(40_000, 800, replace=False)] = np.nan
    found = stability([holed], 1.0)
    whole = stability([noise], 1.0)
    ratio = found.deviation_ppb[:6] / whole.deviation_ppb[:6]
    # A line in the place of a hole gives its two neighbours half of its weight each: the variance of a long average
    # rises by 1.5 times the share of holes, 3 % here, its deviation by 1.5 %.  Pairs with a hole are not in the first.
    assert ratio[0] == pytest.approx(1.0, abs=0.005)
    np.testing.assert_allclose(ratio[3:], 1.015, rtol=0, atol=0.005)
    assert found.tau_s[-1] >= 2**13
    assert found.terms[0] < 39_999 - 1500  # pairs with a hole are left out


def test_uneven_stamps_and_a_slow_logger_lose_no_sample() -> None:
    time_s = 10.02 * np.arange(2000) + np.random.default_rng(12).uniform(-2, 2, 2000)
    (stretch,) = regular_stretches(time_s, np.arange(2000.0), 10.0)
    np.testing.assert_array_equal(stretch, np.arange(2000.0))


@pytest.mark.parametrize("stretches", [[], [np.array([1.0])], [np.array([1.0, np.nan])]])
def test_too_little_gives_nothing(stretches: list[np.ndarray]) -> None:
    assert stability(stretches, 1.0).tau_s.size == 0
