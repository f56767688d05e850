"""The schedule's steps, against the way heat goes in the simulation."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from tcomp.planning.schedule import (
    AGAIN,
    FROM_ROOM,
    LAST,
    TO_ROOM,
    Schedule,
    Visit,
    blind_points,
    laid_out,
    optimal_points,
    plain_ramp,
    ramp_visits,
    separation,
    settling_s,
    soak_visits,
)
from tcomp.simulation.chamber import first_order_lag

RATES = (1.0, 0.5)


def schedule(kind: str = "both", ends_c: tuple[float, float] = (-20.0, 60.0), room_c: float = 20.0) -> Schedule:
    visits = {
        "both": soak_visits(3, ends_c, 2, RATES, both_ways=False),
        "soaks": soak_visits(3, ends_c, 2, (1.0, 1.0), both_ways=True),
        "ramps": ramp_visits(ends_c, RATES),
    }[kind]
    return laid_out(visits, lambda visit, from_c: 12.4, 600.0, room_c, 1.0)


@pytest.mark.parametrize(("rate", "travel_c"), [(1.0, 80.0), (1.0, 4.0), (0.3, 22.0)])
def test_after_the_settling_the_lag_has_left_what_was_asked(rate: float, travel_c: float) -> None:
    # First-order lag of 180 s, integrated by the simulation: 250 ppb/degC, 2 ppb left.
    lag_s, slope, left_ppb = 180.0, 250.0, 2.0
    wait_s = settling_s(lag_s, slope, rate, travel_c, left_ppb)
    ramp_s = travel_c / rate * 60
    time_s = np.arange(0.0, ramp_s + wait_s + 1.0)
    sensor_c = np.minimum(time_s / ramp_s, 1.0) * travel_c
    crystal_c = first_order_lag(sensor_c, lag_s, 1.0)
    behind_ppb = slope * (sensor_c - crystal_c)[round(ramp_s + wait_s)]
    # Whole seconds of the grid.
    assert behind_ppb == pytest.approx(left_ppb, rel=0.01)


def test_without_a_lag_or_where_it_does_nothing_there_is_no_settling() -> None:
    assert settling_s(0.0, 300.0, 1.0, 80.0, 1.0) == 0.0
    assert settling_s(180.0, 0.0, 1.0, 80.0, 1.0) == 0.0
    assert settling_s(-60.0, 100.0, 1.0, 80.0, 1.0) == settling_s(60.0, 100.0, 1.0, 80.0, 1.0)


def test_soaks_stand_at_the_optimal_points_and_where_one_degree_more_shows() -> None:
    soaks = [step for step in schedule().steps if step.what == "soak"]
    best_c = 20 + 40 * optimal_points(3)
    assert [step.to_c for step in soaks[:4]] == pytest.approx(best_c.tolist(), abs=0.05)
    assert [step.to_c for step in soaks[4:6]] == pytest.approx((20 + 40 * blind_points(3, 2)[::-1]).tolist(), abs=0.05)
    assert soaks[-1].to_c == -20.0
    assert soaks[-1].why == LAST


def test_steps_follow_each_other_without_a_gap() -> None:
    for kind in ("both", "soaks", "ramps"):
        steps = schedule(kind).steps
        assert all(after.from_c == before.to_c for before, after in itertools.pairwise(steps))
        assert (steps[0].why, steps[-1].why) == (FROM_ROOM, TO_ROOM)
        assert all(
            step.minutes == step.settle_min + 10 and step.settle_min == 13 for step in steps if step.what == "soak"
        )
        rates = {round(abs(step.rate_c_per_min), 6) for step in steps if step.what == "ramp"}
        assert rates == ({1.0} if kind == "soaks" else {1.0, 0.5})
        assert schedule(kind).total_min == pytest.approx(schedule(kind).corners[0][-1] / 60)


def test_it_begins_at_the_end_that_is_reached_and_left_in_one_direction() -> None:
    cold = schedule()
    assert any("cooled both times" in words for words in separation(cold))
    # All of the range is above the room: hot first, and both visits there are reached by heating.
    hot = schedule(ends_c=(70.0, 30.0))
    soaks = [step for step in hot.steps if step.what == "soak"]
    assert (soaks[0].to_c, soaks[3].to_c, soaks[-1].to_c) == (70.0, 30.0, 70.0)
    assert any("heated both times" in words for words in separation(hot))


@pytest.mark.parametrize("kind", ["both", "soaks", "ramps"])
def test_every_kind_tells_lag_hysteresis_and_ageing_apart(kind: str) -> None:
    words = " ".join(separation(schedule(kind)))
    assert all(effect in words for effect in ("lag:", "hysteresis:", "ageing:"))


def test_a_plain_ramp_and_rates_that_are_alike_tell_nothing() -> None:
    assert separation(plain_ramp(0.0, 40.0, 0.5)) == ()
    alike = laid_out(ramp_visits((0.0, 40.0), (0.5, 0.4)), lambda visit, from_c: 5.0, 300.0, 20.0, 1.0)
    assert not any("hysteresis" in words for words in separation(alike))


def test_a_point_is_visited_heated_and_cooled_where_soaks_alone_must_tell() -> None:
    soaks = [step for step in schedule("soaks").steps if step.what == "soak"]
    again = next(step for step in soaks if step.why == AGAIN)
    assert [step.to_c for step in soaks].count(again.to_c) == 2


def test_soaks_side_by_side_are_one() -> None:
    visits = (Visit(10.0, 1.0, "a"), Visit(10.3, 1.0, "b"), Visit(30.0, 1.0, "c"))
    soaks = [s for s in laid_out(visits, lambda visit, from_c: 5.0, 300.0, 20.0, 1.0).steps if s.what == "soak"]
    assert [(step.to_c, step.why) for step in soaks] == [(10.0, "a; b"), (30.0, "c")]


def test_a_start_at_room_temperature_needs_no_way() -> None:
    steps = laid_out(ramp_visits((20.0, 60.0), RATES), lambda visit, from_c: 5.0, 300.0, 20.0, 1.0).steps
    assert (steps[0].what, steps[-1].what) == ("soak", "soak")
