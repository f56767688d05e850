"""The base trimmed by one trusted point, and ageing by the history: invented oscillators of known truth."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from click.testing import CliRunner, Result
from plain_curve import BASE_TIME_S, plain_curve
from scipy.optimize import brentq
from scipy.stats import cauchy, norm
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter
from tables import changed

from tcomp import maintenance, workflow
from tcomp.budget.ageing import known_rate, watched_ageing
from tcomp.budget.drift import Rate, fit_ageing
from tcomp.budget.history import Entry, History, add_entry, history_path, read_history
from tcomp.cli import main
from tcomp.errors import HistoryError, TableError
from tcomp.estimation.basis import ChebyshevBasis
from tcomp.estimation.curve import Curve, curve_text, read_curve
from tcomp.estimation.spline_basis import SplineBasis
from tcomp.files import held, write_text
from tcomp.job import Job, read_job
from tcomp.results import Folder
from tcomp.tables import CorrectionTable, TableSpec, TemperatureScale, cheapest_table, coded_curve, read_table
from tcomp.units import SECONDS_PER_DAY
from tcomp.upkeep.due import next_trim
from tcomp.upkeep.point import Point, point_of_text
from tcomp.upkeep.retrim import retrim, retrimmed_table
from tcomp.verdict.verdict import judge

DATA = Path(__file__).parent / "data"
JOB = """
[oscillator]
name = "gauge 12"
nominal_hz = 10_000_000
[[run]]
file = "old.csv"
time = "utc"
temperature = "board_c"
frequency = "osc_hz"
[table]
counts_per_c = 16
form = "steps"
max_error_ppb = 0.5
[firmware]
formats = ["csv", "json"]
[use]
needed_ppb = 100
recalibrate_days = 30
"""
DAY = SECONDS_PER_DAY


def results(folder: Path, curve: Curve | None = None, job: str = JOB) -> Path:
    """A job, and what a build would leave beside it."""
    folder.mkdir(exist_ok=True)
    (folder / "gauge12.toml").write_text(job)
    (folder / "old.csv").write_text("utc,board_c,osc_hz\n")
    out = folder / "gauge12.out"
    curve = curve or plain_curve(slope_ppb_per_c=-40.0, u_ppb=2.0, slope_u_ppb_per_c=0.1)
    write_text(out / "curve.json", curve_text(curve))
    workflow.design(read_job(folder / "gauge12.toml"), curve, Folder(out), lambda _: None)
    return out


def command(out: Path, *words: str | Path) -> Result:
    return CliRunner().invoke(main, ["retrim", str(out), *(str(word) for word in words)], catch_exceptions=False)


def day(number: float) -> str:
    from tcomp.units import utc

    return utc(BASE_TIME_S + number * DAY)


def bases(days: np.ndarray, measured_ppb: np.ndarray, u_ppb: float, step_at: int = -1) -> tuple[Entry, ...]:
    kinds = ["runs"] + ["trim"] * (len(days) - 1)
    if step_at >= 0:
        kinds[step_at] = "step"
    return tuple(
        Entry(BASE_TIME_S + d * DAY, kind, 25.0, 25.0, y, u_ppb, y, u_ppb)  # type: ignore[arg-type]
        for d, kind, y in zip(days.tolist(), kinds, measured_ppb.tolist(), strict=True)
    )


# ---- weighing


def weighed(point: Point, *, accept: bool = False, days: float = 10.0, scatter_ppb: float = 0.0):  # type: ignore[no-untyped-def]
    return retrim(
        plain_curve(u_ppb=1.0), History(Path("none"), (), ()), point, BASE_TIME_S + days * DAY,
        Rate(2.0, 0.5, "invented"), accept=accept, scatter_ppb=scatter_ppb,
    )  # fmt: skip


def test_the_trim_value_is_that_of_the_firmware_example() -> None:
    """The figures of firmware_export/README.md: measured 1 790 503 ppt where the table says 1 740 416: base +50 087."""
    curve = plain_curve(base_ppb=1000.0, slope_ppb_per_c=-740.416 / 5.0625, u_ppb=1e6)  # 1740.416 at 19.9375 degC
    point = point_of_text("19.9375 degC, 1790.503 ppb, 0.001 ppb", curve)
    history = History(Path("none"), (), ())
    found = retrim(curve, history, point, BASE_TIME_S + DAY, Rate(0.0, 1.0, "invented"))
    assert found.trim_ppt == 50_087


def test_retrace_widens_the_prediction() -> None:
    """Twice: that of the base when it was stated, and that of the moment of the point."""
    without, with_it = (weighed(Point(25.0, 1020.0, 1.0), scatter_ppb=one).predicted_u_ppb for one in (0.0, 12.0))
    assert with_it == pytest.approx(math.sqrt(without**2 + 2 * 12.0**2), rel=0.02)  # the mixture is not quite normal


def test_a_fresh_point_outweighs_an_old_prediction() -> None:
    """Points of 3 ppb each 90 days on a straight line, thirty times: without a walk the prediction would be known to 1 ppb."""
    days = np.arange(0.0, 2701.0, 90.0)
    measured = 1000.0 + 0.5 * days + np.random.default_rng(2).normal(0.0, 3.0, days.size)
    entries = bases(days[:-1], measured[:-1], 3.0)
    found = retrim(
        plain_curve(u_ppb=1.0), History(Path("none"), entries, ()), Point(25.0, float(measured[-1]) + 6.0, 3.0),
        BASE_TIME_S + days[-1] * DAY, Rate(0.0, 0.8, "invented"),
    )  # fmt: skip
    without_walk = float(np.sqrt(line_variance(days[:-1], 3.0, days[-1])))
    assert without_walk < 1.2
    assert found.predicted_u_ppb > 1.5 * without_walk
    assert found.status == "trimmed"


def line_variance(days: np.ndarray, u_ppb: float, at: float) -> float:
    """Variance of a straight line's prediction, by statsmodels."""
    line = sm.WLS(np.zeros(days.size), sm.add_constant(days), weights=np.full(days.size, u_ppb**-2.0)).fit()
    at_row = np.array([1.0, at])
    return float(at_row @ line.normalized_cov_params @ at_row)


