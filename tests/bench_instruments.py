"""Instruments for tests of the bench, over real transports: a board at a pseudo-terminal, an instrument at a socket."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import signal
import socket
import struct
import subprocess
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

PATIENCE_S = 60.0
"""How long a test waits for what has to come, however busy the machine is."""


def until(holds: Callable[[], bool]) -> None:
    """Wait for what has to come."""
    end_s = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end_s, "did not come"
        time.sleep(0.01)


@contextlib.contextmanager
def running(*command: str | Path, **options: Any) -> Iterator[subprocess.Popen[str]]:
    """A process with a group of its own; whatever becomes of the test, it and what it has started are ended."""
    with subprocess.Popen([str(word) for word in command], text=True, start_new_session=True, **options) as process:
        try:
            yield process
        finally:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)


Said = bytes | tuple[bytes, float, bytes] | None
"""What an instrument sends: a line with its end, a line that stalls for some seconds after its first part, or nothing."""


class PtyBoard:
    """A board at a pseudo-terminal behind a link of a fixed name, as udev gives one; it can be unplugged.

    ``says`` is called for each line that it sends: every ``period_s`` by itself, or with ``asked`` for
    each line that comes in, which is its argument.
    """

    def __init__(self, link: Path, says: Callable[[str], Said], period_s: float = 0.01, *, asked: bool = False) -> None:
        self.link, self._says, self._period_s, self._asked = link, says, period_s, asked
        self._handles: tuple[int, int] | None = None
        self._ended = threading.Event()
        self.heard: list[str] = []
        self.plug()

    def plug(self) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        self._handles = (master, slave)
        self._ended = threading.Event()
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(slave))
        self._thread = threading.Thread(target=self._run, args=(master, self._ended), daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        if self._handles is None:
            return
        self._ended.set()
        self._thread.join()
        self.link.unlink(missing_ok=True)
        for handle in self._handles:
            os.close(handle)
        self._handles = None

    @property
    def unread_bytes(self) -> int:
        """What was sent and nobody has read yet."""
        assert self._handles is not None
        return struct.unpack("i", fcntl.ioctl(self._handles[1], termios.FIONREAD, b"\0" * 4))[0]

    def _run(self, master: int, ended: threading.Event) -> None:
        rest = b""
        while not ended.is_set():
            with contextlib.suppress(OSError):
                if not self._asked:
                    time.sleep(self._period_s)
                    self._send(master, self._says(""))
                elif select.select([master], [], [], 0.02)[0]:
                    *lines, rest = (rest + os.read(master, 4096)).split(b"\n")
                    for line in lines:
                        self.heard.append(line.decode("latin-1"))
                        self._send(master, self._says(self.heard[-1]))

    def _send(self, master: int, said: Said) -> None:
        if isinstance(said, tuple):
            first, stall_s, rest = said
            self._send(master, first)
            self._ended.wait(stall_s)
            self._send(master, rest)
        # Nobody may be reading: what does not fit is lost, as with a real port.
        elif said and select.select([], [master], [], 0)[1]:
            os.write(master, said)


class TcpInstrument:
    """An instrument at a raw socket on this machine that answers lines, in parts if it is to stall."""

    def __init__(self, answers: Callable[[str], str | tuple[str, float, str] | None]) -> None:
        self._answers = answers
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._run, daemon=True).start()

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def _run(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = self._server.accept()
                threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError), connection, connection.makefile("rw", newline="\n") as file:
            for line in file:
                answer = self._answers(line.strip())
                if isinstance(answer, tuple):
                    first, stall_s, answer = answer
                    file.write(first)
                    file.flush()
                    time.sleep(stall_s)
                if answer is not None:
                    file.write(answer + "\n")
                    file.flush()

    def close(self) -> None:
        self._server.close()


def job_text(sources: str, more: str = "") -> str:
    """A job of the timing board of a river gauge with these sources; invented."""
    return f"""
[oscillator]
name = "gauge 07"
nominal_hz = 12_800_000
{sources}
{more}
"""


def board(port: Path, more: str = "") -> str:
    """A source that gives temperature and frequency in one line."""
    return f"""
[[source]]
name = "board"
kind = "serial"
port = "{port}"
gives = ["temperature", "frequency"]
{more}
"""


class FullDisk:
    """A disk that takes some bytes and then no more, until it has room again."""

    def __init__(self, room: int) -> None:
        self.room = room

    def write(self, handle: int, data: bytes) -> int:
        if not self.room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        taken = os.write(handle, data[: self.room])
        self.room -= taken
        return taken
