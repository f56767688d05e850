"""The table as a C++ header, constexpr throughout: the compiler itself checks its test vectors."""

from __future__ import annotations

from tcomp.firmware.corrections import Correction
from tcomp.firmware.exporter import Export, Exporter, Files
from tcomp.firmware.integer_lookup import integer_lookup
from tcomp.firmware.integer_statements import Spelling
from tcomp.firmware.program import Vector, chosen_corrections, entry_lines, filled, program_names, vectors

PIECES = {
    "true_frequency": ("multiplied", "sign"),
    "true_interval": ("divided", "sign"),
    "tuning_word": ("divided",),
    "tuning_word_48": ("divided", "sign"),
}
"""Templates that each correction needs."""
ORDER = ("multiplied", "divided", "sign")
INDENT = "    "
INT32_MIN, INT64_MIN = -(2**31), -(2**63)


class CppSpelling(Spelling):
    """Statements as C++ has them."""

    def entry(self, place: str) -> str:
        """An entry of the table, from wherever it lies."""
        return f"entry({place})"

    def let(self, name: str, value: str) -> list[str]:
        """A constant."""
        return [f"const integer {name} = {value};"]

    def held(self, name: str, value: str, least: int | None, largest: int | None) -> list[str]:
        """The value, or an end in its place."""
        bounds = [(sign, bound) for sign, bound in (("<", least), (">", largest)) if bound is not None]
        ends = "".join(f"({value} {sign} {bound}) ? {bound} : " for sign, bound in bounds)
        return [f"const integer {name} = {ends}{value};"]

    def choice(self, names: tuple[str, ...], conditions: list[str], cases: list[list[str]]) -> list[str]:
        """Branches."""
        lines = [f"integer {name} = 0;" for name in names]
        heads = [f"{'} else ' if place else ''}if ({condition}) {{" for place, condition in enumerate(conditions)]
        for head, case in zip([*heads, "} else {"], cases, strict=True):
            lines += [head, *(f"{INDENT}{name} = {value};" for name, value in zip(names, case, strict=True))]
        return [*lines, "}"]


def cpp_source(export: Export) -> dict[str, str]:
    """Write a table, its lookup and the corrections asked for as a header of C++14.

    Returns
    -------
    dict of str to str
        Text of ``SYMBOL.hpp``, by file name.

    Raises
    ------
    FirmwareError
        The symbol will not do, a correction is unknown, or no statements read a table of this form.
    """
    corrections = chosen_corrections(export, "C++", tuple(PIECES))
    lookup, spelling = integer_lookup(export.table), CppSpelling()
    value_type = f"int{export.table.value_bits}_t"
    unused = [] if lookup.asks_for_code else ["static_cast<void>(code);"]
    statements = [
        *unused,
        *spelling.lines(lookup),
        f"return static_cast<{value_type}>({spelling.text(lookup.result)});",
    ]
    names = program_names(export, corrections, "//", "::") | {
        "statements": "\n".join(INDENT + line for line in statements),
        "entries": entry_lines(export.table).replace(str(INT32_MIN), "INT32_MIN"),
        "width": lookup.bits,
        "checks": "\n".join(_check(vector, corrections) for vector in vectors(export.table, corrections)),
    }
    needed = {piece for one in corrections for piece in PIECES[one.function]}
    pieces = ["exact", *(piece for piece in ORDER if piece in needed), "exact_end"] if corrections else []
    templates = ["table", *pieces, *(one.function for one in corrections), "selftest"]
    return {f"{export.symbol}.hpp": "".join(filled(f"{name}.hpp", names) for name in templates)}


def _check(vector: Vector, corrections: tuple[Correction, ...]) -> str:
    function, arguments, expected = vector
    if function == "lookup":
        return (
            f'static_assert(detail::looked_up({arguments[0]}, detail::in_memory()) == {_constant(expected)}, "lookup");'
        )
    if function == "offset_ppt":
        called = f"int32_t(detail::looked_up({arguments[0]}, detail::in_memory())) * unit_ppt"
        return f'static_assert({called} == {_constant(expected)}, "offset_ppt");'
    is_word = next(one.is_word for one in corrections if one.function == function)
    given, result = (f"UINT32_C({one})" if is_word else _constant(one, 64) for one in (arguments[0], expected))
    return f'static_assert({function}({given}, {_constant(arguments[1])}) == {result}, "{function}");'


def _constant(value: int, bits: int = 32) -> str:
    if value in (INT32_MIN, INT64_MIN):
        return f"INT{bits}_MIN" if value == -(2 ** (bits - 1)) else f"INT{bits}_C({value})"
    return f"INT{bits}_C({value})" if bits == 64 else str(value)


def _files(export: Export) -> Files:
    return dict(cpp_source(export))


EXPORTER = Exporter(format="cpp", files=_files, language="C++")
