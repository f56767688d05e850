"""Images and Intel HEX: read back equal, by a general-purpose library too, and refused when damaged."""

from __future__ import annotations

import json
import struct
import subprocess
import sys
import zlib
from importlib.util import find_spec
from pathlib import Path

import bincopy
import pytest
from firmware_files import read_image
from tables import changed, step_table

from tcomp.errors import FirmwareError, JobError
from tcomp.firmware.exporter import Stamp, Unit
from tcomp.firmware.exporters.hex import hex_text, record
from tcomp.firmware.exporters.image import Image, image_bytes, image_source
from tcomp.job import Sensor, read_job_text
from tcomp.processors import TARGETS
from tcomp.proof.compilers import WARNINGS, Compiler, find_compilers
from tcomp.proof.image import prove_image
from tcomp.proof.targets import why_not
from tcomp.tables.code_scale import AdcScale, TemperatureScale
from tcomp.tables.layout import CorrectionTable

DATA = Path(__file__).parent / "data" / "firmware"
STAMP = Stamp("1.0", "sha256 00ff", "gauge 07", (("table", 2.5),), "-5 to 2.5 degC")
TABLE = step_table(
    scale=TemperatureScale(51.2),
    low_code=-500,
    high_code=250,
    first_code=-512,
    step_log2=8,
    entry_bits=16,
    unit_log2_ppt=3,
    interpolation="linear",
    entries=(-32768, 1000, 21, 32767),
    max_error_ppb=2.5,
    rms_error_ppb=1.0,
)
LEAST, LARGEST = -(2**31), 2**31 - 1
# An invented sensor that is straight and gives every code of 16 bits.
RAW = changed(
    TABLE, scale=AdcScale(Sensor("linear", degc_per_count=-0.002, offset_c=100.0)), low_code=1, high_code=65534,
    first_code=-32768, step_log2=15, entry_bits=32, unit_log2_ppt=0, entries=(LEAST, LARGEST, LEAST, LARGEST),
)  # fmt: skip
TABLES = {
    "linear": TABLE,
    "nearest": changed(TABLE, interpolation="nearest", unit_log2_ppt=16),
    "a knot at every code": changed(TABLE, step_log2=0, low_code=-2, high_code=1, first_code=-2),
    "raw codes, 32 bits": RAW,
    "raw codes, nearest": changed(RAW, interpolation="nearest", first_code=0, entries=(1, -2, 3)),
}
each_table = pytest.mark.parametrize("table", TABLES.values(), ids=TABLES)
COMPILERS = [*find_compilers()[:1], *(one for one in find_compilers()[1:] if one.name == "zig cc")]
needs_compiler = pytest.mark.skipif(not COMPILERS, reason="needs a C compiler")


@each_table
def test_an_image_reads_back_equal(table: CorrectionTable) -> None:
    image = image_bytes(table)
    assert read_image(image) == Image.of(table)
    assert image == image_bytes(table)


def test_the_layout_is_the_documented_one() -> None:
    image = image_bytes(TABLE)
    assert image[:4] == b"TCTB"
    assert struct.unpack_from("<HHII", image, 4) == (2, 72, len(image), 4)
    assert struct.unpack_from("<iii", image, 16) == (-500, 250, -512)
    assert list(image[28:40]) == [0, 2, 8, 3, 1, 0, 0, 0, 0, 0, 0, 0]
    assert struct.unpack_from("<d16sII4hI", image, 40) == (
        51.2,
        bytes(16),
        0,
        0,
        *TABLE.entries,
        zlib.crc32(image[:-4]),
    )
    named = image_bytes(TABLE, Unit("RG-0007", 300))
    assert named[48:72] == b"RG-0007" + bytes(9) + b"\x2c\x01\0\0" + bytes(4)
    assert (named[:48], named[72:-4]) == (image[:48], image[72:-4])
    assert image_bytes(RAW)[28:34] == bytes([1, 4, 15, 0, 1, 16])


