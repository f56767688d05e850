"""Numbers on their way into text: constants, vectors, columns and comments, each read back or worked out apart."""

from __future__ import annotations

import ctypes
import re
import struct
import zlib
from decimal import Decimal
from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from firmware_files import read_csv_text, read_image
from hypothesis import given, settings
from hypothesis import strategies as st
from tables import changed, even_table, polynomial_table_of, step_table

from tcomp.errors import FirmwareError
from tcomp.firmware.c_lookup import lookup_c
from tcomp.firmware.corrections import CORRECTIONS, ties
from tcomp.firmware.exporter import Stamp, cell_text
from tcomp.firmware.exporters.c99 import (
    c_source,
    code_type,
    correction_vectors,
    describe,
    example_code,
    lookup_codes,
    numbering,
    offset_ppb_text,
)
from tcomp.firmware.exporters.csv import COLUMNS, csv_text
from tcomp.firmware.exporters.hex import hex_text
from tcomp.firmware.exporters.image import HEADER, Image, image_bytes
from tcomp.firmware.symbol import LONGEST, check_symbol
from tcomp.job import Sensor
from tcomp.tables import AdcScale, CorrectionTable, TemperatureScale

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("curve", 3.25), ("sensor, 0.0625 degC", 12.0)), "ramps to 1 degC/min")
TABLE = step_table(
    scale=TemperatureScale(100), low_code=-500, high_code=250, first_code=-512, step_log2=8, entry_bits=16,
    unit_log2_ppt=3, interpolation="linear", entries=(-300, 20, 1000, 7), max_error_ppb=2.5, rms_error_ppb=1.0,
)  # fmt: skip
LONG = changed(TABLE, step_log2=5, entries=tuple((-1) ** k * (k * 1361 % 32749) for k in range(26)))
WIDE = changed(TABLE, entry_bits=32, unit_log2_ppt=0, entries=(-(2**31), 2**31 - 1, -7, 0))
RAW = changed(
    TABLE, scale=AdcScale(Sensor("linear", degc_per_count=-0.002, offset_c=100.0)), low_code=40000, high_code=40700,
    first_code=39990,
)  # fmt: skip
POLYNOMIAL = polynomial_table_of(
    scale=TemperatureScale(100), low_code=-500, high_code=250, middle_code=-125, shift=6, entry_bits=16, unit_log2_ppt=3,
    entries=(1000, -2000, 3000), max_error_ppb=2.5, rms_error_ppb=1.0,
)  # fmt: skip
EVEN = even_table(
    scale=TemperatureScale(100), low_code=-500, high_code=250, first_code=-512, codes_to_index_q16=222, interpolation="linear",
    entry_bits=16, unit_log2_ppt=3, entries=(-300, 20, 1000, 7), max_error_ppb=2.5, rms_error_ppb=1.0,
)  # fmt: skip
TABLES = {"steps": TABLE, "long": LONG, "32 bits": WIDE, "raw": RAW, "polynomial": POLYNOMIAL, "even": EVEN}
each_table = pytest.mark.parametrize("table", TABLES.values(), ids=TABLES)


def constants(text: str) -> list[int]:
    """Integers of C constants, by what C99 says of them: INT32_MIN, INT64_C(1), -INT64_C(1), 7."""
    plain = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
    least = re.sub(r"U?INT(\d+)_MIN", lambda found: str(-(2 ** (int(found[1]) - 1))), plain)
    return [int(number) for number in re.findall(r"-?\d+", re.sub(r"U?INT\d+_C\((\d+)\)", r"\1", least))]


def array_of(text: str, name: str) -> str:
    """What stands in the braces of an array."""
    found = re.search(rf"{name}\[[^\]]*\][^=;]*= \{{\n(.*?)\n\}};", text, flags=re.DOTALL)
    assert found
    return found[1]


# ---- the C


