"""The verdict: figures worked by hand, an invented crystal with a known slope, and planted faults."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tcomp.cli import main
from tcomp.curve.curve import Curve, HeldOut
from tcomp.curve.effects import Effect
from tcomp.decision.contribution import Contribution, budget_of
from tcomp.decision.crystal_error import AGEING, LAG, Characterised, Watched, corrected
from tcomp.decision.life import largest_factor, lived
from tcomp.decision.moments import drawn_moments, even_moments, grid_c
from tcomp.decision.options import REGULARLY, Option, WarmingUp, options
from tcomp.decision.power import oven_power, steady_power
from tcomp.decision.spread import Normal, Rectangular
from tcomp.decision.verdict import Judged, Verdict, judge_options
from tcomp.decision.verdict_figures import verdict_figures
from tcomp.decision.verdict_words import questions
from tcomp.errors import JobError
from tcomp.job import Dwell, Job, Use, read_job_text
from tcomp.model.basis import ChebyshevBasis
from tcomp.table import TemperatureScale, smallest_sampled_table

OVEN = """
[[oven]]
name = "surplus oven"
stability_ppb = 5
ageing_ppb_per_day = 0.5
retrace_ppb = 20
noise_ppb = 0.01
warm_up = { minutes = 5, watts = 3.0, to_ppb = 10, from_ppb = 20000 }
steady_watts = 1.2
settles_days = 14
price = 25
"""


def job_of(use: str, more: str = "", oscillator: str = "") -> Job:
    head = f'[oscillator]\nname = "gauge 07"\nnominal_hz = 12_800_000\ncut = "AT"\n{oscillator}\n'
    return read_job_text(f"{head}[use]\n{use}\n{more}", runs_needed=False)


def invented_curve(
    *, slope_ppb_per_c: float = 100.0, lag_s: float = 60.0, u_ppb: float = 0.5, effects: tuple[Effect, ...] = ()
) -> Curve:
    """A straight line from 0 to 50 degC, 0 at 25: known by construction, invented."""
    basis = ChebyshevBasis(1, 0.0, 50.0)
    told = (
        Effect("lag", "s", "found", lag_s, 0.0),
        Effect("ageing", "ppb/day", "none seen", 0.0, 1.0),
        Effect("hysteresis", "ppb", "none seen", 0.0, 0.2),
    )
    return Curve(
        model="poly1",
        words="straight line",
        basis=basis,
        coef=(0.0, 25.0 * slope_ppb_per_c),
        covariance=((u_ppb**2, 0.0), (0.0, 0.0)),
        low_c=0.0,
        high_c=50.0,
        reference_c=25.0,
        reference_u_ppb=0.0,
        residual_sd_ppb=1.0,
        residual_max_ppb=3.0,
        held_out=HeldOut("invented", 1.0, 2.0, 3.0, 0.0),
        samples=1000,
        effective_samples=200.0,
        effects=tuple({e.name: e for e in (*told, *effects)}.values()),
        jumps=(),
        dips=(),
        lack_of_fit="none",
        parameters=(),
        notes=(),
        remarks=(),
    )


def known_of(
    job: Job, curve: Curve | None = None, span_days: float = 1.0, watched: Watched | None = None
) -> Characterised:
    curve = replace(curve or invented_curve(), span_days=span_days)
    table = smallest_sampled_table(
        curve.continued_ppb,
        low_c=0.0,
        high_c=50.0,
        scale=TemperatureScale(16.0),
        interpolation="linear",
        align="auto",
        max_error_ppb=1.0,
    )
    return Characterised(job, curve, table, watched)


def verdict_of(use: str, more: str = "", oscillator: str = "ageing_ppb_per_day = 0.1") -> tuple[Verdict, dict]:
    known = known_of(job_of(use, more, oscillator))
    verdict = judge_options(known)
    return verdict, verdict_figures(verdict, known)


def named(verdict: Verdict, part: str) -> Judged:
    return next(one for one in verdict.options if part in one.option.name)


def line_of(contributions: tuple[Contribution, ...], name: str, known: Characterised):
    moments = drawn_moments(
        known.job.use, known.range_c, (), trimmed=True, shape=(1, 100_000), rng=np.random.default_rng(1)
    )
    return next(one.line(moments) for one in contributions if one.name == name)


def test_the_lag_costs_slope_times_time_constant_times_rate() -> None:
    # 1 degC/min and 60 s put the sensor 1 degC from the crystal (first-order lag, ramp response), so 100 ppb at 100 ppb/degC;
    # the rate anywhere between +1 and -1 has the standard uncertainty of a rectangle (JCGM 100, 4.3.7).
    known = known_of(job_of("ramp_c_per_min = 1.0"))
    line = line_of(corrected(known), LAG, known)
    assert line.contribution == pytest.approx(100.0 / math.sqrt(3))


def test_a_display_of_a_tenth_of_a_hertz_at_ten_megahertz_resolves_ten_ppb() -> None:
    # Common practice, no source; half a step is a rectangle: 10 ppb over the root of 12.
    known = known_of(job_of(f"resolution_ppb = {0.1 / 10e6 * 1e9:.6f}"))
    line = line_of(corrected(known), "the display's resolution", known)
    assert line.contribution == pytest.approx(10.0 / math.sqrt(12))


def test_ageing_alone_says_how_rarely_to_trim() -> None:
    # Rates alike within +/-A: 95 % of the instruments have at most 0.95 A, and of the time since the trim 95.45 % lies before
    # 0.9545 D, so that the need is met as long as 0.95 A 0.9545 D does not exceed it.
    rate = Contribution(AGEING, Rectangular(2.0), lambda moments: moments.days, lasts="life", unit="ppb/day")
    job = job_of("recalibrate_days = 100")
    option = Option("ageing alone", (rate,), True, steady_power(job, 0.0))
    factor = largest_factor(lived(option, job, (0.0, 50.0)), AGEING, 150.0, 100.0)
    assert factor is not None
    # The 95 % point of 1000 rates is known to 0.7 %, the share of 500 moments to 1 % of it.
    assert factor * 100.0 == pytest.approx(150.0 / (0.95 * 2.0 * 0.9545), rel=0.03)


def test_an_oven_that_warms_up_is_within_for_the_rest_of_the_time() -> None:
    # 20000 ppb fall to 10 ppb in 5 minutes, so to 100 ppb in 5 ln(200) / ln(2000) = 3.49 minutes; of 20 minutes that is 17 %.
    warming = WarmingUp(5.0, 20_000.0, 10.0)
    minutes = 5.0 * math.log(200) / math.log(2000)
    verdict, _ = verdict_of(f"needed_ppb = 100\nhours_on_per_day = {20 / 60}", OVEN.replace("0.5", "0.001"))
    oven = named(verdict, "switched")
    assert warming.left_ppb(np.array([minutes]))[0] == pytest.approx(100.0)
    # What else the oven errs, +/-20 ppb of retrace most of all, moves the point by a tenth.
    assert oven.minutes_until_within == pytest.approx(minutes, rel=0.15)
    assert oven.share == pytest.approx(1 - minutes / 20, abs=0.02)
    assert oven.meets == "does not meet"


def test_fewer_hours_a_day_than_the_verdict_says_leave_too_little_time_behind_the_warming_up() -> None:
    use = "needed_ppb = 100\nramp_c_per_min = 2.0\nrange_c = [18.0, 28.0]\nrecalibrate_days = 30\nhours_on_per_day = {}"
    oven = OVEN.replace("0.5", "0.001")
    verdict, figures = verdict_of(use.format(4), oven)
    turning = next(one for one in verdict.break_evens if one.name == "hours on").turns_at
    assert verdict.best is named(verdict, "switched")
    assert turning is not None
    # It is to be within for 95 % of the time that it is on: the minutes may be 5 % of it at most.
    assert turning >= verdict.best.minutes_until_within / 60 / 0.05 * 0.9
    assert (
        f"After switch-on it takes {verdict.best.minutes_until_within:.2g} minutes to come within."
        in figures["paragraph"]
    )
    assert (
        "or the hours on were fewer than" in figures["paragraph"]
        or "turn if the hours on were fewer" in figures["paragraph"]
    )
    assert named(verdict_of(use.format(0.7 * turning), oven)[0], "switched").meets != "meets"
    assert named(verdict_of(use.format(1.3 * turning), oven)[0], "switched").meets == "meets"


def test_an_always_powered_oven_neither_warms_up_nor_retraces() -> None:
    verdict, figures = verdict_of("needed_ppb = 500\nhours_on_per_day = 2", OVEN + "[supply]\nalways_on = true\n")
    always = named(verdict, "always powered")
    assert {line.name for line in always.budget.lines}.isdisjoint({"retrace at power-up", "warm-up"})
    assert always.minutes_until_within == 0.0
    # 1.2 W for a year: 10.5 kWh (common practice, no source; 1.2 x 24 x 365.25 / 1000).
    assert always.option.power.kwh_per_year == pytest.approx(10.5, abs=0.05)
    switched = next(one for one in figures["options"] if "switched" in one["name"])
    assert switched["power"]["kwh_per_year"] == pytest.approx(10.52 / 12, abs=0.01)
    # 14 days of power at two hours a day are 168 days of the calendar.
    assert switched["settles_days"] == pytest.approx(168)


def test_a_linear_regulator_from_12_to_5_volts_loses_more_than_half() -> None:
    # (V_in - V_out) I of V_in I: 7/12, or 58 % (common practice, no source: "more than half").
    job = job_of("needed_ppb = 1", OVEN + "volts = 5\n[supply]\nvolts = 12\nefficiency = 0.8\ncase_c_per_w = 4\n")
    power = oven_power(job, job.ovens[0], 3.0, 1.2)
    assert power.lost_watts / power.steady_watts == pytest.approx(7 / 12)
    assert power.steady_watts == pytest.approx(1.2 * 12 / 5)
    assert power.lost_switching_watts == pytest.approx(1.2 / 0.8 - 1.2)
    assert power.warmer_c == pytest.approx(4 * 2.88)
    assert "turns 1.7 W of 2.9 W into heat; a switching one would lose 0.3 W" in " ".join(power.remarks)


@pytest.mark.parametrize(
    ("supply", "words"),
    [
        ("peak_watts = 2\nsteady_watts = 2", "warming up it takes 3 W and the supply can give 2 W"),
        ("peak_watts = 4\nsteady_watts = 1", "hot it takes 1.2 W and the supply can give 1 W for good"),
        ("volts = 5\npeak_watts = 4\nsteady_watts = 4", "it needs 12 V and the rail has 5 V"),
    ],
)
def test_an_oven_that_does_not_fit_is_not_taken(supply: str, words: str) -> None:
    ovens = OVEN + f"volts = 12\n[supply]\n{supply}\n"
    verdict, figures = verdict_of("needed_ppb = 60\nramp_c_per_min = 1.0", ovens)
    oven = named(verdict, "oven")
    assert oven.option.power.fits is False
    assert verdict.best is not oven
    assert words in figures["paragraph"]


def test_an_always_powered_oven_needs_a_rail_that_stays_on() -> None:
    verdict, _ = verdict_of("needed_ppb = 100\nhours_on_per_day = 2", OVEN + "always_powered = true\n")
    assert "no rail stays on" in " ".join(named(verdict, "always powered").option.power.remarks)


@pytest.mark.parametrize(
    ("needed_ppb", "best"),
    [(3000, "crystal as it is, trimmed once"), (300, "crystal with the table"), (40, REGULARLY), (25, "surplus oven")],
)
def test_the_cheapest_that_meets_the_need_is_taken(needed_ppb: float, best: str) -> None:
    # Ageing 0.1 ppb/day: 183 ppb in five years, 9 in 90 days; lag 0.1 degC/min x 60 s x 100 ppb/degC: at most 10 ppb.
    use = f"needed_ppb = {needed_ppb}\nramp_c_per_min = 0.1\nrecalibrate_days = 90\nsensor_drift_c = 0.01\n"
    oven = OVEN.replace("0.5", "0.01") + "[supply]\npeak_watts = 5\nsteady_watts = 5\n"
    verdict, figures = verdict_of(use if needed_ppb != 25 else use.replace("min = 0.1", "min = 0.5"), oven)
    assert (verdict.status, verdict.best.option.name) == ("decided", best)
    assert f"Take: {best}." in figures["paragraph"]


def test_what_nothing_meets_is_said_with_what_comes_nearest() -> None:
    verdict, figures = verdict_of("needed_ppb = 1\nresolution_ppb = 10", OVEN)
    assert verdict.status == "nothing meets the need"
    assert verdict.best.need_met_ppb == min(one.need_met_ppb for one in verdict.options)
    assert "Nothing that is weighed meets 1 ppb (k = 2). The nearest is" in figures["paragraph"]


def test_a_verdict_that_hangs_on_a_typical_figure_is_not_decidable() -> None:
    # Typical ageing, +/-1.37 ppb/day: 365 days of it are 500 ppb; half of it would do for 300 ppb, all of it not.
    verdict, figures = verdict_of("needed_ppb = 300", oscillator="")
    assert verdict.status == "not decidable"
    assert AGEING in figures["options"][2]["turns_on"]
    assert "Not decidable from what is known" in figures["paragraph"]
    assert "measure: a second trim some weeks from now" in figures["paragraph"]
    told, _ = verdict_of("needed_ppb = 300\nsensor_drift_c = 0.01", oscillator="ageing_ppb_per_day = 0.1")
    assert told.status == "decided"


def test_a_drift_found_in_short_runs_is_not_taken_for_that_of_a_year_but_may_turn_the_verdict() -> None:
    found = (Effect("ageing", "ppb/day", "found", 13.7, 0.5),)
    job = job_of("needed_ppb = 900")
    known = known_of(job, invented_curve(effects=found), span_days=2.0)
    ageing = next(one for one in corrected(known) if one.name == AGEING)
    assert ageing.assumed
    assert ageing.at_most == pytest.approx(10.0)  # 13.7 of a typical 1.37
    assert "which would be taken 182-fold too far" in ageing.basis
    assert judge_options(known).status == "not decidable"
    long = next(one for one in corrected(known_of(job, invented_curve(effects=found), 200.0)) if one.name == AGEING)
    assert (long.assumed, long.spread) == (False, Normal(0.5, 13.7))


def test_ageing_that_trims_have_shown_goes_before_what_the_job_states() -> None:
    job = job_of("recalibrate_days = 180", oscillator="ageing_ppb_per_day = 5")
    for span_days, assumed in ((90.0, False), (30.0, True)):
        known = known_of(job, watched=Watched(0.4, 0.1, span_days, "a straight line through 5 bases"))
        ageing = next(one for one in corrected(known) if one.name == AGEING)
        assert (ageing.spread, ageing.assumed) == (Normal(0.1, 0.4), assumed)
        assert ("taken 6 times as far" in ageing.basis) == assumed


def test_a_lag_that_the_runs_do_not_tell_is_assumed() -> None:
    lag = (Effect("lag", "s", "undetermined", reason="one ramp rate"),)
    known = known_of(job_of("ramp_c_per_min = 1"), invented_curve(effects=lag))
    assert next(one for one in corrected(known) if one.name == LAG).assumed


def test_use_beyond_the_curve_is_priced() -> None:
    # The table holds 0 at 50 degC and beyond... at 60 degC the line has gone on by 10 degC x 100 ppb/degC.
    known = known_of(job_of("range_c = [0, 60]\nneeded_ppb = 100"))
    beyond = next(one for one in corrected(known) if one.name == "use beyond the curve's range")
    moments = drawn_moments(
        known.job.use, known.range_c, (), trimmed=True, shape=(1, 50_000), rng=np.random.default_rng(1)
    )
    assert beyond.effect(moments).max() == pytest.approx(1000.0, rel=0.01)
    # A sixth of the time, rising to 1000: mean square 1e6 / 3 / 6; three standard errors of 50 000 draws are 2.5 %.
    assert beyond.line(moments).contribution == pytest.approx(math.sqrt(1e6 / 18), rel=0.03)
    figures = verdict_figures(judge_options(known), known)
    assert "the curve from 0 to 50" in figures["questions"][0]


def test_temperatures_are_drawn_as_the_instrument_dwells() -> None:
    use, dwell = Use(), (Dwell(0.0, 0.0), Dwell(50.0, 1.0))
    drawn = drawn_moments(use, (0.0, 50.0), dwell, trimmed=True, shape=(1, 100_000), rng=np.random.default_rng(1))
    # A density that rises from 0 has its mean at two thirds.
    assert grid_c((0.0, 50.0))[drawn.at].mean() == pytest.approx(100 / 3, abs=0.2)


def test_even_moments_have_the_means_of_drawn_ones() -> None:
    use, dwell = Use(recalibrate_days=100, hours_on_per_day=2), (Dwell(0.0, 0.0), Dwell(50.0, 1.0))
    even = even_moments(use, (0.0, 50.0), dwell, trimmed=True, warm_after_minutes=20.0)
    # Of 2001 steps: what lies between them is a millionth of the mean square.
    assert np.mean(even.days**2) == pytest.approx(100**2 / 3, rel=1e-6)
    assert np.mean(even.minutes_on) == pytest.approx((20 + 120) / 2)
    # A density that rises from 0 has its mean at two thirds; temperatures are drawn in steps of 0.025 degC.
    assert grid_c((0.0, 50.0))[even.at].mean() == pytest.approx(100 / 3, abs=0.025)
    assert np.array_equal(even_moments(use, (0.0, 50.0), (), trimmed=False).at, [np.arange(2001)])


def test_both_approaches_agree_where_all_is_linear_and_normal_and_differ_where_one_rectangle_reigns() -> None:
    verdict, _ = verdict_of("needed_ppb = 100", OVEN)
    rectangle = named(verdict, "compensated")  # 500 ppb either way, and ageing of as much: no tail beyond its edges
    assert rectangle.approaches_differ
    assert rectangle.drawn.within < rectangle.budget.expanded()
    assert rectangle.drawn.u == pytest.approx(rectangle.budget.u, rel=0.005)  # variances agree all the same
    # A known ageing is a bias: drawn, it stands in the mean; the budget counts it with the rest.
    table = named(verdict, REGULARLY)
    assert math.hypot(table.drawn.mean, table.drawn.u) == pytest.approx(table.budget.u, rel=0.005)
    assert abs(table.drawn.mean) > 0.5 * table.budget.u
    noise = Contribution("noise", Normal(3.0))
    moments = drawn_moments(Use(), (0.0, 50.0), (), trimmed=True, shape=(1, 10), rng=np.random.default_rng(1))
    assert budget_of((noise, Contribution("more", Normal(4.0))), moments).expanded() == pytest.approx(10.0, rel=0.001)


def test_every_option_has_its_lines_with_a_basis_and_its_type() -> None:
    known = known_of(
        job_of(
            "needed_ppb = 100\nramp_c_per_min = 0.2\nresolution_ppb = 10\nhours_on_per_day = 2",
            "[reference]\nuncertainty_ppb = 0.5\n[sensor]\nresolution_c = 0.0625\nsigma_c = 0.02\n",
            "noise_ppb = 1\nsupply_ppb_per_v = 20\nsupply_drift_v = 0.1\ntrim_ppb_per_v = 500\ntrim_drift_v = 0.001",
        )
    )
    table = next(option for option in options(known) if option.name == REGULARLY)
    assert {one.name for one in table.contributions} == {
        "residual of the curve", "uncertainty of the curve", "table against curve", "sensor's steps", "sensor's noise",
        "sensor's drift", LAG, "hysteresis", "reference when trimmed", "the display's resolution", AGEING,
        "retrace at power-up", "short-term noise", "pulled by its supply", "pulled by its trim voltage",
    }  # fmt: skip
    assert all(one.basis and one.evaluated in ("A", "B") for one in table.contributions)
    supply = next(one for one in table.contributions if one.name == "pulled by its supply")
    assert supply.spread == Rectangular(2.0)  # 20 ppb/V x 0.1 V


def test_a_contribution_that_is_left_out_would_be_seen() -> None:
    known = known_of(job_of("needed_ppb = 100", oscillator="ageing_ppb_per_day = 1"))
    table = next(option for option in options(known) if option.name == REGULARLY)
    without = replace(table, contributions=tuple(one for one in table.contributions if one.name != AGEING))
    whole, less = (lived(one, known.job, known.range_c).need_met_ppb() for one in (table, without))
    assert whole > 5 * less


def test_a_price_limit_rules_out_what_costs_more_or_has_no_price() -> None:
    use = "needed_ppb = 25\nramp_c_per_min = 0.5\nprice_limit = 20"
    oven = OVEN.replace("0.5", "0.01") + "[supply]\npeak_watts = 5\nsteady_watts = 5\n"
    verdict, figures = verdict_of(use, oven)
    assert verdict.best is not named(verdict, "oven")
    assert "costs 25 of 20" in figures["paragraph"]


@pytest.mark.parametrize(
    ("job", "words"),
    [
        ("needed_ppb = 0.05", "needed_ppb = 0.05 is very small: if ppm was meant, write 50"),
        ("needed_ppb = 50\n[compensated]\nstability_ppb = 0.5", "write 500"),
        ("needed_ppb = 50\n[[oven]]\nname = 'a'\nstability_ppb = 5000", "write 5; taken as given"),
    ],
)
def test_a_figure_that_looks_like_ppm_for_ppb_is_asked_about(job: str, words: str) -> None:
    assert words in " ".join(questions(job_of(job)))


def test_plausible_figures_raise_no_question() -> None:
    assert list(questions(job_of("needed_ppb = 50", OVEN))) == []


def test_without_a_need_there_is_no_verdict() -> None:
    with pytest.raises(JobError, match=r"job.toml: \[use\] needs the key 'needed_ppb' for a verdict"):
        judge_options(known_of(job_of("ramp_c_per_min = 1")))


def test_the_same_job_gives_the_same_figures() -> None:
    first, second = (verdict_of("needed_ppb = 100\nhours_on_per_day = 2", OVEN)[1] for _ in range(2))
    assert json.dumps(first) == json.dumps(second)


def test_the_command_prints_the_verdict_and_draws_it(tmp_path: Path) -> None:
    from tcomp import workflow
    from tcomp.job import read_job
    from tcomp.results import Folder

    source = Path(__file__).parent.parent / "sample_runs" / "weather_station"
    text = (source / "station_clock.toml").read_text(encoding="utf-8").split("\n[use]")[0]
    job_file = tmp_path / "station.toml"
    job_file.write_text(text + "\n[use]\nneeded_ppb = 3000\n" + OVEN, encoding="utf-8")
    (tmp_path / "three_sweeps.csv").write_bytes((source / "three_sweeps.csv").read_bytes())
    folder, job = Folder(tmp_path / "out"), read_job(job_file)
    learnt = workflow.fit(job, workflow.inspect_runs(job, folder, print), folder, print)
    workflow.design(job, learnt.curve, folder, print)
    arguments = ["judge", str(job_file), "--into", str(folder.path), "--plot", str(tmp_path / "verdict.svg")]
    result = CliRunner().invoke(main, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    assert "would meet" in result.stdout
    assert "surplus oven" in result.stdout
    assert (tmp_path / "verdict.svg").read_text(encoding="utf-8").startswith("<svg")
    figures = json.loads((folder.path / "verdict.json").read_text(encoding="utf-8"))
    assert sum(line["share_of_variance"] for line in figures["options"][2]["budget"]) == pytest.approx(1.0)
