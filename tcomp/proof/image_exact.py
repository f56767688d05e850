"""The generated reader of images held against the integer specification, and against damage."""

from __future__ import annotations

import tempfile
from dataclasses import asdict, dataclass
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

import numpy as np

from tcomp.firmware.c_source import code_type
from tcomp.firmware.image import image_bytes
from tcomp.proof.bit_exact import MISMATCHES_TOLD, OPTIMISATIONS
from tcomp.proof.build import Build, Workshop
from tcomp.proof.compilers import Compiler, first_compiler
from tcomp.proof.expected import PER_CODE
from tcomp.table.lookup import CorrectionTable

FLIPPED_BYTES = 1000
"""Bits are turned one at a time in so many bytes from the image's beginning on: each trial reads all of the image."""


@dataclass(frozen=True)
class ImageProof:
    """What was compared: codes, and images with one bit turned, in each build."""

    holds: bool
    codes: int
    damaged_images: int
    mismatches: int
    first_mismatches: tuple[str, ...]

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``proof.json`` holds of it."""
        return asdict(self) | {"first_mismatches": list(self.first_mismatches)}


def prove_image(
    sources: dict[str, str],
    table: CorrectionTable,
    symbol: str,
    image: bytes | None = None,
    compiler: Compiler | None = None,
) -> ImageProof:
    """Compile the reader, look up all 65 536 codes in an image, and offer it the image with each bit turned.

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

    Raises
    ------
    ProofError
        There is no compiler, the sources do not compile, or the program does not end.
    """
    content = image_bytes(table) if image is None else image
    harness = Template((files("tcomp.proof") / "image_harness.c").read_text(encoding="ascii")).substitute(
        symbol=symbol,
        code_type=code_type(table),
        least_code=table.scale.least_code,
        largest_code=table.scale.largest_code,
        flipped_bytes=FLIPPED_BYTES,
    )
    with tempfile.TemporaryDirectory() as folder:
        workshop = Workshop(Path(folder), first_compiler() if compiler is None else compiler)
        workshop.lay_out(sources | {"image_harness.c": harness}, content)
        builds = [workshop.build_and_run(optimisation) for optimisation in OPTIMISATIONS]
    told = [f"{build.optimisation}: {text}" for build in builds for text in _compared(table, build)]
    damaged = 8 * min(len(content), FLIPPED_BYTES)
    return ImageProof(not told, len(table.all_codes), damaged, len(told), tuple(told[:MISMATCHES_TOLD]))


def _compared(table: CorrectionTable, build: Build) -> list[str]:
    """Say each difference between a build and the specification."""
    if build.stopped is not None:
        return [build.stopped]
    opened = int.from_bytes(build.results[:4], "little")
    if opened != 0:
        return [f"the reader refused the image for reason {opened}"]
    codes = table.all_codes
    got = np.frombuffer(build.results, PER_CODE, len(codes), 4)
    expected = {
        "image_lookup": ("lookup", table.lookup(codes)),
        "image_offset_ppt": ("offset_ppt", table.offset_ppt(codes)),
        "image_in_range": ("in_range", table.in_range(codes).astype(np.int64)),
    }
    found = [
        f"{name}({codes[place]}) is {got[column][place]}; expected {values[place]}"
        for name, (column, values) in expected.items()
        for place in np.flatnonzero(got[column] != values)
    ]
    taken = int.from_bytes(build.results[-4:], "little")
    return [*found, f"the reader took {taken} damaged images"] if taken else found
