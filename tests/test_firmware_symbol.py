"""Symbols: what C takes, and a suggestion that it takes whenever it does not."""

from __future__ import annotations

import keyword

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tcomp.errors import FirmwareError
from tcomp.firmware.symbol import check_symbol


@pytest.mark.parametrize("symbol", ["gauge07", "g", "Gauge_07_", "a" * 24, "interval", "in"])
def test_a_c_identifier_is_taken(symbol: str) -> None:
    check_symbol(symbol)


@pytest.mark.parametrize(
    ("symbol", "sentence"),
    [
        ("", 'symbol "" is empty; "table" would do'),
        ("07gauge", 'begins with a digit; "t07gauge" would do'),
        ("_gauge", 'begins with an underscore, which C keeps to itself; "gauge" would do'),
        ("gauge 07", 'holds more than the letters A to Z, digits and underscores; "gauge_07" would do'),
        ("gauge07\n", 'symbol "gauge07.n" holds more than .*; "gauge07" would do'),
        ("Pegel_größe", 'symbol "Pegel_gr.xf6.xdfe" holds more than .*; "Pegel_gr_e" would do'),
        ("a" * 25, f'has 25 characters; C tells names of 24 apart here; "{"a" * 24}" would do'),
        ("AUX", 'symbol "AUX" is a device on Windows, where no file can have that name; "AUX_table" would do'),
        ("com1", 'symbol "com1" is a device on Windows, where no file can have that name; "com1_table" would do'),
        ("int", 'symbol "int" is a word that C or C.. keeps to itself; "int_table" would do'),
        ("class", '"class_table" would do'),
        ("constexpr", "is a word that C"),
        ("main", "is a word that C"),
        ("*/", '"table" would do'),
    ],
)
def test_what_is_none_is_refused_with_one_that_would_do(symbol: str, sentence: str) -> None:
    with pytest.raises(FirmwareError, match=sentence):
        check_symbol(symbol)


@settings(derandomize=True)
@given(st.one_of(st.text(max_size=40), st.sampled_from([*keyword.kwlist, "volatile", "_Bool", "typeof_unqual"])))
def test_a_suggestion_is_always_taken(symbol: str) -> None:
    try:
        check_symbol(symbol)
    except FirmwareError as refusal:
        check_symbol(str(refusal).rsplit('"', 2)[1])
