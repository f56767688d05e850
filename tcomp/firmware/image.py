"""The table as a binary image, for a part that keeps it apart from its program (EEPROM, a page of flash).

All numbers are little-endian:

======  =====  ==============================================================
offset  bytes  what
======  =====  ==============================================================
0       4      magic, the ASCII letters TCTB
4       2      version of this layout: 1
6       2      length of this header: 48
8       4      length of the whole image, CRC included
12      4      number of entries
16      4      low_code, signed: first code of the range
20      4      high_code, signed: last code of the range
24      4      first_code, signed: the code at which entry 0 stands
28      1      code: 0 a temperature (int16), 1 the sensor's raw code (uint16)
29      1      bytes of an entry: 2 or 4
30      1      step_log2: the knots are 2**step_log2 codes apart
31      1      unit_log2_ppt: an entry unit is 2**unit_log2_ppt ppt
32      1      interpolation: 0 nearest, 1 linear
33      1      bits of the converter; 0 with temperature codes
34      6      0
40      8      counts_per_c, IEEE 754 binary64; 0 with raw codes
48      n      the entries, two's complement
48 + n  4      CRC-32/ISO-HDLC of everything before it
======  =====  ==============================================================
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np

from tcomp.errors import FirmwareError
from tcomp.table.code_scale import AdcScale
from tcomp.table.lookup import CorrectionTable, Interpolation
from tcomp.table.step_table import StepTable

MAGIC = b"TCTB"
VERSION = 1
HEADER = struct.Struct("<4sHHIIiiiBBBBBB6sd")
CRC = struct.Struct("<I")
INTERPOLATIONS: tuple[Interpolation, ...] = ("nearest", "linear")


@dataclass(frozen=True)
class Image:
    """What an image holds: the table without its errors, and without the sensor, which the firmware does not need."""

    raw_codes: bool
    adc_bits: int
    counts_per_c: float
    low_code: int
    high_code: int
    first_code: int
    step_log2: int
    entry_bits: int
    unit_log2_ppt: int
    interpolation: Interpolation
    entries: tuple[int, ...]

    @classmethod
    def of(cls, table: CorrectionTable) -> Image:
        """What of a table goes into its image.

        Raises
        ------
        FirmwareError
            The table is of a form that images do not have.
        """
        if not isinstance(table, StepTable):
            raise FirmwareError(
                f'a binary image holds tables of the form "steps", and this one is of the form "{table.form}"; '
                'put form = "steps" under [table], or leave bin and ihex out of formats'
            )
        raw = isinstance(table.scale, AdcScale)
        same = {name: getattr(table, name) for name in cls.__dataclass_fields__ if hasattr(table, name)}
        return cls(
            raw_codes=raw,
            adc_bits=table.scale.bits if isinstance(table.scale, AdcScale) else 0,
            counts_per_c=0.0 if isinstance(table.scale, AdcScale) else float(table.scale.counts_per_c),
            **same,
        )

    @property
    def counts_words(self) -> tuple[int, int]:
        """``counts_per_c`` as a reader without floating point compares it: its lower and its upper 32 bits."""
        low, high = struct.unpack("<II", struct.pack("<d", self.counts_per_c))
        return low, high


def image_bytes(table: CorrectionTable) -> bytes:
    """Write the image of a table; the same table gives the same bytes.

    Raises
    ------
    FirmwareError
        The table is of a form that images do not have.
    """
    image = Image.of(table)
    entries = np.array(image.entries, dtype=f"<i{image.entry_bits // 8}").tobytes()
    header = HEADER.pack(
        MAGIC, VERSION, HEADER.size, HEADER.size + len(entries) + CRC.size, len(image.entries),
        image.low_code, image.high_code, image.first_code, image.raw_codes, image.entry_bits // 8, image.step_log2,
        image.unit_log2_ppt, INTERPOLATIONS.index(image.interpolation), image.adc_bits, bytes(6), image.counts_per_c,
    )  # fmt: skip
    return header + entries + CRC.pack(zlib.crc32(header + entries))


def read_image(content: bytes) -> Image:
    """Read an image back.

    Raises
    ------
    FirmwareError
        It is no image, is of a version that is not known, or was damaged.
    """
    if len(content) < HEADER.size + CRC.size or content[:4] != MAGIC:
        raise FirmwareError(
            f"this is no image of a table: expected {MAGIC.decode()} and a header of {HEADER.size} bytes"
        )
    if zlib.crc32(content[: -CRC.size]) != CRC.unpack(content[-CRC.size :])[0]:
        raise FirmwareError("the image does not have the CRC-32 that it states: it was damaged; export it again")
    _, version, header_bytes, image_bytes_, count, *numbers = HEADER.unpack_from(content)
    if version != VERSION:
        raise FirmwareError(f"the image has version {version}; expected {VERSION}: read it with a newer tcomp")
    low, high, first, raw, entry_bytes, step, unit, interpolation, bits, _, counts_per_c = numbers
    if entry_bytes not in (2, 4) or interpolation >= len(INTERPOLATIONS):
        raise FirmwareError("the image holds values that mean nothing; expected what the export wrote")
    stated = HEADER.size + count * entry_bytes + CRC.size
    if (header_bytes, image_bytes_, len(content)) != (HEADER.size, stated, stated):
        raise FirmwareError(f"the image has {len(content)} bytes where its header states {stated}; export it again")
    entries = np.frombuffer(content, f"<i{entry_bytes}", count, HEADER.size)
    return Image(
        raw_codes=bool(raw), adc_bits=bits, counts_per_c=counts_per_c, low_code=low, high_code=high, first_code=first,
        step_log2=step, entry_bits=8 * entry_bytes, unit_log2_ppt=unit, interpolation=INTERPOLATIONS[interpolation],
        entries=tuple(entries.tolist()),
    )  # fmt: skip
