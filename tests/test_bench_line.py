"""Lines of instruments become numbers in the unit of the log, with every digit that they had."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tcomp.bench.columns import Column, Layout
from tcomp.bench.join import Join
from tcomp.bench.line import LineReader, UnusableError
from tcomp.bench.source import Reading
from tcomp.job import Source


def reader(*gives: str, **keys: object) -> LineReader:
    return LineReader(Source("board", "serial", gives, port="p", **keys))  # type: ignore[arg-type]


BOTH = ("temperature", "frequency")


@pytest.mark.parametrize(
    ("keys", "line"),
    [
        ({}, "21.5,12800001.25"),
        ({}, "21.5;12800001.25"),
        ({}, "21.5\t12800001.25"),
        ({}, "  21.5   12800001.25"),
        ({}, "+2.15E+01 , 1.280000125e7"),
        ({}, "21.5 C 12800001.25 Hz"),
        ({}, "21.5degC,12.80000125MHz"),
        ({}, "294.65 K,12800.00125 kHz"),
        ({}, "70.7 °F;12800001,25"),
        ({"fields": (3, 2)}, "x,12800001.25,21.5,y"),
        ({"fields": ("T", "F")}, "F=12800001.25 T=21.5"),
        ({"fields": ("T", "F")}, '{"T": 21.5, "F": 12800001.25, "TT": 3}'),
        ({"pattern": r"t(\S+) f(\S+)"}, "t21.5 f12800001.25"),
        ({"pattern": r"(?P<frequency>[\d.]+) Hz at (?P<temperature>[\d.]+)"}, "12800001.25 Hz at 21.5"),
        ({"unit": ("K", "MHz")}, "294.65,12.80000125"),
    ],
)
def test_the_ways_in_which_instruments_write(keys: dict[str, object], line: str) -> None:
    """294.65 K and 70.7 degF are 21.5 degC: T/K - 273.15 and (T/degF - 32) 5/9 (BIPM, SI Brochure, and its definition)."""
    found = reader(*BOTH, **keys).values(line)
    assert found == {"temperature": pytest.approx(21.5, abs=1e-12), "frequency": 12800001.25}


def test_a_line_of_headings_tells_where_the_names_are() -> None:
    lines = reader(*BOTH, fields=("board", "osc"))
    assert lines.values("utc,osc,board") is None
    assert lines.values("x,12800001.25,21.5") == {"temperature": 21.5, "frequency": 12800001.25}


@pytest.mark.parametrize(
    ("line", "kind", "why"),
    [
        ("21.5", "half line", "there is no field 2 in the line '21.5'"),
        ("21.5,", "garbage", "'' is no frequency"),
        ("21.5,128x1", "garbage", "'128x1' is no frequency, in the line '21.5,128x1'"),
        ("21.521.6,12800001", "garbage", "'21.521.6' is no temperature"),
        ("21.5,12800001 ppm", "another unit", "the frequency is in ppm, the job says Hz"),
        ("21.5 ohm,12800001", "another unit", "the temperature is in ohm, the job says degC"),
    ],
)
def test_a_line_that_does_not_hold_them_is_told(line: str, kind: str, why: str) -> None:
    with pytest.raises(UnusableError, match=why) as found:
        reader(*BOTH).values(line)
    assert found.value.kind == kind


def test_a_long_line_is_shown_in_part() -> None:
    with pytest.raises(UnusableError) as found:
        reader(*BOTH, pattern="T(.*)F(.*)").values("x" * 5000)
    assert len(str(found.value)) < 150


@given(st.integers(10**6, 10**12), st.integers(0, 8), st.sampled_from(["Hz", "kHz", "MHz"]))
def test_a_frequency_keeps_every_digit_in_any_unit(digits: int, places: int, unit: str) -> None:
    """Python's own decimal arithmetic, exact."""
    from decimal import Decimal

    number = Decimal(digits).scaleb(-places)
    found = reader(*BOTH).values(f"1,{number:f} {unit}")
    assert found["frequency"] == float(number * {"Hz": 1, "kHz": 1000, "MHz": 10**6}[unit])


def test_a_reference_is_well_by_its_words_or_its_number() -> None:
    by_words = reader("reference", good="^LOCK")
    assert [by_words.values(line)["reference"] for line in ("LOCKED", "UNLOCKED")] == [1.0, 0.0]
    by_number = reader("reference", within=(-10.0, 10.0))
    assert [by_number.values(line)["reference"] for line in ("-9.5", "10.5")] == [1.0, 0.0]


LAYOUT = Layout(
    None,  # type: ignore[arg-type]
    "utc",
    (Column("t", "temperature", "degC", "probe"), Column("f", "frequency", "Hz", "counter")),
    "counter",
    None,
)


def joined(
    probe: list[tuple[float, float]], counter: list[float], now_s: float, bridged_s: float | None = None
) -> list[tuple]:
    join = Join(LAYOUT, bridged_s)
    readings = [Reading("probe", t, {"temperature": v}) for t, v in probe]
    readings += [Reading("counter", t, {"frequency": 1.0}) for t in counter]
    for reading in sorted(readings, key=lambda one: one.time_s):
        join.add(reading)
    return [(row.time_s, row.values[0], row.hows[0]) for row in join.rows(now_s)]


def test_a_temperature_is_interpolated_to_the_counters_time() -> None:
    """Halfway and a quarter of the way: arithmetic."""
    assert joined([(0.0, 20.0), (4.0, 24.0)], [1.0, 2.0, 4.0], 4.0) == [
        (1.0, 21.0, "interpolated"), (2.0, 22.0, "interpolated"), (4.0, 24.0, "measured"),
    ]  # fmt: skip


def test_a_row_waits_for_the_sample_after_it_but_not_for_good() -> None:
    probe = [(float(t), 20.0 + t) for t in range(0, 10, 2)]
    assert joined(probe, [8.5], 9.0) == []
    assert joined(probe, [8.5], 14.0) == [(8.5, 28.0, "held")]


def test_a_gap_is_not_interpolated_over() -> None:
    probe = [(float(t), 20.0) for t in range(10)] + [(100.0, 50.0), (101.0, 50.0)]
    rows = joined(probe, [50.0, 100.5], 101.0)
    assert rows[0][2] == "none"
    assert rows[1] == (100.5, 50.0, "interpolated")
    assert joined([(0.0, 20.0), (100.0, 50.0)], [50.0], 100.0, bridged_s=200.0) == [(50.0, 35.0, "interpolated")]
