"""The table as C99: numbers first, text last, from templates that read as C."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from string import Template

import numpy as np

from tcomp.firmware.actuators import Actuator
from tcomp.firmware.c_actuators import actuator_sources
from tcomp.firmware.c_follow import follow_names, follow_templates, follow_vectors
from tcomp.firmware.c_lookup import lookup_c
from tcomp.firmware.corrections import (
    INT32_MAX,
    INT32_MIN,
    Correction,
    Vector,
    check_corrections,
    ties,
    with_needed,
)
from tcomp.firmware.exporter import AvrEntries, Export, Exporter, Files, Stamp, comment_text, offset_ppb_text
from tcomp.firmware.symbol import check_symbol
from tcomp.tables.follow import FollowFilter
from tcomp.tables.layout import CorrectionTable

ENTRIES_A_LINE = 8
IN_RAM = {"pair_assembly.c": "pair.c", "words_flash.c": "words_ram.c"}
"""What stands in place of templates that read an AVR's flash."""


def c_source(
    table: CorrectionTable,
    symbol: str,
    *,
    corrections: tuple[str, ...] = ("frequency", "interval", "tuning-word"),
    stamp: Stamp,
    follow: FollowFilter | None = None,
    avr_entries: AvrEntries = "flash",
    actuators: tuple[Actuator, ...] = (),
) -> dict[str, str]:
    """Write a table, its lookup and the corrections asked for as C99.

    Parameters
    ----------
    table : CorrectionTable
        What the C has to return, code for code.
    symbol : str
        Every name in the C begins with it.
    corrections : tuple of {"frequency", "interval", "tuning-word", "tuning-word-48"}
        Those to write; none is allowed.
    stamp : Stamp
        Origin, error budget and validity, for the comments.
    follow : FollowFilter or None
        A filter that follows a moving temperature; None: there is none.
    avr_entries : {"flash", "ram"}
        Where the entries lie on AVR.
    actuators : tuple of Actuator
        What is steered; none is allowed.

    Returns
    -------
    dict of str to str
        Text of ``SYMBOL.h``, ``SYMBOL.c`` and ``SYMBOL_selftest.c``, with a filter also of ``SYMBOL_follow.h`` and
        ``SYMBOL_follow.c``, with actuators ``SYMBOL_actuators.h`` and ``SYMBOL_actuators.c``, by file name.  ASCII; the same
        arguments give the same bytes.

    Raises
    ------
    FirmwareError
        The symbol will not do, or a correction is unknown.
    """
    check_symbol(symbol)
    check_corrections(corrections)
    # In the order of the catalogue, so that the order of the request changes nothing.
    needed = (need for one in actuators for need in one.needs)
    chosen = with_needed(tuple(dict.fromkeys((*corrections, *needed))))
    lookup = lookup_c(table, symbol)
    names = common_names(table, symbol) | lookup.names | describe(table, symbol, chosen, stamp)
    in_flash = avr_entries == "flash"
    templates = lookup.templates if in_flash else tuple(IN_RAM.get(name, name) for name in lookup.templates)
    source = Source(table, symbol, chosen, names, templates, follow, avr_entries)
    return (
        {
            f"{symbol}.h": source.header(),
            f"{symbol}.c": source.code(),
            f"{symbol}_selftest.c": source.selftest(),
        }
        | source.following()
        | actuator_sources(actuators, symbol, source.filled)
    )


def common_names(table: CorrectionTable, symbol: str) -> dict[str, object]:
    """Numbers that several templates use."""
    wide_bits = 2 * table.entry_bits
    bias = 2 ** (table.entry_bits - 1)
    return {
        "symbol": symbol,
        "upper": symbol.upper(),
        "entry_bits": table.entry_bits,
        "value_bits": table.value_bits,
        "entry_bytes": table.entry_bits // 8,
        "pgm_read": {8: "pgm_read_byte", 16: "pgm_read_word", 32: "pgm_read_dword"}[table.entry_bits],
        "wide_bits": wide_bits,
        "bias": f"INT{wide_bits}_C({bias})",
        "bias_text": bias,
        "code_type": code_type(table),
        "least_code": table.scale.least_code,
        "largest_code": table.scale.largest_code,
        "count": len(table.entries),
        "low_code": table.low_code,
        "high_code": table.high_code,
        "unit_ppt": 1 << table.unit_log2_ppt,
        "crc32": f"0x{table.crc32:08X}",
        # Coefficients stand at no code.
        "place_words": "code" if len(table.knot_codes) else "power",
    }


