"""An ELF32 program as its linker left it: what lies where in memory, and what it is called.

Source of the layout: Tool Interface Standard, Executable and Linking Format, version 1.2 (1995), book I.
"""

from __future__ import annotations

import struct
from bisect import bisect_right
from dataclasses import dataclass

from tcomp.errors import ProofError

LOADABLE, SYMBOL_TABLE = 1, 2
NO_TYPE, OBJECT, FUNCTION = 0, 1, 2
ARM = 40
RESERVED = 0xFF00


@dataclass(frozen=True)
class Symbol:
    """Where something named lies, how long it is and of which kind. [bytes]"""

    address: int
    size: int
    kind: int


@dataclass(frozen=True)
class Elf:
    """Segments (address in memory, content) and symbols by name.

    Examples
    --------
    >>> functions = {"lookup": Symbol(16, 8, FUNCTION), "helper": Symbol(24, 0, FUNCTION), "end": Symbol(30, 0, 0)}
    >>> Elf((), functions).reached_bytes([18, 20, 24])
    14
    """

    segments: tuple[tuple[int, bytes], ...]
    symbols: dict[str, Symbol]

    def symbol(self, name: str) -> Symbol:
        """Return a symbol.

        Raises
        ------
        ProofError
            The program has none of this name.
        """
        if name not in self.symbols:
            raise ProofError(f"the compiled program has no symbol {name}; expected what the generated C exports")
        return self.symbols[name]

    def reached_bytes(self, addresses: list[int]) -> int:
        """Bytes of the functions that hold these addresses, each function counted once.

        A function without a size, as helpers in assembly are, reaches up to the next label.
        """
        code = [one for one in self.symbols.values() if one.kind in (NO_TYPE, FUNCTION)]
        sizes: dict[int, int] = {}
        for one in code:
            sizes[one.address] = max(one.size, sizes.get(one.address, 0))
        starts = sorted(sizes)
        reached: set[int] = set()
        for place in {bisect_right(starts, address) - 1 for address in addresses}:
            end = starts[place] + sizes[starts[place]] if sizes[starts[place]] else starts[place + 1]
            reached.update(range(starts[place], end))
        return len(reached)


def read_elf(content: bytes) -> Elf:
    """Read a little-endian ELF32 program.

    Raises
    ------
    ProofError
        It is none.
    """
    if content[:6] != b"\x7fELF\x01\x01":
        raise ProofError("the compiler wrote no 32-bit little-endian ELF program; expected one")
    (machine,) = struct.unpack_from("<H", content, 18)
    program_headers, section_headers = struct.unpack_from("<II", content, 28)
    header_size, headers, section_size, sections = struct.unpack_from("<HHHH", content, 42)
    segments = []
    for number in range(headers):
        kind, offset, address, _, size = struct.unpack_from("<5I", content, program_headers + number * header_size)
        if kind == LOADABLE and size:
            segments.append((address, content[offset : offset + size]))
    tables = [
        struct.unpack_from("<10I", content, section_headers + number * section_size) for number in range(sections)
    ]
    symbols: dict[str, Symbol] = {}
    for table in tables:
        if table[1] == SYMBOL_TABLE:
            symbols |= _symbols(content, table, names_at=tables[table[6]][4], thumb=machine == ARM)
    return Elf(tuple(segments), symbols)


def _symbols(content: bytes, table: tuple[int, ...], *, names_at: int, thumb: bool) -> dict[str, Symbol]:
    found = {}
    for place in range(table[4], table[4] + table[5], 16):
        name_offset, address, size, kind, _, section = struct.unpack_from("<IIIBBH", content, place)
        name = content[names_at + name_offset : content.index(b"\0", names_at + name_offset)].decode("ascii")
        # $t, $d and .L mark places within functions; sections from 0xFF00 on are constants, not places.
        if (
            name
            and 0 < section < RESERVED
            and not name.startswith(("$", ".L"))
            and kind & 15 in (NO_TYPE, OBJECT, FUNCTION)
        ):
            # Bit 0 of a Thumb function's address says Thumb; it is no part of the place.
            is_thumb = thumb and kind & 15 == FUNCTION
            found[name] = Symbol(address & ~1 if is_thumb else address, size, kind & 15)
    return found
