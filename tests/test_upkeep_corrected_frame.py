"""Corrected readings in a frame and in batches, against exact fractions and sums by hand; all data invented."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd
import pytest
from plain_curve import plain_curve
from tables import changed, step_table

from tcomp.errors import RunError
from tcomp.estimation.curve import Curve
from tcomp.job import Sensor
from tcomp.tables import TemperatureScale
from tcomp.upkeep.apply import Tally, corrected, corrected_values, sensor_u_c
from tcomp.upkeep.calibration import Calibration
from tcomp.upkeep.corrector import (
    AFTER_A_START,
    NO_READING,
    NO_TEMPERATURE,
    NO_TIME,
    OK,
    OUTSIDE,
    STATES,
    Corrector,
    Offsets,
)

# +1000 ppb at 0 degC, -3000 ppb at 32 degC, in units of 0.064 ppb: 15625 and -46875.
TABLE = step_table(
    scale=TemperatureScale(16), low_code=0, high_code=512, first_code=0, step_log2=9, entry_bits=32, unit_log2_ppt=6,
    interpolation="linear", entries=(15625, -46875), max_error_ppb=6.0, rms_error_ppb=3.0,
)  # fmt: skip


def offsets(offset_ppb: list[float], u_ppb: list[float], state: list[int]) -> Offsets:
    return Offsets(np.array(offset_ppb), np.array(u_ppb), np.array(state, dtype=np.int8))


def one_plus(offset_ppb: float) -> Fraction:
    return 1 + Fraction(offset_ppb) / 10**9


@pytest.mark.parametrize("offset_ppb", [250_000_000.0, -125_000_000.0, 1000.0, 0.0])
def test_values_and_their_uncertainties_are_those_of_exact_fractions(offset_ppb: float) -> None:
    # Offsets of up to a quarter, which no crystal has: whatever is left out of a formula shows.
    shown = 9_999_990.0
    known = offsets([offset_ppb], [3.0], [OK])
    frequency = corrected_values(np.array([shown]), known, "frequency")
    interval = corrected_values(np.array([shown]), known, "interval")
    exact = Fraction(shown) * one_plus(offset_ppb), Fraction(shown) / one_plus(offset_ppb)
    # Doubles carry 2**-53; a few operations.
    assert frequency.value[0] == pytest.approx(float(exact[0]), rel=1e-15)
    assert interval.value[0] == pytest.approx(float(exact[1]), rel=1e-15)
    # d(shown (1 + y)) = shown dy, and d(shown / (1 + y)) = shown dy / (1 + y)**2; JCGM 100:2008, 5.1.2.
    u = Fraction(shown) * 3 / 10**9
    assert frequency.u[0] == pytest.approx(float(u), rel=1e-14)
    assert interval.u[0] == pytest.approx(float(u / one_plus(offset_ppb) ** 2), rel=1e-14)


def test_an_uncertainty_has_no_sign() -> None:
    found = corrected_values(np.array([-2.0]), offsets([0.0], [5e8], [OK]), "frequency")
    assert (found.value[0], found.u[0]) == (-2.0, 1.0)


def test_a_missing_reading_is_said_unless_there_is_worse_to_say() -> None:
    states = [OK, AFTER_A_START, OUTSIDE, NO_READING, NO_TIME, NO_TEMPERATURE]
    found = corrected_values(np.full(6, np.nan), offsets([0.0] * 6, [1.0] * 6, states), "frequency")
    assert found.state.tolist() == [NO_READING] * 4 + [NO_TIME, NO_TEMPERATURE]
    assert found.state.dtype == np.int8
    assert corrected_values(np.ones(6), offsets([0.0] * 6, [1.0] * 6, states), "interval").state.tolist() == states
    assert STATES[NO_READING] == "no reading"


def frame(**columns: Any) -> pd.DataFrame:
    return pd.DataFrame({"time_s": [0.0, 10.0, 20.0], "temperature_c": [0.0, 16.0, 40.0]} | columns)


def test_a_frame_by_a_table_in_numbers() -> None:
    # At 0 degC +1000 ppb, halfway -1000 ppb, beyond 32 degC the end's -3000 ppb, by hand; u: 6 / sqrt(3).
    shown = frame(shown_hz=[1e7, 1e7, 1e7])
    found = corrected(TABLE, shown, frequency="shown_hz")
    assert list(found.columns) == ["time_s", "temperature_c", "shown_hz", "shown_hz_true", "shown_hz_u", "state"]
    assert found.shown_hz_true.tolist() == pytest.approx([1e7 + 10.0, 1e7 - 10.0, 1e7 - 30.0], rel=1e-13)
    assert found.shown_hz_u.tolist()[:2] == pytest.approx([1e-2 * 6 / math.sqrt(3)] * 2, rel=1e-9)
    assert math.isnan(found.shown_hz_u[2])
    assert found.state.tolist() == ["ok", "ok", "outside range"]
    assert list(shown.columns) == ["time_s", "temperature_c", "shown_hz"]


def test_columns_of_a_frame_have_the_names_that_are_given() -> None:
    named = frame(counted_s=[1.0, 1.0, 1.0]).rename(columns={"time_s": "t", "temperature_c": "board"})
    found = corrected(TABLE, named, interval="counted_s", temperature="board", time="t")
    assert found.counted_s_true.tolist() == pytest.approx([1 / (1 + y) for y in (1e-6, -1e-6, -3e-6)], rel=1e-15)
    for wrong in ({"time": "time_s"}, {"temperature": "temperature_c"}):
        given = {"temperature": "board", "time": "t"} | wrong
        with pytest.raises(
            RunError, match=f"no column '{next(iter(wrong.values()))}'; its columns are t, board, counted_s$"
        ):
            corrected(TABLE, named, interval="counted_s", **given)


def test_whole_numbers_in_a_frame_are_numbers() -> None:
    whole = pd.DataFrame({"time_s": [0, 10], "temperature_c": [0, 16], "shown_hz": [10_000_000, 10_000_000]})
    found = corrected(TABLE, whole, frequency="shown_hz")
    assert found.shown_hz_true.tolist() == pytest.approx([1e7 + 10.0, 1e7 - 10.0], rel=1e-13)


def test_a_sensors_uncertainty_counts_with_the_slope() -> None:
    # The table falls by 4000 ppb over 32 degC: 125 ppb/degC, so that 0.04 degC are 5 ppb; with 6 / sqrt(3) of the table.
    shown = frame(shown_hz=[1e7, 1e7, 1e7])
    found = corrected(TABLE, shown, frequency="shown_hz", sensor_u_c=0.04)
    # The slope of a table alone is read from points half a degC apart: its units are 0.064 ppb.
    assert found.shown_hz_u[1] == pytest.approx(1e-2 * math.hypot(6 / math.sqrt(3), 5.0), rel=1e-3)


def test_without_time_the_crystal_is_as_warm_as_its_sensor() -> None:
    slow = plain_curve(slope_ppb_per_c=10.0, lag_s=100.0, lag_u_s=5.0)
    shown = frame(shown_hz=[1e7, 1e7, 1e7])
    found = corrected(slow, shown, frequency="shown_hz", time=None)
    # 1000 ppb at 25 degC and 10 ppb/degC: 750, 910, 1150 ppb (by hand).
    assert found.shown_hz_true.tolist() == pytest.approx([1e7 + 7.5, 1e7 + 9.1, 1e7 + 11.5], rel=1e-13)
    assert found.state.tolist() == ["ok"] * 3
    timed = corrected(slow, shown, frequency="shown_hz")
    assert timed.shown_hz_true[1] != pytest.approx(1e7 + 9.1, rel=1e-9)


@pytest.mark.parametrize("given", [{}, {"frequency": "shown_hz", "interval": "shown_hz"}])
def test_one_reading_is_asked_for(given: dict[str, str]) -> None:
    sentence = "^expected the column of a reading as either frequency or interval; give one of them$"
    with pytest.raises(RunError, match=sentence):
        corrected(TABLE, frame(shown_hz=[1.0, 1.0, 1.0]), **given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("sensor", "u_c"),
    [
        (Sensor(), 0.0),
        (Sensor(resolution_c=0.0625), 0.0625 / math.sqrt(12)),  # rectangular: JCGM 100:2008, 4.3.7
        (Sensor(sigma_c=0.02), 0.02),
        (Sensor(resolution_c=0.12, sigma_c=0.03), math.hypot(0.12 / math.sqrt(12), 0.03)),
    ],
)
def test_a_sensors_steps_and_noise_make_its_uncertainty(sensor: Sensor, u_c: float) -> None:
    assert sensor_u_c(sensor) == pytest.approx(u_c, rel=1e-12)


class Batch:
    """What a tally reads of a chunk of a log."""

    def __init__(self, *time_s: float) -> None:
        self.time_s = np.array(time_s)


def test_a_tally_adds_up_over_batches() -> None:
    tally = Tally()
    batches: list[tuple[Any, list[float], list[float], list[int]]] = [
        (Batch(5.0, np.nan), [10.0, 30.0], [1.0, 2.0], [OK, OUTSIDE]),
        (Batch(7.0, 1.0, 9.0), [np.nan, 20.0, -4.0], [np.nan, 0.5, 3.0], [NO_TEMPERATURE, OK, OK]),
        (Batch(np.nan), [np.nan], [np.nan], [NO_TIME]),
    ]
    for chunk, offset_ppb, u_ppb, state in batches:
        known = offsets(offset_ppb, u_ppb, state)
        tally.count(chunk, known, corrected_values(np.ones(len(state)), known, "frequency"))
    assert tally.rows == 6
    assert tally.states.tolist() == [3, 0, 1, 0, 1, 1, 0]
    assert (tally.offset_ppb, tally.u_ppb, tally.time_s) == ((-4.0, 30.0), (0.5, 3.0), (1.0, 9.0))
    assert Tally().offset_ppb == (math.inf, -math.inf)


class Rising:
    """A base that rises by 2 ppb/s, known to 3 ppb."""

    def moved(self, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return 2.0 * time_s, np.full(time_s.size, 3.0)


def test_a_drift_is_added_and_so_is_its_variance() -> None:
    subject = Calibration(None, TABLE)
    still, moved = (
        Corrector(subject, drift=drift).offsets(np.array([0.0, 10.0]), np.array([0.0, 16.0]))
        for drift in (None, Rising())
    )
    assert (moved.offset_ppb - still.offset_ppb).tolist() == pytest.approx([0.0, 20.0])
    assert moved.u_ppb.tolist() == pytest.approx([math.hypot(6 / math.sqrt(3), 3.0)] * 2, rel=1e-9)


def test_states_of_rows_without_time_or_temperature() -> None:
    slow = Calibration(plain_curve(slope_ppb_per_c=10.0, lag_s=5.0, lag_u_s=1.0), None)
    time_s = np.array([0.0, 1.0, np.nan, 3.0, np.nan, 100.0])
    sensor_c = np.array([20.0, 20.0, 20.0, np.nan, np.inf, 20.0])
    found = Corrector(slow).offsets(time_s, sensor_c)
    assert found.state.tolist()[2:5] == [NO_TIME, NO_TEMPERATURE, NO_TEMPERATURE]
    assert np.isnan(found.offset_ppb).tolist() == [False, False, True, True, True, False]


def test_the_ends_of_the_range_are_inside() -> None:
    found = Corrector(Calibration(None, TABLE)).offsets(np.arange(4.0), np.array([0.0, 32.0, -1e-6, 32.000001]))
    assert found.state.tolist() == [OK, OK, OUTSIDE, OUTSIDE]
    assert found.offset_ppb.tolist() == [1000.0, -3000.0, 1000.0, -3000.0]
    assert np.isnan(found.u_ppb).tolist() == [False, False, True, True]


def two_lags(first_u_s: float, second_u_s: float) -> Curve:
    curve = plain_curve(slope_ppb_per_c=100.0, lag_s=60.0, lag_u_s=first_u_s)
    lag = curve.effects[0]
    second = changed(lag, name="second lag", value=20.0, uncertainty=second_u_s)
    return changed(curve, effects=(lag, second, *curve.effects[1:]))


@pytest.mark.parametrize(("first_u_s", "second_u_s", "u_s"), [(3.0, 4.0, 5.0), (2.0, math.nan, 2.0), (0.0, 1.0, 1.0)])
def test_the_time_constants_uncertainties_count_together(first_u_s: float, second_u_s: float, u_s: float) -> None:
    # On a long ramp of 1 degC/min the crystal is 80 s behind, to within u_s: 100 ppb/degC / 60 s/degC * u_s (by hand).
    time_s = np.arange(0.0, 1500.0, 10.0)
    found = Corrector(Calibration(two_lags(first_u_s, second_u_s), None)).offsets(time_s, 10.0 + time_s / 60.0)
    assert found.u_ppb[-1] == pytest.approx(100.0 / 60.0 * u_s, rel=1e-3)  # exp(-18) is left of the start


def test_a_table_is_read_at_its_own_codes() -> None:
    # One code up, one code down by 30 ppb: a straight line between other places than the codes would cut the corners.
    zigzag = changed(TABLE, high_code=500, step_log2=0, entries=tuple(15625 + 469 * (k % 2) for k in range(501)))
    at_c = np.arange(501) / 16.0
    found = Corrector(Calibration(None, zigzag)).offsets(np.arange(501.0), at_c)
    assert found.offset_ppb == pytest.approx([1000.0 + 30.016 * (k % 2) for k in range(501)], abs=1e-9)


def test_what_is_known_may_be_given_as_a_subject() -> None:
    shown = frame(shown_hz=[1e7, 1e7, 1e7])
    of_subject = corrected(Calibration(None, TABLE), shown, frequency="shown_hz")
    assert of_subject.equals(corrected(TABLE, shown, frequency="shown_hz"))
