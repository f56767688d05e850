"""Free text on its way into a C comment."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tcomp.firmware.exporter import comment_text

hostile = st.text(alphabet="*/\\?\n\r\t 'a\"=()<>!-\x00\x1b\u2028°é", max_size=60)


@settings(derandomize=True, max_examples=500)
@given(st.one_of(hostile, st.text(max_size=60)))
def test_no_text_ends_a_comment_joins_lines_or_makes_a_trigraph(text: str) -> None:
    safe = comment_text(text)
    assert all(" " <= character <= "~" for character in safe)
    assert not any(sequence in safe for sequence in ("*/", "/*", "\\", "??"))


@pytest.mark.parametrize(
    ("text", "safe"),
    [
        ("gauge 07", "gauge 07"),
        ("±5 °C, 3 µg, 10 kΩ, 2\N{EN DASH}3", "+/-5 degC, 3 ug, 10 kohm, 2-3"),
        ("Pegelstation Fährhaus", "Pegelstation Fahrhaus"),
        ("two\nlines", "two lines"),
        ("*/ int x = 0; /*", "* / int x = 0; / *"),
        ("*\\\n/", "*_ /"),
        ("what???/", "what? ? ?/"),
        ("河", "_"),
    ],
)
def test_text_stays_readable(text: str, safe: str) -> None:
    assert comment_text(text) == safe
