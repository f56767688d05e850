"""What cannot be true is dropped with its reason; what only looks odd stays."""

from __future__ import annotations

import time
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tcomp.errors import RunError
from tcomp.logs.cleaning import clean_run, longest_increasing
from tcomp.logs.neighbours import is_outlier, quantum_of
from tcomp.logs.record import CleanRun, RawRun, frame_of

INTERVAL_S = 10.0
QUANTUM_C = 0.0625


def crystal_ppb(temperature_c: np.ndarray) -> np.ndarray:
    """An invented AT-like curve, steep at the ends, for rows that must stay."""
    return -300.0 * (temperature_c - 26.0) + 0.11 * (temperature_c - 26.0) ** 3


def up_and_down(rate_c_per_min: float = 0.5, soak_samples: int = 60) -> np.ndarray:
    count = int(60.0 / (rate_c_per_min * INTERVAL_S / 60.0))
    up = np.linspace(-10.0, 50.0, count)
    return np.concatenate([np.full(soak_samples, -10.0), up, np.full(soak_samples, 50.0), up[::-1]])


def run_of(
    temperature_c: np.ndarray,
    offset_ppb: np.ndarray | None = None,
    time_s: np.ndarray | None = None,
    noise_ppb: float = 1.0,
    seed: int = 1,
    quantum_c: float = QUANTUM_C,
) -> RawRun:
    """The crystal on a noisy, quantised sensor; seeded."""
    random = np.random.default_rng(seed)
    clean_ppb = crystal_ppb(temperature_c) if offset_ppb is None else offset_ppb
    sensed_c = np.round((temperature_c + random.normal(0, 0.01, len(temperature_c))) / quantum_c) * quantum_c
    times = INTERVAL_S * np.arange(len(temperature_c)) if time_s is None else time_s
    return RawRun(
        "run.csv", frame_of(times, sensed_c, clean_ppb + random.normal(0, noise_ppb, len(times))), "elapsed", ()
    )


def with_values(raw: RawRun, column: str, rows: list[int] | slice, value: object) -> RawRun:
    frame = raw.frame.copy()
    frame.loc[frame.index[rows], column] = value
    return RawRun(raw.name, frame, raw.time_kind, raw.assumptions)


def dropped(run: CleanRun) -> dict[int, str]:
    return {int(row): reason for row, reason in run.frame["dropped"].items() if reason}


@pytest.mark.parametrize("quantum_c", [0.0625, 0.25, 1e-4])
@pytest.mark.parametrize("rate_c_per_min", [0.3, 1.0, 5.0])
def test_a_sound_run_loses_nothing(quantum_c: float, rate_c_per_min: float) -> None:
    run = clean_run(run_of(up_and_down(rate_c_per_min), quantum_c=quantum_c))
    assert run.dropped_counts == {}
    assert run.gaps == ()
    assert run.interval_s == INTERVAL_S
    assert len(run.kept) == len(run.frame)


def test_a_run_without_any_noise_loses_nothing() -> None:
    temperature_c = up_and_down()
    raw = RawRun("run.csv", frame_of(10.0 * np.arange(len(temperature_c)), temperature_c, crystal_ppb(temperature_c)),
                 "elapsed", ())  # fmt: skip
    assert clean_run(raw).dropped_counts == {}


@pytest.mark.parametrize(
    ("column", "value"),
    [("time_s", np.nan), ("time_s", np.inf), ("temperature_c", np.nan), ("offset_ppb", np.nan), ("offset_ppb", np.inf)],
)
def test_missing_values_are_not_a_number(column: str, value: float) -> None:
    run = clean_run(with_values(run_of(up_and_down()), column, [5, 70], value))
    assert dropped(run) == {5: "not a number", 70: "not a number"}
    assert run.dropped_counts == {"not a number": 2}


def test_an_infinite_temperature_is_a_sensor_out_of_range() -> None:
    run = clean_run(with_values(run_of(up_and_down()), "temperature_c", [5, 70], np.inf))
    assert run.dropped_counts == {"sensor out of range": 2}


def test_the_frame_keeps_every_row_and_kept_only_the_kept() -> None:
    raw = with_values(run_of(up_and_down()), "offset_ppb", [5], np.nan)
    run = clean_run(raw)
    assert list(run.frame.columns) == ["time_s", "temperature_c", "offset_ppb", "line", "dropped"]
    assert len(run.frame) == len(raw.frame)
    assert 6 not in run.kept["line"].tolist()
    assert run.kept.index.tolist() == list(range(len(raw.frame) - 1))


