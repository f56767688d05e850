"""The C reader of images, called in this process: offered images with each field at its ends, and beyond them."""

from __future__ import annotations

import ctypes
import os
import struct
import subprocess
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from firmware_files import read_image
from tables import changed as table_changed
from tables import step_table

from tcomp.errors import TableError
from tcomp.firmware.exporter import Stamp, Unit
from tcomp.firmware.exporters.image import Image, image_bytes, image_source
from tcomp.job import Sensor
from tcomp.proof.compilers import find_compilers
from tcomp.tables.code_scale import AdcScale, TemperatureScale
from tcomp.tables.layout import CorrectionTable

pytestmark = pytest.mark.skipif(os.name != "posix" or not find_compilers(), reason="needs a C compiler")

STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("table", 2.5),), "-5 to 2.5 degC")
UNIT = Unit("RG-0007", 5)
TABLE = step_table(
    scale=TemperatureScale(51.2), low_code=-500, high_code=250, first_code=-512, step_log2=8, entry_bits=16,
    unit_log2_ppt=3, interpolation="linear", entries=(-32768, 20, 1000, 32767), max_error_ppb=2.5, rms_error_ppb=1.0,
)  # fmt: skip
TABLES = {
    "linear": TABLE,
    "nearest": table_changed(TABLE, interpolation="nearest"),
    "32 bits": table_changed(TABLE, entry_bits=32, entries=(-(2**28), 2**28 - 1, -1, 0)),
    "raw codes": table_changed(
        TABLE, scale=AdcScale(Sensor("linear", degc_per_count=-0.002, offset_c=100.0)), low_code=1, high_code=700, first_code=-20
    ),
}  # fmt: skip
# Where each field lies, how it is packed, and values about its ends (the table in tcomp/firmware/exporters/image.py).
FIELDS: dict[str, tuple[int, str, tuple[int, ...]]] = {
    "version": (4, "<H", (0, 1, 2, 3)),
    "length of the header": (6, "<H", (71, 72, 73)),
    "number of entries": (12, "<I", (0, 1, 2, 3, 5, 65537, 65538, 2**31)),
    "low_code": (16, "<i", (-32769, -32768, -641, -640, -513, -512, -511, -148, -21, -20, -1, 0, 250, 251, 32768, -(2**31))),
    "high_code": (
        20, "<i", (-501, -500, -499, 0, 255, 256, 257, 383, 384, 748, 749, 1004, 32767, 32768, 65535, 65536, 2**31 - 1)
    ),
    "first_code": (24, "<i", (-65537, -65536, -513, -511, -500, -499, -373, -372, -371, 0, 1, 2, 65535, 65536)),
    "code": (28, "<B", (0, 1, 2)),
    "bytes of an entry": (29, "<B", (0, 1, 2, 3, 4, 8)),
    "step_log2": (30, "<B", (0, 7, 9, 15, 16)),
    "unit_log2_ppt": (31, "<B", (0, 15, 16, 17)),
    "interpolation": (32, "<B", (0, 1, 2)),
    "bits of the converter": (33, "<B", (0, 12, 16)),
    "counts_per_c, lower": (40, "<I", (0, 1)),
    "counts_per_c, upper": (44, "<I", (0, 1)),
    "serial, first": (48, "<B", (0, 1)),
    "serial, last": (63, "<B", (0, 255)),
    "build": (64, "<I", (0, 4, 5, 6, 2**32 - 1)),
}  # fmt: skip


def signed_anew(image: bytes) -> bytes:
    """With its CRC made right again."""
    return image[:-4] + struct.pack("<I", zlib.crc32(image[:-4]))


def variants(image: bytes) -> Iterator[bytes]:
    """The image, cut, lengthened and damaged; and with each field, and each two of some, at their values."""
    yield image
    yield from (
        image[:75],
        image[:76],
        image[:-1],
        image + b"more",
        b"TCTA" + image[4:],
        image[:74] + b"?" + image[75:],
    )
    for length in (0, 75, 76, len(image) - 1, len(image) + 1, len(image) + 4):
        yield signed_anew(image[:8] + struct.pack("<I", length) + image[12:])
    # No entry at all: long enough to be an image, of no use as one.
    yield signed_anew(image[:8] + struct.pack("<II", 76, 0) + image[16:72] + bytes(4))
    # An image that states to be shorter than the bytes that may be read is one.
    yield image[:8] + struct.pack("<I", len(image)) + image[12:] + bytes(8)
    for place, form, values in FIELDS.values():
        for value in values:
            yield changed(image, place, form, value)
    for high in FIELDS["high_code"][2]:
        for step_log2 in (0, 1, 7, 8, 9):
            yield changed(changed(image, 20, "<i", high), 30, "<B", step_log2)
    wide = image[:72] + bytes(range(1, 17)) + image[-4:]
    for count, entry_bytes in ((8, 2), (4, 4), (4, 2), (2, 4), (3, 4)):
        whole = wide[:8] + struct.pack("<II", len(wide), count) + wide[16:]
        yield changed(whole, 29, "<B", entry_bytes)


def changed(image: bytes, place: int, form: str, value: int) -> bytes:
    field = struct.pack(form, value)
    return signed_anew(image[:place] + field + image[place + len(field) :])


