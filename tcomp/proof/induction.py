"""The filter's C equals its specification for every state and every code: shown by induction, with an SMT solver.

The text of the C is carried out on symbols, and so is the specification itself, in integers whose bounds show that none of
them overflows. Of every path through both the solver shows: from a state within the bounds, one update ends in the same
state and the same offset, within the bounds again, and nothing that C leaves open is reached. The start is within the
bounds; so all that follows is.  Three things are proven apart and stand as unknown functions in the rest: the pole, the
way from code to code, and the loop, each a product.  The lookup is any function whose values and whose rises from code
to code are the table's: it is compared at every code in the proof of the table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields
from functools import partial
from typing import Any

import z3

from tcomp.firmware.exporters.c99 import code_type
from tcomp.proof.c_symbols import TYPES, Paths, Pointer, Program, Type, Value, parsed
from tcomp.tables.follow import LARGEST_PART, PART_LOG2, FollowFilter, State

CODE_BITS, WORD_BITS = 16, 32
WORD = Type(WORD_BITS, signed=False)
SOLVING_MS = 60_000
Fault = tuple[str, Any]
"""What must never be, and the condition under which it is."""


BROAD_BITS = 48
"""Bits in which two unknowns are multiplied."""


class Whole:
    """An integer of the specification, as a symbol with bounds, which show that no sum or product of it overflows its bits.

    Raises
    ------
    OverflowError
        They do not.
    """

    __hash__ = None  # type: ignore[assignment]

    def __init__(self, bits: Any, paths: Paths, low: int, high: int) -> None:
        self.bits, self.paths, self.low, self.high = bits, paths, low, high
        half = 1 << (bits.size() - 1)
        if not -half <= low <= high < half:
            raise OverflowError(f"an integer of the specification may be {low} to {high}")

    def _with(self, other: int | Whole) -> tuple[Any, int, int]:
        if isinstance(other, int):
            return z3.BitVecVal(other, self.bits.size()), other, other
        return other.bits, other.low, other.high

    def __add__(self, other: int | Whole) -> Whole:
        bits, low, high = self._with(other)
        if bits.size() > self.bits.size():
            return Whole(_signed(self.bits, bits.size()) + bits, self.paths, self.low + low, self.high + high)
        return Whole(self.bits + bits, self.paths, self.low + low, self.high + high)

    __radd__ = __add__

    def __sub__(self, other: int | Whole) -> Whole:
        bits, low, high = self._with(other)
        return Whole(self.bits - bits, self.paths, self.low - high, self.high - low)

    def __rsub__(self, other: int) -> Whole:
        return Whole(z3.BitVecVal(other, self.bits.size()) - self.bits, self.paths, other - self.high, other - self.low)

    def __mul__(self, other: int | Whole) -> Whole:
        bits, low, high = self._with(other)
        ends = [one * two for one in (self.low, self.high) for two in (low, high)]
        return Whole(self.bits * bits, self.paths, min(ends), max(ends))

    __rmul__ = __mul__

    def __and__(self, other: int) -> Whole:
        return Whole(self.bits & other, self.paths, 0, other)

    def __lshift__(self, by: int) -> Whole:
        return Whole(self.bits << by, self.paths, self.low << by, self.high << by)

    def __rshift__(self, by: int) -> Whole:
        return Whole(self.bits >> by, self.paths, self.low >> by, self.high >> by)

    def __lt__(self, other: int | Whole) -> bool:
        bits, low, high = self._with(other)
        less = self.paths.decide(self.bits < bits)
        # What a path has decided holds on all that is left of it.
        self.low, self.high = (self.low, min(self.high, high - 1)) if less else (max(self.low, low), self.high)
        return less

    def __gt__(self, other: int | Whole) -> bool:
        bits, low, high = self._with(other)
        more = self.paths.decide(self.bits > bits)
        self.low, self.high = (max(self.low, low + 1), self.high) if more else (self.low, min(self.high, high))
        return more

    def __ne__(self, other: object) -> bool:
        return self.paths.decide(self.bits != other)


def _unknown(name: str, arguments: int) -> Any:
    return z3.Function(name, *[z3.BitVecSort(WORD_BITS)] * (arguments + 1))


POLE_FINE, POLE_REST = _unknown("pole fine", 4), _unknown("pole rest", 4)
BETWEEN, LOOP = _unknown("between", 3), _unknown("loop", 2)


def _any(word: Any, paths: Paths) -> Whole:
    """32 bits of any value."""
    half = 1 << (WORD_BITS - 1)
    return Whole(_signed(word, BROAD_BITS), paths, -half, half - 1)


def _between(below: Any, above: Any, part: Any) -> Any:
    """Any function that does not depend on what is above where no part of the way is gone, as 0 times anything is 0."""
    return BETWEEN(below, z3.If(part == 0, below, above), part)


@dataclass(frozen=True, kw_only=True)
class _Abstract(FollowFilter):
    """The specification with unknown functions in place of its products."""

    paths: Paths = field(default_factory=lambda: Paths([]))

    def pole(self, fine: Any, rest: Any, target: Any, part: int) -> Any:
        """Any function of the same arguments."""
        words = [_whole(one) for one in (fine, rest, target, part)]
        now, left = POLE_FINE(*words), POLE_REST(*words)
        return Whole(now, self.paths, 0, self.top), Whole(left, self.paths, 0, LARGEST_PART)

    def between_ppt(self, below: Any, above: Any, part: Any) -> Any:
        """Any function of the same arguments."""
        return _any(_between(*(_whole(one) for one in (below, above, part))), self.paths)

    def loop_ppt(self, position: Any, weight: int) -> Any:
        """Any function of the same arguments."""
        return _any(LOOP(_whole(position), _whole(weight)), self.paths)

    def offset_bits(self, state: State, lookup: Any) -> Any:
        """The offset, whose sum the filter's own check has shown to fit 32 bits."""
        found: Any = self.offset_ppt(state, lookup)
        return z3.Extract(WORD_BITS - 1, 0, found.bits)


