"""The filter that follows a moving temperature: errors on ramps, cycles and bytes by gcc, a million updates, and the induction.

python benchmarks/follow.py            errors, cycles and bytes of the river gauge's filter
python benchmarks/follow.py proof      10^6 random updates on this machine, and the induction for ints of 16 and 32 bits
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from time import perf_counter

import numpy as np

from tcomp.firmware import Stamp, c_source
from tcomp.following import following, ramp_errors
from tcomp.job import read_job
from tcomp.proof import avr
from tcomp.proof.bare_metal import CORES, Machine, _instructions, _m0plus_cycles, _per_call
from tcomp.proof.elf import Elf, read_elf
from tcomp.proof.expected import count_range
from tcomp.proof.follow import prove_follow
from tcomp.proof.induction import induction_faults
from tcomp.tables.follow import FollowFilter
from tcomp.workflow import design, learn_job

JOB = Path(__file__).parent.parent / "sample_runs" / "river_gauge" / "gauge07.toml"
STAMP = Stamp("0", "00", "gauge 07", (), "a benchmark")
GCC = {
    "cortex-m0plus": ("arm-none-eabi-gcc", "-mcpu=cortex-m0plus", "-mthumb"),
    "rv32imc": ("riscv64-unknown-elf-gcc", "-march=rv32imc", "-mabi=ilp32"),
}
CALLS = 512
CALLER = """#include "t_follow.h"
static t_follow_t state;
int16_t codes[512];
volatile int32_t answer;
void _start(void);
void _start(void)
{
    int place;
    t_follow_start(&state, codes[0]);
    for (place = 0; place < 512; place++) { answer = t_follow_offset_ppt(&state, codes[place]); }
}
"""
AVR_CALLER = """#include "t_follow.h"
t_follow_t state;
int32_t step(int16_t code);
int32_t step(int16_t code) { return t_follow_offset_ppt(&state, code); }
"""
SCRIPT = "ENTRY(_start) SECTIONS { . = 0x10000; .text : { *(.text*) *(.rodata*) } . = 0x40000; .data : { *(.data*) *(.bss*) } }"


def codes(follow: FollowFilter) -> np.ndarray:
    """A ramp through the range and beyond, and steps."""
    low, high = follow.table.low_code, follow.table.high_code
    ramp = np.linspace(low - 20, high + 20, CALLS // 2)
    return np.concatenate([ramp, np.random.default_rng(1).integers(low - 20, high + 20, CALLS // 2)]).astype("<i2")


def linked(target: str, optimisation: str, sources: dict[str, str], folder: Path) -> Elf:
    """By gcc, without any library but its own."""
    own = {name: text for name, text in sources.items() if "selftest" not in name}
    for name, text in (own | {"caller.c": CALLER, "bare.ld": SCRIPT}).items():
        (folder / name).write_text(text, encoding="ascii")
    flags = ["-std=c99", optimisation, "-g", "-ffreestanding", "-nostdlib", "-static", "-Wl,-T,bare.ld"]
    names = ["t.c", "t_follow.c", "caller.c"]
    subprocess.run([*GCC[target], *flags, *names, "-o", "image.elf"], cwd=folder, check=True)
    return read_elf((folder / "image.elf").read_bytes())


def bare_row(target: str, optimisation: str, sources: dict[str, str], follow: FollowFilter, folder: Path) -> str:
    """Cycles of an update, of which in lookups; bytes of SYMBOL_follow.c."""
    elf = linked(target, optimisation, sources, folder)
    machine = Machine(CORES[target], elf)
    machine.write("codes", codes(follow).tobytes())
    trace = machine.traced("_start", 0)
    count = (_m0plus_cycles if target == "cortex-m0plus" else _instructions)(machine, trace)
    inside = {
        name: (trace.address >= one.address) & (trace.address < one.address + one.size)
        for name, one in elf.symbols.items()
        if one.size
    }
    own = ~inside["_start"]
    of_lookup = np.zeros_like(own)
    for name, where in inside.items():
        if name.startswith("t_") and "follow" not in name:
            of_lookup |= where
    # The first call is that of start.
    total = _per_call(own, count)[1:]
    lookups = _per_call(own, np.where(of_lookup, count, 0))[1:]
    size = object_bytes([*GCC[target], "-std=c99", optimisation, "-ffreestanding"], folder)
    return row(target, optimisation, total, lookups, size)


def object_bytes(command: list[str], folder: Path) -> int:
    """Code of SYMBOL_follow.c."""
    subprocess.run([*command, "-c", "t_follow.c", "-o", "t_follow.o"], cwd=folder, check=True)
    size = command[0].replace("gcc", "size")
    answer = subprocess.run([size, "t_follow.o"], cwd=folder, check=True, capture_output=True, text=True).stdout
    return int(answer.splitlines()[1].split()[0])


def avr_row(optimisation: str, sources: dict[str, str], follow: FollowFilter, folder: Path) -> str:
    """The same on an AVR: an update less its lookups."""
    avr.AVR_OPTIONS = (f"-mmcu={avr.MCU}", optimisation)
    own = {name: text for name, text in sources.items() if "selftest" not in name}
    calls = avr.AvrCalls(avr.linked_avr(own | {"caller.c": AVR_CALLER}, folder))
    given = codes(follow).astype(np.int64)
    calls.add("step", [(given, 2)], 4)
    calls.add("t_lookup", [(given, 2)], 2)
    stopped = calls.run("step", folder)
    assert stopped is None, stopped
    lookups = np.full(len(given), (1 if follow.way_bits else 2) * int(calls.results[1]["cycles"].max()))
    size = object_bytes(["avr-gcc", *avr.AVR_OPTIONS, "-std=c99"], folder)
    return row("avr", optimisation, calls.results[0]["cycles"].astype(np.int64), lookups, size)


def row(target: str, optimisation: str, total: np.ndarray, lookups: np.ndarray, size: int) -> str:
    """Least, mean and largest of an update, and of what it takes beside its lookups."""
    unit = "instructions" if target == "rv32imc" else "cycles"
    texts = []
    for counts in (total, total - lookups):
        found = count_range(counts)
        texts.append(f"{found.least} / {found.mean:.0f} / {found.largest}")
    return f"| {target}, {unit} | {optimisation} | {texts[0]} | {texts[1]} | {size} |"


def main(*, proof: bool) -> None:
    """Print the tables."""
    job = read_job(JOB)
    curve = learn_job(job).curve
    table = design(job, curve)
    follow = following(job, curve, table).filter
    sources = c_source(table, "t", corrections=(), stamp=STAMP, follow=follow)
    if proof:
        found = prove_follow(sources, follow, "t", random_updates=1_000_000)
        print(f"updates compared {found.updates}, differences {found.mismatches}")
        for bits in (32, 16):
            start = perf_counter()
            faults = induction_faults(sources, follow, "t", bits)
            print(f"induction, int of {bits} bits: {faults or 'holds'}, {perf_counter() - start:.0f} s")
        return
    print(
        "| update, s | ramp, degC/min | table alone, ppb | followed | just before the next update |\n|---|---|---|---|---|"
    )
    for update_s in (10.0, 2.0):
        asked = replace(job, firmware=replace(job.firmware, update_s=update_s))
        for one in ramp_errors(asked, curve, table):
            print(
                f"| {update_s:g} | {one.rate_c_per_min:g} | {one.plain_ppb:.3g} | {one.followed_ppb:.2g} | "
                f"{one.until_next_ppb:.2g} |"
            )
    print(f"\nState {follow.state_bytes} bytes.\n")
    print("| target | gcc | an update | beside the lookup | code, bytes |\n|---|---|---|---|---|")
    for optimisation in ("-Os", "-O2"):
        for target in GCC:
            with tempfile.TemporaryDirectory() as place:
                print(bare_row(target, optimisation, sources, follow, Path(place)))
        with tempfile.TemporaryDirectory() as place:
            print(avr_row(optimisation, sources, follow, Path(place)), flush=True)


if __name__ == "__main__":
    main(proof=sys.argv[1:] == ["proof"])
