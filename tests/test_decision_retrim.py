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
from scipy.optimize import curve_fit
from scipy.stats import t as student

from tcomp import upkeep, workflow
from tcomp.cli import main
from tcomp.curve.curve import Curve, curve_text, read_curve
from tcomp.decision.ageing_history import Rate, fit_ageing, known_rate, weighted_fit
from tcomp.decision.due import next_trim
from tcomp.decision.history import Entry, History, add_entry, read_history
from tcomp.decision.point import Point, point_of_text
from tcomp.decision.retrim import combined, retrim, retrimmed_table
from tcomp.errors import HistoryError, TableError
from tcomp.files import held, write_text
from tcomp.job import Job, read_job
from tcomp.model.basis import ChebyshevBasis
from tcomp.model.spline_basis import SplineBasis
from tcomp.results import Folder
from tcomp.table import CorrectionTable, TemperatureScale, Wanted, cheapest_table, coded_curve, read_table
from tcomp.units import SECONDS_PER_DAY

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
    from tcomp.curve.curve import utc

    return utc(BASE_TIME_S + number * DAY)


def bases(days: np.ndarray, measured_ppb: np.ndarray, u_ppb: float, step_at: int = -1) -> tuple[Entry, ...]:
    kinds = ["runs"] + ["trim"] * (len(days) - 1)
    if step_at >= 0:
        kinds[step_at] = "step"
    return tuple(
        Entry(BASE_TIME_S + d * DAY, kind, 25.0, 25.0, y, u_ppb, y, u_ppb)  # type: ignore[arg-type]
        for d, kind, y in zip(days.tolist(), kinds, measured_ppb.tolist(), strict=True)
    )


# ---- combining


def test_a_combination_is_the_weighted_mean() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        values, us = rng.normal(100.0, 10.0, 2), rng.uniform(0.5, 9.0, 2)
        mean, u = combined(values[0], us[0], values[1], us[1])
        outside = sm.WLS(values, np.ones(2), weights=us**-2).fit()  # statsmodels
        assert mean == pytest.approx(outside.params[0], rel=1e-12)
        assert mean == pytest.approx(np.average(values, weights=us**-2), rel=1e-12)  # numpy
        assert u == pytest.approx(math.sqrt(outside.normalized_cov_params[0, 0]), rel=1e-12)


def test_a_trim_weighs_prediction_and_point_as_worked_by_hand() -> None:
    # Base 1000 +- 1, ageing 2 +- 0.5 ppb/day, 10 days on: predicted 1020 +- sqrt(1 + 25) = 5.099.  A point 1030 +- 5.099 at
    # the reference temperature: halfway, 1025 +- 5.099 / sqrt(2).
    found = weighed(Point(25.0, 1030.0, math.sqrt(26.0)))
    assert (found.predicted_ppb, found.predicted_u_ppb) == pytest.approx((1020.0, math.sqrt(26.0)))
    assert (found.base_ppb, found.base_u_ppb) == pytest.approx((1025.0, math.sqrt(13.0)))
    assert found.status == "trimmed"
    assert found.away == pytest.approx(10.0 / math.sqrt(52.0))
    # The firmware adds what the base has gained, in ppt: positive, as it runs faster than its table says.
    assert found.trim_ppt == 25_000


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
    assert weighed(Point(25.0, 1020.0, 1.0), scatter_ppb=12.0).predicted_u_ppb == pytest.approx(
        math.sqrt(1.0 + 144.0 + 25.0 + 144.0)  # of the base when it was stated, and of the moment of the point
    )


def test_a_point_beyond_three_uncertainties_is_refused_unless_accepted() -> None:
    point = Point(25.0, 1020.0 + 3.1 * math.sqrt(26.0 + 1.0), 1.0)
    refused = weighed(point)
    assert (refused.status, refused.added) == ("refused", ())
    taken = weighed(point, accept=True)
    assert (taken.status, taken.base_ppb, taken.base_u_ppb) == ("accepted as a step", point.base_ppb, 1.0)
    assert [entry.kind for entry in taken.added] == ["runs", "step"]
    assert weighed(Point(25.0, 1020.0 + 2.9 * math.sqrt(27.0), 1.0)).status == "trimmed"


