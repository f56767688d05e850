"""The generated C on a bare Cortex-M or RV32: compiled by ``zig cc``, run and counted on the emulated processor."""

from __future__ import annotations

import sys
from array import array
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.documents.proof import LookupCost
from tcomp.errors import ProofError
from tcomp.firmware.exporters.c99 import code_type
from tcomp.proof.compilers import WARNINGS, Compiler, compiled, compiler_at
from tcomp.proof.elf import Elf, read_elf
from tcomp.proof.expected import (
    CODES,
    PER_CODE,
    Expected,
    TargetRun,
    bare_program,
    count_range,
    counting_program,
)

# -g keeps the symbols, which -Os would strip; without -fno-lto the lookup could be inlined into its caller.
BARE = ("-Os", "-g", "-ffreestanding", "-nostdlib", "-fno-lto")
# 64-bit division and floats are the compiler's own functions; -nostdlib leaves them out.
RUNTIME = ("-lcompiler_rt",)
MEMORY = 0x0100_0000
STOP = 0x00F0_0000
"""Where a call returns to. It lies in executable memory: elsewhere a Cortex-M faults without end."""
STACK = 0x00E0_0000
RUNNING_S = 120
SIZE_BITS = 16
"""A block of instructions is shorter than 2**16 bytes."""


@dataclass(frozen=True)
class Core:
    """A processor: how the compiler and the emulator name it."""

    family: Literal["thumb", "riscv"]
    compiler_options: tuple[str, ...]
    model: str | None


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


def run_bare(target: str, sources: dict[str, str], tables: tuple[Expected, ...], folder: Path) -> tuple[TargetRun, ...]:
    """Compile for a target, run all codes and cases of each table on it, and count the first table's lookup.

    Raises
    ------
    ProofError
        The sources do not compile.
    """
    machine = Machine(CORES[target], linked(target, sources | {"bare.c": bare_program(tables)}, folder))
    flags = " ".join(("-std=c99", *CORES[target].compiler_options, *BARE, *WARNINGS))
    first = tables[0]
    try:
        answers = [bare_answers(machine, one, number) for number, one in enumerate(tables)]
    except Stopped as stopped:
        return tuple(TargetRun(flags, b"", str(stopped), None) for _ in tables)
    cost = lookup_cost(target, sources, first.symbol, folder, of_type=code_type(first.table))
    return tuple(
        TargetRun(flags, results, None, cost if one is first else None)
        for one, results in zip(tables, answers, strict=True)
    )


def bare_answers(machine: Machine, expected: Expected, number: int) -> bytes:
    """What a program for a bare processor answers of its table of this number."""
    rows = expected.case_rows()
    for name, column in (("which", "which"), ("given", "given"), ("case_offset", "offset_ppt")):
        machine.write(f"proof_{name}", rows[column].tobytes())
    selftest = machine.call("_start", number)
    answers = np.zeros(CODES, PER_CODE)
    for name in PER_CODE.names or ():
        kind = PER_CODE[name]
        answers[name] = np.frombuffer(machine.read(f"proof_{name}", CODES * kind.itemsize), kind)
    corrected = machine.read("proof_corrected", 8 * len(rows))
    return answers.tobytes() + corrected + selftest.to_bytes(4, "little", signed=True)


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
    elf = linked(target, sources | {"counting.c": counting_program(symbol, of_type)}, folder)
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
        instructions=count_range(_per_call(own, _instructions(machine, trace))),
        cycles=count_range(_per_call(own, _m0plus_cycles(machine, trace))) if is_m0plus else None,
        code_bytes=elf.reached_bytes(np.unique(trace.address[own]).tolist()),
        table_bytes=entries.size if entries else 0,
        table_in_ram=False,
    )


def linked(target: str, sources: dict[str, str], folder: Path) -> Elf:
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


class Stopped(Exception):  # noqa: N818 - not an error of the user's: a finding
    """The program did not come to its end; the text says why."""


@dataclass(frozen=True)
class Trace:
    """Blocks of instructions in the order executed: the address of each, and its length. [bytes]"""

    address: NDArray[np.int64]
    size: NDArray[np.int64]


