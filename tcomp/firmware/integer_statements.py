"""The few integer statements in which a lookup is said, and how a language spells them."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

INT32_LIMIT = 2**31
"""Every number on the way lies below it: 32 bits hold them all."""


class Expression:
    """A value: a number, a name, an entry of the table, or what operations make of such."""

    def __add__(self, other: Expression | int) -> Expression:
        """The sum; a number below 0 is subtracted."""
        if isinstance(other, int):
            return self if other == 0 else Operation("+" if other > 0 else "-", self, Number(abs(other)))
        return Operation("+", self, other)

    def __sub__(self, other: Expression | int) -> Expression:
        """The difference."""
        return self + -other if isinstance(other, int) else Operation("-", self, other)

    def __mul__(self, other: Expression | int) -> Expression:
        """The product."""
        return self if other == 1 or self == Number(0) else Operation("*", self, _expression(other))

    def __rshift__(self, bits: int) -> Expression:
        """Divided by 2**bits, rounded down."""
        return self if bits == 0 else Operation(">>", self, Number(bits))

    def __and__(self, mask: int) -> Expression:
        """The lower bits."""
        return Operation("&", self, Number(mask)) if mask else Number(0)


@dataclass(frozen=True)
class Number(Expression):
    """An integer."""

    value: int


@dataclass(frozen=True)
class Name(Expression):
    """What an earlier statement gave this name; ``code`` is given."""

    text: str


@dataclass(frozen=True)
class Entry(Expression):
    """An entry of the table."""

    place: Expression


@dataclass(frozen=True)
class Operation(Expression):
    """Two values and the sign between them: + - * >> or &."""

    sign: str
    left: Expression
    right: Expression


@dataclass(frozen=True)
class Let:
    """``name`` is the value of ``value``."""

    name: str
    value: Expression


@dataclass(frozen=True)
class Held:
    """``name`` is ``value``, held within ``least`` and ``largest``, where these are given."""

    name: str
    value: Expression
    least: int | None
    largest: int | None


@dataclass(frozen=True)
class Choice:
    """``names`` are the values of the first case whose bound lies above ``value``; the last case has no bound."""

    names: tuple[str, ...]
    value: Name
    bounds: tuple[int, ...]
    cases: tuple[tuple[Expression, ...], ...]


Statement = Let | Held | Choice


@dataclass(frozen=True, kw_only=True)
class IntegerLookup:
    """A lookup.

    Parameters
    ----------
    statements : tuple of Statement
        In their order; they begin from ``code``.
    result : Expression
        The value at the code. [entry units]
    largest : int
        Largest magnitude of any number on the way, over every code of the type.
    """

    statements: tuple[Statement, ...]
    result: Expression
    largest: int

    @property
    def asks_for_code(self) -> bool:
        """Whether the value depends on the code at all."""
        asked = {name for statement in self.statements for name in asked_names(statement)}
        return "code" in asked | names_in(self.result)

    @property
    def bits(self) -> int:
        """Width of integers that hold every number on the way: 32 or 64."""
        return 32 if self.largest < INT32_LIMIT else 64


class Spelling(ABC):
    """How a language spells statements and entries."""

    @abstractmethod
    def entry(self, place: str) -> str:
        """An entry of the table, as an integer wide enough."""

    @abstractmethod
    def let(self, name: str, value: str) -> list[str]:
        """Lines that give a value a name."""

    @abstractmethod
    def held(self, name: str, value: str, least: int | None, largest: int | None) -> list[str]:
        """Lines that hold a value between two numbers."""

    @abstractmethod
    def choice(self, names: tuple[str, ...], conditions: list[str], cases: list[list[str]]) -> list[str]:
        """Lines that take the values of the first case whose condition holds, or of the last."""

    def text(self, value: Expression) -> str:
        """An expression; operations within operations stand in parentheses, but for products in sums."""
        match value:
            case Number():
                return str(value.value)
            case Name():
                return value.text
            case Entry():
                return self.entry(self.text(value.place))
            case Operation():
                return f"{self._part(value, value.left)} {value.sign} {self._part(value, value.right, last=True)}"
        raise TypeError(value)

    def _part(self, whole: Operation, part: Expression, *, last: bool = False) -> str:
        text = self.text(part)
        if not isinstance(part, Operation):
            return text
        of_a_sum = whole.sign in "+-" and (part.sign == "*" or (part.sign in "+-" and not last))
        return text if of_a_sum else f"({text})"

    def lines(self, lookup: IntegerLookup) -> list[str]:
        """The statements."""
        return [line for statement in lookup.statements for line in self._of(statement)]

    def _of(self, statement: Statement) -> list[str]:
        match statement:
            case Let():
                return self.let(statement.name, self.text(statement.value))
            case Held():
                return self.held(statement.name, self.text(statement.value), statement.least, statement.largest)
            case Choice():
                conditions = [f"{statement.value.text} < {bound}" for bound in statement.bounds]
                return self.choice(
                    statement.names, conditions, [[self.text(one) for one in case] for case in statement.cases]
                )


def asked_names(statement: Statement) -> set[str]:
    """The names that a statement asks for."""
    values = (value for case in statement.cases for value in case) if isinstance(statement, Choice) else ()
    return names_in(statement.value).union(*map(names_in, values))


def names_in(value: Expression) -> set[str]:
    match value:
        case Name():
            return {value.text}
        case Entry():
            return names_in(value.place)
        case Operation():
            return names_in(value.left) | names_in(value.right)
    return set()


def _expression(value: Expression | int) -> Expression:
    return Number(value) if isinstance(value, int) else value
