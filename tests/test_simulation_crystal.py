"""The crystal against handbook values."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tcomp.errors import JobError
from tcomp.simulation.crystal import ActivityDip, AtCut, Crystal, CrystalAgeing, FrequencyJump, Play, TuningFork
from tcomp.units import seconds_per_day

FAMILY = pd.read_csv(Path(__file__).parent / "data/simulation/at_family.csv").to_dict("records")


@pytest.mark.parametrize("row", FAMILY, ids=lambda row: f"{row['minutes_from_zero_angle']}_minutes")
def test_the_at_family_turns_and_peaks_where_it_should(row: dict[str, float]) -> None:
    # tests/data/simulation/at_family.csv; tolerances are half its last printed digit.
    cut = AtCut(row["minutes_from_zero_angle"])
    assert cut.turning_points_c == pytest.approx((row["lower_turn_c"], row["upper_turn_c"]), abs=5.1e-5)
    assert cut.inflection_c == pytest.approx(row["inflection_c"], abs=5.1e-5)
    lower_c, upper_c = cut.turning_points_c
    lower, middle, upper = cut.offset_ppb(np.array([lower_c, cut.inflection_c, upper_c]))
    assert lower - middle == pytest.approx(row["peak_about_inflection_ppb"], abs=5.1e-3)
    assert middle - upper == pytest.approx(row["peak_about_inflection_ppb"], abs=5.1e-3)
    everywhere_c = np.concatenate([[-40.0, 85.0], cut.turning_points_c])
    assert cut.offset_ppb(everywhere_c).min() == pytest.approx(row["min_ppb_m40_p85"], abs=5.1e-3)
    assert cut.offset_ppb(everywhere_c).max() == pytest.approx(row["max_ppb_m40_p85"], abs=5.1e-3)


def test_the_turning_points_at_1_7_minutes_have_the_worked_values() -> None:
    # Arithmetic on the handbook coefficients: y = +1.83056e-6 at 25 - 19.6828, -2.22931e-6 at 25 + 22.4452 degC.
    cut = AtCut(1.7)
    assert [turn_c - 25.0 for turn_c in cut.turning_points_c] == pytest.approx([-19.6828, 22.4452], abs=5.1e-5)
    assert cut.offset_ppb(np.array(cut.turning_points_c)) == pytest.approx([1830.56, -2229.31], abs=5.1e-3)


def test_the_handbook_coefficients_agree_with_the_elastic_constants() -> None:
    # Computed from R. Bechmann, A. D. Ballato and T. J. Lukaszek, Proc. IRE 50 (1962), constants from memory:
    # slope -5.163e-6 per degree of arc, -0.4477e-9, 108.82e-12.  2 % covers the 1.6 % between the two sources.
    first, second, third = AtCut(60.0).coefficients_ppb
    assert (first, second, third) == pytest.approx((-5163.0, -0.4477, 0.10882), rel=0.02)


def test_an_at_cut_on_the_other_side_of_the_zero_angle_only_rises() -> None:
    cut = AtCut(-1.0)
    assert cut.turning_points_c == ()
    assert (np.diff(cut.offset_ppb(np.linspace(-40.0, 85.0, 200))) > 0).all()


@pytest.mark.parametrize(("away_c", "offset_ppm", "lost_s_per_day"), [(80.0, 224.0, 19.4), (75.0, 197.0, 17.0)])
def test_a_tuning_fork_loses_the_handbook_seconds_per_day(
    away_c: float, offset_ppm: float, lost_s_per_day: float
) -> None:
    # Vig 1992 (SLCET-TR-92-1 rev. 1): -0.035 ppm/K^2, "about 20 s/day" at -55 or +100 degC; the figures here
    # are 0.035 x 80^2 and x 75^2, printed to three digits.
    for side in (-1.0, 1.0):
        offset_ppb = float(TuningFork(25.0).offset_ppb(np.array(25.0 + side * away_c)))
        assert offset_ppb / 1000.0 == pytest.approx(-offset_ppm, abs=0.5)
        assert seconds_per_day(offset_ppb) == pytest.approx(-lost_s_per_day, abs=0.05)


def test_logarithmic_ageing_adds_the_same_for_each_multiplication_of_time() -> None:
    # f(t2) - f(t1) = A ln(t2/t1) once B t is large (form fitted after MIL-PRF-55310, second-hand).
    # With B t1 = 1e5 the neglected part is 1/(B t1) = 1e-5 of A.
    ageing = CrystalAgeing(log_ppb=3.0, log_per_day=1e5)
    early, late = ageing.drift_ppb(np.array([1.0, 10.0]) * 86_400.0)
    assert late - early == pytest.approx(3.0 * math.log(10.0), abs=3e-5)
    assert ageing.drift_ppb(np.array(0.0)) == 0.0


def test_linear_ageing_counts_days() -> None:
    assert CrystalAgeing(linear_ppb_per_day=-6.0).drift_ppb(np.array([0.0, 86_400.0, 129_600.0])).tolist() == [
        0.0,
        -6.0,
        -9.0,
    ]


def test_a_dip_is_deep_in_the_middle_and_gone_outside() -> None:
    dip = ActivityDip(at_c=40.0, width_c=0.5, depth_ppb=300.0)
    # A Gaussian: exp(-1/2) one width away, exp(-50) ten widths away.
    assert dip.offset_ppb(np.array([40.0, 40.5, 45.0])) == pytest.approx([-300.0, -300.0 * math.exp(-0.5), 0.0])


def test_a_jump_stays() -> None:
    assert FrequencyJump(100.0, 7.0).offset_ppb(np.array([99.0, 100.0, 1e6])).tolist() == [0.0, 7.0, 7.0]


def test_play_parts_heating_and_cooling_by_its_height_whatever_the_rate() -> None:
    play = Play(width_c=1.0, height_ppb=40.0)
    up_c = np.linspace(0.0, 30.0, 301)
    slow = play.offset_ppb(np.concatenate([up_c, up_c[-2::-1]]))
    fast = play.offset_ppb(np.concatenate([up_c[::10], up_c[-11::-10]]))
    assert slow[150] - slow[450] == pytest.approx(40.0)
    assert fast == pytest.approx(slow[::10])


def test_a_reversal_smaller_than_the_play_comes_half_through() -> None:
    there_c = np.array([0.0, 10.0, 9.5, 10.0])
    assert Play(width_c=1.0, height_ppb=40.0).offset_ppb(there_c) == pytest.approx([0.0, 20.0, 0.0, 20.0])


def test_a_crystal_adds_up_its_parts() -> None:
    crystal = Crystal(
        TuningFork(25.0),
        base_ppb=100.0,
        ageing=CrystalAgeing(2.0),
        retrace_ppb=(0.0, 5.0),
        dip=ActivityDip(35.0, 1.0, 50.0),
        jump=FrequencyJump(86_400.0, 7.0),
        play=Play(1.0, 8.0),
    )
    offset_ppb = crystal.offset_ppb(np.array([25.0, 35.0]), np.array([0.0, 86_400.0]), run=1)
    # At 25 degC: base and retrace.  At 35 degC: -35 x 100, base, a day's ageing, retrace, dip, jump, half the play.
    assert offset_ppb == pytest.approx([105.0, -3500.0 + 100.0 + 2.0 + 5.0 - 50.0 + 7.0 + 4.0])


def test_a_run_without_its_retrace_is_refused() -> None:
    crystal = Crystal(TuningFork(25.0), retrace_ppb=(0.0,))
    with pytest.raises(JobError, match=r"simulation: run 2 has no retrace, as retrace_ppb holds 1; give one value"):
        crystal.base_at_ppb(np.zeros(1), run=1)
