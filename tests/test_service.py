"""A clock in service: what weeks of daily cycles tell, on an invented clock with known truth and on a real one outdoors."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from tcomp.errors import CurveError
from tcomp.estimation.candidates import candidates
from tcomp.estimation.effects import Reason, Status
from tcomp.estimation.effects import Regressor as Humidity
from tcomp.estimation.estimate import Settings
from tcomp.estimation.learn import FitResult, learn_curve
from tcomp.estimation.samples import conditions_of, samples_of
from tcomp.job import Regressor, RunLog
from tcomp.job.sections import Oscillator
from tcomp.logs import clean_run, cut_legs
from tcomp.logs.events import rows_of_events
from tcomp.logs.log_file import read_run
from tcomp.logs.prepared import PreparedRun
from tcomp.logs.record import RawRun
from tcomp.report import text
from tcomp.report.answer import next_answer
from tcomp.report.commands import Commands

TOWER = Path(__file__).parent / "data" / "tower_sensor" / "frames.csv.gz"
CURVATURE, TURNOVER_C, PEAK_PPB = -34.0, 27.0, 25_000.0


def prepared_of(raw: RawRun) -> tuple[PreparedRun, ...]:
    clean = clean_run(raw)
    return (PreparedRun(clean, cut_legs(clean)),)


def fit_result(raw: RawRun, models: tuple[str, ...] | str = "auto") -> FitResult:
    runs = prepared_of(raw)
    return learn_curve(
        samples_of(runs), candidates(models, "tuning-fork"), settings=Settings(), conditions=conditions_of(runs), range_c=None,
        reference_c=25.0, reference_u_ppb=0.0, cut="tuning-fork",
    )  # fmt: skip


def invented(seed: int, days: int, wander_ppb: float = 300.0, memory_s: float = 1.5e5) -> RawRun:
    """An invented fork outdoors: days of its own swing and level, events each 1200 s with 20 ms of scatter, wander by its
    definition as a first-order autoregression."""
    rng = np.random.default_rng(seed)
    tick_s = 1200.0
    count = int(days * 86_400 / tick_s)
    hours = np.arange(count) * tick_s / 3600.0
    level_c = np.repeat(20.0 + 5.0 * rng.normal(size=days + 1), 72)[:count]
    swing_c = np.repeat(rng.uniform(2.0, 10.0, days + 1), 72)[:count]
    temperature_c = np.convolve(level_c + swing_c * np.sin(2 * np.pi * hours / 24), np.ones(9) / 9, "same")
    kept = np.exp(-tick_s / memory_s)
    shocks = rng.normal(size=count) * wander_ppb * np.sqrt(1 - kept**2)
    wander = np.empty(count)
    wander[0] = rng.normal() * wander_ppb
    for place in range(1, count):
        wander[place] = kept * wander[place - 1] + shocks[place]
    y = (PEAK_PPB + CURVATURE * (temperature_c - TURNOVER_C) ** 2 + wander) * 1e-9
    time_s = (
        1.7e9 + np.concatenate([[0.0], np.cumsum(tick_s / (1 + (y[1:] + y[:-1]) / 2))]) + rng.normal(size=count) * 0.02
    )
    own = slice(9, -9)  # the convolution's ends
    rows = rows_of_events(time_s[own], temperature_c[own], np.arange(count)[own], tick_s, Path("beacon.csv"))
    return RawRun("beacon.csv", rows.frame("oscillator"), "clock", rows.remarks)


def test_an_invented_clock_comes_back_within_its_uncertainty() -> None:
    """Three seeds: error / u of turnover and curvature; of six normal values the largest exceeds 3.5 in one case in 350, and
    their RMS 1.7 in one in 1000 (chi-square)."""
    z = []
    for seed in range(3):
        curve = fit_result(invented(seed, 40), ("crystal",)).curve
        found = {one.name: one for one in curve.parameters}
        for name, truth in (("turnover temperature", TURNOVER_C), ("curvature", CURVATURE)):
            z.append((found[name].value - truth) / found[name].uncertainty)
        assert found["curvature"].uncertainty < 2.0
    assert np.max(np.abs(z)) < 3.5
    assert 0.3 < np.sqrt(np.mean(np.square(z))) < 1.7


def test_the_noise_is_told_in_figures() -> None:
    (result,) = [one for one in fit_result(invented(1, 40), ("crystal",)).curve.notes if "Allan deviation" in one]
    assert "white phase noise of 2" in result  # 20 ms, to 5 % by 2800 events


def test_what_service_does_not_tell_is_said() -> None:
    curve = fit_result(invented(2, 30)).curve
    for name in ("lag", "hysteresis"):
        assert curve.effect(name).status == Status.UNDETERMINED
    assert "estimated in service" in curve.remarks[0]
    assert curve.model in ("crystal", "poly3", "poly4")
    assert "blocks of days" in curve.held_out.method


def test_few_days_are_refused() -> None:
    with pytest.raises(CurveError, match="days by half or more, too few"):
        fit_result(invented(3, 5), ("crystal",))


@pytest.fixture(scope="module")
def tower() -> RawRun:
    return read_run(RunLog(TOWER, "sensor_c", event="unix_s", period_s=600.0), Oscillator("tower"))


def test_the_tower_sensor_in_sixty_days_of_spring(tower: RawRun) -> None:
    """Curvature at the turnover: -35 ppb/K^2 within 10, a data sheet's range of forks; by hand over all 554 days (the README of the
    data) -32 to -34 (0.6 to 0.9) for a parabola, from which these days depart, and turnover 27 to 28.4 degC."""
    curve = fit_result(tower, ("crystal",)).curve
    found = {one.name: one for one in curve.parameters}
    assert found["curvature"].value == pytest.approx(-35.0, abs=10.0)
    assert found["curvature"].value == pytest.approx(-33.0, abs=3 * found["curvature"].uncertainty)
    assert "departures" in curve.words
    assert found["turnover temperature"].value == pytest.approx(27.9, abs=1.5)
    assert curve.held_out.rms_ppb < 925.0  # asked: 1000, and 80 ms in 24 h; by hand 1140
    assert curve.clock_noise is not None  # what a correction of times needs


def test_humidity_explains_a_part_of_the_towers_days() -> None:
    """By hand (the README of the data): -39 (4) ppb per %, as a correlation; the daily frequency then errs by less."""
    humid = RunLog(
        TOWER, "sensor_c", event="unix_s", period_s=600.0, regressors=(Regressor("humidity_percent", "humidity", "%"),)
    )
    raw = read_run(humid, Oscillator("tower"))
    runs = prepared_of(raw)
    fits = [
        learn_curve(
            samples_of(runs), candidates(("crystal",), "tuning-fork"), settings=Settings(regressors=asked),
            conditions=conditions_of(runs), range_c=None, reference_c=25.0, reference_u_ppb=0.0, cut="tuning-fork",
        ).curve
        for asked in ((), (Humidity("humidity", "%"),))
    ]  # fmt: skip
    found = fits[1].effect("humidity")
    assert found.status == Status.FOUND
    assert -60.0 < found.value < -5.0
    assert fits[1].held_out.rms_ppb < fits[0].held_out.rms_ppb


def test_a_curve_without_half_of_the_tower_predicts_it(tower: RawRun) -> None:
    """The planted fault: with temperatures of another day the prediction fails."""
    sound = fit_result(tower, ("crystal",)).curve.held_out.rms_ppb
    frame = tower.frame.assign(temperature_c=np.roll(tower.frame["temperature_c"], 500))
    wrong = fit_result(RawRun(tower.name, frame, "clock", ()), ("crystal",)).curve.held_out.rms_ppb
    assert wrong > 3 * sound


def test_a_stated_lag_is_refused_where_events_are_fitted() -> None:
    runs = prepared_of(invented(4, 12))
    with pytest.raises(CurveError, match=r"the job gives a lag of 60 s, which a fit to events of a clock does not use"):
        learn_curve(
            samples_of(runs), candidates(("crystal",), "tuning-fork"), settings=Settings(effects={"lag": 60.0}),
            conditions=conditions_of(runs), range_c=None, reference_c=25.0, reference_u_ppb=0.0, cut="tuning-fork",
        )  # fmt: skip


def test_the_next_step_of_a_clock_in_service_asks_for_no_soaks() -> None:
    found = SimpleNamespace(
        effects={"lag": SimpleNamespace(status="undetermined", reason=str(Reason.IN_SERVICE))},
        curve=SimpleNamespace(worst_u_ppb=10.0), table=SimpleNamespace(max_error_ppb=1.0),
        proof=SimpleNamespace(holds=True, targets=()),
    )  # fmt: skip
    answer = next_answer(cast("Any", found), Commands("clock.toml", "clock.out"))
    assert answer.command == "tcomp build clock.toml"
    assert "soak" not in answer.text


def test_a_clock_is_told_in_seconds_too() -> None:
    """28 823 ppb are 86 400 s times as many parts: 2.490 s a day, and 75.80 s in a twelfth of 365.25 days."""
    found = SimpleNamespace(
        effects={"lag": SimpleNamespace(status="undetermined", reason=str(Reason.IN_SERVICE))},
        curve=SimpleNamespace(base_ppb=28_823.0, reference_c=25.0), residual=SimpleNamespace(held_out_rms_ppb=591.0),
    )  # fmt: skip
    ((label, words),) = text.clock_rows(cast("Any", found))
    assert label == "as a clock"
    assert words.startswith("gains 2.49 s/day or 75.8 s/month at 25 degC; corrected, a day is off by 0.0511 s")
    found.effects["lag"].reason = ""
    assert list(text.clock_rows(cast("Any", found))) == []