@each_table
def test_entries_stand_eight_a_line_behind_the_code_of_the_first(table: CorrectionTable) -> None:
    lines = array_of(c_source(table, "g", stamp=STAMP)["g.c"], "g_entries").split("\n")
    rows = [constants(line) for line in lines]
    assert [entry for row in rows for entry in row] == list(table.entries)
    assert [len(row) for row in rows[:-1]] == [8] * (len(rows) - 1)
    places = [float(found[1]) for line in lines if (found := re.match(r" {4}/\* +(\S+) \*/ ", line))]
    knots = table.knot_codes if len(table.knot_codes) else np.arange(len(table.entries))
    assert places == pytest.approx(knots[::8], rel=1e-9)
    # In columns: all lines but the last are equally long, without the commas that end them.
    assert len({len(line) for line in lines[:-1]}) <= 1


@each_table
def test_the_vectors_of_the_self_test_are_what_exact_integers_say(table: CorrectionTable) -> None:
    text = c_source(table, "g", corrections=tuple(CORRECTIONS), stamp=STAMP)["g_selftest.c"]
    rows = [constants(line) for line in array_of(text, "g_lookup_vectors").split("\n")[1:]]
    codes = lookup_codes(table)
    assert [row[2] for row in rows] == list(codes)
    for offset_ppt, entry, code, inside in rows:
        assert entry == int(table.lookup(code))
        assert offset_ppt == entry * 2**table.unit_log2_ppt
        assert inside == (table.low_code <= code <= table.high_code)
    for name, correction in CORRECTIONS.items():
        rows = [constants(line) for line in array_of(text, f"g_{correction.function}_vectors").split("\n")[1:]]
        assert [(given, offset) for given, _, offset in rows] == list(correction_vectors(table, correction))
        for given_value, expected, offset_ppt in rows:
            factor = 1 + Fraction(offset_ppt, 10**12)
            exact = given_value * factor if name == "frequency" else given_value / factor
            held = min(max(exact, Fraction(correction.least)), Fraction(correction.largest))
            assert abs(expected - held) <= Fraction(1, 2)


@each_table
def test_the_self_test_counts_its_vectors(table: CorrectionTable) -> None:
    text = c_source(table, "g", corrections=tuple(CORRECTIONS), stamp=STAMP)["g_selftest.c"]
    stated = re.sub(r"\s+\*?\s*", " ", text.split("#include")[0])
    before = 1
    for name in ("lookup", *(correction.function for correction in CORRECTIONS.values())):
        count = len(array_of(text, f"g_{name}_vectors").split("\n")) - 1
        assert f"g_{name}_vectors[{count}]" in text
        assert f"{before + 1} to {before + count} are {name}" in stated
        assert f"wrong = g_wrong_{name}();\n    if (wrong != 0) {{\n        return {before} + wrong;" in text
        before += count
    assert "Vector 1 is the CRC-32 of the table; 2 to " in stated


def test_the_words_for_the_numbers_of_the_self_test() -> None:
    said = numbering({"lookup": 3, "true_frequency": 1, "tuning_word": 20})
    assert (
        said
        == " * Vector 1 is the CRC-32 of the table; 2 to 4 are lookup; 5 to 5 are true_frequency; 6 to 25 are\n * tuning_word."
    )


@pytest.mark.parametrize(("table", "bits", "reads"), [(TABLE, 16, "word"), (WIDE, 32, "dword")])
def test_the_header_gives_range_unit_and_how_an_entry_is_read(table: CorrectionTable, bits: int, reads: str) -> None:
    header = c_source(table, "gauge07", stamp=STAMP)["gauge07.h"]
    defined = dict(re.findall(r"#define GAUGE07_(LOW_CODE|HIGH_CODE|UNIT_PPT|ENTRIES) +\(([^)]*)\)", header))
    assert defined == {
        "LOW_CODE": "-500", "HIGH_CODE": "250", "UNIT_PPT": str(2**table.unit_log2_ppt), "ENTRIES": "4u"
    }  # fmt: skip
    assert f"((int{bits}_t)pgm_read_{reads}(&(entries)[place]))" in header
    assert f"extern const int{bits}_t gauge07_entries[GAUGE07_ENTRIES];" in header
    assert f"each entry as {bits // 8} bytes, the low one first): 0x{table.crc32:08X}" in header


