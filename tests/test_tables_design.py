"""The designed table against handbook bounds, brute force, and the sampled rival."""

from __future__ import annotations

import json
from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from tables import design_table, sampled_table

from tcomp.errors import TableError
from tcomp.tables.code_scale import TemperatureScale
from tcomp.tables.coded_curve import coded_curve
from tcomp.tables.design import finished
from tcomp.tables.layouts.steps import step_layouts
from tcomp.tables.minimax import least_error_bound_ppb, minimax_entries
from tcomp.tables.rounding import nearest_integers, smallest_unit_log2_ppt, unit_ppb

REFERENCE = json.loads((Path(__file__).parent / "data" / "table_interpolation.json").read_text())
Curve = Callable[[np.ndarray], np.ndarray]

# 51.2 codes per degC: 256 codes are 5 degC, so that a handbook's step is a power of two of codes.
OVER_CODES: dict[str, Any] = {
    "low_c": -40.0,
    "high_c": 85.0,
    "scale": TemperatureScale(51.2),
    "interpolation": "linear",
    "align": "range",
    "entry_bits": 32,
}
ROUNDING_PPB = 0.002
"""An entry and the lookup each round by half a ppt; the rest allows for codes that miss the worst
temperature by up to half a code: 40 ppb/degC**2 / 2 * (0.5 / 51.2 degC)**2 = 0.0019 ppb."""
TOLERANCE_PPB = 0.005


def result(error_ppb: float) -> float:
    """An error as a table states it, with nine digits: the last bits of a double depend on the machine's threads."""
    return float(f"{error_ppb:.9g}")


def at_cubic(temperature_c: np.ndarray) -> np.ndarray:
    table = REFERENCE["at_cubic_table"]
    return np.asarray(1e9 * table["c_per_k3"] * (temperature_c - table["inflection_c"]) ** 3)


def parabola(temperature_c: np.ndarray) -> np.ndarray:
    return np.asarray(-REFERENCE["parabola"]["k_ppb_per_k2"] * (temperature_c - 25.0) ** 2)


def test_the_parabola_sags_as_the_handbook_says_and_free_entries_halve_it() -> None:
    row = REFERENCE["parabola"]  # step 5 degC: 218.75 and 109.375 ppb
    sampled = sampled_table(parabola, step_log2=8, **OVER_CODES)
    designed = design_table(parabola, step_log2=8, **OVER_CODES)
    assert sampled.max_error_ppb == pytest.approx(row["interpolating_ppb"], abs=ROUNDING_PPB)
    assert designed.max_error_ppb == pytest.approx(row["free_ppb"], abs=ROUNDING_PPB)
    assert len(designed.entries) == 26


@pytest.mark.parametrize("row", REFERENCE["at_cubic_table"]["uniform_interpolating"][:4], ids=lambda r: r["step_k"])
def test_the_at_cubic_is_sampled_with_the_recomputed_error_and_designed_with_half(row: dict[str, float]) -> None:
    step_log2 = {20: 10, 10: 9, 5: 8, 2.5: 7}[row["step_k"]]
    sampled = sampled_table(at_cubic, step_log2=step_log2, **OVER_CODES)
    designed = design_table(at_cubic, step_log2=step_log2, **OVER_CODES)
    assert sampled.max_error_ppb == pytest.approx(row["max_error_ppb"], abs=TOLERANCE_PPB)
    assert sampled.max_error_ppb < row["bound_ppb"]
    assert len(sampled.entries) == row["entries"]
    # De Boor: with free values, half the sag of a convex stretch.
    assert designed.max_error_ppb == pytest.approx(row["max_error_ppb"] / 2, abs=TOLERANCE_PPB)


@pytest.mark.parametrize("row", REFERENCE["polynomials"], ids=lambda r: r["f"])
def test_powers_are_interpolated_within_the_remainder(row: dict[str, Any]) -> None:
    power = int(row["f"][-1])
    table = sampled_table(lambda t: t**power, step_log2=8, **OVER_CODES)
    # Curvature of x**3 at 85 is 510: 510 / 2 * (0.5 / 51.2)**2 = 0.024 for codes beside the worst place.
    assert table.max_error_ppb == pytest.approx(row["max_error"], abs=0.03)
    assert table.max_error_ppb <= row["bound"] + ROUNDING_PPB


def test_the_stated_errors_are_those_of_the_lookup_at_every_code() -> None:
    table = design_table(at_cubic, step_log2=6, **OVER_CODES | {"entry_bits": 16})
    misfit = table.offset_ppt(table.codes) / 1000 - at_cubic(table.codes / 51.2)
    assert table.max_error_ppb == result(np.abs(misfit).max())
    assert table.rms_error_ppb == result(np.sqrt(np.mean(misfit**2)))


polynomials = st.lists(st.floats(-300, 300), min_size=1, max_size=5).map(
    lambda c: lambda t: np.polynomial.polynomial.polyval(t / 20, c)
)


