"""Instruments for tests of the bench, over real transports: a board at a pseudo-terminal, an instrument at a socket."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path


class PtyBoard:
    """A board at a pseudo-terminal behind a link of a fixed name, as udev gives one; it can be unplugged.

    ``says`` is called for each line that it sends: every ``period_s`` by itself, or with ``asked`` for
    each line that comes in, which is its argument.
    """

    def __init__(
        self, link: Path, says: Callable[[str], bytes | None], period_s: float = 0.01, *, asked: bool = False
    ) -> None:
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
                        self.heard.append(line.decode())
                        self._send(master, self._says(line.decode()))

    @staticmethod
    def _send(master: int, data: bytes | None) -> None:
        # Nobody may be reading: what does not fit is lost, as with a real port.
        if data and select.select([], [master], [], 0)[1]:
            os.write(master, data)


class TcpInstrument:
    """An instrument at a raw socket on this machine that answers lines."""

    def __init__(self, answers: Callable[[str], str | None]) -> None:
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
