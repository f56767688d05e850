"""Properties of the readers: what was to_toml is read, however it was to_toml, and anything else ends orderly."""

from __future__ import annotations

import gzip
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fuzz_readers import READERS, SEEDS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plain_curve import plain_curve

from tcomp.budget.history import Entry, History, add_entry, read_history
from tcomp.errors import HistoryError
from tcomp.estimation.curve import Curve, curve_text, read_curve
from tcomp.files import json_text, read_json, typed
from tcomp.job import Oscillator, RunLog, read_job_text, to_toml
from tcomp.logs.log_file import read_run
from tcomp.upkeep.point import point_of_text, time_of_text

# A folder of the test's own serves all examples: each writes its files anew.
quick = settings(
    derandomize=True, max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
sensible = st.floats(-1e6, 1e6, allow_nan=False).map(lambda value: round(value, 6))
names = st.text(st.characters(categories=["L", "N"], include_characters=" _-[]()°µ"), min_size=1, max_size=12).filter(
    lambda name: name == name.strip() and not name.isnumeric()
)


@st.composite
def logs(draw: st.DrawFn) -> tuple[bytes, RunLog, list[float], list[float]]:
    """A log as a logger might write it, the block that describes it, its temperatures and its offsets."""
    rows = draw(st.integers(2, 6))
    temperature_c = [round(draw(st.floats(-40, 80)), 4) for _ in range(rows)]
    offset_ppb = [round(draw(st.floats(-1e5, 1e5)), 4) for _ in range(rows)]
    separator, decimal = draw(st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]))
    columns = draw(st.lists(names, min_size=4, max_size=4, unique=True))
    end, encoding = draw(st.sampled_from(["\n", "\r\n", "\r"])), draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]))
    comment = draw(st.sampled_from(["", "# a comment", "# x,y;z\tw"]))
    quote = draw(st.sampled_from(["", '"']))

    def field(value: float) -> str:
        return f"{quote}{value!r}{quote}".replace(".", decimal)

    stamps = [f"2026-03-02T10:{minute:02d}:00Z" for minute in range(rows)]
    lines = [comment] * bool(comment) + [separator.join(columns)]
    lines += [
        separator.join([stamp, field(t), field(y), "x"])
        for stamp, t, y in zip(stamps, temperature_c, offset_ppb, strict=True)
    ]
    text = end.join(lines) + draw(st.sampled_from(["", end, end + end]))
    log = RunLog(Path(), columns[1], time=columns[0], offset=columns[2], offset_unit="ppb")
    return text.encode(encoding), log, temperature_c, offset_ppb


@quick
@given(logs(), st.booleans())
def test_a_log_is_read_however_it_is_written(
    tmp_path: Path, made: tuple[bytes, RunLog, list[float], list[float]], packed: bool
) -> None:
    content, log, temperature_c, offset_ppb = made
    path = tmp_path / ("log.csv.gz" if packed else "log.csv")
    path.write_bytes(gzip.compress(content) if packed else content)
    described = RunLog(path, log.temperature, time=log.time, offset=log.offset, offset_unit="ppb")
    frame = read_run(described, Oscillator("x")).frame
    assert frame["temperature_c"].tolist() == temperature_c
    assert frame["offset_ppb"].tolist() == offset_ppb
    assert np.diff(frame["time_s"]).tolist() == [60.0] * (len(temperature_c) - 1)


def changed(seed: bytes, data: st.DataObject) -> bytes:
    """A seed with a few bytes changed, put in, doubled or taken out."""
    content = bytearray(seed)
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(0, len(content)))
        piece = data.draw(
            st.one_of(st.binary(max_size=4), st.sampled_from([b"\n", b'"', b",", b"-", b"1e999", b"[", b"\xff"]))
        )
        content[place : place + data.draw(st.integers(0, 8))] = piece
    return bytes(content)


@pytest.mark.parametrize("reader", READERS)
@settings(derandomize=True, max_examples=100, deadline=None)
@given(data=st.data())
def test_a_damaged_file_ends_in_a_sentence_or_is_read(reader: str, data: st.DataObject) -> None:
    READERS[reader](changed(data.draw(st.sampled_from(SEEDS[reader])), data))


@pytest.mark.parametrize("reader", READERS)
@settings(derandomize=True, max_examples=60, deadline=None)
@given(content=st.binary(max_size=200))
def test_any_bytes_end_in_a_sentence_or_are_read(reader: str, content: bytes) -> None:
    READERS[reader](content)


texts = st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp"]), min_size=1, max_size=20)


@quick
@given(texts, st.floats(1, 1e11), st.floats(-100, 0), st.floats(1, 100), st.lists(texts, max_size=3), texts)
def test_a_job_says_what_was_written_into_it(
    name: str, nominal_hz: float, low_c: float, high_c: float, missing: list[str], column: str
) -> None:
    job = read_job_text(
        f"[oscillator]\nname = {to_toml(name)}\nnominal_hz = {nominal_hz!r}\n[fit]\nrange_c = [{low_c!r}, {high_c!r}]\n"
        f"[[run]]\nfile = {to_toml(name)}\ntemperature = {to_toml(column)}\nfrequency = 3\nmissing = {to_toml(missing)}\n"
    )
    assert job.oscillator.name == name
    assert job.oscillator.nominal_hz == nominal_hz
    assert job.fit.range_c == (low_c, high_c)
    assert job.runs[0].temperature == column
    assert job.runs[0].missing == tuple(missing)


