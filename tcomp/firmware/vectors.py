"""Arguments that tell a right implementation from a wrong one: for the self-test and for the proof."""

from __future__ import annotations

from math import gcd

import numpy as np

from tcomp.firmware.corrections import INT32_MAX, INT32_MIN, PPT, Correction
from tcomp.table.lookup import CorrectionTable

Vector = tuple[int, int]
"""What is given, and the offset. [any unit, ppt]"""


def lookup_codes(table: CorrectionTable) -> tuple[int, ...]:
    """Codes at, beside and between knots, at the ends of the range and far beyond them."""
    low, high = table.low_code, table.high_code
    # Where entries stand at no code, their own number of codes over the range will do.
    knots = np.floor(table.knot_codes if len(table.knot_codes) else np.linspace(low, high, 5)).astype(int)
    spread = range(0, len(knots), max(1, len(knots) // 4))
    near = {low, low + 1, high - 1, high, (low + high) // 2, int(knots[0])}
    near |= {int(knots[place]) + shift for place in spread for shift in (-1, 0, 1)}
    near |= {int(knots[place : place + 2].sum()) // 2 for place in spread if place + 1 < len(knots)}
    least, largest = table.scale.least_code, table.scale.largest_code
    near |= {least, low - 1, high + 1, largest}
    return tuple(sorted(code for code in near if least <= code <= largest))


def correction_vectors(table: CorrectionTable, correction: Correction) -> tuple[Vector, ...]:
    """Return a few arguments for the self-test: plain ones, ties, the ends of the types."""
    own = int(table.offset_ppt((table.low_code + table.high_code) // 2))
    given = [0, 1, 12_800_000, 2_000_000_001, correction.largest, correction.least, -12_800_001]
    plain = [(value, offset_ppt) for value in given for offset_ppt in (own, -123_456_789)]
    halfway = ties()
    extreme = [(correction.largest, INT32_MAX), (correction.largest, INT32_MIN), (correction.least, INT32_MIN)]
    every = dict.fromkeys(plain + extreme + halfway[:2] + halfway[-3:-1])
    return tuple(vector for vector in every if correction.least <= vector[0] <= correction.largest)


def ties() -> list[Vector]:
    """Arguments whose exact result lies halfway between two integers.

    shown * (1 + y) does for shown = 500 000 and odd multiples of 1 ppm.  wanted / (1 + y) does where
    the denominator D = 10**12 + offset_ppt has as many factors of two as 2 * 10**12, which is 13, and
    2 * wanted is a multiple of the rest of D: for offsets of 4096 times 1, 5, 9 and so on.
    """
    multiplied = [(500_000 * sign, 1_000_000 * odd) for odd in (1, -1, 3) for sign in (1, -1)]
    divided = []
    for offset_ppt in (4096 * factor for factor in (1, 9, -3, 400_001, -400_003)):
        denominator = PPT + offset_ppt
        shown = denominator // gcd(denominator, 2 * PPT)
        divided += [(shown, offset_ppt), (-shown, offset_ppt), (3 * shown, offset_ppt)]
    return multiplied + divided