def test_a_step_does_not_bend_the_rate() -> None:
    days = np.arange(0.0, 300.0, 30.0)
    measured = 1000.0 + 0.5 * days + np.where(days >= 150.0, 400.0, 0.0)
    found = fit_ageing(bases(days, measured, 1.0, step_at=5), Rate(0.0, 1.0, "invented"))
    assert found.rate_ppb_per_day()[0] == pytest.approx(0.5, abs=1e-9)
    assert found.predicted(np.array([BASE_TIME_S + 300 * DAY]))[0][0] == pytest.approx(1550.0, abs=1e-6)
    blind = fit_ageing(bases(days, measured, 1.0), Rate(0.0, 1.0, "invented"))
    assert blind.rate_ppb_per_day()[0] > 1.0  # planted: the same, without the step


# ---- ageing: outside checks


def test_the_fit_is_that_of_the_certified_line() -> None:
    """NIST StRD, Norris: certified to 15 digits."""
    certified = json.loads((DATA / "nist_strd" / "certified.json").read_text())["sets"]["Norris"]
    x, y = np.loadtxt(DATA / "nist_strd" / "Norris.csv", delimiter=",", skiprows=1, unpack=True)
    found = weighted_fit(np.column_stack([np.ones_like(x), x]), y, np.full(x.size, 0.1))
    sd = np.sqrt(np.diag(found.covariance) * found.chi2 / found.freedom)
    # The data have three digits before and one behind the point: 1e-10 is a hundred times above rounding.
    assert found.coef == pytest.approx([float(one) for one in certified["coefficients"]], rel=1e-10)
    assert sd == pytest.approx([float(one) for one in certified["standard_deviations"]], rel=1e-10)


def test_ageing_is_the_certified_slope_whatever_the_order() -> None:
    certified = json.loads((DATA / "nist_strd" / "certified.json").read_text())["sets"]["Norris"]
    x, y = np.loadtxt(DATA / "nist_strd" / "Norris.csv", delimiter=",", skiprows=1, unpack=True)
    order = np.argsort(x)
    found = fit_ageing(bases(x[order], y[order], 0.1), Rate(0.0, 1.0, "unused"))
    assert found.form == "straight"
    rate, u = found.rate_ppb_per_day()
    assert rate == pytest.approx(float(certified["coefficients"][1]), rel=1e-9)
    # 0.1 is far below the scatter, so it is taken from the residuals, with Student's t at k = 2 (34 freedoms).
    widened = float(student.ppf(0.97725, 34)) / 2
    assert u == pytest.approx(float(certified["standard_deviations"][1]) * widened, rel=1e-9)


def test_the_logarithm_is_that_of_a_general_least_squares() -> None:
    days = np.array([0.0, 3, 10, 20, 40, 80, 120, 180, 260, 360])
    measured = 100.0 + 30.0 * np.log1p(0.1 * days) + np.random.default_rng(8).normal(0.0, 1.0, days.size)
    found = fit_ageing(bases(days, measured, 1.0), Rate(0.0, 1.0, "unused"))
    assert found.form == "logarithmic"

    def model(t: np.ndarray, base: float, a: float, log_b: float) -> np.ndarray:
        return base + a * np.log1p(math.exp(log_b) * t)

    # scipy's curve_fit (Levenberg and Marquardt), from the truth on.
    coef, covariance = curve_fit(model, days, measured, [100.0, 30.0, math.log(0.1)], np.ones(10), absolute_sigma=True)
    assert found.fit.coef == pytest.approx(coef[:2], rel=1e-4)
    assert math.log(found.log_per_day) == pytest.approx(coef[2], abs=1e-4)
    scatter = max(1.0, found.fit.chi2 / 7) * (student.ppf(0.97725, 7) / 2) ** 2 if found.fit.chi2 > 7 else 1.0
    assert np.sqrt(np.diag(found.fit.covariance)) == pytest.approx(np.sqrt(np.diag(covariance) * scatter), rel=1e-3)


# ---- ageing: recovery of an invented truth


def straight(days: np.ndarray) -> np.ndarray:
    return 500.0 - 0.9 * days


def logarithmic(days: np.ndarray) -> np.ndarray:
    return 500.0 + 40.0 * np.log1p(0.05 * days)