def reason(image: bytes, own: bytes) -> int:  # noqa: PLR0911  # one for each reason
    """Why an image is refused, by what the layout says and what ``SYMBOL_image.h`` promises; ``own``: a sound one."""
    if len(image) < 76:
        return 1
    magic, version, header, stated, count, low, high, first, *bytes_ = struct.unpack_from("<4sHHIIiii6B", image)
    if magic != b"TCTB":
        return 2
    if not 76 <= stated <= len(image):
        return 1
    if zlib.crc32(image[: stated - 4]) != int.from_bytes(image[stated - 4 : stated], "little"):
        return 3
    if (version, header) != (2, 72):
        return 4
    code, entry_bytes, step_log2, unit_log2_ppt, interpolation, bits = bytes_
    if (code, bits, image[40:48]) != (own[28], own[33], own[40:48]):
        return 5
    if entry_bytes not in (2, 4) or step_log2 > 15 or unit_log2_ppt > 16 or interpolation > 1 or count > 65537:
        return 6
    if stated != 76 + count * entry_bytes or not -65536 <= first <= 65535:
        return 6
    least, largest = (0, 65535) if code else (-32768, 32767)
    step = 2**step_log2
    origin = first if interpolation else first - step // 2
    # Linear: a knot at or above the last code; nearest: a cell about it.
    reach = origin + step * (count - 1) if interpolation else origin + step * count - 1
    if not (least <= low <= high <= largest and origin <= low and high <= reach):
        return 6
    if image[48:64] != own[48:64]:
        return 7
    return 0 if image[64:68][::-1] >= own[64:68][::-1] else 8


class Opened(ctypes.Structure):
    """``struct SYMBOL_image``."""

    _fields_ = (
        ("entries", ctypes.c_void_p),
        *((name, ctypes.c_int32) for name in ("low_code", "high_code", "origin_code")),
        ("build", ctypes.c_uint32),
        *((name, ctypes.c_uint16) for name in ("per_code", "first", "span", "lead")),
        *((name, ctypes.c_uint8) for name in ("entry_bytes", "step_log2", "unit_log2_ppt", "linear")),
    )


def reader(table: CorrectionTable, folder: Path) -> Any:
    """The reader of this table's images as a library."""
    for name, text in image_source(table, "g", STAMP, UNIT).items():
        (folder / name).write_text(text)
    compiler = find_compilers()[0].command
    subprocess.run(
        [*compiler, "-std=c99", "-O1", "-shared", "-fPIC", "g_image.c", "-o", "reader.so"],
        cwd=folder,
        check=True,
        timeout=120,
    )
    library = ctypes.CDLL(str(folder / "reader.so"))
    code = ctypes.c_int16 if table.scale.least_code < 0 else ctypes.c_uint16
    library.g_image_open.argtypes = [ctypes.POINTER(Opened), ctypes.c_char_p, ctypes.c_uint32, ctypes.c_void_p]
    for function in (library.g_image_lookup, library.g_image_offset_ppt, library.g_image_in_range):
        function.argtypes = [ctypes.POINTER(Opened), code]
        function.restype = ctypes.c_int32
    return library


def table_of(image: Image, like: CorrectionTable) -> CorrectionTable:
    """The specification of what an image holds."""
    names = (
        "low_code",
        "high_code",
        "first_code",
        "step_log2",
        "entry_bits",
        "unit_log2_ppt",
        "interpolation",
        "entries",
    )
    return table_changed(like, **{name: getattr(image, name) for name in names})


@pytest.mark.parametrize("table", TABLES.values(), ids=TABLES)
def test_each_image_is_taken_or_refused_as_the_layout_says_and_read_as_its_table(
    table: CorrectionTable, tmp_path: Path
) -> None:
    library, own = reader(table, tmp_path), image_bytes(table, UNIT)
    unit = ctypes.addressof(ctypes.c_char.in_dll(library, "g_image_unit"))
    taken = 0
    for image in variants(own):
        opened = Opened()
        found = library.g_image_open(ctypes.byref(opened), image, len(image), unit)
        assert found == reason(image, own), image.hex()
        if found:
            continue
        taken += 1
        try:
            same = table_of(read_image(image[: int.from_bytes(image[8:12], "little")]), table)
        except TableError:  # Units that take an entry beyond an int32 of ppt: nobody exports such a table.
            continue
        codes = {same.low_code, same.high_code, table.scale.least_code, table.scale.largest_code, 0, 7}
        codes |= {same.low_code + (same.high_code - same.low_code) * k // 9 for k in range(9)}
        for at in sorted(codes):
            assert library.g_image_lookup(ctypes.byref(opened), at) == int(same.lookup(at))
            assert library.g_image_offset_ppt(ctypes.byref(opened), at) == int(same.offset_ppt(at))
            assert library.g_image_in_range(ctypes.byref(opened), at) == int(same.in_range(at))
    assert taken >= 10


def test_reasons_of_the_layout_are_all_met() -> None:
    own = image_bytes(TABLE, UNIT)
    assert {reason(image, own) for image in variants(own)} == set(range(9))
