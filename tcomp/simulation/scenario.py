"""A scenario: crystal, chamber, sensor, counter and log together, simulated run by run."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tcomp.errors import JobError
from tcomp.simulation.chamber import Programme, SimulatedChamber, ThermalPath
from tcomp.simulation.crystal import Crystal
from tcomp.simulation.instruments import SimulatedCounter, SimulatedSensor, gate_mean
from tcomp.simulation.logbook import Defects, LogStyle

FloatArray = NDArray[np.float64]

TRUTH_DIGITS = 9
"""Significant digits of the numbers in the truth: enough for any test, too few for the last bit to show."""


@dataclass(frozen=True)
class PlannedRun:
    """One run: its start, the programme of the chamber, the defects of the log, its file."""

    file: str
    start_utc: str
    programme: Programme
    defects: Defects = field(default_factory=Defects)

    @property
    def start_s(self) -> float:
        """Unix time of the start. [s]"""
        return datetime.fromisoformat(self.start_utc).timestamp()


@dataclass(frozen=True)
class Scenario:
    """Everything needed to simulate a characterisation.

    Parameters
    ----------
    name : str
        Name of the oscillator, also the firmware symbol of a sample.
    crystal, chamber, sensor, counter
        The parts of the set-up.
    runs : tuple of PlannedRun
        In the order of time; age 0 is the start of the first.
    board : ThermalPath
        From the chamber's air to the board.
    crystal_path : ThermalPath
        From the board to the crystal.
    interval_s : float
        Between rows; a whole number of steps. [s]
    reference_c : float
        Where the truth states the base. [degC]
    seed : int
        Of every random number.
    step_s : float
        Of the time grid. [s]
    style : LogStyle
        How the log is written.
    """

    name: str
    crystal: Crystal
    chamber: SimulatedChamber
    sensor: SimulatedSensor
    counter: SimulatedCounter
    runs: tuple[PlannedRun, ...]
    board: ThermalPath = field(default_factory=ThermalPath)
    crystal_path: ThermalPath = field(default_factory=ThermalPath)
    interval_s: float = 10.0
    reference_c: float = 25.0
    seed: int = 1
    step_s: float = 1.0
    style: LogStyle = field(default_factory=LogStyle)

    @property
    def lag_s(self) -> float:
        """Delay of the reading behind the temperature column on a long ramp. [s]

        The crystal's delay behind the board, less the sensor's, plus half a gate: a reading
        stamped at the end of its gate speaks of the gate's middle.
        """
        return self.crystal_path.delay_s - self.sensor.path.delay_s + self.counter.gate_s / 2.0


@dataclass(frozen=True)
class SimulatedRun:
    """A run as logged, and the truth.

    Parameters
    ----------
    file : str
        Name of the run's file.
    log : DataFrame with columns time_s, temperature_c, reading_hz
        As logged: stamps in Unix time. [s, degC, Hz]
    truth : DataFrame of as many rows
        time_s and elapsed_s without clock faults [s], board_c, sensor_c, crystal_c [degC] at the
        stamp, offset_ppb the oscillator's mean over the gate [ppb], and the flags glitched,
        stuck, missing, misstamped.
    """

    file: str
    log: pd.DataFrame
    truth: pd.DataFrame


def simulate(scenario: Scenario) -> list[SimulatedRun]:
    """Simulate every run of a scenario.

    Parameters
    ----------
    scenario : Scenario
        The whole set-up, seed included: the same scenario gives the same numbers.

    Returns
    -------
    list of SimulatedRun
        One for each planned run.

    Raises
    ------
    JobError
        The gate or the interval is not a whole number of steps, or the gate is longer than the interval.

    Examples
    --------
    >>> from tcomp.simulation.chamber import FirstOrderChamber, ProgrammeLeg
    >>> from tcomp.simulation.crystal import AtCut
    >>> programme = Programme(20.0, 1.0, (ProgrammeLeg(30.0, 5.0),))
    >>> scenario = Scenario("demo", Crystal(AtCut(2.0)), FirstOrderChamber(60.0), SimulatedSensor(), SimulatedCounter(10e6),
    ...                     (PlannedRun("up.csv", "2026-03-02T08:00:00Z", programme),))
    >>> len(simulate(scenario)[0].log)
    18
    """
    for name, span_s in (("interval", scenario.interval_s), ("gate", scenario.counter.gate_s)):
        if span_s < scenario.step_s or span_s % scenario.step_s:
            raise JobError(
                f"simulation: the {name} of {span_s:g} s is not a whole number of steps of "
                f"{scenario.step_s:g} s; change one of them"
            )
    if scenario.counter.gate_s > scenario.interval_s:
        raise JobError(
            f"simulation: the gate of {scenario.counter.gate_s:g} s is longer than the interval "
            f"of {scenario.interval_s:g} s; shorten the gate"
        )
    return [_simulated_run(scenario, number) for number in range(len(scenario.runs))]


def _simulated_run(scenario: Scenario, number: int) -> SimulatedRun:
    # RandomState, not Generator: only its streams are guaranteed to stay the same in every release.
    random = np.random.RandomState([scenario.seed, number])
    run = scenario.runs[number]
    history = _history(scenario, number, random)
    steps_per_row = round(scenario.interval_s / scenario.step_s)
    rows = np.arange(steps_per_row, len(history), steps_per_row)
    truth = history.iloc[rows].reset_index(drop=True)
    truth["offset_ppb"] = gate_mean(
        history["offset_ppb"].to_numpy(), rows, round(scenario.counter.gate_s / scenario.step_s)
    )
    truth.insert(0, "time_s", run.start_s + truth["elapsed_s"])
    reading_hz, truth["glitched"] = scenario.counter.shown_hz(truth["offset_ppb"].to_numpy(), random)
    log = pd.DataFrame(
        {
            "time_s": truth["time_s"],
            "temperature_c": scenario.sensor.reads_c(truth["sensor_c"].to_numpy(), random),
            "reading_hz": reading_hz,
        }
    )
    return SimulatedRun(run.file, *run.defects.spoil(log, truth, random))


def _history(scenario: Scenario, number: int, random: np.random.RandomState) -> pd.DataFrame:
    run, step_s = scenario.runs[number], scenario.step_s
    elapsed_s = np.arange(0.0, run.programme.duration_s + step_s / 2.0, step_s)
    air_c = scenario.chamber.air_c(run.programme.set_point_c(elapsed_s), step_s, random)
    board_c = scenario.board.seen_c(air_c, step_s)
    crystal_c = scenario.crystal_path.seen_c(board_c, step_s)
    age_s = elapsed_s + (run.start_s - scenario.runs[0].start_s)
    return pd.DataFrame(
        {
            "elapsed_s": elapsed_s,
            "board_c": board_c,
            "sensor_c": scenario.sensor.path.seen_c(board_c, step_s),
            "crystal_c": crystal_c,
            "offset_ppb": scenario.crystal.offset_ppb(crystal_c, age_s, number),
        }
    )


def truth_of(scenario: Scenario, runs: list[SimulatedRun]) -> dict[str, Any]:
    """The values that a good estimate must find, as numbers of TRUTH_DIGITS significant digits.

    Parameters
    ----------
    scenario : Scenario
        The set-up.
    runs : list of SimulatedRun
        Its runs.

    Returns
    -------
    dict
        Curve, lag_s, ageing, base at the end of the last run, and of each run its base at its
        start and the rows (counted from 0 below the header) that were spoilt.
    """
    last = len(runs) - 1
    return {
        "name": scenario.name,
        "curve": _curve_truth(scenario),
        "lag_s": _rounded(scenario.lag_s),
        "ageing_ppb_per_day": _rounded(scenario.crystal.ageing.linear_ppb_per_day),
        "ageing_log_ppb": _rounded(scenario.crystal.ageing.log_ppb),
        "ageing_log_per_day": _rounded(scenario.crystal.ageing.log_per_day),
        "hysteresis_ppb": _rounded(scenario.crystal.play.height_ppb if scenario.crystal.play else 0.0),
        "white_noise_ppb": _rounded(scenario.counter.white_ppb),
        "base_at_end_ppb": _base_ppb(scenario, runs[last].truth["time_s"].iloc[-1], last),
        "runs": [_run_truth(scenario, run, number) for number, run in enumerate(runs)],
    }


def _curve_truth(scenario: Scenario) -> dict[str, Any]:
    cut = scenario.crystal.cut
    return {
        "cut": type(cut).__name__,
        "centre_c": _rounded(cut.centre_c),
        "coefficients_ppb_per_c_k": [_rounded(value) for value in cut.coefficients_ppb],
        "reference_c": _rounded(scenario.reference_c),
        "turning_points_c": [_rounded(value) for value in cut.turning_points_c],
    }


def _run_truth(scenario: Scenario, run: SimulatedRun, number: int) -> dict[str, Any]:
    flags = ("glitched", "missing", "misstamped", "stuck")
    return {
        "file": run.file,
        "rows": len(run.log),
        "base_at_start_ppb": _base_ppb(scenario, scenario.runs[number].start_s, number),
        **{f"{flag}_rows": np.flatnonzero(run.truth[flag]).tolist() for flag in flags},
    }


def _base_ppb(scenario: Scenario, time_s: float, number: int) -> float:
    """Offset at the reference temperature, in this run and at this time. [ppb]"""
    age_s = np.array([time_s - scenario.runs[0].start_s])
    return _rounded(scenario.crystal.offset_ppb(np.array([scenario.reference_c]), age_s, number)[0])


def _rounded(value: float) -> float:
    return float(f"{value:.{TRUTH_DIGITS}g}")
