"""Carry a schedule out on a simulated board, with a lag, hysteresis and ageing that are there to be told."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tcomp.planning.assumptions import Assumptions
from tcomp.planning.averaging import Noise
from tcomp.planning.schedule import Schedule
from tcomp.simulation import PlannedRun, Scenario, SimulatedRun, simulate
from tcomp.simulation.chamber import FirstOrderChamber, Programme, ProgrammeLeg, ThermalPath, first_order_lag
from tcomp.simulation.crystal import Crystal, CrystalAgeing, Cut, Play
from tcomp.simulation.instruments import SimulatedCounter, SimulatedSensor
from tcomp.units import SECONDS_PER_DAY, offset_ppb_of_frequency

BASE_PPB = 640.0


def programme_of(schedule: Schedule) -> Programme:
    """The chamber's programme: ramps, each with the soak behind it."""
    steps = list(schedule.steps)
    first_min = steps.pop(0).minutes if steps[0].what == "soak" else 0.0
    start_c, legs = schedule.steps[0].from_c, []
    for step in steps:
        if step.what == "ramp":
            legs.append(ProgrammeLeg(step.to_c, abs(step.rate_c_per_min)))
        else:
            legs[-1] = replace(legs[-1], soak_min=step.minutes)
    return Programme(start_c, first_min, tuple(legs))


@dataclass(frozen=True)
class Board:
    """A simulated board, invented: its cut, and what is to be told from its curve."""

    cut: Cut
    lag_s: float
    ageing_ppb_per_day: float = 20.0
    hysteresis_ppb: float = 10.0

    def scenario(self, schedule: Schedule, noise: Noise, gate_s: float, chamber_s: float, seed: int) -> Scenario:
        """The schedule on this board."""
        crystal = Crystal(
            self.cut, BASE_PPB, CrystalAgeing(self.ageing_ppb_per_day), play=Play(0.2, self.hysteresis_ppb)
        )  # fmt: skip
        counter = SimulatedCounter(
            12.8e6, gate_s=gate_s, white_ppb=noise.reading_ppb(gate_s), flicker_ppb=noise.floor_ppb
        )
        runs = (PlannedRun("planned.csv", "2026-03-02T07:30:00Z", programme_of(schedule)),)
        return Scenario(
            "planned", crystal, FirstOrderChamber(chamber_s), SimulatedSensor(), counter, runs,
            crystal_path=ThermalPath((self.lag_s,)), interval_s=gate_s, seed=seed,
        )  # fmt: skip

    def true_ppb(self, scenario: Scenario, run: SimulatedRun, at_c: np.ndarray) -> np.ndarray:
        """The curve in the middle of the loop, with the base at the end of the run."""
        end_s = run.truth["elapsed_s"].to_numpy()[-1:]
        return self.cut.offset_ppb(at_c) + scenario.crystal.base_at_ppb(end_s, 0)

    def fitted_ppb(self, scenario: Scenario, run: SimulatedRun, degree: int, at_c: np.ndarray) -> np.ndarray:
        """Least squares with curve, lag, ageing and hysteresis, on columns made from the simulation's own truth."""
        truth, (low_c, high_c) = run.truth, (at_c.min(), at_c.max())
        elapsed_s, crystal_c = truth["elapsed_s"].to_numpy(), truth["crystal_c"].to_numpy()
        step_s = scenario.interval_s
        less, more = (
            first_order_lag(truth["sensor_c"].to_numpy(), self.lag_s + apart, step_s) for apart in (-1.0, 1.0)
        )
        by_lag = (self.cut.offset_ppb(more) - self.cut.offset_ppb(less)) / 2.0
        loop = Play(0.2, 1.0).offset_ppb(crystal_c)
        days = (elapsed_s - elapsed_s[-1]) / SECONDS_PER_DAY
        scaled = lambda t: (2 * t - low_c - high_c) / (high_c - low_c)  # noqa: E731
        vander = np.polynomial.legendre.legvander
        y = offset_ppb_of_frequency(run.log["reading_hz"].to_numpy(), scenario.counter.input_hz)
        # A gate's mean belongs to the gate's middle: the small, known difference is taken off.
        y = y - truth["offset_ppb"].to_numpy() + scenario.crystal.offset_ppb(crystal_c, elapsed_s, 0)
        used = (elapsed_s > 2 * self.lag_s) & (crystal_c > low_c - 0.5) & (crystal_c < high_c + 0.5)
        design = np.column_stack([vander(scaled(crystal_c), degree), by_lag, days, loop])[used]
        coef = np.linalg.lstsq(design, y[used], rcond=None)[0]
        return vander(scaled(at_c), degree) @ coef[: degree + 1]

    def expected(self, degree: int) -> Assumptions:
        """What a plan expects, if it knows the board."""
        return Assumptions(
            self.lag_s, degree, lambda t: (self.cut.offset_ppb(t + 0.01) - self.cut.offset_ppb(t - 0.01)) / 0.02, ()
        )


def simulated(board: Board, schedule: Schedule, noise: Noise, gate_s: float, chamber_s: float, seed: int):
    scenario = board.scenario(schedule, noise, gate_s, chamber_s, seed)
    return scenario, simulate(scenario)[0]
