"""The C that reads a table, for each layout: its templates, what fills them in, and what the code costs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import singledispatch
from itertools import pairwise

from tcomp.errors import FirmwareError
from tcomp.tables.coefficients import ARGUMENT_BITS
from tcomp.tables.layout import LARGEST_RISE, ONE, PART_BITS, CorrectionTable, Layout
from tcomp.tables.layouts.chebyshev import ChebyshevLayout
from tcomp.tables.layouts.even import EvenLayout
from tcomp.tables.layouts.patches import PatchLayout
from tcomp.tables.layouts.polynomial import Polynomial, PolynomialLayout
from tcomp.tables.layouts.segments import SegmentLayout
from tcomp.tables.layouts.steps import StepLayout

BYTE = 8
"""Bits of the part of a step that processors of 8 bits take in one register."""


@dataclass(frozen=True)
class LookupC:
    """The C of a lookup, or a piece of it: names of templates, in the order of their text, and what they fill in."""

    templates: tuple[str, ...]
    names: dict[str, object]

    def __add__(self, other: LookupC) -> LookupC:
        """Both pieces, one after the other; what both need stands once, at its first place."""
        return LookupC(tuple(dict.fromkeys(self.templates + other.templates)), self.names | other.names)


def lookup_c(table: CorrectionTable, symbol: str) -> LookupC:
    """Choose the C that reads a table.

    Raises
    ------
    FirmwareError
        No C reads a table of this layout.
    """
    return _c_of(table.layout, table, symbol)


@singledispatch
def _c_of(layout: Layout, table: CorrectionTable, symbol: str) -> LookupC:
    raise FirmwareError(f'there is no C for a table of the form "{table.form}"')


@_c_of.register
def _(layout: StepLayout, table: CorrectionTable, symbol: str) -> LookupC:
    # With a knot at every code, or with one knot, there is no line to walk along.
    lines = layout.interpolation == "linear" and len(table.entries) > 1
    return _steps(table, symbol, layout.origin_code, layout.step_log2, lines=lines)


@_c_of.register
def _(layout: SegmentLayout, table: CorrectionTable, symbol: str) -> LookupC:
    origin, last = layout.starts[0], len(layout.starts) - 1
    if last == 0:
        return _steps(table, symbol, origin, layout.step_log2s[0], lines=True)
    branches = []
    for place, first_knot in enumerate(layout.first_knots):
        condition = f"if (along < {layout.starts[place + 1] - origin}u) " if place < last else ""
        branches.append(f"{'} else ' if place else ''}{condition}{{")
        branches += _segment(layout.starts[place] - origin, first_knot, layout.step_log2s[place])
    text = "\n".join(f"    {line}" for line in [*branches, "}"])
    return (
        _along(table, origin)
        + _between(table, symbol, len(table.entries) - 2)
        + LookupC(("lookup_segments.c",), {"segments": text})
    )


@_c_of.register
def _(layout: EvenLayout, table: CorrectionTable, symbol: str) -> LookupC:
    # Where every code stands on a knot, there is no line to walk along.
    always_on_knot = layout.codes_to_index_q16 == ONE or table.high_code == layout.first_code
    if layout.interpolation == "quadratic":
        reader, reading = (
            LookupC(("value.c", "curved.c"), _neighbours(table, symbol, 0)),
            f"{symbol}_curved(knot, (uint16_t)position)",
        )
    elif layout.interpolation == "linear" and not always_on_knot:
        last = int(layout.locate(table.codes[-1:])[0][0])
        reader, reading = _between(table, symbol, last), f"{symbol}_between(knot, (uint16_t)position)"
    else:
        reader, reading = LookupC((), {}), _read(symbol, "knot")
    pieces = _along(table, layout.first_code) + reader
    if layout.polynomial is not None:
        pieces += _coefficients(layout.polynomial) + _horner(layout.polynomial, layout.first_code, 16)
        pieces += LookupC((), {"read_coefficient": f"{symbol.upper()}_WORD({symbol}_coefficients, "})
        reading = f"{symbol}_value((uint16_t)((uint16_t){reading}\n        + {symbol}_polynomial(along)))"
    return pieces + LookupC(("lookup_even.c",), {"codes_to_index_q16": layout.codes_to_index_q16, "reading": reading})


@_c_of.register
def _(layout: PolynomialLayout, table: CorrectionTable, symbol: str) -> LookupC:
    return (
        _along(table, table.low_code)
        + _horner(layout.polynomial(table.entries), table.low_code, table.entry_bits)
        + LookupC(("lookup_polynomial.c",), {"read_coefficient": f"{symbol.upper()}_READ({symbol}_entries, "})
    )


@_c_of.register
def _(layout: ChebyshevLayout, table: CorrectionTable, symbol: str) -> LookupC:
    read = LookupC((), {"read_factor": f"{symbol.upper()}_READ({symbol}_entries, "})
    return _along(table, table.low_code) + read + _smooth(layout, table, symbol) + LookupC(("lookup_chebyshev.c",), {})


@_c_of.register
def _(layout: PatchLayout, table: CorrectionTable, symbol: str) -> LookupC:
    bits = PART_BITS - layout.entry_shift
    numbers: dict[str, object] = {
        "entry_units": 1 << layout.entry_shift,
        "patch_bits": bits,
        "lifted_half": 2**31 + (1 << bits >> 1),
        "lift": 2**31 >> bits,
        "patches": "\n".join(f"    {line}" for line in _patches(layout, table.low_code, table.high_code, symbol)),
        "read_factor": f"{symbol.upper()}_WORD({symbol}_coefficients, ",
    }
    names = numbers | _neighbours(table, symbol, 0)
    factors = _word_array(layout.factors, "T1")
    pieces = _along(table, table.low_code) + factors + _smooth(layout.smooth, table, symbol)
    return pieces + LookupC(("patch.c", "lookup_patches.c"), names)


def _patches(layout: PatchLayout, low_code: int, high_code: int, symbol: str) -> list[str]:
    """Branches that find the patch of a code."""
    lines = []
    each = zip(layout.starts, layout.ends, layout.codes_to_index_q16s, layout.first_entries, strict=True)
    for place, (start, end, factor, first) in enumerate(each):
        since = "along" if start == low_code else f"(uint16_t)(along - {start - low_code}u)"
        lines += [
            f"{'} else ' if place else ''}if ({since} <= {end - start}u) {{",
            f"    since = {since};",
            f"    first = {first}u;",
            f"    position = since * UINT32_C({factor});",
        ]
    if layout.starts[0] == low_code and layout.ends[0] >= high_code:
        return [line.strip() for line in lines[1:]]
    return [*lines, "} else {", f"    return {symbol}_value(smooth);", "}"]


def _smooth(layout: ChebyshevLayout, table: CorrectionTable, symbol: str) -> LookupC:
    """Chebyshev's polynomials, of the codes since the first one."""
    wide, bits = layout.fine_bits > 0, ARGUMENT_BITS - layout.fine_bits
    # Of 32 bits, the sum is cut 2**31 higher; of 16, the bits that are lost anyhow are those above.
    numbers: dict[str, object] = {
        "to_middle": (table.low_code - layout.middle_code) % 2**16,
        "codes_to_x": layout.codes_to_x,
        "t0": layout.t0,
        "as_int16": f"{symbol}_int16" if wide else f"{symbol}_value",
        "half": (1 << bits >> 1) + (2**31 if wide else 0),
        "factor_count": layout.count,
        "base": f"UINT32_C({layout.base % 2**32})" if wide else f"{layout.base % 2**16}u",
        "cut": f"(sum >> {bits}u) - UINT32_C({2**31 >> bits})" if wide else "(uint16_t)((sum << 1u) >> 16u)",
    }
    return LookupC(("value.c", *(["int16.c"] if wide else []), "chebyshev.c"), numbers)


