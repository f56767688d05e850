"""Which C reads which form of table: templates in the order in which they stand, and what they fill in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import singledispatch
from itertools import pairwise

from tcomp.errors import FirmwareError
from tcomp.table.breakpoint_table import BreakpointTable
from tcomp.table.even_table import ONE, EvenTable, evenly_placed
from tcomp.table.lookup import PART_BITS, CorrectionTable
from tcomp.table.polynomial import Polynomial, PolynomialTable
from tcomp.table.segment_table import SegmentTable
from tcomp.table.step_table import StepTable

LARGEST_RISE = 2**15 - 1
"""32 767 * 65 535 + 32 768 < 2**31: a product of 32 bits holds such a rise times any part."""
BYTE = 8
"""Bits of the part of a step that processors of 8 bits take in one register."""
NUMBERS_A_LINE = 12


@dataclass(frozen=True)
class LookupC:
    """The C of a lookup, or a piece of it: names of templates, in the order of their text, and what they fill in."""

    templates: tuple[str, ...]
    names: dict[str, object]

    def __add__(self, other: LookupC) -> LookupC:
        """Both pieces, one after the other; what both need stands once, at its first place."""
        return LookupC(tuple(dict.fromkeys(self.templates + other.templates)), self.names | other.names)


@singledispatch
def lookup_c(table: CorrectionTable, symbol: str) -> LookupC:
    """Choose the C that reads a table.

    Raises
    ------
    FirmwareError
        No C reads a table of this form.
    """
    raise FirmwareError(f'there is no C for a table of the form "{table.form}"')


@lookup_c.register
def _(table: StepTable, symbol: str) -> LookupC:
    # With a knot at every code, or with one knot, there is no line to walk along.
    lines = table.interpolation == "linear" and len(table.entries) > 1
    return _steps(table, symbol, table.origin_code, table.step_log2, lines=lines)


@lookup_c.register
def _(table: SegmentTable, symbol: str) -> LookupC:
    origin, last = table.starts[0], len(table.starts) - 1
    if last == 0:
        return _steps(table, symbol, origin, table.step_log2s[0], lines=True)
    branches = []
    for place, first_knot in enumerate(table.segments.first_knots):
        condition = f"if (along < {table.starts[place + 1] - origin}u) " if place < last else ""
        branches.append(f"{'} else ' if place else ''}{condition}{{")
        branches += _segment(table.starts[place] - origin, first_knot, table.step_log2s[place])
    text = "\n".join(f"    {line}" for line in [*branches, "}"])
    return (
        _along(table, origin)
        + _between(table, symbol, len(table.entries) - 2)
        + LookupC(("lookup_segments.c",), {"segments": text})
    )


@lookup_c.register
def _(table: EvenTable, symbol: str) -> LookupC:
    # Where every code stands on a knot, there is no line to walk along.
    always_on_knot = table.pace == ONE or table.high_code == table.first_code
    if table.interpolation == "quadratic":
        reader, reading = (
            LookupC(("value.c", "curved.c"), _neighbours(table, symbol, 0)),
            f"{symbol}_curved(knot, (uint16_t)position)",
        )
    elif table.interpolation == "linear" and not always_on_knot:
        last = int(evenly_placed(table.codes[-1], table.first_code, table.pace)[0])
        reader, reading = _between(table, symbol, last), f"{symbol}_between(knot, (uint16_t)position)"
    else:
        reader, reading = LookupC((), {}), _read(symbol, "knot")
    pieces = _along(table, table.first_code) + reader
    if table.polynomial is not None:
        pieces += _coefficients(table.polynomial) + _horner(table.polynomial, table.first_code, 16)
        pieces += LookupC((), {"read_coefficient": f"{symbol.upper()}_WORD({symbol}_coefficients, "})
        reading = f"{symbol}_value((uint16_t)((uint16_t){reading}\n        + {symbol}_polynomial(along)))"
    return pieces + LookupC(("lookup_even.c",), {"pace": table.pace, "reading": reading})


@lookup_c.register
def _(table: BreakpointTable, symbol: str) -> LookupC:
    breakpoints = table.breakpoints
    # Intervals that end below the range are not searched.
    first = int(breakpoints.placed(table.codes[:1])[0][0])
    starts = [(knot - table.low_code) % 2**16 for knot in table.knots[first:-1]]
    numbers: dict[str, object] = {
        "intervals": len(starts),
        "starts": _number_lines(starts),
        "reciprocals": _number_lines(breakpoints.reciprocals[first:]),
        "knot": f"(uint16_t)({first}u + low)" if first else "low",
        "part_shift": breakpoints.part_shift,
        "reciprocal_bits": PART_BITS + breakpoints.part_shift,
    }
    return (
        _along(table, table.low_code)
        + _between(table, symbol, len(table.entries) - 2)
        + LookupC(("words.c", "lookup_breakpoints.c"), numbers)
    )


@lookup_c.register
def _(table: PolynomialTable, symbol: str) -> LookupC:
    return (
        _along(table, table.low_code)
        + _horner(table.polynomial, table.low_code, table.entry_bits)
        + LookupC(("lookup_polynomial.c",), {"read_coefficient": f"{symbol.upper()}_READ({symbol}_entries, "})
    )


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
    return {"below": _read(symbol, "knot"), "above": _read(symbol, f"knot + {step}")}


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
    values = [(value + 2**15) % 2**16 - 2**15 for value in polynomial.coefficients]
    numbers: dict[str, object] = {"coefficients": ", ".join(map(str, values)), "coefficient_count": len(values)}
    return LookupC(("words.c", "coefficients.c"), numbers)


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


def _number_lines(numbers: Iterable[int]) -> str:
    texts = [f"{number}u" for number in numbers]
    rows = [", ".join(texts[start : start + NUMBERS_A_LINE]) for start in range(0, len(texts), NUMBERS_A_LINE)]
    return ",\n".join(f"    {row}" for row in rows)
