"""What goes to stderr: remarks, and on a terminal how far a long stage is."""

from __future__ import annotations

import io
import os
import re
import select
import shutil
import sys
import textwrap
import threading
import time
import unicodedata
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TextIO

import click


def coloured(text: str) -> str:
    """The text with its warnings in colour; `click.echo` leaves colours out where the stream is no terminal.

    >>> coloured("warning  the sign") == click.style("warning", fg="yellow", bold=True) + "  the sign", coloured("no warning")
    (True, 'no warning')
    """
    if os.environ.get("NO_COLOR"):
        return text
    return re.sub(
        r"(?m)^( *)warning(?=: |  )", lambda found: found[1] + click.style("warning", fg="yellow", bold=True), text
    )


class DirectStream(io.TextIOBase):
    """Text straight to the handle of a stream, for threads that may be left in the middle of a write.

    The stream of Python's own has a lock that the end of the program waits for; a handle has none.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream, self._handle = stream, stream.fileno()

    @property
    def encoding(self) -> str:  # type: ignore[override]  # the base class has a plain attribute, always None
        """That of the stream."""
        return self._stream.encoding or "utf-8"

    def fileno(self) -> int:
        """The handle."""
        return self._handle

    def isatty(self) -> bool:
        """Whether it is a terminal."""
        return self._stream.isatty()

    def writable(self) -> bool:
        """It is."""
        return True

    def write(self, text: str) -> int:
        """Write all of the text, however long that takes."""
        data = text.encode(self.encoding, "backslashreplace")
        while data:
            try:
                data = data[os.write(self._handle, data) :]
            except BlockingIOError:  # another program has made the handle non-blocking
                select.select([], [self._handle], [])
        return len(text)


def direct(stream: TextIO) -> TextIO:
    """The stream without its lock; itself where it has no handle, as in a test."""
    try:
        return DirectStream(stream) if os.name == "posix" else stream  # type: ignore[return-value]  # all that is used of it
    except (OSError, ValueError):
        return stream


PRINT_S = 1.0
"""How long a terminal or pipe that takes nothing is waited for. [s]"""


def written_within(write: Callable[[], None], seconds: float = PRINT_S) -> bool:
    """Write to a `direct` stream; whether that was done in time, or cannot be done as nobody reads any more. [s]"""

    def writes() -> None:
        with suppress(OSError):
            write()

    writing = threading.Thread(target=writes, name="print", daemon=True)
    writing.start()
    writing.join(seconds)
    return not writing.is_alive()


FIRST_S = 1.0
"""What is done sooner needs no progress. [s]"""
AGAIN_S = 0.1
"""Between two looks at it. [s]"""


LONGEST = 4000
"""Characters of a message; what a hostile file puts into one may be of any length."""


def shown(text: str) -> str:
    """Text that may come from a file, as a terminal may have it: what would steer it or turn its text round is spelt out,
    and what is too long is cut.

    >>> shown("a\\x1b[31mred")
    'a\\\\x1b[31mred'
    """
    spelt = "".join(
        one
        if one.isprintable() or one == "\n" or unicodedata.category(one) == "Zs"
        else one.encode("unicode_escape").decode("ascii")
        for one in text
    )
    return spelt if len(spelt) <= LONGEST else f"{spelt[: LONGEST // 2]} ... {spelt[-LONGEST // 2 :]}"


NARROWEST, WIDEST = 40, 120
"""Columns within which lines follow the width of the terminal: longer ones are hard to read."""


def width_of(stream: TextIO) -> int | None:
    """Columns of the terminal that a stream is; None: a pipe or a file, where a line is not broken."""
    return min(max(shutil.get_terminal_size().columns, NARROWEST), WIDEST) if stream.isatty() else None


@dataclass
class Terminal:
    """Says remarks, and tells progress in one line that is written over and cleared when it is done.

    Neither if quiet; no progress where stderr is a pipe or a file.
    """

    quiet: bool
    stream: TextIO = field(default_factory=lambda: sys.stderr)
    _what: str = ""
    _since_s: float = 0.0
    _last_s: float = 0.0
    _shown: int = 0

    def notify(self, text: str) -> None:
        """A remark, from the start of a line."""
        if not self.quiet:
            with suppress(OSError):  # a terminal that is gone, a full disk: the work goes on
                self._clear()
                lines = [_broken(line, width_of(self.stream)) for line in shown(text).split("\n")]
                click.echo(coloured("\n".join(lines)), file=self.stream)

    def ring(self) -> None:
        """Sound the bell of a terminal."""
        if not self.quiet and self.stream.isatty():
            with suppress(OSError):
                self.stream.write("\a")
                self.stream.flush()

    def progress(self, what: str, done: float, of: float, unit: str = "") -> None:
        """How far something is, with its rate and the time that is left, once it has taken a second."""
        if self.quiet or not self.stream.isatty():
            return
        now_s = time.monotonic()
        if what != self._what:
            self._what, self._since_s, self._last_s = what, now_s, now_s
        if done >= of:
            self._clear()
        elif done > 0 and now_s - self._since_s >= FIRST_S and now_s - self._last_s >= AGAIN_S:
            self._last_s = now_s
            self._write(progress_line(what, done, of, unit, now_s - self._since_s))

    def _write(self, line: str) -> None:
        line = shown(line)[: (width_of(self.stream) or WIDEST) - 1]
        self.stream.write("\r" + line.ljust(self._shown))
        self.stream.flush()
        self._shown = len(line)

    def _clear(self) -> None:
        if self._shown:
            self.stream.write("\r" + " " * self._shown + "\r")
            self.stream.flush()
            self._shown = 0


def _broken(line: str, width: int | None) -> str:
    """A remark over as many lines as the terminal needs."""
    if width is None or len(line) <= width:
        return line
    return textwrap.fill(line, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)


def progress_line(what: str, done: float, of: float, unit: str, elapsed_s: float) -> str:
    """How far, how fast and for how long still.

    Examples
    --------
    >>> progress_line("reading gauge.csv", 120.0, 480.0, "MB", 2.0)
    'reading gauge.csv: 25 %, 60 MB/s, 6 s left'
    >>> progress_line("learning", 3.0, 12.0, "", 2.0)
    'learning: 25 %, 6 s left'
    """
    rate = done / elapsed_s
    fast = f", {rate:.3g} {unit}/s" if unit else ""
    return f"{what}: {100 * done / of:.0f} %{fast}, {(of - done) / rate:.0f} s left"
