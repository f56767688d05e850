"""Cases with a known truth, one difficulty each, for recovery tests and benchmarks.

Invented: 12.8 MHz AT cut unless said, two runs over -20 ... 60 degC at different rates, 10 s
samples, sensor steps of 1/16 degC, 1 ppb of white noise, ripple of 0.05 degC, a chamber whose wall
and air are two coupled nodes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tcomp.simulation.chamber import Programme, ProgrammeLeg, ThermalPath, TwoNodeChamber
from tcomp.simulation.crystal import ActivityDip, AtCut, Crystal, CrystalAgeing, FrequencyJump, Play, TuningFork
from tcomp.simulation.instruments import SimulatedCounter, SimulatedSensor
from tcomp.simulation.logbook import Defects, Stretch
from tcomp.simulation.scenario import PlannedRun, Scenario

STEEP_MINUTES = 4.96
"""Angle whose slope at 25 degC is -5.08e-6 / 60 * 4.96 = -420 ppb/degC."""


@dataclass(frozen=True)
class Case:
    """A scenario, and the largest curve error, without base, that the estimate may have. [ppb]"""

    scenario: Scenario
    worst_ppb: float


def there_and_back(rate_c_per_min: float) -> Programme:
    """Soak, up, soak, down, soak."""
    return Programme(-20.0, 15.0, (ProgrammeLeg(60.0, rate_c_per_min, 30.0), ProgrammeLeg(-20.0, rate_c_per_min, 30.0)))


def staircase(step_c: float = 10.0, soak_min: float = 35.0) -> Programme:
    """Soaks up and down in steps."""
    up = [ProgrammeLeg(float(t), 1.0, soak_min) for t in np.arange(-20.0 + step_c, 60.1, step_c)]
    down = [ProgrammeLeg(float(t), 1.0, soak_min) for t in np.arange(60.0 - step_c, -20.1, -step_c)]
    return Programme(-20.0, soak_min, (*up, *down))


def plain(seed: int = 1) -> Scenario:
    """The base of all cases: no lag beyond half a gate, no ageing, no defects of the log."""
    return Scenario(
        name="recovery",
        crystal=Crystal(AtCut(angle_minutes=2.6), base_ppb=640.0),
        chamber=TwoNodeChamber(wall_s=300.0, air_s=70.0, back_coupling=0.3, ripple_c=0.05, ripple_period_s=310.0),
        sensor=SimulatedSensor(quantum_c=0.0625),
        counter=SimulatedCounter(12_800_000.0, gate_s=10.0, white_ppb=1.0),
        board=ThermalPath((120.0,)),
        runs=(
            PlannedRun("slow.csv", "2026-03-02T07:30:00Z", there_and_back(0.35)),
            PlannedRun("fast.csv", "2026-03-03T08:10:00Z", there_and_back(0.9)),
        ),
        seed=seed,
    )


def cases(seed: int = 1) -> dict[str, Case]:
    """All cases by name, with this seed."""
    base = plain(seed)
    lagging = replace(base, crystal_path=ThermalPath((175.0,)))
    spoilt = tuple(
        replace(run, defects=Defects(gaps=(Stretch(5_000.0, 900.0), Stretch(9_000.0, 600.0)), missing_readings=5))
        for run in base.runs
    )
    ageing = replace(lagging, runs=spoilt, counter=replace(base.counter, glitch_share=0.015))
    stairs = (PlannedRun("stairs.csv", "2026-03-02T07:30:00Z", staircase()),)
    jumpy = FrequencyJump(at_age_s=14_000.0, height_ppb=70.0)
    fork = Crystal(TuningFork(turnover_c=24.0, curvature_ppb_per_c2=-34.0), base_ppb=-12_000.0)
    return {
        "no lag": Case(base, 1.0),
        "lag 180 s": Case(lagging, 2.0),
        "ageing 12 ppb/day": Case(replace(ageing, crystal=replace(base.crystal, ageing=CrystalAgeing(12.0))), 2.5),
        "logarithmic ageing": Case(
            replace(ageing, crystal=replace(base.crystal, ageing=CrystalAgeing(log_ppb=12.0, log_per_day=4.0))), 2.5
        ),
        "soaks with 30 ppb hysteresis": Case(
            replace(lagging, runs=stairs, crystal=replace(base.crystal, play=Play(width_c=2.0, height_ppb=30.0))), 3.0
        ),
        "steep, quantum 0.25 degC": Case(
            replace(lagging, sensor=SimulatedSensor(quantum_c=0.25), crystal=Crystal(AtCut(STEEP_MINUTES), base_ppb=640.0)), 4.0
        ),
        "sensor slower than the crystal": Case(
            replace(base, sensor=SimulatedSensor(ThermalPath((120.0,)), quantum_c=0.0625)), 3.0
        ),
        "two time constants": Case(replace(base, crystal_path=ThermalPath((150.0, 60.0))), 4.0),
        "jump of 70 ppb": Case(replace(lagging, crystal=replace(base.crystal, jump=jumpy)), 3.0),
        "tuning fork": Case(
            replace(lagging, crystal=fork, counter=SimulatedCounter(32_768.0, gate_s=10.0, white_ppb=40.0)), 10.0
        ),
    }  # fmt: skip


def with_dip(seed: int = 1, depth_ppb: float = 260.0) -> Scenario:
    """A lagging crystal with an activity dip at 38 degC, 0.8 degC wide."""
    base = plain(seed)
    dip = ActivityDip(at_c=38.0, width_c=0.8, depth_ppb=depth_ppb)
    return replace(base, crystal_path=ThermalPath((175.0,)), crystal=replace(base.crystal, dip=dip))


def true_shape_ppb(scenario: Scenario, temperature_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """The curve of the cut, without base, ageing and everything else. [ppb]"""
    return np.asarray(scenario.crystal.cut.offset_ppb(temperature_c))