def _along(table: CorrectionTable, origin_code: int) -> LookupC:
    """Codes since the origin, held at the ends of the range."""
    lead, span = table.low_code - origin_code, table.high_code - table.low_code
    bits = 16 if lead + span < 2**16 else 32
    # A comparison with an end of the code's type would always be true, which compilers remark.
    if table.low_code == table.scale.least_code:
        end = f"{span}u"
    elif table.high_code == table.scale.largest_code:
        end = "0u"
    else:
        end = f"(code < {table.low_code}) ? 0u : {span}u"
    # An int of 32 bits along spares an extension of 16, and one of 16 bits does wherever that holds all codes.
    led = "along" if lead == 0 else f"along + {lead}u" if bits == 16 else f"along + UINT32_C({lead})"
    names: dict[str, object] = {
        "origin_code": origin_code,
        "along_type": "unsigned int" if bits == 16 else "uint32_t",
        "coarse_type": f"uint{bits}_t",
        "span": span,
        "end": end,
        "led": led,
    }
    return LookupC(("held.c" if span < 2**16 - 1 else "whole.c",), names)


def _read(symbol: str, place: str) -> str:
    """An entry, from wherever it lies."""
    return f"{symbol.upper()}_READ({symbol}_entries, {place})"


def _neighbours(table: CorrectionTable, symbol: str, last: int) -> dict[str, object]:
    """The entry below and the one above; ``last`` is the number of the last entry that a code reads as the one below."""
    # Where the range ends on the last knot, there is none above it.
    step = "1u" if last + 1 < len(table.entries) else "((part != 0u) ? 1u : 0u)"
    return {"below": _read(symbol, "knot"), "above": _read(symbol, f"knot + {step}"), "next": step}