@settings(derandomize=True, deadline=None, max_examples=80)
@given(
    curve=polynomials,
    low_c=st.floats(-40, 10),
    width_c=st.floats(1, 60),
    counts=st.floats(2, 20),
    step_log2=st.integers(0, 11),
    bits=st.sampled_from([16, 32]),
    interpolation=st.sampled_from(["linear", "nearest"]),
    align=st.sampled_from(["auto", "range", "step"]),
)
def test_a_designed_table_is_never_worse_than_the_sampled_one(
    curve: Curve, low_c: float, width_c: float, counts: float, step_log2: int, bits: int, interpolation: Any, align: Any
) -> None:
    shape: dict[str, Any] = {
        "low_c": low_c,
        "high_c": low_c + width_c,
        "scale": TemperatureScale(counts),
        "interpolation": interpolation,
        "align": align,
        "step_log2": step_log2,
        "entry_bits": bits,
    }
    designed, sampled = design_table(curve, **shape), sampled_table(curve, **shape)
    assert designed.max_error_ppb <= sampled.max_error_ppb


def wavy(seed: int) -> Curve:
    """Steep, so that the unit is coarse, and bent by a few units: rounding matters (invented)."""
    slope, bend, wave = np.random.default_rng(seed).normal(size=3) * [30_000, 4, 60]
    return lambda t: np.asarray(1.3e6 + slope * t + bend * t**2 + wave * np.sin(t))


@pytest.mark.parametrize("interpolation", ["linear", "nearest"])
@pytest.mark.parametrize("seed", range(6))
def test_no_integers_at_all_do_better_than_the_designed_ones(seed: int, interpolation: Any) -> None:
    curve = coded_curve(wavy(seed), 0, 6 if interpolation == "linear" else 5.75, TemperatureScale(4))
    shape = step_layouts(curve, 3, interpolation, "range")[0]
    table = design_table(
        wavy(seed),
        low_c=0,
        high_c=curve.high_code / 4,
        scale=TemperatureScale(4),
        interpolation=interpolation,
        align="range",
        step_log2=3,
        entry_bits=16,
    )
    unit = unit_ppb(table.unit_log2_ppt)
    # Every knot is a code of the range: an entry further away than this errs by more at the knot itself.
    centre = np.rint(curve.offset_ppb[shape.knot_codes.astype(int)] / unit).astype(int)
    reach = int(table.max_error_ppb / unit) + 1
    if interpolation == "nearest":  # Each cell stands for itself.
        reach = min(reach, 12_000)
        cells = curve.offset_ppb.reshape(-1, 8)
        tried = centre[:, None] + np.arange(-reach, reach + 1)
        best = np.abs(tried[:, :, None] * unit - cells[:, None, :]).max(axis=2).min(axis=1).max()
    else:
        assert reach <= 4
        best = min(
            finished(
                curve, shape, 16, table.unit_log2_ppt, tuple(int(e) for e in centre + np.array(shift))
            ).max_error_ppb
            for shift in product(range(-reach, reach + 1), repeat=shape.count)
        )
    assert table.max_error_ppb == result(best)


def test_rounding_is_checked_not_hoped() -> None:
    better = 0
    for seed in range(10):
        curve = coded_curve(wavy(seed), 0, 12, TemperatureScale(8))
        shape = step_layouts(curve, 3, "linear", "range")[0]
        table = design_table(
            wavy(seed),
            low_c=0,
            high_c=12,
            scale=TemperatureScale(8),
            interpolation="linear",
            align="range",
            step_log2=3,
            entry_bits=16,
        )
        hoped_ppb = minimax_entries(curve, shape).entries_ppb
        unit = smallest_unit_log2_ppt(hoped_ppb, 16)
        hoped = finished(curve, shape, 16, unit, nearest_integers(hoped_ppb, unit, 16))
        assert table.max_error_ppb <= hoped.max_error_ppb
        better += table.max_error_ppb < hoped.max_error_ppb
    assert better >= 5


@settings(derandomize=True, deadline=None, max_examples=60)
@given(curve=polynomials, step_log2=st.integers(0, 9), interpolation=st.sampled_from(["linear", "nearest"]))
def test_the_lower_bound_is_one(curve: Curve, step_log2: int, interpolation: Any) -> None:
    coded = coded_curve(curve, -20, 40, TemperatureScale(7))
    for shape in step_layouts(coded, step_log2, interpolation, "auto"):
        bound, reached = least_error_bound_ppb(coded, shape), minimax_entries(coded, shape).worst_ppb
        # 1e-6 of a curve of up to some thousand ppb is what floats and the linear programme leave open.
        assert bound <= reached + 1e-3
        if interpolation == "nearest":
            assert bound == pytest.approx(reached)