@pytest.mark.parametrize(("truth", "form"), [(straight, "straight"), (logarithmic, "logarithmic")])
def test_the_form_is_found_and_the_uncertainty_of_what_follows_holds(truth, form: str) -> None:  # type: ignore[no-untyped-def]
    days, ahead, seeds = np.arange(0.0, 361.0, 30.0), 720.0, 200
    right = within = 0
    for seed in range(seeds):
        measured = truth(days) + np.random.default_rng(seed).normal(0.0, 2.0, days.size)
        found = fit_ageing(bases(days, measured, 2.0), Rate(0.0, 1.0, "unused"))
        base, u = (one[0] for one in found.predicted(np.array([BASE_TIME_S + ahead * DAY])))
        right += found.form == form
        within += abs(base - truth(np.array([ahead]))[0]) <= 2 * u
    assert right / seeds > 0.9
    # 95 % within k = 2, of 200 seeds: 1.5 % standard error, and the choice of the form is not in u.
    assert within / seeds > 0.9


def test_an_uncertainty_that_is_stated_too_small_is_made_good_by_the_scatter() -> None:
    days, seeds = np.arange(0.0, 181.0, 30.0), 300
    within = 0
    for seed in range(seeds):
        measured = straight(days) + np.random.default_rng(seed).normal(0.0, 6.0, days.size)
        rate, u = fit_ageing(bases(days[:5], measured[:5], 0.5), Rate(0.0, 1.0, "unused")).rate_ppb_per_day()
        within += abs(rate + 0.9) <= 2 * u
    assert within / seeds > 0.92  # 95 %, less twice the standard error of 300 seeds


def test_few_bases_say_that_they_are_few() -> None:
    found = fit_ageing(bases(np.array([0.0, 30.0]), np.array([500.0, 530.0]), 1.0), Rate(0.0, 0.8, "not known"))
    assert not found.told
    assert found.words == "2 bases, too few to tell it alone, and not known"
    # The pair says 1 +- sqrt(2) / 30 ppb/day, the rest 0 +- 0.8: weighed by hand.
    assert found.rate_ppb_per_day() == pytest.approx(combined(1.0, math.sqrt(2.0) / 30.0, 0.0, 0.8), rel=1e-9)


def test_what_is_known_of_the_ageing_comes_from_the_job_the_runs_or_typical_figures(tmp_path: Path) -> None:
    def rate(more: str, ageing: float, ahead_days: float) -> Rate:
        (tmp_path / "job.toml").write_text(JOB.replace("nominal_hz", f"{more}\nnominal_hz"))
        return known_rate(read_job(tmp_path / "job.toml"), plain_curve(ageing_ppb_per_day=ageing), ahead_days)

    assert rate("ageing_ppb_per_day = -0.4", 6.0, 5.0).ppb_per_day == -0.4
    assert (rate("", 6.0, 5.0).ppb_per_day, rate("", 6.0, 5.0).u_ppb_per_day) == (6.0, 0.1)
    assert rate("", 6.0, 50.0).ppb_per_day == 0.0
    assert rate("", 6.0, 50.0).u_ppb_per_day == pytest.approx(6.0 / math.sqrt(3.0))
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
    due = next_trim(plain_job(tmp_path), curve, None, found)
    assert due is not None
    # By hand: at the ends, 25 degC from the reference, the curve is known to 5 ppb: 2 * 5 + 0.5 t = 100 after 180 days.
    assert due.now_ppb == pytest.approx(10.0, abs=0.01)
    assert due.days == pytest.approx(180.0, abs=1.0)
    assert not due.cut_short
    # The sensor's steps of 1/16 degC at 40 ppb/degC add 0.72 ppb, a table of 6 ppb 3.46 ppb, retrace of 9 ppb 5.2 ppb.
    job = plain_job(tmp_path, "hours_on_per_day = 2\n[sensor]\nresolution_c = 0.0625\n")
    job = replace(job, oscillator=replace(job.oscillator, retrace_ppb=9.0))
    table = replace(table_of(curve), max_error_ppb=6.0)
    more = next_trim(job, curve, table, found)
    assert more is not None
    assert more.now_ppb == pytest.approx(2 * math.sqrt(25.0 + 0.0625**2 / 12 * 1600 + 12.0 + 27.0), abs=0.01)


def test_trims_become_rarer_as_the_ageing_slows_down_and_is_known_better(tmp_path: Path) -> None:
    days = np.array([0.0, 10, 25, 50, 90, 150, 240, 360, 540, 800, 1200])
    measured = logarithmic(days) + np.random.default_rng(1).normal(0.0, 0.5, days.size)
    job, curve = plain_job(tmp_path), plain_curve()
    apart = []
    for count in range(4, days.size + 1):
        due = next_trim(job, curve, None, fit_ageing(bases(days[:count], measured[:count], 0.5), Rate(0.0, 1.0, "")))
        assert due is not None
        apart.append(due.foretold_days)
    assert apart == sorted(apart)
    assert apart[-1] > 10 * apart[0]


