"""Where knots lie, by force: every placing, segment and weight against the plainest way to find it."""

from __future__ import annotations

from fractions import Fraction
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tables import evenly, steps

from tcomp.errors import TableError
from tcomp.tables import CodedCurve, Polynomial, TemperatureScale
from tcomp.tables.coded_curve import per_code
from tcomp.tables.layout import CorrectionTable
from tcomp.tables.layouts.even import even_layout
from tcomp.tables.layouts.polynomial import argument_scale
from tcomp.tables.layouts.segments import (
    ENTRY_BYTES,
    SEGMENT_BYTES,
    SegmentLayout,
    half_sags_ppb,
    segments_within,
)
from tcomp.tables.layouts.steps import step_layouts

quick = settings(derandomize=True, deadline=None, max_examples=40)
SCALE = TemperatureScale(10.0)


def curve_of(offset_ppb: Any, low_code: int = -7, **more: Any) -> CodedCurve:
    return CodedCurve(low_code, SCALE, np.asarray(offset_ppb, dtype=np.float64), **more)


def bent(count: int, seed: int = 1, low_code: int = -7) -> CodedCurve:
    """A few slow waves and a tilt, invented."""
    waves = np.random.default_rng(seed).normal(size=4) * [30.0, 80.0, 20.0, 5.0]
    way = np.linspace(-1.0, 1.0, count)
    return curve_of(waves[0] * way + waves[1] * way**2 + waves[2] * way**3 + waves[3] * np.sin(9 * way), low_code)


# ---- steps


@quick
@given(
    low=st.integers(-300, 300),
    span=st.integers(1, 400),
    step_log2=st.integers(0, 9),
    interpolation=st.sampled_from(["linear", "nearest"]),
)
def test_placings_reach_just_over_the_range(low: int, span: int, step_log2: int, interpolation: Any) -> None:
    curve, step = curve_of(np.zeros(span + 1), low), 2**step_log2
    placed = {align: step_layouts(curve, step_log2, interpolation, align) for align in ("step", "range", "auto")}
    assert [len(placed[align]) for align in ("step", "range")] == [1, 1]
    for shape in (one for every in placed.values() for one in every):
        # Where the first entry begins to be read, and where the last one ends: a cell, or the interval to the next knot.
        half = Fraction(step, 2) if interpolation == "nearest" and step > 1 else Fraction(0)
        begins = shape.first_code - half
        if interpolation == "nearest":
            assert begins <= curve.low_code < begins + step
            last_begins = begins + step * (shape.count - 1)
            assert last_begins <= curve.high_code < last_begins + step
        else:
            assert begins <= curve.low_code < begins + step
            assert begins + step * (shape.count - 2) < curve.high_code <= begins + step * (shape.count - 1)
        assert shape.knot_codes.tolist() == [shape.first_code + step * k for k in range(shape.count)]
    assert placed["step"][0].first_code % step == 0
    begin = placed["range"][0].first_code - (step // 2 if interpolation == "nearest" else 0)
    assert begin == curve.low_code
    # "auto" holds both, and the one that ends with the range; none twice.
    ends = curve.high_code + (step // 2 + 1 - step if interpolation == "nearest" else 0)
    last = [shape.first_code + step * (shape.count - 1) for shape in placed["auto"]]
    assert ends in last
    assert {placed["step"][0], placed["range"][0]} <= set(placed["auto"])
    assert len(set(placed["auto"])) == len(placed["auto"]) <= 3


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"align": "left"}, '^align is "left"; expected "auto", "range" or "step"$'),
        ({"interpolation": "quadratic"}, '^interpolation is "quadratic"; expected "linear" or "nearest"$'),
        ({"step_log2": -1}, "^step_log2 is -1; expected 0 to 15$"),
        ({"step_log2": 16}, "^step_log2 is 16; expected 0 to 15$"),
    ],
)
def test_a_placing_that_is_none_is_refused(change: dict[str, Any], sentence: str) -> None:
    with pytest.raises(TableError, match=sentence):
        step_layouts(curve_of(np.zeros(9)), **{"step_log2": 2, "interpolation": "linear", "align": "auto"} | change)