def test_a_point_beyond_three_uncertainties_is_refused_unless_accepted() -> None:
    plain = weighed(Point(25.0, 1020.0, 1.0))
    together = math.hypot(plain.predicted_u_ppb, 1.0)
    assert weighed(Point(25.0, 1020.0 + 2.9 * together, 1.0)).status == "trimmed"
    point = Point(25.0, 1020.0 + 3.1 * together, 1.0)
    refused = weighed(point)
    assert (refused.status, refused.suspected) == ("refused", "fault or step")
    assert [entry.kind for entry in refused.added] == ["runs", "refused"]
    assert (refused.base_ppb, refused.base_u_ppb) == (1000.0, 1.0)
    taken = weighed(point, accept=True)
    assert taken.status == "accepted as a step"
    assert (taken.base_ppb, taken.base_u_ppb) == pytest.approx((point.base_ppb, 1.0))
    assert [entry.kind for entry in taken.added] == ["runs", "step"]


def after(measured: list[tuple[float, float]], *, accept: bool = False):  # type: ignore[no-untyped-def]
    """The last of some points (day, ppb), of 2 ppb, offered after a quiet history of 0.5 ppb/day over 300 days."""
    history = History(
        Path("none"), bases(np.arange(0.0, 301.0, 30.0), 1000.0 + 0.5 * np.arange(0.0, 301.0, 30.0), 2.0), ()
    )
    for number, (at, ppb) in enumerate(measured):
        found = retrim(
            plain_curve(u_ppb=1.0), history, Point(25.0, ppb, 2.0), BASE_TIME_S + at * DAY, Rate(0.0, 0.8, "invented"),
            accept=accept and number == len(measured) - 1,
        )  # fmt: skip
        history = History(history.path, (*history.entries, *found.added), ())
    return found, history


def test_two_refusals_on_one_side_say_whether_the_base_stepped_or_the_ageing_bends() -> None:
    # 1150 at day 300; at 0.5 ppb/day 1195 at day 390 and 1240 at 480.
    assert after([(390, 1495.0)])[0].suspected == "fault or step"
    assert after([(390, 1495.0), (480, 1540.0)])[0].suspected == "step"
    assert after([(390, 1395.0), (480, 1640.0)])[0].suspected == "bend"  # 200 away, then 400
    assert after([(390, 1495.0), (391, 1495.5)])[0].suspected == "step or bend"
    assert after([(390, 1495.0), (480, 900.0)])[0].suspected == "fault or step"  # to the other side
    assert after([(390, 1495.0), (480, 1240.0)])[0].status == "trimmed"  # the first was a stray point


def test_a_bend_is_taken_with_the_points_before_it_and_the_rate_is_learnt_anew() -> None:
    found, history = after([(390, 1395.0), (480, 1640.0)], accept=True)
    assert found.status == "accepted as a bend"
    assert [one.kind for one in history.entries[-2:]] == ["refused", "bend"]
    rate, u = found.ageing.rate_ppb_per_day()
    assert abs(rate - 245.0 / 90.0) < 2 * u  # what the last two points say
    assert found.base_ppb == pytest.approx(1640.0, abs=4.0)
    blind = after([(390, 1395.0), (480, 1640.0)])[0].ageing  # planted: not accepted
    assert abs(blind.rate_ppb_per_day()[0] - 245.0 / 90.0) > 1.5


def test_a_refused_point_may_be_offered_again_with_another_value_or_accepted() -> None:
    assert [one.kind for one in after([(390, 1495.0), (390, 1495.0)])[1].entries[-2:]] == ["trim", "refused"]
    found, history = after([(390, 1495.0), (390, 1195.0)])
    assert found.status == "trimmed"
    assert [one.kind for one in history.entries[-2:]] == ["refused", "trim"]
    assert after([(390, 1495.0), (390, 1495.0)], accept=True)[0].status == "accepted as a step"


def test_a_step_does_not_bend_the_rate() -> None:
    days = np.arange(0.0, 300.0, 30.0)
    measured = 1000.0 + 0.5 * days + np.where(days >= 150.0, 400.0, 0.0)
    rate, u = fit_ageing(bases(days, measured, 1.0, step_at=5), Rate(0.0, 1.0, "invented")).rate_ppb_per_day()
    assert abs(rate - 0.5) < 2 * u < 0.1
    blind = fit_ageing(bases(days, measured, 1.0), Rate(0.0, 1.0, "invented"))
    assert blind.rate_ppb_per_day()[1] > 5 * u  # planted: the same, without the step


# ---- ageing: outside checks