def test_nothing_is_promised_far_beyond_the_history(tmp_path: Path) -> None:
    days = np.array([0.0, 2.0, 4.0, 6.0, 8.0])
    found = fit_ageing(bases(days, 1000.0 + 0.1 * days, 0.01), Rate(0.0, 1.0, "unused"))
    due = next_trim(plain_job(tmp_path), plain_curve(), None, found)
    assert due is not None
    assert (due.days, due.cut_short) == (24.0, True)
    assert due.foretold_days > 500.0


# ---- curve and table on another base


@pytest.mark.parametrize("spline", [False, True])
def test_the_shape_of_the_curve_stays_and_its_base_is_as_certain_as_the_trim(spline: bool) -> None:
    basis = SplineBasis((0.0, 20.0, 35.0, 50.0)) if spline else ChebyshevBasis(3, 0.0, 50.0)
    rng = np.random.default_rng(4)
    root = rng.normal(size=(basis.size, basis.size))
    curve = replace(
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
    asked = Wanted(form, interpolation, "auto", 4.0, None)  # type: ignore[arg-type]
    return cheapest_table(target, asked, lambda table: table.bytes)[0]


def bent_curve() -> Curve:
    """A cubic; invented."""
    return replace(
        plain_curve(), basis=ChebyshevBasis(3, 0.0, 50.0), coef=(300.0, -900.0, 40.0, 350.0),
        covariance=tuple(map(tuple, (np.eye(4) * 0.01).tolist())),
    )  # fmt: skip


@pytest.mark.parametrize("form", ["steps", "even", "segments", "breakpoints", "polynomial"])
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
    assert moved.layout == table.layout


def test_entries_on_a_polynomial_move_with_it() -> None:
    table = next(
        one for one in (table_of(bent_curve(), "even", kind) for kind in ("nearest", "linear", "quadratic"))
        if getattr(one, "polynomial", None) is not None
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
    # Two bases say 60 ppb in 60 days, 1 ppb/day but for what the typical figure holds against it.
    assert figures["predicted_ppb"] == pytest.approx(1090.0, abs=3.0)
    assert figures["days_since_the_base_before"] == pytest.approx(30.0)
    assert figures["ageing"]["bases"] == 3
    assert "3 bases, too few to tell it alone" in figures["ageing"]["words"]
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


def test_a_contradiction_is_refused_and_changes_nothing(tmp_path: Path) -> None:
    out = results(tmp_path)
    before = {one: one.read_bytes() for one in sorted(tmp_path.rglob("*")) if one.is_file()}
    point = ("--at", "25, 3000, 5", "--time", day(10))
    result = command(out, *point)
    assert result.exit_code == 1
    assert "REFUSED: the point contradicts curve and ageing; nothing was changed" in result.stdout
    assert "retrace after a time without power" in result.stdout
    assert {one: one.read_bytes() for one in sorted(tmp_path.rglob("*")) if one.is_file()} == before
    accepted = command(out, *point, "--accept", "--json")
    assert accepted.exit_code == 0
    assert json.loads(accepted.stdout)["base_ppb"] == 3000.0


def test_after_a_crash_the_same_point_gives_the_same_results(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    point = ("--at", "25, 1060, 5", "--time", day(60))
    whole, broken = results(tmp_path / "whole"), results(tmp_path / "broken")
    command(whole, *point)

    def crash(history: History, entry: Entry) -> History:
        if entry.kind == "trim":
            raise RuntimeError("the power fails here")
        return add_entry(history, entry)

    monkeypatch.setattr(upkeep, "add_entry", crash)
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
    assert folder.read_proof()["holds"] is True


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
    ("words", "told"),
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
def test_a_mistake_is_one_sentence(words: tuple[str, ...], told: str, tmp_path: Path) -> None:
    result = command(results(tmp_path), *words)
    assert result.exit_code == 2
    assert told in result.stderr
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
    curve = replace(read_curve(out / "curve.json"), reference_c=20.0)
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
    # 0.5 ppb/day for 380 days on 1000 ppb: 1190 ppb, within what the bases of 1 ppb tell.
    assert (true_hz / 1e7 - 1) * 1e9 == pytest.approx(1190.0, abs=3.0)
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
