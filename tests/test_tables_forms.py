"""The integer lookup of every form of table against exact rationals, and its file against damage."""

from __future__ import annotations

import json
from fractions import Fraction
from math import floor
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tables import even_table, evenly, polynomial_table_of, segment_table

from tcomp.errors import TableError
from tcomp.tables import CorrectionTable, Polynomial, TemperatureScale, table_of_json, table_text

COMMON: dict[str, Any] = {
    "scale": TemperatureScale(100.0),
    "low_code": -500,
    "high_code": 499,
    "unit_log2_ppt": 3,
    "max_error_ppb": 2.5,
    "rms_error_ppb": 1.0,
}
CUBIC = Polynomial(0, 5, (100, -2000, 300, 4000))
TABLES: dict[str, CorrectionTable] = {
    "even, linear": even_table(
        first_code=-500,
        codes_to_index_q16=327,
        interpolation="linear",
        entry_bits=16,
        entries=(9, -700, 30, 31, 5, 0),
        **COMMON,
    ),
    "even, linear, 32 bits": even_table(
        first_code=-520,
        codes_to_index_q16=200,
        interpolation="linear",
        entry_bits=32,
        entries=(2**27, -(2**27), 0, 5, 1),
        **COMMON,
    ),
    "even, nearest": even_table(
        first_code=-500,
        codes_to_index_q16=327,
        interpolation="nearest",
        entry_bits=16,
        entries=(9, -700, 30, 31, 5),
        **COMMON,
    ),
    "even, quadratic": even_table(
        first_code=-500,
        codes_to_index_q16=196,
        interpolation="quadratic",
        entry_bits=16,
        entries=(9, -700, 30, 3100, 5),
        **COMMON,
    ),
    "8 bits on a cubic": even_table(
        first_code=-500,
        codes_to_index_q16=196,
        interpolation="linear",
        entry_bits=8,
        entries=(127, -128, 30, 3),
        polynomial=CUBIC,
        **COMMON,
    ),
    "segments": segment_table(
        starts=(-512, -256, 0), step_log2s=(6, 8, 9), entry_bits=16, entries=(1, -9, 300, 4, 5, -600, 7), **COMMON
    ),
    "polynomial": polynomial_table_of(middle_code=0, shift=5, entry_bits=16, entries=(100, -2000, 300, 4000), **COMMON),
    "polynomial, 32 bits": polynomial_table_of(
        middle_code=0, shift=5, entry_bits=32, entries=(10**6, -(10**7), 0, 4 * 10**7), **COMMON
    ),
}
each_table = pytest.mark.parametrize("table", TABLES.values(), ids=TABLES)


def nearest(value: Fraction) -> int:
    """The nearest integer, ties upwards."""
    return floor(value + Fraction(1, 2))


def line(knots: list[Fraction], entries: tuple[int, ...], at: Fraction) -> int:
    """Straight lines between knots, exactly."""
    place = max(i for i, knot in enumerate(knots) if knot <= at)
    if knots[place] == at:
        return entries[place]
    way = (at - knots[place]) / (knots[place + 1] - knots[place])
    return nearest(entries[place] + (entries[place + 1] - entries[place]) * way)


