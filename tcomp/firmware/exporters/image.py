"""The table as a binary image, for a part that keeps it apart from its program (EEPROM, a page of flash).

All numbers are little-endian:

======  =====  ==============================================================
offset  bytes  what
======  =====  ==============================================================
0       4      magic, the ASCII letters TCTB
4       2      version of this layout: 2
6       2      length of this header: 72
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
48      16     serial number of the unit, ASCII, filled up with zeros
64      4      build: counter of the unit's images
68      4      0
72      n      the entries, two's complement
72 + n  4      CRC-32/ISO-HDLC of everything before it
======  =====  ==============================================================

`SYMBOL_image.h` repeats it for those who write an image by other means. The reader
takes any step, width and number of entries, so that a table can be replaced by one of another design; what a code means is
compiled in. It checks length, magic, CRC-32, version, serial number, build, kind of code, counts per degC, the converter's
bits, and that every code of the range finds its entries; `proof/image.py` holds it against the lookup at all codes and offers
it the image with each single bit turned (of the first 1000 bytes, as each trial reads all of it), another unit's and an older
one. A change of the layout takes a new version.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

import numpy as np

from tcomp.errors import FirmwareError
from tcomp.firmware.exporter import ANY_UNIT, SERIAL_BYTES, Export, Exporter, Files, Stamp, Unit
from tcomp.firmware.exporters.c99 import Source, common_names, describe
from tcomp.firmware.symbol import check_symbol
from tcomp.tables.code_scale import AdcScale
from tcomp.tables.layout import CorrectionTable, Interpolation
from tcomp.tables.layouts.steps import StepLayout

MAGIC = b"TCTB"
VERSION = 2
HEADER = struct.Struct("<4sHHIIiiiBBBBBB6sd16sI4s")
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
        layout = table.layout
        if not isinstance(layout, StepLayout):
            raise FirmwareError(
                f'a binary image holds tables of the form "steps", and this one is of the form "{table.form}"; '
                'put form = "steps" under [table], or leave bin and ihex out of formats'
            )
        scale = table.scale
        return cls(
            raw_codes=isinstance(scale, AdcScale),
            adc_bits=scale.bits if isinstance(scale, AdcScale) else 0,
            counts_per_c=0.0 if isinstance(scale, AdcScale) else float(scale.counts_per_c),
            low_code=table.low_code,
            high_code=table.high_code,
            first_code=layout.first_code,
            step_log2=layout.step_log2,
            entry_bits=table.entry_bits,
            unit_log2_ppt=table.unit_log2_ppt,
            interpolation=layout.interpolation,
            entries=table.entries,
        )

    @property
    def counts_words(self) -> tuple[int, int]:
        """``counts_per_c`` as a reader without floating point compares it: its lower and its upper 32 bits."""
        low, high = struct.unpack("<II", struct.pack("<d", self.counts_per_c))
        return low, high


def image_bytes(table: CorrectionTable, unit: Unit = ANY_UNIT) -> bytes:
    """Write the image of a table for a unit; the same arguments give the same bytes.

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
        unit.serial.encode("ascii"), unit.build, bytes(4),
    )  # fmt: skip
    return header + entries + CRC.pack(zlib.crc32(header + entries))


def image_source(table: CorrectionTable, symbol: str, stamp: Stamp, unit: Unit = ANY_UNIT) -> dict[str, str]:
    """Write the reader of a binary image of the table: text of ``SYMBOL_image.h`` and ``SYMBOL_image.c``.

    It reads any image with the same codes, whatever the steps, the width and the number of its entries.

    Raises
    ------
    FirmwareError
        The symbol will not do, or images do not hold tables of this form.
    """
    check_symbol(symbol)
    image = Image.of(table)
    low, high = image.counts_words
    codes: dict[str, object] = {
        "raw_codes": int(image.raw_codes), "adc_bits": image.adc_bits,
        "counts_low": f"0x{low:08X}", "counts_high": f"0x{high:08X}",
        "serial": ", ".join(map(str, unit.serial.encode("ascii").ljust(SERIAL_BYTES, b"\0"))), "build": unit.build,
        "serial_words": f'"{unit.serial}"' if unit.serial else "of no unit in particular",
    }  # fmt: skip
    source = Source(table, symbol, (), common_names(table, symbol) | codes | describe(table, symbol, (), stamp))
    return {f"{symbol}_image.h": source.filled("image.h"), f"{symbol}_image.c": source.filled("image.c")}


def files_with_reader(export: Export, file: Files) -> Files:
    """An image in one of its formats, and the C that reads it where the export has C."""
    reader = image_source(export.table, export.symbol, export.stamp, export.unit) if "c" in export.formats else {}
    return file | reader


def _files(export: Export) -> Files:
    return files_with_reader(export, {f"{export.symbol}.bin": image_bytes(export.table, export.unit)})


EXPORTER = Exporter(format="bin", files=_files)
