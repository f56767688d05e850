"""Ways to an instrument, each of which sends and receives lines."""

from __future__ import annotations

import contextlib
import os
import re
import selectors
import signal
import subprocess
import time
from collections import deque
from pathlib import Path
from typing import IO, Any, Protocol

from tcomp.errors import BenchError

LONGEST_LINE = 4096
"""Bytes after which a line that does not end is cut."""
LOOK_S = 0.05
"""How often a file is looked at for more. [s]"""
LINE_ENDS = re.compile(rb"[\r\n]+")


class GoneError(Exception):
    """The way to the instrument is broken: unplugged, ended, removed."""


class Link(Protocol):
    """A way to an instrument."""

    words: str
    """What it is, for messages."""
    slice_s: float
    """The longest wait for a line at a stretch, so that an end of the log is not waited for. [s]"""

    @property
    def unfinished(self) -> bytes:
        """What came of a line that has not ended yet."""

    def open(self) -> None:
        """Open it; BenchError if that cannot be."""

    def close(self) -> None:
        """Close it; may be called at any time."""

    def send(self, line: str) -> None:
        """Send a line; GoneError if the way is broken."""

    def receive(self, wait_s: float) -> bytes | None:
        """A line without its end, or None if none came in time; GoneError if the way is broken."""

    def drain(self) -> int:
        """Forget what came and was not received; how many bytes that were."""


class ByteLink:
    """A stream of bytes, cut into lines at line feeds and carriage returns."""

    words = ""
    slice_s = 0.25

    def __init__(self, line_end: str = "\n") -> None:
        self._line_end = line_end
        self._rest = b""
        self._lines: deque[bytes] = deque()

    def _read(self, wait_s: float) -> bytes:
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
        *lines, self._rest = LINE_ENDS.split(self._rest + data)
        self._lines.extend(line for line in lines if line)
        if len(self._rest) > LONGEST_LINE:
            self._lines.append(self._rest)
            self._rest = b""

    @property
    def unfinished(self) -> bytes:
        """What came of a line that has not ended yet."""
        return self._rest

    def drain(self) -> int:
        """Forget what came and was not received."""
        with contextlib.suppress(GoneError):
            while data := self._read(0.0):
                self._take(data)
        count = len(self._rest) + sum(map(len, self._lines))
        self._forget()
        return count

    def _forget(self) -> None:
        self._rest = b""
        self._lines.clear()


class SerialLink(ByteLink):
    """A serial port."""

    def __init__(self, port: str, baud: int, line_end: str) -> None:
        super().__init__(line_end)
        self._port, self._baud = port, baud
        self._serial: Any = None
        self.words = f"port {port} at {baud} baud"

    def open(self) -> None:
        """Open the port, for this program alone.

        Raises
        ------
        BenchError
            There is no such port, it may not be opened, or another program has it.
        """
        serial = _pyserial()
        self._forget()
        try:
            self._serial = serial.Serial(self._port, self._baud, timeout=0, write_timeout=2.0, exclusive=True)
        except (OSError, ValueError) as error:  # the library's own error is an OSError
            raise BenchError(_why_no_port(self._port, error)) from error

    def close(self) -> None:
        """Close the port."""
        if self._serial is not None:
            with contextlib.suppress(OSError):
                self._serial.close()
            self._serial = None

    def _read(self, wait_s: float) -> bytes:
        try:
            self._serial.timeout = wait_s
            data = self._serial.read(1)
            return bytes(data + self._serial.read(self._serial.in_waiting)) if data else b""
        except (OSError, TypeError, AttributeError) as error:
            raise GoneError(f"{self.words} is gone") from error

    def _write(self, data: bytes) -> None:
        try:
            self._serial.write(data)
        except (OSError, AttributeError) as error:
            raise GoneError(f"{self.words} is gone") from error


def _pyserial() -> Any:
    try:
        import serial
    except ImportError as error:
        raise BenchError('a serial port needs pyserial: pip install "tcomp[log]"') from error
    return serial


