"""Ranges as codes and units of entries: what fits, and what the refusal says."""

from __future__ import annotations

import numpy as np
import pytest

from tcomp.errors import TableError
from tcomp.tables.code_scale import TemperatureScale
from tcomp.tables.coded_curve import coded_curve
from tcomp.tables.rounding import smallest_unit_log2_ppt, to_units


def test_the_range_becomes_codes() -> None:
    assert TemperatureScale(100).code_range(-20, 60) == (-2000, 6000)
    assert TemperatureScale(51.2).code_range(-40, 85) == (-2048, 4352)


def test_codes_beyond_an_int16_are_refused_with_what_would_fit() -> None:
    with pytest.raises(TableError, match=r"counts_per_c 1000 .* beyond an int16 .*; at most 546\.1 would fit"):
        TemperatureScale(1000).code_range(-20, 60)
    assert TemperatureScale(546.1).code_range(-20, 60)[1] <= 32767


@pytest.mark.parametrize("low_high_c", [(-20, 60), (-125, 1), (0, 0.37), (-273.15, 999)])
def test_the_counts_that_the_refusal_names_do_fit(low_high_c: tuple[float, float]) -> None:
    with pytest.raises(TableError) as refusal:
        TemperatureScale(1e7).code_range(*low_high_c)
    fitting = float(str(refusal.value).split("; at most ")[1].split()[0])
    low, high = TemperatureScale(fitting).code_range(*low_high_c)
    assert max(-low, high) > 0.999 * 32767  # all but the fifth digit


@pytest.mark.parametrize(
    ("low_c", "high_c", "counts", "sentence"),
    [
        (60, -20, 100, "the range is 60 to -20 degC; expected two numbers, the lower first"),
        (float("nan"), 60, 100, "the range is nan"),
        (0, 60, -1, "counts_per_c is -1; expected a positive number"),
        (0, 0.4, 1, "fewer than two codes; expected finer codes"),
    ],
)
def test_a_range_that_is_none_is_refused(low_c: float, high_c: float, counts: float, sentence: str) -> None:
    with pytest.raises(TableError, match=sentence):
        TemperatureScale(counts).code_range(low_c, high_c)


@pytest.mark.parametrize(
    ("largest_ppb", "bits", "unit"),
    [(32.767, 16, 0), (32.768, 16, 1), (-32.768, 16, 0), (65.535, 16, 2), (2_000_000.0, 16, 16), (2_000_000.0, 32, 0)],
)
def test_the_unit_is_the_smallest_that_fits(largest_ppb: float, bits: int, unit: int) -> None:
    # Arithmetic: 32 767 entries of 2**unit ppt; 65.535 ppb would need entry 32 768 at 2 ppt.
    assert smallest_unit_log2_ppt(np.array([0.0, largest_ppb]), bits) == unit


@pytest.mark.parametrize("bits", [16, 32])
def test_an_offset_beyond_an_int32_of_ppt_is_refused(bits: int) -> None:
    with pytest.raises(TableError, match=r"an offset of -2\.2e\+06 ppb is beyond .* check the nominal frequency"):
        smallest_unit_log2_ppt(np.array([1.0, -2.2e6]), bits)


def test_offsets_are_rounded_to_whole_units() -> None:
    assert to_units(np.array([0.0119, -0.0121]), 3).tolist() == [1.0, -2.0]


def test_the_curve_is_never_asked_outside_its_range() -> None:
    asked: list[np.ndarray] = []

    def curve(temperature_c: np.ndarray) -> np.ndarray:
        asked.append(temperature_c)
        return temperature_c

    coded = coded_curve(curve, -20.3, 60.3, TemperatureScale(1.0))
    assert (coded.low_code, coded.high_code) == (-20, 60)
    coded_curve(curve, -20.6, 60.6, TemperatureScale(1.0))
    assert (asked[1].min(), asked[1].max(), len(asked[1])) == (-20.0, 60.0, 81)


def test_a_curve_that_is_not_finite_is_refused_with_the_place() -> None:
    with pytest.raises(TableError, match="the curve is not finite at 25 degC"):
        coded_curve(lambda t: np.where(t == 25, np.nan, t), 0, 50, TemperatureScale(10))
    with pytest.raises(TableError, match="expected one offset per temperature"):
        coded_curve(lambda t: t[:-1], 0, 50, TemperatureScale(10))
