"""What the C of a lookup costs: bytes of code beside the table, and work for each code."""

from __future__ import annotations

from dataclasses import dataclass

from tcomp.firmware.lookup_forms import lookup_c
from tcomp.table.breakpoint_table import BreakpointTable
from tcomp.table.even_table import EvenTable
from tcomp.table.lookup import CorrectionTable
from tcomp.table.polynomial import PolynomialTable
from tcomp.table.segment_table import SegmentTable


@dataclass(frozen=True)
class CodeCost:
    """Cost of a lookup's code.

    Parameters
    ----------
    flash_bytes, avr_bytes : int
        Code on a Cortex-M0+ (``zig cc -Os``) and on AVR (``avr-gcc -Os``), typically; what it calls of the
        compiler's library is in it, as 32-bit products on AVR. [bytes]
    products : int
        Multiplications for a code.
    loads : int
        Entries, and numbers that find them, read for a code; in a binary search the most.
    """

    flash_bytes: int
    avr_bytes: int
    products: int
    loads: int

    def __add__(self, other: CodeCost) -> CodeCost:
        """Cost of both."""
        return CodeCost(
            self.flash_bytes + other.flash_bytes,
            self.avr_bytes + other.avr_bytes,
            self.products + other.products,
            self.loads + other.loads,
        )


PIECES = {
    "held.c": CodeCost(28, 26, 0, 0),
    "lookup_nearest.c": CodeCost(20, 28, 0, 1),
    "lookup_step.c": CodeCost(20, 28, 0, 0),
    "lookup_coarse.c": CodeCost(20, 28, 0, 0),
    "lookup_segments.c": CodeCost(20, 28, 0, 0),
    "lookup_even.c": CodeCost(32, 62, 1, 0),
    "lookup_breakpoints.c": CodeCost(76, 120, 1, 2),
    "lookup_polynomial.c": CodeCost(16, 10, 0, 0),
    "between_byte.c": CodeCost(20, 56, 1, 2),
    "between_rise.c": CodeCost(20, 104, 1, 2),
    "between_weights.c": CodeCost(38, 230, 2, 2),
    "curved.c": CodeCost(66, 250, 2, 3),
    "horner.c": CodeCost(48, 136, 0, 1),
    "horner_wide.c": CodeCost(104, 428, 0, 1),
}
"""Measured on tables of each form; a test compiles them again. Pieces that are not listed vanish in others."""
WIDE_WEIGHTS = CodeCost(94, 456, 0, 0)
"""Entries of 32 bits take products of 64."""
SEGMENT = CodeCost(22, 26, 0, 0)
"""Each segment after the first."""


def code_cost(table: CorrectionTable) -> CodeCost:
    """State the typical cost of the C that reads a table.

    Raises
    ------
    FirmwareError
        No C reads a table of this form.

    Examples
    --------
    >>> from tcomp.table.code_scale import TemperatureScale
    >>> from tcomp.table.step_table import StepTable
    >>> table = StepTable(
    ...     scale=TemperatureScale(100), low_code=0, high_code=500, first_code=0, step_log2=8, entry_bits=16,
    ...     unit_log2_ppt=4, interpolation="linear", entries=(-100, 0, 300), max_error_ppb=1.0,
    ...     rms_error_ppb=0.5)
    >>> code_cost(table)
    CodeCost(flash_bytes=68, avr_bytes=110, products=1, loads=2)
    """
    templates = lookup_c(table, "t").templates
    cost = sum((PIECES[name] for name in templates if name in PIECES), CodeCost(0, 0, 0, 0))
    if "between_weights.c" in templates and table.entry_bits == 32:
        cost += WIDE_WEIGHTS
    if "lookup_even.c" in templates and not {"between_rise.c", "between_weights.c", "curved.c"} & set(templates):
        cost += CodeCost(0, 0, 0, 1)
    if isinstance(table, SegmentTable):
        for _ in table.starts[1:]:
            cost += SEGMENT
    if isinstance(table, BreakpointTable):
        # Halving n intervals until one is left.
        cost += CodeCost(0, 0, 0, (len(table.knots) - 2).bit_length())
    polynomial = table.polynomial if isinstance(table, PolynomialTable | EvenTable) else None
    if polynomial is not None:
        cost += CodeCost(0, 0, polynomial.degree, polynomial.degree)
    return cost
