"""The sensor: quantum, noise and offset."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from tcomp.simulation.instruments import SimulatedSensor

WORKED = json.loads((Path(__file__).parent / "data/simulation/thermal_worked.json").read_text())["sensor"]


@pytest.mark.parametrize("row", WORKED["rows"], ids=lambda row: f"q_{row['q_c']}")
def test_rounding_spreads_a_ramp_by_quantum_over_root_twelve(row: dict[str, float]) -> None:
    # JCGM 100:2008 F.2.2.1 through tests/data/simulation/thermal_worked.json, which multiplies by the slope.
    quantum_c = row["q_c"]
    ramp_c = np.arange(0.0, 100 * quantum_c, quantum_c / 1000.0)
    error_c = SimulatedSensor(quantum_c=quantum_c).reads_c(ramp_c, np.random.RandomState(1)) - ramp_c
    # The ramp holds whole quanta of 1000 points each: the discrete uniform law differs by 1e-6.
    assert error_c.std() * row["slope_ppb_per_k"] == pytest.approx(row["u_ppb"], rel=1e-4)
    # Rounding to the nearest, not down: no bias beyond one point of the ramp.
    assert abs(error_c.mean()) <= quantum_c / 1000.0


def test_readings_are_whole_quanta() -> None:
    reading_c = SimulatedSensor(noise_c=0.3, quantum_c=0.0625).reads_c(
        np.linspace(-20.0, 60.0, 500), np.random.RandomState(2)
    )
    assert (reading_c * 16 == np.round(reading_c * 16)).all()


def test_noise_and_offset_have_the_stated_size() -> None:
    count = 20_000
    error_c = SimulatedSensor(offset_c=0.4, noise_c=0.05).reads_c(np.zeros(count), np.random.RandomState(3))
    # Standard errors: of the mean 0.05/sqrt(n) = 3.5e-4, of the deviation 0.05/sqrt(2n) = 2.5e-4; four of each.
    assert error_c.mean() == pytest.approx(0.4, abs=1.4e-3)
    assert error_c.std() == pytest.approx(0.05, abs=1e-3)


def test_without_faults_the_sensor_says_the_truth() -> None:
    own_c = np.array([-12.345, 0.0, 33.3])
    assert (SimulatedSensor().reads_c(own_c, np.random.RandomState(1)) == own_c).all()