@each_table
def test_every_single_bit_turned_is_refused(table: CorrectionTable) -> None:
    image = image_bytes(table)
    for bit in range(8 * len(image)):
        damaged = bytearray(image)
        damaged[bit // 8] ^= 1 << bit % 8
        with pytest.raises(FirmwareError, match=r"this is no image|it was damaged; export it again"):
            read_image(bytes(damaged))


def signed_anew(image: bytes, place: int, value: bytes) -> bytes:
    """An image with a value changed and its CRC made right again."""
    body = image[:place] + value + image[place + len(value) : -4]
    return body + struct.pack("<I", zlib.crc32(body))


@pytest.mark.parametrize(
    ("image", "sentence"),
    [
        (b"", "this is no image of a table: expected TCTB"),
        (image_bytes(TABLE)[:-1], "it was damaged"),
        (signed_anew(image_bytes(TABLE), 4, b"\x03"), "has version 3; expected 2: read it with a newer tcomp"),
        (signed_anew(image_bytes(TABLE), 12, b"\x05"), "has 84 bytes where its header states 86"),
        (signed_anew(image_bytes(TABLE), 29, b"\x03"), "values that mean nothing"),
        (signed_anew(image_bytes(TABLE), 32, b"\x02"), "values that mean nothing"),
    ],
)
def test_what_is_no_sound_image_is_refused(image: bytes, sentence: str) -> None:
    with pytest.raises(FirmwareError, match=sentence):
        read_image(image)


def test_records_are_those_that_were_published() -> None:
    rows = [row["record"] for row in json.loads((DATA / "intel_hex.json").read_text())["rows"]]
    more = json.loads((DATA / "intel_hex_more.json").read_text())
    upper = [text for text in more["type_04_examples"].values() if text.startswith(":")]
    for text in [*rows, *more["records"], *upper]:
        content = bytes.fromhex(text[1:])
        assert record(content[3], int.from_bytes(content[1:3], "big"), content[4:-1]) == text


@pytest.mark.parametrize("address", [0, 0x100, 0x0800FFF1, 0xFFFFFFFF - 83])
def test_a_library_reads_the_hex_back(address: int) -> None:
    image = image_bytes(TABLE)
    read = bincopy.BinFile()
    read.add_ihex(hex_text(image, address))
    assert (read.minimum_address, bytes(read.as_binary())) == (address, image)


@pytest.mark.parametrize("address", [-1, 0xFFFFFFFF - 82, 2**32])
def test_an_image_that_leaves_the_address_space_is_refused(address: int) -> None:
    with pytest.raises(FirmwareError, match=r"an image of 84 bytes at address .* leaves the 32 bits"):
        hex_text(image_bytes(TABLE), address)


@needs_compiler
@each_table
@pytest.mark.parametrize("compiler", COMPILERS, ids=lambda compiler: compiler.name)
def test_the_c_reader_equals_the_specification_and_refuses_every_turned_bit(
    table: CorrectionTable, compiler: Compiler
) -> None:
    proof = prove_image(image_source(table, "gauge07", STAMP), table, "gauge07", compiler=compiler)
    assert proof.first_mismatches == ()
    assert proof.holds
    assert (proof.codes, proof.damaged_images) == (65536, 8 * len(image_bytes(table)))


@needs_compiler
@pytest.mark.parametrize(
    ("right", "wrong", "named"),
    [
        ("+ 0x8000u) >> 16u", "+ 0x7FFFu) >> 16u", "image_lookup("),
        ("+ 0x7FFFu) >> 16u", "+ 0x8000u) >> 16u", "image_lookup("),
        ("asked >= image->low_code", "asked > image->low_code", "image_in_range(65036), is 0; expected 1"),
        ("        return 3;", "        stated += 0u;", "damaged images taken at bit"),
        (
            "        crc ^= bytes[place];",
            "        crc ^= bytes[place] & 0x7Fu;",
            "image_open(0), is 3; expected 0",
        ),
    ],
)
def test_a_planted_fault_of_the_reader_is_found(right: str, wrong: str, named: str) -> None:
    sources = image_source(TABLE, "gauge07", STAMP)
    assert sources["gauge07_image.c"].count(right) == 1
    sources["gauge07_image.c"] = sources["gauge07_image.c"].replace(right, wrong)
    assert named in " ".join(prove_image(sources, TABLE, "gauge07").first_mismatches)


@needs_compiler
@pytest.mark.parametrize(
    ("image", "reason"),
    [
        (image_bytes(TABLE)[:-1], 1),
        (b"TCTA" + image_bytes(TABLE)[4:], 2),
        (image_bytes(TABLE)[:50] + b"?" + image_bytes(TABLE)[51:], 3),
        (signed_anew(image_bytes(TABLE), 4, b"\x03"), 4),
        (image_bytes(RAW), 5),
        (image_bytes(changed(TABLE, scale=TemperatureScale(100))), 5),
        (image_bytes(changed(TABLE, scale=TemperatureScale(51.2 + 2**-47))), 5),
        (signed_anew(image_bytes(TABLE), 33, b"\x0c"), 5),
        (signed_anew(image_bytes(TABLE), 30, b"\x07"), 6),
        (image_bytes(TABLE, Unit("RG-0007")), 7),
    ],
    ids=[
        "cut",
        "no image",
        "damaged",
        "future version",
        "other codes",
        "other counts per degC",
        "counts per degC of another last bit",
        "bits of a converter",
        "entries short of the range",
        "another unit's",
    ],
)
def test_the_c_reader_says_why_it_refuses(image: bytes, reason: int) -> None:
    proof = prove_image(image_source(TABLE, "gauge07", STAMP), TABLE, "gauge07", image)
    assert f"image_open(0), is {reason}; expected 0" in proof.first_mismatches[0]


@needs_compiler
def test_the_reader_takes_its_own_unit_s_images_alone_and_none_that_is_older() -> None:
    unit = Unit("RG-0007", 300)
    sources = image_source(TABLE, "gauge07", STAMP, unit)
    proof = prove_image(sources, TABLE, "gauge07", unit=unit)
    assert proof.holds, proof.first_mismatches
    for right, wrong, named in (
        (
            "bytes[48u + place] != unit->serial[place]",
            "(bytes[48u + place] & 0u) != (unit->serial[place] & 0u)",
            "for another unit(0), is 0; expected 7",
        ),
        ("place < 16u", "place < 15u", "for another unit(0), is 0; expected 7"),
        ("build < unit->least_build", "(build + 1u) < unit->least_build", "of an older image(0), is 0; expected 8"),
        ("build < unit->least_build", "build <= unit->least_build", "image_open(0), is 8; expected 0"),
    ):
        assert sources["gauge07_image.c"].count(right) == 1
        wrong_sources = sources | {"gauge07_image.c": sources["gauge07_image.c"].replace(right, wrong)}
        assert named in " ".join(prove_image(wrong_sources, TABLE, "gauge07", unit=unit).first_mismatches)


@pytest.mark.parametrize("serial", ["12345678901234567", "gr\u00fcn", "a\nb"])
def test_a_serial_number_that_an_image_cannot_hold_is_refused(serial: str) -> None:
    with pytest.raises(FirmwareError, match="expected up to 16 printable characters of ASCII"):
        Unit(serial)
    text = f'[oscillator]\nname = "x"\nnominal_hz = 1e7\n[firmware]\nserial = {json.dumps(serial)}\n'
    with pytest.raises(
        JobError, match=r"\[firmware\] serial = .*: expected (up to 16 printable characters|text without control)"
    ):
        read_job_text(text, runs_needed=False)


@pytest.mark.parametrize("target", TARGETS)
def test_the_reader_is_proven_on_each_target_and_a_fault_found(target: str) -> None:
    if why_not(target):
        pytest.skip(why_not(target))
    sources = image_source(TABLE, "gauge07", STAMP)
    proof = prove_image(sources, TABLE, "gauge07", targets=(target,))
    assert (proof.holds, proof.targets, proof.first_mismatches) == (True, (target,), ())
    # Found there alone: the line is one for that processor.
    macro = {"avr": "__AVR__", "rv32imc": "__riscv"}.get(target, "__arm__")
    right = "    return (int32_t)found - INT32_C(32768);"
    assert sources["gauge07_image.c"].count(right) == 1
    wrong = f"#if defined({macro}) && !defined(__x86_64__)\n    found ^= 0x{100 if target == 'avr' else 1:X}u;\n#endif\n{right}"
    faulty = sources | {"gauge07_image.c": sources["gauge07_image.c"].replace(right, wrong)}
    result = prove_image(faulty, TABLE, "gauge07", targets=(target,))
    assert not result.holds
    assert all(text.startswith(f"{target}: ") for text in result.first_mismatches)


@needs_compiler
def test_only_the_reader_for_the_same_counts_per_degc_takes_an_image() -> None:
    # With other counts every code would mean another temperature: a wrong correction that nothing else would show.
    hundred = changed(TABLE, scale=TemperatureScale(100))
    assert prove_image(image_source(hundred, "gauge07", STAMP), hundred, "gauge07").holds
    result = prove_image(image_source(hundred, "gauge07", STAMP), hundred, "gauge07", image_bytes(TABLE))
    assert "image_open(0), is 5; expected 0" in result.first_mismatches[0]
    # A planted fault: without the check, the image of the other counts is taken.
    blind = image_source(hundred, "gauge07", STAMP)
    for place in (40, 44):
        asked = f"gauge07_image_word(bytes, {place}u, 4u) != "
        assert blind["gauge07_image.c"].count(asked) == 1
        blind["gauge07_image.c"] = blind["gauge07_image.c"].replace(
            asked, f"0u * gauge07_image_word(bytes, {place}u, 4u) > "
        )
    assert prove_image(blind, hundred, "gauge07", image_bytes(TABLE)).holds


@pytest.mark.skipif(find_spec("ziglang") is None, reason="needs the package ziglang")
@each_table
def test_the_reader_compiles_without_a_warning_where_int_has_sixteen_bits(
    table: CorrectionTable, tmp_path: Path
) -> None:
    for name, text in image_source(table, "gauge07", STAMP).items():
        (tmp_path / name).write_text(text)
    command = [sys.executable, "-m", "ziglang", "cc", "-target", "avr-freestanding-none", "-mcpu=atmega328p"]
    command += ["-std=c99", "-Os", "-ffreestanding", *WARNINGS, "-Wno-avr-rtlib-linking-quirks"]
    command += ["-c", "gauge07_image.c", "-o", "a.o"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
