"""The reader of images held against the integer specification at every code, and offered images that it must refuse."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

import numpy as np

from tcomp.documents.proof import ImageProof
from tcomp.firmware.exporter import ANY_UNIT, Unit
from tcomp.firmware.exporters.c99 import code_type
from tcomp.firmware.exporters.image import image_bytes
from tcomp.proof.calls import CALL, Calls, code_of_bits, differences_here, differences_on, program
from tcomp.proof.compilers import Compiler
from tcomp.proof.host import MISMATCHES_SHOWN
from tcomp.tables.layout import CorrectionTable

FLIPPED_BYTES = 1000
"""Bits are turned one at a time in so many bytes from the image's beginning on: each trial reads all of the image."""
AVR_LONGEST = 6000
TARGET_FLIPS = 97
"""On targets so many bits are turned, spread over the image."""
NAMES = (
    "image_open", "image_lookup", "image_offset_ppt", "image_in_range", "damaged images taken at bit",
    "image_open for another unit", "image_open of an older image", "image_open of an older image, allowed",
)  # fmt: skip
OPEN, LOOKUP, OFFSET, IN_RANGE, DAMAGED, OTHER_UNIT, OLDER, AS_TOLD = range(8)
REFUSED_UNIT, REFUSED_BUILD = 7, 8


def prove_image(
    sources: dict[str, str],
    table: CorrectionTable,
    symbol: str,
    image: bytes | None = None,
    compiler: Compiler | None = None,
    unit: Unit = ANY_UNIT,
    targets: Iterable[str] = (),
) -> ImageProof:
    """Compile the reader, look up all 65 536 codes in an image, and offer it images with a bit turned, and another unit's.

    Parameters
    ----------
    sources : dict of str to str
        What :func:`tcomp.firmware.image_source` gave, by file name.
    table : CorrectionTable
        The specification.
    symbol : str
        The symbol that the sources were written with.
    image : bytes or None
        What the reader is given; None: the image of the table.
    compiler : Compiler or None
        None: the first one found.
    unit : Unit
        Whose image it is, and of which build.
    targets : iterable of str
        Emulated processors on which it is done, too; the machine must be able to run them.

    Raises
    ------
    ProofError
        There is no compiler, the sources do not compile, or the program does not end.
    """
    content = image_bytes(table, unit) if image is None else image
    flipped = 8 * min(len(content), FLIPPED_BYTES)
    bits = ", ".join(map(str, content))
    own = {
        "image_calls.c": program(
            "image_calls.c", symbol=symbol, length=len(content), bytes=textwrap.indent(textwrap.fill(bits, 96), "    "),
            code_type=code_type(table), code=code_of_bits(code_type(table)),
        )
    }  # fmt: skip
    found = differences_here(sources | own, _calls(table, range(flipped)), symbol, compiler)
    some = range(0, flipped, max(1, flipped // TARGET_FLIPS))
    # An AVR holds an image and its damaged copy in RAM.
    there = tuple(target for target in targets if target != "avr" or len(content) <= AVR_LONGEST)
    for target in there:
        on_target = differences_on(target, sources | own, _calls(table, some), symbol)
        found += [f"{target}: {text}" for text in on_target]
    return ImageProof(
        holds=not found,
        targets=there,
        codes=len(table.all_codes),
        damaged_images=flipped,
        mismatches=len(found),
        first_mismatches=tuple(found[:MISMATCHES_SHOWN]),
    )


def _calls(table: CorrectionTable, flips: range) -> Calls:
    codes = table.all_codes
    per_code = {
        LOOKUP: table.lookup(codes), OFFSET: table.offset_ppt(codes), IN_RANGE: table.in_range(codes).astype(np.int64)
    }  # fmt: skip
    parts = [(OPEN, np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64))]
    parts += [(which, codes, answers) for which, answers in per_code.items()]
    turned = np.array(flips, dtype=np.int64)
    parts.append((DAMAGED, turned, np.zeros_like(turned)))
    refusals = {OTHER_UNIT: REFUSED_UNIT, OLDER: REFUSED_BUILD, AS_TOLD: 0}
    parts += [(which, np.zeros(1, dtype=np.int64), np.full(1, answer)) for which, answer in refusals.items()]
    calls = np.zeros(sum(len(given) for _, given, _ in parts), CALL)
    calls["which"] = np.concatenate([np.full(len(given), which) for which, given, _ in parts])
    calls["bits"] = np.concatenate([given % 2**16 for _, given, _ in parts])
    return Calls(NAMES, calls, np.concatenate([answers for _, _, answers in parts]))
