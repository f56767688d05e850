"""A serial port: baud rate, framing, flow control, and what a wrong one looks like."""

from __future__ import annotations

import contextlib
import os
import select
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from tcomp.bench.links.link import ByteLink, GoneError
from tcomp.errors import BenchError
from tcomp.job import Controller, Source

WRITE_S = 2.0
"""A line that the port does not take within this time is given up. [s]"""
EIGHTH_BITS: dict[str, Callable[[int], int]] = {
    "E": lambda byte: byte.bit_count() % 2,
    "O": lambda byte: 1 - byte.bit_count() % 2,
    "M": lambda _: 1,
    "S": lambda _: 0,
}
"""The bit after 7 data bits: even, odd, mark and space parity."""
WRONG = 0xFF
"""Stands for a character whose parity is wrong; no text contains it."""
USUAL_BAUD = "1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200"
TEXT = frozenset(range(32, 127)) | {9, 0xB0, 0xC2, 0xCE, 0xA9, 0xE2, 0x84, 0xA6}
"""Bytes of the lines of instruments: ASCII, and those of degree and ohm signs."""
LINE_END = {10, 13}
MAX_NON_TEXT_SHARE = 0.25
MIN_RECEIVED = 8
"""Bytes needed before a wrong framing or baud rate is suggested."""
MIN_HIGH_BYTES = 2
"""Bytes with their eighth bit set that identify a framing."""
SEVEN_BITS = {
    "7E1": "even parity",
    "7O1": "odd parity",
    "7N2": "no parity and two stop bits, or mark parity",
}
"""Framings of 7 data bits that can be identified when 8 are read; space parity reads correctly as it is."""


@dataclass(frozen=True, kw_only=True)
class SerialLine:
    """How bits are sent on a serial line.

    Seven data bits and a parity bit look like eight data bits, so the parity bit is made and checked here: then a
    wrong one is noticed on any port, and the port need not support parity.

    Examples
    --------
    >>> line = SerialLine(framing="7E1")
    >>> line.coded(b"21\\n"), line.plain(b"\\xb21\\n")
    (b'\\xb2\\xb1\\n', b'2\\xff\\n')
    """

    baud: int = 9600
    framing: str = "8N1"
    flow_control: str = "none"

    @classmethod
    def from_job(cls, job: Source | Controller) -> SerialLine:
        """The line of a source or a controller."""
        return cls(baud=job.baud, framing=job.framing, flow_control=job.flow_control)

    @property
    def is_coded_here(self) -> bool:
        """Whether the parity bit is made and checked here; with XON/XOFF the port has to do it."""
        return self.framing[0] == "7" and self.framing != "7N1" and self.flow_control != "xon/xoff"

    @property
    def port_framing(self) -> tuple[int, str, int]:
        """Data bits, parity and stop bits to which the port is set."""
        if not self.is_coded_here:
            return int(self.framing[0]), self.framing[1], int(self.framing[2])
        return 8, "N", 1 if self.framing == "7N2" else int(self.framing[2])

    def coded(self, data: bytes) -> bytes:
        """What is sent, with its parity bits."""
        return bytes(map(self._with_eighth, data)) if self.is_coded_here else data

    def plain(self, data: bytes) -> bytes:
        """What came, without its parity bits; a character whose parity is wrong becomes `WRONG`."""
        if not self.is_coded_here:
            return data
        return bytes(byte & 0x7F if byte == self._with_eighth(byte) else WRONG for byte in data)

    def _with_eighth(self, byte: int) -> int:
        parity = "M" if self.framing == "7N2" else self.framing[1]  # the first of two stop bits is a one
        return byte & 0x7F | EIGHTH_BITS[parity](byte & 0x7F) << 7


