"""An instrument by VISA: serial, GPIB, USB or TCP, as the resource string says."""

from __future__ import annotations

import contextlib
import math
from typing import Any

from tcomp.bench.link import GoneError
from tcomp.errors import BenchError

HINT = "check resource, and that it is switched on"


class VisaLink:
    """A message to the instrument and one from it are a line each."""

    slice_s = math.inf
    """An answer that is broken off may be lost: it is waited for in one piece."""

    def __init__(self, resource: str, library: str, baud: int, line_end: str) -> None:
        self._resource, self._library, self._baud, self._line_end = resource, library, baud, line_end
        self._instrument: Any = None
        self._manager: Any = None
        self.words = f"instrument {resource}"

    @property
    def unfinished(self) -> bytes:
        """Nothing: a message comes whole."""
        return b""

    def open(self) -> None:
        """Open the instrument.

        Raises
        ------
        BenchError
            There is no such instrument; those that are found are listed.
        """
        pyvisa = _pyvisa()
        try:
            self._manager = pyvisa.ResourceManager(self._library)
        except (OSError, ValueError) as error:
            raise BenchError(
                f"{self.words}: library '{self._library}' cannot be used ({error}); check library"
            ) from error
        try:
            self._instrument = self._manager.open_resource(
                self._resource, read_termination=self._line_end, write_termination=self._line_end
            )
            if self._resource.upper().startswith("ASRL"):
                self._instrument.baud_rate = self._baud
        except Exception as error:  # its back ends raise errors of many kinds
            raise BenchError(self._why(error)) from error

    def _why(self, error: Exception) -> str:
        found: tuple[str, ...] = ()
        with contextlib.suppress(Exception):
            found = tuple(self._manager.list_resources("?*"))
        self.close()
        return (
            f"{self.words}: cannot be opened ({error or type(error).__name__}); check resource, and that it is switched on; those "
            f"that are found: {', '.join(found) or 'none (one on a network is not listed)'}"
        )

    def close(self) -> None:
        """Close the instrument."""
        # The manager stays: the library has one for all instruments, and with it all of them would be closed.
        if self._instrument is not None:
            with contextlib.suppress(Exception):
                self._instrument.close()
        self._instrument = None

    def send(self, line: str) -> None:
        """Send a line."""
        if self._instrument is None:
            raise GoneError(f"{self.words} is not open")
        try:
            self._instrument.write(line)
        except Exception as error:
            raise GoneError(
                f"{self.words} does not answer ({error}); check resource, and that it is switched on"
            ) from error

    def receive(self, wait_s: float) -> bytes | None:
        """A line without its end, or None if none came in time."""
        if self._instrument is None:
            raise GoneError(f"{self.words} is not open")
        pyvisa = _pyvisa()
        try:
            self._instrument.timeout = max(1, round(1000 * wait_s))
            return bytes(self._instrument.read_raw()).strip(b"\r\n\0")
        except pyvisa.errors.VisaIOError as error:
            if error.error_code == pyvisa.constants.StatusCode.error_timeout:
                return None
            raise GoneError(f"{self.words} is gone ({error.abbreviation}); {HINT}") from error
        except Exception as error:
            raise GoneError(f"{self.words} is gone ({error}); {HINT}") from error

    def drain(self) -> int:
        """Forget what came and was not received, on a stream; other ways forget it when they are asked anew (IEEE 488.2)."""
        count = 0
        while self._is_stream and (line := self.receive(0.001)) is not None:
            count += len(line)
        return count

    @property
    def _is_stream(self) -> bool:
        resource = self._resource.upper()
        return resource.endswith("SOCKET") or resource.startswith("ASRL")


def _pyvisa() -> Any:
    try:
        import pyvisa
    except ImportError as error:
        raise BenchError('an instrument by VISA needs pyvisa and pyvisa-py: pip install "tcomp[log]"') from error
    return pyvisa