def test_a_wild_stamp_ahead_costs_itself_alone() -> None:
    raw = run_of(up_and_down())
    assert dropped(clean_run(with_values(raw, "time_s", [100], 1e9))) == {100: "time backwards"}
    assert dropped(clean_run(with_values(raw, "time_s", [100], -1e9))) == {100: "time backwards"}


def test_of_repeated_times_the_first_is_kept() -> None:
    run = clean_run(with_values(run_of(up_and_down()), "time_s", [101, 102], 1000.0))
    assert dropped(run) == {101: "time repeated", 102: "time repeated"}


def test_a_clock_that_was_set_back_loses_the_shorter_part() -> None:
    raw = run_of(up_and_down())
    back = raw.frame["time_s"].to_numpy().copy()
    back[500:] -= 1003.0
    run = clean_run(RawRun(raw.name, raw.frame.assign(time_s=back), raw.time_kind, ()))
    assert set(dropped(run).values()) == {"time backwards"}
    assert len(dropped(run)) == 100


def set_back(by_s: float, kind: str = "clock") -> CleanRun:
    """A clock that is set back so far before sample 500, and runs on from there."""
    raw = run_of(up_and_down())
    back = raw.frame["time_s"].to_numpy().copy()
    back[500:] -= by_s
    return clean_run(RawRun(raw.name, raw.frame.assign(time_s=back), kind, ()))  # type: ignore[arg-type]


@pytest.mark.parametrize(("by_s", "by"), [(3600.0, "an hour"), (3604.0, "an hour"), (7200.0, "2 hours")])
def test_whole_hours_back_are_named_as_the_end_of_daylight_saving(by_s: float, by: str) -> None:
    # Lines count from 1; a logger may be some seconds late.
    (said,) = set_back(by_s).assumptions
    assert said.startswith(
        f"At line 501 the times go back by exactly {by}, as local time does when daylight saving ends"
    )
    assert said.endswith("log in UTC.")


def test_other_times_back_are_not_daylight_saving() -> None:
    assert set_back(1003.0).assumptions == set_back(2700.0).assumptions == ()
    assert set_back(3600.0, "elapsed").assumptions == ()  # no clock at all
    raw = run_of(up_and_down())
    wild = with_values(
        raw, "time_s", [500], 10.0 * 500 - 3600.0
    )  # one wild stamp an hour early: the next is right again
    assert clean_run(RawRun(raw.name, wild.frame, "clock", ())).assumptions == ()


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(0, 8), max_size=9))
def test_the_increasing_sequence_is_the_longest_there_is(times: list[int]) -> None:
    kept = longest_increasing(np.array(times, dtype=float))
    chosen = np.array(times)[kept]
    assert np.all(np.diff(chosen) > 0)
    longest = max(
        (
            size
            for size in range(len(times) + 1)
            for some in combinations(times, size)
            if list(some) == sorted(set(some))
        ),
        default=0,
    )
    assert len(chosen) == longest


@pytest.mark.parametrize(
    ("column", "value"),
    [("temperature_c", 1e38), ("temperature_c", -1e38), ("temperature_c", 200.1), ("temperature_c", -100.1),
     ("offset_ppb", 2.01e6), ("offset_ppb", -1e9), ("offset_ppb", 1e38)],
)  # fmt: skip
def test_fill_values_are_impossible(column: str, value: float) -> None:
    assert dropped(clean_run(with_values(run_of(up_and_down()), column, [9, 80], value))) == {
        9: "impossible value",
        80: "impossible value",
    }


def test_values_at_the_edge_of_the_possible_are_possible() -> None:
    raw = RawRun("run.csv", frame_of([0, 1, 2], [-100.0, 0.0, 200.0], [-2e6, 0.0, 2e6]), "elapsed", ())
    assert clean_run(raw).dropped_counts == {}


@pytest.mark.parametrize("samples", [10, 40])
@pytest.mark.parametrize("column", ["temperature_c", "offset_ppb"])
def test_a_value_that_stands_still_on_a_ramp_and_ends_with_a_jump_is_stuck(column: str, samples: int) -> None:
    raw = run_of(up_and_down(2.0, soak_samples=10))
    stuck = slice(60, 60 + samples)
    run = clean_run(with_values(raw, column, stuck, raw.frame[column].iloc[60]))
    reason = {"temperature_c": "stuck sensor", "offset_ppb": "stuck counter"}[column]
    assert set(dropped(run).values()) == {reason}
    # A neighbour with the same quantised value is stuck to the eye as well.
    assert set(range(60, 60 + samples)) <= set(dropped(run)) <= set(range(59, 61 + samples))


def test_a_glitch_of_a_few_equal_values_is_stuck() -> None:
    run = clean_run(with_values(run_of(up_and_down()), "temperature_c", slice(200, 204), 85.0))
    assert dropped(run) == dict.fromkeys(range(200, 204), "stuck sensor")


