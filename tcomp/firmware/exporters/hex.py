"""Bytes at an address as Intel HEX: records of type 00 (data), 01 (end) and 04 (upper half of the address)."""

from __future__ import annotations

from collections.abc import Iterator

from tcomp.errors import FirmwareError
from tcomp.firmware.exporter import Export, Exporter, Files
from tcomp.firmware.exporters.image import files_with_reader, image_bytes

BYTES_A_RECORD = 16
DATA, END, UPPER_ADDRESS = 0, 1, 4
BANK = 2**16
"""A record's own address has 16 bits; a record of type 04 says the 16 above them."""


def hex_text(content: bytes, address: int) -> str:
    """Write bytes from an address on.

    Raises
    ------
    FirmwareError
        They do not lie within the 32 bits that an address has.

    Examples
    --------
    >>> print(hex_text(b"tcomp", 0x0800FFFE), end="")
    :020000040800F2
    :02FFFE0074632A
    :020000040801F1
    :030000006F6D70B1
    :00000001FF
    """
    if not 0 <= address <= 2**32 - len(content):
        raise FirmwareError(
            f"an image of {len(content)} bytes at address {address:#x} leaves the 32 bits of an address; expected "
            f"0x0 to {2**32 - len(content):#x}"
        )
    return "".join(f"{line}\n" for line in _lines(content, address))


def record(kind: int, address: int, content: bytes) -> str:
    """Write one record; the sum of all its bytes, checksum included, is a multiple of 256.

    Examples
    --------
    >>> record(4, 0, bytes([0x08, 0x00]))
    ':020000040800F2'
    """
    body = bytes([len(content), *address.to_bytes(2, "big"), kind, *content])
    return f":{(body + bytes([-sum(body) % 256])).hex().upper()}"


def _lines(content: bytes, address: int) -> Iterator[str]:
    place, bank = 0, None
    while place < len(content):
        upper, lower = divmod(address + place, BANK)
        if upper != bank:
            bank = upper
            yield record(UPPER_ADDRESS, 0, upper.to_bytes(2, "big"))
        piece = content[place : place + min(BYTES_A_RECORD, BANK - lower)]
        yield record(DATA, lower, piece)
        place += len(piece)
    yield record(END, 0, b"")


def _files(export: Export) -> Files:
    text = hex_text(image_bytes(export.table, export.unit), export.image_address)
    return files_with_reader(export, {f"{export.symbol}.hex": text})


EXPORTER = Exporter(format="ihex", files=_files)
