"""Logs that tell too little: a sentence or an honest figure, no accident. Invented data with a known truth."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from recovery import recover

from tcomp.errors import CurveError
from tcomp.estimation.candidates import candidates
from tcomp.estimation.estimate import Settings
from tcomp.estimation.fit_result import FitResult
from tcomp.estimation.learn import learn_curve
from tcomp.estimation.samples import Conditions, samples_of
from tcomp.job import Oscillator, RunLog, read_job_text
from tcomp.logs import cleaning
from tcomp.logs.cleaning import clean_run
from tcomp.logs.legs import cut_legs
from tcomp.logs.log_file import read_run
from tcomp.logs.prepared import PreparedRun
from tcomp.results import Folder
from tcomp.simulation import Scenario
from tcomp.simulation.cases import plain
from tcomp.simulation.chamber import ThermalPath
from tcomp.simulation.crystal import AtCut
from tcomp.simulation.instruments import SimulatedCounter
from tcomp.workflow import fit, inspect_runs

NOISE_PPB = 2.0
SETTINGS = Settings()


def table_of_twelve(
    tmp_path: Path,
    range_c: tuple[float, float] | None = None,
    copies: int = 1,
    models: str | tuple[str, ...] = "auto",
) -> FitResult:
    """An unordered table of 12 temperatures (or that many times copies) with white noise."""
    temperature_c = np.tile(np.array([25, -20, 60, 0, 10, 40, 50, -10, 30, 20, 5, 45.0]), copies)
    noise_ppb = np.random.RandomState(1).normal(0.0, NOISE_PPB, temperature_c.size)
    offset_ppb = AtCut(angle_minutes=2.6).offset_ppb(temperature_c) + noise_ppb
    file = tmp_path / "table.csv"
    file.write_text("T,y\n" + "".join(f"{t},{y:.2f}\n" for t, y in zip(temperature_c, offset_ppb, strict=True)))
    run = clean_run(read_run(RunLog(file, "T", offset="y", offset_unit="ppb"), Oscillator("x")))
    return learn_curve(
        samples_of((PreparedRun(run, cut_legs(run)),)), candidates(models, "AT"), settings=SETTINGS,
        conditions=Conditions(rates_c_per_min=(), soaked=False), range_c=range_c, reference_c=25.0, reference_u_ppb=0.0, cut="AT",
    )  # fmt: skip


def test_of_a_short_table_every_sample_counts_and_the_held_out_error_is_not_below_half_of_the_noise(
    tmp_path: Path,
) -> None:
    # Gross errors cannot be told in 12 samples: a rich curve that passes through eight would drop the other four.
    # Half: the standard deviation of 12 draws falls below half of its own expectation about once in 200 (chi-square).
    fit_result = table_of_twelve(tmp_path)
    assert fit_result.estimate.fit.used.all()
    assert fit_result.curve.held_out.rms_ppb > NOISE_PPB / 2


def test_fewer_temperatures_than_coefficients_are_refused(tmp_path: Path) -> None:
    file = tmp_path / "table.csv"
    file.write_text("T,y\n" + "".join(f"{20 + 10 * (i % 2)},{i}\n" for i in range(40)))
    run = clean_run(read_run(RunLog(file, "T", offset="y", offset_unit="ppb"), Oscillator("x")))
    samples = samples_of((PreparedRun(run, cut_legs(run)),))
    with pytest.raises(
        CurveError, match=r"40 samples at 2 temperatures are too few for a .*, which has 4 coefficients"
    ):
        learn_curve(
            samples, candidates(("poly3",), "AT"), settings=SETTINGS,
            conditions=Conditions(rates_c_per_min=(), soaked=False), range_c=None,
            reference_c=25.0, reference_u_ppb=0.0, cut="AT",
        )  # fmt: skip


def test_a_range_slightly_beyond_what_was_measured_is_said_to_be_extrapolated(tmp_path: Path) -> None:
    fit_result = table_of_twelve(tmp_path, range_c=(-21.0, 61.0), models=("poly3",))
    assert (fit_result.curve.low_c, fit_result.curve.high_c) == (-21.0, 61.0)
    said = "the range -21 to 61 degC reaches slightly beyond what was measured, -20 to 60 degC: the curve is extrapolated there"
    assert said in fit_result.curve.remarks


def hours(lag_s: float, seed: int) -> Scenario:
    """A crystal that lags by hours, in runs of three and eight hours."""
    return replace(plain(seed), crystal_path=ThermalPath((lag_s,)), interval_s=60.0)


def test_a_lag_with_which_the_crystal_never_came_to_the_range_is_refused_with_what_to_do() -> None:
    # Behind 10000 s the crystal stays below 55 degC, as the sensor is above it for less than an hour.
    with pytest.raises(
        CurveError, match=r"a thermal lag of 10000 s, only 0 of .* log runs many times longer than the lag"
    ):
        recover(hours(10_000.0, 3), Settings(effects={"lag": 10_000.0}), range_c=(55.0, 60.0))


def lag_words(scenario: Scenario) -> str:
    """What is said of the lag, or why nothing is."""
    try:
        return recover(scenario).fit_result.curve.effect("lag").words
    except CurveError as refused:
        return str(refused)


@pytest.mark.parametrize("seed", range(1, 7))
def test_a_lag_of_hours_in_runs_of_hours_is_no_accident(seed: int) -> None:
    # Where the search ends is up to round-off, so it may refuse on one machine and answer on another: either way in words.
    assert re.search(
        r"log runs many times longer|took no part in the curve|have curves of different shapes|undetermined: |none seen, u |"
        r"\d s, u ",
        lag_words(hours(10_000.0, seed)),
    )


def test_a_range_that_holds_hardly_a_sample_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CurveError, match=r"range_c = \[21, 24\] holds only 0 of the 24 samples; widen it"):
        table_of_twelve(tmp_path, (21.0, 24.0), copies=2)


def test_samples_further_apart_than_the_lag_are_remarked() -> None:
    lagging = replace(plain(3), crystal_path=ThermalPath((170.0,)))
    sparse = recover(replace(lagging, interval_s=300.0)).fit_result.curve
    # Lag and half a gate: 170 s and 5 s; what lies between the samples is not known better than to a few seconds.
    assert sparse.effect("lag").value == pytest.approx(175.0, abs=3.0)
    assert any("samples are 300 s apart, further than the lag of 176 s reaches" in remark for remark in sparse.remarks)
    dense = recover(replace(lagging, interval_s=60.0)).fit_result.curve.remarks
    assert not any("log more often" in remark for remark in dense)
    given = recover(replace(lagging, interval_s=300.0), Settings(effects={"lag": 170.0})).fit_result.curve.remarks
    assert any("further than the lag of 170 s reaches" in remark for remark in given)


def test_a_lag_that_sparse_samples_cannot_exclude_is_remarked() -> None:
    noisy = replace(plain(3), interval_s=300.0, counter=SimulatedCounter(12_800_000.0, gate_s=10.0, white_ppb=400.0))
    said = "samples are 300 s apart and a lag of up to [0-9]+ s cannot be excluded, .* log more often"
    assert any(re.search(said, remark) for remark in recover(noisy).fit_result.curve.remarks)


@pytest.mark.parametrize("model", ["poly1", "poly2"])
def test_a_forced_curve_that_does_not_fit_is_said_not_to_and_bends_no_effect(model: str) -> None:
    lagging = replace(plain(3), crystal_path=ThermalPath((175.0,)))
    fit_result = recover(lagging, models=(model,)).fit_result
    curve, fit = fit_result.curve, fit_result.estimate.fit
    said = re.fullmatch(
        rf"the curve does not fit: the polynomial of degree {model[4:]} leaves (\d+) ppb RMS where the rich curve with "
        r"which the effects were identified leaves ([\d.]+) ppb; allow a richer curve in \[fit\] models",
        curve.lack_of_fit,
    )
    assert said is not None, curve.lack_of_fit
    # Not less than the best line or parabola leaves (numpy.polyfit), but for the rounding to two digits; up to 1.5 times as
    # much, since samples where the curve is flat weigh more here.
    crystal_c, offset_ppb = fit.crystal_c[fit.used], fit.corrected_ppb[fit.used]
    best = np.polynomial.Polynomial.fit(crystal_c, offset_ppb, int(model[4:]))
    least_ppb = float(np.sqrt(np.mean((offset_ppb - best(crystal_c)) ** 2)))
    assert 0.95 * least_ppb < float(said[1]) < 1.5 * least_ppb
    # 1 ppb of white noise, and what the sensor's steps of 1/16 degC leave of it.
    assert 1.0 <= float(said[2]) < 2.0
    # Lag and half a gate: 175 s and 5 s.
    lag_s = sum(effect.value for effect in curve.effects if effect.unit == "s")
    assert lag_s == pytest.approx(180.0, abs=2.0)


def test_a_forced_curve_that_fits_is_asked_for_shapes_as_any_other() -> None:
    curve = recover(plain(3), models=("poly3",)).fit_result.curve
    assert curve.lack_of_fit.startswith("no shape is left beyond")


def test_of_a_short_table_a_straight_line_is_said_not_to_fit(tmp_path: Path) -> None:
    fit_result = table_of_twelve(tmp_path, models=("poly1",))
    assert fit_result.curve.lack_of_fit.startswith("the curve does not fit: the polynomial of degree 1 leaves")
    assert not table_of_twelve(tmp_path).curve.lack_of_fit.startswith("the curve does not fit")


def rival_remarks(true_lag_s: float, stated: float | str) -> list[str]:
    """What is said of a stated lag, where the crystal lags as told and the gate of 10 s adds half its length."""
    lagging = replace(plain(3), crystal_path=ThermalPath((true_lag_s,)))
    remarks = recover(lagging, Settings(effects={"lag": stated}, max_dropped=1.0)).fit_result.curve.remarks
    return [remark for remark in remarks if "fits better" in remark]


@pytest.mark.parametrize(
    ("stated", "gives"), [(20.0, "a lag of 20 s"), (-100.0, "a lag of -100 s"), ("none", "no lag")]
)
def test_a_lag_that_the_data_speak_against_is_remarked_with_both_figures(stated: float | str, gives: str) -> None:
    (remark,) = rival_remarks(175.0, stated)
    said = re.match(
        rf"the job gives {gives}; ([\d.]+) s fits better: it leaves ([\d.]+) ppb RMS instead of (\d+) ppb", remark
    )
    assert said is not None, remark
    # 175 s and half a gate; 2 s as asked of the lag elsewhere.
    assert float(said[1]) == pytest.approx(180.0, abs=2.0)
    # 1 ppb of white noise and the sensor's steps; a lag that is 160 s off leaves slope times 160 s times the rate: at 100 ppb/degC
    # and 0.35 degC/min more than 90 ppb.
    assert float(said[2]) < 2.0
    assert float(said[3]) > 90.0


def test_a_stated_lag_that_leaves_half_of_the_samples_without_weight_is_refused_with_the_one_that_fits() -> None:
    lagging = replace(plain(3), crystal_path=ThermalPath((175.0,)))
    with pytest.raises(
        CurveError,
        match=r"took no part in the curve .*; likely the lag that the job gives; the job gives a lag of 20 s; 1\d\d s fits better",
    ):
        recover(lagging, Settings(effects={"lag": 20.0}))


def test_a_stated_lag_that_is_right_or_nearly_so_is_not_remarked() -> None:
    # One second off puts 1 s x 0.9 degC/min x 220 ppb/degC = 3.3 ppb at most into the steepest place, 1 ppb on average: as much as
    # the noise.
    assert rival_remarks(175.0, 180.0) == []
    assert rival_remarks(175.0, 179.0) == []
    assert rival_remarks(175.0, "auto") == []


def rows(count: int, directory: Path) -> str:
    """What a fit of so many rows of an invented ramp says."""
    temperature_c = np.linspace(0.0, 40.0, count)
    return said_of(temperature_c, 100.0 + 3.0 * temperature_c - 0.05 * temperature_c**2, directory)


def said_of(temperature_c: np.ndarray, offset_ppb: np.ndarray, directory: Path) -> str:
    """All that is said of the curve of rows a minute apart, on stderr or in its results."""
    lines = [f"{60 * i},{t:.2f},{y:.2f}" for i, (t, y) in enumerate(zip(temperature_c, offset_ppb, strict=True))]
    (directory / "log.csv").write_text("t,T,y\n" + "\n".join(lines) + "\n")
    job = read_job_text(
        '[oscillator]\nname = "x"\n[[run]]\nfile = "log.csv"\ntime = "t"\ntemperature = "T"\noffset = "y"\n'
        'offset_unit = "ppb"\n',
        directory / "job.toml",
    )
    said: list[str] = []
    folder = Folder(directory / "out")
    curve = fit(job, inspect_runs(job, folder, said.append), folder, said.append).curve
    return "\n".join(
        [*said, *(effect.words for effect in curve.effects), curve.lack_of_fit, *curve.notes, *curve.remarks]
    )


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_rows_that_no_curve_can_be_held_against_are_refused(tmp_path: Path, count: int) -> None:
    # With five, three are left to learn from: a straight line has one freedom over.
    with pytest.raises(CurveError, match=rf"^{count} samples are too few .* log more: 6 at the very least"):
        rows(count, tmp_path)


@pytest.mark.parametrize(("count", "remarked"), [(6, True), (11, True), (12, False)])
def test_few_rows_are_remarked_where_one_block_alone_can_be_held_out(
    tmp_path: Path, count: int, remarked: bool
) -> None:
    # Blocks of three temperatures, the two ends never held out: twelve make four.
    said = rows(count, tmp_path)
    assert ("hardly known; log more" in said) is remarked
    assert "coarse" not in said  # set-points ten degrees apart are no steps of the sensor


def test_of_a_constant_offset_without_noise_no_round_off_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cleaning, "CONSTANT_PPB", -1.0)  # else such a run is refused before any fit
    up_c = np.linspace(-20.0, 60.0, 300)
    temperature_c = np.concatenate([up_c, up_c[::-1]])
    said = said_of(temperature_c, np.full(temperature_c.size, 5.0), tmp_path)
    assert "no shape is left beyond 0.001 ppb" in said
    assert re.findall(r"\de-1\d ppb(?!/day)", said) == []


@pytest.mark.parametrize("interval_s", [10.0, 60.0])
def test_half_a_gate_is_said_to_be_perhaps_the_counters_own(interval_s: float) -> None:
    # No lag at all, and readings that are means over 10 s, stamped at the end: they speak of a time 5 s before.
    lag = recover(replace(plain(3), interval_s=interval_s)).fit_result.curve.effect("lag")
    # 2 s as asked of the lag elsewhere.
    assert lag.value == pytest.approx(5.0, abs=2.0)
    said = f"no longer than half of the {interval_s:g} s between samples, .* perhaps the counter's own averaging"
    assert re.search(said, lag.words), lag.words


def test_a_lag_longer_than_half_of_the_interval_is_the_crystals() -> None:
    lag = recover(replace(plain(3), crystal_path=ThermalPath((20.0,)))).fit_result.curve.effect("lag")
    assert lag.status == "found"
    assert "averaging" not in lag.words
