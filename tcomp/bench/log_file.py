"""The file of the log: a CSV that only grows; every sample is handed to the system before the next is taken."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from typing import IO

from tcomp.bench.clock import unix_s
from tcomp.errors import BenchError

FIRST_LINE = "# tcomp log"
APPENDING = os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0)
"""How the file is opened; where a system would turn ends of lines into others, it does not."""
RETRY_S = 1.0
"""Time between two tries to write to a disk that took no more. [s]"""
MAX_BACKLOG = 64_000_000
"""Bytes that wait in memory while the disk takes nothing: days of samples each second."""
MAX_KEPT = 4_000_000
"""Bytes of the last lines that stay in memory, in case the file is cut: a day of samples each second."""
MAX_COPIED = 4_000_000
"""Bytes that are copied at once from a file that was taken away."""
MAX_COMPARED = 64
"""Last bytes of the file that are compared with what was written."""
TAIL = 65_536


class LogWriter:
    """One log, opened by this program alone; what the disk does not take waits in memory, and what is lost is counted.

    Before each write the file is checked: whether it still has its name and its size, and ends as it was
    written.  If not, a new file is begun with everything that is still available, and ``path`` is its name from then on.

    Parameters
    ----------
    path : Path
    about : sequence of str
        Lines about the job for the head of a new file; the first identifies the log.
    header : str
        Line of headings.
    sync_s : float
        Time after which all that was added is on the disk. [s]
    write, sync : callables
        Used instead of ``os.write`` and ``os.fsync``.
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
        self._first_path = path
        self._write, self._sync = write, sync
        self._handle = -1
        self._old_handles: list[int] = []
        self._copy: _Copy | None = None
        self._backlog = bytearray()
        self._recent = _RecentLines()
        self._size = 0
        self._ours = 0, 0  # start and end of the last part of the file that was written here without a break
        self._is_regular = True
        self._head_is_kept = False
        self._retry_s = 0.0
        self._dirty = False
        self._ended = threading.Event()
        self._syncing: threading.Thread | None = None
        self._faults: SimpleQueue[str] = SimpleQueue()
        self._sync_failed = False
        self.trouble = ""
        """Why the disk takes nothing now; empty if it does."""
        self.lost_lines = 0
        self.last_row_s: float | None = None
        """Time of the last row that the file had before. [s]"""

    def open(self) -> None:
        """Begin the file, or append to it.

        Raises
        ------
        BenchError
            It is not a log of this job, another program writes it, or it cannot be written.
        """
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._handle = os.open(self.path, os.O_CREAT | APPENDING, 0o666)
        except OSError as error:
            raise BenchError(f"{self.path}: cannot be written ({error.strerror}); give another [log] file") from error
        try:
            self._lock()
            found = os.fstat(self._handle)
            self._is_regular = stat.S_ISREG(found.st_mode)
            if found.st_size:
                self._append()
            else:
                self._begin()
        except BaseException:
            os.close(self._handle)
            raise
        self._syncing = threading.Thread(target=self._keep_syncing, name="sync", daemon=True)
        self._syncing.start()

    def _lock(self) -> None:
        if sys.platform != "win32":  # where no file can be locked so
            import fcntl

            try:
                fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                raise BenchError(f"{self.path}: another `tcomp log` writes it; end that first") from error

    def _head(self) -> list[str]:
        return [FIRST_LINE, *(f"# {line}" for line in self._about), self._header]

    def _begin(self) -> None:
        self._head_is_kept = True
        for line in self._head():
            self.add(line)

    def _append(self) -> None:
        """Check whose log it is, and cut off a line that a crash has left half-written: it is not a sample."""
        with self.path.open("rb") as file:
            head = file.read(TAIL).decode("utf-8", errors="replace").splitlines()
            tail = _tail(file)
        ours = [FIRST_LINE, f"# {self._about[0]}"]
        if head[:2] != ours:
            found = (
                f"is the log of another job ({head[1][2:]})"
                if head[:1] == ours[:1] and head[1:]
                else "is not a log of this program"
            )
            raise BenchError(
                f"{self.path}: {found}; this job is {self._about[0]!r}: give another [log] file, or move that away"
            )
        if self._header not in head:
            raise BenchError(f"{self.path}: has other columns than this job, {self._header}; give another [log] file")
        _cut_half_line(self._handle)
        self._size = os.fstat(self._handle).st_size
        self._ours = self._size, self._size
        self.last_row_s = _last_row_s(tail)

    def add(self, line: str) -> None:
        """Append a line; it is handed to the system at once, or as soon as the disk takes it."""
        if len(self._backlog) > MAX_BACKLOG:
            self.lost_lines += 1
            return
        self._backlog += line.encode() + b"\n"
        self._push()

    def look_after(self) -> None:
        """Check that the file is still there, and try again to write what waits; to be called now and then."""
        self._push()

    def new_faults(self) -> list[str]:
        """What happened to the file since the last call: deleted, moved, replaced, cut, not synced; a sentence each."""
        return [self._faults.get_nowait() for _ in range(self._faults.qsize())]

    def _push(self, *, at_end: bool = False) -> None:
        if self.trouble and time.monotonic() < self._retry_s:
            return
        cannot = "a new log cannot be written"
        try:
            why = self._what_happened() if self._is_regular else ""
            if why:
                self._begin_anew(why)
            cannot = "the disk takes nothing"
            while self._copy is not None:
                self._copy_on(self._copy)
                if not at_end and self._copy is not None:
                    return  # the rest at the next call: nothing else may wait for a long copy
            while self._backlog:
                self._took(self._write(self._handle, bytes(self._backlog)))
            self.trouble = ""
        except OSError as error:
            self.trouble = f"{self.path}: {cannot} ({error.strerror}); what comes waits in memory"
            self._retry_s = time.monotonic() + RETRY_S
            self._take_back_half_line()

    def _took(self, count: int) -> None:
        """The disk took ``count`` bytes of the backlog."""
        self._recent.add(bytes(self._backlog[:count]))
        del self._backlog[:count]
        self._size += count
        self._ours = self._ours[0], self._size
        self._dirty = True

    def _take_back_half_line(self) -> None:
        """Cut off a line that the disk took only in part, so that the file has whole lines at any time."""
        half = self._recent.half_line()
        if not half or self._copy is not None:
            return
        with contextlib.suppress(OSError):
            if os.fstat(self._handle).st_size == self._size:
                os.ftruncate(self._handle, self._size - len(half))
                self._size -= len(half)
                self._ours = self._ours[0], self._size
                self._recent.drop(len(half))
                self._backlog[:0] = half

    def _what_happened(self) -> str:
        """How others changed the file so that it is not the log any more; empty if they did not."""
        own = os.fstat(self._handle)
        if own.st_size < self._size:
            return "was cut"
        first, end = self._ours
        written = self._recent.last(min(MAX_COMPARED, end - first))
        if self._copy is None and _read_at(self._handle, end - len(written), len(written)) != written:
            return "was overwritten"
        try:
            found = os.stat(self.path)
        except (FileNotFoundError, NotADirectoryError):
            return "was moved away" if own.st_nlink else "was deleted"
        except OSError as error:
            return "was taken away" if error.errno == errno.ESTALE else ""
        if (found.st_ino, found.st_dev) != (own.st_ino, own.st_dev):
            return "was replaced"
        if own.st_size > self._size:
            self._skip_foreign_lines(own.st_size)
        return ""

    def _skip_foreign_lines(self, size: int) -> None:
        """Another program has appended: report it, and end its last line, so that the next row is a whole line."""
        if _read_at(self._handle, size - 1, 1) != b"\n":
            self._backlog[:0] = b"\n"
        self._faults.put(f"{self.path}: another program has written into the log; its lines are not samples")
        self._size = size
        self._ours = size, size

    def _begin_anew(self, why: str) -> None:
        """Begin a new file with everything that the old one has, if it is whole, or else with what is in memory."""
        old_path, old_handle, old_size = self.path, self._handle, self._size
        handle, path = _new_file(self._first_path)
        self._old_handles.append(old_handle)
        self._handle, self.path, self._size, self._ours, self._dirty = handle, path, 0, (0, 0), True
        with contextlib.suppress(BenchError):
            self._lock()
        event = f"{old_path} {why} while it was being written"
        if why in ("was cut", "was overwritten"):
            self._faults.put(f"{event}; {self._refill()}; the log goes on in {path}")
            return
        self._copy = self._copy.again() if self._copy is not None else _Copy(old_handle, old_size)
        self._faults.put(f"{event}; all of it is copied to {path}, and the log goes on there")

    def _refill(self) -> str:
        """Put what is in memory before what waits; a sentence on what that is, and what is lost."""
        self._copy = None
        lines, lost = self._recent.empty()
        is_whole = self._head_is_kept and not lost
        head = b"" if is_whole else "".join(f"{line}\n" for line in self._head()).encode()
        self._backlog[:0] = head + lines
        self.lost_lines += lost
        gone = f", {lost} lines of this run are lost" if lost else ""
        gone += "" if self._head_is_kept else ", what stood there before this run is lost"
        return f"the {lines.count(10)} lines in memory are written again{gone}"

    def _copy_on(self, copy: _Copy) -> None:
        data = _read_at(copy.handle, copy.done, min(MAX_COPIED, copy.size - copy.done))
        if not data and copy.done < copy.size:  # it was cut after it had been taken away
            os.ftruncate(self._handle, 0)
            self._size, self._ours = 0, (0, 0)
            self._faults.put(f"what was to be copied was cut; {self._refill()}")
            return
        count = self._write(self._handle, data) if data else 0
        copy.done += count
        self._size += count
        self._ours = 0, self._size
        self._dirty = True
        if copy.done == copy.size:
            self._copy = None

    @property
    def waiting_bytes(self) -> int:
        """Bytes that the disk has not taken yet."""
        return len(self._backlog)

    def _keep_syncing(self) -> None:
        # In its own thread: a slow disk must hold up neither samples nor set-points.
        while not self._ended.wait(self._sync_s):
            self._sync_now()

    def _sync_now(self) -> None:
        if self._dirty:
            self._dirty = False
            try:
                self._sync(self._handle)
            except OSError as error:
                self._dirty = True
                if not self._sync_failed:
                    self._sync_failed = True
                    self._faults.put(f"{self.path}: what was written may not be on the disk ({error.strerror})")

    def close(self) -> None:
        """Write and sync what waits; the file ends with a whole line, and what could not be written is counted."""
        self._ended.set()
        if self._syncing is not None:
            self._syncing.join()
        self._retry_s = 0.0
        self._push(at_end=True)
        self._sync_now()
        if self._copy is not None:
            _cut_half_line(self._handle)
            self.lost_lines += self._copy.lines_left()
        self.lost_lines += self._backlog.count(b"\n")
        for handle in (self._handle, *self._old_handles):
            os.close(handle)