@quick
@given(st.recursive(st.one_of(st.none(), st.booleans(), st.integers(-(2**63), 2**63), st.floats(allow_nan=False,
       allow_infinity=False), st.text()), lambda inner: st.one_of(st.lists(inner), st.dictionaries(st.text(), inner)),
       max_leaves=12))  # fmt: skip
def test_json_is_read_as_it_was_written(tmp_path: Path, content: Any) -> None:
    path = tmp_path / "x.json"
    path.write_text(json_text({"content": content}), encoding="utf-8")
    assert read_json(path) == {"content": content}


@quick
@given(
    sensible, sensible, st.floats(0, 1e6), st.floats(-1e6, 1e6), st.booleans(), st.one_of(st.none(), st.floats(0, 4e9))
)
def test_a_curve_survives_its_file(
    tmp_path: Path, base_ppb: float, slope: float, u_ppb: float, lag_s: float, trimmed: bool, base_time_s: float | None
) -> None:
    curve = plain_curve(base_ppb=base_ppb, slope_ppb_per_c=slope, u_ppb=u_ppb, lag_s=lag_s, lag_u_s=1.0)
    if trimmed:
        curve = curve.trimmed_to(base_ppb + 1.0, 2.0, base_time_s or 1.0)
    path = tmp_path / "curve.json"
    path.write_text(curve_text(curve), encoding="utf-8")
    again: Curve = read_curve(path)
    assert curve_text(again) == curve_text(curve)
    assert again.offset_ppb(np.array([3.0, 40.0])).tolist() == curve.offset_ppb(np.array([3.0, 40.0])).tolist()


def test_what_is_typed_keeps_its_kinds() -> None:
    assert math.isnan(typed(None, float))
    assert typed(None, float | None) is None
    for value, hint in ((True, int), (True, float), (1.0, int), ("1", float), ([1], float), (10**400, float), (1, str)):
        with pytest.raises(ValueError, match=r"is not of the kind|is too large"):
            typed(value, hint)


entries = st.lists(
    st.builds(
        Entry, st.integers(0, 4_000_000_000).map(float), st.sampled_from(["runs", "trim", "step"]), sensible, sensible,
        sensible, sensible, sensible, sensible,
    ),
    min_size=1, max_size=5, unique_by=lambda entry: entry.time_s,
)  # fmt: skip


@settings(quick, max_examples=40)
@given(entries, st.data())
def test_a_history_keeps_every_entry_and_any_change_in_it_is_found(
    tmp_path: Path, made: list[Entry], data: st.DataObject
) -> None:
    path = tmp_path / "x.history.csv"
    path.unlink(missing_ok=True)
    history = History(path, (), ())
    for entry in sorted(made, key=lambda entry: entry.time_s):
        history = add_entry(history, entry)
    found = read_history(path)
    assert found.entries == history.entries
    assert found.remarks == ()
    content = path.read_bytes()
    place = data.draw(st.integers(0, len(content) - 1))
    path.write_bytes(content[:place] + bytes([content[place] ^ data.draw(st.integers(1, 255))]) + content[place + 1 :])
    try:
        odd = read_history(path)
    except HistoryError:
        return
    # A last line without its end cannot be told from one that was never finished; it is set aside, and said.
    assert place == len(content) - 1
    assert odd.remarks
    assert odd.entries == history.entries[:-1]


@quick
@given(
    st.floats(0, 50).map(lambda value: round(value, 3)), sensible, st.floats(0.001, 1e4).map(lambda value: round(value, 3)),
    st.sampled_from([("ppb", 1.0), ("ppm", 1e3), ("ppt", 1e-3), ("", 1.0)]), st.sampled_from(["", "C", "degC", "°C"]),
    st.sampled_from([", ", ",", "; "]),
)  # fmt: skip
def test_a_point_is_read_in_every_unit(
    at_c: float, offset: float, u: float, unit: tuple[str, float], of_c: str, between: str
) -> None:
    # A flat curve of base 1000 ppb: the base by the point is the point's own offset.
    found = point_of_text(between.join([f"{at_c!r} {of_c}", f"{offset!r} {unit[0]}", f"{u!r} ppb"]), plain_curve())
    assert found.temperature_c == at_c
    assert found.base_ppb == pytest.approx(offset * unit[1], abs=1e-6)  # a point is kept to 1e-6 ppb
    assert found.u_ppb == pytest.approx(u, abs=1e-6)


@quick
@given(st.datetimes(timezones=st.timezones()))
def test_a_time_is_read_in_every_zone(moment: Any) -> None:
    assert time_of_text(moment.isoformat(), "--time") == pytest.approx(moment.timestamp(), abs=1e-5)
