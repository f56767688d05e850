"""The bench that runs is the scenario that is computed at once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tcomp.errors import JobError
from tcomp.simulation.cases import cases, plain
from tcomp.simulation.chamber import FirstOrderChamber
from tcomp.simulation.instruments import SimulatedCounter, SimulatedSensor
from tcomp.simulation.live_bench import LiveBench
from tcomp.simulation.scenario import simulate


def test_step_by_step_it_does_what_the_simulation_computes_at_once() -> None:
    """Without noise and hunting; the lags' closed forms are tested with the simulation itself."""
    base = cases()["lag 180 s"].scenario
    quiet = replace(
        base,
        chamber=replace(base.chamber, ripple_c=0.0),
        sensor=SimulatedSensor(),
        runs=base.runs[:1],
        counter=SimulatedCounter(12.8e6),
    )
    whole = simulate(quiet)[0].log
    bench, rows = LiveBench(quiet), []
    for _ in range(len(whole)):
        bench.advance(10.0)
        rows.append((bench.temperature_c(), bench.frequency_hz()))
    found = np.array(rows)
    assert np.allclose(found[:, 0], whole["temperature_c"], atol=1e-9)
    # A ten-millionth of a ppb: the order of additions differs.
    assert np.allclose(found[:, 1], whole["reading_hz"], rtol=1e-15, atol=2e-6)


def test_a_set_point_is_followed_and_ends_the_programme() -> None:
    bench = LiveBench(replace(plain(), sensor=SimulatedSensor()))
    bench.set_point_c = 33.0
    bench.advance(3 * 3600.0)
    assert bench.temperature_c() == pytest.approx(33.0, abs=0.06)
    assert bench.current_set_point_c == 33.0


def test_what_it_cannot_do_is_told() -> None:
    with pytest.raises(JobError, match="neither hysteresis nor flicker"):
        LiveBench(cases()["soaks with 30 ppb hysteresis"].scenario)
    with pytest.raises(JobError, match="needs a chamber of two nodes"):
        LiveBench(replace(plain(), chamber=FirstOrderChamber(60.0)))
