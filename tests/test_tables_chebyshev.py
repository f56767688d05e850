"""Chebyshev's factors and patches: the integer lookup against exact rationals, and the bytes that each curve takes."""

from __future__ import annotations

import json
from fractions import Fraction
from math import floor
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import chebyshev
from tables import chebyshev_table_of, patch_table

from tcomp.errors import TableError
from tcomp.tables import CodedCurve, CorrectionTable, TemperatureScale, coded_curve, table_of_json, table_text
from tcomp.tables.design import Designs
from tcomp.tables.layouts.chebyshev import ChebyshevFamily, ChebyshevLayout, chebyshev_table
from tcomp.tables.layouts.patches import PatchFamily, PatchLayout
from tcomp.tables.layouts.polynomial import PolynomialFamily

COMMON: dict[str, Any] = {
    "scale": TemperatureScale(100.0), "low_code": -500, "high_code": 499, "unit_log2_ppt": 3, "max_error_ppb": 2.5,
    "rms_error_ppb": 1.0,
}  # fmt: skip
SMOOTH: dict[str, Any] = {"middle_code": 0, "codes_to_x": 65, "fine_bits": 0, "base": -77}
PATCHES = patch_table(
    **COMMON, **SMOOTH, factors=(1000, -2000, 700), starts=(-100, 200), counts=(5, 3), codes_to_index_q16s=(1311, 900),
    entry_shift=3, entry_bits=8, entries=(-1, 127, -128, 127, 9, 10, -11, 12),
)  # fmt: skip
CHEBYSHEV = chebyshev_table_of(**COMMON, **SMOOTH, entry_bits=16, entries=(1000, -2000, 700))


def nearest(value: Fraction) -> int:
    """The nearest integer, ties upwards."""
    return floor(value + Fraction(1, 2))


def summed(layout: ChebyshevLayout, factors: tuple[int, ...], code: int) -> int:
    """The recurrence of Chebyshev's polynomials, T(k+1) = 2 x T(k) - T(k-1), in exact rationals but for each rounding."""
    one = Fraction(1, 2**15)
    x = (code - layout.middle_code) * layout.codes_to_x * one
    before = Fraction(1) if len(factors) < 3 else Fraction(511, 512)
    now = nearest(x * before / one) * one
    total = Fraction(0)
    for factor in factors:
        total += factor * now
        before, now = now, (nearest(2 * x * now / one) * one) - before
    return layout.base + nearest(total * 2**layout.fine_bits)


@settings(derandomize=True, deadline=None, max_examples=150)
@given(
    factors=st.lists(st.integers(-3000, 3000), min_size=1, max_size=9).map(tuple),
    fine_bits=st.integers(0, 15),
    middle_code=st.integers(-40, 40),
    code=st.integers(-500, 499),
)
def test_factors_equal_exact_rationals(factors: tuple[int, ...], fine_bits: int, middle_code: int, code: int) -> None:
    layout = ChebyshevLayout(count=len(factors), middle_code=middle_code, codes_to_x=60, fine_bits=fine_bits, base=-77)
    assert layout.read(np.array(factors), np.array([code])).tolist() == [summed(layout, factors, code)]


@settings(derandomize=True, deadline=None, max_examples=60)
@given(factors=st.lists(st.floats(-1000, 1000), min_size=1, max_size=9))
def test_the_sum_is_that_of_a_general_library(factors: list[float]) -> None:
    # NumPy's chebval in doubles. Each of up to 9 polynomials is wrong by some units of 2**-15 (the recurrence adds up to
    # k * half a unit each time, 45 in all), its factor by half a unit, and T0 = 511/512 stands in all.
    entries = tuple(round(16 * factor) for factor in factors)
    layout = ChebyshevLayout(count=len(entries), middle_code=0, codes_to_x=65, fine_bits=0, base=0)
    codes = np.arange(-500, 500)
    share = 1.0 if len(entries) < 3 else 511 / 512
    exact = share * chebyshev.chebval(codes * 65 / 2**15, [0.0, *entries])
    allowed = 0.5 + sum(abs(entry) for entry in entries) * 45 / 2**15
    assert np.abs(layout.read(np.array(entries), codes) - exact).max() <= allowed


