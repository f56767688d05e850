"""Bytes of a table at a worst error, for curves that are hard in one way each: what each form takes, and which is smallest.

All curves are invented: an AT cut's cubic with a dip of 200 ppb, an order of 9 as of a compensated part's rest, and a tuning
fork's parabola. -40 to 85 degC, 100 counts per degC. A dash: the form does not reach the error in 1000 bytes.

python benchmarks/table_bytes.py
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial import chebyshev

from tcomp.arrays import FloatArray
from tcomp.firmware import code_cost
from tcomp.tables import CodedCurve, TemperatureScale, coded_curve
from tcomp.tables.design import Designs, Family
from tcomp.tables.layout import CorrectionTable
from tcomp.tables.layouts import LAYOUTS, every_family

LOW_C, HIGH_C = -40.0, 85.0
COUNTS_PER_C = 100.0
LARGEST_BYTES = 1000
ORDER_9_PPB = [0, 80, -60, 120, -80, 100, -60, 120, -80, 160]


def cubic_with_a_dip(temperature_c: FloatArray) -> FloatArray:
    """A cubic of an AT cut's size, and a dip of 200 ppb with a standard deviation of 1 degC."""
    cubic = 0.1 * (temperature_c - 26.0) ** 3 - 12.0 * (temperature_c - 26.0)
    return np.asarray(cubic - 200.0 * np.exp(-((temperature_c - 53.0) ** 2) / 2))


def order_9(temperature_c: FloatArray) -> FloatArray:
    """Chebyshev's polynomials up to the ninth."""
    return np.asarray(chebyshev.chebval((temperature_c - 22.5) / 62.5, ORDER_9_PPB))


def fork(temperature_c: FloatArray) -> FloatArray:
    """-35 ppb/degC**2 (common practice, no source)."""
    return np.asarray(-35.0 * (temperature_c - 25.0) ** 2)


CASES = [(cubic_with_a_dip, error_ppb) for error_ppb in (20.0, 5.0, 2.0)] + [(order_9, 2.0), (fork, 2.0)]


def smallest(families: list[Family], form: str, error_ppb: float) -> CorrectionTable | None:
    """The table of a form with the fewest bytes."""
    best: CorrectionTable | None = None
    for family in families:
        if family.form == form:
            table = family.smallest(error_ppb, LARGEST_BYTES if best is None else best.bytes - 1)
            best = table or best
    return best


def row(curve: CodedCurve, name: str, error_ppb: float) -> str:
    """One line of the table."""
    families = every_family(Designs(curve), None, "auto")
    found = {form: smallest(families, form, error_ppb) for form in LAYOUTS}
    best = min((table for table in found.values() if table is not None), key=lambda table: table.bytes)
    cost = code_cost(best)
    cells = [name.replace("_", " "), f"{error_ppb:g}"]
    cells += ["-" if table is None else str(table.bytes) for table in found.values()]
    cells += [best.form, f"{best.max_error_ppb:.2f}", f"{cost.flash_bytes} / {cost.avr_bytes}"]
    return f"| {' | '.join(cells)} |"


def main() -> None:
    """Print the table in Markdown."""
    heads = ["curve", "asked, ppb", *LAYOUTS, "smallest", "worst, ppb", "its program M0+ / AVR, bytes"]
    print(f"| {' | '.join(heads)} |")
    print(f"|{'---|' * len(heads)}")
    for curve, error_ppb in CASES:
        coded = coded_curve(curve, LOW_C, HIGH_C, TemperatureScale(COUNTS_PER_C))
        print(row(coded, curve.__name__, error_ppb), flush=True)


if __name__ == "__main__":
    main()