def by_statsmodels(days: np.ndarray, measured: np.ndarray, u: float, rate: Rate, ahead: float):  # type: ignore[no-untyped-def]
    """The mixture of all filters by statsmodels' Kalman filter: mean and 95.45 % half-width of the base ahead.

    The stray share and the Cauchy distribution of a stray point are scipy's; the quantile is a root by Brent's method.
    """
    means, sds, logs = [], [], []
    for per_day in np.geomspace(1 / 512, 2.0, 11):
        for times in 2.0 ** np.arange(-3, 4):
            walk = (rate.walk_ppb * times) ** 2
            filtered = KalmanFilter(k_endog=1, k_states=3, k_posdef=1)
            filtered.bind(measured[:, None].copy())
            filtered["design"], filtered["obs_cov"] = np.array([[1.0, 0.0, 0.0]]), np.array([[u**2]])
            filtered["selection"] = np.array([[1.0], [0.0], [0.0]])
            edges = np.append(days, days[-1] + ahead)
            moves, state_cov = np.tile(np.eye(3)[:, :, None], days.size), np.zeros((1, 1, days.size))
            moves[0, 1], moves[0, 2] = np.diff(edges), np.diff(np.log1p(per_day * edges))
            state_cov[0, 0] = walk * np.diff(edges)
            filtered["transition"], filtered["state_cov"] = moves, state_cov
            # What is known before the first base: nothing of the base itself.
            first = np.array([measured[0], rate.ppb_per_day, 0.0])
            vague = np.diag([1e12, rate.u_ppb_per_day**2, ((100.0 if rate.assumed else 5.0) * rate.u_ppb_per_day) ** 2])
            filtered.initialize_known(first, vague)
            found = filtered.filter()
            normal = norm.logpdf(found.forecasts_error[0, 1:], 0.0, np.sqrt(found.forecasts_error_cov[0, 0, 1:]))
            stray = cauchy.logpdf(found.forecasts_error[0, 1:], 0.0, 100.0 * rate.walk_ppb)
            logs.append(
                np.logaddexp(np.log(0.98) + normal, np.log(0.02) + stray).sum() + np.log(times / (1 + times**2))
            )
            means.append(found.predicted_state[0, -1])
            sds.append(math.sqrt(found.predicted_state_cov[0, 0, -1]))
    weight = np.exp(np.array(logs) - max(logs))
    weight, means, sds = weight / weight.sum(), np.array(means), np.array(sds)
    mean = float(weight @ means)

    def left_out(half: float) -> float:
        return float(weight @ (norm.cdf(mean + half, means, sds) - norm.cdf(mean - half, means, sds))) - 0.9545

    return mean, brentq(left_out, 1e-3, 1e5)


@pytest.mark.parametrize("count", [1, 3, 8])
def test_the_prediction_is_that_of_a_bank_of_general_kalman_filters(count: int) -> None:
    rng, rate = np.random.default_rng(count), Rate(0.3, 0.5, "invented", count == 3)
    days = np.cumsum(rng.uniform(10.0, 120.0, count)) - 10.0
    days -= days[0]
    measured = 500.0 + 40.0 * np.log1p(0.05 * days) + rng.normal(0.0, 2.0, count)
    found = fit_ageing(bases(days, measured, 2.0), rate)
    base, u = (float(one[0]) for one in found.predicted(np.array([BASE_TIME_S + (days[-1] + 60.0) * DAY])))
    mean, half = by_statsmodels(days, measured, 2.0, rate, 60.0)
    # The vague prior of 1e6 ppb costs statsmodels' plain recursion some four of its sixteen digits.
    assert base == pytest.approx(mean, abs=1e-3)
    assert 2 * u == pytest.approx(half, rel=1e-3)


# ---- ageing: recovery of an invented truth


def straight(days: np.ndarray) -> np.ndarray:
    return 500.0 - 0.9 * days


def logarithmic(days: np.ndarray) -> np.ndarray:
    return 500.0 + 80.0 * np.log1p(days / 30.0)


@pytest.mark.parametrize("walk_ppb", [0.0, 1.0, 3.0])
@pytest.mark.parametrize("truth", [straight, logarithmic])
def test_the_uncertainty_of_what_is_predicted_holds_whatever_the_walk(truth, walk_ppb: float) -> None:  # type: ignore[no-untyped-def]
    days, seeds = np.arange(0.0, 1081.0, 90.0), 20
    within = []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        base = truth(days) + np.append(0.0, np.cumsum(rng.normal(0.0, walk_ppb * math.sqrt(90.0), days.size - 1)))
        measured = base + rng.normal(0.0, 3.0, days.size)
        for count in range(1, days.size):
            found = fit_ageing(bases(days[:count], measured[:count], 3.0), Rate(0.0, 0.79, "typical", True))
            predicted, u = (one[0] for one in found.predicted(np.array([BASE_TIME_S + days[count] * DAY])))
            within.append(abs(predicted - base[count]) <= 2 * u)
    # Asked: 90 % (95 % in truth; 240 predictions that share lives have a standard error of some 2 %).
    assert np.mean(within) >= 0.90


def test_a_logarithm_is_seen_and_its_rate_falls() -> None:
    days = np.arange(0.0, 1081.0, 90.0)
    found = fit_ageing(bases(days, logarithmic(days), 2.0), Rate(0.0, 0.79, "typical", True))
    assert (found.form, found.identifiable) == ("logarithmic", True)
    assert "ppb times ln(" in found.words
    rate, u = found.rate_ppb_per_day()
    assert abs(rate - 80.0 / (30.0 + 1080.0)) < 2 * u  # the derivative at the last base
    assert fit_ageing(bases(days, straight(days), 2.0), Rate(0.0, 0.79, "typical", True)).form == "straight"


def test_an_uncertainty_that_is_stated_too_small_is_made_good_by_the_walk() -> None:
    days, seeds = np.arange(0.0, 181.0, 30.0), 100
    within = 0
    for seed in range(seeds):
        measured = straight(days) + np.random.default_rng(seed).normal(0.0, 6.0, days.size)
        rate, u = fit_ageing(bases(days[:5], measured[:5], 0.5), Rate(0.0, 1.0, "unused")).rate_ppb_per_day()
        within += abs(rate + 0.9) <= 2 * u
    assert within / seeds > 0.90  # 95 %, less twice the standard error of 100 seeds


def test_few_bases_say_that_they_are_few() -> None:
    found = fit_ageing(bases(np.array([0.0, 30.0]), np.array([500.0, 530.0]), 1.0), Rate(0.0, 0.8, "not known"))
    assert not found.identifiable
    assert found.words == "2 bases, too few to tell it alone, and not known"


def test_runs_that_contradict_open_a_new_part() -> None:
    days = np.arange(0.0, 400.0, 30.0)
    measured = 1000.0 + 0.5 * days + np.where(days >= 300.0, 500.0, 0.0)
    entries = bases(days, measured, 1.0)
    anew = tuple(replace(one, kind="runs") if one.time_s == BASE_TIME_S + 300.0 * DAY else one for one in entries)
    rate, u = fit_ageing(anew, Rate(0.0, 1.0, "unused")).rate_ppb_per_day()
    assert abs(rate - 0.5) < 2 * u < 0.1


