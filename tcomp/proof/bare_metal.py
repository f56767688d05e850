"""The generated C on a bare Cortex-M or RV32: compiled by ``zig cc``, run and counted on the emulated processor."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tcomp.errors import ProofError
from tcomp.firmware.c_source import code_type
from tcomp.proof.build import WARNINGS, compiled
from tcomp.proof.compilers import Compiler, compiler_at
from tcomp.proof.elf import Elf, read_elf
from tcomp.proof.emulator import SIZE_BITS, Core, Machine, Stopped, Trace
from tcomp.proof.expected import CODES, PER_CODE, Expected
from tcomp.proof.measured import LookupCost, Spread, TargetRun
from tcomp.proof.programs import bare_program, counting_program
from tcomp.proof.thumb_timing import cycles

# -g keeps the symbols, which -Os would strip; without -fno-lto the lookup could be inlined into its caller.
BARE = ("-Os", "-g", "-ffreestanding", "-nostdlib", "-fno-lto")
# 64-bit division and floats are the compiler's own functions; -nostdlib leaves them out.
RUNTIME = ("-lcompiler_rt",)

CORES = {
    "cortex-m0plus": Core(
        "thumb", ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus"), "UC_CPU_ARM_CORTEX_M0"
    ),
    "cortex-m4": Core("thumb", ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m4"), "UC_CPU_ARM_CORTEX_M4"),
    "rv32imc": Core("riscv", ("-target", "riscv32-freestanding-none", "-mcpu=generic_rv32+m+c"), None),
}


def zig_compiler() -> Compiler:
    """The package ziglang, which compiles for every target.

    Raises
    ------
    ProofError
        It cannot be run.
    """
    found = compiler_at((sys.executable, "-m", "ziglang", "cc"))
    if found is None:
        raise ProofError(
            "the package ziglang cannot be run as a C compiler; expected one: python -m pip install ziglang"
        )
    return replace(found, version=f"ziglang {version('ziglang')}, clang {found.version}")


def run_bare(target: str, sources: dict[str, str], symbol: str, expected: Expected, folder: Path) -> TargetRun:
    """Compile for a target, run all codes and cases on it, and count the lookup.

    Raises
    ------
    ProofError
        The sources do not compile.
    """
    rows = expected.case_rows()
    program = bare_program(expected.table, symbol, expected.cases, len(rows))
    machine = Machine(CORES[target], _linked(target, sources | {"bare.c": program}, folder))
    flags = " ".join(("-std=c99", *CORES[target].compiler_options, *BARE, *WARNINGS))
    try:
        for name, column in (("which", "which"), ("given", "given"), ("case_offset", "offset_ppt")):
            machine.write(f"{symbol}_proof_{name}", rows[column].tobytes())
        selftest = machine.call("_start")
    except Stopped as stopped:
        return TargetRun(flags, b"", str(stopped), None)
    answers = np.zeros(CODES, PER_CODE)
    for name in PER_CODE.names or ():
        kind = PER_CODE[name]
        answers[name] = np.frombuffer(machine.read(f"{symbol}_proof_{name}", CODES * kind.itemsize), kind)
    corrected = machine.read(f"{symbol}_proof_corrected", 8 * len(rows))
    results = answers.tobytes() + corrected + selftest.to_bytes(4, "little", signed=True)
    return TargetRun(
        flags, results, None, lookup_cost(target, sources, symbol, folder, of_type=code_type(expected.table))
    )


def lookup_cost(
    target: str, sources: dict[str, str], symbol: str, folder: Path, stride: int = 1, of_type: str = "int16_t"
) -> LookupCost:
    """Count one lookup, over every code or every ``stride``-th.

    Parameters
    ----------
    sources : dict of str to str
        Among them SYMBOL.h and SYMBOL.c, with SYMBOL_lookup.

    Raises
    ------
    ProofError
        The sources do not compile, or the program does not come to its end.
    """
    elf = _linked(target, sources | {"counting.c": counting_program(symbol, of_type)}, folder)
    machine = Machine(CORES[target], elf)
    try:
        trace = machine.traced("_start", stride)
    except Stopped as stopped:
        raise ProofError(f"{target}: {stopped}") from stopped
    runner = elf.symbol("_start")
    own = (trace.address < runner.address) | (trace.address >= runner.address + runner.size)
    entries = elf.symbols.get(f"{symbol}_entries")
    is_m0plus = target == "cortex-m0plus"
    return LookupCost(
        instructions=Spread.of(_per_call(own, _instructions(machine, trace))),
        cycles=Spread.of(_per_call(own, _m0plus_cycles(machine, trace))) if is_m0plus else None,
        code_bytes=elf.reached_bytes(np.unique(trace.address[own]).tolist()),
        table_bytes=entries.size if entries else 0,
        table_in_ram=False,
    )


def _linked(target: str, sources: dict[str, str], folder: Path) -> Elf:
    place = folder / target
    place.mkdir(exist_ok=True)
    for old in place.iterdir():
        old.unlink()
    for name, text in sources.items():
        (place / name).write_text(text, encoding="ascii", newline="\n")
    names = sorted(name for name in sources if name.endswith(".c"))
    options = ["-std=c99", *CORES[target].compiler_options, *BARE, *WARNINGS, *names, *RUNTIME, "-o", "image.elf"]
    fault = compiled(zig_compiler(), options, place)
    if fault is not None:
        raise ProofError(f"the generated C does not compile for {target}: {fault}")
    return read_elf((place / "image.elf").read_bytes())


def _per_call(own: NDArray[np.bool_], cost: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sum the cost of each stretch of blocks between two visits to the runner."""
    starts = np.flatnonzero(own & ~np.concatenate(([False], own[:-1])))
    total = np.concatenate(([0], np.cumsum(np.where(own, cost, 0))))
    ends = np.append(starts[1:], len(own))
    result: NDArray[np.int64] = total[ends] - total[starts]
    return result


def _instructions(machine: Machine, trace: Trace) -> NDArray[np.int64]:
    return _each_block(trace, lambda address, size: len(_split(machine, address, size)))


def _m0plus_cycles(machine: Machine, trace: Trace) -> NDArray[np.int64]:
    """Cycles of each block; whether its last instruction branched is seen from where the next block lies."""

    def block(address: int, size: int, *, taken: bool) -> int:
        *before, last = _split(machine, address, size)
        return sum(cycles(*one, taken=False) for one in before) + cycles(*last, taken=taken)

    following = np.append(trace.address[1:], 0)
    jumped = following != trace.address + trace.size
    straight = _each_block(trace, lambda address, size: block(address, size, taken=False))
    branched = _each_block(trace, lambda address, size: block(address, size, taken=True))
    return np.where(jumped, branched, straight)


def _each_block(trace: Trace, cost: Callable[[int, int], int]) -> NDArray[np.int64]:
    """The cost of each block of a trace, worked out once for each that differs."""
    kinds, which = np.unique(trace.address << SIZE_BITS | trace.size, return_inverse=True)
    costs = [cost(int(kind) >> SIZE_BITS, int(kind) & (1 << SIZE_BITS) - 1) for kind in kinds]
    return np.array(costs, dtype=np.int64)[which]


def _split(machine: Machine, address: int, size: int) -> list[tuple[int, int]]:
    """The instructions of a block: first halfword, and length. [bytes]"""
    content, place, found = machine.read_at(address, size), 0, []
    while place < size:
        first = int.from_bytes(content[place : place + 2], "little")
        length = 4 if machine.is_long(first) else 2
        found.append((first, length))
        place += length
    return found
