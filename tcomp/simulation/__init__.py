"""Runs with a known truth, for the demonstration and for recovery tests.

Nothing here depends on the estimation: only errors and units are shared with the other rooms.
"""

from __future__ import annotations

from tcomp.simulation.sample_files import SAMPLES, river_gauge, true_offset_ppb, weather_station, write_sample
from tcomp.simulation.scenario import PlannedRun, Scenario, SimulatedRun, simulate, truth_of

__all__ = [
    "SAMPLES",
    "PlannedRun",
    "Scenario",
    "SimulatedRun",
    "river_gauge",
    "simulate",
    "true_offset_ppb",
    "truth_of",
    "weather_station",
    "write_sample",
]