def test_a_move_is_the_same_in_every_batch() -> None:
    found = fit_ageing(
        bases(np.arange(0.0, 181.0, 30.0), straight(np.arange(0.0, 181.0, 30.0)), 2.0), Rate(0.0, 1.0, "")
    )
    times_s = BASE_TIME_S + np.linspace(100.0, 300.0, 997) * DAY
    together = found.moved(times_s, BASE_TIME_S + 180.0 * DAY)
    for part in np.array_split(np.arange(997), 7):
        assert all(
            (one[part] == other).all()
            for one, other in zip(together, found.moved(times_s[part], BASE_TIME_S + 180.0 * DAY), strict=True)
        )
    assert all(np.isnan(one[0]) for one in found.moved(np.array([math.nan])))


def test_what_is_known_of_the_ageing_comes_from_the_job_the_runs_or_typical_figures(tmp_path: Path) -> None:
    def rate(more: str, ageing: float, ahead_days: float) -> Rate:
        (tmp_path / "job.toml").write_text(JOB.replace("nominal_hz", f"{more}\nnominal_hz"))
        return known_rate(read_job(tmp_path / "job.toml"), plain_curve(ageing_ppb_per_day=ageing), ahead_days)

    assert rate("ageing_ppb_per_day = -0.4", 6.0, 5.0).ppb_per_day == -0.4
    assert (rate("", 6.0, 5.0).ppb_per_day, rate("", 6.0, 5.0).u_ppb_per_day) == (6.0, 0.1)
    assert rate("", 6.0, 50.0).ppb_per_day == 0.0
    assert rate("", 6.0, 50.0).u_ppb_per_day == pytest.approx(6.0 / math.sqrt(3.0))
    assert rate("", 0.0, 5.0).walk_ppb == 1.0
    assert rate('cut = "tuning-fork"', 0.0, 5.0).walk_ppb == 6.0
    # 5e-7 a year: Vig 1992, table 1.
    assert rate("", 0.0, 5.0).u_ppb_per_day == pytest.approx(500.0 / 365.0 / math.sqrt(3.0), rel=1e-3)


# ---- the date


def plain_job(folder: Path, more: str = "") -> Job:
    (folder / "gauge12.toml").write_text(JOB + more)
    return read_job(folder / "gauge12.toml")


def test_the_date_is_where_drift_and_uncertainty_reach_the_need(tmp_path: Path) -> None:
    days = np.arange(0.0, 400.0, 50.0)
    found = fit_ageing(bases(days, 1000.0 + 0.5 * days, 1e-3), Rate(0.0, 1.0, "unused"))
    curve = plain_curve(slope_ppb_per_c=-40.0, slope_u_ppb_per_c=0.2)
    job = plain_job(tmp_path, "sensor_drift_c = 0\n")
    due = next_trim(job, curve, None, found)
    assert due is not None
    # Drawn by hand: the curve is known to 0.2 ppb for each degC from the reference, where the temperature swings by 25 degC, and
    # scatters by 1 ppb known by 48 degrees of freedom; what 95.45 % are within, and 0.5 ppb for each day on top (JCGM 100,
    # F.2.4.5).  Two sets of so many draws differ by 1 % of it (three standard errors).
    rng = np.random.default_rng(3)
    swing_c = 25.0 * np.cos(rng.uniform(0.0, 2 * math.pi, 200_000))
    left_ppb = 0.2 * swing_c * rng.standard_normal(200_000) + rng.standard_t(48, 200_000)
    within_ppb = np.quantile(np.abs(left_ppb), 0.9545)
    assert due.now_ppb == pytest.approx(within_ppb, rel=0.02)
    # The walk, of which eight bases on a line leave 0.3 ppb in a day's root at most, and the rate take off some ten days.
    assert -15.0 <= due.days - (100.0 - within_ppb) / 0.5 <= 1.5
    assert not due.cut_short
    # Steps of 1/16 degC at 40 ppb/degC, a table of 6 ppb and retrace of 9 ppb are rectangles.
    job = plain_job(tmp_path, "sensor_drift_c = 0\nhours_on_per_day = 2\n[sensor]\nresolution_c = 0.0625\n")
    job = changed(job, oscillator=changed(job.oscillator, retrace_ppb=9.0))
    table = changed(table_of(curve), max_error_ppb=6.0)
    more = next_trim(job, curve, table, found)
    assert more is not None
    for half_ppb in (40.0 / 32, 6.0, 9.0):
        left_ppb = left_ppb + rng.uniform(-half_ppb, half_ppb, 200_000)
    assert more.now_ppb == pytest.approx(np.quantile(np.abs(left_ppb), 0.9545), rel=0.02)


def test_the_date_and_the_verdict_are_of_one_error(tmp_path: Path) -> None:
    days = np.arange(0.0, 300.0, 50.0)
    entries = bases(days, 1000.0 + 0.2 * days, 0.5)
    job, curve = plain_job(tmp_path, "sensor_drift_c = 0.05\n"), plain_curve(slope_ppb_per_c=-40.0)
    history = read_history(history_path(job))
    for entry in entries:
        history = add_entry(history, entry)
    table = table_of(curve)
    watched = watched_ageing(job, curve)
    assert watched is not None
    due = next_trim(job, curve, table, fit_ageing(entries, known_rate(job, curve, 50.0)))
    verdict = judge(job, curve, table)
    assert due is not None
    regularly = next(one for one in verdict.options if "regularly" in one.option.name)
    # One list, one day, one figure: the two are printed alike.  (Asked: within 2 %.)
    assert verdict.trim_days == due.predicted_days
    assert regularly.error_by_day[0][2] == pytest.approx(due.now_ppb, rel=0.001)
    assert regularly.error_by_day[-1] == (30.0, pytest.approx(regularly.error_by_day[-1][1]), regularly.need_met_ppb)
    # The budget is of the same day, by JCGM 100; where rectangles weigh little it agrees to 2 %.
    assert regularly.budget.expanded() == pytest.approx(regularly.need_met_ppb, rel=0.02)