def test_a_patch_is_straight_lines_on_the_sum_and_nothing_elsewhere() -> None:
    layout = PATCHES.layout
    assert isinstance(layout, PatchLayout)
    for start, count, factor, first in zip(
        layout.starts, layout.counts, layout.codes_to_index_q16s, layout.first_entries, strict=True
    ):
        end = start + ((count - 1) * 65536 - 1) // factor
        for code in range(start - 1, end + 2):
            expected = summed(layout.smooth, layout.factors, code)
            if start <= code <= end:
                place, way = divmod(Fraction((code - start) * factor, 65536), 1)
                before, after = PATCHES.entries[first + int(place)], PATCHES.entries[first + int(place) + 1]
                expected += nearest(8 * (before + (after - before) * way))
            assert PATCHES.lookup(code) == expected, code
    assert layout.ends == (99, 200 + (2 * 65536 - 1) // 900)


@pytest.mark.parametrize("table", [CHEBYSHEV, PATCHES], ids=["Chebyshev", "patches"])
def test_it_reads_back_equal_and_rises_everywhere_alike(table: CorrectionTable) -> None:
    assert table_of_json(json.loads(table_text(table))) == table
    assert (table.shifted(13).lookup(table.codes) - table.lookup(table.codes) == 13).all()


@pytest.mark.parametrize(
    ("table", "change", "sentence"),
    [
        (CHEBYSHEV, {"codes_to_x": 70}, "beyond an int16 about the middle code 0"),
        (
            CHEBYSHEV,
            {"entries": [30000, 30000, 30000]},
            "the sum of the products leaves 32 bits|the value leaves 16 bits",
        ),
        (CHEBYSHEV, {"fine_bits": 16}, "fine_bits is 16; expected an integer from 0 to 15"),
        (CHEBYSHEV, {"fine_bits": 3}, "unit_log2_ppt of a value of 32 bits is 3; expected an integer from 0 to 0"),
        (CHEBYSHEV, {"base": 40000}, "base is 40000; expected an integer from -32768 to 32767"),
        (PATCHES, {"counts": [5, 4]}, "the patches read 9 entries and 8 were given"),
        (PATCHES, {"starts": [-100, 50]}, "expected each above the one before"),
        (PATCHES, {"starts": []}, "the number of patches is 0"),
        (PATCHES, {"starts": [-600, 200]}, "the start of the first patch is -600"),
        (PATCHES, {"entry_bits": 16}, "entry_bits is 16; expected 8"),
        (PATCHES, {"factors": [1, 2.5]}, "expected a list of integers"),
        (PATCHES, {"entry_shift": 16}, "entry_shift is 16"),
    ],
)
def test_a_table_that_cannot_be_is_refused(table: CorrectionTable, change: dict[str, Any], sentence: str) -> None:
    with pytest.raises(TableError, match=sentence):
        table_of_json(json.loads(table_text(table)) | change)


def over_the_range(offset_ppb_of: Any) -> CodedCurve:
    """-40 to 85 degC, 100 counts per degC."""
    return coded_curve(offset_ppb_of, -40.0, 85.0, TemperatureScale(100.0))


def at_cut(temperature_c: Any) -> Any:
    """A cubic of an AT cut's handbook size (invented tilt)."""
    return 0.1 * (temperature_c - 26.0) ** 3 - 12.0 * (temperature_c - 26.0)


def dip(temperature_c: Any, at_c: float, size_ppb: float, sigma_c: float = 1.0) -> Any:
    return -size_ppb * np.exp(-(((temperature_c - at_c) / sigma_c) ** 2) / 2)


STIFF = [0, 80, -60, 120, -80, 100, -60, 120, -80, 160]
"""Factors of an invented curve of order 9, as of a compensated part's rest. [ppb]"""


@pytest.mark.parametrize(("error_ppb", "most_bytes"), [(20.0, 16), (5.0, 24), (2.0, 40)])
def test_a_dip_on_a_cubic_takes_few_bytes(error_ppb: float, most_bytes: int) -> None:
    # Bytes as they were asked for: 8 of the smooth part and one for each place where the dip bends.
    table = PatchFamily(Designs(over_the_range(lambda t: at_cut(t) + dip(t, 53.0, 200.0))), 8, 3, 16).smallest(
        error_ppb
    )
    assert table is not None
    assert table.bytes <= most_bytes
    assert table.max_error_ppb <= error_ppb


def test_several_dips_have_a_patch_each() -> None:
    curve = over_the_range(
        lambda t: at_cut(t) + dip(t, 53.0, 200.0) + dip(t, -10.0, -60.0, 0.7) + dip(t, 20.0, 90.0, 2.0)
    )
    table = PatchFamily(Designs(curve), 8, 3, 16).smallest(5.0)
    assert table is not None
    assert isinstance(table.layout, PatchLayout)
    inside = [
        any(start <= 100 * at_c <= end for start, end in zip(table.layout.starts, table.layout.ends, strict=True))
        for at_c in (53.0, -10.0, 20.0)
    ]
    assert (len(table.layout.starts), inside) == (3, [True] * 3)
    assert table.max_error_ppb <= 5.0


def test_a_curve_without_a_dip_has_no_patch() -> None:
    assert PatchFamily(Designs(over_the_range(at_cut)), 8, 3, 16).smallest(5.0) is None


def test_order_9_takes_20_bytes_and_products_of_16_bits() -> None:
    curve = over_the_range(lambda t: chebyshev.chebval((t - 22.5) / 62.5, STIFF))
    table = ChebyshevFamily(Designs(curve), 16, 16).smallest(2.0)
    assert table is not None
    assert (table.bytes, table.value_bits) == (20, 16)
    assert table.max_error_ppb <= 2.0
    # The same 20 bytes by Horner's rule, in powers of the argument.
    horner = PolynomialFamily(Designs(curve), 16).table(9)
    assert horner is not None
    assert horner.bytes == 20
    assert horner.max_error_ppb > 10 * table.max_error_ppb


@pytest.mark.parametrize("turnover_c", [22.0, 25.0, 26.1])
def test_a_forks_parabola_takes_8_bytes(turnover_c: float) -> None:
    # -35 ppb/degC**2 (common practice, no source).
    table = ChebyshevFamily(Designs(over_the_range(lambda t: -35.0 * (t - turnover_c) ** 2)), 16, 32).smallest(2.0)
    assert table is not None
    assert (table.bytes, table.value_bits) == (8, 32)
    assert table.max_error_ppb <= 2.0


@pytest.mark.parametrize("degree", [2, 3, 5])
def test_integer_factors_are_near_the_bound(degree: int) -> None:
    # Up to 5 % above the best real factors, or what the integers themselves cannot say: half a unit of each entry, and of the
    # value.
    curve = over_the_range(lambda t: at_cut(t) + 30.0 * np.sin(t / 9.0))
    table = chebyshev_table(curve, degree, 32)
    assert table.bound_ppb is not None
    assert isinstance(table.layout, ChebyshevLayout)
    entry_ppb = 2.0**table.layout.fine_bits / 1000
    assert (
        table.bound_ppb - entry_ppb
        <= table.max_error_ppb
        <= max(1.05 * table.bound_ppb, table.bound_ppb + 1.5 * entry_ppb)
    )


def test_every_code_of_a_type_can_be_used() -> None:
    curve = coded_curve(lambda t: 0.002 * (t - 10.0) ** 3, -128.0, 32767 / 256, TemperatureScale(256))
    table = ChebyshevFamily(Designs(curve), 16, 16).smallest(50.0)
    assert table is not None
    assert (table.low_code, table.high_code) == (-32768, 32767)
    assert table.max_error_ppb <= 50.0
