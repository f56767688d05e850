"""What is minimised is least: entries, integers and sizes against plain programmes, exact values and brute force."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from tables import evenly, steps

from tcomp.errors import TableError
from tcomp.tables import CodedCurve, TableSpec, TemperatureScale, cheapest_table
from tcomp.tables.choice import explored
from tcomp.tables.coded_curve import coded_curve
from tcomp.tables.coefficients import _programmed
from tcomp.tables.design import Designs, Family, best_of, finished, rounded_ppb
from tcomp.tables.layout import CorrectionTable, KnotLayout, curved, interpolated
from tcomp.tables.layouts import every_family
from tcomp.tables.layouts.even import EvenFamily, ResidualFamily, even_layout
from tcomp.tables.layouts.patches import PatchFamily
from tcomp.tables.layouts.polynomial import (
    Polynomial,
    PolynomialFamily,
    _Horner,
    argument_scale,
    minimax_polynomial,
    polynomial_table,
)
from tcomp.tables.layouts.segments import SegmentFamily
from tcomp.tables.layouts.steps import StepFamily, step_layouts
from tcomp.tables.minimax import least_error_bound_ppb, minimax_entries, sampled_entries
from tcomp.tables.rounding import LARGEST_OFFSET_PPB, best_integers, nearest_integers, unit_ppb

quick = settings(derandomize=True, deadline=None, max_examples=25)
SCALE = TemperatureScale(10.0)


def curve_of(offset_ppb: Any, low_code: int = 5, **more: Any) -> CodedCurve:
    return CodedCurve(low_code, SCALE, np.asarray(offset_ppb, dtype=np.float64), **more)


def wavy(count: int, seed: int = 1, size_ppb: float = 50.0, **more: Any) -> CodedCurve:
    """A tilt, a bend and a wave, invented."""
    tilt, bend, wave = np.random.default_rng(seed).normal(size=3) * size_ppb
    way = np.linspace(-1.0, 1.0, count)
    return curve_of(tilt * way + bend * way**2 + wave * np.sin(5 * way), **more)


def read(curve: CodedCurve, shape: KnotLayout, entries: np.ndarray) -> np.ndarray:
    """What real entries give at every code."""
    index, weights = shape.weights(curve.codes)
    return np.asarray(sum(weights[:, k] * entries[index + k] for k in range(weights.shape[1])))


def plain_optimum_ppb(curve: CodedCurve, shape: KnotLayout) -> float:
    """Least worst error divided by its allowance: one linear programme with a row for every code (scipy's solver)."""
    index, weights = shape.weights(curve.codes)
    rows, codes = np.zeros((len(index), shape.count)), np.arange(len(index))
    for k in range(weights.shape[1]):
        rows[codes, index + k] += weights[:, k]
    allowance = np.broadcast_to(curve.allowance, len(index))[:, None]
    target = curve.offset_ppb - curve.offset_ppb.mean()
    done = linprog(
        [0] * shape.count + [1],
        A_ub=np.vstack([np.hstack([rows, -allowance]), np.hstack([-rows, -allowance])]),
        b_ub=np.concatenate([target, -target]),
        bounds=[(None, None)] * shape.count + [(0, None)],
    )
    return float(done.fun)


# ---- samples


@quick
@given(
    seed=st.integers(0, 99),
    count=st.integers(20, 90),
    step_log2=st.integers(1, 7),
    align=st.sampled_from(["range", "step"]),
)
def test_samples_are_the_curve_at_the_knots_and_meet_it_at_both_ends(
    seed: int, count: int, step_log2: int, align: Any
) -> None:
    curve = wavy(count, seed)
    shape = step_layouts(curve, step_log2, "linear", align)[0]
    sampled = sampled_entries(curve, shape)
    at = read(curve, shape, sampled.entries_ppb)
    # A knot beyond the range lies where its chord meets the curve at the range's end.
    assert at[[0, -1]] == pytest.approx(curve.offset_ppb[[0, -1]], abs=1e-9)
    inside = (shape.knot_codes > curve.low_code) & (shape.knot_codes < curve.high_code)
    if shape.count > 2:
        inside[[0, -1]] = False
        places = (shape.knot_codes[inside] - curve.low_code).astype(int)
        assert sampled.entries_ppb[inside] == pytest.approx(curve.offset_ppb[places], abs=1e-9)
    assert sampled.worst_ppb == pytest.approx(np.abs(at - curve.offset_ppb).max(), abs=1e-9)


def test_a_sample_beyond_the_range_stays_within_an_int32_of_ppt() -> None:
    # A chord of 1.9e6 ppb per code, of which 7 more lie beyond the range at either side.
    curve = curve_of([-1.9e6, 0.0, 1.9e6], low_code=7)
    entries_ppb = sampled_entries(curve, steps(2, "linear", 0, 4)).entries_ppb
    assert entries_ppb.tolist() == [1 - LARGEST_OFFSET_PPB, LARGEST_OFFSET_PPB - 1]


@pytest.mark.parametrize("codes_to_index_q16", [2**16 // 8, 5000, 1300])
def test_a_parabola_is_sampled_by_parabolas_without_an_error(codes_to_index_q16: int) -> None:
    codes = np.arange(101.0)
    curve = curve_of(3.0 - 2.0 * codes + 0.25 * codes**2, low_code=-40)
    shape = evenly((100 * codes_to_index_q16 >> 16) + 3, "quadratic", -40, codes_to_index_q16)
    sampled = sampled_entries(curve, shape)
    exact = 3.0 - 2.0 * (shape.knot_codes + 40) + 0.25 * (shape.knot_codes + 40) ** 2
    # The curve is known at whole codes; between two of them the chord lies 0.25 / 4 above, at the knots inside.
    assert np.abs(sampled.entries_ppb - exact)[1:-1].max() <= 0.0625 + 1e-9
    # Continued from three places, each off by as much: 3 + 1 times it.
    assert np.abs(sampled.entries_ppb - exact)[[0, -1]].max() <= 4 * 0.0625 + 1e-9


# ---- the optimum


@settings(quick, max_examples=16)
@given(
    seed=st.integers(0, 99),
    pieces=st.integers(1, 9),
    interpolation=st.sampled_from(["linear", "nearest", "quadratic"]),
    allowed=st.booleans(),
)
def test_the_optimum_is_that_of_a_plain_programme(seed: int, pieces: int, interpolation: Any, allowed: bool) -> None:
    allowance = 1.0 + 3.0 * (np.arange(80) > 55) if allowed else np.ones(1)
    curve = wavy(80, seed, allowance=allowance)
    shape = even_layout(curve, pieces, interpolation)
    least_ppb = plain_optimum_ppb(curve, shape)
    found = minimax_entries(curve, shape)
    # Codes may be left with an excess of 1e-4 ppb, and preferring the largest error costs 1e-4 of it. Knots beyond the
    # range are kept within twice the samples' error, which for parabolas may cost some of the optimum.
    slack = 0.02 if interpolation == "quadratic" else 1e-4
    assert least_ppb - 1e-6 <= found.worst_ppb <= least_ppb * (1 + slack) + 1e-4
    at = read(curve, shape, found.entries_ppb)
    assert found.worst_ppb == pytest.approx((np.abs(at - curve.offset_ppb) / allowance).max(), abs=1e-9)
    assert found.bound_ppb <= least_ppb
    assert found.bound_ppb >= found.worst_ppb - 1e-4 * found.worst_ppb - 5.1e-4
    assert least_error_bound_ppb(curve, shape) <= least_ppb + 1e-6
    if interpolation == "nearest" and not allowed:
        assert least_error_bound_ppb(curve, shape) == pytest.approx(least_ppb, abs=1e-6)


def test_the_bound_is_half_the_largest_sag_divided_by_the_largest_allowance() -> None:
    # Two lines over 16 codes each: the parabola k**2 / 16 sags by 16**2 / 4 / 16 = 4 ppb over 16 codes (arithmetic).
    codes = np.arange(33.0)
    curve = curve_of(codes**2 / 16, low_code=0)
    shape = steps(3, "linear", 0, 4)
    assert least_error_bound_ppb(curve, shape) == pytest.approx(2.0)
    allowed = curve_of(codes**2 / 16, low_code=0, allowance=np.where(codes > 30, 4.0, 1.0))
    assert least_error_bound_ppb(allowed, shape) == pytest.approx(0.5)
    # Cells of 16 codes: half of their span, the largest that of the last whole one, from 8 + 0 to 8 + 15.
    cells = steps(3, "nearest", 0, 4)
    assert least_error_bound_ppb(curve, cells) == pytest.approx((23.0**2 - 8.0**2) / 16 / 2)
    assert least_error_bound_ppb(allowed, cells) == pytest.approx((23.0**2 - 8.0**2) / 16 / 2 / 4)
    assert least_error_bound_ppb(curve, evenly(4, "quadratic", 0, 4000)) == 0.0


def test_what_no_entry_can_express_is_not_sought() -> None:
    curve = curve_of(np.linspace(0.0, 40.0, 33) + 1e-4 * np.sin(np.arange(33.0)), low_code=0)
    shape = steps(3, "linear", 0, 4)
    assert minimax_entries(curve, shape).entries_ppb.tolist() == sampled_entries(curve, shape).entries_ppb.tolist()


def test_entries_away_from_the_worst_interval_are_good_too() -> None:
    # Interval by interval: a bend of 64 ppb over the first, of 1 over the last: half a sag each, all told by hand.
    codes = np.arange(49.0)
    bends = np.where(
        codes < 16, (codes - 8) ** 2, np.where(codes >= 32, (codes - 40) ** 2 / 64, 64 - (codes - 16) * 63 / 16)
    )
    curve = curve_of(bends, low_code=0)
    shape = steps(4, "linear", 0, 4)
    errors = np.abs(read(curve, shape, minimax_entries(curve, shape).entries_ppb) - curve.offset_ppb)
    assert errors[:16].max() == pytest.approx(32.0, rel=1e-3)
    assert errors[33:].max() <= 1.0


# ---- integers


def judged(curve: CodedCurve, shape: KnotLayout, entries: tuple[int, ...]) -> tuple[float, float]:
    """Worst error by allowance, and sum of squares by share, of what integers read. [entry units of 1 ppt]"""
    at = np.array(entries)
    index, part = shape.locate(curve.codes)
    if shape.interpolation == "nearest":
        got = at[index]
    elif shape.interpolation == "linear":
        got = interpolated(at[index], at[index + 1], part)
    else:
        got = curved(at[index], at[index + 1], at[index + 2], part)
    misfit = got - curve.offset_ppb * 1000
    return float((np.abs(misfit) / curve.allowance).max()), float((misfit**2 * curve.share).sum())


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("interpolation", ["linear", "nearest"])
@pytest.mark.parametrize("enough", [0.0, 12.0])
@pytest.mark.parametrize("weighted", [False, True])
def test_of_all_integers_near_the_optimum_the_best_are_chosen(
    seed: int, interpolation: Any, enough: float, weighted: bool
) -> None:
    draw = np.random.default_rng(seed)
    more = {"allowance": draw.uniform(1, 3, 32), "share": draw.uniform(0, 2, 32)} if weighted else {}
    curve = wavy(32, seed, 0.02, **more)
    # Nearest: four cells of 8 codes; lines: two intervals of 16, and one that no code reads.
    shape = steps(4, "nearest", 9, 3) if interpolation == "nearest" else steps(4, "linear", 5, 4)
    optimum_ppb, sampled_ppb = draw.normal(size=(2, shape.count)) * 2e-3 + np.interp(
        shape.knot_codes, curve.codes, curve.offset_ppb
    )
    found = best_integers(
        curve, shape, optimum_ppb=optimum_ppb, sampled_ppb=sampled_ppb, unit_log2_ppt=0, entry_bits=16,
        enough_ppb=enough / 1000,
    )  # fmt: skip
    near = [
        sorted({*(int(np.rint(1000 * a)) + shift for shift in range(-2, 3)), int(np.rint(1000 * b))})
        for a, b in zip(optimum_ppb, sampled_ppb, strict=True)
    ]
    prices = [judged(curve, shape, tried) for tried in itertools.product(*near)]
    worst = max(min(price[0] for price in prices), enough)
    least = min(price[1] for price in prices if price[0] <= worst)
    mine = judged(curve, shape, found)
    assert mine[0] <= worst
    assert mine[1] == pytest.approx(least, rel=1e-12)
    assert all(entry in tried for entry, tried in zip(found, near, strict=True))


@settings(quick, max_examples=8)
@given(seed=st.integers(0, 99), weighted=st.booleans())
def test_no_single_entry_of_parabolas_can_be_bettered(seed: int, weighted: bool) -> None:
    draw = np.random.default_rng(seed)
    more = {"allowance": draw.uniform(1, 3, 40), "share": draw.uniform(0, 2, 40)} if weighted else {}
    curve = wavy(40, seed, 0.05, **more)
    shape = even_layout(curve, 4, "quadratic")
    optimum = minimax_entries(curve, shape).entries_ppb
    sampled = sampled_entries(curve, shape).entries_ppb
    found = best_integers(curve, shape, optimum_ppb=optimum, sampled_ppb=sampled, unit_log2_ppt=0, entry_bits=16)
    mine = judged(curve, shape, found)
    rounded = [nearest_integers(entries, 0, 16) for entries in (optimum, sampled)]
    assert mine <= min(judged(curve, shape, entries) for entries in rounded)
    for place in range(shape.count):
        near = {int(np.rint(1000 * optimum[place])) + shift for shift in range(-2, 3)} | {
            int(np.rint(1000 * sampled[place]))
        }
        for entry in near:
            tried = judged(curve, shape, (*found[:place], entry, *found[place + 1 :]))
            # Sums of squares in another order differ in their last bits.
            assert tried[0] > mine[0] - 1e-9
            assert tried[0] > mine[0] + 1e-9 or tried[1] > mine[1] * (1 - 1e-9)


def test_integers_are_held_within_their_width() -> None:
    assert nearest_integers(np.array([-40.0, 40.0, 0.0014, 0.0016]), 0, 16) == (-32768, 32767, 1, 2)
    assert nearest_integers(np.array([-1.0, 1.0]), 0, 8) == (-128, 127)
    assert nearest_integers(np.array([-40.0, 40.0]), 3, 16) == (-5000, 5000)


# ---- polynomials


@quick
@given(seed=st.integers(0, 99), degree=st.integers(1, 5), allowed=st.booleans())
def test_a_polynomials_least_error_is_that_of_a_plain_programme(seed: int, degree: int, allowed: bool) -> None:
    allowance = 1.0 + 3.0 * (np.arange(120) > 90) if allowed else np.ones(1)
    curve = wavy(120, seed, allowance=allowance)
    middle, shift = argument_scale(curve)
    coefficients_ppb, promised_ppb = minimax_polynomial(curve, middle, shift, degree)
    x = (curve.codes - middle) * 2.0 ** (shift - 15)
    rows = np.polynomial.chebyshev.chebvander(x, degree)
    weight = np.broadcast_to(allowance, 120)[:, None]
    plain = linprog(
        [0] * (degree + 1) + [1],
        A_ub=np.vstack([np.hstack([rows, -weight]), np.hstack([-rows, -weight])]),
        b_ub=np.concatenate([curve.offset_ppb, -curve.offset_ppb]),
        bounds=[(None, None)] * (degree + 1) + [(0, None)],
    )
    # 1e-6 of excess at a code, and half a ppt that no integer can express.
    assert promised_ppb <= plain.fun + 1e-6
    at = np.polynomial.polynomial.polyval(x, coefficients_ppb)
    assert (np.abs(at - curve.offset_ppb) / allowance).max() <= plain.fun * (1 + 2e-6) + 6e-4
    assert len(coefficients_ppb) == degree + 1


@pytest.mark.parametrize("seed", range(3))
def test_no_one_or_two_steps_of_coefficients_do_better(seed: int) -> None:
    curve = wavy(100, seed, 1000.0, allowance=np.where(np.arange(100) > 70, 2.0, 1.0))
    table = polynomial_table(curve, 3, 16)
    unit = unit_ppb(table.unit_log2_ppt)

    def worst_ppb(entries: tuple[int, ...]) -> float:
        value = Polynomial(*argument_scale(curve), entries).value(curve.codes)
        return float((np.abs(value * unit - curve.offset_ppb) / curve.allowance).max())

    mine = worst_ppb(table.entries)
    assert rounded_ppb(curve.weighted_max_error_ppb(table)) == rounded_ppb(mine)
    for places in [*itertools.combinations(range(4), 1), *itertools.combinations(range(4), 2)]:
        for signs in itertools.product((-1, 1), repeat=len(places)):
            tried = list(table.entries)
            for place, sign in zip(places, signs, strict=True):
                tried[place] += sign
            assert worst_ppb(tuple(tried)) >= mine


@pytest.mark.parametrize("seed", range(4))
def test_the_integer_programme_finds_coefficients_as_good_as_any_near_the_rounded_ones(seed: int) -> None:
    # Units so coarse that rounding each coefficient by itself costs much. Products are not rounded here.
    curve = wavy(80, seed, 50.0, allowance=np.where(np.arange(80) > 60, 2.0, 1.0))
    middle, shift = argument_scale(curve)
    real_ppb, worst_ppb = minimax_polynomial(curve, middle, shift, 2)
    unit = 4.0 * worst_ppb
    start = Polynomial(middle, shift, tuple(int(c) for c in np.rint(real_ppb / unit)))
    x = (curve.codes - middle) * 2.0 ** (shift - 15)

    def worst(coefficients: tuple[int, ...]) -> float:
        value = np.polynomial.polynomial.polyval(x, coefficients) * unit
        return float((np.abs(value - curve.offset_ppb) / curve.allowance).max())

    form = _Horner(curve, unit, middle, shift, 32)
    found = _programmed(form, start.coefficients, worst_ppb)
    # As far as it may go: 4, 8 and 16 units to either side.
    tried = itertools.product(*(range(c - r, c + r + 1) for c, r in zip(start.coefficients, (4, 8, 16), strict=True)))
    # It stops within 1 % of the best, and sees the curve at 72 places of 80.
    assert worst(found) <= 1.03 * min(worst(one) for one in tried)
    assert _programmed(form, start.coefficients, 10 * worst(start.coefficients)) == start.coefficients


def test_the_unit_of_a_polynomial_is_the_smallest_that_lets_its_sums_fit() -> None:
    # x**2 over -1 to 1 with 60 ppb at the ends: 60 000 units of 1 ppt do not fit an int16, 30 000 of 2 ppt do.
    codes = np.arange(-512.0, 512.0)
    curve = curve_of(60.0 * (codes / 512) ** 2 - 29.0, low_code=-512)
    assert polynomial_table(curve, 2, 16).unit_log2_ppt == 1
    assert polynomial_table(curve, 2, 32).unit_log2_ppt == 0
    # Exact but for the coefficients' rounding, half a unit each, and that of two products.
    assert polynomial_table(curve, 2, 32).max_error_ppb <= 0.0025


# ---- families


def small_curve() -> CodedCurve:
    return coded_curve(lambda t: 0.1 * (t - 26.0) ** 3 - 25.0 * (t - 26.0), 0.0, 50.0, TemperatureScale(2.0))


EVERY = every_family(Designs(small_curve()), None, "auto")
NAMED = ("interpolation", "degree", "value_bits")
FAMILIES = {
    f"{type(family).__name__} {family.entry_bits} {' '.join(str(getattr(family, name, '')) for name in NAMED)}": family
    for family in EVERY
    if not isinstance(family, ResidualFamily | PatchFamily) or family.degree == 2
}
each_family = pytest.mark.parametrize("family", FAMILIES.values(), ids=FAMILIES)


@each_family
@pytest.mark.parametrize("max_bytes", [1, 30, 77])
def test_the_finest_of_so_few_bytes_is_the_last_that_fits(family: Family, max_bytes: int) -> None:
    fitting = [size for size in family.sizes if family.bytes(size) <= max_bytes]
    found = family.finest(max_bytes)
    assert (found is None) == (not fitting or family.table(fitting[-1]) is None)
    if found is not None and not isinstance(family, SegmentFamily):
        assert found == family.table(fitting[-1])
        assert found.bytes <= max_bytes


@pytest.mark.parametrize(
    "family", [f for f in FAMILIES.values() if not isinstance(f, ResidualFamily | PatchFamily)], ids=lambda f: f.form
)
@pytest.mark.parametrize("max_error_ppb", [300.0, 40.0])
def test_the_smallest_that_meets_an_error_is_the_first_by_force(family: Family, max_error_ppb: float) -> None:
    found = family.smallest(max_error_ppb)
    for size in family.sizes:
        table = family.table(size)
        if table is not None and family.curve.weighted_max_error_ppb(table) <= max_error_ppb:
            assert found is not None
            assert found.bytes <= table.bytes
            # Of so few bytes it is found as well, of one fewer it is not.
            assert family.smallest(max_error_ppb, found.bytes) == found
            assert family.smallest(max_error_ppb, found.bytes - 1) is None
            return
    assert found is None


@each_family
def test_no_table_of_a_family_goes_below_its_floor_or_what_is_said_of_its_bytes(family: Family) -> None:
    for size in [*family.sizes[:4], *family.sizes[-2:]]:
        table = family.table(size)
        if table is None:
            continue
        assert family.curve.weighted_max_error_ppb(table) >= family.floor_ppb - 1e-6
        assert (table.form, table.entry_bits) == (family.form, family.entry_bits)
        assert table.bytes <= family.bytes(size)
        if isinstance(family, EvenFamily | PolynomialFamily | StepFamily):
            assert table.bytes == family.bytes(size)


def test_the_sizes_of_a_family_are_all_that_the_range_holds() -> None:
    designs = Designs(small_curve())  # 101 codes
    assert EvenFamily(designs, 16, "linear").sizes == range(1, 101)
    assert ResidualFamily(designs, 8, "linear", 2).sizes == range(1, 101)
    assert PolynomialFamily(designs, 16).sizes == range(1, 10)
    steps = StepFamily(designs, 16, "linear", "auto")
    counts = [steps.bytes(size) // 2 for size in steps.sizes]
    assert counts == sorted(counts)
    assert (counts[0], counts[-1]) == (2, 101)


def test_a_flat_curve_has_its_coarsest_segments_alone() -> None:
    family = SegmentFamily(Designs(curve_of(np.full(50, 7.0))), 16)
    assert family.sizes == range(1)
    found = family.smallest(0.1)
    assert found is not None
    assert (found.bytes, found.max_error_ppb) == (2 * 2 + 4, 0.0)


def test_levels_of_segments_halve_the_error_in_eight() -> None:
    curve = curve_of(np.linspace(0.0, 2048.0, 50))
    family = SegmentFamily(Designs(curve), 16)
    # From half of the span, 1024 ppb, to the finest unit, 0.001 ppb: 20 octaves of 8 levels; hoped for to a tenth.
    assert family.sizes == range(160)
    assert [family.error_lower_bound_ppb(size) for size in (0, 8, 80)] == pytest.approx([921.6, 460.8, 0.9])


# ---- the best of several, and the words for it


def test_the_best_is_of_least_error_then_of_fewest_entries_then_the_first() -> None:
    curve = curve_of(np.zeros(9), low_code=0)

    def table(entries: tuple[int, ...], first_code: int = 0) -> CorrectionTable:
        return finished(curve, steps(len(entries), "linear", first_code, 3), 16, 0, entries)

    worse, long, short, later = table((1, 1)), table((0, 0, 0)), table((0, 0)), table((0, 0, 0), -8)
    assert best_of([worse, long, short], curve) is short
    assert best_of([worse, long, later], curve) is long
    assert (worse.max_error_ppb, worse.rms_error_ppb) == (0.001, 0.001)


def test_an_error_is_told_with_nine_digits() -> None:
    assert rounded_ppb(1.23456789449) == 1.23456789
    assert rounded_ppb(1 / 3) == 0.333333333


def wanted(**changes: Any) -> TableSpec:
    return TableSpec(
        **{"form": "auto", "interpolation": None, "align": "auto", "max_error_ppb": 10.0, "max_bytes": None} | changes
    )


def test_a_table_in_a_few_words() -> None:
    designs = Designs(small_curve())
    on = ResidualFamily(designs, 8, "linear", 2).smallest(300.0)
    assert on is not None
    assert on.summary == f"even on a polynomial, {len(on.entries)} entries of 8 bits, linear"
    assert polynomial_table(small_curve(), 3, 16).summary == "polynomial, 4 entries of 16 bits"
    even = EvenFamily(designs, 16, "quadratic").table(9)
    assert even is not None
    assert even.summary == f"even, {len(even.entries)} entries of 16 bits, quadratic"


def test_the_choice_says_what_was_asked_and_what_comes_next() -> None:
    table, said = cheapest_table(small_curve(), wanted(), lambda rival: 40 if rival.form == "polynomial" else 90)
    assert said.startswith(
        f"polynomial, 4 entries of 16 bits: takes the least flash for 10 ppb, 8 bytes of table and about 40 of code, "
        f"{small_curve().weighted_max_error_ppb(table):.3g} ppb; next comes "
    )
    assert said.count(" and about 90 bytes, ") + said.count(" and about 40 bytes, ") == 1
    fitting, said = cheapest_table(small_curve(), wanted(form="steps", max_error_ppb=None, max_bytes=24), lambda _: 70)
    assert said.startswith(
        f"{fitting.summary}: is the least error in 24 bytes, {fitting.bytes} bytes of table and about 70 of code, "
    )
    # Of one form and one width there is no other to name.
    alone, said = cheapest_table(
        small_curve(), wanted(form="polynomial", max_error_ppb=3000.0, max_bytes=4), lambda _: 70
    )
    own, _, others = said.partition("; ")
    assert own.endswith(f"about 70 of code, {small_curve().weighted_max_error_ppb(alone):.3g} ppb")
    assert others.startswith('of all forms (form = "auto") the smallest is even, ')


def test_within_so_many_bytes_no_form_does_better() -> None:
    curve = small_curve()
    asked = wanted(form="even", interpolation="linear", max_error_ppb=None, max_bytes=24)
    table, _ = cheapest_table(curve, asked, lambda _: 0)
    rivals = [family.finest(24) for family in asked.families(Designs(curve))]
    assert table.bytes <= 24
    assert table.max_error_ppb == min(r.max_error_ppb for r in rivals if r is not None and r.bytes <= 24)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        (
            {"form": "polynomial", "interpolation": "nearest"},
            'a table of the form "polynomial" has no interpolation = "nearest"; leave one of the two out',
        ),
        (
            {"form": "steps", "max_error_ppb": 0.01, "max_bytes": 20, "interpolation": "nearest"},
            r"no table of at most 20 bytes meets max_error_ppb 0.01: \d+ bytes reach [\d.]+ ppb; 0.01 ppb needs \d+ bytes",
        ),
        (
            {"form": "polynomial", "max_error_ppb": 1e-7, "max_bytes": 20},
            r"no table meets max_error_ppb 1e-07: \d+ bytes reach [\d.e-]+ ppb; expected a larger one",
        ),
        ({"form": "steps", "max_error_ppb": 1e-7},
         "no table of the form asked for meets max_error_ppb 1e-07; expected a larger one"),
        ({"form": "steps", "max_bytes": 1},
         "max_bytes is 1; no table of two entries or coefficients fits in it"),
        ({"form": "steps", "max_error_ppb": None, "max_bytes": 1},
         "max_bytes is 1; no table of two entries or coefficients fits in it"),
    ],
)  # fmt: skip
def test_a_refusal_says_what_could_be_had(changes: dict[str, Any], sentence: str) -> None:
    with pytest.raises(TableError, match=f"^{sentence}$"):
        cheapest_table(small_curve(), wanted(**changes), lambda _: 0)


def test_steps_are_read_as_their_shape_lays_them() -> None:
    table = StepFamily(Designs(small_curve()), 16, "linear", "range").table(3)
    assert isinstance(table, CorrectionTable)
    assert table.layout.first_code == 0


def test_the_front_of_a_small_curve_by_force() -> None:
    curve = coded_curve(lambda t: 0.3 * (t - 5.0) ** 2 + 4.0 * np.sin(t), 0.0, 7.0, TemperatureScale(2.0))
    found = explored(curve, "range", 1.0)
    sizes = [table.bytes for table in found.tables]
    errors = [curve.weighted_max_error_ppb(table) for table in found.tables]
    assert list(zip(sizes, errors, strict=True)) == sorted(zip(sizes, errors, strict=True))
    assert len(set(found.tables)) == len(found.tables)
    # None is beaten: fewer bytes always mean a larger error along the front, and every other table is met by one of it.
    front = [(table.bytes, curve.weighted_max_error_ppb(table)) for table in found.front]
    assert all(b[0] > a[0] and b[1] < a[1] for a, b in itertools.pairwise(front)) or len(front) == 1
    for size, error in zip(sizes, errors, strict=True):
        assert any(b <= size and e <= error for b, e in front)
    kinds = {
        (t.form, t.entry_bits, t.layout.read_as, getattr(t.layout, "polynomial", None) is None) for t in found.tables
    }
    # Lines of every form with 16 bits, even ones with 32 as well, polynomials of both widths, entries on one.
    assert {("steps", 16, "linear", True), ("even", 16, "linear", True), ("even", 32, "linear", True)} <= kinds
    assert {("segments", 16, "linear", True), ("polynomial", 16, "", False)} <= kinds
    assert ("polynomial", 32, "", False) in kinds
    assert any(not alone and form == "even" and bits == 8 for form, bits, _, alone in kinds)
    # From 16 times the error that is asked about to a 16th of it: the coarsest is within the one, the finest within the other.
    lines = [curve.weighted_max_error_ppb(t) for t in found.tables if (t.form, t.entry_bits) == ("even", 32)]
    assert min(lines) <= 1 / 16
    assert max(lines) <= 16.0
    assert max(lines) > 1.0


def test_parabolas_whose_entries_differ_by_more_than_an_int16_take_the_next_unit() -> None:
    # A line from -32 to 32 ppb over three cells: entries of 1 ppt fit, but two steps are 43 ppb.
    curve = curve_of(np.linspace(-32.0, 32.0, 61), low_code=0)
    table = Designs(curve).table(even_layout(curve, 3, "quadratic"), 16)
    assert table.unit_log2_ppt == 1
    # Half a unit of 2 ppt for the slope's rounding (an eighth) and for the value; half a unit of each entry.
    assert table.max_error_ppb <= 0.00325
    assert Designs(curve).table(even_layout(curve, 9, "quadratic"), 16).unit_log2_ppt == 1  # a swing beyond the ends
    gentle = curve_of(np.linspace(-15.0, 15.0, 61), low_code=0)
    assert Designs(gentle).table(even_layout(gentle, 3, "quadratic"), 16).unit_log2_ppt == 0


def test_a_polynomial_that_fits_no_unit_is_refused() -> None:
    # Chebyshev's T5 has coefficients of 16, -20 and 5 times its ends: at 2e6 ppb none of 2**16 ppt fits.
    x = np.linspace(-1.0, 1.0, 201)
    curve = curve_of(2e6 * np.cos(5 * np.arccos(x)), low_code=-100)
    with pytest.raises(
        TableError, match=r"^no unit lets a polynomial of degree 5 fit 16 bits; expected a smaller degree$"
    ):
        polynomial_table(curve, 5, 16)
    assert PolynomialFamily(Designs(curve), 16).designed(5) is None
    assert PolynomialFamily(Designs(curve), 16).table(1) is not None


def test_segments_of_a_wide_range_have_no_bytes_where_their_grid_is_too_coarse() -> None:
    # Every other code is 1 ppb higher: no line over the four codes of the grid's step keeps less than half of that.
    curve = curve_of(wavy(3000).offset_ppb + np.arange(3000) % 2)
    family = SegmentFamily(Designs(curve), 16)
    bytes_ = [family.bytes(size) for size in (family.sizes[0], family.sizes[-1])]
    assert bytes_[0] == 2 * 2 + 4
    assert bytes_[1] == np.inf
    assert family.table(family.sizes[-1]) is None


def test_whole_numbers_of_a_curve_become_floats() -> None:
    curve = coded_curve(lambda t: np.rint(10 * t).astype(int), 0.0, 2.0, TemperatureScale(2.0))
    assert curve.offset_ppb.dtype == np.float64
