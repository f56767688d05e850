"""The integer lookup against exact rationals, and the table file against damage."""

from __future__ import annotations

import json
import zlib
from fractions import Fraction
from math import floor
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tables import changed, step_table

from tcomp.errors import TableError
from tcomp.tables.code_scale import TemperatureScale
from tcomp.tables.layout import CorrectionTable
from tcomp.tables.table_file import read_table, table_of_json, table_text

TABLE = step_table(
    scale=TemperatureScale(100),
    low_code=-500,
    high_code=250,
    first_code=-512,
    step_log2=8,
    entry_bits=16,
    unit_log2_ppt=3,
    interpolation="linear",
    entries=(-300, 20, 1000, 7),
    max_error_ppb=2.5,
    rms_error_ppb=1.0,
)


@st.composite
def tables(draw: st.DrawFn) -> CorrectionTable:
    """Tables of every step, width and interpolation, the entries up to the ends of their width."""
    bits = draw(st.sampled_from([16, 32]))
    step_log2 = draw(st.integers(0, 15))
    interpolation = draw(st.sampled_from(["linear", "nearest"]))
    entries = draw(st.lists(st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1), min_size=2, max_size=5))
    first = draw(st.integers(-32768, 32767 - 1))
    last = min(first + (len(entries) - 1) * 2**step_log2, 32767)
    low = draw(st.integers(first, last))
    return step_table(
        scale=TemperatureScale(10.0),
        low_code=low,
        high_code=draw(st.integers(low, last)),
        first_code=first,
        step_log2=step_log2,
        entry_bits=bits,
        unit_log2_ppt=0,
        interpolation=interpolation,
        entries=tuple(entries),
        max_error_ppb=0.0,
        rms_error_ppb=0.0,
    )


def exact(table: CorrectionTable, code: int) -> int:
    """The lookup by exact rationals: nearest, ties upwards."""
    held = min(max(code, table.low_code), table.high_code)
    along = Fraction(held - table.layout.first_code, 2**table.layout.step_log2)
    if table.layout.interpolation == "nearest":
        return table.entries[floor(along + Fraction(1, 2))]
    knot = floor(along)
    if along == knot:
        return table.entries[knot]
    value = table.entries[knot] + (table.entries[knot + 1] - table.entries[knot]) * (along - knot)
    return floor(value + Fraction(1, 2))


@settings(derandomize=True, deadline=None, max_examples=300)
@given(tables(), st.data())
def test_the_lookup_equals_exact_rationals(table: CorrectionTable, data: st.DataObject) -> None:
    codes = data.draw(st.lists(st.integers(-32768, 32767), min_size=1, max_size=20))
    codes += [table.low_code, table.high_code, (table.low_code + table.high_code) // 2]
    assert table.lookup(codes).tolist() == [exact(table, code) for code in codes]


def test_a_knot_is_returned_exactly() -> None:
    whole = changed(TABLE, low_code=-512, high_code=256)
    assert whole.lookup(whole.knot_codes).tolist() == [-300, 20, 1000, 7]


def test_outside_the_range_the_end_is_held_and_said() -> None:
    assert TABLE.lookup([-32768, -501]).tolist() == [int(TABLE.lookup(-500))] * 2
    assert TABLE.lookup([251, 32767]).tolist() == [int(TABLE.lookup(250))] * 2
    assert TABLE.in_range([-501, -500, 250, 251]).tolist() == [False, True, True, False]


def test_the_nearest_knot_wins_and_halfway_the_upper_one() -> None:
    nearest = changed(TABLE, interpolation="nearest")
    assert nearest.lookup([-385, -384, -256, -129, -128]).tolist() == [-300, 20, 20, 20, 1000]


def test_the_offset_is_the_entry_in_its_unit() -> None:
    assert TABLE.offset_ppt([-256, 0]).tolist() == [20 * 8, 1000 * 8]


def test_codes_round_ties_away_from_zero_and_stay_an_int16() -> None:
    assert TemperatureScale(100).code_of([0.005, -0.005, 1e9, -1e9]).tolist() == [1, -1, 32767, -32768]
    assert TABLE.temperature_of(TABLE.code_of(12.34)) == pytest.approx(12.34)


def test_the_crc_is_the_one_of_the_catalogue() -> None:
    # Catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC: check value for "123456789".
    assert zlib.crc32(b"123456789") == 0xCBF43926


def test_the_crc_runs_over_little_endian_entries_of_their_width() -> None:
    narrow = changed(TABLE, entries=tuple(int.from_bytes(b"12345678"[i : i + 2], "little") for i in (0, 2, 4, 6)))
    assert narrow.crc32 == zlib.crc32(b"12345678")
    wide = changed(TABLE, entry_bits=32, entries=(-1, 2, -3, 4))
    assert wide.crc32 == zlib.crc32(b"".join(entry.to_bytes(4, "little", signed=True) for entry in wide.entries))
    assert (narrow.bytes, wide.bytes) == (8, 16)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"low_code": -32769}, "low_code is -32769; expected an integer from -32768"),
        ({"high_code": -501}, "high_code is -501; expected an integer from -500"),
        ({"first_code": -65537}, "first_code is -65537; expected an integer from -65536"),
        ({"first_code": -499}, "low_code -500 lies below the reach of the first entry"),
        ({"step_log2": 16}, "step_log2 is 16; expected an integer from 0 to 15"),
        ({"step_log2": 7}, "4 entries were given where 7 are needed"),
        ({"entry_bits": 8}, "entry_bits is 8; expected 16 or 32"),
        ({"entries": (-300, 20, 40000, 7)}, "entry 2 is 40000; expected an integer from -32768 to 32767"),
        ({"entries": (-300, 20, 1.5, 7)}, "entry 2 is 1.5; expected an integer"),
        ({"entries": (True, 20, 1, 7)}, "entry 0 is True; expected an integer"),
        ({"entries": ()}, "no entries"),
        ({"unit_log2_ppt": 17}, "unit_log2_ppt is 17"),
        ({"entry_bits": 32, "entries": (2**29, 0, 0, 0)}, "beyond an int32 of ppt"),
        ({"interpolation": "cubic"}, 'interpolation is "cubic"; expected "linear" or "nearest"'),
        ({"max_error_ppb": -1.0}, "max_error_ppb is -1.0"),
        ({"rms_error_ppb": float("inf")}, "rms_error_ppb is inf"),
    ],
)
def test_a_table_that_the_firmware_cannot_hold_is_refused(change: dict[str, Any], sentence: str) -> None:
    with pytest.raises(TableError, match=sentence):
        changed(TABLE, **change)


