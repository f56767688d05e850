"""The table as Rust, without its standard library: const functions, whose test vectors the compiler itself checks."""

from __future__ import annotations

from tcomp.firmware.exporter import Export, Exporter, Files
from tcomp.firmware.integer_lookup import integer_lookup
from tcomp.firmware.integer_statements import Spelling
from tcomp.firmware.program import chosen_corrections, entry_lines, filled, program_names, vectors

PIECES = {
    "true_frequency": ("multiplied", "sign"),
    "true_interval": ("divided", "sign"),
    "tuning_word": ("divided",),
    "tuning_word_48": ("divided",),
}
"""Templates that each correction needs."""
ORDER = ("multiplied", "divided", "sign")
INDENT = "    "
KEYWORDS = frozenset(
    [
        "abstract",
        "as",
        "async",
        "await",
        "become",
        "box",
        "break",
        "const",
        "continue",
        "crate",
        "do",
        "dyn",
        "else",
        "enum",
        "extern",
        "false",
        "final",
        "fn",
        "for",
        "gen",
        "if",
        "impl",
        "in",
        "let",
        "loop",
        "macro",
        "match",
        "mod",
        "move",
        "mut",
        "override",
        "priv",
        "pub",
        "ref",
        "return",
        "self",
        "static",
        "struct",
        "super",
        "trait",
        "true",
        "try",
        "type",
        "typeof",
        "unsafe",
        "unsized",
        "use",
        "virtual",
        "where",
        "while",
        "yield",
        "core",
        "std",
        "alloc",
        "test",
    ]
)
"""The Rust Reference, "Keywords", and the crates that every program sees."""


class RustSpelling(Spelling):
    """Statements as Rust has them, every number of one type."""

    def __init__(self, width: int, entry_bits: int) -> None:
        self.width, self.entry_bits = width, entry_bits

    def entry(self, place: str) -> str:
        """An entry of the table."""
        index = place if place.isdecimal() else f"{place if place.isidentifier() else f'({place})'} as usize"
        return _cast(f"ENTRIES[{index}]", self.entry_bits, self.width)

    def let(self, name: str, value: str) -> list[str]:
        """A binding."""
        return [f"let {name} = {value};"]

    def held(self, name: str, value: str, least: int | None, largest: int | None) -> list[str]:
        """The value, or an end in its place: what the standard library has for it is no const function."""
        bounds = [(sign, bound) for sign, bound in (("<", least), (">", largest)) if bound is not None]
        lines = []
        for place, (sign, bound) in enumerate(bounds):
            lines += [f"{'} else ' if place else f'let {name} = '}if {value} {sign} {bound} {{", f"{INDENT}{bound}"]
        return [*lines, "} else {", f"{INDENT}{value}", "};"]

    def choice(self, names: tuple[str, ...], conditions: list[str], cases: list[list[str]]) -> list[str]:
        """Branches."""
        lines = []
        heads = [f"{'} else ' if place else ''}if {condition} {{" for place, condition in enumerate(conditions)]
        for head, case in zip([*heads, "} else {"], cases, strict=True):
            lines += [head, f"{INDENT}({', '.join(case)})"]
        return [f"let ({', '.join(names)}) = {lines[0]}", *lines[1:], "};"]


def _cast(value: str, bits: int, to_bits: int) -> str:
    """A value in so many bits; one that has them already is left as it is."""
    return value if bits == to_bits else f"{value} as i{to_bits}"


def rust_source(export: Export) -> dict[str, str]:
    """Write a table, its lookup and the corrections asked for as Rust.

    Returns
    -------
    dict of str to str
        Text of ``SYMBOL.rs``, by file name: a module, or after ``#![no_std]`` a crate.

    Raises
    ------
    FirmwareError
        The symbol will not do, a correction is unknown, or no statements read a table of this form.
    """
    corrections = chosen_corrections(export, "Rust", tuple(PIECES))
    lookup = integer_lookup(export.table)
    spelling, value_bits = RustSpelling(lookup.bits, export.table.entry_bits), export.table.value_bits
    first = f"let code = code as i{lookup.bits};" if lookup.asks_for_code else "let _ = code;"
    result = spelling.text(lookup.result)
    if value_bits != lookup.bits:
        result = f"({result}) as i{value_bits}"
    statements = [first, *spelling.lines(lookup), result]
    checks = [
        f"assert!({function}({', '.join(map(str, arguments))}) == {expected});"
        for function, arguments, expected in vectors(export.table, corrections)
    ]
    names = program_names(export, corrections, "//", "::") | {
        "code_type": "i16" if export.table.scale.least_code < 0 else "u16",
        "statements": "\n".join(INDENT + line for line in statements),
        "entries": entry_lines(export.table),
        "width": lookup.bits,
        "offset": _cast("lookup(code)", value_bits, 32),
        "checks": "\n".join(INDENT + line for line in checks),
    }
    needed = {piece for one in corrections for piece in PIECES[one.function]}
    pieces = ["exact", *(piece for piece in ORDER if piece in needed)] if corrections else []
    templates = ["table", *pieces, *(one.function for one in corrections), "selftest"]
    return {f"{export.symbol}.rs": "".join(filled(f"{name}.rs", names) for name in templates)}


def _files(export: Export) -> Files:
    return dict(rust_source(export))


EXPORTER = Exporter(format="rust", files=_files, language="Rust", reserved=KEYWORDS)
