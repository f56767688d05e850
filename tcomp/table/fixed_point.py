"""Real numbers become integers here, once: the unit of an entry, the rounding."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import TableError
from tcomp.table.lookup import LARGEST_UNIT_LOG2_PPT
from tcomp.units import PPT_PER_PPB

LARGEST_OFFSET_PPB = (2**31 - 1) / PPT_PER_PPB
"""What an int32 of ppt holds: 2147 ppm."""


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
