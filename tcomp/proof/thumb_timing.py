"""Cycles of a Cortex-M0+ for each instruction, from memory without wait states.

Source: ARM, Cortex-M0+ Technical Reference Manual, table of instruction timings (ARMv6-M), with the
single-cycle multiplier and loads over the bus: a load or store 2, a branch taken 2, BL 3, BX 2,
PUSH, POP, LDM and STM 1 + N, POP with the program counter 3 + N, all others 1.
"""

from __future__ import annotations


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
