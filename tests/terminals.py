"""A real terminal of so many columns, for tests: a pseudo-terminal."""

from __future__ import annotations

import fcntl
import os
import re
import struct
import subprocess
import sys
import termios
from dataclasses import dataclass
from pathlib import Path

COLOUR = re.compile(r"\x1b\[[0-9;]*m")
"""Select graphic rendition (ECMA-48, 8.3.117): how text looks, never where it stands."""


@dataclass(frozen=True)
class Screen:
    """What stands on the terminal in the end, and all that was sent to it but colours and bold."""

    lines: list[str]
    sent: str
    exit_code: int


def on_terminal(columns: int, *words: str | Path, cwd: Path | None = None) -> Screen:
    """Run ``tcomp`` with stdout and stderr on one terminal."""
    master, slave = os.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES", "NO_COLOR")}
    command = [sys.executable, "-m", "tcomp", *map(str, words)]
    with subprocess.Popen(command, stdout=slave, stderr=slave, cwd=cwd, env=environment) as process:
        os.close(slave)
        sent = b""
        while True:
            try:
                part = os.read(master, 65536)
            except OSError:  # the other end is closed
                break
            if not part:
                break
            sent += part
    os.close(master)
    text = sent.decode("utf-8").replace("\r\n", "\n")
    plain = COLOUR.sub("", text)
    lines = [line.split("\r")[-1].rstrip() for line in plain.removesuffix("\n").split("\n")]
    return Screen(lines, plain, process.returncode)
