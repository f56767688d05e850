"""Properties of the integers: every form of table, and the corrections, against exact rationals."""

from __future__ import annotations

from fractions import Fraction
from math import floor
from typing import Any

import numpy as np
from firmware_files import read_csv_text, read_image
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from tables import even_table, polynomial_table_of, segment_table, step_table

from tcomp.errors import TableError
from tcomp.firmware import csv_text, image_bytes
from tcomp.firmware.corrections import CORRECTIONS
from tcomp.firmware.exporter import Stamp
from tcomp.firmware.exporters.hex import hex_text
from tcomp.firmware.exporters.image import Image
from tcomp.tables import CorrectionTable, TemperatureScale
from tcomp.tables.layouts.polynomial import Polynomial
from tcomp.tables.table_file import table_of_json

quick = settings(derandomize=True, max_examples=60, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])
int16s = st.integers(-(2**15), 2**15 - 1)
STAMP = Stamp("1", "0", "gauge", (), "now")
COMMON: dict[str, Any] = {
    "scale": TemperatureScale(100.0), "unit_log2_ppt": 0, "max_error_ppb": 1.0, "rms_error_ppb": 0.5, "entry_bits": 16,
}  # fmt: skip


def nearest(value: Fraction) -> int:
    """Nearest integer, ties upwards."""
    return floor(value + Fraction(1, 2))


def sampled(table: CorrectionTable, places: list[float]) -> list[int]:
    """Codes spread over the range, its ends among them."""
    width = table.high_code - table.low_code
    return sorted({table.low_code, table.high_code, *(table.low_code + int(place * width) for place in places)})


places = st.lists(st.floats(0, 1), min_size=3, max_size=12)


@st.composite
def step_tables(draw: st.DrawFn, interpolation: str) -> CorrectionTable:
    step_log2 = draw(st.integers(0, 11))
    entries = draw(st.lists(int16s, min_size=2, max_size=9))
    first = draw(st.integers(-(2**14), 2**13))
    reach = (len(entries) - 1) << step_log2
    low = draw(st.integers(first, first + reach - 1))
    high = draw(st.integers(low, first + reach - (1 if interpolation == "nearest" else 0)))
    return step_table(
        **COMMON, low_code=low, high_code=min(high, 2**15 - 1), first_code=first, step_log2=step_log2,
        interpolation=interpolation, entries=tuple(entries),
    )  # fmt: skip


@quick
@given(step_tables("linear"), places)
def test_straight_lines_between_steps_are_the_nearest_integers_of_the_exact_line(
    table: CorrectionTable, where: list[float]
) -> None:
    for code in sampled(table, where):
        index, along = divmod(code - table.layout.first_code, table.layout.step)
        after = table.entries[min(index + 1, len(table.entries) - 1)]
        exact = table.entries[index] + Fraction((after - table.entries[index]) * along, table.layout.step)
        assert int(table.lookup(code)) == nearest(exact)


@quick
@given(step_tables("nearest"), places)
def test_the_nearest_entry_of_steps_is_the_nearest(table: CorrectionTable, where: list[float]) -> None:
    for code in sampled(table, where):
        index = nearest(Fraction(code - table.layout.first_code, table.layout.step))
        assert int(table.lookup(code)) == table.entries[index]


