"""The entries as a memory image in plain hexadecimal, a word a line: for $readmemh (IEEE Std 1800, 21.4) and VHDL's textio.

Two's complement, as many digits as the word has; no comment and no address, as not every reader takes them.  How the
words are read stands in ``SYMBOL.csv`` and ``SYMBOL.json``.
"""

from __future__ import annotations

from collections.abc import Iterable

from tcomp.firmware.exporter import Export, Exporter, Files
from tcomp.firmware.symbol import check_symbol
from tcomp.tables.layouts.even import EvenLayout

COEFFICIENT_BITS = 16


def hex_words(values: Iterable[int], bits: int) -> str:
    """Integers in two's complement, one a line.

    Examples
    --------
    >>> hex_words((-1, 0, 300), 16)
    'ffff\\n0000\\n012c\\n'
    """
    return "".join(f"{value % 2**bits:0{bits // 4}x}\n" for value in values)


def _files(export: Export) -> Files:
    """``SYMBOL.mem``; where the entries stand on a polynomial, its coefficients too, c0 first: ``SYMBOL_coefficients.mem``."""
    check_symbol(export.symbol)
    table = export.table
    found: Files = {f"{export.symbol}.mem": hex_words(table.entries, table.entry_bits)}
    if isinstance(table.layout, EvenLayout) and table.layout.polynomial is not None:
        coefficients = table.layout.polynomial.coefficients
        found[f"{export.symbol}_coefficients.mem"] = hex_words(coefficients, COEFFICIENT_BITS)
    return found


EXPORTER = Exporter(format="readmemh", files=_files)
