"""A program: its standard output gives lines, its standard input takes them."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import subprocess
import sys
import threading
from pathlib import Path
from typing import IO, Self

from tcomp.bench.links.link import ByteLink, GoneError
from tcomp.errors import BenchError
from tcomp.job import Controller, Source

CHUNK = 65_536
"""Bytes that are read at once."""
MAX_CHUNKS = 64
"""What waits to be received; a program that says more is held up."""
LOOK_S = 0.1
"""Time after which a thread that is held up looks whether the link was closed. [s]"""


class ProgramLink(ByteLink):
    """A program that is started with the log and ended with it.

    A thread reads its output, as not every system can wait for a pipe with a limit of time.
    """

    def __init__(self, command: tuple[str, ...], folder: Path, line_end: str = "\n") -> None:
        super().__init__(line_end)
        self._command, self._folder = command, folder
        self._process: subprocess.Popen[bytes] | None = None
        self._chunks: queue.Queue[bytes] = queue.Queue()
        self._closed = threading.Event()
        self.description = f"program {command[0]}"

    @classmethod
    def from_job(cls, job: Source | Controller, folder: Path) -> Self:
        """The program that the job names."""
        return cls(job.command, folder, job.line_end)

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
            # A session of its own: the signals of the terminal reach only this program, which ends the other.
            self._process = subprocess.Popen(
                self._command, stdin=pipe, stdout=pipe, cwd=self._folder, bufsize=0, start_new_session=True
            )
        except OSError as error:
            raise BenchError(f"{self.description}: cannot be started ({error.strerror}); check command") from error
        self._chunks, self._closed = queue.Queue(MAX_CHUNKS), threading.Event()
        reading = (_pipe(self._process.stdout), self._chunks, self._closed)
        threading.Thread(target=_collect, args=reading, name=self.description, daemon=True).start()

    def close(self) -> None:
        """End the program, and what it started."""
        process, self._process = self._process, None
        if process is None:
            return
        self._closed.set()
        if sys.platform != "win32":
            for number in (signal.SIGTERM, signal.SIGKILL):
                with contextlib.suppress(ProcessLookupError, PermissionError):
                    os.killpg(process.pid, number)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(1.0)
                    break
        if process.poll() is None:
            process.kill()
            process.wait()
        for pipe in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):
                _pipe(pipe).close()

    def _read(self, wait_s: float) -> bytes:
        if self._process is None:
            raise GoneError(f"{self.description} is not running")
        try:
            data = self._chunks.get(timeout=wait_s) if wait_s > 0 else self._chunks.get_nowait()
        except queue.Empty:
            return b""
        if not data:
            self._chunks.put_nowait(b"")  # asked again, it has ended still
            raise GoneError(f"{self.description} has ended, with exit code {self._process.wait()}")
        return data

    def _write(self, data: bytes) -> None:
        try:
            _pipe(self._process.stdin if self._process is not None else None).write(data)
        except OSError as error:
            raise GoneError(f"{self.description} takes no lines any more") from error


def _collect(output: IO[bytes], chunks: queue.Queue[bytes], closed: threading.Event) -> None:
    """Hand on what a program says, an empty chunk at its end, until the link is closed."""
    data = b"begun"
    while data and not closed.is_set():
        try:
            data = output.read(CHUNK)
        except (OSError, ValueError):  # closed meanwhile
            return
        while not closed.is_set():
            with contextlib.suppress(queue.Full):
                chunks.put(data, timeout=LOOK_S)
                break


def _pipe(pipe: IO[bytes] | None) -> IO[bytes]:
    if pipe is None:
        raise GoneError("the program is not running")
    return pipe
