"""Arguments that the corrections are proved with: every pair of edges, ties, and a seeded sample."""

from __future__ import annotations

from itertools import product
from random import Random

from tcomp.firmware.corrections import CORRECTIONS, INT32_MAX, INT32_MIN, PPT, Correction
from tcomp.firmware.vectors import Vector, ties
from tcomp.table.lookup import CorrectionTable

SAMPLES = 1500
SEED = 1139
NEAR = (-1, 0, 1)


def all_cases(table: CorrectionTable, corrections: tuple[str, ...]) -> dict[Correction, tuple[Vector, ...]]:
    """Return the arguments for the corrections of these names, in the order in which the C has them."""
    return {
        correction: proof_cases(table, correction) for name, correction in CORRECTIONS.items() if name in corrections
    }


def proof_cases(table: CorrectionTable, correction: Correction) -> tuple[Vector, ...]:
    """Return the arguments for one correction, the same ones each time.

    Edges: the ends of the types, powers of two and ten, a whole of 10**12 and half of one, and the
    values beside each; crossed with the ends of the offset, the table's own least and largest, and 0.
    """
    bits = range(0, 63, 7)
    values = {0, PPT // 2, correction.least, correction.largest}
    values |= {2**bit for bit in bits} | {10**digits for digits in range(1, 19, 2)}
    values = {sign * value + shift for value in values for shift in NEAR for sign in (1, -1)}
    own = table.offset_ppt(table.codes)
    offsets = {0, 1, -1, 10**6, -(10**6), INT32_MIN, INT32_MAX, int(own.min()), int(own.max())}
    pairs = [*product(sorted(values), sorted(offsets)), *ties(), *_sample()]
    return tuple(pair for pair in dict.fromkeys(pairs) if correction.least <= pair[0] <= correction.largest)


def _sample() -> list[Vector]:
    """Magnitudes of every length alike, so that short numbers are tried as often as long ones."""
    random = Random(SEED)
    return [
        (
            random.getrandbits(random.randint(1, 63)) * random.choice((1, -1)),
            random.getrandbits(random.randint(1, 31)) * random.choice((1, -1)),
        )
        for _ in range(SAMPLES)
    ]
