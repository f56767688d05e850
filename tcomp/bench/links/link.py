"""What every link to an instrument can do: open, close, send a line, receive a line."""

from __future__ import annotations

import contextlib
import re
import time
from collections import deque
from pathlib import Path
from typing import Protocol, Self

from tcomp.job import Controller, Source

MAX_LINE = 4096
"""Bytes after which a line that does not end is cut."""
LINE_ENDS = re.compile(rb"[\r\n]+")


class GoneError(Exception):
    """The link is broken: unplugged, ended, removed."""


class Link(Protocol):
    """A link to an instrument."""

    description: str
    """What it is, for messages."""
    slice_s: float
    """Longest single wait for a line, so that the end of the log does not wait for the link. [s]"""

    @property
    def unfinished(self) -> bytes:
        """What came of a line that has not ended yet."""

    def open(self) -> None:
        """Open it; BenchError if that is impossible."""

    def close(self) -> None:
        """Close it; may be called at any time."""

    def send(self, line: str) -> None:
        """Send a line; GoneError if the link is broken."""

    def receive(self, wait_s: float) -> bytes | None:
        """A line without its end, or None if none came in time; GoneError if the link is broken."""

    def drain(self) -> int:
        """Drop what came and was not received, and the rest of a line that has begun; the number of bytes dropped."""


class ByteLink:
    """A stream of bytes, cut into lines at line feeds and carriage returns; the base of all kinds of links.

    A kind of link defines `from_job`, `open`, `close`, `_read` and `_write`.
    """

    description = ""
    slice_s = 0.25
    is_port = False
    """Whether it is a serial port: it may hold what was sent before it was opened, and may lose bytes."""

    def __init__(self, line_end: str = "\n") -> None:
        self._line_end = line_end
        self._rest = b""
        self._lines: deque[bytes] = deque()
        self._skipping = False
        self._skipped = b""

    @classmethod
    def from_job(cls, job: Source | Controller, folder: Path) -> Self:
        """The link that the job describes; paths are relative to the folder of the job."""
        raise NotImplementedError

    def open(self) -> None:
        """Open it; BenchError if that is impossible."""
        raise NotImplementedError

    def close(self) -> None:
        """Close it; may be called at any time."""
        raise NotImplementedError

    def framing_hint(self, received: bytes) -> str:
        """What a wrong framing or baud rate would explain about the last bytes; empty if they look like text."""
        return ""

    def _read(self, wait_s: float) -> bytes:
        """What has come; waits up to ``wait_s`` for the first byte, and is empty if none came. [s]"""
        raise NotImplementedError

    def _write(self, data: bytes) -> None:
        raise NotImplementedError

    def send(self, line: str) -> None:
        """Send a line."""
        self._write((line + self._line_end).encode())

    def receive(self, wait_s: float) -> bytes | None:
        """A line without its end, or None if none came in time."""
        until_s = time.monotonic() + wait_s
        while not self._lines:
            left_s = until_s - time.monotonic()
            data = self._read(max(left_s, 0.0))
            if data:
                self._take(data)
            elif left_s <= 0:
                return None
        return self._lines.popleft()

    def _take(self, data: bytes) -> None:
        if self._skipping:
            end = LINE_ENDS.search(data)
            if end is None:
                self._skipped = data
                return
            self._skipping, self._skipped, data = False, b"", data[end.end() :]
        *lines, self._rest = LINE_ENDS.split(self._rest + data)
        self._lines.extend(line for line in lines if line.strip(b"\0"))
        if len(self._rest) > MAX_LINE:
            self._lines.append(self._rest)
            self._rest, self._skipping = b"", True

    @property
    def unfinished(self) -> bytes:
        """What came of a line that has not ended yet, or at least the last of it."""
        return self._rest or self._skipped

    def drain(self) -> int:
        """Drop what came and was not received; the rest of a line that has begun is skipped when it comes."""
        with contextlib.suppress(GoneError):
            while data := self._read(0.0):
                self._take(data)
        count = len(self._rest) + sum(map(len, self._lines))
        is_inside = self._skipping or bool(self._rest.strip(b"\0"))
        self._forget()
        self._skipping = is_inside
        return count

    def _forget(self) -> None:
        self._rest, self._skipping, self._skipped = b"", False, b""
        self._lines.clear()