def code_type(table: CorrectionTable) -> str:
    """The C type of a code: temperatures have a sign, raw codes have none."""
    return "int16_t" if table.scale.least_code < 0 else "uint16_t"


@dataclass(frozen=True)
class Source:
    """Templates, filled in for one table."""

    table: CorrectionTable
    symbol: str
    corrections: tuple[Correction, ...]
    names: dict[str, object]
    lookup: tuple[str, ...] = ()
    follow: FollowFilter | None = None
    avr_entries: AvrEntries = "flash"

    def filled(self, template: str, **more: object) -> str:
        """The text of a template."""
        return _template(template).substitute(self.names | more)

    def header(self) -> str:
        """``SYMBOL.h``."""
        declared = "".join(self.filled(f"{correction.function}.h") for correction in self.corrections)
        memory = self.filled(f"memory_{self.avr_entries}.h").rstrip("\n")
        return self.filled("table.h", corrections=declared + self._between(".h"), memory=memory)

    def code(self) -> str:
        """``SYMBOL.c``."""
        needed = dict.fromkeys(piece for correction in self.corrections for piece in correction.pieces)
        own = [f"{correction.function}.c" for correction in self.corrections]
        pieces = [*self.lookup, "offset.c", *needed, *own]
        head = self.filled("table.c", entries=_entry_lines(self.table))
        register = self.filled("part_register.c") if self.avr_entries == "flash" else ""
        return head + "".join(self.filled(piece, part_register=register) for piece in pieces) + self._between(".c")

    def _between(self, end: str) -> str:
        """The lookup between codes, where the filter has one."""
        if self.follow is None or self.follow.way_bits is None:
            return ""
        return self.filled(f"lookup_between{end}", **follow_names(self.follow, self.symbol))

    def selftest(self) -> str:
        """``SYMBOL_selftest.c``."""
        codes = lookup_codes(self.table)
        vectors = {c.function: correction_vectors(self.table, c) for c in self.corrections}
        counts = {"lookup": len(codes)} | {function: len(given) for function, given in vectors.items()}
        if self.follow is not None:
            counts["follow"] = len(follow_vectors(self.follow))
        head = self.filled(
            "selftest_table.c",
            include=f"{self.symbol}{'' if self.follow is None else '_follow'}",
            numbering=numbering(counts),
            lookup_count=len(codes),
            lookup_vectors=_lookup_lines(self.table, codes),
        )
        checks = [
            self.filled(
                "selftest_correction.c",
                function=correction.function,
                type=correction.c_type,
                count=counts[correction.function],
                vectors=_correction_lines(correction, vectors[correction.function]),
            )
            for correction in self.corrections
        ]
        if self.follow is not None:
            rows = ",\n".join(f"    {{{_constant(ppt, 32)}, {code}}}" for code, ppt in follow_vectors(self.follow))
            checks.append(self.filled("selftest_follow.c", count=counts["follow"], vectors=rows))
        return head + "".join(checks) + self.filled("selftest.c", calls=self._calls(counts))

    def following(self) -> dict[str, str]:
        """``SYMBOL_follow.h`` and ``SYMBOL_follow.c``; nothing without a filter."""
        if self.follow is None:
            return {}
        own = follow_names(self.follow, self.symbol) | {"follow_words": _paragraph(self.follow.words)}
        code = "".join(self.filled(piece, **own) for piece in follow_templates(self.follow))
        return {f"{self.symbol}_follow.h": self.filled("follow.h", **own), f"{self.symbol}_follow.c": code}

    def _calls(self, counts: dict[str, int]) -> str:
        """Call each check; what went before it is added to the place that it returns."""
        calls, before = [], 1
        for function, count in counts.items():
            calls.append(self.filled("selftest_call.c", function=function, before=before))
            before += count
        return "".join(calls).rstrip("\n")


