"""Any usual layout of a text log is found out; what is not there is said."""

from __future__ import annotations

import gzip
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tcomp.errors import RunError
from tcomp.job import Oscillator, RunLog
from tcomp.logs.log_file import read_run

ANY = Oscillator("any", nominal_hz=10e6)


@dataclass(frozen=True)
class Layout:
    """How a table is written down."""

    separator: str
    decimal: str
    end: str
    header: str  # "line", "comment", "none"
    preamble: tuple[str, ...]
    trailing: bool
    quoted: bool
    bom: bool
    packed: bool
    blank_end: int
    comment_at: int


LAYOUTS = st.builds(
    Layout,
    separator=st.sampled_from(",;\t"),
    decimal=st.sampled_from(".,"),
    end=st.sampled_from(["\n", "\r\n"]),
    header=st.sampled_from(["line", "comment", "none"]),
    preamble=st.sampled_from([(), ("station 7; channel 2",), ("# made by hand", "", "serial,0042")]),
    trailing=st.booleans(),
    quoted=st.booleans(),
    bom=st.booleans(),
    packed=st.booleans(),
    blank_end=st.integers(0, 3),
    comment_at=st.integers(0, 5),
).filter(lambda one: one.separator != "," or one.decimal == ".")

NUMBER = st.floats(-1e6, 1e6, allow_nan=False).filter(lambda value: value == 0 or abs(value) > 1e-300)
MISSING = st.sampled_from(["", "nan", "NaN", "NA", "null", "OVLD", " NA "])
TABLE = st.lists(st.tuples(NUMBER, NUMBER | MISSING, NUMBER | MISSING), min_size=2, max_size=8).filter(
    lambda rows: all(isinstance(one, float) for one in rows[0])
)


def text_of(table: list[tuple[float | str, ...]], layout: Layout) -> bytes:
    def field(value: float | str) -> str:
        text = repr(value).replace(".", layout.decimal) if isinstance(value, float) else value
        return f'"{text}"' if layout.quoted and text.strip() == text else text

    rows = [layout.separator.join(map(field, row)) + layout.separator * layout.trailing for row in table]
    rows.insert(min(layout.comment_at, len(rows)), "# the door was opened")
    head = {"line": ["time s", "note"], "comment": ["# time s", "note"], "none": []}[layout.header]
    names = [layout.separator.join([*head[:1], "board", "off"]) + layout.separator * layout.trailing] if head else []
    lines = [*layout.preamble, *names, *rows, *[""] * layout.blank_end]
    data = (layout.end.join(lines) + layout.end).encode("utf-8-sig" if layout.bom else "utf-8")
    return gzip.compress(data, mtime=0) if layout.packed else data


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(table=TABLE, layout=LAYOUTS)
def test_a_table_written_in_any_dialect_is_read_back_equal(
    tmp_path: Path, table: list[tuple[float | str, ...]], layout: Layout
) -> None:
    file = tmp_path / ("log.csv.gz" if layout.packed else "log.csv")
    file.write_bytes(text_of(table, layout))
    columns: dict[str, object] = {"time": 1, "temperature": 2, "offset": 3}
    if layout.header != "none":
        columns = {"time": "time s", "temperature": "board", "offset": "off"}
    log = RunLog(file=file, offset_unit="ppb", missing=("OVLD",), **columns)  # type: ignore[arg-type]
    frame = read_run(log, ANY).frame.sort_values("line")  # a log with the newest row first is turned round
    expected = [[value if isinstance(value, float) else np.nan for value in row] for row in table]
    # pandas before 3 converts text to within 1 unit in the last place, 2.3e-16
    np.testing.assert_allclose(
        frame[["temperature_c", "offset_ppb"]].to_numpy(), np.array(expected)[:, 1:], rtol=3e-16, atol=0
    )
    lines = text_of(table, replace(layout, packed=False, bom=False)).decode().split(layout.end)
    first = [lines[line - 1].split(layout.separator)[0].strip('"').replace(",", ".") for line in frame["line"]]
    assert [float(field) for field in first] == [row[0] for row in table]


def run_of(tmp_path: Path, text: str, **keys: object) -> RunLog:
    file = tmp_path / "log.csv"
    file.write_text(text, encoding="utf-8")
    return RunLog(**{"file": file, "temperature": "T", "offset": "y", "offset_unit": "ppb", **keys})  # type: ignore[arg-type]


def samples(log: RunLog) -> list[tuple[float, float, int]]:
    frame = read_run(log, ANY).frame
    return list(zip(frame["temperature_c"], frame["offset_ppb"], frame["line"], strict=True))


def test_the_first_line_that_has_all_names_is_the_header(tmp_path: Path) -> None:
    assert samples(run_of(tmp_path, "T of today\nT;z\n\nT;x;y\n20;0;5\n")) == [(20.0, 5.0, 5)]


def test_skip_lines_says_where_the_header_stands(tmp_path: Path) -> None:
    text = "T,y\n1,2\nT,y\n20,5\n"
    assert samples(run_of(tmp_path, text, skip_lines=2)) == [(20.0, 5.0, 4)]
    with pytest.raises(RunError, match=r"log\.csv:2: there is no column 'T'"):
        samples(run_of(tmp_path, text, skip_lines=1))
    with pytest.raises(RunError, match="ends before the header; check skip_lines"):
        samples(run_of(tmp_path, text, skip_lines=9))


