"""What the corrections call of a compiler's library, and that every build and byte order gives the same answers."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
from tables import step_table

from tcomp.firmware.exporter import Stamp
from tcomp.firmware.exporters.c99 import c_source
from tcomp.proof.bare_metal import BARE, CORES
from tcomp.tables.code_scale import TemperatureScale

ALL = ("frequency", "interval", "tuning-word")
TABLE = step_table(
    scale=TemperatureScale(100), low_code=-500, high_code=250, first_code=-512, step_log2=8, entry_bits=16,
    unit_log2_ppt=3, interpolation="linear", entries=(-300, 20, 1000, 7), max_error_ppb=2.5, rms_error_ppb=1.0,
)  # fmt: skip
SOURCES = c_source(TABLE, "t", stamp=Stamp("", "", "gauge 07", (), ""))
START = '#include "t.h"\nint _start(void);\nint _start(void)\n{\n    return t_selftest();\n}\n'
ZIG = (sys.executable, "-m", "ziglang", "cc")
BY_ZIG = pytest.mark.skipif(find_spec("ziglang") is None, reason="needs the package ziglang")


def needs(*programs: str) -> pytest.MarkDecorator:
    lacking = [program for program in programs if shutil.which(program) is None]
    return pytest.mark.skipif(bool(lacking), reason=f"{', '.join(lacking)} was not found")


def laid_out(folder: Path, **more: str) -> None:
    for name, text in (SOURCES | {f"{name}.c": text for name, text in more.items()}).items():
        (folder / name).write_text(text, encoding="ascii")


@pytest.mark.parametrize("optimisation", ["-Os", "-O2", "-O0"])
@pytest.mark.parametrize(
    "command",
    [
        pytest.param((*ZIG, *CORES["cortex-m0plus"].compiler_options), marks=BY_ZIG, id="zig cc, cortex-m0plus"),
        pytest.param((*ZIG, *CORES["rv32imc"].compiler_options), marks=BY_ZIG, id="zig cc, rv32imc"),
        pytest.param(
            ("arm-none-eabi-gcc", "-mcpu=cortex-m0plus", "-mthumb"),
            marks=needs("arm-none-eabi-gcc"),
            id="gcc, cortex-m0plus",
        ),
        pytest.param(
            ("riscv64-unknown-elf-gcc", "-march=rv32imc", "-mabi=ilp32"),
            marks=needs("riscv64-unknown-elf-gcc"),
            id="gcc, rv32imc",
        ),
    ],
)
def test_a_program_links_without_any_library(command: tuple[str, ...], optimisation: str, tmp_path: Path) -> None:
    laid_out(tmp_path, start=START)
    flags = ["-std=c99", *(flag for flag in BARE if flag != "-Os"), optimisation]
    # What zig puts in by itself at -O0 wants a library.
    flags += ["-fno-sanitize=undefined", "t.c", "t_selftest.c", "start.c", "-o", "image.elf"]
    done = subprocess.run([*command, *flags], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@needs("avr-gcc", "avr-nm")
@pytest.mark.parametrize("optimisation", ["-Os", "-O2"])
def test_an_avr_calls_its_library_for_multiplications_alone(optimisation: str, tmp_path: Path) -> None:
    laid_out(tmp_path)
    command = ["avr-gcc", "-mmcu=atmega328p", "-std=c99", optimisation, "-c", "t.c", "-o", "t.o"]
    subprocess.run(command, cwd=tmp_path, check=True)
    said = subprocess.run(["avr-nm", "-u", "t.o"], cwd=tmp_path, capture_output=True, text=True, check=True)
    # The names of libgcc: mul for a multiplication; the letters before it say which operands have signs.
    called = set(re.findall(r"U (\S+)", said.stdout)) - {"__do_copy_data", "__do_clear_bss"}
    assert called
    assert all(re.fullmatch(r"__u?s?mul\w+", name) for name in called), called
