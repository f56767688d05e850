"""Lines of instruments become numbers in the unit of the log, with every digit that they had."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tcomp.bench.instruments import Reading
from tcomp.bench.line import LineReader, UnusableError
from tcomp.bench.rows import Join, LogColumn, LogLayout
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
        ("21.5,", "garbage", "'' is not a valid frequency"),
        ("21.5,128x1", "garbage", "'128x1' is not a valid frequency, in the line '21.5,128x1'"),
        ("21.521.6,12800001", "garbage", "'21.521.6' is not a valid temperature"),
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


LAYOUT = LogLayout(
    None,  # type: ignore[arg-type]
    "utc",
    (LogColumn("t", "temperature", "degC", "probe"), LogColumn("f", "frequency", "Hz", "counter")),
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
    return [(row.time_s, row.values[0], row.origins[0]) for row in join.rows(now_s)]


def test_a_temperature_is_interpolated_to_the_counters_time() -> None:
    """Halfway and a quarter of the way: arithmetic."""
    assert joined([(0.0, 20.0), (4.0, 24.0)], [1.0, 2.0, 4.0], 4.0) == [
        (1.0, 21.0, "interpolated"), (2.0, 22.0, "interpolated"), (4.0, 24.0, "measured"),
    ]  # fmt: skip


def test_a_row_waits_for_the_sample_after_it_but_not_for_good() -> None:
    probe = [(float(t), 20.0 + t) for t in range(0, 10, 2)]
    assert joined(probe, [8.5], 9.0) == []
    assert joined(probe, [8.5], 14.0) == [(8.5, 28.0, "held")]


@pytest.mark.parametrize(
    ("bridged_s", "time_s", "how"),
    [
        (10.0, 9.0, "interpolated"),
        (10.0, 15.0, "held"),
        (10.0, 15.1, "none"),
        (None, 11.9, "held"),
        (None, 12.6, "none"),
    ],
)
def test_a_value_is_held_for_half_of_what_is_bridged(bridged_s: float | None, time_s: float, how: str) -> None:
    """Samples at 0 and 10 s, then at 30 s.  Bridged: 10 s as stated, or five intervals; half of it where nothing follows."""
    probe = (
        [(0.0, 20.0), (10.0, 20.0), (30.0, 20.0)]
        if bridged_s
        else [(float(t), 20.0) for t in range(10)] + [(100.0, 20.0)]
    )
    if bridged_s is None:
        # One sample a second up to 9 s: five intervals are 5 s, half of them 2.5 s.
        time_s -= 0.5
    assert joined(probe, [time_s], 200.0, bridged_s)[0][2] == how


def test_a_gap_is_not_interpolated_over() -> None:
    probe = [(float(t), 20.0) for t in range(10)] + [(100.0, 50.0), (101.0, 50.0)]
    rows = joined(probe, [50.0, 100.5], 101.0)
    assert rows[0][2] == "none"
    assert rows[1] == (100.5, 50.0, "interpolated")
    assert joined([(0.0, 20.0), (100.0, 50.0)], [50.0], 100.0, bridged_s=200.0) == [(50.0, 35.0, "interpolated")]


@pytest.mark.parametrize(("after_s", "how"), [(14.9, "interpolated"), (15.1, "none")])
def test_five_intervals_of_a_source_are_interpolated_over_and_no_more(after_s: float, how: str) -> None:
    """Samples each 1 s up to 9 s, then a longer step.  The usual interval is smoothed, and takes a tenth of a new one, which
    counts as three at most: 1 + 0.1 (3 - 1) = 1.2 s, five times which are 6 s."""
    probe = [(float(t), 20.0) for t in range(10)] + [(after_s, 20.0)]
    assert [row[2] for row in joined(probe, [12.05], 20.0)] == [how]


@pytest.mark.parametrize(("late_s", "how"), [(2.4, "held"), (2.6, "none")])
def test_the_last_sample_is_held_for_half_of_that(late_s: float, how: str) -> None:
    """Samples each 1 s; no other follows."""
    rows = joined([(float(t), 20.0) for t in range(10)], [9.0 + late_s], 30.0)
    assert rows[0][2] == how


@pytest.mark.parametrize(("waited_s", "rows"), [(2.4, 0), (2.6, 1)])
def test_a_row_waits_two_and_a_half_intervals_for_the_sample_after_it(waited_s: float, rows: int) -> None:
    assert len(joined([(float(t), 20.0) for t in range(10)], [9.5], 9.5 + waited_s)) == rows


def test_rows_that_wait_are_given_at_the_last() -> None:
    join = Join(LAYOUT, None)
    join.add(Reading("probe", 0.0, {"temperature": 20.0}))
    join.add(Reading("counter", 0.5, {"frequency": 1.0}))
    assert list(join.rows(0.6)) == []
    assert [row.origins for row in join.rows(0.6, last=True)] == [("held", "measured")]
