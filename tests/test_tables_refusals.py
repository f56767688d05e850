"""What a table may hold, up to the very ends, and the sentence for what it may not."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from tables import changed, even_table, polynomial_table_of, segment_table, step_table

from tcomp.errors import TableError
from tcomp.job import Divider, Sensor
from tcomp.tables import (
    AdcScale,
    CorrectionTable,
    Polynomial,
    TemperatureScale,
    coded_curve,
    read_table,
    table_of_json,
    table_text,
)
from tcomp.tables.code_scale import scale_of_json
from tcomp.tables.layout import check_choice, check_integer

COMMON: dict[str, Any] = {
    "scale": TemperatureScale(100.0), "low_code": -500, "high_code": 499, "unit_log2_ppt": 3, "max_error_ppb": 2.5,
    "rms_error_ppb": 1.0,
}  # fmt: skip
STEPS = step_table(
    first_code=-512, step_log2=8, interpolation="linear", entry_bits=16, entries=(-300, 20, 1000, 7, 9), **COMMON
)
EVEN = even_table(
    first_code=-512, codes_to_index_q16=222, interpolation="linear", entry_bits=16, entries=(-3, 2, 10, 7, 5), **COMMON
)
CUBIC = Polynomial(0, 5, (100, -2000, 300, 4000))
ON = changed(EVEN, entry_bits=8, polynomial=CUBIC)
CURVED = changed(EVEN, interpolation="quadratic", entries=(-3, 2, 10, 7, 5, 4))
SEGMENTS = segment_table(
    starts=(-512, -256, 0), step_log2s=(6, 8, 9), entry_bits=16, entries=(1, -9, 300, 4, 5, -600, 7), **COMMON
)
POLYNOMIAL = polynomial_table_of(middle_code=0, shift=5, entry_bits=16, entries=(100, -2000, 300, 4000), **COMMON)
LARGEST = 2**15 - 1


@pytest.mark.parametrize(
    ("table", "change"),
    [
        (STEPS, {"low_code": -32768, "first_code": -32768, "step_log2": 15}),
        (STEPS, {"high_code": 32767, "low_code": 32767, "first_code": 32767, "entries": (1,)}),
        (STEPS, {"low_code": 512, "high_code": 512}),
        (STEPS, {"first_code": -65536, "step_log2": 15}),
        (STEPS, {"step_log2": 0, "high_code": -498, "first_code": -500, "entries": (1, 2, 3)}),
        (STEPS, {"entries": (-32768, 32767, 0, 0, 0), "unit_log2_ppt": 16}),
        (STEPS, {"entry_bits": 32, "entries": (-(2**31), 2**31 - 1, 0, 0, 0), "unit_log2_ppt": 0}),
        (STEPS, {"entry_bits": 32, "entries": (-(2**28), 2**28 - 1, 0, 0, 0)}),
        (STEPS, {"max_error_ppb": 0.0, "rms_error_ppb": 0.0, "bound_ppb": 0.0}),
        (STEPS, {"high_code": 512}),
        (STEPS, {"low_code": -512}),
        (EVEN, {"first_code": -500, "codes_to_index_q16": 1, "entries": (1, 2)}),
        (EVEN, {"codes_to_index_q16": 65536, "high_code": -512, "low_code": -512, "entries": (1,)}),
        (
            EVEN,
            {
                "first_code": -32768 - 32768,
                "codes_to_index_q16": 1,
                "low_code": -500,
                "high_code": -1,
                "entries": (1, 2),
            },
        ),
        # The last code on the last knot: 1024 codes at 64 parts each are one interval.
        (EVEN, {"codes_to_index_q16": 64, "low_code": -512, "high_code": 511, "entries": (1, 2)}),
        (EVEN, {"codes_to_index_q16": 64, "low_code": -512, "high_code": 512, "entries": (1, 2)}),
        (EVEN, {"first_code": -500, "codes_to_index_q16": 64, "high_code": 524, "entries": (1, 2)}),
        (CURVED, {"entries": (-16000, -16000, *[16767] * 4)}),
        (CURVED, {"entries": (16000, 16000, *[-16767] * 4)}),
        (SEGMENTS, {"low_code": -512}),
        (SEGMENTS, {"starts": (-512, -256, 499), "step_log2s": (6, 0, 9), "entries": tuple([7] * 761)}),
        (POLYNOMIAL, {"shift": 6}),
        (POLYNOMIAL, {"entries": (LARGEST,), "unit_log2_ppt": 16}),
    ],
)
def test_a_table_at_its_ends_is_taken(table: CorrectionTable, change: dict[str, Any]) -> None:
    taken = changed(table, **change)
    assert table_of_json(json.loads(table_text(taken))) == taken


INTEGER = "expected an integer from"


@pytest.mark.parametrize(
    ("table", "change", "sentence"),
    [
        (STEPS, {"low_code": -32769}, f"low_code is -32769; {INTEGER} -32768 to 32767"),
        (STEPS, {"low_code": 32768}, f"low_code is 32768; {INTEGER} -32768 to 32767"),
        (STEPS, {"high_code": 32768}, f"high_code is 32768; {INTEGER} -500 to 32767"),
        (STEPS, {"high_code": -501}, f"high_code is -501; {INTEGER} -500 to 32767"),
        (STEPS, {"unit_log2_ppt": -1}, f"unit_log2_ppt is -1; {INTEGER} 0 to 16"),
        (STEPS, {"unit_log2_ppt": 17}, f"unit_log2_ppt is 17; {INTEGER} 0 to 16"),
        (STEPS, {"max_error_ppb": -0.1}, "max_error_ppb is -0.1; expected a number of ppb, 0 or more"),
        (STEPS, {"rms_error_ppb": float("inf")}, "rms_error_ppb is inf; expected a number of ppb, 0 or more"),
        (STEPS, {"entries": ()}, "the table has no entries; expected one at least"),
        (STEPS, {"entries": (0, 32768, 0, 0, 0)}, f"entry 1 is 32768; {INTEGER} -32768 to 32767"),
        (STEPS, {"entries": (0, 0, -32769, 0, 0)}, f"entry 2 is -32769; {INTEGER} -32768 to 32767"),
        (
            STEPS,
            {"entry_bits": 32, "entries": (2**28, 0, 0, 0, 0)},
            "unit_log2_ppt 3 takes the entries beyond an int32 of ppt (2147 ppm); expected a smaller unit",
        ),
        (
            STEPS,
            {"entry_bits": 32, "entries": (-(2**28) - 1, 0, 0, 0, 0)},
            "unit_log2_ppt 3 takes the entries beyond an int32 of ppt (2147 ppm); expected a smaller unit",
        ),
        (STEPS, {"interpolation": "quadratic"}, 'interpolation is "quadratic"; expected "linear" or "nearest"'),
        (STEPS, {"entry_bits": 24}, "entry_bits is 24; expected 16 or 32"),
        (STEPS, {"first_code": -65537}, f"first_code is -65537; {INTEGER} -65536 to 32767"),
        (STEPS, {"first_code": 32768}, f"first_code is 32768; {INTEGER} -65536 to 32767"),
        (STEPS, {"step_log2": 16}, f"step_log2 is 16; {INTEGER} 0 to 15"),
        (STEPS, {"step_log2": -1}, f"step_log2 is -1; {INTEGER} 0 to 15"),
        (
            STEPS,
            {"first_code": -499},
            "low_code -500 lies below the reach of the first entry, which begins at code -499; expected entries over the "
            "whole range",
        ),
        (
            STEPS,
            {"interpolation": "nearest", "first_code": -371, "entries": (1, 2, 3, 4, 5)},
            "low_code -500 lies below the reach of the first entry, which begins at code -499; expected entries over the "
            "whole range",
        ),
        (
            STEPS,
            {"high_code": 513},
            "high_code 513 lies above the reach of the last entry: 5 entries were given where 6 are needed",
        ),
        (
            STEPS,
            {"interpolation": "nearest", "high_code": 640},
            "high_code 640 lies above the reach of the last entry: 5 entries were given where 6 are needed",
        ),
        (EVEN, {"interpolation": "cubic"}, 'interpolation is "cubic"; expected "linear", "nearest" or "quadratic"'),
        (EVEN, {"entry_bits": 8}, "entry_bits is 8; expected 16 or 32"),
        (ON, {"entry_bits": 32}, "entry_bits is 32; expected 8 or 16"),
        (EVEN, {"first_code": -499}, f"first_code is -499; {INTEGER} -98304 to -500"),
        (EVEN, {"first_code": -98305}, f"first_code is -98305; {INTEGER} -98304 to -500"),
        (EVEN, {"codes_to_index_q16": 0}, f"codes_to_index_q16 is 0; {INTEGER} 1 to 65536"),
        (EVEN, {"codes_to_index_q16": 65537}, f"codes_to_index_q16 is 65537; {INTEGER} 1 to 65536"),
        (
            EVEN,
            {"first_code": 499 - 65536, "codes_to_index_q16": 1},
            "high_code 499 lies more than 65535 codes above first_code -65037; expected a first knot closer to the range",
        ),
        (
            EVEN,
            {"entries": (1, 2, 3, 4)},
            "high_code 499 lies above the reach of the last entry: 4 entries were given where 5 are needed",
        ),
        (
            EVEN,
            {"codes_to_index_q16": 64, "high_code": 513, "entries": (1, 2)},
            "high_code 513 lies above the reach of the last entry: 2 entries were given where 3 are needed",
        ),
        (
            EVEN,
            {"interpolation": "nearest", "entries": (1, 2, 3)},
            "high_code 499 lies above the reach of the last entry: 3 entries were given where 4 are needed",
        ),
        (
            CURVED,
            {"entries": (1, 2, 3, 4, 5)},
            "high_code 499 lies above the reach of the last entry: 5 entries were given where 6 are needed",
        ),
        (CURVED, {"entry_bits": 32}, 'interpolation "quadratic" takes entries of 16 bits at most; entry_bits is 32'),
        *(
            (
                CURVED,
                {"entries": entries},
                "the entries of a quadratic table are fewer than three, or neighbours differ by more than an int16 holds; "
                "expected three or more, in a larger unit or closer together",
            )
            for entries in ((1, 2), (-16384, 0, 16384, 0, 0, 0), (0, 16384, 0, 0, 0, 0), (0, -16384, 0, 0, 0, 0))
        ),
        (ON, {"polynomial": Polynomial(0, 7, (1, 2))}, "shift 7 takes the codes -500 to 499 beyond an int16 about the "
            "middle code 0; expected a smaller shift"),
        (
            # 12 codes of 222 parts behind the first knot: 127 - 127 * 2664 / 65536 is 122, and for -128 -123.
            ON,
            {"polynomial": Polynomial(0, 5, (32700,)), "entries": (127, 0, 0, 0, 0)},
            f"the largest value is 32822; {INTEGER} -32768 to 32767",
        ),
        (
            ON,
            {"polynomial": Polynomial(0, 5, (-32700,)), "entries": (-128, 0, 0, 0, 0)},
            f"the least value is -32823; {INTEGER} -32768 to 32767",
        ),
        (SEGMENTS, {"entry_bits": 8}, "entry_bits is 8; expected 16 or 32"),
        (SEGMENTS, {"starts": (-448, -256, 0)}, f"the start of the first segment is -448; {INTEGER} -65536 to -500"),
        (SEGMENTS, {"starts": (-512, -256, 512)}, "the last segment begins at code 512, above high_code 499"),
        (
            SEGMENTS,
            {"entries": (1, 2, 3, 4, 5, 6)},
            "high_code 499 lies above the reach of the last entry: 6 entries were given where 7 are needed",
        ),
        (POLYNOMIAL, {"entry_bits": 8}, "entry_bits is 8; expected 16 or 32"),
        (POLYNOMIAL, {"shift": 16}, f"shift is 16; {INTEGER} 0 to 15"),
        (POLYNOMIAL, {"middle_code": 65537}, f"middle_code is 65537; {INTEGER} -65536 to 65536"),
        (POLYNOMIAL, {"entries": (1,) * 11}, f"the number of coefficients is 11; {INTEGER} 1 to 10"),
        (
            POLYNOMIAL,
            {"shift": 7},
            "shift 7 takes the codes -500 to 499 beyond an int16 about the middle code 0; expected a smaller shift",
        ),
        (
            POLYNOMIAL,
            {"entries": (LARGEST, LARGEST)},
            "the polynomial leaves 16 bits on the way to its value; expected a larger unit",
        ),
        (
            POLYNOMIAL,
            {"entries": (-32768, LARGEST)},
            "the polynomial leaves 16 bits on the way to its value; expected a larger unit",
        ),
        (
            POLYNOMIAL,
            {"entry_bits": 32, "entries": (2**28,)},
            "unit_log2_ppt 3 takes the entries beyond an int32 of ppt (2147 ppm); expected a smaller unit",
        ),
        (
            # 2**27 (1 + x) with x up to 0.487: 1.487 * 2**27 * 8 ppt is more than 2**30 * 1.4, and fits; twice that does not.
            POLYNOMIAL,
            {"entry_bits": 32, "shift": 6, "entries": (2**27 + 2**26, 2**27)},
            f"the largest value in ppt is {(2**27 + 2**26 + ((2**27 * 499 * 64 + 2**14) >> 15)) * 8}; "
            f"{INTEGER} 0 to 2147483647",
        ),
    ],
)  # fmt: skip
def test_a_table_beyond_its_ends_is_refused_in_these_words(
    table: CorrectionTable, change: dict[str, Any], sentence: str
) -> None:
    with pytest.raises(TableError, match=f"^{re.escape(sentence)}$"):
        changed(table, **change)


@pytest.mark.parametrize(
    ("make", "sentence"),
    [
        (lambda: Polynomial(-65537, 0, (1,)), f"middle_code is -65537; {INTEGER} -65536 to 65536"),
        (lambda: Polynomial(0, -1, (1,)), f"shift is -1; {INTEGER} 0 to 15"),
        (lambda: Polynomial(0, 0, ()), f"the number of coefficients is 0; {INTEGER} 1 to 10"),
        (lambda: Polynomial(0, 0, (1, 2**31)), f"coefficient 1 is 2147483648; {INTEGER} -2147483648 to 2147483647"),
        (
            lambda: Polynomial(0, 0, (-(2**31) - 1,)),
            f"coefficient 0 is -2147483649; {INTEGER} -2147483648 to 2147483647",
        ),
        (lambda: check_integer("x", True, 0, 5), f"x is True; {INTEGER} 0 to 5"),
        (lambda: check_integer("x", 1.0, 0, 5), f"x is 1.0; {INTEGER} 0 to 5"),
        (lambda: check_choice("x", "a", ("b",)), 'x is "a"; expected "b"'),
        (lambda: check_choice("x", 3, (1, "b")), 'x is 3; expected 1 or "b"'),
        (lambda: check_choice("x", 3, (1, 2, 4)), "x is 3; expected 1, 2 or 4"),
    ],
)
def test_numbers_are_refused_in_these_words(make: Any, sentence: str) -> None:
    with pytest.raises(TableError, match=f"^{re.escape(sentence)}$"):
        make()


def test_numbers_at_their_ends_are_taken() -> None:
    ends = Polynomial(65536, 15, (2**31 - 1, -(2**31), *[0] * 8))
    assert (ends.degree, Polynomial(-65536, 0, (5,)).degree) == (9, 0)
    check_integer("x", 0, 0, 0)
    check_choice("x", 1, (1,))


def test_a_polynomial_may_fill_its_bits_and_its_argument() -> None:
    full = Polynomial(0, 0, (0, 2**15 - 1))
    full.check_range(-32768, 32767, 16)
    with pytest.raises(TableError, match="beyond an int16"):
        full.check_range(-32769, 0, 16)
    with pytest.raises(TableError, match="beyond an int16"):
        full.check_range(0, 32768, 16)
    # The constant 32767 and -32768 fit; a sum beyond them on the way does not, even where the value does.
    Polynomial(0, 0, (-32768,)).check_range(0, 1, 16)
    Polynomial(0, 0, (32767,)).check_range(0, 1, 16)
    for sums in ((32768,), (-32769,), (-20000, 40000, 0)):
        with pytest.raises(TableError, match="leaves 16 bits"):
            Polynomial(0, 0, sums).check_range(0, 32767, 16)
    Polynomial(0, 0, (-20000, 40000, 0)).check_range(0, 32767, 32)


# ---- shifted, bytes and words


@pytest.mark.parametrize("table", [STEPS, EVEN, ON, CURVED, SEGMENTS, POLYNOMIAL, changed(POLYNOMIAL, entry_bits=32)])
def test_a_table_moved_reads_so_much_more_everywhere(table: CorrectionTable) -> None:
    for units in (-40, 3):
        moved = table.shifted(units)
        assert moved.lookup(table.all_codes).tolist() == (table.lookup(table.all_codes) + units).tolist()
        assert (type(moved), moved.bytes, moved.form) == (type(table), table.bytes, table.form)


def test_what_the_lookup_returns_is_as_wide_as_the_entries_or_the_polynomial() -> None:
    assert [t.value_bits for t in (STEPS, changed(STEPS, entry_bits=32), EVEN, ON, POLYNOMIAL)] == [16, 32, 16, 16, 16]
    assert [t.index_bytes for t in (STEPS, EVEN, ON, SEGMENTS, POLYNOMIAL)] == [0, 0, 8, 12, 0]
    assert [t.bytes for t in (STEPS, EVEN, ON, SEGMENTS, POLYNOMIAL)] == [10, 10, 13, 26, 8]


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (STEPS, "one every 256 codes (2.56 degC) from code -512 on, straight lines between"),
        (
            changed(STEPS, interpolation="nearest"),
            "one every 256 codes (2.56 degC) from code -512 on, the nearest one is taken",
        ),
        (
            changed(EVEN, codes_to_index_q16=256),
            "one every 256 codes (2.56 degC) from code -512 on, straight lines between",
        ),
        (
            changed(EVEN, codes_to_index_q16=256, interpolation="nearest"),
            "one every 256 codes (2.56 degC) from code -384 on, the nearest one is taken",
        ),
        (
            changed(CURVED, codes_to_index_q16=256),
            "one every 256 codes (2.56 degC) from code -640 on, a parabola through the nearest one and its neighbours",
        ),
        (
            changed(ON, codes_to_index_q16=256),
            "one every 256 codes (2.56 degC) from code -512 on, straight lines between, on a polynomial of degree 3",
        ),
        (
            SEGMENTS,
            "one every so many codes: 64 from code -512 on, 256 from code -256 on, 512 from code 0 on; "
            "straight lines between",
        ),
        (
            POLYNOMIAL,
            "the coefficients of a polynomial of degree 3, that of power 0 first; its argument is 0 at code 0 and 1 1024 "
            "codes above",
        ),
    ],
)
def test_how_entries_lie_is_said_in_these_words(table: CorrectionTable, words: str) -> None:
    assert table.description == words


@pytest.mark.parametrize("interpolation", ["linear", "nearest", "quadratic"])
def test_a_code_on_an_even_knot_reads_its_entry(interpolation: Any) -> None:
    table = changed(CURVED, codes_to_index_q16=256, interpolation=interpolation)
    inside = [(k, code) for k, code in enumerate(table.knot_codes) if table.low_code <= code <= table.high_code]
    assert len(inside) >= 3
    for k, code in inside:
        assert int(table.lookup(int(code))) == table.entries[k]


# ---- scales


def test_words_and_sizes_of_scales() -> None:
    assert TemperatureScale(51.2).words == "code = 51.2 * temperature in degC, rounded to the nearest integer."
    assert (TemperatureScale(5).least_code, TemperatureScale(5).largest_code) == (-32768, 32767)
    assert TemperatureScale(8).degc_per_count([1, 2]).tolist() == [0.125, 0.125]
    raw = AdcScale(Sensor("ntc", r25_ohm=10e3, beta_k=3435.0, divider=Divider(10e3, 12, "ground")))
    assert (raw.least_code, raw.largest_code, raw.bits) == (0, 65535, 12)
    assert AdcScale(Sensor("linear", degc_per_count=0.1)).bits == 16
    assert raw.words == (
        "code = what the converter at the sensor gives, as it is. Sensor: kind = ntc, r25_ohm = 10000.0, beta_k = 3435.0, "
        "divider = {series_ohm: 10000.0, adc_bits: 12, sensor_to: ground}."
    )


def test_a_range_that_is_off_by_round_off_keeps_its_ends() -> None:
    scale = TemperatureScale(10)
    assert scale.code_range(0.1 + 0.2, 0.7 + 1e-9) == (3, 7)
    assert scale.code_range(0.3 - 1e-9, 0.7 - 1e-8) == (3, 7)
    assert scale.code_range(0.3 + 2e-7, 0.7 - 2e-7) == (4, 6)


def test_the_whole_int16_is_a_range() -> None:
    assert TemperatureScale(1).code_range(-32768, 32767) == (-32768, 32767)
    assert TemperatureScale(1).code_range(-32768.9, 32767.9) == (-32768, 32767)
    for low_c, high_c in ((-32769, 0), (0, 32768)):
        with pytest.raises(TableError, match="beyond an int16"):
            TemperatureScale(1).code_range(low_c, high_c)


@pytest.mark.parametrize(
    ("scale", "low_high_c", "sentence"),
    [
        (
            TemperatureScale(1000),
            (-20, 60),
            # 32767 / 60 = 546.11, four digits of it rounded down.
            "counts_per_c 1000 takes the range -20 to 60 degC beyond an int16 (-32768 to 32767); at most 546.1 would fit",
        ),
        (
            TemperatureScale(1),
            (0.2, 0.9),
            "counts_per_c 1 leaves the whole range 0.2 to 0.9 degC fewer than two codes; expected finer codes",
        ),
        (
            TemperatureScale(1),
            (0.9, 1.1),
            "counts_per_c 1 leaves the whole range 0.9 to 1.1 degC fewer than two codes; expected finer codes",
        ),
        (TemperatureScale(1), (5.0, 5.0), "the range is 5.0 to 5.0 degC; expected two numbers, the lower first"),
        (
            AdcScale(Sensor("linear", degc_per_count=0.1)),
            (0.05, 0.12),
            "the sensor gives fewer than two codes between 0.05 and 0.12 degC; expected a divider and a converter that "
            "reach that range",
        ),
    ],
)
def test_a_range_is_refused_in_these_words(scale: Any, low_high_c: Any, sentence: str) -> None:
    with pytest.raises(TableError, match=f"^{re.escape(sentence)}$"):
        scale.code_range(*low_high_c)


def test_two_codes_are_a_range() -> None:
    assert TemperatureScale(1).code_range(0.9, 2.1) == (1, 2)
    assert AdcScale(Sensor("linear", degc_per_count=0.1)).code_range(0.05, 0.21) == (1, 2)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ({"input": "temperature", "counts_per_c": True}, "counts_per_c is True; expected a number"),
        ({"input": "temperature", "counts_per_c": float("inf")}, "counts_per_c is inf; expected a number"),
        ({"input": "temperature", "counts_per_c": float("nan")}, "counts_per_c is nan; expected a number"),
        ({"input": "temperature", "counts_per_c": 0}, "counts_per_c is 0.0; expected a positive number of codes per degC"),
        *(
            (
                content,
                f'scale is {content!r}; expected "input": "temperature" with "counts_per_c", or "input": "adc" with "sensor"',
            )
            for content in (
                5, {"input": "adc", "counts_per_c": 5}, {"input": "temperature", "sensor": {}},
                {"input": "temperature", "counts_per_c": 5, "sensor": {}},
            )
        ),
        ({"input": "adc", "sensor": {"kind": "pt100"}},
         'a sensor of kind "pt100" without a converter gives no raw codes to look up'),
    ],
)  # fmt: skip
def test_a_scale_is_refused_in_these_words(content: Any, sentence: str) -> None:
    with pytest.raises(TableError, match=f"^{re.escape(sentence)}$"):
        scale_of_json(content)


# ---- curves


def test_a_curve_is_refused_in_these_words() -> None:
    scale = TemperatureScale(10)
    with pytest.raises(
        TableError, match=r"^the curve gave an array of shape \(500,\) for \(501,\); expected one offset per"
    ):
        coded_curve(lambda t: t[:-1], 0, 50, scale)
    with pytest.raises(
        TableError, match=r"^the curve is not finite at 25 degC; expected a number over the whole range$"
    ):
        coded_curve(lambda t: np.where(t < 25, t, np.inf), 0, 50, scale)


def test_allowance_and_share_are_asked_at_each_code() -> None:
    curve = coded_curve(lambda t: 2 * t, 1.0, 2.0, TemperatureScale(4), lambda t: 1 + t, lambda t: t * t)
    at_c = np.array([1.0, 1.25, 1.5, 1.75, 2.0])
    assert curve.codes.tolist() == [4, 5, 6, 7, 8]
    assert (curve.low_code, curve.high_code) == (4, 8)
    assert curve.offset_ppb.tolist() == (2 * at_c).tolist()
    assert curve.allowance.tolist() == (1 + at_c).tolist()
    assert curve.share.tolist() == (at_c * at_c).tolist()
    plain = coded_curve(lambda t: 2 * t, 1.0, 2.0, TemperatureScale(4))
    assert (plain.allowance.tolist(), plain.share.tolist()) == ([1.0], [1.0])
    assert curve.less(np.full(5, 0.5)).offset_ppb.tolist() == (2 * at_c - 0.5).tolist()


def test_errors_of_a_table_against_a_curve() -> None:
    curve = coded_curve(lambda t: 0.01 * t, 1.0, 2.0, TemperatureScale(4), lambda t: np.where(t > 1.8, 4.0, 1.0))
    table = step_table(
        scale=curve.scale, low_code=4, high_code=8, first_code=4, step_log2=2, interpolation="linear", entry_bits=16,
        unit_log2_ppt=1, entries=(5, 7), max_error_ppb=0.0, rms_error_ppb=0.0,
    )  # fmt: skip
    # 5, 6 (5.5 goes up), 6, 7 (6.5), 7 units of 2 ppt, less 10, 12.5, 15, 17.5, 20 ppt.
    assert curve.errors_ppb(table).tolist() == pytest.approx([0.0, -0.0005, -0.003, -0.0035, -0.006])
    assert curve.weighted_max_error_ppb(table) == pytest.approx(0.0035)


# ---- files


def test_the_text_of_a_table_file() -> None:
    text = table_text(STEPS)
    assert text.startswith('{\n "bound_ppb": null,\n "crc32": "0x')
    assert list(json.loads(text)) == sorted(json.loads(text))
    content = json.loads(text)
    assert content == {
        "bound_ppb": None, "crc32": f"0x{STEPS.crc32:08X}", "entries": [-300, 20, 1000, 7, 9], "entry_bits": 16,
        "first_code": -512, "form": "steps", "high_code": 499, "interpolation": "linear", "low_code": -500,
        "max_error_ppb": 2.5, "rms_error_ppb": 1.0, "scale": {"input": "temperature", "counts_per_c": 100.0},
        "schema": "tcomp table 4", "step_log2": 8, "unit_log2_ppt": 3,
    }  # fmt: skip


NO_TABLE = 'this is no table: expected a JSON object with "schema": "tcomp table 4"'


@pytest.mark.parametrize(
    ("table", "change", "sentence"),
    [
        (STEPS, {"schema": None}, NO_TABLE),
        (STEPS, {"schema": "tcomp table"}, NO_TABLE),
        (STEPS, {"schema": "tcomp table x"}, NO_TABLE),
        (STEPS, {"schema": "tcomp  3"}, NO_TABLE),
        (
            STEPS,
            {"schema": "tcomp table 3"},
            'this is a table of an older form ("tcomp table 3", where "tcomp table 4" is expected; "pace" is '
            '"codes_to_index_q16" now, and there is no form "breakpoints"): run `tcomp table` on its job again',
        ),
        (
            STEPS,
            {"schema": "tcomp table 5"},
            'this is a table of a newer form ("tcomp table 5"; "tcomp table 4" is expected): read it with a newer tcomp',
        ),
        (STEPS, {"form": 5}, "form is 5; expected one of steps, even, segments, polynomial, chebyshev, patches"),
        (
            STEPS,
            {"form": "breakpoints"},
            "form is 'breakpoints'; expected one of steps, even, segments, polynomial, chebyshev, patches",
        ),
        (
            STEPS,
            {"form": "even"},
            "the keys of the table are not those of tcomp table 4: missing or unknown are codes_to_index_q16, polynomial, "
            "step_log2",
        ),
        (
            STEPS,
            {"crc32": "0x00000000"},
            f"the entries have CRC-32 0x{STEPS.crc32:08X} and the table says 0x00000000: it was changed or damaged; design "
            "it again",
        ),
        (STEPS, {"entries": 5}, "entries is no list; expected a list of integers"),
        (SEGMENTS, {"starts": 5}, "starts is no list; expected a list of integers"),
        (SEGMENTS, {"step_log2s": "55"}, "step_log2s is no list; expected a list of integers"),
        (STEPS, {"max_error_ppb": True}, "max_error_ppb is True; expected a number"),
        (STEPS, {"rms_error_ppb": 1e12}, "rms_error_ppb is 1000000000000.0; expected a number"),
        (STEPS, {"bound_ppb": "1"}, "bound_ppb is '1'; expected a number"),
        (STEPS, {"max_error_ppb": None}, "max_error_ppb is None; expected a number"),
        (
            ON,
            {"polynomial": {"middle_code": 0, "shift": 5, "coefficients": 3}},
            "polynomial is {'middle_code': 0, 'shift': 5, 'coefficients': 3}; expected middle_code, shift and a list of "
            "coefficients",
        ),
        (ON, {"polynomial": 5}, "polynomial is 5; expected middle_code, shift and a list of coefficients"),
    ],
)
def test_a_file_is_refused_in_these_words(
    table: CorrectionTable, change: dict[str, Any], sentence: str, tmp_path: Path
) -> None:
    (tmp_path / "t.json").write_text(json.dumps(table.to_json_dict() | change))
    with pytest.raises(TableError, match=f"^{re.escape('t.json: ' + sentence)}$"):
        read_table(tmp_path / "t.json")


@pytest.mark.parametrize("change", [{"bound_ppb": 0.5}, {"max_error_ppb": 3, "rms_error_ppb": 9.9e11}])
def test_numbers_of_a_file_are_numbers(change: dict[str, Any]) -> None:
    read = table_of_json(STEPS.to_json_dict() | change)
    assert {name: getattr(read, name) for name in change} == change


@pytest.mark.parametrize("content", [None, [], "x", {}])
def test_what_is_no_table_at_all(content: Any) -> None:
    with pytest.raises(TableError, match=f"^{re.escape(NO_TABLE)}$"):
        table_of_json(content)


def test_a_missing_file_and_one_that_is_no_json(tmp_path: Path) -> None:
    with pytest.raises(
        TableError, match=r"^none\.json: cannot be read \(No such file or directory\); run the table stage first$"
    ):
        read_table(tmp_path / "none.json")
    (tmp_path / "x.json").write_text("{,}")
    with pytest.raises(TableError, match=r"^x\.json: is no JSON text \(.+\)$"):
        read_table(str(tmp_path / "x.json"))
