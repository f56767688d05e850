"""From arrays to C without a job file: recovery of an invented crystal, containers kept, one-screen texts, mistakes in words."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from independent import Log, simulate

import tcomp
from tcomp.errors import FirmwareError, JobError, RunError, TableError, TcompError

ARRAYS: dict[str, Any] = {"time_s": np.arange(40.0), "temperature_c": np.linspace(0, 40, 40), "offset_ppb": np.ones(40)}


@pytest.fixture(scope="module")
def log() -> Log:
    """Invented: an AT cubic with a lag of 110 s and 1.5 ppb of white noise."""
    return simulate(4)


@pytest.fixture(scope="module")
def result(log: Log) -> tcomp.FitResult:
    return tcomp.fit(log.time_s, log.sensor_c, log.offset_ppb, name="weather station")


@pytest.fixture(scope="module")
def table(result: tcomp.FitResult) -> tcomp.CorrectionTable:
    return tcomp.table(result.curve, max_error_ppb=5)


def test_the_known_curve_and_lag_are_recovered_from_three_arrays(log: Log, result: tcomp.FitResult) -> None:
    lag = result.curve.effect("lag")
    assert abs(lag.value - 110.0) < 3 * lag.uncertainty + 0.5  # the truth; half a second of the log's steps of ten
    inside = (log.crystal_c > result.curve.low_c) & (log.crystal_c < result.curve.high_c)
    error_ppb = result.curve.predict(log.crystal_c[inside]) - log.true_ppb[inside]
    # k = 4 at each of some hundred temperatures that are not independent.
    assert np.abs(error_ppb / result.curve.uncertainty(log.crystal_c[inside])).max() < 4


def test_arrays_give_what_a_job_on_the_same_samples_gives(log: Log, result: tcomp.FitResult) -> None:
    frame = pd.DataFrame({"t": log.time_s, "c": log.sensor_c, "y": log.offset_ppb})
    job = tcomp.read_job_text('[oscillator]\nname = "weather station"', runs_needed=False)
    runs = tcomp.prepare_frames(job, frame, time="t", temperature="c", offset="y", offset_unit="ppb")
    assert tcomp.workflow.fit(job, runs).curve == result.curve


def test_lists_series_and_moments_are_arrays_too(log: Log, result: tcomp.FitResult) -> None:
    moments = pd.Timestamp("2026-03-02", tz="UTC") + pd.to_timedelta(log.time_s, unit="s")
    index = pd.Index(np.arange(log.time_s.size)[::-1])  # samples are taken by position
    found = tcomp.fit(moments, pd.Series(log.sensor_c, index=index), log.offset_ppb.tolist())
    assert found.curve.coef == pytest.approx(result.curve.coef, rel=1e-9)
    assert found.curve.base_clock_s == moments[-1].timestamp()


def test_runs_are_told_apart_by_a_label(log: Log) -> None:
    second = simulate(5)
    arrays = [
        np.concatenate(both)
        for both in zip(
            (log.time_s, log.sensor_c, log.offset_ppb),
            (second.time_s + 5e5, second.sensor_c, second.offset_ppb),
            strict=True,
        )
    ]
    found = tcomp.fit(*arrays, run=["monday"] * log.time_s.size + ["sunday"] * second.time_s.size)
    assert set(found.samples.run) == {0, 1}
    assert found.samples.names == ("monday", "sunday")


def test_options_reach_the_fit(log: Log) -> None:
    found = tcomp.fit(
        log.time_s, log.sensor_c, log.offset_ppb,
        cut="AT", models=["crystal"], effects={"lag": 110.0, "ageing": "none", "hysteresis": "none"}, range_c=(0, 40),
        reference_c=20, reference_u_ppb=0.5,
    )  # fmt: skip
    curve = found.curve
    assert (curve.model, curve.low_c, curve.high_c, curve.reference_c, curve.reference_u_ppb) == (
        "crystal", 0.0, 40.0, 20.0, 0.5,
    )  # fmt: skip
    assert [curve.effect(name).status for name in ("lag", "ageing", "hysteresis")] == ["given", "off", "off"]


def test_options_are_named() -> None:
    with pytest.raises(TypeError, match="positional"):
        tcomp.fit(*ARRAYS.values(), print)  # type: ignore[call-arg, arg-type]


# --- the curve -------------------------------------------------------------------------------------------------------


def test_a_scalar_gives_a_scalar(result: tcomp.FitResult) -> None:
    at_25 = result.curve.predict(25)
    assert type(at_25) is float
    assert type(result.curve.uncertainty(25.0)) is float
    assert at_25 == result.curve.predict([25.0])[0]


def test_a_series_keeps_its_index(result: tcomp.FitResult) -> None:
    given = pd.Series([10.0, 30.0], index=["night", "noon"], name="board_c")
    predicted, u = result.curve.predict(given), result.curve.uncertainty(given, new_sample=True)
    assert (predicted.index.tolist(), predicted.name) == (["night", "noon"], "offset_ppb")
    assert (u.index.tolist(), u.name) == (["night", "noon"], "u_ppb")
    assert predicted["noon"] == result.curve.predict(30.0)
    assert u["noon"] == pytest.approx(np.hypot(result.curve.uncertainty(30.0), result.curve.residual_sd_ppb))


def test_an_array_keeps_its_shape(result: tcomp.FitResult) -> None:
    grid = np.array([[0.0, 10.0], [20.0, 30.0]])
    assert result.curve.predict(grid).shape == result.curve.uncertainty(grid).shape == (2, 2)
    assert result.curve.uncertainty(grid)[1, 0] == pytest.approx(result.curve.uncertainty(20.0))


def test_beyond_the_range_the_value_at_the_end_is_given_with_a_warning(result: tcomp.FitResult) -> None:
    curve = result.curve
    with pytest.warns(UserWarning, match=r"2 of 3 temperatures are outside the curve's range of .* degC"):
        found = curve.predict([curve.low_c - 5, 20.0, curve.high_c + 5])
    assert found.tolist() == curve.predict([curve.low_c, 20.0, curve.high_c]).tolist()


def test_a_missing_temperature_gives_a_missing_offset(result: tcomp.FitResult) -> None:
    assert np.isnan(result.curve.predict([20.0, np.nan])).tolist() == [False, True]


# --- what is printed -------------------------------------------------------------------------------------------------


def test_a_curve_prints_in_ten_lines(result: tcomp.FitResult) -> None:
    lines = repr(result.curve).splitlines()
    assert len(lines) <= 10
    assert max(map(len, lines)) <= 100
    assert str(round(result.curve.base_ppb, 1)) in repr(result.curve)


def test_a_result_prints_on_one_screen(result: tcomp.FitResult) -> None:
    text = repr(result)
    assert len(text.splitlines()) <= 24  # a terminal of 80 by 24
    assert f"{result.curve.held_out.rms_ppb:.3g} ppb RMS" in text
    assert re.search(r"lag +1\d\d(\.\d+)? s, u ", text)


def test_the_summary_names_every_candidate_and_every_remark(result: tcomp.FitResult) -> None:
    text = " ".join(result.summary().split())
    for score in result.validation.scores:
        assert score.candidate.name in text
    for remark in (*result.curve.remarks, *result.curve.notes):
        assert " ".join(remark.split()) in text


def test_the_plot_shows_samples_curve_and_residuals(result: tcomp.FitResult) -> None:
    matplotlib = pytest.importorskip("matplotlib")
    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    figure = result.plot()
    above, below = figure.axes
    (curve,) = (line for line in above.lines if line.get_label() == "curve")
    np.testing.assert_array_equal(curve.get_ydata(), result.curve.predict(np.asarray(curve.get_xdata())))
    assert (above.get_ylabel(), below.get_ylabel(), below.get_xlabel()) == (
        "offset [ppb]", "residual [ppb]", "crystal temperature [degC]",
    )  # fmt: skip
    plt.close(figure)


# --- table and firmware ----------------------------------------------------------------------------------------------


def test_the_table_keeps_its_error(result: tcomp.FitResult, table: tcomp.CorrectionTable) -> None:
    temperature_c = table.temperature_of(table.codes)
    error_ppb = table.offset_ppt(table.codes) / 1000 - result.curve.continued_ppb(temperature_c)
    assert np.abs(error_ppb).max() <= 5
    small = tcomp.table(result.curve, max_bytes=40, counts_per_c=10, form="steps")
    assert (small.bytes <= 40, small.form, small.scale.counts_per_c) == (True, "steps", 10)  # type: ignore[union-attr]


def test_the_c_is_that_of_the_table_and_is_proven(result: tcomp.FitResult, table: tcomp.CorrectionTable) -> None:
    files = tcomp.export(table, "c", symbol="station")
    assert [*files] == ["station.h", "station.c", "station_selftest.c"]
    assert f"0x{table.crc32:08X}" in files["station.h"]
    with_curve = tcomp.export(table, "c", symbol="station", curve=result.curve, name="gauge, hut 7")["station.h"]
    assert "gauge, hut 7" in with_curve
    assert "held-out samples about the curve, RMS" in with_curve
    proof = tcomp.prove(files, table, "station", ("frequency",))
    if proof.holds is None:
        pytest.skip(str(proof.reason))
    assert (proof.holds, proof.mismatches) == (True, 0)


def test_files_are_written_where_asked(table: tcomp.CorrectionTable, tmp_path: Path) -> None:
    files = tcomp.export(table, ("csv", "json"), symbol="station", into=tmp_path / "firmware")
    assert {path.name: path.read_text(encoding="utf-8") for path in (tmp_path / "firmware").iterdir()} == files


MISTAKES: dict[str, tuple[dict[str, Any], type[TcompError], str]] = {
    "lengths": (
        {"offset_ppb": np.ones(39)},
        RunError,
        "time_s has 40 values, temperature_c 40 and offset_ppb 39; expected equally many",
    ),
    "two dimensions": (
        {"temperature_c": np.ones((40, 2))},
        RunError,
        r"temperature_c has the shape \(40, 2\); expected one value per sample",
    ),
    "text": ({"offset_ppb": ["x"] * 40}, RunError, "offset_ppb.* holds 'x', expected a number"),
    "labels": ({"run": ["a"]}, RunError, "run 1; expected equally many"),
    "a model": ({"models": ["poly99"]}, JobError, 'there is no "poly99"; known: poly1 ... poly9, crystal, spline'),
    "an effect": ({"effects": {"lagg": 1.0}}, JobError, "has no key 'lagg'; the nearest is 'lag'"),
    "a range": ({"range_c": (40, 0)}, JobError, r"range_c = \[40, 0\]: expected \[lowest, highest\]"),
    "a cut": ({"cut": "XY"}, JobError, 'cut = "XY": expected "AT" or "SC"'),
    "no samples": ({"time_s": [], "temperature_c": [], "offset_ppb": []}, RunError, "no samples"),
}


@pytest.mark.parametrize(("wrong", "kind", "said"), MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_is_one_clear_sentence(wrong: dict[str, Any], kind: type[TcompError], said: str) -> None:
    with pytest.raises(kind, match=said) as refusal:
        tcomp.fit(**(ARRAYS | wrong))
    assert "\n" not in str(refusal.value)


def test_mistakes_of_table_and_export_are_sentences(result: tcomp.FitResult, table: tcomp.CorrectionTable) -> None:
    with pytest.raises(JobError, match="max_error_ppb = -1: expected a number above 0"):
        tcomp.table(result.curve, max_error_ppb=-1)
    with pytest.raises(TableError, match="max_bytes is 1"):
        tcomp.table(result.curve, max_bytes=1)
    with pytest.raises(FirmwareError, match="int"):
        tcomp.export(table, "c", symbol="int")
    with pytest.raises(JobError, match='"c" or "csv"'):
        tcomp.export(table, "rust99", symbol="station")  # type: ignore[arg-type]
    with pytest.raises(JobError, match="binary; give into="):
        tcomp.export(table, "bin", symbol="station")


def test_the_page_shows_the_whole_way_in_15_lines() -> None:
    page = (Path(__file__).parent.parent / "docs" / "python.md").read_text(encoding="utf-8")
    first = page.split("```")[1]
    assert len(re.findall("^>>> ", first, re.MULTILINE)) <= 15
    assert all(
        name in first for name in ("tcomp.fit(", ".predict(", ".plot(", "tcomp.table(", "tcomp.export(", "prove(")
    )
