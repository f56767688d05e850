"""A sensor of whole degrees makes no dip and no jump of its own. Invented data with a known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from recovery import recover

from tcomp.estimation.coarse_steps import CoarseSteps
from tcomp.simulation.cases import plain, with_dip
from tcomp.simulation.chamber import ThermalPath
from tcomp.simulation.instruments import SimulatedSensor

ROUNDED, CUT_OFF = SimulatedSensor(quantum_c=1.0), SimulatedSensor(quantum_c=1.0, offset_c=-0.5)


@pytest.mark.parametrize(
    ("sensor", "seed", "ripple_c"), [(ROUNDED, 3, 0.05), (ROUNDED, 3, 0.0), (CUT_OFF, 3, 0.0), (CUT_OFF, 4, 0.05)]
)
def test_whole_degrees_make_no_dip_and_no_jump(sensor: SimulatedSensor, seed: int, ripple_c: float) -> None:
    # Each of these had one before steps of the sensor were thought of.
    base = replace(plain(seed), sensor=sensor, crystal_path=ThermalPath((175.0,)))
    curve = recover(replace(base, chamber=replace(base.chamber, ripple_c=ripple_c))).fit_result.curve
    assert curve.dips == ()
    assert curve.jumps == ()
    # 175 s and half a gate of 10 s.
    assert curve.effect("lag").value == pytest.approx(180.0, abs=2.0)


def test_a_dip_deeper_than_a_step_is_worth_is_found_all_the_same() -> None:
    # 400 ppb deep where a degree is worth 3 x 0.1086 ppb/degC^3 x (38 - 26.4 degC)^2 - 176 = 130 ppb or so.
    dips = recover(replace(with_dip(3, depth_ppb=400.0), sensor=ROUNDED)).fit_result.curve.dips
    assert any(dip.temperature_c == pytest.approx(38.0, abs=0.5) for dip in dips)


def test_a_step_is_hidden_only_while_the_sensor_stands_still_and_only_if_it_is_small() -> None:
    still, ramp = np.full(100, 20.0), 20.0 + np.arange(100) // 5
    assert CoarseSteps(still, 1.0).hide_jump(50, 90.0, -100.0)
    assert not CoarseSteps(still, 1.0).hide_jump(50, 110.0, -100.0)
    assert not CoarseSteps(ramp, 1.0).hide_jump(50, 90.0, -100.0)
    assert not CoarseSteps(still, 0.0).hide_jump(50, 90.0, -100.0)
