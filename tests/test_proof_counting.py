"""Instructions, cycles and bytes are counted as a hand or another counter would."""

from __future__ import annotations

from pathlib import Path

import pytest

from tcomp.documents.proof import CountRange
from tcomp.errors import ProofError
from tcomp.proof.avr import avr_lookup_cost, why_no_avr
from tcomp.proof.bare_metal import CORES, lookup_cost
from tcomp.proof.elf import Elf, read_elf
from tcomp.proof.targets import why_not

HEADER = "#include <stdint.h>\nint16_t hand_lookup(int16_t code);\n"
needs_avr = pytest.mark.skipif(bool(why_no_avr()), reason=why_no_avr() or "-")
needs_unicorn = pytest.mark.skipif(bool(why_not("rv32imc")), reason=why_not("rv32imc") or "-")


def assembly(lines: str) -> dict[str, str]:
    """A function in assembly, so that its instructions can be counted by eye."""
    text = "\\n\\t".join(line.strip() for line in lines.strip().splitlines())
    body = f'__attribute__((naked)) int16_t hand_lookup(int16_t code)\n{{\n    __asm__ volatile("{text}");\n}}\n'
    return {
        "hand.h": HEADER,
        "hand.c": '#include "hand.h"\n' + body.replace("code)\n{", "code __attribute__((unused)))\n{"),
    }


# Cortex-M0+ Technical Reference Manual, instruction timings: PUSH {r4, lr} 3, CMP 1, BLT 2 taken and 1 not,
# ADDS 1, MULS 1 with the fast multiplier, LDR from the stack 2, POP {r4, pc} 5.
THUMB = """
    push {r4, lr}
    cmp r0, #0
    blt 1f
    adds r0, #1
    muls r0, r0, r0
    1: ldr r1, [sp]
    pop {r4, pc}
"""
NEGATIVE, NOT_NEGATIVE = 3 + 1 + 2 + 2 + 5, 3 + 1 + 1 + 1 + 1 + 2 + 5


@needs_unicorn
def test_a_cortex_m0plus_function_is_counted_as_by_hand(tmp_path: Path) -> None:
    cost = lookup_cost("cortex-m0plus", assembly(THUMB), "hand", tmp_path)
    assert cost.instructions == CountRange(least=5, mean=6.0, largest=7)
    assert cost.cycles == CountRange(least=NEGATIVE, mean=(NEGATIVE + NOT_NEGATIVE) / 2, largest=NOT_NEGATIVE)
    assert (cost.code_bytes, cost.table_bytes) == (14, 0)


@needs_unicorn
def test_a_long_thumb_instruction_counts_once(tmp_path: Path) -> None:
    # MOVW, and UBFX: 4 bytes each (ARMv7-M).
    cost = lookup_cost("cortex-m4", assembly("movw r1, #4660\nubfx r0, r0, #2, #3\nbx lr"), "hand", tmp_path)
    assert (cost.instructions, cost.code_bytes) == (CountRange(least=3, mean=3.0, largest=3), 10)


@needs_unicorn
def test_a_riscv_function_is_counted_as_by_hand(tmp_path: Path) -> None:
    # A long and a compressed instruction (c.addi), a branch over one, and the return (c.jr).
    cost = lookup_cost("rv32imc", assembly("bltz a0, 1f\nxori a0, a0, 291\n1: c.addi a0, 1\nret"), "hand", tmp_path)
    assert (cost.instructions, cost.code_bytes) == (CountRange(least=3, mean=3.5, largest=4), 12)


@needs_unicorn
@pytest.mark.parametrize("target", CORES)
def test_functions_that_the_lookup_calls_are_counted_with_it(target: str, tmp_path: Path) -> None:
    plain = "int16_t hand_lookup(int16_t code)\n{\n    return code;\n}\n"
    calling = (
        "static __attribute__((noinline)) int16_t helper(int16_t code)\n{\n    volatile int16_t kept = code;\n"
        "    return kept;\n}\nint16_t hand_lookup(int16_t code)\n{\n    return (int16_t)(helper(code) ^ 1);\n}\n"
    )
    alone, both = (
        lookup_cost(target, {"hand.h": HEADER, "hand.c": '#include "hand.h"\n' + body}, "hand", tmp_path)
        for body in (plain, calling)
    )
    assert alone.instructions.largest <= 2
    assert both.instructions.least > alone.instructions.largest + 4
    assert both.code_bytes > alone.code_bytes + 8


# AVR Instruction Set Manual, AVRe+ column: MUL 2, MOVW 1, CLR 1, SBRC 1 or 2 (skipping one word), INC 1, RET 4.
@needs_avr
def test_an_avr_function_is_counted_as_by_hand(tmp_path: Path) -> None:
    lines = "sbrc r25, 7\ninc r24\nmul r24, r24\nmovw r24, r0\nclr r1\nret"
    cost = avr_lookup_cost(assembly(lines), "hand", tmp_path)
    assert cost.cycles == CountRange(least=10, mean=10.0, largest=10)
    assert cost.instructions == CountRange(least=5, mean=5.5, largest=6)
    assert cost.code_bytes == 12


@needs_avr
def test_a_register_that_is_not_given_back_is_found_on_avr(tmp_path: Path) -> None:
    with pytest.raises(ProofError, match="call 0 did not return as the calling convention asks"):
        avr_lookup_cost(assembly("ldi r16, 3\nret"), "hand", tmp_path)


def test_what_is_no_program_is_refused() -> None:
    with pytest.raises(ProofError, match="the compiler wrote no 32-bit little-endian ELF program"):
        read_elf(b"MZ" + bytes(100))


def test_a_missing_symbol_is_named() -> None:
    with pytest.raises(ProofError, match="the compiled program has no symbol gone"):
        Elf((), {}).symbol("gone")