class Machine:
    """A processor with a program loaded."""

    def __init__(self, core: Core, elf: Elf) -> None:
        import unicorn
        from unicorn import arm_const, riscv_const

        self._elf = elf
        self._family = core.family
        if core.family == "thumb":
            self._uc = unicorn.Uc(unicorn.UC_ARCH_ARM, unicorn.UC_MODE_THUMB | unicorn.UC_MODE_MCLASS)
            self._uc.ctl_set_cpu_model(getattr(arm_const, str(core.model)))
            names = ("UC_ARM_REG_R0", "UC_ARM_REG_SP", "UC_ARM_REG_LR", "UC_ARM_REG_PC")
            registers: Any = arm_const
        else:
            self._uc = unicorn.Uc(unicorn.UC_ARCH_RISCV, unicorn.UC_MODE_RISCV32)
            names = ("UC_RISCV_REG_A0", "UC_RISCV_REG_SP", "UC_RISCV_REG_RA", "UC_RISCV_REG_PC")
            registers = riscv_const
        self._first, self._stack, self._link, self._pc = (getattr(registers, name) for name in names)
        # The lowest bit of a jump's target says Thumb.
        self._mode_bit = 1 if core.family == "thumb" else 0
        self._uc.mem_map(0, MEMORY)
        for address, content in elf.segments:
            self._uc.mem_write(address, content)

    def write(self, name: str, content: bytes) -> None:
        """Fill the memory of a symbol."""
        self._uc.mem_write(self._elf.symbol(name).address, content)

    def read(self, name: str, size: int) -> bytes:
        """Read the memory of a symbol."""
        return bytes(self._uc.mem_read(self._elf.symbol(name).address, size))

    def read_at(self, address: int, size: int) -> bytes:
        """Read memory."""
        return bytes(self._uc.mem_read(address, size))

    def is_long(self, first: int) -> bool:
        """Say whether an instruction with this first halfword takes 4 bytes, not 2."""
        return first & 3 == 3 if self._family == "riscv" else first >> 11 in (0x1D, 0x1E, 0x1F)

    def call(self, name: str, argument: int = 0) -> int:
        """Call a function with one argument; return its 32-bit answer, signed.

        Raises
        ------
        Stopped
            The processor faulted, or did not return in time.
        """
        import unicorn

        for register, value in ((self._first, argument), (self._stack, STACK), (self._link, STOP | self._mode_bit)):
            self._uc.reg_write(register, value)
        try:
            start = self._elf.symbol(name).address | self._mode_bit
            self._uc.emu_start(start, STOP, timeout=int(RUNNING_S * 1e6))
        except unicorn.UcError as error:
            raise Stopped(f"the program stopped: {error}") from error
        if self._uc.reg_read(self._pc) & ~1 != STOP:
            raise Stopped(f"the program did not end within {RUNNING_S} s of emulation")
        answer = int(self._uc.reg_read(self._first)) & 0xFFFF_FFFF
        return answer - 2**32 if answer >> 31 else answer

    def traced(self, name: str, argument: int) -> Trace:
        """Call a function and keep the order of the blocks executed."""
        import unicorn

        order = array("Q")
        keep = order.append
        hook = self._uc.hook_add(unicorn.UC_HOOK_BLOCK, lambda _, address, size, __: keep(address << SIZE_BITS | size))
        # Blocks translated before the hook was there would not call it.
        self._uc.ctl_flush_tb()
        try:
            self.call(name, argument)
        finally:
            self._uc.hook_del(hook)
            self._uc.ctl_flush_tb()
        packed = np.frombuffer(order, dtype=np.uint64).astype(np.int64)
        return Trace(packed >> SIZE_BITS, packed & (1 << SIZE_BITS) - 1)


def cycles(first: int, size: int, *, taken: bool) -> int:
    """Cycles of one instruction.

    Parameters
    ----------
    first : int
        Its first halfword.
    size : int
        2 or 4. [bytes]
    taken : bool
        The next instruction executed is not the one that follows it.

    Examples
    --------
    BEQ taken and not taken, LDRH r0, [r1, r2], MULS r0, r1, r0, BX LR, POP {r4, PC}:

    >>> [cycles(0xD001, 2, taken=True), cycles(0xD001, 2, taken=False), cycles(0x5A88, 2, taken=False)]
    [2, 1, 2]
    >>> [cycles(0x4348, 2, taken=False), cycles(0x4770, 2, taken=True), cycles(0xBD10, 2, taken=True)]
    [1, 2, 5]
    """
    if size == 4:
        return 3  # BL: ARMv6-M has no other long instruction in compiled code but barriers, which take 3 too
    registers = (first & 0xFF).bit_count()
    if first >> 9 in (0x5A, 0x5E):  # PUSH, POP; bit 8: with the link register, or the program counter
        special = first >> 8 & 1
        return (3 if special and first >> 11 & 1 else 1) + registers + special
    if first >> 12 == 0xC:  # STM, LDM
        return 1 + registers
    if first >> 12 in (5, 6, 7, 8, 9) or first >> 11 == 0b01001:
        return 2  # loads and stores, literals
    return 2 if taken else 1