@pytest.mark.parametrize(("table", "word"), [(TABLE, "code"), (EVEN, "code"), (POLYNOMIAL, "power")])
def test_each_line_of_entries_begins_with_what_is_said(table: CorrectionTable, word: str) -> None:
    assert f"/* Each line begins with the {word} of its first entry. */" in c_source(table, "g", stamp=STAMP)["g.c"]


def test_the_least_of_a_type_is_not_written_as_minus_a_constant() -> None:
    # C99 6.4.4.1: 2147483648 is no int32_t, so that minus it is a wider type.
    least = changed(WIDE, entries=(-(2**31), -(2**31), -7, 0))
    sources = c_source(least, "g", stamp=STAMP)
    assert "-2147483648" not in "".join(sources[name] for name in ("g.c", "g_selftest.c"))
    assert "-9223372036854775808" not in sources["g_selftest.c"]
    assert sources["g.c"].count("INT32_MIN") == 2
    # At code -32768 the first entry is held, in ppt and in units; the vectors of the corrections hold int64s too.
    assert "{INT32_MIN, INT32_MIN, -32768, 0}" in sources["g_selftest.c"]
    assert "{INT64_MIN, " in sources["g_selftest.c"]
    narrow = c_source(changed(TABLE, entries=(-32768, 0, 0, 0)), "g", stamp=STAMP)
    assert "-32768" in narrow["g.c"]


def test_codes_are_unsigned_where_the_converter_gives_them() -> None:
    assert [code_type(table) for table in (TABLE, RAW)] == ["int16_t", "uint16_t"]


# ---- what is looked at


