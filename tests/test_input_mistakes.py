"""Inputs as people have them: temperatures in a second log, counters of time intervals, several sensors, several logs, and
results that are stale.  All logs here are invented, by a model of their own whose truth is known."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from numpy.typing import NDArray

from tcomp.cli import main
from tcomp.glossary import explanations
from tcomp.job import SECTIONS, Oscillator, RunLog, read_job, read_job_text
from tcomp.logs.clock_offset import estimated_offset
from tcomp.logs.log_file import read_run
from tcomp.logs.record import RawRun
from tcomp.logs.temperature_file import TemperatureSeries
from tcomp.starter import start_of

Floats = NDArray[np.float64]
START_S = 1_772_436_600.0
"""2026-03-02T07:30:00Z."""
LAG_S = 110.0
JOB = """
[oscillator]
name = "gauge"
nominal_hz = 10_000_000
[[run]]
file = "log.csv"
time = "utc"
temperature = "board_c"
frequency = "osc_hz"
"""


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)


def sentence(result: Result) -> str:
    """The one sentence that says what is wrong; nothing else is printed."""
    assert result.exit_code == 2, result.stdout + result.stderr
    assert result.stdout == ""
    said = [line for line in result.stderr.splitlines() if line.startswith("Error: ")]
    assert len(said) == 1, result.stderr
    return said[0].removeprefix("Error: ")


def chamber_c(time_s: Floats, cycles: int = 1) -> Floats:
    """Soaks of half an hour at 25, 50 and 0 degC, ramps of 0.6 degC/min between them, and ripple."""
    corners_s, corners_c = [0.0], [25.0]
    for to_c in (50.0, 0.0, 25.0) * cycles:
        ramp_s = abs(to_c - corners_c[-1]) / 0.6 * 60.0
        corners_s += [corners_s[-1] + 1800.0, corners_s[-1] + 1800.0 + ramp_s]
        corners_c += [corners_c[-1], to_c]
    corners_s.append(corners_s[-1] + 1800.0)
    corners_c.append(corners_c[-1])
    return np.interp(time_s, corners_s, corners_c) + 0.05 * np.sin(time_s / 37.0)


END_S = 4 * 1800.0 + (25.0 + 50.0 + 25.0) / 0.6 * 60.0


def behind(chamber: Floats, lag_s: float) -> Floats:
    """A first-order lag of values that are one second apart: Euler's steps, a hundredth of the lag long."""
    found = np.empty_like(chamber)
    state = float(chamber[0])
    for place, value in enumerate(chamber.tolist()):
        state += (value - state) / lag_s
        found[place] = state
    return found


def offset_ppb(crystal_c: Floats) -> Floats:
    """A cubic of the size of an AT cut's (from memory)."""
    x = crystal_c - 26.0
    return np.asarray(0.1 * x**3 - 9.0 * x + 300.0)


def two_logs(seed: int, *, cycles: int = 1, every_s: float = 7.0) -> tuple[Floats, Floats, Floats, Floats]:
    """Times and offsets of a counter, times and temperatures of a thermometer, both by the true clock."""
    rng = np.random.default_rng(seed)
    end_s = END_S if cycles == 1 else 1800.0 + cycles * (END_S - 1800.0)
    fine_s = np.arange(0.0, end_s)
    truth_c = chamber_c(fine_s, cycles)
    counter_s, sensor_s = np.arange(5.0, end_s, 10.0), np.arange(2.3, end_s, every_s)
    counted = np.interp(counter_s, fine_s, offset_ppb(behind(truth_c, LAG_S))) + rng.normal(0.0, 1.5, counter_s.size)
    read_c = np.interp(sensor_s, fine_s, truth_c) + rng.normal(0.0, 0.02, sensor_s.size)
    return counter_s, counted, sensor_s, np.round(read_c / 0.0625) * 0.0625


def write_two_logs(
    folder: Path, *, behind_s: float = 0.0, seed: int = 1, gap: tuple[float, float] | None = None
) -> Path:
    """A log of the counter, one of the thermometer whose clock is behind, and a job that joins them."""
    counter_s, counted, sensor_s, read_c = two_logs(seed)
    rows = [f"{START_S + t:.1f},{1e7 * (1 + y * 1e-9):.6f}" for t, y in zip(counter_s, counted, strict=True)]
    (folder / "log.csv").write_text("utc,osc_hz\n" + "\n".join(rows) + "\n")
    rows = [
        f"{START_S + t - behind_s:.1f},{c:.4f}"
        for t, c in zip(sensor_s, read_c, strict=True)
        if gap is None or not gap[0] < t < gap[1]
    ]
    (folder / "box.csv").write_text("stamp,board_c\n" + "\n".join(rows) + "\n")
    job = folder / "job.toml"
    job.write_text(JOB + 'temperature_file = "box.csv"\ntemperature_time = "stamp"\n')
    return job


