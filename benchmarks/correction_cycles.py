"""Cycles of lookups and corrections, compiled as users build; and ten million random arguments against exact rationals.

python benchmarks/correction_cycles.py           cycles by gcc -Os and -O2: Cortex-M0+, RV32 (instructions), AVR
python benchmarks/correction_cycles.py random    10^7 random arguments of each correction on this machine
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from math import sin
from pathlib import Path
from random import Random

import numpy as np

from tcomp.firmware import Stamp, c_source
from tcomp.firmware.corrections import CORRECTIONS
from tcomp.job import Sensor
from tcomp.proof import avr
from tcomp.proof.bare_metal import CORES, Machine, _instructions, _m0plus_cycles, _per_call
from tcomp.proof.elf import read_elf
from tcomp.proof.expected import count_range
from tcomp.tables import AdcScale, CorrectionTable, StepLayout, read_table

EXPORTED = Path(__file__).parent.parent / "firmware_export"
CALLS = 256
LOOKUPS = {"coarse": 64, "fine": 256}
"""Symbols of tables that fill the codes, and their steps."""
SEED = 3
GCC = {
    "cortex-m0plus": ("arm-none-eabi-gcc", "-mcpu=cortex-m0plus", "-mthumb"),
    "rv32imc": ("riscv64-unknown-elf-gcc", "-march=rv32imc", "-mabi=ilp32"),
}
CALLER = """#include "t.h"
#include "coarse.h"
#include "fine.h"
int64_t given[256];
int32_t offset[256];
volatile int64_t answer;
void _start(int which);
void _start(int which)
{
    int place;
    for (place = 0; place < 256; place++) {
        if (which == 0) { answer = t_true_frequency(given[place], offset[place]); }
        else if (which == 1) { answer = t_true_interval(given[place], offset[place]); }
        else if (which == 3) { answer = t_tuning_word_48(given[place], offset[place]); }
        else if (which == 4) { answer = coarse_lookup((uint16_t)given[place]); }
        else if (which == 5) { answer = fine_lookup((uint16_t)given[place]); }
        else { answer = t_tuning_word((uint32_t)given[place], offset[place]); }
    }
}
"""
SCRIPT = "ENTRY(_start) SECTIONS { . = 0x10000; .text : { *(.text*) *(.rodata*) } . = 0x40000; .data : { *(.data*) *(.bss*) } }"
RANDOM = """#include <stdio.h>
#include "t.h"
typedef __int128 wide;
static uint64_t state = 88172645463325252u;
static uint64_t next(void)
{
    state ^= state << 13; state ^= state >> 7; state ^= state << 17;
    return state * 0x2545F4914F6CDD1Du;
}
static int64_t nearest(wide numerator, int64_t denominator, int64_t least, int64_t largest)
{
    const wide size = numerator < 0 ? -numerator : numerator;
    wide quotient = (2 * size + denominator) / (2 * (wide)denominator);
    if (numerator < 0) { quotient = -quotient; }
    return quotient > largest ? largest : quotient < least ? least : (int64_t)quotient;
}
int main(void)
{
    const int64_t one = 1000000000000;
    long wrong = 0, k;
    for (k = 0; k < 10000000; k++) {
        const uint64_t r = next();
        uint64_t bits = next() >> (r & 63u);
        uint32_t ppt = (uint32_t)(next() >> 32) >> ((r >> 6) & 31u);
        int64_t given; int32_t offset; uint32_t word;
        if (r >> 63) { bits = ~bits; }
        if ((r >> 62) & 1u) { ppt = 0u - ppt; }
        if ((r >> 61) & 1u) { ppt ^= 0x80000000u; }
        given = (int64_t)bits; offset = (int32_t)ppt; word = (uint32_t)bits;
        wrong += t_true_frequency(given, offset) != nearest((wide)given * (one + offset), one, INT64_MIN, INT64_MAX);
        wrong += t_true_interval(given, offset) != nearest((wide)given * one, one + offset, INT64_MIN, INT64_MAX);
        wrong += t_tuning_word(word, offset) != (uint32_t)nearest((wide)word * one, one + offset, 0, UINT32_MAX);
    }
    printf("%ld of 30000000 results differ from the exact rational\\n", wrong);
    return wrong != 0;
}
"""


def arguments() -> tuple[list[int], list[int]]:
    """Numbers of every length alike, and offsets [ppt]."""
    random = Random(SEED)
    given = [random.getrandbits(random.randint(1, 63)) * random.choice((1, -1)) for _ in range(CALLS)]
    return given, [random.getrandbits(random.randint(1, 31)) * random.choice((1, -1)) for _ in range(CALLS)]


def sources() -> dict[str, str]:
    """The river gauge's table with all corrections, and tables of 64 and 256 steps over all codes; without self-tests."""
    table, stamp = read_table(EXPORTED / "gauge07.json"), Stamp("", "", "gauge 07", (), "")
    every = c_source(table, "t", corrections=tuple(CORRECTIONS), stamp=stamp)
    for symbol, steps in LOOKUPS.items():
        every |= c_source(whole_table(steps), symbol, corrections=(), stamp=stamp)
    return {name: text for name, text in every.items() if "selftest" not in name}


