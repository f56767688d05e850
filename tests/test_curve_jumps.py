"""Jumps of the frequency, small and large, in ramps and soaks. Invented data with a known truth, from the independent simulator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from independent import Log, at_cubic, chamber_c, jumped, rounded, simulate, two_rates
from recovery import learn_logs

from tcomp.estimation.curve import Curve
from tcomp.estimation.estimate import Settings


def off_in_u(curve: Curve, moved_ppb: float) -> float:
    """How many of its standard uncertainties the base is off."""
    at_c = np.array([curve.reference_c])
    return abs(curve.base_ppb - float(at_cubic(at_c)[0]) - moved_ppb) / float(curve.uncertainty_ppb(at_c)[0])


@pytest.mark.parametrize(
    ("at_s", "height_ppb"),
    # Of the 21 of benchmarks/jumps.py those that took the most different ways to be missed.
    [(1000.0, 30.0), (8600.0, 3000.0), (13500.0, 3000.0), (19500.0, -3000.0), (22500.0, 300.0), (27000.0, 30.0)],
)
def test_a_jump_is_found_where_it_is_and_the_base_is_that_of_the_end(at_s: float, height_ppb: float) -> None:
    curve = learn_logs(jumped(simulate(1), at_s, height_ppb)).curve
    assert [jump.time_s for jump in curve.jumps] == [at_s]
    # 1 ppb: three times the largest u of a height among these.
    assert abs(curve.jumps[0].height_ppb - height_ppb) < max(1.0, 3 * curve.jumps[0].uncertainty_ppb)
    assert off_in_u(curve, height_ppb) < 3
    assert curve.effect("ageing").status == "none seen"


def test_a_large_jump_in_a_soak_of_a_staircase_is_found_as_a_small_one_is() -> None:
    stairs = chamber_c(
        [(level, minutes) for c in (0, 10, 20, 30, 40, 30, 20, 10, 0) for level, minutes in ((c, 10), (c, 25))], 0
    )
    for height_ppb in (30.0, 3000.0):
        curve = learn_logs(jumped(simulate(2, chamber=stairs), 8600.0, height_ppb)).curve
        assert [jump.time_s for jump in curve.jumps] == [8600.0]
        assert off_in_u(curve, height_ppb) < 3


def test_three_jumps_of_different_sizes_are_found_together() -> None:
    log = jumped(jumped(jumped(simulate(3), 5000.0, 800.0), 14000.0, -40.0), 24000.0, 5000.0)
    curve = learn_logs(log).curve
    assert [jump.time_s for jump in curve.jumps] == [5000.0, 14000.0, 24000.0]
    assert off_in_u(curve, 5760.0) < 3


def without_jump(seed: int) -> list[Log]:
    """What must not be taken for a jump: corners, gross errors, a coarse counter, a chamber that steps, noise that wanders."""
    rng = np.random.default_rng(seed)
    plain = simulate(seed)
    wild = plain.offset_ppb + np.where(rng.uniform(size=plain.offset_ppb.size) < 0.01, 200.0, 0.0)
    wander = plain.offset_ppb + np.cumsum(rng.normal(size=plain.offset_ppb.size)) * 0.1
    steps = chamber_c([(c, m) for c in (0, 9, 18, 27, 36, 45, 36, 27, 18, 9, 0) for m in (2, 20)], 0)
    return [
        plain,
        replace(plain, offset_ppb=wild),
        replace(plain, offset_ppb=wander),
        simulate(seed, counter=rounded(30.0)),
        simulate(seed, lag_s=20.0, chamber=steps),
        simulate(seed, sensor=rounded(0.5), chamber=two_rates()),
    ]


@pytest.mark.parametrize("which", range(6))
def test_no_jump_is_found_where_there_is_none(which: int) -> None:
    # 100 seeds of the first kind: `python benchmarks/jumps.py 100`.
    # How many samples of a coarse counter the fit may drop is not the matter here.
    assert learn_logs(without_jump(7)[which], settings=Settings(max_dropped=1.0)).curve.jumps == ()
