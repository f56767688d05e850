"""Where knots go that need not be even: segments by dynamic programming, free knots by bisection on the error."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tcomp.table.coded_curve import CodedCurve, per_code
from tcomp.table.fixed_point import unit_ppb
from tcomp.table.segment_table import LARGEST_NUMBER, Segments
from tcomp.table.step_table import LARGEST_STEP_LOG2

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

LARGEST_GRID = 1024
"""Places at which a segment may begin; finer ones gain nothing that an entry could show."""
LOOKS = 17
"""Codes at which the sag of an interval is looked at."""
ENTRY_BYTES, SEGMENT_BYTES = 2, 4
HALVINGS = 24
"""Bisections of the error; each gives one more bit of it."""


def half_sags_ppb(curve: CodedCurve, first: Integers, last: Integers) -> Floats:
    """Error of the best line beside each interval's chord: half of the sag; to both sides, where it bends so. [ppb]

    Each code's is divided by its allowance.  ``first`` and ``last`` are places along the curve; what lies
    beyond its end is not looked at.
    """
    end = len(curve.offset_ppb) - 1
    last = np.minimum(last, end)
    way = np.linspace(0.0, 1.0, LOOKS)
    at = np.rint(first[:, None] + (last - first)[:, None] * way).astype(np.int64)
    along = (at - first[:, None]) / np.maximum(last - first, 1)[:, None]
    low_ppb, high_ppb = curve.offset_ppb[first][:, None], curve.offset_ppb[last][:, None]
    sag = (curve.offset_ppb[at] - low_ppb - (high_ppb - low_ppb) * along) / per_code(curve.allowance, curve)[at]
    halves: Floats = np.ptp(sag, axis=1) / 2
    return halves


def segments_within(curve: CodedCurve, error_ppb: float) -> Segments | None:
    """Lay segments of the fewest bytes whose intervals all keep an error; None: even single codes do not.

    Dynamic programming (Bellman) from the range's end: what the rest costs, for each place and step.
    """
    span = curve.high_code - curve.low_code
    finest = max(0, (span // LARGEST_GRID).bit_length())
    step_log2s = np.arange(finest, min(LARGEST_STEP_LOG2, span.bit_length()) + 1)
    places = np.arange(0, span + 1, 1 << finest)
    within = np.column_stack([half_sags_ppb(curve, places, places + (1 << int(s))) <= error_ppb for s in step_log2s])
    for segment_bytes in SEGMENT_BYTES * 2 ** np.arange(8):
        laid = _laid(within, step_log2s - finest, int(segment_bytes))
        if laid is None:
            return None
        if len(laid) <= LARGEST_NUMBER:
            starts = tuple(curve.low_code + (place << finest) for place, _ in laid)
            return Segments(starts, tuple(int(step_log2s[step]) for _, step in laid))
    return None


def _laid(within: NDArray[np.bool_], jumps_log2: Integers, segment_bytes: int) -> list[tuple[int, int]] | None:
    """Place and step of each segment of the cheapest way through."""
    count, steps = within.shape
    jumps = 1 << jumps_log2
    # What is left to pay from a place on, while a step goes on; beyond the end nothing.
    rest = np.zeros((count + int(jumps[-1]), steps))
    goes_on = np.zeros((count, steps), dtype=np.bool_)
    switched = np.zeros(count, dtype=np.int64)
    number = np.arange(steps)
    for place in range(count - 1, -1, -1):
        staying = np.where(within[place], ENTRY_BYTES + rest[place + jumps, number], np.inf)
        switched[place] = staying.argmin()
        switching = staying[switched[place]] + segment_bytes
        goes_on[place] = staying <= switching
        rest[place] = np.minimum(staying, switching)
    if not np.isfinite(rest[0, switched[0]]):
        return None
    place, step = 0, int(switched[0])
    laid = [(0, step)]
    while place < count:
        if not goes_on[place, step]:
            step = int(switched[place])
            laid.append((place, step))
        place += int(jumps[step])
    return laid


def free_knots(curve: CodedCurve, pieces: int) -> tuple[tuple[int, ...], float]:
    """Lay so many intervals, or fewer, of equal error; return the codes of their ends, and that error. [ppb]

    The least error at which going as far as possible, interval after interval, needs no more of them:
    found by bisection.  The last knot lies one code above the range.
    """
    few, many = float(np.ptp(curve.offset_ppb)) + unit_ppb(0), 0.0
    best = [0]
    for _ in range(HALVINGS):
        error_ppb = (few + many) / 2
        walked = _walked(curve, error_ppb)
        if len(walked) > pieces:
            many = error_ppb
        else:
            few, best = error_ppb, walked
    return (*(curve.low_code + place for place in best), curve.high_code + 1), few


def intervals_needed(curve: CodedCurve, error_ppb: float) -> int:
    """Number of intervals that go as far as an error allows."""
    return len(_walked(curve, error_ppb))


def _walked(curve: CodedCurve, error_ppb: float) -> list[int]:
    """Places at which intervals begin that go as far as an error allows."""
    end = len(curve.offset_ppb) - 1
    # Knots are two codes apart or more, the last of them a code beyond the end.
    grain = max(1, end // LARGEST_GRID + 1)
    least = 1 if grain > 1 else 2
    reached = _reached(curve, error_ppb, grain, least)
    places = [0]
    while reached[places[-1]] * grain < end:
        places.append(int(reached[places[-1]]))
    return [place * grain for place in places]


def _reached(curve: CodedCurve, error_ppb: float, grain: int, least: int) -> Integers:
    """The farthest place, in grains, to which an interval from each place keeps an error; ``least`` on at least."""
    end = len(curve.offset_ppb) - 1
    places = np.arange(end // grain + 1)
    good, bad = places + least, np.full_like(places, len(places) + least)
    while np.any(bad - good > 1):
        tried = (good + bad) // 2
        keeps = half_sags_ppb(curve, places * grain, tried * grain) <= error_ppb
        good, bad = np.where(keeps, tried, good), np.where(keeps, bad, np.maximum(tried, good + 1))
    return good
