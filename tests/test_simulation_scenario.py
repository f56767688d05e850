"""A scenario as a whole: what the log shows must be what the pieces say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tcomp.errors import JobError
from tcomp.simulation import PlannedRun, Scenario, simulate, truth_of
from tcomp.simulation.chamber import FirstOrderChamber, Programme, ProgrammeLeg, ThermalPath
from tcomp.simulation.crystal import AtCut, Crystal, CrystalAgeing, TuningFork
from tcomp.simulation.instruments import SimulatedCounter, SimulatedSensor
from tcomp.simulation.logbook import Defects

RAMP = Programme(0.0, 5.0, (ProgrammeLeg(40.0, 0.6),))


def scenario(**changes: object) -> Scenario:
    plain = Scenario(
        name="bench",
        crystal=Crystal(
            AtCut(2.0), base_ppb=50.0, ageing=CrystalAgeing(linear_ppb_per_day=6.0), retrace_ppb=(0.0, 4.0)
        ),
        chamber=FirstOrderChamber(120.0),
        sensor=SimulatedSensor(ThermalPath((20.0,))),
        counter=SimulatedCounter(10e6, gate_s=10.0),
        runs=(PlannedRun("one.csv", "2026-03-02T08:00:00Z", RAMP), PlannedRun("two.csv", "2026-03-03T08:00:00Z", RAMP)),
        board=ThermalPath((60.0,)),
        crystal_path=ThermalPath((100.0, 40.0)),
    )
    return replace(plain, **changes)


def test_on_a_ramp_the_crystal_trails_the_sensor_by_the_difference_of_their_delays() -> None:
    last = simulate(scenario())[0].truth.iloc[-1]
    # 0.01 degC/s times (100 + 40 - 20) s; the ramp lasts 4000 s, 40 times the longest time constant.
    assert last["sensor_c"] - last["crystal_c"] == pytest.approx(0.01 * 120.0, abs=1e-6)


def test_a_sensor_slower_than_the_crystal_trails_it() -> None:
    slow = scenario(sensor=SimulatedSensor(ThermalPath((90.0,))), crystal_path=ThermalPath((30.0,)))
    last = simulate(slow)[0].truth.iloc[-1]
    assert last["sensor_c"] - last["crystal_c"] == pytest.approx(-0.01 * 60.0, abs=1e-6)


def test_the_log_shows_the_stated_lag_on_a_ramp() -> None:
    plain = scenario(crystal=Crystal(AtCut(2.0)))
    run = simulate(plain)[0]
    offset_ppb = (run.log["reading_hz"].iloc[-1] / 10e6 - 1.0) * 1e9
    seen_c = run.log["temperature_c"].iloc[-1] - 0.01 * plain.lag_s
    # The gate's mean differs from the curve at the gate's middle by f'' (0.1 degC)**2 / 24, 4e-3 ppb at most;
    # one second of lag would make 0.01 degC x 77 ppb/degC = 0.8 ppb.
    assert offset_ppb == pytest.approx(float(AtCut(2.0).offset_ppb(np.array(seen_c))), abs=0.01)
    assert plain.lag_s == 100.0 + 40.0 - 20.0 + 5.0


def test_runs_differ_by_ageing_and_retrace() -> None:
    one, two = simulate(scenario())
    step_ppb = two.truth["offset_ppb"] - one.truth["offset_ppb"]
    # One day at 6 ppb/day and a retrace of 4 ppb; a sum of ppb in doubles rounds at 1e-11.
    assert step_ppb.to_numpy() == pytest.approx(10.0, abs=1e-9)


def test_both_roles_tell_of_the_same_oscillator() -> None:
    measured = simulate(scenario())[0].log["reading_hz"].to_numpy()
    clocked = simulate(scenario(counter=SimulatedCounter(10e6, "timebase")))[0].log["reading_hz"].to_numpy()
    # f_true (1 + y) times f_true / (1 + y) is f_true squared.
    assert measured * clocked == pytest.approx(1e14, rel=1e-15)


def test_the_truth_states_the_base_at_the_reference_temperature_at_the_end() -> None:
    plain = scenario(crystal=Crystal(TuningFork(24.0), base_ppb=-12_000.0, ageing=CrystalAgeing(6.0)), reference_c=25.0)
    runs = simulate(plain)
    days = (runs[1].truth["time_s"].iloc[-1] - plain.runs[0].start_s) / 86_400.0
    # -35 ppb/degC^2 one degree from the turnover.  The truth keeps nine digits.
    assert truth_of(plain, runs)["base_at_end_ppb"] == pytest.approx(-12_035.0 + 6.0 * days, abs=1e-4)


def test_the_same_seed_gives_the_same_runs_and_another_does_not() -> None:
    noisy = scenario(
        counter=SimulatedCounter(10e6, white_ppb=1.0), sensor=SimulatedSensor(noise_c=0.02, quantum_c=0.0625)
    )
    first, again, other = simulate(noisy), simulate(noisy), simulate(replace(noisy, seed=2))
    pd.testing.assert_frame_equal(first[0].log, again[0].log)
    assert (first[0].log["reading_hz"] != other[0].log["reading_hz"]).mean() > 0.9


def test_two_runs_of_one_scenario_have_noise_of_their_own() -> None:
    noisy = scenario(crystal=Crystal(AtCut(2.0)), counter=SimulatedCounter(10e6, white_ppb=1.0))
    one, two = (run.log["reading_hz"].to_numpy() for run in simulate(noisy))
    assert (one != two).mean() > 0.9


def test_truth_names_the_spoilt_rows() -> None:
    run = PlannedRun("one.csv", "2026-03-02T08:00:00Z", RAMP, Defects(missing_readings=3))
    spoilt = scenario(runs=(run,), counter=SimulatedCounter(10e6, glitch_share=0.05))
    runs = simulate(spoilt)
    result = truth_of(spoilt, runs)["runs"][0]
    assert result["rows"] == len(runs[0].log)
    assert result["missing_rows"] == np.flatnonzero(runs[0].log["reading_hz"].isna()).tolist()
    error_ppb = (runs[0].log["reading_hz"] / 10e6 - 1.0) * 1e9 - runs[0].truth["offset_ppb"]
    seen = np.flatnonzero(np.abs(error_ppb) > 100.0).tolist()
    assert seen == sorted(set(result["glitched_rows"]) - set(result["missing_rows"]))


def test_an_interval_that_is_no_whole_number_of_steps_is_refused() -> None:
    with pytest.raises(JobError, match=r"the interval of 10.5 s is not a whole number of steps of 1 s"):
        simulate(scenario(interval_s=10.5))


def test_a_gate_longer_than_the_interval_is_refused() -> None:
    with pytest.raises(JobError, match=r"the gate of 20 s is longer than the interval of 10 s; shorten the gate"):
        simulate(scenario(counter=SimulatedCounter(10e6, gate_s=20.0)))