# Temperatures in a second log


@pytest.mark.parametrize("true_s", [33.0, -400.0, 7233.0, -3600.0])
def test_the_offset_of_the_clocks_is_estimated_within_its_uncertainty(true_s: float) -> None:
    z = []
    for seed in (1, 2):
        counter_s, counted, sensor_s, read_c = two_logs(seed)
        series = TemperatureSeries("box", START_S + sensor_s - true_s, read_c, "clock", ())
        found = estimated_offset(series, START_S + counter_s, counted, "clock", RunLog(Path("log"), "T"))
        assert 0.0 < found.u_s < 15.0
        z.append((found.offset_s - true_s) / found.u_s)
        assert ("another time zone" in found.description) == (abs(true_s) > 900.0)
    # Of two draws within their standard uncertainty none is beyond three of it (normal: 0.5 % of such tests).
    assert np.abs(z).max() < 3.0


def test_clocks_that_agree_are_left_alone() -> None:
    counter_s, counted, sensor_s, read_c = two_logs(3)
    series = TemperatureSeries("box", sensor_s, read_c, "clock", ())
    found = estimated_offset(series, counter_s, counted, "clock", RunLog(Path("log"), "T"))
    assert found.offset_s == 0.0
    assert "no difference of the two clocks is seen" in found.description


def test_a_second_log_half_a_minute_off_gives_the_curve_of_one_log(tmp_path: Path) -> None:
    job = write_two_logs(tmp_path, behind_s=33.0)
    result = run("fit", job, "--into", tmp_path / "out", "--json")
    assert result.exit_code == 0
    assert re.search(r"box\.csv: its clock is 3\d s behind \(u \d", result.stderr)
    figures = json.loads(result.stdout)
    # Clock and lag are one effect on ramps: what the estimate leaves of the one stands in the other, and the curve is right.
    curve = read_curve_of(tmp_path / "out")
    at_c = np.linspace(2.0, 48.0, 24)
    left = curve(at_c) - offset_ppb(at_c)
    # Slopes reach 190 ppb/degC, so 1 ppb is 5 mK: the mean of the sensor's steps (0.0625/sqrt 12 over hundreds) is below.
    assert np.abs(left).max() < 3.0
    assert abs(figures["effects"]["lag"]["value"] - LAG_S) < 15.0


def read_curve_of(folder: Path) -> Callable[[Floats], Floats]:
    from tcomp.results import Folder

    return Folder(folder).read_curve().offset_ppb


def raw(tmp_path: Path, job: Path) -> RawRun:
    parsed = read_job(job)
    return read_run(parsed.runs[0], parsed.oscillator, parsed.sensor)


def test_temperatures_are_interpolated_but_never_across_a_gap(tmp_path: Path) -> None:
    job = write_two_logs(tmp_path, gap=(4000.0, 5000.0))
    job.write_text(job.read_text() + "clock_offset = 0\n")
    found = raw(tmp_path, job)
    time_s = found.frame["time_s"].to_numpy() - START_S
    temperature_c = found.frame["temperature_c"].to_numpy()
    inside = (time_s > 4010.0) & (time_s < 4990.0)
    assert np.isnan(temperature_c[inside]).all()
    assert np.isfinite(temperature_c[(time_s > 10.0) & (time_s < 3990.0)]).all()
    assert any(
        re.search(r"\d+ of \d+ rows have no temperature, as they lie outside", said) for said in found.assumptions
    )
    # Straight between its neighbours: by hand from the two rows beside a time.
    box = np.loadtxt(tmp_path / "box.csv", delimiter=",", skiprows=1)
    place = int(np.searchsorted(box[:, 0], START_S + 1005.0))
    (t0, c0), (t1, c1) = box[place - 1], box[place]
    by_hand = c0 + (c1 - c0) * (START_S + 1005.0 - t0) / (t1 - t0)
    assert temperature_c[time_s == 1005.0][0] == pytest.approx(by_hand, abs=1e-6)  # stamps of 0.1 s near 1.8e9 s


