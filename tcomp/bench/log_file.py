"""The log: a CSV that only grows, in which every sample is on its way to the disk before the next is taken."""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import IO

from tcomp.bench.clock import unix_s
from tcomp.errors import BenchError

FIRST_LINE = "# tcomp log"
RETRY_S = 1.0
"""How often a disk that took no more is tried again. [s]"""
LARGEST_BACKLOG = 64_000_000
"""Bytes that wait in memory while the disk takes nothing: days of samples each second."""
TAIL = 65_536


class LogFile:
    """One log, opened by this program alone; what the disk does not take waits in memory and is counted.

    Parameters
    ----------
    path : Path
    about : sequence of str
        What the job says, a line each, for the head of a new file; the first tells whose log it is.
    header : str
        The line of headings.
    sync_s : float
        After so long all that was added is on the disk. [s]
    write, sync : callables
        As ``os.write`` and ``os.fsync``.
    """

    def __init__(
        self,
        path: Path,
        about: Sequence[str],
        header: str,
        sync_s: float,
        write: Callable[[int, bytes], int] = os.write,
        sync: Callable[[int], None] = os.fsync,
    ) -> None:
        self.path, self._about, self._header, self._sync_s = path, about, header, sync_s
        self._write, self._sync = write, sync
        self._handle = -1
        self._backlog = bytearray()
        self._retry_s = 0.0
        self._dirty = False
        self._ended = threading.Event()
        self._syncing: threading.Thread | None = None
        self.trouble = ""
        """Why the disk takes nothing now; empty while it does."""
        self.lost_lines = 0
        self.last_row_s: float | None = None
        """Time of the last row that was there before. [s]"""

    def open(self) -> None:
        """Begin the file, or go on with it.

        Raises
        ------
        BenchError
            It is no log of this job, another program writes it, or it cannot be written.
        """
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
        except OSError as error:
            raise BenchError(f"{self.path}: cannot be written ({error.strerror}); give another [log] file") from error
        try:
            self._lock()
            if os.fstat(self._handle).st_size:
                self._go_on()
            else:
                self._begin()
        except BaseException:
            os.close(self._handle)
            raise
        self._syncing = threading.Thread(target=self._keep_syncing, name="sync", daemon=True)
        self._syncing.start()

    def _lock(self) -> None:
        with contextlib.suppress(ImportError):
            import fcntl

            try:
                fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                raise BenchError(f"{self.path}: another `tcomp log` writes it; end that first") from error

    def _begin(self) -> None:
        for line in (FIRST_LINE, *(f"# {line}" for line in self._about)):
            self.add(line)
        self.add(self._header)

    def _go_on(self) -> None:
        """Check whose log it is, and cut off a line that a crash has left half-written: it is no sample."""
        with self.path.open("rb") as file:
            head = file.read(TAIL).decode("utf-8", errors="replace").splitlines()
            tail = _tail(file)
        ours = [FIRST_LINE, f"# {self._about[0]}"]
        if head[:2] != ours:
            found = (
                f"is the log of another job ({head[1][2:]})"
                if head[:1] == ours[:1] and head[1:]
                else "is no log of ours"
            )
            raise BenchError(
                f"{self.path}: {found}; this job is {self._about[0]!r}: give another [log] file, or move that away"
            )
        if self._header not in head:
            raise BenchError(f"{self.path}: has other columns than this job, {self._header}; give another [log] file")
        half = len(tail) - 1 - tail.rfind(b"\n")
        if half:
            os.ftruncate(self._handle, os.fstat(self._handle).st_size - half)
        self.last_row_s = _last_row_s(tail)

    def add(self, line: str) -> None:
        """Append a line; it is handed to the system at once, or as soon as the disk takes it."""
        if len(self._backlog) > LARGEST_BACKLOG:
            self.lost_lines += 1
            return
        self._backlog += line.encode() + b"\n"
        self._push()

    def look_after(self) -> None:
        """Try again what the disk did not take; to be called now and then."""
        if self._backlog:
            self._push()

    def _push(self) -> None:
        if self.trouble and time.monotonic() < self._retry_s:
            return
        try:
            while self._backlog:
                done = self._write(self._handle, bytes(self._backlog))
                self._dirty = True
                del self._backlog[:done]
            self.trouble = ""
        except OSError as error:
            self.trouble = f"{self.path}: the disk takes nothing ({error.strerror}); what comes waits in memory"
            self._retry_s = time.monotonic() + RETRY_S

    @property
    def waiting_bytes(self) -> int:
        """What the disk has not taken yet."""
        return len(self._backlog)

    def _keep_syncing(self) -> None:
        # A thread of its own: a slow disk must hold up neither samples nor set-points.
        while not self._ended.wait(self._sync_s):
            self._sync_now()

    def _sync_now(self) -> None:
        if self._dirty:
            self._dirty = False
            try:
                self._sync(self._handle)
            except OSError as error:
                self._dirty = True
                self.trouble = f"{self.path}: what was written may not be on the disk ({error.strerror})"

    def close(self) -> None:
        """Write and sync what is left."""
        self._ended.set()
        if self._syncing is not None:
            self._syncing.join()
        self._retry_s = 0.0
        self._push()
        self._sync_now()
        if self._backlog:
            self.lost_lines += self._backlog.count(b"\n")
        os.close(self._handle)


def last_row_s(path: Path) -> float | None:
    """Time of the last row of a log; None where there is none, or no log. [s]"""
    try:
        with path.open("rb") as file:
            return _last_row_s(_tail(file))
    except OSError:
        return None


def _tail(file: IO[bytes]) -> bytes:
    file.seek(max(0, os.fstat(file.fileno()).st_size - TAIL))
    return file.read()


def _last_row_s(tail: bytes) -> float | None:
    whole = tail[: tail.rfind(b"\n") + 1]
    for line in reversed(whole.splitlines()):
        if line[:1].isdigit():
            with contextlib.suppress(ValueError):
                return unix_s(line.split(b",", 1)[0].decode())
    return None
