"""Plain points, temperature and offset, for a program that takes such: a text file in the columns that it expects."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from tcomp.arrays import FloatArray
from tcomp.errors import FirmwareError
from tcomp.firmware.exporter import Export, Exporter, Files, Points
from tcomp.firmware.symbol import check_symbol
from tcomp.tables.layout import CorrectionTable

LARGEST_NUMBER = 100_000
"""More points than this are a mistake in the spacing: the table itself has 65 536 codes at most."""
SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " "}
PPB_PER_PPM = 1000


@dataclass(frozen=True)
class Quantity:
    """A column: what it is of the temperature [degC] or the offset [ppb], and its decimals; None: as many as are needed."""

    of_offset: bool
    factor: float
    addend: float = 0.0
    decimals: int | None = None


QUANTITIES = {
    "temperature_c": Quantity(False, 1.0),
    "temperature_k": Quantity(False, 1.0, 273.15),
    "temperature_f": Quantity(False, 1.8, 32.0),
    "offset_ppb": Quantity(True, 1.0, decimals=3),
    "offset_ppm": Quantity(True, 1.0 / PPB_PER_PPM, decimals=6),
    "minus_offset_ppb": Quantity(True, -1.0, decimals=3),
    "minus_offset_ppm": Quantity(True, -1.0 / PPB_PER_PPM, decimals=6),
}
"""Each column by its name: kelvin and degree Fahrenheit by their definitions (BIPM, The International System of Units, 2.3.1;
NIST SP 811, appendix B.8)."""


def points_text(table: CorrectionTable, points: Points) -> str:
    """Write a row for each temperature of the range that is a multiple of the spacing.

    The offset is the table's, on a straight line between the two codes beside the temperature.

    Raises
    ------
    FirmwareError
        A column is unknown, or the spacing leaves no point, or too many.
    """
    for name in points.columns:
        if name not in QUANTITIES:
            raise FirmwareError(
                f'the column "{name}" of the points is unknown; expected some of {", ".join(QUANTITIES)}'
            )
    temperature_c = point_temperatures_c(table, points.step_c)
    offset_ppb = _offset_ppb(table, temperature_c)
    cells = [_cells(QUANTITIES[name], temperature_c, offset_ppb) for name in points.columns]
    separator = SEPARATORS[points.separator]
    rows = [separator.join(row) for row in zip(*cells, strict=True)]
    return "".join(f"{row}\n" for row in ([separator.join(points.columns)] if points.heading else []) + rows)


def point_temperatures_c(table: CorrectionTable, step_c: float) -> FloatArray:
    """Multiples of the spacing within the range. [degC]

    Raises
    ------
    FirmwareError
        The spacing leaves no point, or too many.
    """
    ends_c = table.temperature_of([table.low_code, table.high_code])
    low_c, high_c = float(ends_c.min()), float(ends_c.max())
    step = Fraction(repr(step_c))
    first, last = -(-Fraction(low_c) // step), Fraction(high_c) // step
    if not 0 <= last - first < LARGEST_NUMBER:
        raise FirmwareError(
            f"points every {step_c:g} degC from {low_c:g} to {high_c:g} degC would be {max(last - first + 1, 0)}; expected "
            f"a spacing with 1 to {LARGEST_NUMBER} points"
        )
    return np.array([float(number * step) for number in range(int(first), int(last) + 1)])


def _offset_ppb(table: CorrectionTable, temperature_c: FloatArray) -> FloatArray:
    at_c, offset_ppb = table.temperature_of(table.codes), table.offset_ppt(table.codes) / 1000
    order = np.argsort(at_c)
    found: FloatArray = np.interp(temperature_c, at_c[order], offset_ppb[order])
    return found


def _cells(quantity: Quantity, temperature_c: FloatArray, offset_ppb: FloatArray) -> list[str]:
    values = (offset_ppb if quantity.of_offset else temperature_c) * quantity.factor + quantity.addend
    if quantity.decimals is None:
        return [f"{value:.10g}" for value in values.tolist()]
    # Zero has no sign: what reads numbers need not know of one.
    return [f"{round(value, quantity.decimals) + 0.0:.{quantity.decimals}f}" for value in values.tolist()]


def _files(export: Export) -> Files:
    check_symbol(export.symbol)
    return {f"{export.symbol}_points.txt": points_text(export.table, export.points)}


EXPORTER = Exporter(format="points", files=_files)