@cache
def _template(name: str) -> Template:
    return Template((files("tcomp.firmware") / "templates" / name).read_text(encoding="ascii"))


def _entry_lines(table: CorrectionTable) -> str:
    """Entries in columns, the code of the first at the beginning of each line."""
    constants = [_constant(entry, table.entry_bits) for entry in table.entries]
    width = max(map(len, constants))
    # Coefficients stand at no code: their powers stand before them.
    codes = [f"{code:.10g}" for code in table.knot_codes] or [str(power) for power in range(len(constants))]
    code_width = max(map(len, codes))
    lines = []
    for start in range(0, len(constants), ENTRIES_A_LINE):
        row = ", ".join(f"{constant:>{width}}" for constant in constants[start : start + ENTRIES_A_LINE])
        lines.append(f"    /* {codes[start]:>{code_width}} */ {row}")
    return ",\n".join(lines)


def _lookup_lines(table: CorrectionTable, codes: tuple[int, ...]) -> str:
    rows = []
    for code in codes:
        offset_ppt = _constant(int(table.offset_ppt(code)), 32)
        entry = _constant(int(table.lookup(code)), table.value_bits)
        rows.append(f"    {{{offset_ppt}, {entry}, {code}, {int(table.in_range(code))}}}")
    return ",\n".join(rows)


def _correction_lines(correction: Correction, vectors: tuple[Vector, ...]) -> str:
    rows = []
    for given, offset_ppt in vectors:
        pair = (given, correction.specification(given, offset_ppt))
        constants = [f"UINT32_C({value})" if correction.is_word else _constant(value, 64) for value in pair]
        rows.append(f"    {{{constants[0]}, {constants[1]}, {_constant(offset_ppt, 32)}}}")
    return ",\n".join(rows)


def _constant(value: int, bits: int) -> str:
    """Spell an integer as a C constant; the least of a type cannot be written as -constant."""
    if value == -(2 ** (bits - 1)) and bits > 16:
        return f"INT{bits}_MIN"
    if bits == 64:
        return f"-INT64_C({-value})" if value < 0 else f"INT64_C({value})"
    return str(value)


WIDTH = 98


def describe(table: CorrectionTable, symbol: str, corrections: tuple[Correction, ...], stamp: Stamp) -> dict[str, str]:
    """Return the paragraphs for the comments, by their name in the templates."""
    return {
        "title": _paragraph(
            f'Frequency offset of the oscillator "{comment_text(stamp.oscillator)}" against temperature, as integers.',
            " * ",
        ),
        "origin": _paragraph(
            f"Generated by tcomp {comment_text(stamp.version)} from inputs {comment_text(stamp.input_digest)}.",
            " * ",
        ),
        "code_words": _paragraph(table.scale.words),
        "example": "\n".join(_paragraph(text) for text in _example(table, symbol, corrections)),
        "range": _paragraph(_range_text(table, symbol)),
        "layout": _paragraph(_layout_text(table)),
        "budget": "\n".join(_budget_lines(stamp)),
    }


def example_code(table: CorrectionTable) -> int:
    """Pick a code inside the range whose offset is not 0, if there is one: a sign can be seen."""
    middle = (table.low_code + table.high_code) // 2
    for code in (middle, table.low_code, table.high_code):
        if int(table.lookup(code)) != 0:
            return code
    return middle


def _example(table: CorrectionTable, symbol: str, corrections: tuple[Correction, ...]) -> list[str]:
    code = example_code(table)
    entry, offset_ppt = int(table.lookup(code)), int(table.offset_ppt(code))
    pace = "fast" if offset_ppt > 0 else "slow" if offset_ppt < 0 else "right"
    texts = [
        f"At {_temperature(table, code)} degC the code is {code}. {symbol}_lookup({code}) is {entry}, in units "
        f"of {1 << table.unit_log2_ppt} ppt; {symbol}_offset_ppt({code}) is {offset_ppt}. So "
        f"y = {offset_ppb_text(offset_ppt)} ppb: the oscillator is {pace}."
    ]
    for correction in corrections:
        given = correction.example
        result = correction.specification(given, offset_ppt)
        texts.append(
            f"{correction.example_text.format(given, result)}: {symbol}_{correction.function}({given}, {offset_ppt})."
        )
    return texts


