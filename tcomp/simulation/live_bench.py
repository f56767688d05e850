"""A bench that runs: the parts of a scenario, simulated step by step while the chamber is set."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from tcomp.errors import JobError
from tcomp.simulation.chamber import TwoNodeChamber
from tcomp.simulation.instruments import gate_mean
from tcomp.simulation.scenario import Scenario


@dataclass
class _Body:
    """A first-order lag, step by step; exact for an input that is linear over a step (see `first_order_lag`)."""

    tau_s: float
    at_c: float
    input_c: float

    def follow(self, to_c: float, step_s: float) -> float:
        rise_c = (to_c - self.input_c) * (self.tau_s / step_s)
        self.at_c = to_c - rise_c + math.exp(-step_s / self.tau_s) * (self.at_c - self.input_c + rise_c)
        self.input_c = to_c
        return self.at_c


@dataclass
class LiveBench:
    """Chamber, board, sensor, crystal and counter of a scenario, in equilibrium at the start.

    The chamber follows the runs of the scenario one after the other, or set-points once one is given.  All
    random numbers come from the seed of the scenario.

    Examples
    --------
    >>> from tcomp.simulation.cases import plain
    >>> bench = LiveBench(plain())
    >>> bench.advance(10.0)
    >>> bench.temperature_c(), round(bench.frequency_hz(), 1)
    (-20.0, 12799996.7)
    """

    scenario: Scenario
    elapsed_s: float = 0.0
    set_point_c: float | None = None
    _recent_ppb: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        scenario = self.scenario
        if scenario.crystal.play is not None or scenario.counter.flicker_ppb:
            raise JobError("simulation: a bench that runs has neither hysteresis nor flicker; choose another scenario")
        self._random = np.random.RandomState([scenario.seed, 1000])
        self._times_s: list[float] = []
        self._points_c: list[float] = []
        for run in scenario.runs:
            times_s, points_c = run.programme.corners()
            begin_s = self._times_s[-1] if self._times_s else 0.0
            self._times_s += [begin_s + time_s for time_s in times_s]
            self._points_c += points_c
        chamber, start_c = scenario.chamber, self._points_c[0]
        if not isinstance(chamber, TwoNodeChamber):
            raise JobError("simulation: a bench that runs needs a chamber of two nodes")
        self._ripple_phase = self._random.uniform(0.0, 2.0 * math.pi)

        def bodies(times_s: tuple[float, ...]) -> list[_Body]:
            return [_Body(tau_s, start_c, start_c) for tau_s in times_s if tau_s > 0]

        self._air = bodies(chamber.mode_time_constants_s)
        self._board = bodies(scenario.board.time_constants_s)
        self._sensor = bodies(scenario.sensor.path.time_constants_s)
        self._crystal = bodies(scenario.crystal_path.time_constants_s)
        self._sensor_c = start_c
        self._recent_ppb = self._offsets_ppb([start_c]).tolist()

    @property
    def duration_s(self) -> float:
        """Duration of all runs of the scenario. [s]"""
        return self._times_s[-1]

    @property
    def current_set_point_c(self) -> float:
        """Set-point of the chamber now. [degC]"""
        if self.set_point_c is not None:
            return self.set_point_c
        return float(np.interp(self.elapsed_s, self._times_s, self._points_c))

    def advance(self, seconds: float) -> None:
        """Simulate whole steps of the scenario; the offset of the crystal is kept for the gate. [s]"""
        step_s, crystal_c = self.scenario.step_s, []
        for _ in range(round(seconds / step_s)):
            self.elapsed_s += step_s
            board_c = self._followed(self._board, self._air_c(step_s), step_s)
            self._sensor_c = self._followed(self._sensor, board_c, step_s)
            crystal_c.append(self._followed(self._crystal, board_c, step_s))
        gate_steps = round(self.scenario.counter.gate_s / step_s)
        self._recent_ppb = [*self._recent_ppb, *self._offsets_ppb(crystal_c).tolist()][-gate_steps - 1 :]

    def _air_c(self, step_s: float) -> float:
        chamber = self.scenario.chamber
        assert isinstance(chamber, TwoNodeChamber)
        air_c = self._followed(self._air, self.current_set_point_c, step_s)
        turns = self.elapsed_s / chamber.ripple_period_s
        return air_c + chamber.ripple_c * math.sin(2.0 * math.pi * turns + self._ripple_phase)

    @staticmethod
    def _followed(bodies: list[_Body], input_c: float, step_s: float) -> float:
        for body in bodies:
            input_c = body.follow(input_c, step_s)
        return input_c

    def _offsets_ppb(self, crystal_c: list[float]) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        age_s = self.elapsed_s - self.scenario.step_s * np.arange(len(crystal_c) - 1, -1, -1.0)
        return np.asarray(self.scenario.crystal.offset_ppb(np.array(crystal_c), age_s, 0))

    def temperature_c(self) -> float:
        """Reading of the sensor now. [degC]"""
        return float(self.scenario.sensor.reads_c(np.array([self._sensor_c]), self._random)[0])

    def frequency_hz(self) -> float:
        """Reading of the counter for the gate that ends now. [Hz]"""
        steps = len(self._recent_ppb) - 1
        mean_ppb = gate_mean(np.array(self._recent_ppb), np.array([steps]), steps)
        return float(self.scenario.counter.shown_hz(mean_ppb, self._random)[0][0])