def test_trims_become_rarer_as_the_ageing_slows_down_and_is_known_better(tmp_path: Path) -> None:
    days = np.array([0.0, 10, 25, 50, 90, 150, 240, 360, 540, 800, 1200])
    measured = logarithmic(days) + np.random.default_rng(1).normal(0.0, 0.5, days.size)
    job, curve = plain_job(tmp_path), plain_curve()
    apart = []
    for count in range(4, days.size + 1):
        due = next_trim(job, curve, None, fit_ageing(bases(days[:count], measured[:count], 0.5), Rate(0.0, 1.0, "")))
        assert due is not None
        apart.append(due.predicted_days)
    assert apart == sorted(apart)
    assert apart[-1] > 2 * apart[0]  # no more: the base may walk


@pytest.mark.parametrize(("count", "days"), [(6, 10.0), (7, 36.0)])
def test_nothing_is_promised_beyond_the_history_until_six_trims(tmp_path: Path, count: int, days: float) -> None:
    at = np.arange(count) * 2.0
    found = fit_ageing(bases(at, 1000.0 + 0.1 * at, 0.01), Rate(0.0, 1.0, "unused"))
    due = next_trim(plain_job(tmp_path), plain_curve(), None, found)
    assert due is not None
    assert (due.days, due.reach_days, due.cut_short) == (days, days, True)
    assert due.predicted_days > 100.0


# ---- curve and table on another base


@pytest.mark.parametrize("spline", [False, True])
def test_the_shape_of_the_curve_stays_and_its_base_is_as_certain_as_the_trim(spline: bool) -> None:
    basis = SplineBasis((0.0, 20.0, 35.0, 50.0)) if spline else ChebyshevBasis(3, 0.0, 50.0)
    rng = np.random.default_rng(4)
    root = rng.normal(size=(basis.size, basis.size))
    curve = changed(
        plain_curve(), basis=basis, coef=tuple(rng.normal(0.0, 100.0, basis.size).tolist()),
        covariance=tuple(map(tuple, (root @ root.T).tolist())), reference_u_ppb=4.0,
    )  # fmt: skip
    at_c, at_reference = np.linspace(0.0, 50.0, 101), np.array([25.0])
    moved = curve.trimmed_to(777.0, 2.5, BASE_TIME_S)
    assert moved.base_ppb == pytest.approx(777.0, abs=1e-9)
    shift = moved.offset_ppb(at_c) - curve.offset_ppb(at_c)
    assert np.ptp(shift) < 1e-9
    assert moved.uncertainty_ppb(at_reference)[0] == pytest.approx(2.5, abs=1e-9)
    assert moved.shape_uncertainty_ppb(at_c) == pytest.approx(curve.shape_uncertainty_ppb(at_c), abs=1e-9)
    assert moved.uncertainty_ppb(at_c) == pytest.approx(np.hypot(2.5, curve.shape_uncertainty_ppb(at_c)), abs=1e-9)


def table_of(curve: Curve, form: str = "steps", interpolation: str | None = None) -> CorrectionTable:
    target = coded_curve(curve.continued_ppb, curve.low_c, curve.high_c, TemperatureScale(16))
    asked = TableSpec(form, interpolation, "auto", 4.0, None)  # type: ignore[arg-type]
    return cheapest_table(target, asked, lambda table: table.bytes)[0]


def bent_curve() -> Curve:
    """A cubic; invented."""
    return changed(
        plain_curve(), basis=ChebyshevBasis(3, 0.0, 50.0), coef=(300.0, -900.0, 40.0, 350.0),
        covariance=tuple(map(tuple, (np.eye(4) * 0.01).tolist())),
    )  # fmt: skip


@pytest.mark.parametrize("form", ["steps", "even", "segments", "polynomial"])
def test_every_form_of_table_moves_as_a_whole(form: str) -> None:
    curve = bent_curve()
    table = table_of(curve, form)
    moved_curve = curve.trimmed_to(curve.base_ppb + 123.456, 1.0, BASE_TIME_S)
    moved = retrimmed_table(table, moved_curve)
    step = moved.lookup(moved.codes) - table.lookup(table.codes)
    assert np.ptp(step) == 0  # in units of the entries, at every code
    unit_ppb = 2**table.unit_log2_ppt / 1000
    assert step[0] * unit_ppb == pytest.approx(123.456, abs=unit_ppb / 2)
    away_ppb = moved.offset_ppt(moved.codes) / 1000 - moved_curve.continued_ppb(moved.temperature_of(moved.codes))
    assert moved.max_error_ppb == pytest.approx(float(np.abs(away_ppb).max()), rel=1e-9)
    assert moved.max_error_ppb <= table.max_error_ppb + unit_ppb / 2
    assert moved.description == table.description


def test_entries_on_a_polynomial_move_with_it() -> None:
    table = next(
        one for one in (table_of(bent_curve(), "even", kind) for kind in ("nearest", "linear", "quadratic"))
        if one.layout.degree is not None
    )  # fmt: skip
    moved = table.shifted(7)
    assert moved.entries == table.entries
    assert (moved.lookup(moved.codes) - table.lookup(table.codes) == 7).all()


def test_a_hundred_trims_leave_no_rounding_behind() -> None:
    curve = bent_curve()
    first = table = table_of(curve)
    for number in range(100):
        curve = curve.trimmed_to(curve.base_ppb + (0.37 if number % 2 else 0.11), 1.0, BASE_TIME_S + number)
        table = retrimmed_table(table, curve)
    assert table.max_error_ppb <= first.max_error_ppb + 2**table.unit_log2_ppt / 1000 / 2


def test_entries_that_would_leave_their_bits_are_refused() -> None:
    curve = bent_curve()
    with pytest.raises(TableError, match="expected an integer from -32768 to 32767"):
        retrimmed_table(table_of(curve), curve.trimmed_to(30_000.0, 1.0, BASE_TIME_S))