def test_a_soak_on_a_coarse_sensor_is_not_stuck() -> None:
    temperature_c = np.concatenate([np.full(300, 20.06), np.linspace(20.06, 40.0, 120), np.full(300, 40.01)])
    assert clean_run(run_of(temperature_c, quantum_c=0.25)).dropped_counts == {}


def test_equal_values_that_end_at_a_gap_are_not_stuck() -> None:
    temperature_c = np.concatenate([np.full(100, 20.0), np.linspace(40.0, 60.0, 120)])
    time_s = INTERVAL_S * np.arange(220) + np.where(np.arange(220) >= 100, 3600.0, 0.0)
    assert clean_run(run_of(temperature_c, time_s=time_s)).dropped_counts == {}


def test_a_counter_of_few_digits_is_not_stuck_when_the_frequency_jumps() -> None:
    temperature_c = np.concatenate([np.full(300, 25.0), np.linspace(25.0, 30.0, 200)])
    offset_ppb = np.round(crystal_ppb(temperature_c) / 100.0) * 100.0
    offset_ppb[150:] += 700.0
    assert clean_run(run_of(temperature_c, offset_ppb, noise_ppb=0.0)).dropped_counts == {}


@pytest.mark.parametrize("row", [0, 1, 30, 61, 200, 463, 838, 839])
def test_a_gross_error_is_an_outlier_wherever_it_stands(row: int) -> None:
    raw = run_of(up_and_down())
    raw = with_values(raw, "offset_ppb", [row], raw.frame["offset_ppb"].iloc[row] + 400.0)
    assert dropped(clean_run(raw)) == {row: "outlier"}


def test_a_gross_error_of_the_sensor_is_an_outlier() -> None:
    raw = run_of(up_and_down())
    raw = with_values(raw, "temperature_c", [300], raw.frame["temperature_c"].iloc[300] + 5.0)
    assert dropped(clean_run(raw)) == {300: "outlier"}


def test_two_gross_errors_side_by_side_are_both_outliers() -> None:
    raw = run_of(up_and_down())
    raw = with_values(raw, "offset_ppb", [300, 301], raw.frame["offset_ppb"].iloc[300] + 900.0)
    assert dropped(clean_run(raw)) == {300: "outlier", 301: "outlier"}


@pytest.mark.parametrize("jump_ppb", [20.0, 400.0, 5000.0])
@pytest.mark.parametrize("row", [30, 200, 450])
def test_a_frequency_jump_stays(jump_ppb: float, row: int) -> None:
    temperature_c = up_and_down()
    jumped = crystal_ppb(temperature_c) + jump_ppb * (np.arange(len(temperature_c)) >= row)
    assert clean_run(run_of(temperature_c, jumped)).dropped_counts == {}


@pytest.mark.parametrize("rate_c_per_min", [0.3, 0.5, 0.7, 1.0])
@pytest.mark.parametrize("shape", ["bell", "resonance", "notch"])
def test_an_activity_dip_stays(rate_c_per_min: float, shape: str) -> None:
    # 260 ppb deep, 0.8 degC wide (full width at half depth; the notch: in all), at 30.1 degC
    for seed in range(5):
        temperature_c = up_and_down(rate_c_per_min) + np.random.default_rng(seed).uniform(0, 0.2)
        away_c = np.abs(temperature_c - 30.1)
        depth = {
            "bell": np.exp(-4 * np.log(2) * (away_c / 0.8) ** 2),
            "resonance": 1 / (1 + (away_c / 0.4) ** 2),
            "notch": np.clip(1 - away_c / 0.4, 0, None),
        }[shape]
        assert (
            clean_run(run_of(temperature_c, crystal_ppb(temperature_c) - 260 * depth, seed=seed)).dropped_counts == {}
        )


def test_samples_beyond_a_gap_are_no_neighbours() -> None:
    temperature_c = np.concatenate([np.linspace(20.0, 30.0, 100), np.full(2, 45.0), np.linspace(30.0, 40.0, 100)])
    time_s = INTERVAL_S * np.arange(202.0)
    time_s[100:] += 3600.0
    time_s[102:] += 3600.0
    run = clean_run(run_of(temperature_c, time_s=time_s))
    assert run.dropped_counts == {}
    assert [(gap.start_s, gap.end_s, gap.duration_s) for gap in run.gaps] == [
        (990.0, 4600.0, 3610.0),
        (4610.0, 8220.0, 3610.0),
    ]


def test_dropped_rows_can_open_a_gap() -> None:
    run = clean_run(with_values(run_of(up_and_down()), "offset_ppb", slice(100, 106), np.nan))
    assert [(gap.start_s, gap.end_s) for gap in run.gaps] == [(990.0, 1060.0)]


