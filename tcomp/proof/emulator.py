"""An emulated processor with one program in its memory: Cortex-M and RV32, by the package unicorn."""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from tcomp.proof.elf import Elf

MEMORY = 0x0100_0000
STOP = 0x00F0_0000
"""Where a call returns to. It lies in executable memory: elsewhere a Cortex-M faults without end."""
STACK = 0x00E0_0000
RUNNING_S = 120
SIZE_BITS = 16
"""A block of instructions is shorter than 2**16 bytes."""


class Stopped(Exception):  # noqa: N818 - not an error of the user's: a finding
    """The program did not come to its end; the text says why."""


@dataclass(frozen=True)
class Core:
    """A processor: how the compiler and the emulator name it."""

    family: Literal["thumb", "riscv"]
    compiler_options: tuple[str, ...]
    model: str | None


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