def test_a_given_clock_offset_is_added_to_the_second_clock(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("utc,osc_hz\n1000,10000000\n1010,10000000\n1020,10000000\n")
    (tmp_path / "box.csv").write_text("stamp,board_c\n970,20\n980,21\n990,22\n1000,23\n")
    job = tmp_path / "job.toml"
    job.write_text(JOB + 'temperature_file = "box.csv"\ntemperature_time = "stamp"\nclock_offset = 30\n')
    # 970 s by the second clock is 1000 s by the first: 20 degC.
    assert raw(tmp_path, job).frame["temperature_c"].tolist() == [20.0, 21.0, 22.0]


def test_a_phase_takes_the_mean_temperature_of_its_interval(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("utc,tic\n0,0\n60,6e-6\n120,12e-6\n")
    (tmp_path / "box.csv").write_text("stamp,board_c\n0,20\n30,20\n60,23\n90,23\n120,23\n")
    job = tmp_path / "job.toml"
    text = JOB.replace('frequency = "osc_hz"', 'phase = "tic"')
    job.write_text(text + 'temperature_file = "box.csv"\ntemperature_time = "stamp"\nclock_offset = 0\n')
    found = raw(tmp_path, job).frame
    assert found["offset_ppb"].tolist() == pytest.approx([100.0, 100.0])
    # 20 degC for 30 s, then a ramp to 23: (20 + 21.5) / 2 = 20.75, where the middle has 20.
    assert found["temperature_c"].tolist() == pytest.approx([20.75, 23.0])


SECOND = 'temperature_file = "box.csv"\ntemperature_time = "stamp"\n'
IN_THE_SECOND_LOG: dict[str, tuple[Callable[[str], str], Callable[[str], str], str]] = {
    "no time named": (lambda job: job.replace('temperature_time = "stamp"\n', ""), str, "needs temperature_time"),
    "offset without a second log": (
        lambda job: job.replace(SECOND, "clock_offset = 33\n"), str, r"job.toml:10: .*clock_offset goes with temperature_file",
    ),
    "offset in words": (
        lambda job: job + 'clock_offset = "33 s"\n', str, r'clock_offset = "33 s": expected "auto" or a number',
    ),
    "no time in the first": (
        lambda job: job.replace('time = "utc"\n', ""), str, "needs a time column or interval_s of the log, to be joined by",
    ),
    "not there": (lambda job: job.replace("box.csv", "boxes.csv"), str, "boxes.csv: is not there; the nearest there is 'box.csv'"),
    "wrong column": (
        lambda job: job.replace('"board_c"', '"boxes_c"'), str, "box.csv:1: there is no column 'boxes_c'; the nearest is 'board_c'",
    ),
    "another day": (
        str, lambda box: shifted(box, 86400.0 * 3),
        r"log.csv: its rows \(2026-03-02T07:30:05Z .* and those of box.csv \(2026-03-05.*do "
        "not overlap enough to be joined; check temperature_file, or give clock_offset",
    ),
    "no temperatures": (str, lambda box: box.splitlines()[0] + "\n", "box.csv: holds no rows"),
    "one temperature": (
        str, lambda box: "\n".join(box.splitlines()[:2]) + "\n", "box.csv: holds fewer than two temperatures with increasing times",
    ),
    "another sensor": (str, lambda box: times(box, 1000.0), r"box.csv:2: column 'board_c' holds 25\d+; expected -100 to 200 degC"),
}  # fmt: skip


def shifted(box: str, by_s: float) -> str:
    head, *rows = box.splitlines()
    return "\n".join([head, *(f"{float(row.split(',')[0]) + by_s:.1f},{row.split(',')[1]}" for row in rows)]) + "\n"


def times(box: str, factor: float) -> str:
    head, *rows = box.splitlines()
    return "\n".join([head, *(f"{row.split(',')[0]},{float(row.split(',')[1]) * factor:.2f}" for row in rows)]) + "\n"


@pytest.mark.parametrize(("job_change", "box_change", "outcome"), IN_THE_SECOND_LOG.values(), ids=IN_THE_SECOND_LOG)
def test_a_mistake_in_a_second_log_is_one_sentence(
    tmp_path: Path, job_change: Callable[[str], str], box_change: Callable[[str], str], outcome: str
) -> None:
    job = write_two_logs(tmp_path)
    job.write_text(job_change(job.read_text()))
    (tmp_path / "box.csv").write_text(box_change((tmp_path / "box.csv").read_text()))
    found = sentence(run("build", job, "--into", tmp_path / "out"))
    assert re.search(outcome, found), found
    assert not list(tmp_path.glob("out/*"))


def test_a_repeating_temperature_leaves_the_clocks_open_and_says_so() -> None:
    counter_s, counted, sensor_s, read_c = two_logs(4, cycles=4)
    period_s = END_S - 1800.0
    series = TemperatureSeries("box", sensor_s - 2 * period_s, read_c, "elapsed", ())
    from tcomp.errors import RunError

    with pytest.raises(
        RunError, match="which fit the data equally well, as the temperature repeats itself; give clock_offset"
    ):
        estimated_offset(series, START_S + counter_s, counted, "clock", RunLog(Path("log"), "T"))


# Counters of time intervals


def phase_run(tmp_path: Path, readings: list[float], nominal_hz: float | None = None, **keys: object) -> RawRun:
    """A reading every 10 s, at 20 degC."""
    rows = [f"{10 * place},20,{reading!r}" for place, reading in enumerate(readings)]
    (tmp_path / "log.csv").write_text("\n".join(["t,T,tic", *rows, ""]))
    log = RunLog(tmp_path / "log.csv", "T", time="t", phase="tic", **keys)  # type: ignore[arg-type]
    return read_run(log, Oscillator("any", nominal_hz=nominal_hz))


# By hand: an oscillator 100 ppb fast gains 1000 ns in 10 s.
@pytest.mark.parametrize(
    ("unit", "step"), [("s", 1e-6), ("ms", 1e-3), ("us", 1.0), ("ns", 1000.0)]
)  # fmt: skip
@pytest.mark.parametrize(("sign", "direction"), [("+", 1.0), ("-", -1.0)])
def test_a_phase_reads_as_worked_by_hand_in_each_unit_and_sign(
    tmp_path: Path, unit: str, step: float, sign: str, direction: float
) -> None:
    readings = [direction * step * place for place in range(5)]
    found = phase_run(tmp_path, readings, phase_unit=unit, phase_sign=sign)
    assert found.frame["offset_ppb"].tolist() == pytest.approx([100.0] * 4)


def test_each_sign_is_explained_by_the_example_that_is_tested() -> None:
    (found,) = [one.text for one in explanations("phase_sign", SECTIONS) if "pulse" in one.text]
    assert re.search(r'^"\+".*0, 1000, 2000 ns at 0, 10, 20 s read as \+100 ppb; "-"', found)
    assert "0, -1000, -2000 ns read as +100 ppb" in found


def test_a_wrapped_phase_is_joined(tmp_path: Path) -> None:
    # Pulses once a second, 5 ppm fast: 50 us in 10 s, which starts again at 1 s.
    readings = [(0.99985 + 50e-6 * place) % 1.0 for place in range(8)]
    found = phase_run(tmp_path, readings, phase_wrap_s=1.0)
    assert found.frame["offset_ppb"].tolist() == pytest.approx([5000.0] * 7, abs=1e-5)  # 1e-16 of 1 s over 10 s
    assert any("wraps 1 times" in said for said in found.assumptions)


def test_a_phase_that_wraps_oftener_than_rows_come_is_joined_and_its_doubt_said(tmp_path: Path) -> None:
    # 10 MHz against 10 MHz: 100 ns.  4 ppb in 10 s are 40 ns, then ever more, up to 12 ppb: 120 ns, over a period.
    true_ppb = np.linspace(4.0, 12.0, 60)
    readings = np.concatenate([[0.0], np.cumsum(true_ppb * 10.0)]) % 100.0
    found = phase_run(tmp_path, readings.tolist(), phase_unit="ns", phase_wrap_s=100e-9)
    assert found.frame["offset_ppb"].tolist() == pytest.approx(true_ppb.tolist(), abs=1e-6)
    # 100 ns in 10 s: 10 ppb.
    assert any("offsets except for whole multiples of 10 ppb" in said for said in found.assumptions)


def test_slips_of_whole_cycles_are_taken_out_and_said(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    readings = 1000.0 * np.arange(200) + rng.normal(0.0, 1.0, 200)  # ns: 100 ppb
    readings[80:] += 200.0  # two cycles of 10 MHz
    readings[150:] -= 100.0  # and one back
    found = phase_run(tmp_path, readings.tolist(), 10e6, phase_unit="ns")
    # 1 ns of noise at either end of 10 s: 0.14 ppb; five of it.
    assert np.abs(found.frame["offset_ppb"] - 100.0).max() < 0.7
    (said,) = [one for one in found.assumptions if "slip" in one]
    assert (
        "2 slips of whole cycles of the oscillator (100 ns) were removed from the phase, the first of +2 at line 82"
        in said
    )


def test_a_jump_of_the_phase_that_is_no_whole_cycle_is_left_to_the_cleaning(tmp_path: Path) -> None:
    readings = 1000.0 * np.arange(200) + np.random.default_rng(5).normal(0.0, 1.0, 200)
    readings[80:] += 250.0
    found = phase_run(tmp_path, readings.tolist(), 10e6, phase_unit="ns")
    assert found.frame["offset_ppb"].iloc[79] == pytest.approx(125.0, abs=1.0)
    assert not any("slip" in said for said in found.assumptions)


def test_a_phase_that_wraps_without_a_word_is_seen(tmp_path: Path) -> None:
    readings = [(0.2 + 0.01 * place) % 1.0 for place in range(300)]
    # 1000 ppm: beyond any trimmed crystal, but short for a test.
    found = phase_run(tmp_path, readings)
    assert any("phase_wrap_s = 1 would join it" in said for said in found.assumptions)


WITH_PHASE = JOB.replace('frequency = "osc_hz"', 'phase = "tic"')
ABOUT_THE_PHASE = {
    "ns as s": (WITH_PHASE, r'phase_unit = "s" is probably wrong; "us" or "ns" would fit'),
    "a unit without a phase": (
        JOB + 'phase_unit = "ns"\n',
        r"job.toml:10: \[\[run\]\] phase_unit goes with a phase column",
    ),
    "a sign without a phase": (
        JOB + 'phase_sign = "-"\n',
        r"job.toml:10: \[\[run\]\] phase_sign goes with a phase column",
    ),
    "an unknown unit": (WITH_PHASE + 'phase_unit = "ps"\n', r'phase_unit = "ps": expected "s" or "ms" or "us" or "ns"'),
    "a sign in words": (WITH_PHASE + 'phase_sign = "ahead"\n', r'phase_sign = "ahead": expected "\+" or "-"'),
    "a period of nothing": (WITH_PHASE + "phase_wrap_s = 0\n", r"phase_wrap_s = 0: expected a number above 0"),
}


@pytest.mark.parametrize(("job", "outcome"), ABOUT_THE_PHASE.values(), ids=ABOUT_THE_PHASE)
def test_a_mistake_about_a_phase_is_one_sentence(tmp_path: Path, job: str, outcome: str) -> None:
    rows = [f"{START_S + 10 * place},{20 + place % 9},{1000.0 * place}" for place in range(50)]
    (tmp_path / "log.csv").write_text("utc,board_c,tic\n" + "\n".join(rows) + "\n")
    (tmp_path / "job.toml").write_text(job)
    found = sentence(run("build", tmp_path / "job.toml", "--into", tmp_path / "out"))
    assert re.search(outcome, found), found


# Several sensors, several logs, no job


def log_of(folder: Path, name: str = "log.csv", *, box: bool = False, seed: int = 6, start_s: float = START_S) -> Path:
    """A log of sweeps with the board's temperature, and with that of the box, which is ten minutes ahead of the crystal."""
    rng = np.random.default_rng(seed)
    fine_s = np.arange(0.0, END_S)
    truth_c = chamber_c(fine_s)
    every = slice(0, None, 40)
    board_c = behind(truth_c, 300.0)
    counted = offset_ppb(behind(board_c, 40.0))[every] + rng.normal(0.0, 1.5, len(fine_s[every]))
    columns = [
        start_s + fine_s[every],
        board_c[every] + rng.normal(0.0, 0.02, counted.size),
        1e7 * (1 + counted * 1e-9),
    ]
    formats, names = ["{:.0f}", "{:.3f}", "{:.6f}"], ["utc", "board_c", "osc_hz"]
    if box:
        draught_c = 0.4 * np.sin(fine_s[every] / 300.0 + 1.0) + 0.4 * np.sin(fine_s[every] / 171.0)
        columns.insert(1, truth_c[every] + draught_c)
        formats.insert(1, "{:.3f}")
        names.insert(1, "box_c")
    rows = [
        ",".join(form.format(value) for form, value in zip(formats, row, strict=True))
        for row in zip(*columns, strict=True)
    ]
    (folder / name).write_text("\n".join([",".join(names), *rows, ""]))
    return folder / name


def test_start_names_both_temperatures_and_asks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    log_of(tmp_path, box=True)
    result = run("start", "log.csv")
    assert re.search(
        r"'box_c' and 'board_c' look like temperatures, and 'box_c' was taken: which sensor .*\?", result.stderr
    )
    text = (tmp_path / "job.toml").read_text()
    assert 'temperature = "box_c"\n# temperature = "board_c"\n' in text


def test_inspect_compares_sensor_columns_and_says_which_to_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    log_of(tmp_path, box=True)
    run("start", "log.csv")
    result = run("inspect", "job.toml")
    assert result.exit_code == 0
    assert re.search(
        r"^  sensor to take +take 'board_c': it leaves [\d.]+ times less than the next$", result.stdout, re.MULTILINE
    )
    figures = json.loads(run("inspect", "job.toml", "--json", "--sensor", "box_c", "--sensor", "board_c").stdout)
    best, other = figures["sensor_columns"]
    assert (best["column"], other["column"]) == ("board_c", "box_c")
    assert best["held_out_rms_ppb"] < 0.5 * other["held_out_rms_ppb"]
    assert best["lag_s"] == pytest.approx(40.0, abs=10.0)
    lost = json.loads(run("inspect", "job.toml", "--json", "--sensor", "case_c").stdout)["sensor_columns"]
    assert "there is no column 'case_c'" in lost[-1]["fault"]


def test_several_logs_become_a_run_each(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    log_of(tmp_path, "one.csv", seed=7)
    log_of(tmp_path, "two.csv", seed=8, start_s=START_S + 86400.0)
    assert run("start", "one.csv", "two.csv", "--into", "both.toml").exit_code == 0
    runs = read_job("both.toml").runs
    assert [(one.file.name, one.temperature, one.frequency) for one in runs] == [
        ("one.csv", "board_c", "osc_hz"), ("two.csv", "board_c", "osc_hz"),
    ]  # fmt: skip
    assert run("inspect", "both.toml").exit_code == 0


def test_a_log_of_temperatures_alone_becomes_the_temperature_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    write_two_logs(tmp_path)
    (tmp_path / "job.toml").unlink()
    result = run("start", "log.csv", "box.csv")
    assert "log.csv has no temperature, so that of box.csv is taken, as its temperature_file" in result.stderr
    (only,) = read_job("job.toml").runs
    assert only.temperature_file is not None
    assert only.temperature_file.name == "box.csv"
    assert (only.temperature, only.temperature_time, only.frequency) == ("board_c", "stamp", "osc_hz")
    assert run("inspect", "job.toml").exit_code == 0


@pytest.mark.parametrize(
    ("name", "unit"),
    [("tic_ns", "ns"), ("phase [us]", "us"), ("time interval (ms)", "ms"), ("phase_s", "s"), ("phase", "s")],
)
def test_start_guesses_the_unit_of_a_phase(tmp_path: Path, name: str, unit: str) -> None:
    (tmp_path / "log.csv").write_text(
        f"utc,board_c,{name}\n2026-01-01T00:00:00Z,21.5,12\n2026-01-01T00:00:10Z,21.6,13\n"
    )
    job = read_job_text(start_of(tmp_path / "log.csv", tmp_path / "job.toml").text, tmp_path / "job.toml")
    assert (job.runs[0].phase, job.runs[0].phase_unit) == (name, unit)


def test_inspect_takes_a_log_without_a_job_and_says_what_it_guesses(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    log_of(tmp_path)
    result = run("inspect", "log.csv")
    assert result.exit_code == 0
    assert re.search(
        r"no job is given, so the columns are guessed: .*time = 'utc'.*temperature = 'board_c'", result.stderr
    )
    assert "nominal_hz = 10000000 is the round value nearest" in result.stderr
    assert re.search(r"^log\.csv +\d+ samples kept", result.stdout)
    assert [path.name for path in tmp_path.iterdir()] == ["log.csv"]
    assert run("inspect", "log.csv", "--into", "looked").exit_code == 0
    assert (tmp_path / "looked" / "legs.csv").is_file()


def test_a_log_whose_columns_cannot_be_guessed_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "log.csv").write_text("a,b,c\n1,x,2\n0,y,2\n")
    said = sentence(run("inspect", tmp_path / "log.csv"))
    assert "no column looks like a frequency, an offset or a phase nor a time;" in said
    assert "the columns are a, b, c; write a job with `tcomp start" in said


def test_three_weeks_are_summed_up_on_one_screen_and_the_legs_go_to_a_file(tmp_path: Path) -> None:
    time_s = np.arange(0.0, 21 * 86400.0, 300.0)
    rng = np.random.default_rng(9)
    outside_c = 12.0 + 8.0 * np.sin(2 * np.pi * time_s / 86400.0) + 3.0 * np.sin(2 * np.pi * time_s / 600_000.0)
    shown_hz = 1e7 * (1 + 1e-9 * (offset_ppb(outside_c) + rng.normal(0.0, 2.0, time_s.size)))
    rows = [f"{START_S + t:.0f},{c:.3f},{f:.5f}" for t, c, f in zip(time_s, outside_c, shown_hz, strict=True)]
    (tmp_path / "log.csv").write_text("utc,board_c,osc_hz\n" + "\n".join(rows) + "\n")
    (tmp_path / "job.toml").write_text(JOB)
    result = run("inspect", tmp_path / "job.toml", "--into", tmp_path / "out")
    # A terminal of the usual height has 24 lines (common practice, no source).
    assert len(result.stdout.splitlines()) <= 24
    assert re.search(r"^  heating +2[0-2], .* degC/min, .* h in all$", result.stdout, re.MULTILINE)
    assert re.search(r"^  legs +each in .*legs\.csv$", result.stdout, re.MULTILINE)
    assert len((tmp_path / "out" / "legs.csv").read_text().splitlines()) > 40


# Results that are missing or stale

QUICK = """
[fit]
models = ["crystal"]
hysteresis = "none"
ageing = "none"
[table]
form = "steps"
interpolation = "linear"
"""
"""One curve and one form of table: what is tested here is which stage runs, not what it finds."""


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job, its log, and the results of all stages."""
    folder = tmp_path_factory.mktemp("measured")
    log_of(folder)
    (folder / "job.toml").write_text(JOB + QUICK + "max_error_ppb = 5\n[use]\nneeded_ppb = 100\n")
    assert run("report", folder / "job.toml", "--into", folder / "job.out").exit_code == 0
    return folder


@pytest.fixture
def copied(measured: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    import shutil

    shutil.copytree(measured, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_report_of_a_fresh_folder_has_every_stage_and_the_bytes_of_a_build(measured: Path, tmp_path: Path) -> None:
    assert run("build", measured / "job.toml", "--into", tmp_path / "job.out").exit_code == 0
    names = {path.name for path in (tmp_path / "job.out").iterdir()}
    assert names == {path.name for path in (measured / "job.out").iterdir()}
    for name in names:
        assert (tmp_path / "job.out" / name).read_bytes() == (measured / "job.out" / name).read_bytes(), name


def test_nothing_is_made_anew_where_nothing_changed(copied: Path) -> None:
    for words in (("report", "job.toml"), ("report", "job.out"), ("prove", "job.toml"), ("judge", "job.toml")):
        result = run(*words)
        assert result.exit_code == 0
        assert "it is made" not in result.stderr, words


STALE = {
    "nominal": ("10_000_000", "10_000_001", "fit", ["clean.parquet was made from another [oscillator]: it is made again"]),
    "sensor": ("[table]", "[sensor]\nsigma_c = 0.1\n[table]", "table", ["clean.parquet was made from another [sensor]"]),
    "fit": ("[table]", "reference_c = 20\n[table]", "export", ["curve.json was made from another [fit]", "table.json"]),
    "reference": (
        "[table]", "[reference]\nuncertainty_ppb = 1\n[table]", "judge", ["curve.json was made from another [reference]"],
    ),
    "table": ("= 5", "= 50", "prove", ["table.json was made from another [table]", "firmware was made from another"]),
    "use": ("= 100", "= 200", "report", ["verdict.json was made from another job"]),
}  # fmt: skip


@pytest.mark.parametrize(("right", "other", "command", "outcome"), STALE.values(), ids=STALE)
def test_a_changed_job_makes_anew_what_depends_on_it_and_nothing_else(
    copied: Path, right: str, other: str, command: str, outcome: list[str]
) -> None:
    job = copied / "job.toml"
    text = job.read_text()
    assert right in text
    before = (copied / "job.out" / "curve.json").stat().st_mtime_ns
    job.write_text(text.replace(right, other, 1))
    result = run(command, "job.toml")
    assert result.exit_code == 0, result.stderr
    for one in outcome:
        assert one in result.stderr
    if right in ("= 5", "= 100"):
        assert "clean.parquet" not in result.stderr
        assert (copied / "job.out" / "curve.json").stat().st_mtime_ns == before
    assert "made again" not in run(command, "job.toml").stderr.replace("firmware", "")


def test_a_changed_nominal_never_gives_the_old_offsets(copied: Path) -> None:
    old = read_curve_of(copied / "job.out")(np.array([25.0]))
    job = copied / "job.toml"
    job.write_text(job.read_text().replace("10_000_000", "10_000_001"))
    assert run("fit", "job.toml").exit_code == 0
    # By hand: 1 Hz of 10 MHz is 100 ppb.
    assert read_curve_of(copied / "job.out")(np.array([25.0])) - old == pytest.approx(-100.0, abs=1e-3)


def test_a_changed_log_is_read_again(copied: Path) -> None:
    log = copied / "log.csv"
    rows = log.read_text().splitlines()
    log.write_text("\n".join(rows[:-10]) + "\n")
    assert "clean.parquet was made from another log.csv: it is made again" in run("table", "job.toml").stderr


def test_without_its_log_the_results_are_used_with_a_word(copied: Path) -> None:
    (copied / "log.csv").unlink()
    result = run("table", "job.toml")
    assert result.exit_code == 0
    assert "log.csv: cannot be read, so clean.parquet is used without a check" in result.stderr
    job = copied / "job.toml"
    job.write_text(job.read_text().replace("10_000_000", "10_000_001"))
    assert "log.csv: is not there" in sentence(run("table", "job.toml"))


def test_results_that_do_not_say_what_they_are_of_are_made_anew(copied: Path) -> None:
    (copied / "job.out" / "made_from.json").write_text("{")
    assert "clean.parquet does not say what it was made from: it is made again" in run("table", "job.toml").stderr


def test_a_trim_that_a_new_fit_replaces_is_said(copied: Path) -> None:
    at = ("--at", "25 degC, 309 ppb, 5 ppb", "--time", "2026-06-01T10:00Z")
    assert run("retrim", "job.out", *at).exit_code == 0
    assert "it is made" not in run("table", "job.toml").stderr  # the trimmed curve is of this job
    job = copied / "job.toml"
    job.write_text(job.read_text().replace("10_000_000", "10_000_001"))
    assert "warning: the base that `tcomp retrim` had set is replaced" in run("table", "job.toml").stderr


def test_a_source_edited_by_hand_is_proven_as_it_is(copied: Path) -> None:
    source = copied / "job.out" / "gauge.c"
    text = source.read_text()
    source.write_text(re.sub(r"(-?\d+),", lambda found: f"{int(found[1]) + 1},", text, count=1))
    assert source.read_text() != text
    assert run("prove", "job.toml").exit_code in (1, 2)
    assert source.read_text() != text


def test_the_keys_of_the_oscillator_that_count_are_those_that_are_read() -> None:
    # What reading and fitting take of [oscillator], found in their source.
    from tcomp.inputs import OSCILLATOR_KEYS

    package = Path(__file__).parent.parent / "tcomp"
    rooms = [path for room in ("logs", "curve", "model") for path in (package / room).glob("*.py")]
    read = {key for path in rooms for key in re.findall(r"oscillator\.(\w+)", path.read_text())}
    workflow = (package / "workflow.py").read_text()
    learning = workflow[workflow.index("def learn(") : workflow.index("def design(")]
    read |= set(re.findall(r"oscillator\.(\w+)", learning))
    assert read - {"name"} == set(OSCILLATOR_KEYS)


# The words at the end


def test_the_next_step_of_a_build_is_a_command_that_runs_as_printed(tmp_path: Path) -> None:
    folder = tmp_path / "a folder"
    folder.mkdir()
    log_of(folder)
    (folder / "job.toml").write_text(JOB + QUICK)
    result = run("build", folder / "job.toml", "--into", folder / "job.out")
    assert result.exit_code == 0
    name, *words = shlex.split(next(line for line in result.stdout.splitlines() if line.strip().startswith("tcomp ")))
    assert name == "tcomp"
    done = subprocess.run(
        [sys.executable, "-m", "tcomp", *words], capture_output=True, text=True, timeout=300, check=False
    )
    assert done.returncode == 0, done.stderr


def test_the_shares_of_table_and_curve_are_told_apart(measured: Path) -> None:
    shown = run("table", measured / "job.toml", "--into", measured / "job.out").stdout
    assert re.search(
        r"^table's share +within [\d.]+ ppb of the curve, whose own u is [\d.]+ ppb",
        shown,
        re.M,
    )


def test_a_table_without_limits_is_as_fine_as_the_curve_is_known(copied: Path) -> None:
    job = copied / "job.toml"
    job.write_text(
        job.read_text().replace("max_error_ppb = 5\n", "counts_per_c = 600\n").replace("needed_ppb = 100\n", "")
    )
    result = run("table", "job.toml", "--json")
    u_ppb = json.loads((copied / "job.out" / "curve.json").read_text())["residual_sd_ppb"]
    found = re.search(
        r"so ([\d.]+) ppb is taken, (half of [^;]*); half the error would take (\d+ bytes? more|as many bytes)",
        result.stderr,
    )
    assert found, result.stderr
    assert float(found[1]) < u_ppb  # not the 20 ppb of before, which was far above it
    assert json.loads(result.stdout)["max_error_ppb"] <= float(found[1]) * 1.05  # two digits are shown
    job.write_text(job.read_text().replace("[use]", "[use]\nneeded_ppb = 100"))
    assert "so 10 ppb is taken, a tenth of [use] needed_ppb" in run("table", "job.toml").stderr


def test_curves_that_the_sweeps_do_not_determine_are_named_in_one_sentence() -> None:
    from tcomp.estimation.candidates import candidates
    from tcomp.estimation.validation import validate

    temperature_c = np.tile(np.arange(5.0), 8)
    offset = 3.0 * temperature_c + np.random.default_rng(1).normal(0.0, 0.1, temperature_c.size)
    sweep = np.repeat(np.arange(4), 10)
    names = tuple(f"poly{degree}" for degree in range(1, 10))
    found = validate(
        temperature_c, offset, sweep, np.where(sweep % 2, -0.5, 0.5), candidates(names, "unknown")
    )  # fmt: skip
    (said,) = found.unscored
    assert re.fullmatch(r"poly5, poly6, .*poly9: the other sweeps do not determine 6 to 10 coefficients", said), said


def test_what_would_decide_is_named_once_for_each_figure(tmp_path: Path) -> None:
    from tcomp.verdict import options

    text = Path(options.__file__).read_text()
    decides = re.findall(r'decides="([^"]*data sheet[^"]*)"', text)
    assert len(set(decides)) == len(decides) == 3
    assert all(one.startswith("its ") and "(data sheet" in one for one in decides)