def _gentle(table: CorrectionTable) -> bool:
    """Say whether one product of 32 bits holds every rise."""
    steepest = max(abs(after - before) for before, after in pairwise(table.entries))
    return table.entry_bits <= 16 and steepest <= LARGEST_RISE


def _between(table: CorrectionTable, symbol: str, last: int) -> LookupC:
    """The straight line; ``last`` as of the neighbours."""
    names = _neighbours(table, symbol, last)
    return LookupC(("value.c", "between_rise.c"), names) if _gentle(table) else LookupC(("between_weights.c",), names)


def _between_bytes(table: CorrectionTable, symbol: str, last: int) -> LookupC:
    """The straight line where a step has 256 codes at most."""
    names = _neighbours(table, symbol, last)
    pair = "pair_assembly.c" if last + 1 < len(table.entries) else "pair.c"
    return LookupC(("value.c", pair, "between_byte.c"), names)


def _steps(table: CorrectionTable, symbol: str, origin_code: int, step_log2: int, *, lines: bool) -> LookupC:
    """Steps of one length, a power of two."""
    names: dict[str, object] = {"step": 1 << step_log2, "step_log2": step_log2}
    along = _along(table, origin_code)
    if not lines or step_log2 == 0:
        return along + LookupC(("lookup_nearest.c",), names)
    last = (table.high_code - origin_code) >> step_log2
    if step_log2 > BYTE:
        shifts = {"byte_shift": step_log2 - BYTE, "part_shift": PART_BITS - step_log2}
        return along + _between(table, symbol, last) + LookupC(("lookup_coarse.c",), names | shifts)
    in_bytes = table.entry_bits == 16 and _gentle(table)
    part_bits = BYTE if in_bytes else PART_BITS
    between = (_between_bytes if in_bytes else _between)(table, symbol, last)
    names |= {"part_bits": part_bits, "part_shift": part_bits - step_log2}
    return along + between + LookupC(("lookup_step.c",), names)


def _segment(start: int, first_knot: int, step_log2: int) -> list[str]:
    """Knot and part in a segment that begins so many codes and knots behind the first."""
    since = f"(along - {start}u)" if start else "along"
    knot = f"{first_knot}u + ({since} >> {step_log2}u)" if first_knot else f"{since} >> {step_log2}u"
    part = f"(uint16_t)({since} << {PART_BITS - step_log2}u)" if step_log2 else "0u"
    return [
        f"    knot = (uint16_t)({knot});",
        f"    part = {part};",
    ]


