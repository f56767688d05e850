"""Generated C carried out on symbols: every value a bit vector, every operation by the rules of C99 (6.3.1, 6.5).

Only the C that the filter is made of is known: integers of 16 and 32 bits, a structure, unions of two readings of the
same bits, functions, if, for and return.  What C leaves open or undefined becomes a condition that must be shown never to
hold: an overflow of a signed type, a shift too far or of a negative number to the right, a conversion to a signed type that
changes the value, and an index out of range.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import z3
from pycparser import c_ast, c_parser

WIDTHS = {"int8_t": 8, "int16_t": 16, "int32_t": 32}


@dataclass(frozen=True)
class Type:
    """An integer type."""

    bits: int
    signed: bool


TYPES = {name: Type(bits, signed=True) for name, bits in WIDTHS.items()}
TYPES |= {f"u{name}": Type(bits, signed=False) for name, bits in WIDTHS.items()}


@dataclass(frozen=True)
class Value:
    """Bits with their type."""

    bits: Any
    type: Type


class Paths:
    """Runs a function along every path that its conditions leave open."""

    def __init__(self, assumed: list[Any]) -> None:
        self._assumed = assumed
        self._decided: list[tuple[bool, bool]] = []
        self._place = 0
        self._solver = z3.Solver()
        self.conditions: list[Any] = []

    def decide(self, condition: Any) -> bool:
        """Which way this path takes."""
        simple = z3.simplify(condition)
        if z3.is_true(simple) or z3.is_false(simple):
            return bool(z3.is_true(simple))
        if self._place == len(self._decided):
            can = [self._can(one) for one in (condition, z3.Not(condition))]
            self._decided.append((can[0], all(can)))
        taken = self._decided[self._place][0]
        self._place += 1
        self.conditions.append(condition if taken else z3.Not(condition))
        return taken

    def _can(self, condition: Any) -> bool:
        return bool(self._solver.check(*self._assumed, *self.conditions, condition) != z3.unsat)

    def each(self, run: Callable[[], None]) -> Iterator[None]:
        """Run along each path; the generator rests at the end of each."""
        while True:
            self._place, self.conditions = 0, []
            run()
            yield
            while self._decided and not self._decided[-1][1]:
                self._decided.pop()
            if not self._decided:
                return
            self._decided[-1] = (False, False)


class Returned(Exception):  # noqa: N818 - not an error: how a function of C ends
    """A return statement, with its value."""

    def __init__(self, value: Value | None) -> None:
        self.value = value


@dataclass
class Place:
    """An object in memory: something that holds values, and under which name or number."""

    held: Any
    at: Any
    type: Type

    def read(self) -> Value:
        """The value there."""
        bits = self.held[self.at]
        return Value(bits, self.type)

    def write(self, value: Value) -> None:
        """Another value, of the same width."""
        self.held[self.at] = value.bits


@dataclass(frozen=True)
class Pointer:
    """The address of an object."""

    to: Place

    @classmethod
    def to_item(cls, held: Any, at: Any, of: Type) -> Pointer:
        """To an item of what is held."""
        return cls(Place(held, at, of))


@dataclass
class Program:
    """Functions of C, carried out on symbols.

    Parameters
    ----------
    functions : dict
        The parsed functions, by name.
    members : dict
        Types of the structure's members.
    int_bits : int
        Width of an int on the target.
    paths : Paths
    known : dict
        Functions that are not carried out but given, by name.
    """

    functions: dict[str, c_ast.FuncDef]
    members: dict[str, Type]
    int_bits: int
    paths: Paths
    known: dict[str, Callable[..., Value | None]]
    wrong: list[tuple[str, Any]] = field(default_factory=list)

    def never(self, what: str, condition: Any) -> None:
        """Note a condition that must not hold on this path."""
        self.wrong.append((what, z3.And(*self.paths.conditions, condition)))

    # --- types

    def promoted(self, value: Value) -> Value:
        """C99 6.3.1.1: what is narrower than int becomes int."""
        if value.type.bits >= self.int_bits:
            return value
        return self.converted(value, Type(self.int_bits, signed=True))

    def balanced(self, left: Value, right: Value) -> tuple[Value, Value]:
        """C99 6.3.1.8: the usual arithmetic conversions."""
        left, right = self.promoted(left), self.promoted(right)
        bits = max(left.type.bits, right.type.bits)
        widest = [one.type for one in (left, right) if one.type.bits == bits]
        common = Type(bits, signed=all(one.signed for one in widest))
        return self.converted(left, common), self.converted(right, common)

    def converted(self, value: Value, to: Type) -> Value:
        """C99 6.3.1.3; to a signed type that cannot hold the value it is left open."""
        bits, source = value.bits, value.type
        if to.bits > source.bits:
            extend = z3.SignExt if source.signed else z3.ZeroExt
            return Value(extend(to.bits - source.bits, bits), to)
        cut = z3.Extract(to.bits - 1, 0, bits) if to.bits < source.bits else bits
        if to.signed:
            if source.signed:
                back = z3.SignExt(source.bits - to.bits, cut) if to.bits < source.bits else cut
                changed = back != bits
            else:
                changed = z3.UGE(bits, 1 << (to.bits - 1))
            self.never("a conversion to a signed type changes the value", changed)
        return Value(cut, to)

    def truth(self, value: Value) -> Any:
        """Whether it is not 0."""
        return value.bits != 0

    # --- expressions

    def evaluated(self, node: Any, names: dict[str, Any]) -> Any:
        """The value of an expression."""
        return getattr(self, f"_{type(node).__name__.lower()}")(node, names)

    def _constant(self, node: c_ast.Constant, _: dict[str, Any]) -> Value:
        text = node.value.lower()
        number, unsigned = int(text.rstrip("ul"), 0), "u" in text
        for bits in (self.int_bits, 32):
            if number < 1 << (bits if unsigned else bits - 1):
                return Value(z3.BitVecVal(number, bits), Type(bits, signed=not unsigned))
        raise NotImplementedError(f"the constant {node.value}")

    def _id(self, node: c_ast.ID, names: dict[str, Any]) -> Any:
        held = names[node.name]
        return held.read() if isinstance(held, Place) else held

    def _cast(self, node: c_ast.Cast, names: dict[str, Any]) -> Value:
        found: Value = self.evaluated(node.expr, names)
        if node.to_type.type.type.names == ["void"]:
            return found
        return self.converted(found, _type(node.to_type))

    def _ternaryop(self, node: c_ast.TernaryOp, names: dict[str, Any]) -> Value:
        taken = self.paths.decide(self.truth(self.evaluated(node.cond, names)))
        found = self.evaluated(node.iftrue if taken else node.iffalse, names)
        reached = len(self.wrong)
        other = self.evaluated(node.iffalse if taken else node.iftrue, names)
        # Of the other branch only its type counts.
        del self.wrong[reached:]
        return self.balanced(found, other)[0]

    def _unaryop(self, node: c_ast.UnaryOp, names: dict[str, Any]) -> Any:
        if node.op == "&":
            return Pointer(self.place(node.expr, names))
        if node.op == "*":
            return self.place(node, names).read()
        if node.op == "-":
            value = self.promoted(self.evaluated(node.expr, names))
            self._signed_overflow(value.type, value.bits, lambda bits: -bits)
            return Value(-value.bits, value.type)
        if node.op == "p--":
            place = self.place(node.expr, names)
            place.write(Value(place.read().bits - 1, place.type))
            return place.read()
        raise NotImplementedError(f"the operator {node.op}")

    def _binaryop(self, node: c_ast.BinaryOp, names: dict[str, Any]) -> Value:
        left, right = self.evaluated(node.left, names), self.evaluated(node.right, names)
        if node.op in ("<<", ">>"):
            return self._shifted(node.op, self.promoted(left), self.promoted(right))
        left, right = self.balanced(left, right)
        a, b, signed = left.bits, right.bits, left.type.signed
        if node.op in ("<", ">", "<=", ">=", "==", "!="):
            return self._compared(node.op, a, b, signed=signed)
        calculated = {
            "+": lambda x, y: x + y,
            "-": lambda x, y: x - y,
            "*": lambda x, y: x * y,
            "&": lambda x, y: x & y,
        }
        operation = calculated[node.op]
        if signed and node.op != "&":
            width = left.type.bits
            exact = operation(z3.SignExt(width, a), z3.SignExt(width, b))  # type: ignore[no-untyped-call]
            self.never("a signed overflow", z3.SignExt(width, operation(a, b)) != exact)  # type: ignore[no-untyped-call]
        return Value(operation(a, b), left.type)  # type: ignore[no-untyped-call]

    def _compared(self, op: str, a: Any, b: Any, *, signed: bool) -> Value:
        unsigned = {"<": z3.ULT, ">": z3.UGT, "<=": z3.ULE, ">=": z3.UGE}
        if op in ("==", "!="):
            found = (a == b) if op == "==" else (a != b)
        elif signed:
            found = {"<": a < b, ">": a > b, "<=": a <= b, ">=": a >= b}[op]
        else:
            found = unsigned[op](a, b)
        one, none = z3.BitVecVal(1, self.int_bits), z3.BitVecVal(0, self.int_bits)
        return Value(z3.If(found, one, none), Type(self.int_bits, signed=True))

    def _shifted(self, op: str, left: Value, right: Value) -> Value:
        width = left.type.bits
        by = z3.Extract(width - 1, 0, z3.ZeroExt(width, right.bits))
        self.never("a shift by more than the width", z3.UGE(right.bits, width))
        if op == ">>":
            if left.type.signed:
                self.never("a shift of a negative number to the right", left.bits < 0)
            return Value(z3.LShR(left.bits, by), left.type)
        if left.type.signed:
            far = z3.SignExt(width, left.bits) << z3.ZeroExt(width, by)
            self.never("a signed overflow", z3.Or(left.bits < 0, z3.SignExt(width, left.bits << by) != far))
        return Value(left.bits << by, left.type)

    def _signed_overflow(self, of: Type, bits: Any, operation: Callable[[Any], Any]) -> None:
        if of.signed:
            exact = operation(z3.SignExt(of.bits, bits))
            self.never("a signed overflow", z3.SignExt(of.bits, operation(bits)) != exact)

    def _assignment(self, node: c_ast.Assignment, names: dict[str, Any]) -> Value:
        place = self.place(node.lvalue, names)
        value = self.converted(self.evaluated(node.rvalue, names), place.type)
        place.write(value)
        return value

    def _structref(self, node: c_ast.StructRef, names: dict[str, Any]) -> Any:
        return self.place(node, names).read()

    def _arrayref(self, node: c_ast.ArrayRef, names: dict[str, Any]) -> Any:
        return self.place(node, names).read()

    def _funccall(self, node: c_ast.FuncCall, names: dict[str, Any]) -> Any:
        arguments = [self.evaluated(one, names) for one in (node.args.exprs if node.args else [])]
        return self.call(node.name.name, *arguments)

    def place(self, node: Any, names: dict[str, Any]) -> Place:
        """The object that an expression names."""
        if isinstance(node, c_ast.ID):
            found: Place = names[node.name]
            return found
        if isinstance(node, c_ast.UnaryOp) and node.op == "*":
            pointer: Pointer = self.evaluated(node.expr, names)
            return pointer.to
        if isinstance(node, c_ast.ArrayRef):
            held, number = self._member(node.name, names), int(node.subscript.value)
            if number >= len(held):
                raise IndexError(f"{node.name.field.name}[{number}] of {len(held)}")
            return Place(held, number, self.members[node.name.field.name])
        if isinstance(node, c_ast.StructRef):
            held = names[node.name.name]
            name = node.field.name
            if "union" in held:  # two readings of the same bits
                return Place(held, "bits", held["union"][name])
            return Place(held, name, self.members[name])
        raise NotImplementedError(type(node).__name__)

    def _member(self, node: c_ast.StructRef, names: dict[str, Any]) -> Any:
        return names[node.name.name][node.field.name]

    # --- statements

    def call(self, name: str, *arguments: Any) -> Any:
        """Carry out a function; None where it returns nothing."""
        if name in self.known:
            return self.known[name](*arguments)
        function = self.functions[name]
        names: dict[str, Any] = {}
        parameters = function.decl.type.args.params
        for parameter, argument in zip(parameters, arguments, strict=True):
            if isinstance(argument, Value):
                value = self.converted(argument, _type(parameter))
                names[parameter.name] = Place({"value": value.bits}, "value", value.type)
            else:
                names[parameter.name] = argument
        try:
            self._executed(function.body, names)
        except Returned as returned:
            if returned.value is None:
                return None
            return self.converted(returned.value, _type(function.decl.type))
        return None

    def _executed(self, node: Any, names: dict[str, Any]) -> None:
        match node:
            case None | c_ast.EmptyStatement():
                pass
            case c_ast.Compound():
                for one in node.block_items or []:
                    self._executed(one, names)
            case c_ast.Decl():
                self._declared(node, names)
            case c_ast.If():
                taken = self.paths.decide(self.truth(self.evaluated(node.cond, names)))
                self._executed(node.iftrue if taken else node.iffalse, names)
            case c_ast.For():
                self._executed(node.init, names)
                while self.paths.decide(self.truth(self.evaluated(node.cond, names))):
                    self._executed(node.stmt, names)
                    self._executed(node.next, names)
            case c_ast.Return():
                raise Returned(None if node.expr is None else self.evaluated(node.expr, names))
            case _:
                self.evaluated(node, names)

    def _declared(self, node: c_ast.Decl, names: dict[str, Any]) -> None:
        if isinstance(node.type.type, c_ast.Union):
            readings = {one.name: _type(one) for one in node.type.type.decls}
            names[node.name] = {"union": readings, "bits": None}
            return
        of = _type(node)
        value = None if node.init is None else self.converted(self.evaluated(node.init, names), of).bits
        names[node.name] = Place({"value": value}, "value", of)


def _type(node: Any) -> Type:
    while not isinstance(node, c_ast.IdentifierType):
        node = node.type
    return TYPES[node.names[0]]


def parsed(header: str, source: str, macros: dict[str, str]) -> tuple[dict[str, c_ast.FuncDef], dict[str, Type]]:
    """The functions of a C file, and the members of the structure that its header declares.

    Parameters
    ----------
    header, source : str
        Texts.
    macros : dict of str to str
        What the names of other headers stand for.
    """
    structure = re.search(r"typedef struct \{.*?\} \w+;", header, re.DOTALL)
    if structure is None:
        raise ValueError("the header declares no structure")
    text = re.sub(r"/\*.*?\*/", " ", structure.group() + source, flags=re.DOTALL)
    text = re.sub(r"^#.*$", "", text, flags=re.MULTILINE)
    for name, meaning in macros.items():
        text = re.sub(rf"\b{name}\b", meaning, text)
    text = re.sub(r"\bUINT32_C\(([^()]*)\)", r"((uint32_t)\1u)", text)
    text = re.sub(r"\bINT32_C\(([^()]*)\)", r"((int32_t)(\1))", text)
    types = "".join(f"typedef int {name};" for name in TYPES)
    tree = c_parser.CParser().parse(types + text)
    members = {
        one.name: _type(one)
        for node in tree.ext
        if isinstance(node, c_ast.Typedef) and isinstance(node.type.type, c_ast.Struct)
        for one in node.type.type.decls
    }
    return {node.decl.name: node for node in tree.ext if isinstance(node, c_ast.FuncDef)}, members