class SerialLink(ByteLink):
    """A serial port."""

    is_port = True

    def __init__(self, port: str, line: SerialLine, line_end: str) -> None:
        super().__init__(line_end)
        self._port, self._line = port, line
        self._serial: Any = None
        self.description = f"port {port} at {line.baud} baud" + (f", {line.framing}" if line.framing != "8N1" else "")

    @classmethod
    def from_job(cls, job: Source | Controller, folder: Path) -> Self:
        """The port that the job names."""
        return cls(job.port or "", SerialLine.from_job(job), job.line_end)

    def open(self) -> None:
        """Open the port, for this program alone.

        Raises
        ------
        BenchError
            There is no such port, it may not be opened, or another program has it open.
        """
        serial = _pyserial()
        self._forget()
        data_bits, parity, stop_bits = self._line.port_framing
        try:
            self._serial = serial.Serial(
                self._port, self._line.baud, timeout=0, write_timeout=WRITE_S, exclusive=True,
                bytesize=data_bits, parity=parity, stopbits=stop_bits,
                xonxoff=self._line.flow_control == "xon/xoff", rtscts=self._line.flow_control == "rts/cts",
            )  # fmt: skip
        except Exception as error:  # an OSError, or, where a setting is refused, a ValueError or an error of termios
            raise BenchError(why_not_opened(self._port, error)) from error

    def close(self) -> None:
        """Close the port."""
        if self._serial is not None:
            with contextlib.suppress(OSError):
                self._serial.close()
            self._serial = None

    def framing_hint(self, received: bytes) -> str:
        """What a wrong framing or baud rate would explain about the last bytes; empty if they look like text."""
        if len(received) < MIN_RECEIVED:
            return ""
        framing = likely_framing(received)
        if framing:
            return (
                f"{self.description}: the bytes are those of 7 data bits with {SEVEN_BITS[framing]}: give framing = "
                f'"{framing}"'
            )
        odd = sum(byte not in TEXT for byte in received)
        if odd < MAX_NON_TEXT_SHARE * len(received):
            return ""
        return (
            f"{self.description}: {odd} of {len(received)} bytes are not text: the baud rate is probably wrong; usual ones are "
            f"{USUAL_BAUD}; if it is right, check framing, which is {self._line.framing}"
        )

    def _read(self, wait_s: float) -> bytes:
        try:
            if os.name == "posix":
                # With its own timeout the library would configure the whole port at each read, which some adapters refuse.
                select.select([self._serial.fileno()], [], [], wait_s)
            else:
                self._serial.timeout = wait_s
            data = bytes(self._serial.read(max(1, self._serial.in_waiting)))
        except (OSError, TypeError, AttributeError) as error:
            raise GoneError(f"{self.description} is gone") from error
        return self._line.plain(data)

    def _write(self, data: bytes) -> None:
        try:
            self._serial.write(self._line.coded(data))
        except (OSError, AttributeError) as error:
            raise GoneError(f"{self.description} is gone") from error


def likely_framing(data: bytes) -> str:
    """The framing of a line whose bytes were read as 8N1, if they are text of 7 bits with a parity bit; empty if not.

    >>> likely_framing(bytes(byte | (byte.bit_count() % 2) << 7 for byte in b"21.5,12800001"))
    '7E1'
    >>> likely_framing(b"21.5,12800001")
    ''
    """
    high = sum(byte >= 0x80 for byte in data)
    if high < MIN_HIGH_BYTES or any(byte & 0x7F not in TEXT | LINE_END for byte in data):
        return ""
    return next((name for name in SEVEN_BITS if WRONG not in SerialLine(framing=name).plain(data)), "")


def why_not_opened(port: str, error: Exception) -> str:
    """Why a port could not be opened, and what to do about it."""
    text = str(error).lower()
    if not isinstance(error, OSError):
        return f"port {port}: {error}; check baud, framing and flow_control"
    if getattr(error, "errno", None) == 13 or "permission" in text or "access is denied" in text:
        return (
            f"port {port}: no permission; on Linux the group 'dialout' (in some 'uucp') usually may: add yourself with "
            "`sudo usermod -aG dialout $USER` and log in again; or another program has it open"
        )
    if "lock" in text or "busy" in text:
        return f"port {port}: another program has it open; close that first"
    from serial.tools import list_ports

    found = ", ".join(sorted(one.device for one in list_ports.comports()))
    if getattr(error, "errno", None) == 2 or "no such file" in text or "cannot find" in text:
        return f"port {port}: there is no such port; available ports: {found or 'none'}"
    return f"port {port}: cannot be opened ({error}); available ports: {found or 'none'}"


def _pyserial() -> Any:
    try:
        import serial
    except ImportError as error:
        raise BenchError("a serial port needs pyserial: pip install pyserial") from error
    return serial
