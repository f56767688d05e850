"""Activity dips: recovered from simulated logs with a known truth, and not seen where there are none."""

from __future__ import annotations

import numpy as np
import pytest

from tcomp.estimation.dips import Dip, find_dips, outside_dips
from tcomp.estimation.samples import samples_of
from tcomp.logs import RawRun, clean_run, cut_legs, frame_of
from tcomp.logs.prepared import PreparedRun
from tcomp.simulation.chamber import Programme, ProgrammeLeg, ThermalPath, TwoNodeChamber, first_order_lag
from tcomp.simulation.crystal import ActivityDip, AtCut, Crystal, CrystalAgeing
from tcomp.simulation.instruments import SimulatedCounter, SimulatedSensor
from tcomp.simulation.scenario import PlannedRun, Scenario, SimulatedRun, simulate
from tcomp.units import offset_ppb_of_frequency

FULL_WIDTH = 2 * np.sqrt(2 * np.log(2))
"""Full width at half height of a normal curve, in standard widths (definition)."""


def scenario(seed: int, depth_ppb: float, at_c: float = 38.0) -> Scenario:
    """Invented: two runs there and back at 0.3 and 1 degC/min, 10 s samples, 1 ppb noise, sensor steps of 1/16 degC,
    a dip 0.8 degC wide at half its depth; time steps of 10 s, to be quick."""

    def there_and_back(rate: float) -> Programme:
        return Programme(-20.0, 15.0, (ProgrammeLeg(60.0, rate, 30.0), ProgrammeLeg(-20.0, rate, 30.0)))

    dip = ActivityDip(at_c=at_c, width_c=0.8 / FULL_WIDTH, depth_ppb=depth_ppb)
    return Scenario(
        name="dip",
        crystal=Crystal(AtCut(angle_minutes=2.6), base_ppb=640.0, ageing=CrystalAgeing(6.0), dip=dip),
        chamber=TwoNodeChamber(wall_s=300.0, air_s=70.0, back_coupling=0.3, ripple_c=0.05, ripple_period_s=310.0),
        board=ThermalPath((120.0,)),
        sensor=SimulatedSensor(noise_c=0.02, quantum_c=0.0625),
        crystal_path=ThermalPath((165.0,)),
        counter=SimulatedCounter(12_800_000.0, gate_s=10.0, white_ppb=1.0, resolution_hz=1e-4),
        runs=tuple(
            PlannedRun(f"{number}.csv", f"2026-03-0{number + 2}T07:30:00Z", there_and_back(rate))
            for number, rate in enumerate((0.3, 1.0))
        ),
        seed=seed,
        step_s=10.0,
    )


def offset_ppb(plan: Scenario, run: SimulatedRun) -> np.ndarray:
    return offset_ppb_of_frequency(run.log["reading_hz"].to_numpy(), plan.counter.input_hz)


def rich_residual_ppb(crystal_c: np.ndarray, y: np.ndarray) -> np.ndarray:
    """What a polynomial of degree 9 leaves: it bends a little after the dip, as a rich curve does."""
    return y - np.polynomial.Chebyshev.fit(crystal_c, y, 9)(crystal_c)


def true_residuals(plan: Scenario) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Crystal temperature over the gate as it really was, residual with base and ageing taken off, and sweep."""
    crystal_c, y, sweep = [], [], []
    for number, run in enumerate(simulate(plan)):
        at_stamp = run.truth["crystal_c"].to_numpy()
        crystal_c.append((at_stamp + np.concatenate([at_stamp[:1], at_stamp[:-1]])) / 2)
        age_s = run.truth["time_s"].to_numpy() - plan.runs[0].start_s
        y.append(offset_ppb(plan, run) - plan.crystal.base_at_ppb(age_s, number))
        sweep.append(2 * number + (np.arange(at_stamp.size) > np.argmax(at_stamp)))
    seen_c = np.concatenate(crystal_c)
    return seen_c, rich_residual_ppb(seen_c, np.concatenate(y)), np.concatenate(sweep)


def logged_residuals(plan: Scenario) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The same from the logs alone, cleaned and cut as every log is, told the lag and not the ageing; the first ten
    minutes of a run, in which the lag's start shows, left out."""
    runs, crystal_c = [], []
    for run in simulate(plan):
        frame = frame_of(run.log["time_s"], run.log["temperature_c"], offset_ppb(plan, run))
        clean = clean_run(RawRun(run.file, frame, "clock", ()))
        runs.append(PreparedRun(clean, cut_legs(clean)))
        seen_c = first_order_lag(run.log["temperature_c"].to_numpy(), plan.lag_s, plan.interval_s)
        crystal_c.append(seen_c[(clean.frame["dropped"] == "").to_numpy()])
    samples, seen_c = samples_of(tuple(runs)), np.concatenate(crystal_c)
    starts_s = np.array([samples.time_s[samples.run == run].min() for run in range(len(runs))])
    use = samples.time_s - starts_s[samples.run] > 600.0
    left = rich_residual_ppb(seen_c[use], samples.offset_ppb[use])
    return seen_c[use], left, samples.sweep[use]