@st.composite
def even_tables(draw: st.DrawFn, interpolation: str) -> CorrectionTable:
    entries = draw(st.lists(st.integers(-8000, 8000), min_size=4, max_size=12))
    codes_to_index_q16 = draw(st.integers(20, 2**16))
    first = draw(st.integers(-(2**14), 2**13))
    spare = {"linear": 1, "nearest": 0, "quadratic": 2}[interpolation]
    last = min((((len(entries) - spare) << 16) - 1) // codes_to_index_q16, 2**15 - 1 - first)
    assume(last >= 1)
    low = draw(st.integers(first, first + last - 1))
    return even_table(
        **COMMON, low_code=low, high_code=draw(st.integers(low, first + last)), first_code=first,
        codes_to_index_q16=codes_to_index_q16, interpolation=interpolation, entries=tuple(entries),
    )  # fmt: skip


@quick
@given(even_tables("linear"), even_tables("nearest"), places)
def test_even_knots_are_read_as_exact_rationals_say(
    linear: CorrectionTable, plain: CorrectionTable, where: list[float]
) -> None:
    for code in sampled(linear, where):
        index, part = divmod((code - linear.layout.first_code) * linear.layout.codes_to_index_q16, 2**16)
        after = linear.entries[min(index + 1, len(linear.entries) - 1)]
        exact = linear.entries[index] + (after - linear.entries[index]) * Fraction(part, 2**16)
        assert int(linear.lookup(code)) == nearest(exact)
    for code in sampled(plain, where):
        assert (
            int(plain.lookup(code))
            == plain.entries[floor(Fraction((code - plain.layout.first_code) * plain.layout.codes_to_index_q16, 2**16))]
        )


@quick
@given(even_tables("quadratic"), places)
def test_a_parabola_is_within_its_two_roundings_of_the_exact_one(table: CorrectionTable, where: list[float]) -> None:
    for code in sampled(table, where):
        index, part = divmod((code - table.layout.first_code) * table.layout.codes_to_index_q16, 2**16)
        before, at, after = table.entries[index : index + 3]
        t = Fraction(part, 2**16) - Fraction(1, 2)
        # Newton's interpolation with central differences, in rationals.
        exact = at + t / 2 * ((after - before) + t * (before - 2 * at + after))
        # The inner sum is rounded (1/2, times |t|/2 <= 1/4), then the whole (1/2).
        assert abs(int(table.lookup(code)) - exact) <= Fraction(1, 2) + Fraction(1, 8)


@st.composite
def segment_tables(draw: st.DrawFn) -> CorrectionTable:
    log2s = draw(st.lists(st.integers(0, 8), min_size=1, max_size=4))
    starts, knots = [draw(st.integers(-(2**14), 0))], 0
    for log2 in log2s[:-1]:
        count = draw(st.integers(1, 4))
        starts.append(starts[-1] + (count << log2))
        knots += count
    last = draw(st.integers(1, 4))
    entries = draw(st.lists(int16s, min_size=knots + last + 1, max_size=knots + last + 1))
    high = draw(st.integers(starts[-1], starts[-1] + (last << log2s[-1]) - 1))
    return segment_table(
        **COMMON, low_code=draw(st.integers(starts[0], high)), high_code=high, starts=tuple(starts),
        step_log2s=tuple(log2s), entries=tuple(entries),
    )  # fmt: skip


@quick
@given(segment_tables(), places)
def test_segments_are_straight_lines_between_their_knots(table: CorrectionTable, where: list[float]) -> None:
    knots = [int(code) for code in table.knot_codes]
    for code in sampled(table, where):
        index = max(place for place, knot in enumerate(knots) if knot <= code)
        before, after = table.entries[index : index + 2]
        exact = before + Fraction((after - before) * (code - knots[index]), knots[index + 1] - knots[index])
        assert int(table.lookup(code)) == nearest(exact)


@st.composite
def polynomial_tables(draw: st.DrawFn) -> CorrectionTable:
    shift = draw(st.integers(0, 8))
    half = 2 ** (15 - shift)
    middle = draw(st.integers(-(2**15) + half, 2**15 - half))
    entries = draw(st.lists(st.integers(-3000, 3000), min_size=1, max_size=6))
    return polynomial_table_of(
        **COMMON, low_code=middle - half, high_code=min(middle + half - 1, 2**15 - 1), middle_code=middle, shift=shift,
        entries=tuple(entries),
    )  # fmt: skip


@quick
@given(polynomial_tables(), places)
def test_horner_in_integers_is_horner_in_rationals_with_each_product_rounded(
    table: CorrectionTable, where: list[float]
) -> None:
    for code in sampled(table, where):
        x = Fraction((code - table.layout.middle_code) << table.layout.shift, 2**15)
        value = Fraction(table.entries[-1])
        for coefficient in table.entries[-2::-1]:
            value = Fraction(coefficient + nearest(value * x))
        assert int(table.lookup(code)) == value


@quick
@given(even_tables("linear"), st.lists(st.integers(-2000, 2000), min_size=1, max_size=4), places)
def test_entries_on_a_polynomial_add_to_it(table: CorrectionTable, coefficients: list[int], where: list[float]) -> None:
    middle = (table.low_code + table.high_code) // 2
    shift = max(0, 14 - (table.high_code - table.low_code).bit_length())
    polynomial = Polynomial(middle, shift, tuple(coefficients))
    fields = {name: getattr(table, name) for name in ("low_code", "high_code")}
    fields |= {name: getattr(table.layout, name) for name in ("first_code", "codes_to_index_q16", "interpolation")}
    entries = tuple(entry // 64 for entry in table.entries)
    try:
        on = even_table(**COMMON | {"entry_bits": 8}, **fields, entries=entries, polynomial=polynomial)
    except TableError:
        assume(False)
    alone = even_table(**COMMON, **fields, entries=entries)
    for code in sampled(table, where):
        assert int(on.lookup(code)) == int(alone.lookup(code)) + int(polynomial.value(np.array([code]))[0])


any_table = st.one_of(
    step_tables("linear"), step_tables("nearest"), even_tables("linear"), even_tables("nearest"), segment_tables(),
    polynomial_tables(),
)  # fmt: skip


@quick
@given(any_table, st.integers(-(2**40), 2**40))
def test_outside_the_range_every_form_holds_its_ends(table: CorrectionTable, code: int) -> None:
    held = min(max(code, table.low_code), table.high_code)
    assert int(table.lookup(code)) == int(table.lookup(held))
    assert bool(table.in_range(code)) == (held == code)
    assert int(table.offset_ppt(code)) == int(table.lookup(code)) << table.unit_log2_ppt


@quick
@given(any_table)
def test_every_form_survives_json_and_csv(table: CorrectionTable) -> None:
    assert table_of_json(table.to_json_dict()) == table
    assert read_csv_text(csv_text(table, "gauge", STAMP)) == table


@quick
@given(st.one_of(step_tables("linear"), step_tables("nearest")), st.integers(0, 2**32 - 2**16), st.data())
def test_an_image_survives_and_any_changed_byte_is_found(
    table: CorrectionTable, address: int, data: st.DataObject
) -> None:
    import bincopy  # an independent reader of Intel HEX

    image = image_bytes(table)
    assert read_image(image) == Image.of(table)
    text = bincopy.BinFile()
    text.add_ihex(hex_text(image, address))
    assert bytes(text.as_binary(minimum_address=address)) == image
    place, change = data.draw(st.integers(0, len(image) - 1)), data.draw(st.integers(1, 255))
    changed = image[:place] + bytes([image[place] ^ change]) + image[place + 1 :]
    try:
        read_image(changed)
    except ValueError:
        return
    raise AssertionError(f"byte {place} was changed and nobody saw it")


int64_edges = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.sampled_from([-(2**63), 2**63 - 1, 0, 1, -1, 2**53, -(2**53), 10**12, -(10**12), 2**62]),
)
int32_edges = st.one_of(st.integers(-(2**31), 2**31 - 1), st.sampled_from([-(2**31), 2**31 - 1, 0, 1, -1]))


@settings(derandomize=True, max_examples=300, deadline=None)
@given(st.sampled_from(sorted(CORRECTIONS)), int64_edges, int32_edges)
def test_corrections_are_the_nearest_integers_over_the_whole_range(name: str, shown: int, offset_ppt: int) -> None:
    correction = CORRECTIONS[name]
    given_value = min(max(shown, correction.least), correction.largest)
    one_plus_y = 1 + Fraction(offset_ppt, 10**12)
    exact = given_value * one_plus_y if name == "frequency" else given_value / one_plus_y
    found = correction.specification(given_value, offset_ppt)
    if correction.least < found < correction.largest:
        assert abs(found - exact) <= Fraction(1, 2)
        if abs(found - exact) == Fraction(1, 2):
            assert abs(found) > abs(exact)  # ties go away from zero
    elif found == correction.largest:
        assert exact >= correction.largest - Fraction(1, 2)
    else:
        assert exact <= correction.least + Fraction(1, 2)