@settings(derandomize=True, deadline=None, max_examples=200)
@given(
    entries=st.lists(st.integers(-(2**15), 2**15 - 1), min_size=2, max_size=8),
    first=st.integers(-32768, 30000),
    codes_to_index_q16=st.integers(1, 65536),
    data=st.data(),
)
def test_even_knots_equal_exact_rationals(
    entries: list[int], first: int, codes_to_index_q16: int, data: st.DataObject
) -> None:
    # A code is codes_to_index_q16 / 65536 of an interval, exactly: knots lie at real codes.
    last = min(first + (65536 * (len(entries) - 1) - 1) // codes_to_index_q16, 32767)
    low = data.draw(st.integers(first, last))
    high = data.draw(st.integers(low, last))
    table = even_table(
        first_code=first,
        codes_to_index_q16=codes_to_index_q16,
        interpolation="linear",
        entry_bits=32,
        entries=tuple(entries),
        **COMMON | {"low_code": low, "high_code": high},
    )
    knots = [first + k * Fraction(65536, codes_to_index_q16) for k in range(len(entries))]
    for code in {low, high, (low + high) // 2, data.draw(st.integers(low, high))}:
        assert table.lookup(code) == line(knots, table.entries, Fraction(code))


def test_the_whole_range_of_codes_is_found_without_a_rounding_of_its_own() -> None:
    # Index and way are the two halves of one product: checked against division for all 65 536 codes.
    codes = np.arange(-32768, 32768)
    for codes_to_index_q16 in (1, 3, 1000, 32767, 65535, 65536):
        index, part = evenly(2, "linear", -32768, codes_to_index_q16).locate(codes)
        for code, i, p in zip(codes[::97].tolist(), index[::97].tolist(), part[::97].tolist(), strict=True):
            assert divmod((code + 32768) * codes_to_index_q16, 65536) == (i, p)


@settings(derandomize=True, deadline=None, max_examples=100)
@given(
    lengths=st.lists(st.integers(1, 4), min_size=1, max_size=4),
    step_log2s=st.lists(st.integers(0, 9), min_size=4, max_size=4),
    values=st.lists(st.integers(-(2**15), 2**15 - 1), min_size=17, max_size=17),
)
def test_segments_equal_exact_rationals(lengths: list[int], step_log2s: list[int], values: list[int]) -> None:
    knots, starts = [-1000], []
    for length, step_log2 in zip(lengths, step_log2s, strict=False):
        starts.append(knots[-1])
        knots += [knots[-1] + (k + 1) * 2**step_log2 for k in range(length)]
    entries = tuple(values[: len(knots)])
    table = segment_table(
        starts=tuple(starts),
        step_log2s=tuple(step_log2s[: len(lengths)]),
        entry_bits=16,
        entries=entries,
        **COMMON | {"low_code": -1000, "high_code": knots[-1] - 1},
    )
    exact = [line([Fraction(k) for k in knots], entries, Fraction(code)) for code in table.codes.tolist()]
    assert table.lookup(table.codes).tolist() == exact
    assert table.knot_codes.tolist() == knots


@settings(derandomize=True, deadline=None, max_examples=100)
@given(coefficients=st.lists(st.integers(-(2**13), 2**13), min_size=1, max_size=4), x=st.integers(-32768, 32767))
def test_a_polynomial_is_horners_rule_with_each_product_rounded(coefficients: list[int], x: int) -> None:
    value = coefficients[-1]
    for coefficient in coefficients[-2::-1]:
        value = coefficient + nearest(Fraction(value * x, 32768))
    assert Polynomial(0, 0, tuple(coefficients)).value(np.array([x]))[0] == value


def test_a_parabola_through_three_entries_is_newtons() -> None:
    # 3 + 5 k - 2 k**2 at k = -1, 0, 1: exact at every way, rounded once for each of its two products.
    table = even_table(
        first_code=0,
        codes_to_index_q16=656,
        interpolation="quadratic",
        entry_bits=16,
        entries=tuple(100 * (3 + 5 * k - 2 * k * k) for k in (-1, 0, 1)),
        **COMMON | {"low_code": 0, "high_code": 98},
    )
    k = np.arange(99) * 656 / 65536 - 0.5
    exact = 100 * (3 + 5 * k - 2 * k**2)
    # Half a unit of the value, and half a unit of the slope times half a step's half.
    assert np.abs(table.lookup(table.codes) - exact).max() <= 0.5 + 0.125


@each_table
def test_codes_outside_read_the_nearest_end(table: CorrectionTable) -> None:
    assert table.lookup([-32768, 32767]).tolist() == table.lookup([table.low_code, table.high_code]).tolist()
    assert table.in_range([-501, -500, 499, 500]).tolist() == [False, True, True, False]


@each_table
def test_every_form_reads_back_equal(table: CorrectionTable) -> None:
    text = table_text(table)
    assert table_of_json(json.loads(text)) == table
    assert table_text(table_of_json(json.loads(text))) == text


@each_table
def test_a_changed_entry_of_any_form_is_refused(table: CorrectionTable) -> None:
    content = json.loads(table_text(table))
    content["entries"][1] += 1
    with pytest.raises(TableError, match="was changed or damaged; design it again"):
        table_of_json(content)


def test_bytes_count_the_entries_and_what_finds_them() -> None:
    sizes = {name: table.bytes for name, table in TABLES.items()}
    assert sizes["even, linear"] == 6 * 2
    assert sizes["8 bits on a cubic"] == 4 * 1 + 4 * 2  # entries, coefficients
    assert sizes["segments"] == 7 * 2 + 3 * 4  # start, step and first knot of each segment
    assert sizes["polynomial, 32 bits"] == 4 * 4


@pytest.mark.parametrize(
    ("name", "change", "sentence"),
    [
        ("even, linear", {"codes_to_index_q16": 0}, "codes_to_index_q16 is 0; expected an integer from 1 to 65536"),
        ("even, linear", {"entries": [9, -7, 3, 3, 5]}, "lies above the reach of the last entry: 5 entries .* 6 are"),
        ("even, linear", {"entry_bits": 8}, "entry_bits is 8; expected 16 or 32"),
        ("even, linear", {"interpolation": "cubic"}, '"cubic"; expected "linear", "nearest" or "quadratic"'),
        ("even, quadratic", {"entries": [-32768, "a", 1, 2, 3]}, "entry 1 is 'a'; expected an integer"),
        ("even, quadratic", {"entries": [-32768, 0, 32767, 2, 3]}, "differ by more than an int16 holds"),
        ("8 bits on a cubic", {"entries": [128, 0, 0, 0]}, "entry 0 is 128; expected an integer from -128 to 127"),
        ("8 bits on a cubic", {"polynomial": {"shift": 5}}, "expected middle_code, shift and a list of coefficients"),
        ("segments", {"starts": [-512, -250, 0]}, "expected each to begin at a knot of the former"),
        ("segments", {"starts": [-512, -256]}, "the number of steps is 3; expected an integer from 2 to 2"),
        ("segments", {"starts": []}, "the number of segments is 0"),
        ("polynomial", {"shift": 7}, "beyond an int16 about the middle code"),
        ("polynomial", {"entries": [30000, 30000]}, "the polynomial leaves 16 bits on the way"),
        ("polynomial", {"entries": []}, "the table has no entries"),
    ],
)
def test_a_table_that_cannot_be_is_refused(name: str, change: dict[str, Any], sentence: str) -> None:
    content = json.loads(table_text(TABLES[name])) | change
    with pytest.raises(TableError, match=sentence):
        table_of_json(content)