def synthetic(seed: int, sweeps: int = 4, count: int = 800) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Invented sweeps up and down over 40 degC with 1 ppb noise."""
    up = np.linspace(0.0, 40.0, count)
    crystal_c = np.concatenate([up if number % 2 == 0 else up[::-1] for number in range(sweeps)])
    return crystal_c, np.random.default_rng(seed).normal(size=crystal_c.size), np.repeat(np.arange(sweeps), count)


def bell(crystal_c: np.ndarray, at_c: float | np.ndarray, width_c: float) -> np.ndarray:
    return np.exp(-4 * np.log(2) * ((crystal_c - at_c) / width_c) ** 2)


def assert_the_dip(found: tuple[Dip, ...], depth_ppb: float, at_c: float = 38.0) -> None:
    assert len(found) == 1
    assert found[0].temperature_c == pytest.approx(at_c, abs=0.3)
    assert found[0].depth_ppb == pytest.approx(depth_ppb, rel=0.2)
    assert found[0].width_c == pytest.approx(0.8, rel=0.2)


@pytest.mark.parametrize("seed", range(20))
def test_a_dip_of_260_ppb_is_found_where_it_is_and_as_deep_as_it_is(seed: int) -> None:
    assert_the_dip(find_dips(*true_residuals(scenario(seed, 260.0)), noise_ppb=1.0), 260.0)


@pytest.mark.parametrize("seed", range(10))
def test_it_is_found_from_the_logs_too(seed: int) -> None:
    assert_the_dip(find_dips(*logged_residuals(scenario(seed, 260.0)), noise_ppb=1.0), 260.0)


@pytest.mark.parametrize("at_c", [-17.0, 55.0, 57.5])
def test_near_the_ends_of_the_range_a_dip_is_found_and_not_its_flank(at_c: float) -> None:
    for seed in (10, 11):
        assert_the_dip(find_dips(*true_residuals(scenario(seed, 260.0, at_c)), noise_ppb=1.0), 260.0, at_c)


@pytest.mark.parametrize("depth_ppb", [-100.0, 20.0, 50.0])
def test_shallow_dips_and_those_that_rise_are_found_too(depth_ppb: float) -> None:
    for seed in range(2):
        assert_the_dip(find_dips(*true_residuals(scenario(seed, depth_ppb)), noise_ppb=1.0), depth_ppb)


def test_fifty_clean_logs_show_none() -> None:
    found = [find_dips(*true_residuals(scenario(seed, 0.0)), noise_ppb=1.0) for seed in range(50)]
    assert [dips for dips in found if dips] == []


def test_the_logs_of_ten_clean_ones_show_none() -> None:
    found = [find_dips(*logged_residuals(scenario(seed, 0.0)), noise_ppb=1.0) for seed in range(10)]
    assert [dips for dips in found if dips] == []


def test_two_dips_come_from_cold_to_hot() -> None:
    crystal_c, noise, sweep = synthetic(1)
    left = noise - 40.0 * bell(crystal_c, 31.0, 0.5) - 25.0 * bell(crystal_c, 12.0, 2.0)
    found = find_dips(crystal_c, left, sweep, 1.0)
    np.testing.assert_allclose([dip.temperature_c for dip in found], [12.0, 31.0], atol=0.1)
    np.testing.assert_allclose([dip.depth_ppb for dip in found], [25.0, 40.0], rtol=0.1)
    np.testing.assert_allclose([dip.width_c for dip in found], [2.0, 0.5], rtol=0.1)


def test_what_one_sweep_shows_alone_is_no_dip() -> None:
    # The fault that it must not fall for: a glitch as large as a dip, or a jump, in one sweep of several, or the only.
    for sweeps in (1, 2, 4):
        crystal_c, noise, sweep = synthetic(2, sweeps)
        first = sweep == 0
        assert find_dips(crystal_c, noise - 200.0 * bell(crystal_c, 20.0, 0.8) * first, sweep, 1.0) == ()
        assert find_dips(crystal_c, noise + 200.0 * (crystal_c > 20.0) * first, sweep, 1.0) == ()


def test_what_stands_elsewhere_in_each_sweep_is_no_dip() -> None:
    crystal_c, noise, sweep = synthetic(3)
    moved_c = np.array([10.0, 15.0, 20.0, 25.0])[sweep]
    assert find_dips(crystal_c, noise - 100.0 * bell(crystal_c, moved_c, 0.8), sweep, 1.0) == ()


def test_what_one_direction_shows_alone_is_no_dip() -> None:
    crystal_c, noise, sweep = synthetic(4)
    transient = 20.0 * bell(crystal_c, 5.0, 1.5) * (sweep % 2 == 0)
    assert find_dips(crystal_c, noise + transient, sweep, 1.0) == ()
    heating = sweep % 2 == 0
    assert len(find_dips(crystal_c[heating], (noise + transient)[heating], sweep[heating], 1.0)) == 1


def test_residuals_that_resemble_their_neighbours_make_none() -> None:
    # Autoregression of first order, 0.95 from sample to sample: 20 samples, or 1 degC, look like a dip each.
    for seed in range(20):
        crystal_c, noise, sweep = synthetic(seed)
        left = np.zeros_like(noise)
        for index in range(1, noise.size):
            left[index] = 0.95 * left[index - 1] + noise[index]
        assert find_dips(crystal_c, left, sweep, 1.0) == ()


def test_a_bend_wider_than_a_dip_is_none() -> None:
    crystal_c, noise, sweep = synthetic(5)
    assert find_dips(crystal_c, noise - 30.0 * bell(crystal_c, 20.0, 9.0), sweep, 1.0) == ()


def test_samples_within_one_and_a_half_widths_are_inside() -> None:
    dips = (Dip(10.0, 50.0, 2.0, 20.0, 4), Dip(20.0, 50.0, 0.5, 20.0, 4))
    crystal_c = np.array([6.9, 7.1, 12.9, 13.1, 19.2, 19.3, 20.7, 20.8])
    assert outside_dips(crystal_c, dips).tolist() == [True, False, False, True, True, False, False, True]
    assert outside_dips(crystal_c, ()).all()
