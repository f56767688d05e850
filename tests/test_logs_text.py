"""A log's bytes become lines, whatever its compression, encoding and line ends."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from tcomp.errors import RunError
from tcomp.logs.text import read_text

TEXT = "t,T [°C],f\n0,20.5,10\n\n# pause\n1,21.5,11\n"


def written(tmp_path: Path, data: bytes, name: str = "log.csv") -> Path:
    (tmp_path / name).write_bytes(data)
    return tmp_path / name


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (TEXT.encode("utf-8"), ()),
        (TEXT.encode("utf-8-sig"), ()),
        (TEXT.replace("\n", "\r\n").encode("utf-8"), ()),
        (TEXT.replace("\n", "\r").encode("utf-8"), ()),
        (TEXT.encode("utf-8").removesuffix(b"\n"), ()),
        (TEXT.encode("utf-16"), ("The text was read as UTF-16.",)),
        (TEXT.encode("cp1252"), ("The text is not UTF-8 and was read as Windows-1252.",)),
        (TEXT.replace("5", "5\0").encode("utf-8"), ("NUL bytes in the file were left out.",)),
        (gzip.compress(TEXT.encode("utf-8")), ()),
    ],
    ids=["utf-8", "bom", "crlf", "cr", "no last newline", "utf-16", "cp1252", "nul", "gzip"],
)
def test_every_encoding_gives_the_same_lines(tmp_path: Path, data: bytes, said: tuple[str, ...]) -> None:
    text = read_text(written(tmp_path, data))
    assert [text.line(number) for number in range(1, text.line_count + 1)] == TEXT.split("\n")[:-1]
    assert text.assumptions == said


def test_blank_lines_comments_and_repeated_headers_are_no_rows_and_lines_keep_their_numbers(tmp_path: Path) -> None:
    text = read_text(written(tmp_path, b"t,T\n0,1\n \t\n  # note\n1,2\nt,T\n2,3\n\n\n"))
    rows, lines = text.body(2, ",", "t,T")
    assert (rows, lines.tolist()) == (b"0,1\n1,2\n2,3\n", [2, 5, 7])


def test_a_line_of_tabs_is_a_row_of_missing_values_only_where_tabs_separate(tmp_path: Path) -> None:
    text = read_text(written(tmp_path, b"t\tT\n0\t1\n\t\n"))
    assert text.body(2, "\t", None)[1].tolist() == [2, 3]
    assert text.body(2, ",", None)[1].tolist() == [2]


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(
        RunError, match=r"gone\.csv: is not there; give the path of a log, in a job relative to the job file"
    ):
        read_text(tmp_path / "gone.csv")


def test_a_folder_is_no_log(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r"cannot be read \(Is a directory\)"):
        read_text(tmp_path)


@pytest.mark.parametrize("data", [b"", b"\n \r\n", gzip.compress(b"")], ids=["nothing", "blank", "packed nothing"])
def test_an_empty_file_is_said_to_be_empty(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(RunError, match=r"log\.csv: is empty; expected rows"):
        read_text(written(tmp_path, data))


def test_a_gz_that_is_not_packed_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RunError, match=r"is named \.gz but holds no gzip data"):
        read_text(written(tmp_path, b"t,T\n", "log.csv.gz"))


def test_a_gz_that_is_cut_short_or_damaged_is_refused(tmp_path: Path) -> None:
    packed = gzip.compress(TEXT.encode() * 50)
    with pytest.raises(RunError, match="gzip data are damaged or cut short"):
        read_text(written(tmp_path, packed[:-20], "log.csv.gz"))
    with pytest.raises(RunError, match="gzip data are damaged or cut short"):
        read_text(written(tmp_path, packed[:-8] + b"\0" * 8, "log.csv.gz"))
