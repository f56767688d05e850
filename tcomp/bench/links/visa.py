"""An instrument reached by VISA: serial, GPIB, USB or TCP, as the resource string says."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

from tcomp.bench.links.link import ByteLink, GoneError
from tcomp.bench.links.serial import SerialLine
from tcomp.errors import BenchError
from tcomp.job import Controller, Source

HINT = "check resource, and that it is switched on"


class VisaLink(ByteLink):
    """An instrument of messages, each of which is a line; from a stream, lines are cut as on any other link.

    A message is waited for in one piece: a read that is broken off may lose it without a sign.
    A stream, which is a socket or a serial port, is read byte by byte, since back ends return a part of
    a line as if it were whole, or lose it, when the rest is late.
    """

    def __init__(self, resource: str, library: str, line: SerialLine, line_end: str) -> None:
        super().__init__(line_end)
        self._resource, self._library, self._line = resource, library, line
        self._instrument: Any = None
        self._manager: Any = None
        self.is_port = resource.upper().startswith("ASRL")
        self._is_stream = self.is_port or resource.upper().endswith("SOCKET")
        self.slice_s = ByteLink.slice_s if self._is_stream else math.inf
        self.description = f"instrument {resource}"

    @classmethod
    def from_job(cls, job: Source | Controller, folder: Path) -> Self:
        """The instrument that the job names."""
        return cls(job.resource or "", job.library, SerialLine.from_job(job), job.line_end)

    def open(self) -> None:
        """Open the instrument.

        Raises
        ------
        BenchError
            There is no such instrument; the message lists those that are found.
        """
        pyvisa = _pyvisa()
        self._forget()
        try:
            self._manager = pyvisa.ResourceManager(self._library)
        except (OSError, ValueError) as error:
            raise BenchError(
                f"{self.description}: library '{self._library}' cannot be used ({error}); check library"
            ) from error
        try:
            self._instrument = self._manager.open_resource(
                self._resource, read_termination=self._line_end, write_termination=self._line_end
            )
            if self.is_port:
                self._set_serial(pyvisa.constants)
        except Exception as error:  # back ends raise errors of many kinds
            raise BenchError(self._why_not_opened(error)) from error

    def _set_serial(self, constants: Any) -> None:
        parities = {"N": "none", "E": "even", "O": "odd", "M": "mark", "S": "space"}
        flows = {"none": "none", "xon/xoff": "xon_xoff", "rts/cts": "rts_cts"}
        self._instrument.baud_rate = self._line.baud
        data_bits, parity, stop_bits = tuple(self._line.framing)
        self._instrument.data_bits = int(data_bits)
        self._instrument.parity = constants.Parity[parities[parity]]
        self._instrument.stop_bits = constants.StopBits["one" if stop_bits == "1" else "two"]
        if self._line.flow_control != "none":  # not every back end has it
            self._instrument.flow_control = constants.ControlFlow[flows[self._line.flow_control]]

    def _why_not_opened(self, error: Exception) -> str:
        found: tuple[str, ...] = ()
        with contextlib.suppress(Exception):
            found = tuple(self._manager.list_resources("?*"))
        self.close()
        return (
            f"{self.description}: cannot be opened ({error or type(error).__name__}); {HINT}; instruments that are found: "
            f"{', '.join(found) or 'none (one on a network is not listed)'}"
        )

    def close(self) -> None:
        """Close the instrument."""
        # The manager stays open: the library has one for all instruments, and closing it would close all of them.
        if self._instrument is not None:
            with contextlib.suppress(Exception):
                self._instrument.close()
        self._instrument = None

    def send(self, line: str) -> None:
        """Send a line."""
        if self._instrument is None:
            raise GoneError(f"{self.description} is not open")
        try:
            self._instrument.write(line)
        except Exception as error:
            raise GoneError(f"{self.description} does not answer ({error}); {HINT}") from error

    def receive(self, wait_s: float) -> bytes | None:
        """A line without its end, or None if none came in time."""
        return super().receive(wait_s) if self._is_stream else self._message(wait_s) or None

    def _message(self, wait_s: float) -> bytes:
        if self._instrument is None:
            raise GoneError(f"{self.description} is not open")
        return self._within(wait_s, self._instrument.read_raw).strip(b"\r\n\0")

    def _read(self, wait_s: float) -> bytes:
        if self._instrument is None:
            raise GoneError(f"{self.description} is not open")
        return self._within(wait_s, lambda: self._instrument.read_bytes(1))

    def _within(self, wait_s: float, read: Callable[[], bytes]) -> bytes:
        pyvisa = _pyvisa()
        try:
            self._instrument.timeout = max(1, round(1000 * wait_s))
            return bytes(read())
        except pyvisa.errors.VisaIOError as error:
            if error.error_code == pyvisa.constants.StatusCode.error_timeout:
                return b""
            raise GoneError(f"{self.description} is gone ({error.abbreviation}); {HINT}") from error
        except Exception as error:
            raise GoneError(f"{self.description} is gone ({error}); {HINT}") from error

    def drain(self) -> int:
        """Drop what came and was not received, on a stream; other instruments drop it at the next query (IEEE 488.2)."""
        return super().drain() if self._is_stream else 0


def _pyvisa() -> Any:
    try:
        import pyvisa
    except ImportError as error:
        raise BenchError("an instrument by VISA needs pyvisa and pyvisa-py: pip install pyvisa pyvisa-py") from error
    return pyvisa
