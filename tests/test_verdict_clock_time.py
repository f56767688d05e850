"""Expected time errors of clocks: against closed forms, and against clocks drawn one by one. Invented contributions."""

from __future__ import annotations

import numpy as np
import pytest
from test_verdict import verdict_of

from tcomp.budget.contribution import Contribution
from tcomp.budget.distributions import Normal, Rectangular
from tcomp.budget.operating_points import Service
from tcomp.errors import JobError
from tcomp.job import Use, read_job_text
from tcomp.verdict.clock_time import HELD_OVER, forecast, held_over, time_error

SERVICE = Service(Use(), (0.0, 40.0))
TO_S = 86_400e-9
JOB = """
[oscillator]
name = "clock"
cut = "tuning-fork"
[use]
needed_time = { error_s = 1, after_days = 30 }
"""


def test_a_rate_that_is_not_known_grows_with_the_square_of_the_days() -> None:
    """u of r t^2 / 2: 2 ppb/day rectangular over 40 days, against 20 000 drawn clocks (their own scatter is 0.5 %)."""
    rate = Contribution("ageing", Rectangular(2.0), lambda moments: moments.days, lasts="life")
    drawn = np.random.default_rng(1).uniform(-2.0, 2.0, 20_000) * 40.0**2 / 2 * TO_S
    known_s, u_s = time_error((rate,), SERVICE, 40.0)
    assert known_s == 0.0
    assert u_s == pytest.approx(drawn.std(), rel=0.02)


def test_what_comes_anew_each_day_grows_as_the_root_of_the_days() -> None:
    noise = Contribution("retrace", Normal(50.0), lasts="power-up")
    drawn = np.random.default_rng(2).normal(size=(20_000, 30)).sum(axis=1) * 50.0 * TO_S
    assert time_error((noise,), SERVICE, 30.0)[1] == pytest.approx(drawn.std(), rel=0.02)


def test_the_error_at_the_trim_stays() -> None:
    """Drawn anew at the trim and kept: 10 ppb for 30 days, beside one that is drawn each day."""
    one = Contribution("residual", Normal(10.0), at_trim=1.0)
    expected = 10.0 * TO_S * np.hypot(30.0, np.sqrt(30.0))
    assert time_error((one,), SERVICE, 30.0)[1] == pytest.approx(expected, rel=1e-3)
    assert time_error(held_over((one,)), SERVICE, 30.0)[1] == pytest.approx(10.0 * TO_S * np.sqrt(30.0), rel=1e-3)


def test_the_day_of_breach() -> None:
    """100 ppb that are known make 8.64 ms a day, and 1 s in 115.74 days."""
    off = Contribution("offset", Normal(0.0), known=lambda moments: np.full((1, 1), 100.0))
    found = forecast("x", (off,), SERVICE, 1.0, 30.0)
    assert found.known_s == pytest.approx(0.2592)
    assert found.broken_day == 116
    assert forecast("x", (off,), SERVICE, 40.0, 30.0).broken_day is None


def test_a_need_in_time_is_a_need_in_frequency() -> None:
    """1 s in 30 days: 1 / 2 592 000 = 385.8 ppb."""
    assert read_job_text(JOB, runs_needed=False).use.needed_ppb == pytest.approx(385.80, abs=0.01)
    stated = JOB.replace("[use]", "[use]\nneeded_ppb = 500")
    assert read_job_text(stated, runs_needed=False).use.needed_ppb == 500
    with pytest.raises(JobError, match=r"needed_time error_s = 0: expected a number above 0"):
        read_job_text(JOB.replace("error_s = 1", "error_s = 0"), runs_needed=False)


def test_the_verdict_foresees_the_time_of_each_option_and_of_a_clock_held_over() -> None:
    """With 0.1 ppb/day stated the drift alone makes 0.1 * 30^2 / 2 day x ppb = 3.89 ms on the crystal's own options."""
    _, document = verdict_of("needed_time = { error_s = 1, after_days = 30 }")
    times = {one["name"]: one for one in document["times"]}
    assert set(times) == {one["name"] for one in document["options"]} | {HELD_OVER}
    regular, over = times["crystal with the table, trimmed regularly"], times[HELD_OVER]
    assert regular["known_s"] == pytest.approx(0.1 * 30**2 / 2 * TO_S, rel=0.01)
    assert regular["within_s"] == pytest.approx(abs(regular["known_s"]) + 1.96 * regular["u_s"])
    assert over["u_s"] <= regular["u_s"]
    assert verdict_of("needed_ppb = 250")[1]["times"] == []
