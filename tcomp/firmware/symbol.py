"""The name that every C identifier of a table begins with."""

from __future__ import annotations

import re

from tcomp.errors import FirmwareError
from tcomp.files import is_reserved

LONGEST = 24
"""C99 (6.4.2.1, 5.2.4.1) need tell external names apart by their first 31 characters only: with
"_true_f" and "_true_i" behind it, a symbol may have 24."""

_WORDS = """
auto break case char const continue default do double else enum extern float for goto if int long
register return short signed sizeof static struct switch typedef union unsigned void volatile while
inline restrict alignas alignof bool constexpr false nullptr static_assert thread_local true typeof
typeof_unqual
and and_eq asm bitand bitor catch char8_t char16_t char32_t class co_await co_return co_yield compl
concept consteval constinit const_cast decltype delete dynamic_cast explicit export final friend
import module mutable namespace new noexcept not not_eq operator or or_eq override private protected
public reinterpret_cast requires static_cast template this throw try typeid typename using virtual
wchar_t xor xor_eq
main errno assert NULL EOF size_t ptrdiff_t int8_t int16_t int32_t int64_t uint8_t uint16_t uint32_t
uint64_t stdin stdout stderr
"""
KEYWORDS = frozenset(_WORDS.split())
"""ISO C from 1989 to 2024, then what C++ adds, then names that the standard headers define."""


def check_symbol(symbol: str) -> None:
    """Refuse a name that C, C++ or a linker might not take.

    Raises
    ------
    FirmwareError
        The name is no C identifier, is a keyword or a device, begins with an underscore or is too long; the
        message says which, and gives one that would do.

    Examples
    --------
    >>> check_symbol("gauge07")
    >>> check_symbol("07 gauge")
    Traceback (most recent call last):
    tcomp.errors.FirmwareError: symbol "07 gauge" begins with a digit; "t07_gauge" would do
    """
    fault = _fault(symbol)
    if fault is not None:
        raise FirmwareError(f'symbol "{_printable(symbol)}" {fault}; "{_suggestion(symbol)}" would do')


def _fault(symbol: str) -> str | None:
    faults = (
        (not symbol, "is empty"),
        (symbol in KEYWORDS, "is a word that C or C++ keeps to itself"),
        (is_reserved(symbol), "is a device on Windows, where no file can have that name"),
        (symbol.startswith("_"), "begins with an underscore, which C keeps to itself"),
        (re.match("[0-9]", symbol), "begins with a digit"),
        (not re.fullmatch("[A-Za-z0-9_]*", symbol), "holds more than the letters A to Z, digits and underscores"),
        (len(symbol) > LONGEST, f"has {len(symbol)} characters; C tells names of {LONGEST} apart here"),
    )
    return next((text for holds, text in faults if holds), None)


def _suggestion(symbol: str) -> str:
    name = re.sub("[^A-Za-z0-9]+", "_", symbol).strip("_")[:LONGEST].strip("_") or "table"
    if name[0].isdigit():
        name = f"t{name}"[:LONGEST].strip("_")
    return f"{name}_table" if name in KEYWORDS or is_reserved(name) else name


def _printable(symbol: str) -> str:
    return symbol.encode("ascii", "backslashreplace").decode("ascii").replace("\n", "\\n")