# ---- even knots


@quick
@given(
    span=st.integers(1, 3000),
    pieces=st.integers(1, 3200),
    interpolation=st.sampled_from(["linear", "nearest", "quadratic"]),
)
def test_even_knots_have_the_largest_pace_that_stays_inside(span: int, pieces: int, interpolation: Any) -> None:
    curve = curve_of(np.zeros(span + 1), 40)
    shape = even_layout(curve, pieces, interpolation, Polynomial(40, 0, (1, 2, 3)))
    # No more than a code each.
    pieces = min(pieces, span)
    largest = max(
        codes_to_index_q16
        for codes_to_index_q16 in range(2 + pieces * 2**16 // span)
        if codes_to_index_q16 * span < pieces * 2**16
    )
    assert (shape.codes_to_index_q16, shape.first_code, shape.interpolation) == (largest, 40, interpolation)
    needed = largest * span // 2**16 + 1
    assert shape.count == needed + {"nearest": 0, "linear": 1, "quadratic": 2}[interpolation]
    index, part = shape.locate(curve.codes)
    assert (index.min(), index.max()) == (0, needed - 1)
    assert ((index * 2**16 + part) == largest * np.arange(span + 1)).all()
    # The entry of a cell stands at its middle, that of a line where it begins, the first of a parabola a cell before.
    steps = np.diff(shape.knot_codes)
    assert steps == pytest.approx(np.full(len(steps), 2**16 / largest), rel=1e-9)
    before = {"linear": 0.0, "nearest": 0.5, "quadratic": -0.5}[interpolation]
    assert shape.knot_codes[0] == pytest.approx(40 + before * 2**16 / largest)
    assert (shape.bytes(16), shape.bytes(8)) == (2 * shape.count + 6, shape.count + 6)


def test_a_pace_is_that_of_a_code_each_at_most_and_1_at_least() -> None:
    curve = curve_of(np.zeros(11))
    shapes_ = [even_layout(curve, pieces, "nearest") for pieces in (9, 10, 11)]
    assert [(shape.codes_to_index_q16, shape.count) for shape in shapes_] == [(58982, 9), (65535, 10), (65535, 10)]
    # Over 65 536 codes one interval has a codes_to_index_q16 of 1: (65536 - 1) // 65535.
    whole = even_layout(curve_of(np.zeros(65536), -32768), 1, "linear")
    assert (whole.codes_to_index_q16, whole.count) == (1, 2)


# ---- how entries count


def lagrange(at: Fraction, points: list[int]) -> list[Fraction]:
    """Weights of the values at some points of the polynomial through them (Lagrange)."""
    weights = []
    for point in points:
        weight = Fraction(1)
        for other in points:
            if other != point:
                weight *= (at - other) / (point - other)
        weights.append(weight)
    return weights


SHAPES = {
    "steps": steps(4, "linear", -20, 4),
    "nearest": steps(4, "nearest", -20, 4),
    "even": evenly(4, "linear", -20, 3000),
    "even, nearest": evenly(4, "nearest", -20, 3000),
    "quadratic": evenly(5, "quadratic", -20, 3000),
    "segments": SegmentLayout(count=5, starts=(-20, 12), step_log2s=(4, 5)),
}


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
def test_weights_are_those_of_the_line_or_parabola_through_the_entries(shape: Any) -> None:
    codes = np.arange(-20, 25)
    index, weights = shape.weights(codes)
    placed, part = shape.locate(codes)
    assert index.tolist() == placed.tolist()
    way = [Fraction(int(p), 65536) for p in part]
    if shape.interpolation == "quadratic":
        exact = [lagrange(w - Fraction(1, 2), [-1, 0, 1]) for w in way]
    else:
        exact = [[Fraction(1)]] * 45 if shape.interpolation == "nearest" else [lagrange(w, [0, 1]) for w in way]
    assert weights.shape == (45, len(exact[0]))
    assert np.abs(weights - np.array(exact, dtype=np.float64)).max() < 1e-15


@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
def test_a_shape_places_codes_as_its_table_reads_them(shape: Any) -> None:
    entries = tuple(100 * k * k - 70 for k in range(shape.count))
    table = CorrectionTable(
        layout=shape, scale=SCALE, low_code=-20, high_code=24, entry_bits=16, unit_log2_ppt=0, entries=entries, max_error_ppb=0.0,
        rms_error_ppb=0.0,
    )  # fmt: skip
    assert table.form in ("steps", "even", "segments")
    assert table.knot_codes.tolist() == shape.knot_codes.tolist()
    assert (table.bytes, table.index_bytes) == (shape.bytes(16), shape.index_bytes)
    index, weights = shape.weights(table.codes)
    read = sum(weights[:, k] * np.array(entries)[index + k] for k in range(weights.shape[1]))
    # The integer lookup rounds once, and twice for a parabola: its slope, of which half a step counts half.
    assert np.abs(table.lookup(table.codes) - read).max() <= (0.5 + 0.125 if weights.shape[1] == 3 else 0.5)


# ---- the sag of an interval


@quick
@given(seed=st.integers(0, 99), first=st.integers(0, 30), length=st.integers(0, 60))
def test_half_a_sag_is_the_error_of_the_best_line_beside_the_chord(seed: int, first: int, length: int) -> None:
    # At 17 codes at most every one is looked at; what lies beyond the curve's end is not.
    curve = bent(45, seed)
    length = min(length, 16)
    last = min(first + length, 44)
    codes = np.arange(first, last + 1)
    chord = np.interp(codes, [first, max(last, first)], curve.offset_ppb[[first, last]])
    sag = curve.offset_ppb[first : last + 1] - chord
    (half,) = half_sags_ppb(curve, np.array([first]), np.array([first + length]))
    assert half == pytest.approx((sag.max() - sag.min()) / 2, abs=1e-9)


def test_a_sag_counts_by_its_allowance_and_is_seen_over_long_intervals() -> None:
    line = np.arange(1001.0)
    parabola = -((line - 500.0) ** 2) / 1000.0  # sags by 250 at the middle, by 0 at both ends
    plain = half_sags_ppb(curve_of(parabola), np.array([0]), np.array([1000]))
    allowed = half_sags_ppb(curve_of(parabola, allowance=np.full(1001, 5.0)), np.array([0]), np.array([1000]))
    assert (plain[0], allowed[0]) == (pytest.approx(125.0), pytest.approx(25.0))
    assert half_sags_ppb(curve_of(parabola + 3 * line), np.array([0]), np.array([1000]))[0] == pytest.approx(125.0)


# ---- segments


def cheapest_segments(curve: CodedCurve, error_ppb: float) -> float | None:
    """Bytes of the cheapest segments, by trying every way from code to code."""
    count = len(curve.offset_ppb)
    largest = (count - 1).bit_length()
    fits = {
        (place, s): half_sags_ppb(curve, np.array([place]), np.array([place + 2**s]))[0] <= error_ppb
        for place in range(count)
        for s in range(largest + 1)
    }
    costs: dict[tuple[int, int], float] = {}
    for place in range(count - 1, -1, -1):
        for s in range(largest + 1):
            rest = min(
                (costs[place + 2**s, t] + (SEGMENT_BYTES if t != s else 0) for t in range(largest + 1))
                if place + 2**s < count
                else [0.0]
            )
            costs[place, s] = ENTRY_BYTES + rest if fits[place, s] else np.inf
    least = min(costs[0, s] for s in range(largest + 1))
    return None if least == np.inf else least


@quick
@given(seed=st.integers(0, 99), count=st.integers(3, 40), error_ppb=st.sampled_from([0.05, 0.5, 2.0, 8.0]))
def test_segments_are_the_cheapest_of_all(seed: int, count: int, error_ppb: float) -> None:
    curve = bent(count, seed)
    segments, least = segments_within(curve, error_ppb), cheapest_segments(curve, error_ppb)
    assert segments is not None
    assert least is not None
    index, _ = segments.locate(curve.codes)
    intervals = int(index[-1]) + 1
    if len(segments.starts) <= 7 and least is not None:
        assert ENTRY_BYTES * intervals + SEGMENT_BYTES * (len(segments.starts) - 1) == least
    assert segments.starts[0] == curve.low_code
    assert segments.starts[-1] <= curve.high_code
    assert segments.count == intervals + 1
    knots = segments.knot_codes.astype(np.int64) - curve.low_code
    assert (half_sags_ppb(curve, knots[:-1], knots[1:]) <= error_ppb).all()


def test_segments_of_a_wide_range_lie_on_a_grid() -> None:
    curve = bent(3000)
    segments = segments_within(curve, 2.0)
    assert segments is not None
    # 3000 codes in at most 1024 places or so: every fourth one.
    assert all((start - curve.low_code) % 4 == 0 for start in segments.starts)
    assert min(segments.step_log2s) >= 2
    assert segments_within(bent(3000), 1e-9) is None


# ---- the argument of a polynomial


@pytest.mark.parametrize(
    "low_high", [(0, 1), (-500, 500), (-512, 511), (-512, 512), (0, 65535), (-32768, 32767), (3, 9)]
)
def test_the_argument_fills_an_int16_as_far_as_a_shift_can(low_high: tuple[int, int]) -> None:
    low, high = low_high
    middle, shift = argument_scale(curve_of(np.zeros(high - low + 1), low))
    fits = [s for s in range(16) if (low - middle) << s >= -(2**15) and (high - middle) << s < 2**15]
    assert middle in ((low + high) // 2, -(-(low + high) // 2))
    assert shift == max(fits)


def test_one_value_stands_for_all_codes() -> None:
    curve = bent(5)
    assert per_code([2.0], curve).tolist() == [2.0] * 5
    assert per_code(np.arange(5.0), curve).tolist() == [0.0, 1.0, 2.0, 3.0, 4.0]


# ---- what segments may be


@pytest.mark.parametrize(
    ("starts", "step_log2s", "sentence"),
    [
        ((0,) * 0, (), "the number of segments is 0; expected an integer from 1 to 8"),
        (tuple(range(9)), (0,) * 9, "the number of segments is 9; expected an integer from 1 to 8"),
        ((0, 8), (3,), "the number of steps is 1; expected an integer from 2 to 2"),
        ((-65537,), (3,), "the start of a segment is -65537; expected an integer from -65536 to 65536"),
        ((65537,), (3,), "the start of a segment is 65537; expected an integer from -65536 to 65536"),
        ((0,), (16,), "step_log2 is 16; expected an integer from 0 to 15"),
        ((0,), (-1,), "step_log2 is -1; expected an integer from 0 to 15"),
        ((8, 8), (3, 3), "the segments do not ascend by whole steps; expected each to begin at a knot of the former"),
        ((8, 0), (3, 3), "the segments do not ascend by whole steps; expected each to begin at a knot of the former"),
        ((0, 4), (3, 3), "the segments do not ascend by whole steps; expected each to begin at a knot of the former"),
    ],
)
def test_segments_that_cannot_be_are_refused(starts: Any, step_log2s: Any, sentence: str) -> None:
    with pytest.raises(TableError, match=f"^{sentence}$"):
        SegmentLayout(count=2, starts=starts, step_log2s=step_log2s)


def test_segments_may_go_to_the_ends() -> None:
    assert SegmentLayout(count=5, starts=(-65536, 65536), step_log2s=(15, 0)).first_knots == (0, 4)
    assert len(SegmentLayout(count=8, starts=tuple(range(8)), step_log2s=(0,) * 8).starts) == 8


def test_every_way_of_shapes_is_covered() -> None:
    assert {(type(s).__name__, s.interpolation) for s in SHAPES.values()} == {
        *product(["StepLayout", "EvenLayout"], ["linear", "nearest"]), ("EvenLayout", "quadratic"),
        ("SegmentLayout", "linear"),
    }  # fmt: skip
