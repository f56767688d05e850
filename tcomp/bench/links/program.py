"""A program: its standard output gives lines, its standard input takes them."""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
import subprocess
from pathlib import Path
from typing import IO, Self

from tcomp.bench.links.link import ByteLink, GoneError
from tcomp.errors import BenchError
from tcomp.job import Controller, Source


class ProgramLink(ByteLink):
    """A program that is started with the log and ended with it."""

    def __init__(self, command: tuple[str, ...], folder: Path, line_end: str = "\n") -> None:
        super().__init__(line_end)
        self._command, self._folder = command, folder
        self._process: subprocess.Popen[bytes] | None = None
        self._selector: selectors.BaseSelector | None = None
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
        self._selector = selectors.DefaultSelector()
        self._selector.register(_pipe(self._process.stdout), selectors.EVENT_READ)

    def close(self) -> None:
        """End the program, and what it started."""
        process, self._process = self._process, None
        if process is None:
            return
        if self._selector is not None:
            self._selector.close()
        for number in (signal.SIGTERM, signal.SIGKILL) if hasattr(os, "killpg") else ():
            with contextlib.suppress(ProcessLookupError, PermissionError):
                os.killpg(process.pid, number)
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(1.0)
                break
        for pipe in (process.stdin, process.stdout):
            with contextlib.suppress(OSError):
                _pipe(pipe).close()
        if process.poll() is None:
            process.kill()
            process.wait()

    def _read(self, wait_s: float) -> bytes:
        if self._process is None or self._selector is None:
            raise GoneError(f"{self.description} is not running")
        if not self._selector.select(wait_s):
            return b""
        data = os.read(_pipe(self._process.stdout).fileno(), 65_536)
        if not data:
            raise GoneError(f"{self.description} has ended, with exit code {self._process.wait()}")
        return data

    def _write(self, data: bytes) -> None:
        try:
            _pipe(self._process.stdin if self._process is not None else None).write(data)
        except OSError as error:
            raise GoneError(f"{self.description} takes no lines any more") from error


def _pipe(pipe: IO[bytes] | None) -> IO[bytes]:
    if pipe is None:
        raise GoneError("the program is not running")
    return pipe