class _RecentLines:
    """The last lines that the disk took, in case they are lost there: some megabytes, so that memory does not grow."""

    def __init__(self) -> None:
        self._bytes = bytearray()
        self._lost_lines = 0

    def add(self, data: bytes) -> None:
        self._bytes += data
        if len(self._bytes) > MAX_KEPT + MAX_KEPT // 8:
            cut = self._bytes.find(b"\n", len(self._bytes) - MAX_KEPT) + 1
            self._lost_lines += self._bytes.count(b"\n", 0, cut)
            del self._bytes[:cut]

    def half_line(self) -> bytes:
        """What follows the last line end."""
        return bytes(self._bytes[self._bytes.rfind(b"\n") + 1 :])

    def last(self, count: int) -> bytes:
        """The last bytes, to compare them with those of the file."""
        return bytes(self._bytes[max(len(self._bytes) - count, 0) :])

    def drop(self, count: int) -> None:
        del self._bytes[len(self._bytes) - count :]

    def empty(self) -> tuple[bytes, int]:
        """All lines, and the number of earlier ones that are not kept any more; nothing is kept afterwards."""
        found, lost = bytes(self._bytes), self._lost_lines
        self._bytes.clear()
        self._lost_lines = 0
        return found, lost


@dataclass
class _Copy:
    """The copy of a file that was taken away to the new one, a piece at a time."""

    handle: int
    size: int
    done: int = 0

    def again(self) -> _Copy:
        return _Copy(self.handle, self.size)

    def lines_left(self) -> int:
        count = 0
        while data := _read_at(self.handle, self.done, min(MAX_COPIED, self.size - self.done)):
            count += data.count(b"\n")
            self.done += len(data)
        return count


def _new_file(first: Path) -> tuple[int, Path]:
    """Create a file: under the first name if that is free, else with a number."""
    first.parent.mkdir(parents=True, exist_ok=True)
    path, number = first, 1
    while True:
        with contextlib.suppress(FileExistsError):
            return os.open(path, os.O_CREAT | os.O_EXCL | APPENDING, 0o666), path
        number += 1
        path = first.with_name(f"{first.stem}-{number}{first.suffix}")


def _read_at(handle: int, start: int, count: int) -> bytes:
    """Read bytes of a file; it is written by appending, which the position of reading does not disturb."""
    os.lseek(handle, max(start, 0), os.SEEK_SET)
    return os.read(handle, count) if count > 0 else b""


def _cut_half_line(handle: int) -> None:
    size = os.fstat(handle).st_size
    tail = _read_at(handle, size - TAIL, TAIL)
    half = len(tail) - 1 - tail.rfind(b"\n")
    if half and stat.S_ISREG(os.fstat(handle).st_mode):
        os.ftruncate(handle, size - half)


def last_row_s(path: Path) -> float | None:
    """Time of the last row of a log; None if there is no row, or no log. [s]"""
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