def _coefficients(polynomial: Polynomial) -> LookupC:
    # Modulo 2**16, as the sum that they go into.
    return _word_array(tuple((value + 2**15) % 2**16 - 2**15 for value in polynomial.coefficients), "power 0")


def _word_array(values: tuple[int, ...], first_power: str) -> LookupC:
    numbers: dict[str, object] = {
        "coefficients": ", ".join(map(str, values)),
        "coefficient_count": len(values),
        "first_power": first_power,
    }
    return LookupC(("words_flash.c", "coefficients.c"), numbers)


def _horner(polynomial: Polynomial, origin_code: int, bits: int) -> LookupC:
    """The polynomial, of the codes since the origin."""
    from_middle = origin_code - polynomial.middle_code
    names: dict[str, object] = {
        "degree": polynomial.degree,
        "from_middle": from_middle,
        "to_middle": from_middle % 2**16,
        "shift": polynomial.shift,
        "x_step": 1 << polynomial.shift,
    }
    return LookupC(("value.c", "horner.c" if bits == 16 else "horner_wide.c"), names)


@dataclass(frozen=True)
class CodeCost:
    """Cost of a lookup's code, typically, on a Cortex-M0+, a Cortex-M4, RV32IMC and AVR, in the order of :data:`COSTED`.

    Parameters
    ----------
    bytes_on : tuple of int
        Code by ``zig cc -Os``, for AVR by ``avr-gcc -Os``; what it calls of the compiler's library is in it, as 32-bit
        products on AVR. [bytes]
    cycles_on : tuple of int
        Of the slowest code; instructions on a Cortex-M4 and RV32IMC, whose cycles depend on the part.
    products : int
        Multiplications for a code.
    loads : int
        Entries, and numbers that find them, read for a code.
    """

    bytes_on: tuple[int, ...]
    cycles_on: tuple[int, ...]
    products: int
    loads: int

    def __add__(self, other: CodeCost) -> CodeCost:
        """Cost of both."""
        return CodeCost(
            tuple(one + more for one, more in zip(self.bytes_on, other.bytes_on, strict=True)),
            tuple(one + more for one, more in zip(self.cycles_on, other.cycles_on, strict=True)),
            self.products + other.products,
            self.loads + other.loads,
        )

    def __mul__(self, times: int) -> CodeCost:
        """Cost of so many."""
        return CodeCost(
            tuple(one * times for one in self.bytes_on),
            tuple(one * times for one in self.cycles_on),
            self.products * times,
            self.loads * times,
        )

    @property
    def flash_bytes(self) -> int:
        """On a Cortex-M0+. [bytes]"""
        return self.bytes_on[0]

    @property
    def avr_bytes(self) -> int:
        """On AVR. [bytes]"""
        return self.bytes_on[3]