def test_a_nearest_table_may_begin_half_a_step_above_its_range() -> None:
    table = changed(TABLE, interpolation="nearest", first_code=-372, entries=(1, 2, 3))
    assert table.lookup([-500, -245, -244, 250]).tolist() == [1, 1, 2, 3]
    with pytest.raises(TableError, match="below the reach"):
        changed(table, first_code=-371)
    with pytest.raises(TableError, match="2 entries were given where 3 are needed"):
        changed(table, entries=(1, 2))


@settings(derandomize=True, deadline=None)
@given(tables())
def test_the_text_of_a_table_reads_back_equal(table: CorrectionTable) -> None:
    text = table_text(table)
    assert text.endswith("}\n")
    assert table_of_json(json.loads(text)) == table
    assert table_text(table) == text


def test_a_table_file_reads_back_equal(tmp_path: Path) -> None:
    (tmp_path / "table.json").write_text(table_text(TABLE))
    assert read_table(tmp_path / "table.json") == TABLE


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"entries": [-300, 21, 1000, 7]}, "table.json: the entries have CRC-32 0x.* changed or damaged"),
        ({"crc32": "0x00000000"}, "and the table says 0x00000000"),
        ({"schema": "tcomp curve 2"}, 'this is no table: expected a JSON object with "schema": "tcomp table 4"'),
        ({"schema": "tcomp table 1"}, r'of an older form \("tcomp table 1", .* run `tcomp table` on its job again'),
        ({"schema": "tcomp table 9"}, r'of a newer form \("tcomp table 9"; .* read it with a newer tcomp'),
        ({"colour": "red"}, "missing or unknown are colour"),
        ({"scale": {"input": "temperature", "counts_per_c": "100"}}, "counts_per_c is '100'; expected a number"),
        ({"scale": {"input": "pressure"}}, "scale is {'input': 'pressure'}; expected"),
        ({"max_error_ppb": "2"}, "max_error_ppb is '2'; expected a number"),
        ({"entries": "none"}, "entries is no list"),
        ({"low_code": 1.5}, "low_code is 1.5; expected an integer"),
    ],
)
def test_a_damaged_table_file_is_refused(change: dict[str, Any], sentence: str, tmp_path: Path) -> None:
    (tmp_path / "table.json").write_text(json.dumps(TABLE.to_json_dict() | change))
    with pytest.raises(TableError, match=sentence):
        read_table(tmp_path / "table.json")


def test_what_is_no_table_file_is_refused_by_its_name(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"^table\.json: cannot be read"):
        read_table(tmp_path / "table.json")
    (tmp_path / "table.json").write_text("{")
    with pytest.raises(TableError, match=r"^table\.json: is no JSON text"):
        read_table(tmp_path / "table.json")
    (tmp_path / "table.json").write_text("[]")
    with pytest.raises(TableError, match=r"^table\.json: this is no table"):
        read_table(tmp_path / "table.json")


def test_a_missing_key_is_named(tmp_path: Path) -> None:
    content = TABLE.to_json_dict()
    del content["step_log2"]
    with pytest.raises(TableError, match="missing or unknown are step_log2"):
        table_of_json(content)


def test_sixteen_bit_products_fit_thirty_two_bits() -> None:
    # The edge that the C relies on: the widest rise over the widest step.
    table = changed(TABLE, low_code=-32768, high_code=-1, first_code=-32768, step_log2=15, entries=(32767, -32768, 0))
    assert table.lookup(-1) == exact(table, -1)
    assert (32767 + 32768) * (2**15 - 1) + 2**14 < 2**31
    assert np.array_equal(table.lookup(table.codes[::997]), [exact(table, int(c)) for c in table.codes[::997]])
