"""Sweeps and soaks are cut where a person would cut them, whatever the chamber and the sensor add."""

from __future__ import annotations

import time

import numpy as np
import pytest

from tcomp.logs.cleaning import clean_run
from tcomp.logs.legs import Leg, cut_legs, sweep_of_sample, turning_points
from tcomp.logs.record import RawRun, frame_of

INTERVAL_S = 10.0


def programme(*parts: tuple[float, float, float]) -> np.ndarray:
    """Temperature from parts (from degC, to degC, minutes), a sample per 10 s."""
    return np.concatenate([np.linspace(a, b, round(minutes * 6), endpoint=False) for a, b, minutes in parts])


def legs_of(temperature_c: np.ndarray, time_s: np.ndarray | None = None, quantum_c: float = 0.0) -> tuple[Leg, ...]:
    times = INTERVAL_S * np.arange(len(temperature_c)) if time_s is None else time_s
    sensed_c = np.round(temperature_c / quantum_c) * quantum_c if quantum_c else temperature_c
    noise_ppb = np.random.default_rng(1).normal(0, 1, len(times))
    return cut_legs(
        clean_run(RawRun("run.csv", frame_of(times, sensed_c, 3.0 * temperature_c + noise_ppb), "elapsed", ()))
    )


def noise_c(count: int, deviation_c: float = 0.02) -> np.ndarray:
    return np.random.default_rng(2).normal(0, deviation_c, count)


def shape(legs: tuple[Leg, ...]) -> list[tuple[int, str]]:
    return [(leg.sweep, leg.kind) for leg in legs]


UP_SOAK_DOWN = programme((-20, -20, 30), (-20, 60, 80), (60, 60, 30), (60, -20, 160), (-20, -20, 30))
UP_SOAK_DOWN_SHAPE = [(0, "soak"), (0, "heating"), (0, "soak"), (1, "cooling"), (1, "soak")]


@pytest.mark.parametrize("quantum_c", [0.0, 0.0625, 0.25, 0.5])
def test_soaks_belong_to_the_sweep_that_they_end(quantum_c: float) -> None:
    legs = legs_of(UP_SOAK_DOWN + noise_c(len(UP_SOAK_DOWN)), quantum_c=quantum_c)
    assert shape(legs) == UP_SOAK_DOWN_SHAPE
    # The corners lie at samples 180, 660, 840, 1800: found to within a minute and a half, or two quanta of the slow ramp
    slack = 9 + 2 * quantum_c / 0.5 * 6
    assert [leg.start for leg in legs[1:]] == pytest.approx([180, 660, 840, 1800], abs=slack)
    assert [leg.rate_c_per_min for leg in legs] == pytest.approx([0, 1.0, 0, -0.5, 0], abs=0.03)
    assert [leg.direction for leg in legs] == [1, 1, 1, -1, -1]


def test_a_leg_tells_where_when_and_how_far() -> None:
    legs = legs_of(UP_SOAK_DOWN)
    assert legs[0].start == 0
    assert legs[-1].stop == len(UP_SOAK_DOWN)
    assert [a.stop for a in legs[:-1]] == [b.start for b in legs[1:]]
    heating = legs[1]
    assert heating.start_s == heating.start * INTERVAL_S
    assert heating.end_s == (heating.stop - 1) * INTERVAL_S
    assert heating.samples == heating.stop - heating.start
    assert heating.duration_s == heating.end_s - heating.start_s
    assert (heating.low_c, heating.high_c) == (UP_SOAK_DOWN[heating.start], UP_SOAK_DOWN[heating.stop - 1])


def test_every_sample_gets_the_number_of_its_sweep() -> None:
    legs = legs_of(UP_SOAK_DOWN)
    sweep = sweep_of_sample(legs, len(UP_SOAK_DOWN))
    assert sweep[[0, 400, 830, 1000, -1]].tolist() == [0, 0, 0, 1, 1]
    assert sweep_of_sample(legs, len(UP_SOAK_DOWN) + 1)[-1] == -1


def test_turns_without_a_soak_make_sweeps() -> None:
    legs = legs_of(programme((0, 40, 60), (40, 0, 60), (0, 40, 60), (40, 0, 60)) + noise_c(1440))
    assert shape(legs) == [(0, "heating"), (1, "cooling"), (2, "heating"), (3, "cooling")]
    assert [leg.start for leg in legs] == pytest.approx([0, 360, 720, 1080], abs=6)


@pytest.mark.parametrize("ripple_c", [0.05, 0.1])
@pytest.mark.parametrize("period_s", [120.0, 310.0, 600.0])
@pytest.mark.parametrize("quantum_c", [0.0, 0.25])
def test_the_ripple_of_a_chamber_makes_no_legs(ripple_c: float, period_s: float, quantum_c: float) -> None:
    ripple = ripple_c * np.sin(2 * np.pi * INTERVAL_S * np.arange(len(UP_SOAK_DOWN)) / period_s)
    assert shape(legs_of(UP_SOAK_DOWN + ripple + noise_c(len(ripple)), quantum_c=quantum_c)) == UP_SOAK_DOWN_SHAPE


def test_a_staircase_is_one_sweep_with_a_soak_on_each_step() -> None:
    steps = [part for low in range(0, 40, 10) for part in ((low, low + 10, 10.0), (low + 10, low + 10, 20.0))]
    legs = legs_of(programme(*steps) + noise_c(720))
    assert shape(legs) == [(0, "heating"), (0, "soak")] * 4
    assert [leg.samples for leg in legs] == pytest.approx([60, 120] * 4, abs=8)