@pytest.mark.parametrize("seed", range(4))
def test_the_least_error_is_that_of_one_plain_linear_programme_over_every_code(seed: int) -> None:
    # scipy's solver, with every code as a row and the largest error alone to minimise.
    curve = coded_curve(wavy(seed), 0, 12, TemperatureScale(10))
    for shape in step_layouts(curve, 4, "linear", "range"):
        index, part = shape.locate(curve.codes)
        rows, codes = np.zeros((len(index), shape.count)), np.arange(len(index))
        rows[codes, index] = 1 - part / 65536
        rows[codes, index + 1] += part / 65536
        # About the mean, as the solver's tolerance of 1e-7 is an absolute one.
        target = curve.offset_ppb - curve.offset_ppb.mean()
        ones = np.ones((len(index), 1))
        plain = linprog(
            [0] * shape.count + [1],
            A_ub=np.vstack([np.hstack([rows, -ones]), np.hstack([-rows, -ones])]),
            b_ub=np.concatenate([target, -target]),
            bounds=[(None, None)] * shape.count + [(0, None)],
        )
        # Codes may be left with an excess of 1e-4 ppb, and preferring the largest error costs 1e-4 of it.
        assert minimax_entries(curve, shape).worst_ppb == pytest.approx(plain.fun, rel=1e-4, abs=1e-4)


def test_alignments_put_the_first_knot_where_they_say() -> None:
    shape = OVER_CODES | {"low_c": -39.0, "scale": TemperatureScale(50.0), "entry_bits": 16}
    ranged = design_table(at_cubic, step_log2=8, **shape)
    stepped = design_table(at_cubic, step_log2=8, **shape | {"align": "step"})
    best = design_table(at_cubic, step_log2=8, **shape | {"align": "auto"})
    assert ranged.layout.first_code == ranged.low_code == -1950
    assert (stepped.layout.first_code, stepped.layout.first_code % 256) == (-2048, 0)
    assert best.max_error_ppb <= min(ranged.max_error_ppb, stepped.max_error_ppb)


def test_a_nearest_table_begins_its_first_cell_with_the_range_or_at_a_step() -> None:
    shape = OVER_CODES | {"interpolation": "nearest", "entry_bits": 16}
    ranged = design_table(at_cubic, step_log2=8, **shape)
    assert (ranged.low_code, ranged.layout.first_code) == (-2048, -1920)
    assert design_table(at_cubic, step_log2=8, **shape | {"align": "step"}).layout.first_code == -2048


def test_one_interval_or_one_cell_may_span_the_whole_range() -> None:
    line = design_table(at_cubic, step_log2=15, **OVER_CODES | {"align": "step"})
    assert len(line.entries) == 3  # The range lies to both sides of code 0.
    flat = design_table(at_cubic, step_log2=15, **OVER_CODES | {"interpolation": "nearest"})
    assert len(flat.entries) == 1
    ends = at_cubic(np.array([-40.0, 85.0]))
    assert flat.max_error_ppb == pytest.approx((ends.max() - ends.min()) / 2, abs=ROUNDING_PPB)


@pytest.mark.parametrize("align", ["range", "step"])
@pytest.mark.parametrize("interpolation", ["linear", "nearest"])
def test_the_whole_int16_can_be_the_range(align: Any, interpolation: Any) -> None:
    table = design_table(
        lambda t: 0.01 * t**2,
        low_c=-128,
        high_c=32767 / 256,
        scale=TemperatureScale(256),
        interpolation=interpolation,
        align=align,
        step_log2=12,
        entry_bits=16,
    )
    assert (table.low_code, table.high_code) == (-32768, 32767)


def test_a_knot_beyond_the_range_does_not_wander() -> None:
    table = design_table(parabola, step_log2=8, **OVER_CODES | {"high_c": 80.1, "scale": TemperatureScale(51.2)})
    sampled = sampled_table(parabola, step_log2=8, **OVER_CODES | {"high_c": 80.1})
    assert abs(table.entries[-1] - sampled.entries[-1]) / 1000 <= 2 * 218.75


def test_the_same_curve_gives_the_same_table() -> None:
    assert design_table(at_cubic, step_log2=5, **OVER_CODES) == design_table(at_cubic, step_log2=5, **OVER_CODES)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"align": "left"}, 'align is "left"; expected "auto", "range" or "step"'),
        ({"interpolation": "cubic"}, 'interpolation is "cubic"'),
        ({"entry_bits": 24}, "entry_bits is 24; expected 16 or 32"),
        ({"step_log2": 16}, "step_log2 is 16; expected 0 to 15"),
        ({"scale": TemperatureScale(1000.0)}, "beyond an int16"),
    ],
)
def test_a_table_that_cannot_be_is_refused(change: dict[str, Any], sentence: str) -> None:
    with pytest.raises(TableError, match=sentence):
        design_table(at_cubic, **{"step_log2": 8} | OVER_CODES | change)
