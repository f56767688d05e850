"""A table of a given step is designed, not sampled: its largest error over every code is least."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from tcomp.errors import TableError
from tcomp.table.code_scale import CodeScale
from tcomp.table.coded_curve import CodedCurve, OffsetOfTemperature, coded_curve
from tcomp.table.fixed_point import smallest_unit_log2_ppt, unit_ppb
from tcomp.table.lookup import LARGEST_UNIT_LOG2_PPT, CorrectionTable, Interpolation
from tcomp.table.minimax import RealEntries, least_error_bound_ppb, minimax_entries, sampled_entries
from tcomp.table.rounding import best_integers, nearest_integers
from tcomp.table.shape import Align, Shape, shapes


def design_table(
    offset_ppb_of: OffsetOfTemperature,
    *,
    low_c: float,
    high_c: float,
    scale: CodeScale,
    interpolation: Interpolation,
    align: Align,
    step_log2: int,
    entry_bits: int,
) -> CorrectionTable:
    """Design the entries whose largest error, as the integer lookup returns it, is least.

    Parameters
    ----------
    offset_ppb_of : callable
        The curve: temperatures in (array, degC), offsets out (array of the same shape, ppb).
    low_c, high_c : float
        The range that the curve is good for. [degC]
    scale : CodeScale
        What the firmware's code stands for.
    interpolation : {"linear", "nearest"}
        How the firmware reads between knots.
    align : {"auto", "range", "step"}
        Knots at multiples of the step, or from the range's low end on; "auto" takes the better,
        of these and of knots that end with the range.
    step_log2 : int
        2**step_log2 codes between knots, 0 to 15.
    entry_bits : int
        16 or 32.

    Returns
    -------
    CorrectionTable
        With the errors of the finished integers, over every code of the range.

    Raises
    ------
    TableError
        The range does not fit the codes, or the curve is not finite or leaves an int32 of ppt.

    Examples
    --------
    A parabola of -35 ppb/degC**2, knots 5 degC apart: the chords sag by 35 * 5**2 / 4 = 218.75 ppb,
    and half of that is what free entries reach (arithmetic; the rest is the entry unit).

    >>> from tcomp.table.code_scale import TemperatureScale
    >>> table = design_table(
    ...     lambda t: -35.0 * (t - 25.0) ** 2, low_c=-40, high_c=85, scale=TemperatureScale(51.2),
    ...     interpolation="linear", align="range", step_log2=8, entry_bits=32)
    >>> len(table.entries), round(table.max_error_ppb, 2)
    (26, 109.38)
    """
    designs = Designs(coded_curve(offset_ppb_of, low_c, high_c, scale))
    placings = shapes(designs.curve, step_log2, interpolation, align)
    return best_of([designs.table(shape, entry_bits) for shape in placings], designs.curve)


def sampled_table(
    offset_ppb_of: OffsetOfTemperature,
    *,
    low_c: float,
    high_c: float,
    scale: CodeScale,
    interpolation: Interpolation,
    align: Align,
    step_log2: int,
    entry_bits: int,
) -> CorrectionTable:
    """Take the curve at the knots, rounded: the plain rival of :func:`design_table`.

    Parameters, result and errors are those of :func:`design_table`.
    """
    curve = coded_curve(offset_ppb_of, low_c, high_c, scale)
    placings = shapes(curve, step_log2, interpolation, align)
    return best_of([sampled(curve, shape, entry_bits) for shape in placings], curve)


def best_of(tables: Iterable[CorrectionTable], curve: CodedCurve) -> CorrectionTable:
    """Return the table of least worst error; among equals the one with fewer entries, then the first."""
    return min(tables, key=lambda table: (told_ppb(curve.judged_ppb(table)), len(table.entries)))


@dataclass(frozen=True, eq=False)
class Designs:
    """Designs for one curve; what was worked out for a shape serves both widths of its entries.

    ``enough_ppb``: a worst error as good as a lesser one. [ppb]
    """

    curve: CodedCurve
    enough_ppb: float = 0.0
    _real: dict[Shape, RealEntries] = field(default_factory=dict)

    def bound_ppb(self, shape: Shape, entry_bits: int) -> float:
        """Return an error that no integer table of this shape goes below. [ppb]

        The lookup rounds once more, by half a unit at most, which may happen to help.
        """
        real = self._real.get(shape)
        bound_ppb = least_error_bound_ppb(self.curve, shape) if real is None else real.bound_ppb
        unit_log2_ppt = smallest_unit_log2_ppt(self.curve.offset_ppb, entry_bits)
        return bound_ppb - unit_ppb(unit_log2_ppt) / 2

    def table(self, shape: Shape, entry_bits: int) -> CorrectionTable:
        """Design the entries of one shape.

        Raises
        ------
        TableError
            No entries of this width make a sound table of this shape.
        """
        optimum = self._real.setdefault(shape, minimax_entries(self.curve, shape))
        rival = sampled_entries(self.curve, shape)
        # The optimum swings a little wider than the curve, so it may need the next larger unit:
        # which of the two tables is better shows only when both are finished.
        units = {smallest_unit_log2_ppt(real.entries_ppb, entry_bits) for real in (optimum, rival)}
        if shape.interpolation == "quadratic":
            return self._curved(shape, entry_bits, max(units), optimum, rival)
        return best_of([self._in_unit(shape, entry_bits, unit, optimum, rival) for unit in sorted(units)], self.curve)

    def _curved(
        self, shape: Shape, entry_bits: int, unit_log2_ppt: int, optimum: RealEntries, rival: RealEntries
    ) -> CorrectionTable:
        """Parabolas: where neighbours differ by more than an int16 holds, the next unit halves that."""
        try:
            return self._in_unit(shape, entry_bits, unit_log2_ppt, optimum, rival)
        except TableError:
            return self._in_unit(shape, entry_bits, min(unit_log2_ppt + 1, LARGEST_UNIT_LOG2_PPT), optimum, rival)

    def _in_unit(
        self, shape: Shape, entry_bits: int, unit_log2_ppt: int, optimum: RealEntries, rival: RealEntries
    ) -> CorrectionTable:
        entries = best_integers(
            self.curve,
            shape,
            optimum_ppb=optimum.entries_ppb,
            sampled_ppb=rival.entries_ppb,
            unit_log2_ppt=unit_log2_ppt,
            entry_bits=entry_bits,
            enough_ppb=self.enough_ppb,
        )
        table = finished(self.curve, shape, entry_bits, unit_log2_ppt, entries)
        return replace(table, bound_ppb=told_ppb(max(optimum.bound_ppb, 0.0)))


def sampled(curve: CodedCurve, shape: Shape, entry_bits: int) -> CorrectionTable:
    """Finish the sampled table of one shape."""
    entries_ppb = sampled_entries(curve, shape).entries_ppb
    unit_log2_ppt = smallest_unit_log2_ppt(entries_ppb, entry_bits)
    entries = nearest_integers(entries_ppb, unit_log2_ppt, entry_bits)
    return finished(curve, shape, entry_bits, unit_log2_ppt, entries)


def finished(
    curve: CodedCurve, shape: Shape, entry_bits: int, unit_log2_ppt: int, entries: tuple[int, ...]
) -> CorrectionTable:
    """Make the table, and measure it over every code with the lookup that the firmware will use."""
    return measured(
        curve,
        shape.table(
            scale=curve.scale,
            low_code=curve.low_code,
            high_code=curve.high_code,
            entry_bits=entry_bits,
            unit_log2_ppt=unit_log2_ppt,
            entries=entries,
            max_error_ppb=0.0,
            rms_error_ppb=0.0,
        ),
    )


def measured(curve: CodedCurve, table: CorrectionTable) -> CorrectionTable:
    """Give a table the errors that it has over every code."""
    errors_ppb = curve.errors_ppb(table)
    return replace(
        table,
        max_error_ppb=told_ppb(float(np.abs(errors_ppb).max())),
        rms_error_ppb=told_ppb(float(np.sqrt(np.mean(errors_ppb**2)))),
    )


def told_ppb(error_ppb: float) -> float:
    """An error with the digits that mean something: the last bits of a double depend on the machine's threads."""
    return float(f"{error_ppb:.9g}")