def test_a_chamber_that_creeps_to_its_setpoint_soaks_when_it_is_nearly_there() -> None:
    away = np.exp(-np.arange(720) / 60.0)  # time constant 10 min
    legs = legs_of(np.concatenate([60.0 - 80.0 * away, -20.0 + 80.0 * away]) + noise_c(1440))
    assert shape(legs) == [(0, "heating"), (0, "soak"), (1, "cooling"), (1, "soak")]
    assert legs[0].high_c > 50.0


def test_a_soak_after_an_overshoot_still_ends_its_sweep() -> None:
    temperature_c = programme((0, 60.8, 61), (60.8, 60.0, 2), (60, 60, 30), (60, 0, 60))
    legs = legs_of(temperature_c + noise_c(len(temperature_c)))
    assert shape(legs) == [(0, "heating"), (0, "soak"), (1, "cooling")]
    assert legs[-1].start == pytest.approx(93 * 6, abs=9)


def test_a_short_return_is_part_of_the_sweep_around_it() -> None:
    temperature_c = programme((0, 30, 30), (30, 27, 3), (27, 50, 23), (50, 0, 50))
    assert [leg.sweep for leg in legs_of(temperature_c) if leg.kind != "soak"][-1] == 1


def test_a_remnant_at_either_end_is_no_sweep_of_its_own() -> None:
    legs = legs_of(programme((3, 0, 3), (0, 40, 40), (40, 0, 40), (0, 2, 2)))
    assert {leg.sweep for leg in legs} == {0, 1}


def test_a_day_outdoors_is_cut_at_its_extremes() -> None:
    hours = np.arange(0, 72, 1 / 30)
    temperature_c = 12.0 - 7.0 * np.cos(2 * np.pi * hours / 24) + noise_c(len(hours), 0.1)
    legs = legs_of(temperature_c, time_s=3600.0 * hours)
    assert len({leg.sweep for leg in legs}) == 6
    assert [leg.direction for leg in legs if leg.kind != "soak"] == [1, -1, 1, -1, 1, -1]


def test_a_small_run_turns_by_a_share_of_its_span() -> None:
    legs = legs_of(programme((20, 23, 60), (23, 20, 60)) + noise_c(720))
    assert {leg.sweep for leg in legs} == {0, 1}


def test_a_run_without_a_turn_is_one_sweep() -> None:
    assert shape(legs_of(programme((40, 0, 60)))) == [(0, "cooling")]
    assert shape(legs_of(np.linspace(20.0, 24.0, 5))) == [(0, "heating")]


def test_a_gap_inside_a_sweep_does_not_cut_it() -> None:
    temperature_c = programme((0, 40, 80), (40, 0, 80))
    keep = np.abs(np.arange(960) - 200) > 40
    times = INTERVAL_S * np.arange(960.0)
    legs = legs_of(temperature_c[keep], time_s=times[keep])
    assert shape(legs) == [(0, "heating"), (1, "cooling")]


def test_an_unordered_table_is_one_leg() -> None:
    nan = np.full(50, np.nan)
    run = clean_run(RawRun("t.csv", frame_of(nan, np.linspace(0, 40, 50), np.linspace(0, 1, 50)), "none", ()))
    (leg,) = cut_legs(run)
    assert (leg.kind, leg.sweep, leg.direction, leg.start, leg.stop) == ("unordered", 0, 0, 0, 50)
    assert (leg.low_c, leg.high_c) == (0.0, 40.0)
    assert np.isnan([leg.start_s, leg.end_s, leg.rate_c_per_min]).all()


def test_a_turn_counts_from_the_threshold_on() -> None:
    values = np.array([0.0, 10.0, 9.1, 12.0, 11.0, 13.0])
    assert turning_points(values, 1.0) == [0, 3, 4, 5]
    assert turning_points(values, 1.1) == [0, 5]


def test_two_hundred_thousand_samples_are_cut_in_a_second_or_so() -> None:
    temperature_c = 20.0 + 15.0 * np.sin(np.arange(200_000) / 10_000) + noise_c(200_000)
    times = np.arange(200_000.0)
    run = clean_run(RawRun("run.csv", frame_of(times, temperature_c, temperature_c), "elapsed", ()))
    start = time.process_time()
    assert len({leg.sweep for leg in cut_legs(run)}) == 7
    # 0.3 s on the machine of the first measurement
    assert time.process_time() - start < 3.0


def whole_degrees_of_days(seed: int, days: int = 8, interval_s: float = 256.0) -> tuple[np.ndarray, np.ndarray]:
    """Times and whole-degree temperatures of a processor that warms by day and under load; invented."""
    time_s = interval_s * np.arange(int(days * 86_400 / interval_s))
    load_c = np.repeat(np.random.default_rng(seed).normal(0.0, 2.5, len(time_s) // 14 + 1), 14)[: len(time_s)]
    return time_s, np.round(45.0 + 4.0 * np.sin(2 * np.pi * time_s / 86_400) + load_c)


@pytest.mark.parametrize("seed", range(40))
def test_every_leg_of_whole_degrees_over_days_has_samples(seed: int) -> None:
    # A soak then seems to last over several turning points, whose sweeps would share one end.
    time_s, temperature_c = whole_degrees_of_days(seed)
    run = clean_run(RawRun("run.csv", frame_of(time_s, temperature_c, 3.0 * temperature_c), "elapsed", ()))
    legs = cut_legs(run)
    assert all(leg.samples > 0 for leg in legs)
    assert legs[0].start == 0
    assert [a.stop for a in legs[:-1]] == [b.start for b in legs[1:]]
    assert legs[-1].stop == len(run.kept)
    assert [leg.sweep for leg in legs] == sorted(leg.sweep for leg in legs)
    assert {leg.sweep for leg in legs} == set(range(legs[-1].sweep + 1))