def _range_text(table: CorrectionTable, symbol: str) -> str:
    return (
        f"{_temperature(table, table.low_code)} to {_temperature(table, table.high_code)} degC, codes "
        f"{table.low_code} to {table.high_code}. Outside it the offset of the nearest end is returned, and "
        f"{symbol}_in_range(code) is 0."
    )


def _layout_text(table: CorrectionTable) -> str:
    number = len(table.entries)
    return (
        f"{number} {'entry' if number == 1 else 'entries'} of {table.entry_bits} bits, {table.bytes} bytes; "
        f"{table.description}. Against the curve, over every code of the range: "
        f"{table.max_error_ppb:.4g} ppb at most, {table.rms_error_ppb:.4g} ppb rms."
    )


def _budget_lines(stamp: Stamp) -> list[str]:
    rows = [(comment_text(name), f"{size_ppb:.4g} ppb") for name, size_ppb in stamp.budget_ppb]
    name_width = max((len(name) for name, _ in rows), default=0)
    size_width = max((len(size) for _, size in rows), default=0)
    lines = [f" *   {name:<{name_width}}  {size:>{size_width}}" for name, size in rows]
    return [*lines, _paragraph(f"Valid: {comment_text(stamp.validity)}")]


def _temperature(table: CorrectionTable, code: int) -> str:
    return f"{float(table.temperature_of(code)):.6g}"


def numbering(counts: dict[str, int]) -> str:
    """Say which numbers of the self-test belong to what; 1 is the CRC-32 of the table."""
    texts, before = ["Vector 1 is the CRC-32 of the table"], 1
    for function, count in counts.items():
        texts.append(f"{before + 1} to {before + count} are {function}")
        before += count
    return _paragraph("; ".join(texts) + ".", " * ")


def _paragraph(text: str, indent: str = " *   ") -> str:
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent,
        break_on_hyphens=False,
        break_long_words=True,
    )


def lookup_codes(table: CorrectionTable) -> tuple[int, ...]:
    """Codes at, beside and between knots, at the ends of the range and far beyond them."""
    low, high = table.low_code, table.high_code
    # Where entries stand at no code, their own number of codes over the range will do.
    knots = np.floor(table.knot_codes if len(table.knot_codes) else np.linspace(low, high, 5)).astype(int)
    spread = range(0, len(knots), max(1, len(knots) // 4))
    near = {low, low + 1, high - 1, high, (low + high) // 2, int(knots[0])}
    near |= {int(knots[place]) + shift for place in spread for shift in (-1, 0, 1)}
    near |= {int(knots[place : place + 2].sum()) // 2 for place in spread if place + 1 < len(knots)}
    least, largest = table.scale.least_code, table.scale.largest_code
    near |= {least, low - 1, high + 1, largest}
    return tuple(sorted(code for code in near if least <= code <= largest))


def correction_vectors(table: CorrectionTable, correction: Correction) -> tuple[Vector, ...]:
    """Return a few arguments for the self-test: plain ones, ties, the ends of the types."""
    own = int(table.offset_ppt((table.low_code + table.high_code) // 2))
    given = [0, 1, 12_800_000, 2_000_000_001, correction.largest, correction.least, -12_800_001]
    plain = [(value, offset_ppt) for value in given for offset_ppt in (own, -123_456_789)]
    halfway = ties()
    extreme = [(correction.largest, INT32_MAX), (correction.largest, INT32_MIN), (correction.least, INT32_MIN)]
    every = dict.fromkeys(plain + extreme + halfway[:2] + halfway[-3:-1])
    return tuple(vector for vector in every if correction.least <= vector[0] <= correction.largest)


def _files(export: Export) -> Files:
    return dict(
        c_source(
            export.table, export.symbol, corrections=export.corrections, stamp=export.stamp, follow=export.follow,
            avr_entries=export.avr_entries, actuators=export.actuators,
        )
    )  # fmt: skip


EXPORTER = Exporter(format="c", files=_files)
