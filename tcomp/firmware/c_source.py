"""The table as C99: numbers first, text last, from templates that read as C."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from string import Template

from tcomp.firmware.c_comment import describe, numbering
from tcomp.firmware.corrections import CORRECTIONS, Correction, check_corrections
from tcomp.firmware.image import Image
from tcomp.firmware.lookup_forms import lookup_c
from tcomp.firmware.stamp import Stamp
from tcomp.firmware.symbol import check_symbol
from tcomp.firmware.vectors import Vector, correction_vectors, lookup_codes
from tcomp.table.lookup import CorrectionTable

ENTRIES_A_LINE = 8


def c_source(
    table: CorrectionTable,
    symbol: str,
    *,
    corrections: tuple[str, ...] = ("frequency", "interval", "tuning-word"),
    stamp: Stamp,
) -> dict[str, str]:
    """Write a table, its lookup and the corrections asked for as C99.

    Parameters
    ----------
    table : CorrectionTable
        What the C has to return, code for code.
    symbol : str
        Every name in the C begins with it.
    corrections : tuple of {"frequency", "interval", "tuning-word"}
        Those to write; none is allowed.
    stamp : Stamp
        Origin, error budget and validity, for the comments.

    Returns
    -------
    dict of str to str
        Text of ``SYMBOL.h``, ``SYMBOL.c`` and ``SYMBOL_selftest.c``, by file name.  ASCII; the
        same arguments give the same bytes.

    Raises
    ------
    FirmwareError
        The symbol will not do, or a correction is unknown.
    """
    check_symbol(symbol)
    check_corrections(corrections)
    # In the order of the catalogue, so that the order of the request changes nothing.
    asked = tuple(correction for name, correction in CORRECTIONS.items() if name in corrections)
    lookup = lookup_c(table, symbol)
    names = _common(table, symbol) | lookup.names | describe(table, symbol, asked, stamp)
    source = _Source(table, symbol, asked, names, lookup.templates)
    return {
        f"{symbol}.h": source.header(),
        f"{symbol}.c": source.code(),
        f"{symbol}_selftest.c": source.selftest(),
    }


def _common(table: CorrectionTable, symbol: str) -> dict[str, object]:
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


def image_source(table: CorrectionTable, symbol: str, stamp: Stamp) -> dict[str, str]:
    """Write the reader of a binary image of the table: text of ``SYMBOL_image.h`` and ``SYMBOL_image.c``.

    It reads any image with the same codes, whatever the steps, the width and the number of its entries.

    Raises
    ------
    FirmwareError
        The symbol will not do, or images do not hold tables of this form.
    """
    check_symbol(symbol)
    image = Image.of(table)
    low, high = image.counts_words
    codes: dict[str, object] = {
        "raw_codes": int(image.raw_codes), "adc_bits": image.adc_bits,
        "counts_low": f"0x{low:08X}", "counts_high": f"0x{high:08X}",
    }  # fmt: skip
    source = _Source(table, symbol, (), _common(table, symbol) | codes | describe(table, symbol, (), stamp))
    return {f"{symbol}_image.h": source.filled("image.h"), f"{symbol}_image.c": source.filled("image.c")}


def code_type(table: CorrectionTable) -> str:
    """The C type of a code: temperatures have a sign, raw codes have none."""
    return "int16_t" if table.scale.least_code < 0 else "uint16_t"


@dataclass(frozen=True)
class _Source:
    table: CorrectionTable
    symbol: str
    corrections: tuple[Correction, ...]
    names: dict[str, object]
    lookup: tuple[str, ...] = ()

    def filled(self, template: str, **more: object) -> str:
        return _template(template).substitute(self.names, **more)

    def header(self) -> str:
        declared = "".join(self.filled(f"{correction.function}.h") for correction in self.corrections)
        return self.filled("table.h", corrections=declared)

    def code(self) -> str:
        asked = {correction.function for correction in self.corrections}
        pieces = [*self.lookup, "offset.c"]
        if asked:
            pieces.append("exact.c")
        if asked & {"true_frequency", "true_interval"}:
            pieces.append("sign.c")
        if asked & {"true_interval", "tuning_word"}:
            pieces.append("divided.c")
        pieces += [f"{correction.function}.c" for correction in self.corrections]
        head = self.filled("table.c", entries=_entry_lines(self.table))
        return head + "".join(self.filled(piece) for piece in pieces)

    def selftest(self) -> str:
        codes = lookup_codes(self.table)
        vectors = {c.function: correction_vectors(self.table, c) for c in self.corrections}
        counts = {"lookup": len(codes)} | {function: len(given) for function, given in vectors.items()}
        head = self.filled(
            "selftest_table.c",
            numbering=numbering(counts),
            lookup_count=len(codes),
            lookup_vectors=_lookup_lines(self.table, codes),
        )
        checks = [
            self.filled(
                "selftest_correction.c",
                function=correction.function,
                type="uint32_t" if correction.least == 0 else "int64_t",
                count=counts[correction.function],
                vectors=_correction_lines(correction, vectors[correction.function]),
            )
            for correction in self.corrections
        ]
        return head + "".join(checks) + self.filled("selftest.c", calls=self._calls(counts))

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
        constants = [f"UINT32_C({value})" if correction.least == 0 else _constant(value, 64) for value in pair]
        rows.append(f"    {{{constants[0]}, {constants[1]}, {_constant(offset_ppt, 32)}}}")
    return ",\n".join(rows)


def _constant(value: int, bits: int) -> str:
    """Spell an integer as a C constant; the least of a type cannot be written as -constant."""
    if value == -(2 ** (bits - 1)) and bits > 16:
        return f"INT{bits}_MIN"
    if bits == 64:
        return f"-INT64_C({-value})" if value < 0 else f"INT64_C({value})"
    return str(value)