def induction_faults(sources: dict[str, str], follow: FollowFilter, symbol: str, int_bits: int = 32) -> tuple[str, ...]:
    """What the solver finds against the filter's C, each in words with the values at which it happens; empty: it holds.

    Parameters
    ----------
    sources : dict of str to str
        What :func:`tcomp.firmware.c_source` gave with this filter, by file name.
    follow : FollowFilter
        The specification.
    symbol : str
        The symbol that the sources were written with.
    int_bits : {16, 32}
        Width of an int on the target.
    """
    table, upper = follow.table, symbol.upper()
    macros = {
        f"{upper}_LOW_CODE": f"({table.low_code})",
        f"{upper}_HIGH_CODE": f"({table.high_code})",
        f"{upper}_FINE_PER_CODE": f"({1 << follow.fine_bits})",
        f"{upper}_UNIT_PPT": f"({1 << table.unit_log2_ppt})",
    }
    functions, members = parsed(sources[f"{symbol}_follow.h"], sources[f"{symbol}_follow.c"], macros)
    step = _Step(follow, symbol, functions, members, int_bits)
    return (*step.faults(), *settling_faults(follow))


@dataclass(frozen=True)
class _Step:
    follow: FollowFilter
    symbol: str
    functions: dict[str, Any]
    members: dict[str, Type]
    int_bits: int

    def faults(self) -> Iterator[str]:
        """Of the products, then of each function of the interface."""
        of = self.follow
        for number, stage in enumerate(of.stages):
            yield from self._faults(f"pole of stage {number}", partial(self._pole, part=stage.part))
        for part in range(1 << of.fine_bits) if of.way_bits is None else ():
            yield from self._faults(f"between at {part}", partial(self._between, part=part))
        if of.loop is not None:
            yield from self._faults("loop", self._loop)
        yield from self._faults("start", self._start)
        yield from self._faults("offset_ppt", self._update)
        yield from self._faults("missed_ppt", self._missed)
        yield from self._faults("fine_code", self._fine)

    def _faults(self, name: str, run: Callable[[Paths], list[Fault]]) -> Iterator[str]:
        within = self._within(self._symbols())
        paths = Paths(within)
        found: list[Fault] = []

        def once() -> None:
            found[:] = run(paths)

        for _ in paths.each(once):
            solver = z3.SolverFor("QF_UFBV")
            solver.set("timeout", SOLVING_MS)
            left = [(what, condition) for what, condition in found if not z3.is_false(z3.simplify(condition))]
            answer = solver.check(*within, *paths.conditions, z3.Or(*(condition for _, condition in left)))
            if answer != z3.unsat:
                yield f"{self.symbol}_follow_{name}: {_where(solver.model(), left) if answer == z3.sat else 'the solver gave up'}"
                return

    # --- symbols and bounds

    def _symbols(self, mark: str = "") -> dict[str, Any]:
        count = len(self.follow.stages)
        names = {"along": 16, "slot": 16, "code": CODE_BITS}
        names |= {f"fine{place}": 32 for place in range(count)} | {f"rest{place}": 16 for place in range(count)}
        return {name: z3.BitVec(name + mark, bits) for name, bits in names.items()}

    def _within(self, of: dict[str, Any]) -> list[Any]:
        """The bounds of a state, whose induction this is."""
        follow = self.follow
        bounds = [z3.ULE(of["along"], follow.span)]
        if follow.loop is not None:
            bounds.append(z3.ULE(of["slot"], follow.span << follow.slot_bits))
        return bounds + [z3.ULE(of[f"fine{place}"], follow.top) for place in range(len(follow.stages))]

    def _memory(self, mark: str = "") -> dict[str, Any]:
        """The structure, as C sees it."""
        of, count = self._symbols(mark), len(self.follow.stages)
        return {
            "along": of["along"],
            "slot": of["slot"],
            "fine": [of[f"fine{place}"] for place in range(count)],
            "rest": [of[f"rest{place}"] for place in range(count)],
        }

    def _state(self, paths: Paths, mark: str = "") -> State:
        """The same, as the specification sees it."""
        of, count = self._symbols(mark), len(self.follow.stages)
        tops = {"along": self.follow.span, "slot": self.follow.span << self.follow.slot_bits}
        tops |= {name: self.follow.top for name in of if name.startswith("fine")}
        whole = {
            name: Whole(_wide(bits), paths, 0, tops.get(name, (1 << bits.size()) - 1)) for name, bits in of.items()
        }
        fine, rest = (tuple(whole[f"{name}{place}"] for place in range(count)) for name in ("fine", "rest"))
        return State(whole["along"], fine, rest, whole["slot"])  # type: ignore[arg-type]  # symbols for integers

    def _code(self, paths: Paths) -> tuple[Value, Any]:
        of = TYPES[code_type(self.follow.table)]
        bits, scale = self._symbols()["code"], self.follow.table.scale
        extended = _signed(bits) if of.signed else _wide(bits)
        return Value(bits, of), Whole(extended, paths, scale.least_code, scale.largest_code)

    def _abstract(self, paths: Paths) -> _Abstract:
        own = {one.name: getattr(self.follow, one.name) for one in fields(FollowFilter)}
        return _Abstract(**own, paths=paths)

    # --- what is not carried out

    def _lookup(self) -> Any:
        return z3.Function("lookup", z3.BitVecSort(CODE_BITS), z3.BitVecSort(self.follow.table.value_bits))

    def _read(self, paths: Paths) -> Callable[[Any], Any]:
        """The lookup for the specification."""
        lookup, table = self._lookup(), self.follow.table

        def read(along: Any) -> Any:
            # Where the lookup reads between codes, it is asked in parts of codes along the range.
            first = table.low_code if self.follow.way_bits is None else 0
            code = z3.Extract(CODE_BITS - 1, 0, _whole(along) + first)
            half = 1 << (table.value_bits - 1)
            return Whole(_signed(lookup(code)), paths, -half, half - 1)

        return read

    def _bare(self, paths: Paths) -> Program:
        """The C with nothing left out."""
        return Program(self.functions, self.members, self.int_bits, paths, {})

    def _program(self, paths: Paths) -> Program:
        """The C with the lookup and the products as unknown functions."""
        lookup, bits, name = self._lookup(), self.follow.table.value_bits, self.symbol
        program = self._bare(paths)

        def pole(fine: Value, rest: Pointer, target: Value, part: Value) -> Value:
            kept = rest.to.read()
            given = [program.converted(one, WORD).bits for one in (fine, kept, target, part)]
            # What is proven of the pole is proven of targets within the range.
            program.never("a target beyond the range", z3.UGT(given[2], self.follow.top))
            moved = z3.And(z3.ULE(POLE_FINE(*given), self.follow.top), z3.ULE(POLE_REST(*given), LARGEST_PART))
            paths.conditions.append(moved)
            rest.to.write(Value(z3.Extract(15, 0, POLE_REST(*given)), kept.type))
            return Value(POLE_FINE(*given), WORD)

        def function(of: Any) -> Callable[..., Value]:
            return lambda *given: Value(of(*(program.converted(one, WORD).bits for one in given)), WORD)

        program.known |= {
            f"{name}_lookup_between": lambda place: Value(lookup(place.bits), Type(bits, signed=True)),
            f"{name}_lookup": lambda code: Value(lookup(code.bits), Type(bits, signed=True)),
            f"{name}_follow_pole": pole,
            f"{name}_follow_between": function(_between),
            f"{name}_follow_loop": function(LOOP),
        }
        return program

    # --- the products

    def _pole(self, paths: Paths, part: int) -> list[Fault]:
        of, program, target = self._symbols(), self._bare(paths), z3.BitVec("target", WORD_BITS)
        fine, rest = z3.BitVec("fine", WORD_BITS), z3.BitVec("rest", 16)
        paths.conditions += [z3.ULE(one, self.follow.top) for one in (fine, target)]
        held = {"rest": [rest], "along": of["along"]}
        got = program.call(
            f"{self.symbol}_follow_pole",
            Value(fine, WORD),
            Pointer.to_item(held["rest"], 0, Type(16, signed=False)),
            Value(target, WORD),
            Value(z3.BitVecVal(part, 16), Type(16, signed=False)),
        )
        tops = (self.follow.top, LARGEST_PART, self.follow.top)
        whole: list[Any] = [
            Whole(_wide(bits), paths, 0, top) for bits, top in zip((fine, rest, target), tops, strict=True)
        ]
        now, left = self.follow.pole(whole[0], whole[1], whole[2], part)
        return [
            *program.wrong,
            ("another state", _wide(got.bits) != _whole(now)),
            ("another rest", _wide(held["rest"][0]) != _whole(left)),
            ("a state beyond its bounds", z3.UGT(got.bits, self.follow.top)),
        ]

    def _between(self, paths: Paths, part: int) -> list[Fault]:
        """At one part of the way: a product with a number is within a solver's reach, one of two unknowns is not."""
        table, rise, program = self.follow.table, self.follow.largest_rise, self._bare(paths)
        values = self.follow.table.lookup(table.codes)
        below, above = (z3.BitVec(name, table.value_bits) for name in ("below", "above"))
        low, high = int(values.min()), int(values.max())
        whole: list[Any] = [Whole(_signed(one, BROAD_BITS), paths, low, high) for one in (below, above)]
        paths.conditions += [z3.And(one.bits >= low, one.bits <= high) for one in whole]
        apart = whole[1].bits - whole[0].bits
        paths.conditions.append(z3.And(apart >= -rise, apart <= rise))
        words = (_signed(below), _signed(above), z3.BitVecVal(part, WORD_BITS))
        got = program.call(f"{self.symbol}_follow_between", *(Value(one, WORD) for one in words))
        expected: Any = self.follow.between_ppt(whole[0], whole[1], part)
        return [*program.wrong, ("another offset", _signed(got.bits, BROAD_BITS) != expected.bits)]

    def _loop(self, paths: Paths) -> list[Fault]:
        loop, program, position = self.follow.loop, self._bare(paths), z3.BitVec("position", WORD_BITS)
        assert loop is not None
        paths.conditions.append(z3.And(position >= -loop.half, position <= loop.half))
        weight = z3.BitVecVal(loop.weight, WORD_BITS)
        got = program.call(f"{self.symbol}_follow_loop", Value(position, WORD), Value(weight, WORD))
        expected: Any = self.follow.loop_ppt(Whole(position, paths, -loop.half, loop.half), loop.weight)  # type: ignore[arg-type]
        return [*program.wrong, ("another offset", _signed(got.bits) != expected.bits)]

    # --- the functions

    def _start(self, paths: Paths) -> list[Fault]:
        program, memory = self._program(paths), self._memory()
        code, whole = self._code(paths)
        program.call(f"{self.symbol}_follow_start", memory, code)
        return self._same(program, memory, self.follow.start(whole))

    def _update(self, paths: Paths) -> list[Fault]:
        code, whole = self._code(paths)
        return self._moving(paths, "offset_ppt", code, lambda of: of.updated(self._state(paths), whole))

    def _missed(self, paths: Paths) -> list[Fault]:
        """One update without a code: more of them are the same again, from a state within the bounds."""
        once = Value(z3.BitVecVal(1, 16), Type(16, signed=False))
        return self._moving(paths, "missed_ppt", once, lambda of: of.missed(self._state(paths)))

    def _moving(self, paths: Paths, name: str, argument: Value, moved: Callable[[FollowFilter], State]) -> list[Fault]:
        """A function that moves the state and then reads it.

        Where the C begins to read, its state is held against the specification's; from there on any state within the bounds
        stands for both.
        """
        program, memory, abstract = self._program(paths), self._memory(), self._abstract(paths)
        reader = f"{self.symbol}_follow_read"
        found: list[Fault] = []

        def compared(_: Any) -> Value:
            # The last of the calls is the one whose answer counts.
            found[:] = self._same(program, memory, moved(abstract))
            read = program.known.pop(reader)
            try:
                return self._program_read(program, reader)
            finally:
                program.known[reader] = read

        program.known[reader] = compared
        got = program.call(f"{self.symbol}_follow_{name}", memory, argument)
        if not found:
            return [("a state that is not read", z3.BoolVal(val=True))]
        paths.conditions.extend(self._within(self._symbols("'")))
        expected = abstract.offset_bits(self._state(paths, "'"), self._read(paths))
        return [*found, *program.wrong, ("another offset", got.bits != expected)]

    def _program_read(self, program: Program, reader: str) -> Value:
        """What the C reads from any state."""
        found: Value = program.call(reader, self._memory("'"))
        return found

    def _fine(self, paths: Paths) -> list[Fault]:
        program, memory = self._program(paths), self._memory()
        got = program.call(f"{self.symbol}_follow_fine_code", memory)
        expected: Any = self.follow.fine_code(self._state(paths))
        return [*program.wrong, ("another fine code", _signed(got.bits) != _whole(expected))]

    def _same(self, program: Program, memory: dict[str, Any], state: State) -> list[Fault]:
        """What must never be: what C leaves open, another state, a state beyond the bounds."""
        found = {"along": memory["along"]} | ({} if self.follow.loop is None else {"slot": memory["slot"]})
        whole = {"along": state.along} | ({} if self.follow.loop is None else {"slot": state.slot})
        for name in ("fine", "rest"):
            found |= {f"{name}{place}": bits for place, bits in enumerate(memory[name])}
            whole |= {f"{name}{place}": one for place, one in enumerate(getattr(state, name))}
        differs = [(f"another {name}", _wide(bits) != _whole(whole[name])) for name, bits in found.items()]
        beyond = z3.Not(z3.And(*self._within(self._symbols() | found)))
        return [*program.wrong, *differs, ("a state beyond its bounds", beyond)]


