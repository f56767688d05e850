"""The smallest table: none smaller will do, and a refusal says what would."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from tables import design_table

from tcomp.errors import TableError
from tcomp.tables import CorrectionTable, TableSpec, cheapest_table, coded_curve, smallest_sampled_table
from tcomp.tables.code_scale import TemperatureScale

RANGE: dict[str, Any] = {"low_c": -20.0, "high_c": 60.0, "scale": TemperatureScale(20.0), "align": "auto"}


def cubic(temperature_c: np.ndarray) -> np.ndarray:
    """An AT-like cubic of our own making: handbook size, invented tilt."""
    away = temperature_c - 26.0
    return np.asarray(0.1 * away**3 - 200.0 * away)


def smallest_table(
    curve: Any,
    *,
    low_c: float,
    high_c: float,
    scale: Any,
    interpolation: Any,
    align: Any,
    max_error_ppb: Any,
    max_bytes: Any,
) -> CorrectionTable:
    """The cheapest table of the form "steps" where no program costs anything."""
    spec = TableSpec("steps", interpolation, align, max_error_ppb, max_bytes)
    return cheapest_table(coded_curve(curve, low_c, high_c, scale), spec, lambda _: 0)[0]


def every_table(interpolation: str, below_bytes: int) -> list[Any]:
    """Every design with fewer bytes, by force."""
    tables = []
    for step_log2 in range(16):
        for entry_bits in (16, 32):
            # Fewer entries than this cannot be: leave out what is too large anyway.
            if (80 * 20 >> step_log2) * entry_bits // 8 < below_bytes:
                tables.append(
                    design_table(
                        cubic, step_log2=step_log2, entry_bits=entry_bits, interpolation=interpolation, **RANGE
                    )
                )
    return [table for table in tables if table.bytes < below_bytes]


@pytest.mark.parametrize("interpolation", ["linear", "nearest"])
@pytest.mark.parametrize("limit_ppb", [400.0, 30.0, 2.0])
def test_the_smallest_meets_the_error_and_no_smaller_one_does(interpolation: Any, limit_ppb: float) -> None:
    if interpolation == "nearest":
        limit_ppb *= 20  # A staircase cannot do as well with codes of 0.05 degC.
    table = smallest_table(cubic, interpolation=interpolation, max_error_ppb=limit_ppb, max_bytes=None, **RANGE)
    assert table.max_error_ppb <= limit_ppb
    smaller = every_table(interpolation, table.bytes)
    assert all(other.max_error_ppb > limit_ppb for other in smaller)


def test_both_limits_hold_together() -> None:
    table = smallest_table(cubic, interpolation="linear", max_error_ppb=20.0, max_bytes=128, **RANGE)
    assert table == smallest_table(cubic, interpolation="linear", max_error_ppb=20.0, max_bytes=None, **RANGE)


def test_samples_need_more_bytes_for_the_same_error() -> None:
    designed = smallest_table(cubic, interpolation="linear", max_error_ppb=20.0, max_bytes=None, **RANGE)
    plain = smallest_sampled_table(cubic, interpolation="linear", max_error_ppb=designed.max_error_ppb, **RANGE)
    assert plain.max_error_ppb <= designed.max_error_ppb
    # De Boor: half the sag with the same knots, so twice the error needs sqrt(2) times the knots; the
    # steps are powers of two, so it is once or twice as many.
    assert designed.bytes <= plain.bytes <= 2 * designed.bytes
    with pytest.raises(TableError, match="no table of samples meets 1e-05 ppb"):
        smallest_sampled_table(cubic, interpolation="linear", max_error_ppb=1e-5, **RANGE)


def test_a_curve_that_is_steep_at_a_far_end_still_gets_its_tables() -> None:
    # A chord through a knot just before the range's end, extended to the next knot, leaves what an int32 of ppt holds.
    def fork_ppb(t: np.ndarray) -> np.ndarray:
        return -12_000.0 - 34.0 * (t - 24.0) ** 2

    asked = {"low_c": -15.0, "high_c": 44.9, "scale": TemperatureScale(10), "interpolation": "linear", "align": "auto"}
    table = smallest_table(fork_ppb, **asked, max_error_ppb=100.0, max_bytes=None)
    rival = smallest_sampled_table(fork_ppb, **asked, max_error_ppb=table.max_error_ppb)
    assert table.max_error_ppb <= 100.0
    assert table.bytes <= rival.bytes