# ---- the command


def test_a_trim_moves_the_table_alone_and_keeps_its_history(tmp_path: Path) -> None:
    out = results(tmp_path)
    before, curve = read_table(out / "table.json"), read_curve(out / "curve.json")
    # At 30 degC the curve says 1000 - 5 * 40 = 800; measured 860: the base is 1060.
    result = command(out, "--at", "30 degC, 860 ppb, 5 ppb", "--time", day(60), "--json")
    assert result.exit_code == 0, result.stderr
    figures = json.loads(result.stdout)
    assert figures["point"]["base_ppb"] == pytest.approx(1060.0)
    # Of the point 5, of the shape 5 degC * 0.1 ppb/degC.
    assert figures["point"]["u_ppb"] == pytest.approx(math.hypot(5.0, 0.5))
    after, moved = read_table(out / "table.json"), read_curve(out / "curve.json")
    assert np.ptp(np.array(after.entries) - np.array(before.entries)) == 0
    unit_ppb = 2**after.unit_log2_ppt / 1000
    shift_ppb = (after.entries[0] - before.entries[0]) * unit_ppb
    assert shift_ppb == pytest.approx(figures["base_ppb"] - 1000.0, abs=unit_ppb)
    assert figures["trim_ppt"] == round((figures["base_ppb"] - 1000.0) * 1000)
    assert moved.base_ppb == pytest.approx(figures["base_ppb"])
    assert (moved.trimmed, moved.base_words) == (True, f"as trimmed at {day(60)}")
    assert curve.low_c == moved.low_c
    entries = read_history(tmp_path / "gauge12.history.csv").entries
    assert [(entry.kind, entry.base_ppb) for entry in entries] == [("runs", 1000.0), ("trim", figures["base_ppb"])]


@pytest.mark.parametrize(
    ("use", "remark", "row"),
    [
        ("", "needed_ppb is not in the job, so no date can be given", "no date: the job does not say what is needed"),
        ("[use]\nneeded_ppb = 3\n", "3 ppb cannot be kept even now: right after this trim the error is up to", "due "),
        (
            "[use]\nneeded_ppb = 100\nrecalibrate_days = 9999\n",
            "the job plans 9999 days from trim to trim, which is",
            "due ",
        ),
    ],
)
def test_what_a_trim_cannot_promise_is_said(tmp_path: Path, use: str, remark: str, row: str) -> None:
    out = results(tmp_path, job=JOB[: JOB.index("[use]")] + use)
    result = command(out, "--at", "25 degC, 1000 ppb, 5 ppb", "--time", day(60))
    assert result.exit_code == 0, result.stderr
    assert remark in result.stderr
    assert re.search(rf"next trim +{row}", result.stdout)


def test_what_is_odd_in_a_history_is_remarked(tmp_path: Path) -> None:
    out = results(tmp_path)
    assert command(out, "--at", "25 degC, 1000 ppb, 5 ppb", "--time", day(60)).exit_code == 0
    with (tmp_path / "gauge12.history.csv").open("a") as file:
        file.write("2026-09-0")
    result = command(out, "--at", "25 degC, 1000 ppb, 5 ppb", "--time", day(90))
    assert result.exit_code == 0
    assert "gauge12.history.csv:4: the last line is half written, and is set aside" in result.stderr


def test_two_trims_in_a_row_are_two_lines_and_the_second_knows_the_first(tmp_path: Path) -> None:
    out = results(tmp_path)
    assert command(out, "--at", "25, 1060, 5", "--time", day(60)).exit_code == 0
    one = (tmp_path / "gauge12.history.csv").read_bytes()
    result = command(out, "--at", "25, 1090, 5", "--time", day(90), "--json")
    assert (tmp_path / "gauge12.history.csv").read_bytes().startswith(one)  # only ever added to
    figures = json.loads(result.stdout)
    # Two bases say 60 ppb in 60 days, 1 ppb/day; less, if that was the beginning of a logarithm.
    assert 1065.0 < figures["predicted_ppb"] < 1090.0
    assert figures["days_since_the_base_before"] == pytest.approx(30.0)
    assert figures["ageing"]["bases"] == 3
    assert "3 bases, too few to tell it alone" in figures["ageing"]["words"]
    assert figures["suspected"] is None
    assert figures["trim_ppt"] == pytest.approx(
        90_000, abs=3000
    )  # against the table of the build, not of the first trim


def test_the_same_trims_leave_the_same_bytes(tmp_path: Path) -> None:
    texts = []
    for name in ("a", "b"):
        out = results(tmp_path / name)
        for number, offset in ((60, 1060), (90, 1090)):
            command(out, "--at", f"25, {offset}, 5", "--time", day(number))
        files = sorted(one for one in (tmp_path / name).rglob("*") if one.is_file())
        texts.append([(one.relative_to(tmp_path / name), one.read_bytes()) for one in files])
    assert texts[0] == texts[1]


def test_a_contradiction_is_refused_and_changes_the_history_alone(tmp_path: Path) -> None:
    out = results(tmp_path)
    before = {one: one.read_bytes() for one in sorted(tmp_path.rglob("*")) if one.is_file()}
    point = ("--at", "25, 3000, 5", "--time", day(10))
    for _ in range(2):  # the same point twice is one
        result = command(out, *point)
        assert result.exit_code == 1
        assert "REFUSED: the point contradicts curve and ageing; nothing was changed but the" in result.stdout
        assert "retrace after a time without power" in result.stdout
        history = read_history(tmp_path / "gauge12.history.csv")
        assert [one.kind for one in history.entries] == ["runs", "refused"]
        assert history.entries[-1].base_ppb == 1000.0
    after = {one: one.read_bytes() for one in sorted(tmp_path.rglob("*")) if one.is_file()}
    after.pop(tmp_path / "gauge12.history.csv")
    assert after == before
    again = command(out, "--at", "25, 5400, 5", "--time", day(20))
    assert again.exit_code == 1
    assert "the ageing bends" in again.stdout
    accepted = command(out, "--at", "25, 3050, 5", "--time", day(30), "--accept", "--json")
    assert accepted.exit_code == 0
    assert json.loads(accepted.stdout)["base_ppb"] == pytest.approx(3050.0, abs=0.1)