@each_table
def test_codes_of_the_self_test_hold_ends_knots_and_what_lies_between(table: CorrectionTable) -> None:
    codes = lookup_codes(table)
    scale, low, high = table.scale, table.low_code, table.high_code
    assert list(codes) == sorted(set(codes))
    assert (codes[0], codes[-1]) == (scale.least_code, scale.largest_code)
    assert {low - 1, low, low + 1, (low + high) // 2, high - 1, high, high + 1} <= set(codes)
    knots = [int(np.floor(code)) for code in table.knot_codes]
    # Some of the knots, the first among them, with both neighbours and the middle to the next.
    asked = knots[:: max(1, len(knots) // 4)]
    for place, knot in enumerate(asked):
        assert {knot - 1, knot, knot + 1} <= set(codes)
        at = place * max(1, len(knots) // 4)
        if at + 1 < len(knots):
            assert (knot + knots[at + 1]) // 2 in codes
    assert len(codes) <= 11 + 4 * max(5, len(asked))


def test_where_no_entry_stands_five_codes_over_the_range_are_looked_at() -> None:
    assert {-500, -313, -125, 62, 250} <= set(lookup_codes(POLYNOMIAL))


@pytest.mark.parametrize("name", CORRECTIONS)
def test_vectors_of_corrections_hold_the_ends_of_the_types_and_ties(name: str) -> None:
    correction = CORRECTIONS[name]
    vectors = correction_vectors(TABLE, correction)
    assert len(set(vectors)) == len(vectors)
    least, largest = correction.least, correction.largest
    assert all(least <= value <= largest and -(2**31) <= offset < 2**31 for value, offset in vectors)
    own = int(TABLE.offset_ppt(-125))
    for value in (0, 1, 12_800_000, 2_000_000_001, largest, least):
        assert {(value, own), (value, -123_456_789)} <= set(vectors)
    assert {(largest, 2**31 - 1), (largest, -(2**31)), (least, -(2**31))} <= set(vectors)
    halves = [vector for vector in vectors if vector in ties()]
    if least == 0:
        assert any((value / (1 + Fraction(offset, 10**12))) % 1 == Fraction(1, 2) for value, offset in halves)
    if least < 0:
        assert {(-12_800_001, own), (-12_800_001, -123_456_789)} <= set(vectors)
        exact = [
            v * (1 + Fraction(o, 10**12)) if name == "frequency" else v / (1 + Fraction(o, 10**12)) for v, o in halves
        ]
        assert any(value % 1 == Fraction(1, 2) and value > 0 for value in exact)
        assert any(value % 1 == Fraction(1, 2) and value < 0 for value in exact)


def test_ties_come_with_both_signs_of_value_and_of_offset() -> None:
    quarters = {(shown > 0, offset_ppt > 0) for shown, offset_ppt in ties()[:6]}
    assert quarters == {(shown > 0, offset_ppt > 0) for shown, offset_ppt in ties()[6:]}
    assert len(quarters) == 4
    assert len(set(ties())) == len(ties())


def test_the_tables_own_offset_is_that_of_the_code_in_the_middle_rounded_down() -> None:
    odd = changed(TABLE, high_code=249)
    assert odd.offset_ppt(-126) != odd.offset_ppt(-125)
    assert (1, int(odd.offset_ppt(-126))) in correction_vectors(odd, CORRECTIONS["frequency"])


# ---- comments


@settings(derandomize=True)
@given(st.integers(-(2**31), 2**31 - 1))
def test_an_offset_in_ppb_is_the_decimal_number(offset_ppt: int) -> None:
    text = offset_ppb_text(offset_ppt)
    assert Decimal(text) == Decimal(offset_ppt) / 1000
    assert re.fullmatch(r"-?\d+\.\d{3}", text)


@pytest.mark.parametrize(
    ("entries", "code", "pace"),
    [
        ((-300, 20, 1000, 7), -125, "fast"),
        ((-300, -20, -1000, -7), -125, "slow"),
        ((-300, 0, 0, 7), -500, "slow"),
        ((0, 0, 0, 7), 250, "fast"),
        ((0, 0, 0, 0), -125, "right"),
    ],
)
def test_the_example_takes_a_code_whose_sign_can_be_seen(entries: tuple[int, ...], code: int, pace: str) -> None:
    table = changed(TABLE, entries=entries)
    assert example_code(table) == code
    result = re.sub(r"\s+\*\s+", " ", describe(table, "g", (), STAMP)["example"])
    entry, offset_ppt = int(table.lookup(code)), int(table.offset_ppt(code))
    assert result == (
        f" At {code / 100:g} degC the code is {code}. g_lookup({code}) is {entry}, in units of 8 ppt; "
        f"g_offset_ppt({code}) is {offset_ppt}. So y = {Decimal(offset_ppt) / 1000:.3f} ppb: the oscillator is {pace}."
    )


def test_the_paragraphs_of_the_comments() -> None:
    result = describe(TABLE, "gauge07", tuple(CORRECTIONS.values()), STAMP)
    assert result["title"] == (' * Frequency offset of the oscillator "gauge 07" against temperature, as integers.')
    assert result["origin"] == " * Generated by tcomp 1.0 from inputs sha256 00ff."
    assert result["code_words"] == " *   code = 100 * temperature in degC, rounded to the nearest integer."
    assert result["range"].split("\n") == [
        " *   -5 to 2.5 degC, codes -500 to 250. Outside it the offset of the nearest end is returned, and",
        " *   gauge07_in_range(code) is 0.",
    ]
    assert result["layout"].split("\n") == [
        " *   4 entries of 16 bits, 8 bytes; one every 256 codes (2.56 degC) from code -512 on, straight",
        " *   lines between. Against the curve, over every code of the range: 2.5 ppb at most, 1 ppb rms.",
    ]
    assert result["budget"].split("\n") == [
        " *   curve                3.25 ppb",
        " *   sensor, 0.0625 degC    12 ppb",
        " *   Valid: ramps to 1 degC/min",
    ]
    own = int(TABLE.offset_ppt(-125))
    factor = 1 + Fraction(own, 10**12)
    lines = re.sub(r"\n \* {3}(?=[A-Z])", "\n\n", result["example"]).split("\n\n")[1:]
    assert [re.sub(r"\s+\*\s+", " ", line) for line in lines] == [
        f"A counter on it that shows 10000000000 mHz is fed {round(10**10 * factor)} mHz: "
        f"gauge07_true_frequency(10000000000, {own}).",
        f"An interval that it shows as 1000000000 ns lasted {round(10**9 / factor)} ns: "
        f"gauge07_true_interval(1000000000, {own}).",
        f"Where a synthesiser on it would need the word 1000000000, give it {round(10**9 / factor)}: "
        f"gauge07_tuning_word(1000000000, {own}).",
        f"Where one of 48 bits would need the word 100000000000000, give it {round(10**14 / factor)}: "
        f"gauge07_tuning_word_48(100000000000000, {own}).",
    ]


def test_one_entry_is_one_and_no_budget_is_no_line() -> None:
    one = changed(TABLE, interpolation="nearest", step_log2=15, entries=(5,), first_code=0)
    result = describe(one, "g", (), changed(STAMP, budget_ppb=()))
    assert result["layout"].startswith(
        " *   1 entry of 16 bits, 2 bytes; one every 32768 codes (327.68 degC) from code 0 on"
    )
    assert result["budget"] == " *   Valid: ramps to 1 degC/min"


def test_comments_break_between_words_alone_and_before_column_99() -> None:
    long = changed(STAMP, oscillator="slow-and-steady " * 12, validity="x" * 300)
    result = describe(TABLE, "g", (), long)
    lines = "\n".join(result.values()).split("\n")
    assert max(map(len, lines)) == 98
    assert not any(line.endswith("-") for line in result["title"].split("\n"))


# ---- CSV


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("a,=1", "a,'=1"), ("a; +1", "a; '+1"), ("a|-1", "a|'-1"), ("a,@x", "a,'@x"), ("a, b", "a, b"), ("=1", "=1"),
        ("a,,=1", "a,,'=1"), ("a:=1", "a:=1"),
    ],
)  # fmt: skip
def test_no_cell_of_a_comment_begins_a_formula(text: str, safe: str) -> None:
    assert cell_text(text) == safe


def test_the_lines_of_a_csv() -> None:
    lines = csv_text(TABLE, "gauge07", STAMP).split("\n")
    assert lines == [
        '# gauge07: offset of the oscillator "gauge 07" at the knots of its table',
        "# generated by tcomp 1.0 from inputs sha256 00ff",
        "# offset = (f - f_nominal) / f_nominal, positive: fast; entry * 2**unit_log2_ppt is in ppt (1e-12)",
        "# code = counts_per_c * temperature in degC, rounded; one every 256 codes (2.56 degC) from code -512 on, "
        "straight lines between",
        "# counts_per_c: 100",
        "# bound_ppb: null",
        "# entry_bits: 16",
        "# first_code: -512",
        "# form: steps",
        "# high_code: 250",
        "# interpolation: linear",
        "# low_code: -500",
        "# max_error_ppb: 2.5",
        "# rms_error_ppb: 1.0",
        "# step_log2: 8",
        "# unit_log2_ppt: 3",
        f"# crc32: 0x{zlib.crc32(struct.pack('<4h', *TABLE.entries)):08X}",
        "code,temperature_c,entry,offset_ppb",
        "-512,-5.120000,-300,-2.400",
        "-256,-2.560000,20,0.160",
        "0,0.000000,1000,8.000",
        "256,2.560000,7,0.056",
        "",
    ]
    assert "# code = what the converter at the sensor gives, as it is; one every" in csv_text(RAW, "g", STAMP)


@each_table
def test_a_csv_of_any_form_reads_back_equal(table: CorrectionTable) -> None:
    assert read_csv_text(csv_text(table, "gauge07", STAMP)) == table


def test_coefficients_stand_at_no_code_in_a_csv() -> None:
    lines = csv_text(POLYNOMIAL, "g", STAMP).split("\n")
    assert lines[-4:] == [",,1000,8.000", ",,-2000,-16.000", ",,3000,24.000", ""]


@pytest.mark.parametrize(
    ("right", "wrong", "sentence"),
    [
        (COLUMNS, "", f'the CSV has no header; expected "{COLUMNS}"'),
        (
            "0,0.000000,1000,",
            "0,0.000000,1001,",
            "the rows of the CSV do not agree with its comments: it was changed or damaged",
        ),
        (
            "0,0.000000,1000,",
            "1,0.000000,1000,",
            "the rows of the CSV do not agree with its comments: it was changed or damaged",
        ),
        (
            "256,2.560000,7,0.056\n",
            "",
            r"the CSV cannot be read back \(high_code 250 lies above .* are needed\); expected what .*",
        ),
        (
            "256,2.560000,7,0.056",
            "256",
            r"the CSV cannot be read back \(list index out of range\); expected what the export wrote",
        ),
        ("# counts_per_c: 100", "", r"the CSV cannot be read back \('counts_per_c'\); expected what the export wrote"),
    ],
)
def test_a_csv_that_does_not_agree_with_itself_is_refused(right: str, wrong: str, sentence: str) -> None:
    text = csv_text(TABLE, "gauge07", STAMP)
    assert text.count(right) == 1
    with pytest.raises(FirmwareError, match=f"^{sentence}$"):
        read_csv_text(text.replace(right, wrong))


# ---- images and records


def test_what_of_a_table_goes_into_an_image() -> None:
    assert Image.of(TABLE) == Image(
        raw_codes=False, adc_bits=0, counts_per_c=100.0, low_code=-500, high_code=250, first_code=-512, step_log2=8,
        entry_bits=16, unit_log2_ppt=3, interpolation="linear", entries=(-300, 20, 1000, 7),
    )  # fmt: skip
    raw = Image.of(RAW)
    assert (raw.raw_codes, raw.adc_bits, raw.counts_per_c) == (True, 16, 0.0)
    # IEEE 754: 100 is 1.5625 * 2**6, so the upper word is (1023 + 6) << 20 and 0x90000 of the fraction.
    assert Image.of(TABLE).counts_words == (0, (1029 << 20) + 0x90000)
    bits = ctypes.c_uint64.from_buffer(ctypes.c_double(51.2)).value
    assert changed(Image.of(TABLE), counts_per_c=51.2).counts_words == (bits % 2**32, bits >> 32)


@pytest.mark.parametrize("table", [EVEN, POLYNOMIAL])
def test_images_hold_steps_alone(table: CorrectionTable) -> None:
    sentence = (
        f'^a binary image holds tables of the form "steps", and this one is of the form "{table.form}"; '
        r'put form = "steps" under \[table\], or leave bin and ihex out of formats$'
    )
    with pytest.raises(FirmwareError, match=sentence):
        image_bytes(table)


def signed_anew(image: bytes, place: int, value: bytes) -> bytes:
    body = image[:place] + value + image[place + len(value) : -4]
    return body + struct.pack("<I", zlib.crc32(body))


SOUND = image_bytes(TABLE)


@pytest.mark.parametrize(
    ("image", "sentence"),
    [
        (SOUND[:75], "this is no image of a table: expected TCTB and a header of 72 bytes"),
        (b"TCTA" + SOUND[4:], "this is no image of a table: expected TCTB and a header of 72 bytes"),
        (SOUND[:76], "the image does not have the CRC-32 that it states: it was damaged; export it again"),
        (signed_anew(SOUND, 4, b"\x00"), "the image has version 0; expected 2: read it with a newer tcomp"),
        (signed_anew(SOUND, 29, b"\x01"), "the image holds values that mean nothing; expected what the export wrote"),
        (signed_anew(SOUND, 32, b"\x02"), "the image holds values that mean nothing; expected what the export wrote"),
        (signed_anew(SOUND, 6, b"\x49"), "the image has 84 bytes where its header states 84; export it again"),
        (signed_anew(SOUND, 8, b"\x55"), "the image has 84 bytes where its header states 84; export it again"),
        (signed_anew(SOUND, 12, b"\x03"), "the image has 84 bytes where its header states 82; export it again"),
    ],
)
def test_an_image_that_is_not_sound_is_refused_in_these_words(image: bytes, sentence: str) -> None:
    with pytest.raises(FirmwareError, match=f"^{sentence}$"):
        read_image(image)


def test_an_image_without_entries_has_the_least_length() -> None:
    header = HEADER.pack(b"TCTB", 2, 72, 76, 0, 0, 0, 0, 0, 2, 0, 0, 1, 0, bytes(6), 1.0, b"", 0, b"")
    assert read_image(header + struct.pack("<I", zlib.crc32(header))).entries == ()


@pytest.mark.parametrize("count", [0, 1, 15, 16, 17, 32, 40])
@pytest.mark.parametrize("address", [0, 0xFFF0, 0xFFF9, 0xFFFF, 0x1_0000, 0x12_FFF8])
def test_records_put_each_byte_at_its_address(count: int, address: int) -> None:
    content = bytes(range(100, 100 + count))
    lines = hex_text(content, address).split("\n")
    assert lines[-2:] == [":00000001FF", ""]
    upper, got = None, {}
    for line in lines[:-2]:
        raw = bytes.fromhex(line[1:])
        assert sum(raw) % 256 == 0
        assert raw[0] == len(raw) - 5
        if raw[3] == 4:
            assert raw[1:3] == b"\0\0"
            upper = int.from_bytes(raw[4:6], "big")
            continue
        assert raw[3] == 0
        assert 1 <= raw[0] <= 16
        assert upper is not None
        at = int.from_bytes(raw[1:3], "big")
        assert at + raw[0] <= 2**16
        got |= {(upper << 16) + at + k: byte for k, byte in enumerate(raw[4:-1])}
    assert got == {address + k: byte for k, byte in enumerate(content)}
    # No more records than whole lines and the banks need.
    banks = {(address + k) >> 16 for k in range(count)}
    assert len(lines) - 2 <= len(banks) + -(-count // 16) + len(banks) - (1 if count else 0)


@pytest.mark.parametrize(("count", "address", "text"), [(4, -1, "-0x1"), (4, 2**32 - 3, "0xfffffffd")])
def test_bytes_beyond_32_bits_are_refused_in_these_words(count: int, address: int, text: str) -> None:
    sentence = (
        f"^an image of {count} bytes at address {text} leaves the 32 bits of an address; expected 0x0 to 0xfffffffc$"
    )
    with pytest.raises(FirmwareError, match=sentence):
        hex_text(bytes(count), address)


# ---- names


@pytest.mark.parametrize(
    ("symbol", "sentence"),
    [
        (
            "a" * (LONGEST + 1),
            f'symbol "{"a" * 25}" has 25 characters; C tells names of 24 apart here; "{"a" * 24}" would do',
        ),
        ("7" * 30, f'symbol "{"7" * 30}" begins with a digit; "t{"7" * 23}" would do'),
        (
            "a b_" + "c" * 30,
            f'symbol "a b_{"c" * 30}" holds more than the letters A to Z, digits and underscores; "a_b_{"c" * 20}" would do',
        ),
        (
            "a" * 23 + "-b",
            f'symbol "{"a" * 23}-b" holds more than the letters A to Z, digits and underscores; "{"a" * 23}" would do',
        ),
        ("_", 'symbol "_" begins with an underscore, which C keeps to itself; "table" would do'),
        ("float", 'symbol "float" is a word that C or C[+][+] keeps to itself; "float_table" would do'),
        ("a\nb", r'symbol "a\\nb" holds more than the letters A to Z, digits and underscores; "a_b" would do'),
    ],
)
def test_a_name_is_refused_in_these_words(symbol: str, sentence: str) -> None:
    with pytest.raises(FirmwareError, match=f"^{sentence}$"):
        check_symbol(symbol)


def test_other_words_of_a_form_without_c() -> None:
    odd: Any = SimpleNamespace(form="odd", layout=object())
    with pytest.raises(FirmwareError, match=r'^there is no C for a table of the form "odd"$'):
        lookup_c(odd, "g")
