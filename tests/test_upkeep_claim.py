"""The criterion against its own arithmetic: how often it fails runs that are as promised, and worse ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from tcomp.estimation.uncertainty import effective_samples
from tcomp.upkeep.claim import Promise, Share, assumed_share, bounded_share, judge, standard_share

NORMAL = Promise((Share("invented", 1.0, 1.96, 4.0, by_chance=True),))


def coloured(rng: np.random.Generator, count: int, memory: float) -> np.ndarray:
    """Autoregression of first order with variance 1; invented."""
    noise = rng.normal(size=count) * np.sqrt(1 - memory**2)
    out = np.empty(count)
    out[0] = rng.normal()
    for i in range(1, count):
        out[i] = memory * out[i - 1] + noise[i]
    return out


@pytest.mark.parametrize("memory", [0.0, 0.9])
def test_a_run_as_promised_rarely_fails_although_neighbours_resemble_each_other(memory: float) -> None:
    rng = np.random.default_rng(17)
    failed = {"effective": 0, "every sample as news": 0}
    for _ in range(200):
        error = coloured(rng, 1500, memory)
        for name, count in (("effective", effective_samples(error, [(0, 1500)])), ("every sample as news", 1500.0)):
            failed[name] += judge(error, NORMAL, count, np.inf).status == "does not hold"
    # Two criteria at 2.5 % each: 5 % of 200 is 10, and 10 + 3 sqrt(10) = 20 by chance.
    assert failed["effective"] <= 20
    if memory:  # the planted fault: counting correlated samples as news
        assert failed["every sample as news"] > 20


def test_a_run_half_as_large_again_is_found() -> None:
    rng = np.random.default_rng(18)
    assert judge(1.5 * rng.normal(size=400), NORMAL, 400.0, np.inf).status == "does not hold"


def test_a_wild_tail_is_found_by_the_95_percent_although_the_rms_holds() -> None:
    error = np.where(np.arange(400) % 8 == 0, 2.2, 0.3)  # one in eight beyond the promised 1.96; RMS 0.83
    found = judge(error, NORMAL, 400.0, np.inf)
    assert (found.status, found.beyond_share) == ("does not hold", 0.125)


def test_limits_are_those_of_the_tables() -> None:
    # chi-squared at 97.5 %, 10 degrees of freedom: 20.483 (NIST/SEMATECH e-Handbook 1.3.6.7.4, from memory).
    found = judge(np.ones(10), NORMAL, 10.0, np.inf)
    assert found.limit_rms_ppb == pytest.approx(np.sqrt(20.483 / 10), rel=1e-4)
    # F at 97.5 %, 10 and 20 degrees of freedom: 2.7737 (same handbook, 1.3.6.7.3, from memory).
    assert judge(np.ones(10), NORMAL, 10.0, 20.0).limit_rms_ppb == pytest.approx(np.sqrt(2.7737), rel=1e-4)
    assert found.upper_rms_ppb == pytest.approx(np.sqrt(10 / chi2.ppf(0.025, 10)))


def test_a_run_over_a_part_of_the_range_tells_only_a_gross_failure() -> None:
    error = np.tile([1.0, -1.0], 200)
    statuses = [judge(scale * error, NORMAL, 400.0, np.inf, covered=0.2).status for scale in (1.0, 3.0, 5.0)]
    assert statuses == ["too short to tell", "too short to tell", "does not hold"]


def test_shares_by_chance_add_in_squares_and_the_others_as_they_are() -> None:
    chance = standard_share("noise", np.full(4, 3.0)), standard_share("more noise", np.full(4, 4.0))
    steady = bounded_share("table", 12.0), assumed_share("lag", np.array([-2.0, 2.0, -2.0, 2.0]))
    claim = Promise((*chance, *steady))
    assert claim.rms_ppb == pytest.approx(np.sqrt(9 + 16 + 144 + 4))
    assert claim.p95_ppb == pytest.approx(10.0 + 12.0 + 2.0)
    assert claim.max_ppb == pytest.approx(15.0 + 12.0 + 2.0)