def test_a_line_of_units_below_the_header_is_no_sample_and_said(tmp_path: Path) -> None:
    log = run_of(tmp_path, "t;T;y\ns;degC;ppb\n0;20;5\n")
    assert samples(log) == [(20.0, 5.0, 3)]
    assert "Without numbers, line 2 was not taken as samples." in read_run(log, ANY).assumptions


def test_columns_by_number_count_from_one_and_need_no_header(tmp_path: Path) -> None:
    assert samples(run_of(tmp_path, "0;20,5;x;5\n1;21,5;x;6\n", temperature=2, offset=4)) == [
        (20.5, 5.0, 1),
        (21.5, 6.0, 2),
    ]


def test_columns_by_number_find_the_rows_below_any_heading(tmp_path: Path) -> None:
    assert samples(run_of(tmp_path, "Log, of\nt,T,y\n0,20,5\n", temperature=2, offset=3)) == [(20.0, 5.0, 3)]


def test_a_name_and_a_number_may_be_mixed(tmp_path: Path) -> None:
    assert samples(run_of(tmp_path, "t,T,T\n0,20,5\n", temperature=2, offset=3)) == [(20.0, 5.0, 2)]
    assert samples(run_of(tmp_path, "t,T,y\n0,20,5\n", temperature=2)) == [(20.0, 5.0, 2)]


def test_a_decimal_comma_that_comes_late_is_found_and_said(tmp_path: Path) -> None:
    log = run_of(tmp_path, "T;y\n" + "20;5\n" * 400 + "20,5;5\n")
    assert samples(log)[-1] == (20.5, 5.0, 402)
    assert "Numbers are written with a decimal comma." in read_run(log, ANY).assumptions


def test_decimal_and_separator_of_the_job_go_first(tmp_path: Path) -> None:
    log = run_of(tmp_path, 'T,y\n"20,5","5,25"\n', separator=",", decimal=",")
    assert samples(log) == [(20.5, 5.25, 2)]
    assert read_run(log, ANY).assumptions == ("There is no time: the log is taken as an unordered table.",)


def test_the_separator_that_was_found_is_said(tmp_path: Path) -> None:
    assert "Fields are separated by tabs." in read_run(run_of(tmp_path, "T\ty\n20\t5\n"), ANY).assumptions


def test_a_name_that_is_not_there_gets_the_nearest_and_all(tmp_path: Path) -> None:
    with pytest.raises(
        RunError,
        match=r"log\.csv:2: there is no column 'board'; the nearest is 'board_c'; the columns are t, board_c, y$",
    ):
        samples(run_of(tmp_path, "made by hand\nt;board_c;y;\n0;20;5;\n", temperature="board"))


def test_numbers_where_the_header_should_be_are_said(tmp_path: Path) -> None:
    with pytest.raises(
        RunError,
        match=r"log\.csv:1: there is no column 'T' and no header, only numbers; .* by number, 1 to 3$",
    ):
        samples(run_of(tmp_path, "0,20,5\n1,21,6\n", temperature="T", offset="y"))


def test_a_name_that_stands_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r"log\.csv:1: column 'T' occurs twice, as 2 and 3; give its number instead"):
        samples(run_of(tmp_path, "y,T,T\n5,20,20\n"))


@pytest.mark.parametrize(
    ("text", "keys", "message"),
    [
        ("0,20,5\n", {"temperature": 2, "offset": 9}, r"log\.csv:1: there is no column 9; the columns are 1 to 3"),
        ("0,20,5\n", {"temperature": 0, "offset": 3}, r"log\.csv:1: there is no column 0; the columns are 1 to 3"),
        ("t,T,y\n0,20,5\n", {"offset": 4}, r"log\.csv:1: there is no column 4; the columns are 1 to 3"),
    ],
)
def test_a_column_number_beyond_the_last_is_refused(
    tmp_path: Path, text: str, keys: dict[str, object], message: str
) -> None:
    with pytest.raises(RunError, match=message):
        samples(run_of(tmp_path, text, **keys))


def test_decimal_commas_between_commas_are_refused(tmp_path: Path) -> None:
    with pytest.raises(
        RunError, match=r"log\.csv:2: the row has 3 fields, the header \(.*log\.csv:1\) 2; a decimal comma"
    ):
        samples(run_of(tmp_path, "T,y\n20,5,5\n"))


@pytest.mark.parametrize("text", ["t,T,y\n", "t,T,y\n\n# nothing came\n"])
def test_a_header_alone_is_an_empty_log(tmp_path: Path, text: str) -> None:
    with pytest.raises(RunError, match=r"log\.csv: holds no rows; expected one row for each sample"):
        samples(run_of(tmp_path, text))


def test_a_quote_that_is_not_closed_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunError, match="a quoted field runs over the end of its line"):
        samples(run_of(tmp_path, 'T,y,note\n20,5,"open\n21,6,x"\n'))