def whole_table(steps: int) -> CorrectionTable:
    """So many steps over all codes of 16 bits, of a sensor that is straight (invented)."""
    layout = StepLayout(
        count=steps + 1, first_code=0, step_log2=16 - steps.bit_length() + 1, interpolation="linear"
    )  # fmt: skip
    return CorrectionTable(
        layout=layout, scale=AdcScale(Sensor("linear", degc_per_count=-0.002, offset_c=100.0)), low_code=0, high_code=65535,
        entry_bits=16, unit_log2_ppt=3, entries=tuple(round(9000 * sin(7 * k / steps)) for k in range(steps + 1)),
        max_error_ppb=1.0, rms_error_ppb=0.5,
    )  # fmt: skip


def bare_rows(target: str, optimisation: str, folder: Path) -> list[str]:
    """Rows of a Cortex-M or RV32, linked without any library."""
    for name, text in (sources() | {"caller.c": CALLER, "bare.ld": SCRIPT}).items():
        (folder / name).write_text(text, encoding="ascii")
    flags = [
        "-std=c99",
        optimisation,
        "-g",
        "-ffreestanding",
        "-nostdlib",
        "-static",
        "-fno-jump-tables",
        "-Wl,-T,bare.ld",
    ]
    subprocess.run(
        [*GCC[target], *flags, "t.c", "coarse.c", "fine.c", "caller.c", "-o", "image.elf"], cwd=folder, check=True
    )
    elf = read_elf((folder / "image.elf").read_bytes())
    machine = Machine(CORES[target], elf)
    given, offsets = arguments()
    machine.write("given", np.array(given, "<i8").tobytes())
    machine.write("offset", np.array(offsets, "<i4").tobytes())
    caller, rows = elf.symbol("_start"), []
    for which, function in enumerate(functions()):
        trace = machine.traced("_start", which)
        own = (trace.address < caller.address) | (trace.address >= caller.address + caller.size)
        count = (_m0plus_cycles if target == "cortex-m0plus" else _instructions)(machine, trace)
        rows.append(row(target, optimisation, function, _per_call(own, count)))
    return rows


def functions() -> list[str]:
    """In the order of the caller's numbers."""
    lookups = [f"lookup, {steps} steps" for steps in LOOKUPS.values()]
    return [*(correction.function for correction in CORRECTIONS.values()), *lookups]


def avr_rows(optimisation: str, folder: Path) -> list[str]:
    """Rows of an AVR."""
    avr.AVR_OPTIONS = (f"-mmcu={avr.MCU}", optimisation)
    calls = avr.AvrCalls(avr.linked_avr(sources(), folder))
    given, offsets = (np.array(values, dtype=object) for values in arguments())
    for correction in CORRECTIONS.values():
        size = 4 if correction.is_word else 8
        calls.add(f"t_{correction.function}", [(given, size), (offsets, 4)], size)
    for symbol in LOOKUPS:
        calls.add(f"{symbol}_lookup", [(given % 2**16, 2)], 2)
    stopped = calls.run("t_true_frequency", folder)
    assert stopped is None, stopped
    return [
        row("avr", optimisation, function, calls.results[number]["cycles"])
        for number, function in enumerate(functions())
    ]


def row(target: str, optimisation: str, function: str, counts: object) -> str:
    """Least, mean and largest."""
    found = count_range(np.asarray(counts))
    unit = "instructions" if target == "rv32imc" else "cycles"
    return f"| {target}, {unit} | {optimisation} | {function} | {found.least} / {found.mean:.0f} / {found.largest} |"


def main(*, at_random: bool) -> None:
    """Print the table, or how many random results differ."""
    if at_random:
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            for name, text in (sources() | {"random.c": RANDOM}).items():
                (folder / name).write_text(text, encoding="ascii")
            subprocess.run(["gcc", "-std=gnu99", "-O2", "t.c", "random.c", "-o", "at_random"], cwd=folder, check=True)
            subprocess.run(["./at_random"], cwd=folder, check=True)
        return
    print("| target | gcc | function | least / mean / largest |\n|---|---|---|---|")
    for optimisation in ("-Os", "-O2"):
        for target in GCC:
            with tempfile.TemporaryDirectory() as place:
                print("\n".join(bare_rows(target, optimisation, Path(place))))
        with tempfile.TemporaryDirectory() as place:
            print("\n".join(avr_rows(optimisation, Path(place))), flush=True)


if __name__ == "__main__":
    main(at_random=sys.argv[1:] == ["random"])
