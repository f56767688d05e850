"""Every quantity that a log may hold, in both roles, against numbers worked by hand."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from tcomp.errors import JobError, RunError
from tcomp.job import Oscillator, RunLog, read_job_text
from tcomp.logs.log_file import read_run
from tcomp.logs.record import RawRun


def run_of(tmp_path: Path, rows: list[str], nominal_hz: float | None = 10e6, **keys: object) -> RawRun:
    file = tmp_path / "log.csv"
    file.write_text("\n".join(["t,T,a,b,c", *rows, ""]), encoding="utf-8")
    log = RunLog(**{"file": file, "temperature": "T", "time": "t", **keys})  # type: ignore[arg-type]
    return read_run(log, Oscillator("any", nominal_hz=nominal_hz))


def offset_ppb(run: RawRun) -> list[float]:
    return run.frame["offset_ppb"].tolist()


# By hand. Counter as timebase: f_true = f_shown (1 + y), so 9 999 990 Hz shown of 10 MHz is y = 10/9 999 990
# = 1000.001 000 001 ppb. Departure d shown: 1 + y = 1/(1 + d), so d = -1 ppm is the same y.
@pytest.mark.parametrize(
    ("value", "keys", "expected_ppb"),
    [
        ("10000010,,", {"frequency": "a"}, 1000.0),
        ("9999990,,", {"frequency": "a"}, -1000.0),
        ("9999990,,", {"frequency": "a", "role": "timebase", "reference_hz": 10e6}, 1000.001000001),
        ("1.5,,", {"offset": "a", "offset_unit": "ppb"}, 1.5),
        ("1.5,,", {"offset": "a", "offset_unit": "ppm"}, 1500.0),
        ("1.5e-6,,", {"offset": "a", "offset_unit": "1"}, 1500.0),
        ("-1,,", {"offset": "a", "offset_unit": "ppm", "role": "timebase"}, 1000.001000001),
        ("1.000001,1.0,", {"reading": "a", "trusted": ("b",)}, 1000.0),
        ("1.000001,0.999999,1.000001", {"reading": "a", "trusted": ("b", "c")}, 1000.0),
        ("0.999999,1.0,", {"reading": "a", "trusted": ("b",), "role": "timebase"}, 1000.001000001),
    ],
)
def test_a_value_gives_the_offset_worked_by_hand(
    tmp_path: Path, value: str, keys: dict[str, object], expected_ppb: float
) -> None:
    # 1.000001 as float64 is right to 1.1e-16, that is 1.1e-7 ppb
    assert offset_ppb(run_of(tmp_path, [f"0,20,{value}"], **keys)) == pytest.approx([expected_ppb], abs=3e-7)


def test_an_offset_survives_to_parts_in_1e13_of_12_8_mhz_written_with_17_digits(tmp_path: Path) -> None:
    texts = ["12800000.000001234", "12800000.128000001", "12799999.999998720"]
    run = run_of(tmp_path, [f"{index},20,{text},," for index, text in enumerate(texts)], 12.8e6, frequency="a")
    exact = [float((Fraction(text) - 12_800_000) / 12_800_000 * 10**9) for text in texts]
    assert exact[2] == pytest.approx(-1e-4)  # 1e-13
    # a float64 near 12.8e6 is right to 9.3e-10 Hz, that is 7.3e-8 ppb
    np.testing.assert_allclose(offset_ppb(run), exact, rtol=0, atol=1e-7)


def test_500_ns_over_10_s_are_50_ppb_at_the_middle_of_the_interval(tmp_path: Path) -> None:
    # worked example on a timing vendor's page: 500 ns over 10 s = 50 ppb
    run = run_of(tmp_path, ["0,20,0,,", "10,21,500e-9,,", "20,23,1500e-9,,"], phase="a")
    assert offset_ppb(run) == pytest.approx([50.0, 100.0])
    assert run.frame["time_s"].tolist() == [5.0, 15.0]
    assert run.frame["temperature_c"].tolist() == [20.5, 22.0]
    assert run.frame["line"].tolist() == [3, 4]


def test_a_phase_shown_by_the_timebase_turns_round(tmp_path: Path) -> None:
    run = run_of(tmp_path, ["0,20,0,,", "10,20,-10e-6,,"], phase="a", role="timebase")
    assert offset_ppb(run) == pytest.approx([1000.001000001], abs=1e-6)


def test_a_phase_is_not_differenced_across_a_gap(tmp_path: Path) -> None:
    times = [0, 10, 20, 80, 90]
    run = run_of(tmp_path, [f"{time},20,{time * 1e-6},," for time in times], phase="a")
    assert run.frame["time_s"].tolist() == [5.0, 15.0, 85.0]
    assert offset_ppb(run) == pytest.approx([1000.0] * 3)


def test_a_missing_phase_costs_the_intervals_on_both_sides(tmp_path: Path) -> None:
    run = run_of(tmp_path, ["0,20,0,,", "10,20,1e-6,,", "20,20,,,", "30,20,3e-6,,", "40,20,4e-6,,"], phase="a")
    np.testing.assert_allclose(offset_ppb(run), [100.0, np.nan, np.nan, 100.0])


def test_a_phase_is_not_differenced_where_time_stands_or_goes_back(tmp_path: Path) -> None:
    times = [0, 10, 10, 20, 15, 30]
    run = run_of(tmp_path, [f"{time},20,{time * 1e-6},," for time in times], phase="a")
    np.testing.assert_allclose(offset_ppb(run), [1000.0, np.nan, 1000.0, np.nan, 1000.0])


def test_a_phase_over_equal_intervals_needs_no_time_column(tmp_path: Path) -> None:
    run = run_of(tmp_path, ["x,20,0,,", "x,20,1e-6,,"], phase="a", time=None, interval_s=10.0)
    assert offset_ppb(run) == pytest.approx([100.0])


@pytest.mark.parametrize(
    ("shown_hz", "nominal_hz", "fits"),
    [("10000012.5", 12.8e6, "10000000"), ("12799870", 10e6, "12800000"), ("32769.1", 10e6, "32768"),
     ("26000100", 26e3, "26000000")],
)  # fmt: skip
def test_a_wrong_nominal_is_refused_and_a_fitting_one_named(
    tmp_path: Path, shown_hz: str, nominal_hz: float, fits: str
) -> None:
    with pytest.raises(
        RunError,
        match=rf"beyond the 2000 ppm .* nominal_hz = {nominal_hz:.10g} is probably wrong; nominal_hz = {fits} would",
    ):
        run_of(tmp_path, [f"0,20,{shown_hz},,"] * 3, nominal_hz, frequency="a")


def test_a_wrong_reference_is_refused_and_a_fitting_one_named(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r"reference_hz = 5000000 is probably wrong; reference_hz = 10000000 would fit"):
        run_of(tmp_path, ["0,20,9999990,,"], frequency="a", role="timebase", reference_hz=5e6)


@pytest.mark.parametrize(
    ("value", "unit", "advice"),
    [
        ("5.2", "1", 'offset_unit = "1" is probably wrong; "ppm" or "ppb" would fit'),
        ("5200", "ppm", 'offset_unit = "ppm" is probably wrong; "ppb" would fit'),
        ("12800000", "ppb", "no unit fits; if the column holds frequencies, name it as frequency"),
    ],
)
def test_a_wrong_unit_is_refused_and_a_fitting_one_named(tmp_path: Path, value: str, unit: str, advice: str) -> None:
    with pytest.raises(RunError, match=advice):
        run_of(tmp_path, [f"0,20,{value},,"], offset="a", offset_unit=unit)


def test_a_phase_in_nanoseconds_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunError, match='phase_unit = "s" is probably wrong; "us" or "ns" would fit'):
        run_of(tmp_path, ["0,20,0,,", "10,20,500,,", "20,20,1000,,"], phase="a")


def test_a_reading_in_another_unit_than_the_trusted_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="reading and trusted must be in the same unit; check the columns"):
        run_of(tmp_path, ["0,20,1000.1,1.0,"], reading="a", trusted=("b",))


def test_fill_values_in_few_rows_do_not_spoil_the_judgement_of_the_nominal(tmp_path: Path) -> None:
    rows = ["0,20,0,,", "1,20,1e38,,", *(f"{time},20,10000010,," for time in range(2, 7))]
    assert offset_ppb(run_of(tmp_path, rows, frequency="a"))[2] == 1000.0


def test_a_column_that_is_no_frequency_is_given_no_fitting_nominal(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r"the median frequency is -17\.5 Hz; check the frequency column"):
        run_of(tmp_path, ["0,20,-17.5,,"] * 3, frequency="a")


@pytest.mark.parametrize(("unit", "shown"), [("kHz", "12800.0128"), ("MHz", "12.8000128"), ("Hz", "12800012.8")])
def test_a_frequency_may_be_in_khz_or_mhz(tmp_path: Path, unit: str, shown: str) -> None:
    # 12.8 Hz above 12.8 MHz is 1 ppm: by hand.
    run = run_of(tmp_path, [f"0,20,{shown},,"] * 3, 12.8e6, frequency="a", frequency_unit=unit)
    assert offset_ppb(run) == pytest.approx([1000.0] * 3, abs=1e-6)  # the last bit of 12.8 MHz, 2e-9 Hz


def test_a_timebase_may_show_a_trusted_frequency_in_mhz(tmp_path: Path) -> None:
    # Shown 1 ppm too low, so the timebase is fast: y = f_true / f_shown - 1 = 1000.001 ppb.
    run = run_of(
        tmp_path, ["0,20,9.99999,,"] * 3, frequency="a", frequency_unit="MHz", role="timebase", reference_hz=10e6
    )
    assert offset_ppb(run) == pytest.approx([1000.001] * 3, abs=1e-3)


def test_a_wrong_unit_is_refused_and_the_fitting_one_named(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r'frequency_unit = "Hz" is probably wrong; frequency_unit = "kHz" would fit'):
        run_of(tmp_path, ["0,20,12800.01,,"] * 3, 12.8e6, frequency="a")


def test_a_unit_of_frequencies_without_any_is_refused() -> None:
    with pytest.raises(JobError, match=r"job\.toml:4: \[\[run\]\] frequency_unit goes with a frequency column"):
        read_job_text(
            '[oscillator]\nname = "x"\n[[run]]\nfrequency_unit = "kHz"\nfile = "a.csv"\ntemperature = "t"\nphase = "p"\n'
            'time = "utc"\n'
        )
