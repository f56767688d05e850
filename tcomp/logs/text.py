"""The text of a log as lines, whatever its compression, encoding and line ends."""

from __future__ import annotations

import codecs
import difflib
import gzip
import io
import json
import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from tcomp.arrays import IntArray
from tcomp.errors import RunError

NEWLINE, HASH, SPACE, TAB = b"\n# \t"
_BLANKS, _EDGES = re.compile(rb"[ \t]+"), re.compile(rb"(?m)^ | $")


LARGEST_LOG = 1 << 30
"""Bytes of text held at once, unpacked: some 20 million rows.  A small .gz may unpack to any size."""
LONGEST_LINE = 1 << 17
"""Bytes of a line, some 10 000 fields; the csv module allows a field of as many characters."""


@dataclass(frozen=True, eq=False)
class LogText:
    """A log's text: UTF-8, every line ended by a newline; lines count from 1."""

    path: Path
    data: bytes
    starts: IntArray
    assumptions: tuple[str, ...]

    @property
    def line_count(self) -> int:
        """How many lines there are."""
        return len(self.starts)

    def line(self, number: int) -> str:
        """One line, without its end."""
        start = int(self.starts[number - 1])
        return self.data[start : self.data.index(b"\n", start)].decode("utf-8")

    def body(self, first: int, separator: str, header: str | None) -> tuple[bytes, IntArray]:
        """The rows from line ``first`` on, without blank lines, comments and repeated headers.

        Returns
        -------
        rows : bytes
            The text of the rows.
        lines : ndarray of shape (n_rows,)
            The line of each row.
        """
        buffer = np.frombuffer(self.data, dtype=np.uint8)
        starts = self.starts[first - 1 :]
        inner = _first_byte(buffer, starts, separator)
        row = (inner != NEWLINE) & (inner != HASH)
        if header:
            for index in np.flatnonzero(inner == header.encode("utf-8").lstrip()[0]):
                # A logger that restarts writes its header again into the same file.
                row[index] &= self.line(first + int(index)) != header
        ends = np.append(starts[1:], len(self.data))
        edges = np.flatnonzero(np.diff(np.concatenate([[False], row, [False]]).astype(np.int8)))
        blocks = [self.data[starts[a] : ends[b - 1]] for a, b in edges.reshape(-1, 2)]
        rows = b"".join(blocks)
        if separator == " ":
            rows = _EDGES.sub(b"", _BLANKS.sub(b" ", rows))
        return rows, np.flatnonzero(row) + first


def _first_byte(buffer: NDArray[np.uint8], starts: IntArray, separator: str) -> NDArray[np.uint8]:
    """The first byte of each line that is not white space; a tab that separates fields is none."""
    at = starts.copy()
    white = [SPACE] if separator == "\t" else [SPACE, TAB]
    blank = np.flatnonzero(np.isin(buffer[at], white))
    while blank.size:
        at[blank] += 1
        blank = blank[np.isin(buffer[at[blank]], white)]
    return buffer[at]


def read_text(path: Path) -> LogText:
    """Read a log's text; gzip is recognised by its first bytes.

    Raises
    ------
    RunError
        The file cannot be read, or is damaged, empty, or larger than `LARGEST_LOG`.
    """
    try:
        with path.open("rb") as file:
            data = _held(file, path)
    except OSError as error:
        raise RunError(f"{path}: {_why(path, error)}") from error
    data = _unpacked(data, path)
    refuse_other_files(data, path)
    if not data.strip():
        raise RunError(f"{path}: is empty; expected rows of time, temperature and frequency")
    return text_of(data, path)