COSTED = ("cortex-m0plus", "cortex-m4", "rv32imc", "avr")
NONE = (0, 0, 0, 0)
PIECES = {
    "held.c": CodeCost((28, 24, 34, 26), (14, 8, 10, 10), 0, 0),
    "lookup_nearest.c": CodeCost((20, 20, 12, 28), (10, 7, 4, 22), 0, 1),
    "lookup_step.c": CodeCost((20, 24, 10, 28), (8, 8, 5, 20), 0, 0),
    "lookup_coarse.c": CodeCost((20, 22, 23, 28), (9, 8, 10, 6), 0, 0),
    "lookup_segments.c": CodeCost((20, 28, 13, 28), (22, 13, 8, 12), 0, 0),
    "lookup_even.c": CodeCost((32, 28, 19, 62), (13, 9, 7, 49), 1, 0),
    "lookup_polynomial.c": CodeCost((16, 10, 0, 10), (6, 0, 0, 36), 0, 0),
    "between_byte.c": CodeCost((20, 20, 32, 34), (13, 7, 10, 27), 1, 2),
    "between_rise.c": CodeCost((20, 26, 31, 104), (15, 9, 12, 104), 1, 2),
    "between_weights.c": CodeCost((38, 42, 38, 230), (31, 12, 13, 249), 2, 2),
    "curved.c": CodeCost((66, 72, 69, 250), (43, 21, 24, 333), 2, 3),
    "horner.c": CodeCost((48, 54, 58, 136), (14, 7, 11, 75), 0, 1),
    "horner_wide.c": CodeCost((104, 56, 60, 428), (19, 4, 5, 127), 0, 1),
    "int16.c": CodeCost((4, 9, 13, 16), (0, 1, 1, 77), 0, 0),
    "chebyshev.c": CodeCost((80, 88, 85, 270), (37, 21, 15, 126), 2, 0),
    "lookup_chebyshev.c": CodeCost((16, 15, 2, 10), (0, 1, 0, 0), 0, 0),
    "patch.c": CodeCost((84, 74, 83, 170), (37, 21, 23, 250), 2, 2),
}
"""Measured on tables of each form; a test compiles them again. Pieces that are not listed vanish in others."""
WIDE_WEIGHTS = CodeCost((94, 37, 83, 456), (103, 10, 24, 729), 0, 0)
"""Entries of 32 bits take products of 64."""
SEGMENT = CodeCost((22, 14, 19, 26), (0, 1, 2, 2), 0, 0)
"""Each segment after the first."""


DEGREE = {
    "horner.c": CodeCost(NONE, (15, 10, 10, 58), 1, 1),
    "horner_wide.c": CodeCost(NONE, (57, 12, 14, 382), 1, 1),
    "chebyshev.c": CodeCost(NONE, (18, 11, 13, 136), 2, 1),
}
"""Each power of a polynomial."""
PATCH = CodeCost((24, 21, 26, 0), (10, 4, 3, 6), 0, 0)
"""Each patch after the first; on AVR they share what the branches do."""


def code_cost(table: CorrectionTable) -> CodeCost:
    """State the typical cost of the C that reads a table.

    Raises
    ------
    FirmwareError
        No C reads a table of this form.

    Examples
    --------
    >>> from tcomp.tables.code_scale import TemperatureScale
    >>> table = CorrectionTable(
    ...     layout=StepLayout(count=3, first_code=0, step_log2=8, interpolation="linear"),
    ...     scale=TemperatureScale(100), low_code=0, high_code=500, entry_bits=16, unit_log2_ppt=4,
    ...     entries=(-100, 0, 300), max_error_ppb=1.0, rms_error_ppb=0.5)
    >>> code_cost(table)
    CodeCost(bytes_on=(68, 68, 76, 88), cycles_on=(35, 23, 25, 57), products=1, loads=2)
    """
    templates = lookup_c(table, "t").templates
    cost = sum((PIECES[name] for name in templates if name in PIECES), CodeCost(NONE, NONE, 0, 0))
    if "between_weights.c" in templates and table.entry_bits == 32:
        cost += WIDE_WEIGHTS
    if "lookup_even.c" in templates and not {"between_rise.c", "between_weights.c", "curved.c"} & set(templates):
        cost += CodeCost(NONE, NONE, 0, 1)
    if isinstance(table.layout, SegmentLayout):
        cost += SEGMENT * (len(table.layout.starts) - 1)
    if isinstance(table.layout, PatchLayout):
        cost += PATCH * (len(table.layout.starts) - 1)
    degree = table.layout.degree or 0
    return sum((DEGREE[name] * degree for name in templates if name in DEGREE), cost)


def code_bytes(target: str, table: CorrectionTable) -> int:
    """What the program of a table takes on one of :data:`COSTED`. [bytes]"""
    return code_cost(table).bytes_on[COSTED.index(target)]


def code_cycles(target: str, table: CorrectionTable) -> int:
    """What its slowest lookup takes there. [cycles, or instructions]"""
    return code_cost(table).cycles_on[COSTED.index(target)]
