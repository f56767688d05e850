"""Real numbers become integers here, once: the range as codes, the unit of an entry, the rounding."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.lookup import INT16_MAX, INT16_MIN, LARGEST_UNIT_LOG2_PPT
from tcomp.units import PPT_PER_PPB

LARGEST_OFFSET_PPB = (2**31 - 1) / PPT_PER_PPB
"""What an int32 of ppt holds: 2147 ppm."""


SLACK = 1e-6
"""Codes by which an end of the range may miss a whole code by round-off alone."""


def code_range(low_c: float, high_c: float, counts_per_c: float) -> tuple[int, int]:
    """First and last code of a temperature range, both inside it.

    Raises
    ------
    TableError
        The range is empty, holds a single code, or leaves an int16.

    Examples
    --------
    >>> code_range(-20, 60, 100)
    (-2000, 6000)
    >>> code_range(-20.01, 59.98, 16)
    (-320, 959)
    """
    if not (np.isfinite([low_c, high_c]).all() and low_c < high_c):
        raise TableError(f"the range is {low_c} to {high_c} degC; expected two numbers, the lower first")
    if not (np.isfinite(counts_per_c) and counts_per_c > 0):
        raise TableError(f"counts_per_c is {counts_per_c}; expected a positive number of codes per degC")
    largest_c = max(abs(low_c), abs(high_c))
    low_code = math.ceil(low_c * counts_per_c - SLACK)
    high_code = math.floor(high_c * counts_per_c + SLACK)
    if high_code > INT16_MAX or low_code < INT16_MIN:
        fitting = float(f"{INT16_MAX / largest_c * 0.9995:.3g}")
        raise TableError(
            f"counts_per_c {counts_per_c:g} takes the range {low_c:g} to {high_c:g} degC beyond an int16 "
            f"({INT16_MIN} to {INT16_MAX}); {fitting:g} would fit"
        )
    if low_code >= high_code:
        raise TableError(
            f"counts_per_c {counts_per_c:g} leaves the whole range {low_c:g} to {high_c:g} degC fewer than two "
            "codes; expected finer codes"
        )
    return low_code, high_code


def smallest_unit_log2_ppt(offset_ppb: NDArray[np.float64], entry_bits: int) -> int:
    """Return the smallest unit, as a power of two of ppt, at which the offsets fit the entries.

    Raises
    ------
    TableError
        An offset is beyond what an int32 of ppt holds.

    Examples
    --------
    32 767 ppt is the largest entry at a unit of 1 ppt; 40 ppb needs units of 2 ppt:

    >>> smallest_unit_log2_ppt(np.array([-32.0, 32.0]), 16)
    0
    >>> smallest_unit_log2_ppt(np.array([-32.0, 40.0]), 16)
    1
    """
    largest_entry = 2 ** (entry_bits - 1) - 1
    for unit_log2_ppt in range(LARGEST_UNIT_LOG2_PPT + 1):
        entries = to_units(offset_ppb, unit_log2_ppt)
        in_ppt = entries * 2.0**unit_log2_ppt
        fits_entry = entries.max() <= largest_entry and entries.min() >= -largest_entry - 1
        if fits_entry and in_ppt.max() < 2**31 and in_ppt.min() >= -(2**31):
            return unit_log2_ppt
    raise TableError(
        f"an offset of {offset_ppb[np.argmax(np.abs(offset_ppb))]:.6g} ppb is beyond what the firmware's "
        f"int32 of ppt holds ({LARGEST_OFFSET_PPB:.0f} ppb); check the nominal frequency"
    )


def to_units(offset_ppb: NDArray[np.float64], unit_log2_ppt: int) -> NDArray[np.float64]:
    """Nearest whole number of entry units, still as floats (they may not fit an entry yet)."""
    return np.rint(offset_ppb * (PPT_PER_PPB / 2.0**unit_log2_ppt))


def unit_ppb(unit_log2_ppt: int) -> float:
    """Size of one entry unit. [ppb]"""
    return float(2.0**unit_log2_ppt / PPT_PER_PPB)