@pytest.mark.parametrize(
    "at", ["25, 1060, 5", "40.25, 28231.7, 5.3"], ids=["the entries move", "the table is designed anew"]
)
def test_after_a_crash_the_same_point_gives_the_same_results(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at: str
) -> None:
    point = ("--at", at, "--time", day(60), "--accept")
    whole, broken = results(tmp_path / "whole"), results(tmp_path / "broken")
    command(whole, *point)

    def crash(history: History, entry: Entry) -> History:
        if entry.kind != "runs":
            raise RuntimeError("the power fails here")
        return add_entry(history, entry)

    monkeypatch.setattr(maintenance, "add_entry", crash)
    with pytest.raises(RuntimeError):
        command(broken, *point)
    monkeypatch.undo()
    assert read_curve(broken / "curve.json").trimmed
    assert command(broken, *point).exit_code == 0
    for name in ("gauge12.out/curve.json", "gauge12.out/table.json", "gauge12.history.csv"):
        assert (tmp_path / "broken" / name).read_bytes() == (tmp_path / "whole" / name).read_bytes()


def test_the_c_is_written_anew_and_proven(tmp_path: Path) -> None:
    out = results(tmp_path, job=JOB.replace('["csv", "json"]', '["c"]'))
    job = read_job(tmp_path / "gauge12.toml")
    folder = Folder(out)
    workflow.export(job, folder.read_curve(), folder.read_table(), folder, lambda _: None)
    before = (out / "gauge_12.c").read_text()
    result = command(out, "--at", "25, 1060, 5", "--time", day(60))
    assert result.exit_code == 0
    assert "proof: the C equals its specification" in result.stderr
    assert (out / "gauge_12.c").read_text() != before
    assert "base as trimmed at" in (out / "gauge_12.h").read_text()
    assert folder.read_proof().holds is True


def test_a_short_run_is_a_point(tmp_path: Path) -> None:
    out = results(tmp_path, plain_curve(slope_ppb_per_c=-40.0, u_ppb=2.0))
    rng, n = np.random.default_rng(6), 200
    temperature_c = np.linspace(22.0, 24.0, n)
    offset_ppb = 1075.0 - 40.0 * (temperature_c - 25.0) + rng.normal(0.0, 3.0, n)
    rows = [
        f"{BASE_TIME_S + 60 * DAY + 10 * i:.0f},{T:.4f},{1e7 * (1 + y * 1e-9):.6f}"
        for i, (T, y) in enumerate(zip(temperature_c, offset_ppb, strict=True))
    ]
    (tmp_path / "short.csv").write_text("\n".join(["utc,board_c,osc_hz", *rows, ""]))
    head = '[reference]\nuncertainty_ppb = 1\n[[run]]\nfile = "short.csv"'
    (tmp_path / "short.toml").write_text(JOB.replace('[[run]]\nfile = "old.csv"', head))
    result = command(out, "--run", tmp_path / "short.toml", "--json")
    assert result.exit_code == 0, result.stderr
    point = json.loads(result.stdout)["point"]
    # The mean of 200 samples of 3 ppb, and a reference of 1 ppb: invented.
    assert point["u_ppb"] == pytest.approx(math.hypot(3.0 / math.sqrt(n), 1.0), rel=0.05)
    assert abs(point["base_ppb"] - 1075.0) < 3 * point["u_ppb"]
    assert json.loads(result.stdout)["time"] == day(60 + 1990 / DAY)


def test_a_table_that_cannot_be_moved_is_designed_anew(tmp_path: Path) -> None:
    out = results(tmp_path)
    result = command(out, "--at", "25, 9000, 5", "--time", day(60), "--accept")
    assert result.exit_code == 0
    assert "the table is designed anew" in result.stderr
    table, curve = read_table(out / "table.json"), read_curve(out / "curve.json")
    away_ppb = table.offset_ppt(table.codes) / 1000 - curve.continued_ppb(table.temperature_of(table.codes))
    assert np.abs(away_ppb).max() <= 0.5


def test_runs_without_a_clock_need_the_time_of_the_base(tmp_path: Path) -> None:
    out = results(tmp_path, plain_curve(u_ppb=2.0, base_time_s=3600.0))
    point = ("--at", "25, 1000, 5", "--time", day(60))
    result = command(out, *point)
    assert result.exit_code == 2
    assert (
        "the runs have no clock, so it is not known when the base was as the curve states it; say when with --since"
        in (result.stderr)
    )
    assert command(out, *point, "--since", day(0)).exit_code == 0
    assert command(out, "--at", "25, 1000, 5", "--time", day(70)).exit_code == 0  # the history knows it now


@pytest.mark.parametrize(
    ("words", "outcome"),
    [
        (("--at", "25, 1000, 5"), "it is not known when the point was measured; give the time with --time"),
        (("--at", "25, 1000, 5", "--time", "yesterday"), '--time "yesterday": is no ISO 8601 time'),
        (("--at", "25, 1000, 5", "--time", "2026-01-01"), "is not later than the base of 2026-03-04T00:00:00Z"),
        (("--at", "25, 1000", "--time", "2027-01-01"), 'is no point; expected "T, offset, u", for example'),
        (("--at", "25 K, 1000, 5", "--time", "2027-01-01"), "has a unit that is not known"),
        (("--at", "25, 1000 Hz, 5", "--time", "2027-01-01"), "has a unit that is not known"),
        (("--at", "25, 1000, 0", "--time", "2027-01-01"), "the standard uncertainty is 0"),
        (("--at", "60, 1000, 5", "--time", "2027-01-01"), "60 degC is outside the curve; expected 0 to 50 degC"),
        (("--time", "2027-01-01"), "give either --at or --run"),
    ],
)
def test_a_mistake_is_one_sentence(words: tuple[str, ...], outcome: str, tmp_path: Path) -> None:
    result = command(results(tmp_path), *words)
    assert result.exit_code == 2
    assert outcome in result.stderr
    assert not (tmp_path / "gauge12.history.csv").exists()


