"""What the firmware's files hold, read back: the tests' own readers of the CSV and of the binary image."""

from __future__ import annotations

import json
import zlib
from typing import Any

import numpy as np

from tcomp.errors import FirmwareError, TableError
from tcomp.firmware.exporters.csv import COLUMNS, WORDS, knot_texts
from tcomp.firmware.exporters.image import CRC, HEADER, INTERPOLATIONS, MAGIC, VERSION, Image
from tcomp.tables.layout import SCHEMA, CorrectionTable
from tcomp.tables.table_file import table_of_json


def read_csv_text(text: str) -> CorrectionTable:
    """Read back what the export wrote.

    Raises
    ------
    FirmwareError
        A comment line or the header is missing, a row does not agree with the comments, or the
        entries do not have the CRC-32 that the comments state.
    """
    lines = text.splitlines()
    if COLUMNS not in lines:
        raise FirmwareError(f'the CSV has no header; expected "{COLUMNS}"')
    # What the lines above the scale say is for people.
    stated = [line[2:].split(": ", 1) for line in lines[: lines.index(COLUMNS)] if ": " in line[2:]]
    names = [name for name, _ in stated]
    first = next((place for place, name in enumerate(names) if name in ("counts_per_c", "sensor")), 0)
    comments = dict(stated[first:])
    rows = [line.split(",") for line in lines[lines.index(COLUMNS) + 1 :]]
    try:
        scale = _scale_of(comments)
        content = {name: value if name in WORDS else json.loads(value) for name, value in comments.items()}
        entries = [int(row[2]) for row in rows]
        table = table_of_json(content | {"scale": scale, "entries": entries, "schema": SCHEMA})
        codes = [row[0] for row in rows]
    except (KeyError, IndexError, ValueError, TableError) as error:
        if "it was changed or damaged" in str(error):
            raise FirmwareError(
                "the rows of the CSV do not agree with its comments: it was changed or damaged"
            ) from error
        raise FirmwareError(f"the CSV cannot be read back ({error}); expected what the export wrote") from error
    if codes != knot_texts(table)[0]:
        raise FirmwareError("the rows of the CSV do not agree with its comments: it was changed or damaged")
    return table


def _scale_of(comments: dict[str, str]) -> dict[str, Any]:
    """Take what states the scale out of the comments."""
    if "sensor" in comments:
        return {"input": "adc", "sensor": json.loads(comments.pop("sensor"))}
    return {"input": "temperature", "counts_per_c": json.loads(comments.pop("counts_per_c"))}


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
    low, high, first, raw, entry_bytes, step, unit, interpolation, bits, _, counts_per_c, *_ = numbers
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