_OTHER_FILES = (
    (b"PK\x03\x04", "a zip archive or a spreadsheet's workbook; save the sheet as CSV, or unpack it"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet's workbook; save the sheet as CSV"),
    (b"PAR1", "a Parquet file; give it a name that ends in .parquet"),
    (b"SQLite format 3\0", "a database; export the table as CSV"),
    (b"%PDF", "a PDF document; export the table as CSV"),
    (b"<!doctype", "a web page; save the log itself"),
    (b"<html", "a web page; save the log itself"),
    (b"<?xml", "XML; export the table as CSV"),
)  # fmt: skip
"""How files of other kinds begin, in lower case where they are text, and what to do about them."""
LOOKED_AT = 4096
MAX_CONTROL = 0.05
"""Largest share of control characters in text; in random bytes it is a tenth."""
_CONTROL = bytes(one for one in range(1, 32) if one not in b"\t\n\v\f\r\x1a\x1b")


def refuse_other_files(data: bytes, path: Path) -> None:
    """Refuse a file that is not a text of rows, by how it begins.

    Raises
    ------
    RunError
        It is a file of another kind.
    """
    head = data[:LOOKED_AT]
    for begin, what in _OTHER_FILES:
        if head.startswith(begin) or head.lstrip().lower().startswith(begin):
            raise RunError(f"{path}: is not a text log but {what}")
    control = len(head) - len(head.translate(None, _CONTROL))
    if control > MAX_CONTROL * len(head) and not head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise RunError(
            f"{path}: is not text but binary data; give a log of rows as text (.csv, .tsv, .txt), or .parquet"
        )
    first = head.lstrip().split(b"\n", 1)[0]
    if first.startswith((b"{", b"[{")) and _is_json(first.rstrip().rstrip(b",")):
        raise RunError(f"{path}: is JSON, which is not read; write a row of numbers for each sample, as CSV")


def _is_json(line: bytes) -> bool:
    try:
        return isinstance(json.loads(line), dict | list)
    except (ValueError, RecursionError):
        return False


def text_of(data: bytes, path: Path) -> LogText:
    """The text of bytes that are whole lines, whatever their encoding and line ends.

    Raises
    ------
    RunError
        A line is longer than any row.
    """
    data, assumptions = _utf8(data)
    if b"\0" in data:
        data = data.replace(b"\0", b"")
        assumptions = (*assumptions, "NUL bytes in the file were left out.")
    data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    data = data if data.endswith(b"\n") else data + b"\n"
    ends = np.flatnonzero(np.frombuffer(data, dtype=np.uint8) == NEWLINE)
    starts = np.concatenate([[0], ends[:-1] + 1]).astype(np.int64)
    long = np.flatnonzero(ends - starts > LONGEST_LINE)
    if long.size:
        raise _too_long(path, f"line {long[0] + 1} has {ends[long[0]] - starts[long[0]]} bytes")
    return LogText(path, data, starts, assumptions)


def _too_long(path: Path, found: str) -> RunError:
    return RunError(f"{path}: {found}; expected a row in each line, of {LONGEST_LINE >> 10} KiB at most")


def text_chunks(path: Path, size: int) -> Iterator[tuple[LogText, bytes]]:
    """A log's text in chunks of whole lines, of about ``size`` bytes each, and the line end of the file.

    Raises
    ------
    RunError
        The file cannot be read, is damaged, or is empty.
    """
    left, line_end = b"", b""
    try:
        with _opened(path) as file:
            while block := file.read(size):
                if not line_end and not left:
                    refuse_other_files(block, path)
                whole, end, left = (left + block).rpartition(b"\n")
                if len(left) > LONGEST_LINE and (b"\r" not in left or len(left) > LARGEST_LOG):
                    raise _too_long(path, f"a line has more than {LONGEST_LINE} bytes")
                line_end = line_end or (b"\r\n" if whole.endswith(b"\r") else end)
                if end:
                    yield text_of(whole + end, path), line_end
        if not line_end and not left.strip():
            raise RunError(f"{path}: is empty; expected rows of time, temperature and a reading")
        if left:
            yield text_of(left, path), line_end or b"\n"
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise RunError(f"{path}: the gzip data are damaged or cut short ({error}); pack it again") from error
    except OSError as error:
        raise RunError(f"{path}: {_why(path, error)}") from error


def _why(path: Path, error: OSError) -> str:
    """Why a log cannot be read, and what to do; for a missing one, with the nearest name."""
    if not isinstance(error, FileNotFoundError):
        return f"cannot be read ({error.strerror}); give the path of a log in `file`"
    there = [one.name for one in path.parent.iterdir()] if path.parent.is_dir() else []
    near = difflib.get_close_matches(path.name, there, n=1, cutoff=0.7)
    hint = f"; the nearest there is '{near[0]}'" if near else ""
    return f"is not there{hint}; give the path of a log, in a job relative to the job file"


@contextmanager
def _opened(path: Path) -> Iterator[IO[bytes]]:
    """The bytes of a log, unpacked; UTF-16, in which a newline is two bytes, is converted to UTF-8 at once."""
    with path.open("rb") as raw:
        packed = raw.read(2) == b"\x1f\x8b"
        raw.seek(0)
        file: Any = gzip.GzipFile(fileobj=raw) if packed else raw
        wide = file.read(2) in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
        file.seek(0)
        yield io.BytesIO(_held(file, path).decode("utf-16", errors="replace").encode("utf-8")) if wide else file


def _held(file: IO[bytes] | gzip.GzipFile, path: Path) -> bytes:
    """All bytes of a file; more than `LARGEST_LOG` are refused."""
    data = file.read(LARGEST_LOG + 1)
    if len(data) > LARGEST_LOG:
        raise RunError(
            f"{path}: holds more than {LARGEST_LOG >> 20} MiB of text; split it at a pause, and give a [[run]] for each part"
        )
    return data


def _unpacked(data: bytes, path: Path) -> bytes:
    packed = data.startswith(b"\x1f\x8b")
    if path.suffix.lower() == ".gz" and data and not packed:
        raise RunError(f"{path}: is named .gz but holds no gzip data; rename it, or pack it again")
    try:
        return _held(gzip.GzipFile(fileobj=io.BytesIO(data)), path) if packed else data
    except (OSError, EOFError, zlib.error) as error:
        raise RunError(f"{path}: the gzip data are damaged or cut short ({error}); pack it again") from error


def _utf8(data: bytes) -> tuple[bytes, tuple[str, ...]]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace").encode("utf-8"), ("The text was read as UTF-16.",)
    data = data.removeprefix(b"\xef\xbb\xbf")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
        return text.encode("utf-8"), ("The text is not UTF-8 and was read as Windows-1252.",)
    return data, ()