def test_points_are_read_in_the_usual_units() -> None:
    curve = plain_curve()
    plain = point_of_text("23.5, 1120, 5", curve)
    for text in ("23.5 degC, 1120 ppb, 5 ppb", "23.5C,+1.12 ppm,0.005 ppm", "23,5 °C; 1,12e3 ppb; 5000 ppt"):
        assert point_of_text(text, curve) == plain


# ---- the history


def history_of(path: Path, count: int = 3) -> History:
    history = read_history(path)
    for entry in bases(np.arange(count) * 30.0, 1000.0 + np.arange(count), 1.5):
        history = add_entry(history, entry)
    return history


def test_a_history_is_read_back_as_it_was_written(tmp_path: Path) -> None:
    history = history_of(tmp_path / "h.csv")
    assert read_history(tmp_path / "h.csv").entries == history.entries


@pytest.mark.parametrize("cut", [1, 9, 40])
def test_a_half_last_line_is_set_aside_and_the_next_one_follows(cut: int, tmp_path: Path) -> None:
    path = tmp_path / "h.csv"
    history = history_of(path)
    path.write_bytes(path.read_bytes()[:-cut])
    read = read_history(path)
    assert read.entries == history.entries[:2]
    assert read.remarks == (f"{path}:4: the last line is half written, and is set aside",)
    half = path.read_bytes()
    again = add_entry(read, history.entries[2])
    assert path.read_bytes().startswith(half)
    assert read_history(path).entries == again.entries == history.entries
    assert read_history(path).remarks == ()


def test_a_half_header_is_set_aside_too(tmp_path: Path) -> None:
    path = tmp_path / "h.csv"
    path.write_bytes(b"time,ki")
    history = history_of(path)
    assert read_history(path).entries == history.entries


def test_a_damaged_line_is_told_with_its_number(tmp_path: Path) -> None:
    path = tmp_path / "h.csv"
    history_of(path)
    text = path.read_text()
    path.write_text(text.replace("1001.0", "1007.0", 1))
    with pytest.raises(HistoryError, match=r"h.csv:3: the line is damaged, its CRC-32 is another"):
        read_history(path)
    lines = text.splitlines(keepends=True)
    path.write_text("".join([lines[0], lines[2], lines[1], lines[3]]))
    with pytest.raises(HistoryError, match=r"h.csv:3: is not later than the line before"):
        read_history(path)
    path.write_text("utc,base\n")
    with pytest.raises(HistoryError, match=r"h.csv:1: is no history"):
        read_history(path)


def test_a_history_at_another_reference_temperature_is_refused(tmp_path: Path) -> None:
    out = results(tmp_path)
    command(out, "--at", "25, 1060, 5", "--time", day(60))
    curve = changed(read_curve(out / "curve.json"), reference_c=20.0)
    write_text(out / "curve.json", curve_text(curve))
    result = command(out, "--at", "25, 1060, 5", "--time", day(90))
    assert result.exit_code == 2
    assert "states bases at 25 degC, the curve at 20; set reference_c in [fit] to 25" in result.stderr


def test_new_runs_go_on_in_the_same_history(tmp_path: Path) -> None:
    out = results(tmp_path)
    command(out, "--at", "25, 1060, 5", "--time", day(60))
    fresh = plain_curve(base_ppb=1081.0, u_ppb=2.0, base_time_s=BASE_TIME_S + 80 * DAY)
    write_text(out / "curve.json", curve_text(fresh))
    workflow.design(read_job(tmp_path / "gauge12.toml"), fresh, Folder(out), lambda _: None)
    result = command(out, "--at", "25, 1090, 5", "--time", day(90), "--json")
    kinds = [entry.kind for entry in read_history(tmp_path / "gauge12.history.csv").entries]
    assert kinds == ["runs", "trim", "runs", "trim"]
    # Against the table that these runs gave.
    assert json.loads(result.stdout)["trim_ppt"] == pytest.approx(9_000, abs=2000)


def test_a_corrected_log_follows_the_trimmed_base_and_the_ageing_of_the_history(tmp_path: Path) -> None:
    job = JOB.replace("osc_hz", "shown_hz")
    out = results(tmp_path, plain_curve(u_ppb=2.0), job)
    for number in range(1, 7):
        command(out, "--at", f"25, {1000 + 30 * number}, 1", "--time", day(60 * number), "--accept")
    (tmp_path / "night.csv").write_text(f"utc,board_c,shown_hz\n{BASE_TIME_S + 380 * DAY:.0f},25.0,10000000\n")
    words = ["apply", str(out / "curve.json"), str(tmp_path / "night.csv"), "--into", "-"]
    result = CliRunner().invoke(main, words, catch_exceptions=False)
    true_hz = float(result.stdout.splitlines()[1].split(",")[3])
    # 0.5 ppb/day for 380 days on 1000 ppb: 1190 ppb, within what the bases of 1 ppb tell and what the base may have walked.
    assert (true_hz / 1e7 - 1) * 1e9 == pytest.approx(1190.0, abs=5.0)
    assert "ageing is extrapolated from the base of" in result.stderr


def test_a_trim_waits_for_nobody_and_mixes_with_nobody(tmp_path: Path) -> None:
    out = results(tmp_path / "board")
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    with held(out):
        result = command(out, "--at", "25, 1005, 2", "--time", day(30))
    assert result.exit_code == 2
    assert "another tcomp is at work in this folder" in result.stderr
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    assert command(out, "--at", "25, 1005, 2", "--time", day(30)).exit_code == 0
