"""A file that another program appends to."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import IO, Self

from tcomp.bench.links.link import MAX_LINE, ByteLink, GoneError
from tcomp.errors import BenchError
from tcomp.job import Controller, Source

LOOK_S = 0.05
"""Time between two looks for more. [s]"""


class FileLink(ByteLink):
    """A file that grows; a new one of the same name is followed."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._path = path
        self._file: IO[bytes] | None = None
        self.description = f"file {path}"

    @classmethod
    def from_job(cls, job: Source | Controller, folder: Path) -> Self:
        """The file that the job names; a controller is never a file."""
        assert isinstance(job, Source)
        return cls(folder / (job.file or ""))

    def open(self) -> None:
        """Open the file at its end: what it held before belongs to another time.

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
        self._file.seek(max(0, os.fstat(self._file.fileno()).st_size - MAX_LINE))
        # The other program may be in the middle of a line: that line is read from its beginning.
        half = self._file.read().rpartition(b"\n")[2]
        self._file.seek(-len(half), os.SEEK_END)

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _read(self, wait_s: float) -> bytes:
        until_s = time.monotonic() + wait_s
        while True:
            if self._file is None:
                raise GoneError(f"{self.description} is closed")
            data = self._file.read(65_536)
            if data:
                return data
            self._follow(self._file)
            if time.monotonic() >= until_s:
                return b""
            time.sleep(LOOK_S)

    def _follow(self, file: IO[bytes]) -> None:
        """Start again at the beginning if the file was cut or replaced."""
        try:
            now = self._path.stat()
            replaced = now.st_ino != os.fstat(file.fileno()).st_ino
            if replaced:
                self._file = self._path.open("rb")
        except OSError as error:
            raise GoneError(f"{self.description} is gone") from error
        if replaced:
            file.close()
            self._forget()
        elif now.st_size < file.tell():
            file.seek(0)
            self._forget()

    def _write(self, data: bytes) -> None:
        raise GoneError(f"{self.description} takes no lines")