def _where(model: Any, faults: list[Fault]) -> str:
    """Which of the faults there are, and at which values."""
    true = (what for what, condition in faults if z3.is_true(model.eval(condition, model_completion=True)))
    return f"{', '.join(true)} at {model}"


def _wide(bits: Any) -> Any:
    return z3.ZeroExt(WORD_BITS - bits.size(), bits)


def _signed(bits: Any, to_bits: int = WORD_BITS) -> Any:
    return z3.SignExt(to_bits - bits.size(), bits)


def _whole(value: Any) -> Any:
    return value.bits if isinstance(value, Whole) else z3.BitVecVal(value, WORD_BITS)


def settling_faults(follow: FollowFilter) -> tuple[str, ...]:
    """Whether each stage comes to rest on a constant target: nearer at every update, never past it, at rest only on it."""
    found = []
    for number, stage in enumerate(follow.stages):
        fine, rest, target, steps, left = z3.Ints("fine rest target steps left")
        # The shift to the right, as a division with its remainder.
        shifted = (target - fine) * stage.part + rest == steps * (1 << PART_LOG2) + left
        now = fine + steps
        before, after = fine * (1 << PART_LOG2) + rest, now * (1 << PART_LOG2) + left
        within = [z3.And(one >= 0, one <= follow.top) for one in (fine, target)]
        within += [z3.And(one >= 0, one <= LARGEST_PART) for one in (rest, left)]
        wrong = z3.Or(
            z3.And(target > fine, z3.Or(after <= before, now > target)),
            z3.And(target < fine, z3.Or(after >= before, now < target)),
            z3.And(target == fine, after != before),
        )
        solver = z3.Solver()
        solver.set("timeout", SOLVING_MS)
        if solver.check(shifted, *within, wrong) != z3.unsat:
            found.append(f"stage {number} does not settle on a constant code")
    return tuple(found)
