"""The lookup of a table as a few integer statements, which each language spells in its own way.

A statement gives a value a name.  While the statements are built, they are carried out at every code that the firmware's
type holds: so the largest number on the way is known, products too wide for the asked limit are formed in two parts, and
a lookup that differs from the specification anywhere is refused before a line of it is written.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import reduce, singledispatch

import numpy as np

from tcomp.arrays import IntArray
from tcomp.errors import FirmwareError
from tcomp.firmware.integer_statements import (
    INT32_LIMIT,
    Choice,
    Entry,
    Expression,
    Held,
    IntegerLookup,
    Let,
    Name,
    Number,
    Operation,
    Statement,
    asked_names,
    names_in,
)
from tcomp.tables.coefficients import ARGUMENT_BITS
from tcomp.tables.layout import PART_BITS, CorrectionTable, Layout
from tcomp.tables.layouts.chebyshev import ChebyshevLayout
from tcomp.tables.layouts.even import EvenLayout
from tcomp.tables.layouts.patches import PatchLayout
from tcomp.tables.layouts.polynomial import Polynomial, PolynomialLayout
from tcomp.tables.layouts.segments import SegmentLayout
from tcomp.tables.layouts.steps import StepLayout

SMALL_LIMIT = 2**30
"""What Python for microcontrollers keeps in a word of 32 bits, without memory of its own: -2**30 to 2**30 - 1."""
HALF_BITS = 8
"""A product too wide is formed from the upper bits of one factor, and from its lower 8."""

OPERATIONS: dict[str, Callable[[IntArray, IntArray], IntArray]] = {
    "+": np.add, "-": np.subtract, "*": np.multiply, ">>": np.right_shift, "&": np.bitwise_and,
}  # fmt: skip


@dataclass
class _Builder:
    """Statements so far, what each name is at every code, and the largest number on the way."""

    table: CorrectionTable
    limit: int
    statements: list[Statement] = field(default_factory=list)
    values: dict[str, IntArray] = field(default_factory=dict)
    largest: int = 0

    def __post_init__(self) -> None:
        self.values["code"] = self.table.all_codes

    def let(self, name: str, value: Expression) -> Name:
        self.statements.append(Let(name, value))
        return self._named(name, self.carried_out(value))

    def held(self, name: str, value: Expression, least: int | None, largest: int | None) -> Name:
        """The value, held where it leaves its bounds; where it cannot leave one, nothing is asked."""
        found = self.carried_out(value)
        least = least if least is not None and found.min() < least else None
        largest = largest if largest is not None and found.max() > largest else None
        if least is None and largest is None:
            return self.let(name, value)
        if least == largest:
            return self.let(name, Number(largest or 0))
        self.statements.append(Held(name, value, least, largest))
        return self._named(name, np.clip(found, least, largest))

    def choice(
        self, names: tuple[str, ...], value: Name, bounds: tuple[int, ...], cases: tuple[tuple[Expression, ...], ...]
    ) -> tuple[Name, ...]:
        self.statements.append(Choice(names, value, bounds, cases))
        which = np.searchsorted(bounds, self.values[value.text], side="right")
        for name, *ways in zip(names, *cases, strict=True):
            self._named(name, np.choose(which, [self.carried_out(way) for way in ways]))
        return tuple(map(Name, names))

    def scaled(self, value: Name, factor: Name, bits: int) -> Expression:
        """value * factor / 2**bits, rounded to nearest, ties upwards; in two parts where the product is too wide.

        With factor = 2**8 * h + l the product over 2**bits is (value * h + (value * l + half) / 2**8) / 2**(bits - 8), and
        rounding down twice is rounding down once.
        """
        half = 1 << bits >> 1
        whole = value * factor + half
        widest = np.abs(self.values[value.text] * self.values[factor.text]).max() + half
        if widest < self.limit or bits <= HALF_BITS:
            return whole >> bits
        low = value * (factor & (1 << HALF_BITS) - 1) + half >> HALF_BITS
        return value * (factor >> HALF_BITS) + low >> bits - HALF_BITS

    def carried_out(self, value: Expression) -> IntArray:
        """What an expression is at every code."""
        match value:
            case Number():
                found = np.array([value.value], dtype=np.int64)
            case Name():
                return self.values[value.text]
            case Entry():
                found = np.array(self.table.entries, dtype=np.int64)[self.carried_out(value.place)]
            case Operation():
                found = OPERATIONS[value.sign](self.carried_out(value.left), self.carried_out(value.right))
            case _:
                raise TypeError(value)
        self.largest = max(self.largest, int(np.abs(found).max()))
        return found

    def _named(self, name: str, values: IntArray) -> Name:
        self.values[name] = values
        self.largest = max(self.largest, int(np.abs(values).max()))
        return Name(name)


def integer_lookup(table: CorrectionTable, limit: int = INT32_LIMIT) -> IntegerLookup:
    """Say the lookup of a table in integer statements.

    Parameters
    ----------
    table : CorrectionTable
    limit : int
        Products are formed in two parts where they would reach it.

    Raises
    ------
    FirmwareError
        No statements read a table of this layout, or they differ from the specification.

    Examples
    --------
    >>> from tcomp.tables.code_scale import TemperatureScale
    >>> table = CorrectionTable(
    ...     layout=StepLayout(count=3, first_code=0, step_log2=8, interpolation="linear"),
    ...     scale=TemperatureScale(100), low_code=0, high_code=500, entry_bits=16, unit_log2_ppt=4,
    ...     entries=(-100, 0, 300), max_error_ppb=1.0, rms_error_ppb=0.5)
    >>> found = integer_lookup(table)
    >>> [statement.name for statement in found.statements]
    ['held', 'place', 'part', 'before', 'rise']
    >>> found.largest, found.bits
    (73328, 32)
    """
    builder = _Builder(table, limit)
    held = builder.held("held", Name("code"), table.low_code, table.high_code)
    result = _result(table.layout, builder, held)
    if np.any(builder.carried_out(result) != table.lookup(table.all_codes)):
        raise FirmwareError(f'the statements for a table of the form "{table.form}" differ from its specification')
    return IntegerLookup(statements=_needed(builder.statements, result), result=result, largest=builder.largest)


def _needed(statements: list[Statement], result: Expression) -> tuple[Statement, ...]:
    """Those that the result depends on: a polynomial of degree 0 asks for no code."""
    names, kept = names_in(result), list[Statement]()
    for statement in reversed(statements):
        if names.intersection(statement.names if isinstance(statement, Choice) else (statement.name,)):
            kept.append(statement)
            names |= asked_names(statement)
    return tuple(reversed(kept))


@singledispatch
def _result(layout: Layout, builder: _Builder, held: Name) -> Expression:
    raise FirmwareError(
        f'only C reads a table of the form "{layout.form}"; leave the other languages out of [firmware] formats'
    )


@_result.register
def _(layout: StepLayout, builder: _Builder, held: Name) -> Expression:
    along = held - layout.origin_code
    place = builder.let("place", along >> layout.step_log2)
    if layout.interpolation == "nearest" or layout.step_log2 == 0 or layout.count == 1:
        return Entry(place)
    part = builder.let("part", along & layout.step - 1)
    return _line(builder, place, part, layout.step_log2)


@_result.register
def _(layout: SegmentLayout, builder: _Builder, held: Name) -> Expression:
    origin, ends = layout.starts[0], layout.starts[1:]
    along = builder.let("along", held - origin)
    cases = []
    for start, step_log2, first in zip(layout.starts, layout.step_log2s, layout.first_knots, strict=True):
        since = along - (start - origin)
        way = (since & (1 << step_log2) - 1) * (1 << PART_BITS - step_log2)
        cases.append(((since >> step_log2) + first, way))
    if not ends:
        place, part = (builder.let(name, value) for name, value in zip(("place", "part"), cases[0], strict=True))
    else:
        place, part = builder.choice(("place", "part"), along, tuple(end - origin for end in ends), tuple(cases))
    return _line(builder, place, part, PART_BITS)


@_result.register
def _(layout: EvenLayout, builder: _Builder, held: Name) -> Expression:
    along = builder.let("along", held - layout.first_code)
    place, part = _position(layout, builder, along)
    if layout.interpolation == "nearest":
        value: Expression = Entry(place)
    elif layout.interpolation == "linear":
        value = _line(builder, place, builder.let("part", part), PART_BITS)
    else:
        value = _parabola(builder, place, builder.let("way", part - (1 << PART_BITS - 1)))
    if layout.polynomial is None:
        return value
    coefficients = [Number(coefficient) for coefficient in layout.polynomial.coefficients]
    return builder.let("residual", value) + _horner(builder, held, layout.polynomial, coefficients)


@_result.register
def _(layout: PolynomialLayout, builder: _Builder, held: Name) -> Expression:
    entries = [Entry(Number(place)) for place in range(layout.count)]
    return _horner(builder, held, layout.polynomial(builder.table.entries), entries)


@_result.register
def _(layout: ChebyshevLayout, builder: _Builder, held: Name) -> Expression:
    return _chebyshev(builder, held, layout, [Entry(Number(place)) for place in range(layout.count)])


@_result.register
def _(layout: PatchLayout, builder: _Builder, held: Name) -> Expression:
    smooth = builder.let("smooth", _chebyshev(builder, held, layout.smooth, [Number(one) for one in layout.factors]))
    low_code = builder.table.low_code
    along = builder.let("along", held - low_code)
    bounds: list[int] = []
    # What lies in no patch reads the first entry, none of it.
    nowhere: tuple[Expression, ...] = (Number(0),) * 4
    cases = [nowhere]
    each = zip(layout.starts, layout.ends, layout.codes_to_index_q16s, layout.first_entries, strict=True)
    for start, end, factor, first in each:
        bounds += [start - low_code, end + 1 - low_code]
        cases += [(Number(1), along - (start - low_code), Number(factor), Number(first)), nowhere]
    names = ("added", "since", "step", "first")
    added, since, step, first_entry = builder.choice(names, along, tuple(bounds), tuple(cases))
    position = builder.let("position", since * step)
    place = builder.let("place", first_entry + (position >> PART_BITS))
    before = builder.let("before", Entry(place))
    rise = builder.let("rise", Entry(place + 1) - before)
    part = builder.let("part", position & (1 << PART_BITS) - 1)
    line = before * (1 << layout.entry_shift) + builder.scaled(rise, part, PART_BITS - layout.entry_shift)
    return smooth + builder.let("dip", line) * added


def _chebyshev(
    builder: _Builder, held: Name, layout: ChebyshevLayout, factors: list[Number] | list[Entry]
) -> Expression:
    """Factors times Chebyshev's polynomials; each factor's product in an upper and a lower part where all are too wide."""
    x = builder.let("x", (held - layout.middle_code) * layout.codes_to_x)
    found = [builder.let("t0", Number(layout.t0))]
    found.append(
        x if layout.t0 == 1 << ARGUMENT_BITS else builder.let("t1", builder.scaled(found[0], x, ARGUMENT_BITS))
    )
    for power in range(2, layout.count + 1):
        next_one = builder.scaled(found[-1], x, ARGUMENT_BITS - 1) - found[-2]
        found.append(builder.let(f"t{power}", next_one))
    bits = ARGUMENT_BITS - layout.fine_bits
    half, low = 1 << bits >> 1, (1 << HALF_BITS) - 1
    terms = [pair for pair in zip(found[1:], factors, strict=True) if pair[1] != Number(0)]
    if not terms:
        return Number(layout.base)
    if builder.limit > SMALL_LIMIT:
        whole = builder.let("total", _sum([one * factor for one, factor in terms]) + half)
        return (whole >> bits) + layout.base
    fine = _sum([(one & low) * factor for one, factor in terms]) + half
    coarse = _sum([(one >> HALF_BITS) * factor for one, factor in terms])
    if bits <= HALF_BITS:
        return (
            builder.let("coarse", coarse) * (1 << HALF_BITS - bits) + (builder.let("fine", fine) >> bits) + layout.base
        )
    rounded = builder.let("fine", fine >> HALF_BITS)
    return (builder.let("coarse", coarse + rounded) >> bits - HALF_BITS) + layout.base


def _sum(terms: list[Expression]) -> Expression:
    return reduce(Expression.__add__, terms)


def _position(layout: EvenLayout, builder: _Builder, along: Name) -> tuple[Name, Expression]:
    """The interval, and the way along it in 2**-16."""
    factor = layout.codes_to_index_q16
    if builder.values[along.text].max() * factor < builder.limit:
        position = builder.let("position", along * factor)
        return builder.let("place", position >> PART_BITS), position & (1 << PART_BITS) - 1
    # In two parts: what the factor's upper bits give in 2**-8 intervals, and the rest in 2**-16.
    coarse = builder.let("coarse", along * (factor >> HALF_BITS))
    low = (1 << HALF_BITS) - 1
    fine = builder.let("fine", (coarse & low) * (1 << HALF_BITS) + along * (factor & low))
    return builder.let("place", (coarse >> HALF_BITS) + (fine >> PART_BITS)), fine & (1 << PART_BITS) - 1


def _line(builder: _Builder, place: Name, part: Name, bits: int) -> Expression:
    """The straight line between two entries; the last entry has none above it, and needs none."""
    before = builder.let("before", Entry(place))
    above = (
        builder.held("above", place + 1, None, len(builder.table.entries) - 1) if _ends(builder, place) else place + 1
    )
    rise = builder.let("rise", Entry(above) - before)
    return before + builder.scaled(rise, part, bits)


def _ends(builder: _Builder, place: Name) -> bool:
    return bool(builder.values[place.text].max() + 1 >= len(builder.table.entries))


def _parabola(builder: _Builder, place: Name, way: Name) -> Expression:
    """The parabola through three entries, the middle one half a way along."""
    before, at = builder.let("before", Entry(place)), builder.let("at", Entry(place + 1))
    after = builder.let("after", Entry(place + 2))
    bend = builder.let("bend", before - at * 2 + after)
    slope = builder.let("slope", after - before + builder.scaled(bend, way, PART_BITS))
    return at + builder.scaled(slope, way, PART_BITS + 1)


def _horner(
    builder: _Builder, held: Name, polynomial: Polynomial, coefficients: list[Number] | list[Entry]
) -> Expression:
    """The polynomial, highest power first."""
    if len(coefficients) == 1:
        return coefficients[0]
    x = builder.let("x", (held - polynomial.middle_code) * (1 << polynomial.shift))
    total = builder.let(f"sum{polynomial.degree}", coefficients[-1])
    for power in range(polynomial.degree - 1, -1, -1):
        total = builder.let(f"sum{power}", builder.scaled(total, x, ARGUMENT_BITS) + _plain(coefficients[power]))
    return total


def _plain(value: Number | Entry) -> Expression | int:
    return value.value if isinstance(value, Number) else value