def _why_no_port(port: str, error: Exception) -> str:
    text = str(error).lower()
    if isinstance(error, ValueError):
        return f"port {port}: {error}; check baud"
    if getattr(error, "errno", None) == 13 or "permission" in text or "access is denied" in text:
        return (
            f"port {port}: no permission; on Linux the group 'dialout' (in some 'uucp') usually may: add yourself with "
            "`sudo usermod -aG dialout $USER` and log in anew; or another program has it open"
        )
    if "lock" in text or "busy" in text:
        return f"port {port}: another program has it open; close that first"
    from serial.tools import list_ports

    found = ", ".join(sorted(one.device for one in list_ports.comports()))
    if getattr(error, "errno", None) == 2 or "no such file" in text or "cannot find" in text:
        return f"port {port}: there is no such port; those that are there: {found or 'none'}"
    return f"port {port}: cannot be opened ({error}); those that are there: {found or 'none'}"


class ProgramLink(ByteLink):
    """Another program: its standard output gives lines, its standard input takes them."""

    def __init__(self, command: tuple[str, ...], folder: Path, line_end: str = "\n") -> None:
        super().__init__(line_end)
        self._command, self._folder = command, folder
        self._process: subprocess.Popen[bytes] | None = None
        self._selector = selectors.DefaultSelector()
        self.words = f"program {command[0]}"

    def open(self) -> None:
        """Start the program, in the folder of the job.

        Raises
        ------
        BenchError
            It cannot be started.
        """
        self._forget()
        pipe = subprocess.PIPE
        try:
            # A session of its own: the signals of the terminal reach us alone, and we end it.
            self._process = subprocess.Popen(
                self._command, stdin=pipe, stdout=pipe, cwd=self._folder, bufsize=0, start_new_session=True
            )
        except OSError as error:
            raise BenchError(f"{self.words}: cannot be started ({error.strerror}); check command") from error
        self._selector = selectors.DefaultSelector()
        self._selector.register(_of(self._process.stdout), selectors.EVENT_READ)

    def close(self) -> None:
        """End the program, and what it started."""
        process, self._process = self._process, None
        if process is None:
            return
        self._selector.close()
        for number in (signal.SIGTERM, signal.SIGKILL) if hasattr(os, "killpg") else ():
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, number)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(1.0)
                break
        for pipe in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):
                _of(pipe).close()
        if process.poll() is None:
            process.kill()
            process.wait()

    def _read(self, wait_s: float) -> bytes:
        if self._process is None:
            raise GoneError(f"{self.words} is not running")
        if not self._selector.select(wait_s):
            return b""
        data = os.read(_of(self._process.stdout).fileno(), 65_536)
        if not data:
            raise GoneError(f"{self.words} has ended, with exit code {self._process.wait()}")
        return data

    def _write(self, data: bytes) -> None:
        try:
            _of(self._process.stdin if self._process is not None else None).write(data)
        except OSError as error:
            raise GoneError(f"{self.words} takes no lines any more") from error


def _of(pipe: IO[bytes] | None) -> IO[bytes]:
    if pipe is None:
        raise GoneError("the program is not running")
    return pipe


class FileLink(ByteLink):
    """A file that another program appends to; a new one of the same name is followed."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path = path
        self._file: IO[bytes] | None = None
        self.words = f"file {path}"

    def open(self) -> None:
        """Open the file at its end: what stood there before is of another time.

        Raises
        ------
        BenchError
            It cannot be read.
        """
        self._forget()
        try:
            self._file = self._path.open("rb")
        except OSError as error:
            raise BenchError(f"{self._path}: cannot be read ({error.strerror}); check file") from error
        self._file.seek(max(0, os.fstat(self._file.fileno()).st_size - LONGEST_LINE))
        # Somebody may be in the middle of a line: it is read from its beginning.
        half = self._file.read().rpartition(b"\n")[2]
        self._file.seek(-len(half), os.SEEK_END)

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _read(self, wait_s: float) -> bytes:
        if self._file is None:
            raise GoneError(f"{self.words} is closed")
        until_s = time.monotonic() + wait_s
        while not (data := self._file.read(65_536)):
            self._follow()
            if time.monotonic() >= until_s:
                return b""
            time.sleep(LOOK_S)
        return data

    def _follow(self) -> None:
        """Begin anew where the file was cut or replaced."""
        file = _of(self._file)
        try:
            now = self._path.stat()
            replaced = now.st_ino != os.fstat(file.fileno()).st_ino
            if replaced:
                self._file = self._path.open("rb")
        except OSError as error:
            raise GoneError(f"{self.words} is gone") from error
        if replaced:
            file.close()
            self._forget()
        elif now.st_size < file.tell():
            file.seek(0)
            self._forget()

    def _write(self, data: bytes) -> None:
        raise GoneError(f"{self.words} takes no lines")
