"""The C equals the specification however it is built: levels of optimisation, at link time, the high byte first."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace

import numpy as np
import pytest
from proofs import STAMP, as_one, together
from tables import changed, even_table, step_table

from tcomp.firmware.exporters.c99 import c_source
from tcomp.firmware.exporters.image import image_source
from tcomp.proof import host
from tcomp.proof.compilers import compiler_at, find_compilers
from tcomp.proof.expected import Expected, all_cases
from tcomp.proof.follow import prove_follow
from tcomp.proof.host import prove_tables
from tcomp.proof.image import prove_image
from tcomp.tables import TemperatureScale
from tcomp.tables.follow import FollowFilter, Loop, Stage
from tcomp.tables.layouts.polynomial import Polynomial

ALL = ("frequency", "interval", "tuning-word")
TABLE = step_table(
    scale=TemperatureScale(16), low_code=-320, high_code=959, first_code=-320, step_log2=6, entry_bits=16,
    unit_log2_ppt=7, interpolation="linear", entries=tuple(int(9000 * np.sin(0.4 * k)) for k in range(22)),
    max_error_ppb=1.0, rms_error_ppb=0.5,
)  # fmt: skip
EVEN = even_table(
    scale=TemperatureScale(16), low_code=-500, high_code=250, first_code=-512, codes_to_index_q16=222,
    interpolation="linear", entry_bits=8, unit_log2_ppt=3, entries=(-128, 127, -128, 127),
    polynomial=Polynomial(0, 6, (8191, -1234, -16384)), max_error_ppb=1.0, rms_error_ppb=0.5,
)  # fmt: skip
TABLES = {
    "steps": TABLE,
    "steps, 32 bits": changed(
        TABLE, entry_bits=32, unit_log2_ppt=0, entries=tuple(round(4e8 * np.sin(0.4 * k)) for k in range(22))
    ),
    "on a polynomial": EVEN,
}
FOLLOW = FollowFilter(
    table=TABLE, update_s=10.0, fine_bits=4, slot_bits=4, stages=(Stage(part=2000, lead_log2=1), Stage(part=6554)),
    loop=Loop(half=60, weight=-3000),
)  # fmt: skip
GCC = next((one for one in find_compilers() if one.name == "gcc"), None)
# What is linked for it needs no files of that machine's system.
BIG_ENDIAN = compiler_at(("s390x-linux-gnu-gcc", "-static")) if shutil.which("qemu-s390x") else None
needs_gcc = pytest.mark.skipif(GCC is None, reason="gcc was not found; get it by: apt-get install gcc")
needs_s390x = pytest.mark.skipif(
    BIG_ENDIAN is None,
    reason="s390x-linux-gnu-gcc or qemu-s390x was not found; get them by: apt-get install gcc-s390x-linux-gnu "
    "libc6-dev-s390x-cross qemu-user",
)
LEVELS = (("-O0",), ("-Os",), ("-O3",), ("-O2", "-flto"))


@needs_gcc
def test_no_level_of_optimisation_changes_an_answer_nor_linking_as_a_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(host, "BUILDS", LEVELS)
    sources: dict[str, str] = {}
    expected = []
    # Each file by itself, so that there is something left to the linker.
    for symbol, table in zip("abc", TABLES.values(), strict=True):
        sources |= c_source(table, symbol, corrections=ALL, stamp=STAMP)
        expected.append(Expected(table, all_cases(table, ALL), symbol))
    for proof in prove_tables(sources, tuple(expected), GCC):
        assert proof.first_mismatches == ()
        assert len(proof.flags) == len(LEVELS) + 1
    wrong = sources["c.c"].replace(
        "return ((asked", "\n#ifdef __OPTIMIZE_SIZE__\n    return 2;\n#endif\n    return ((asked"
    )
    found = prove_tables(sources | {"c.c": wrong}, tuple(expected), GCC)
    assert [proof.holds for proof in found] == [True, True, False]
    assert found[2].first_mismatches[0].startswith("-Os: in_range(")


@needs_s390x
def test_a_machine_with_the_high_byte_first_gives_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    assert BIG_ENDIAN is not None
    there = replace(BIG_ENDIAN, runner=("qemu-s390x",))
    sources, expected = together(TABLES.values(), ALL)
    assert [proof.first_mismatches for proof in prove_tables(sources, expected, there)] == [()] * 3
    reader = image_source(TABLE, "t", STAMP)
    assert prove_image(reader, TABLE, "t", compiler=there).first_mismatches == ()
    filtered = c_source(TABLE, "t", corrections=(), stamp=STAMP, follow=FOLLOW)
    assert prove_follow(filtered, FOLLOW, "t", there, random_updates=500).first_mismatches == ()
    # Halves taken from memory stand in the other order there.
    halved = re.sub(
        r"(#else\ntypedef uint64_t \w+;.*?_low\(\w+ value\)\n\{\n)[^}]*\}",
        r"\1    const uint8_t *const at = (const uint8_t *)&value;\n\n"
        r"    return at[0] | ((uint32_t)at[1] << 8) | ((uint32_t)at[2] << 16) | ((uint32_t)at[3] << 24);\n}",
        sources["t0.part"],
        count=1,
        flags=re.DOTALL,
    )
    assert halved != sources["t0.part"]
    assert prove_tables(sources | {"t0.part": halved}, expected, GCC)[0].holds is True
    assert prove_tables(sources | {"t0.part": halved}, expected, there)[0].holds is False


def test_tables_in_one_text_are_the_same_text() -> None:
    sources = c_source(TABLE, "t", corrections=ALL, stamp=STAMP)
    joined = as_one(sources)
    assert joined["t.part"] == sources["t.c"]
    assert joined["all.c"] == '#include "t.part"\n#include "t_selftest.part"\n'