def test_an_unordered_table_is_judged_by_neighbours_in_temperature() -> None:
    random = np.random.default_rng(3)
    temperature_c = random.permutation(np.linspace(-10, 50, 300))
    offset_ppb = crystal_ppb(temperature_c) + random.normal(0, 1, 300)
    offset_ppb[17] += 3000.0
    nan = np.full(300, np.nan)
    run = clean_run(RawRun("table.csv", frame_of(nan, temperature_c, offset_ppb), "none", ()))
    assert dropped(run) == {17: "outlier"}
    assert np.isnan(run.interval_s)
    assert run.gaps == ()
    assert run.kept["line"].is_monotonic_increasing


@pytest.mark.parametrize(
    ("values", "quantum"),
    [
        (np.round(np.random.default_rng(1).normal(20, 1, 500) / 0.0625) * 0.0625, 0.0625),
        (np.round(np.round(np.random.default_rng(1).normal(20, 1, 500) / 0.0625) * 0.0625, 2), 0.0625),
        (np.round(np.random.default_rng(1).normal(20, 10, 500), 3), 0.001),
        (np.random.default_rng(1).normal(20, 1, 500), 0.0),
        (20.0 + 0.05 * np.arange(500), 0.0),
        (np.array([20.0, 20.0]), 0.0),
    ],
    ids=["sixteenths", "sixteenths printed with two decimals", "thousandths", "continuous", "ramp", "one value"],
)
def test_the_quantum_is_found_in_the_data(values: np.ndarray, quantum: float) -> None:
    assert quantum_of(values) == pytest.approx(quantum, rel=0.01)


def test_the_quantum_of_the_job_goes_first() -> None:
    assert clean_run(run_of(up_and_down())).quantum_c == QUANTUM_C
    assert clean_run(run_of(up_and_down()), resolution_c=0.5).quantum_c == 0.5


def test_a_run_of_which_nothing_is_left_is_refused_with_the_counts() -> None:
    raw = RawRun("run.csv", frame_of([0, 1, 2], [20.0, 300.0, 21.0], [np.nan, 1.0, 1e9]), "elapsed", ())
    with pytest.raises(RunError, match=r"run\.csv: none of 3 samples is kept \(impossible value: 2, not a number: 1\)"):
        clean_run(raw)


def test_a_run_at_one_temperature_is_refused() -> None:
    raw = RawRun("run.csv", frame_of(np.arange(50.0), np.full(50, 23.5), np.arange(50.0)), "elapsed", ())
    with pytest.raises(
        RunError, match=r"run\.csv: all 50 kept samples have the temperature 23\.5 degC.*check the temp"
    ):
        clean_run(raw)


def test_a_reading_that_never_changes_is_refused_as_a_counter_on_its_own_reference() -> None:
    # A counter whose reference is the oscillator that it measures shows the nominal frequency always (arithmetic).
    raw = with_values(run_of(up_and_down()), "offset_ppb", slice(None), 0.0)
    with pytest.raises(
        RunError, match=r"have the offset 0 ppb.*counter probably runs on the oscillator that it measures"
    ):
        clean_run(raw)
    # The same counter with the last digit that a float rounds to either side.
    raw.frame.loc[::2, "offset_ppb"] = 1e-7
    with pytest.raises(RunError, match="have the offset"):
        clean_run(raw)
    raw.frame.loc[::2, "offset_ppb"] = 1.0
    assert len(clean_run(raw).kept) > 0


def test_two_hundred_thousand_samples_take_a_second_or_so() -> None:
    temperature_c = 20.0 + 15.0 * np.sin(np.arange(200_000) / 10_000)
    raw = with_values(run_of(temperature_c), "time_s", [5], 1e9)
    start = time.process_time()
    assert clean_run(raw).dropped_counts == {"time backwards": 1}
    # 0.4 s on the machine of the first measurement; a loop over windows would take minutes
    assert time.process_time() - start < 5.0


@pytest.mark.parametrize(("scales", "found"), [(9.0, True), (4.5, False)])
def test_an_outlier_lies_six_standard_deviations_from_its_neighbours(scales: float, found: bool) -> None:
    # Normal noise of 1 with one sample moved: six robust standard deviations (common practice, no source).  A deviation scatters
    # by 1.2 itself, with the neighbours' median, so that 9 and 4.5 are on either side in most of 40 draws.
    rng, hits = np.random.default_rng(6), 0
    for _ in range(40):
        values = rng.normal(size=400)
        values[200] = scales
        hits += bool(is_outlier(values, np.zeros(400, dtype=np.int64), 1e-3, 3)[200])
    assert hits >= 30 if found else hits <= 10
