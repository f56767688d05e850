"""The smallest table that is good enough, or the best that fits."""

from __future__ import annotations

from itertools import groupby

from tcomp.errors import TableError
from tcomp.table.code_scale import CodeScale
from tcomp.table.coded_curve import CodedCurve, OffsetOfTemperature, coded_curve
from tcomp.table.design import Designs, best_of, sampled
from tcomp.table.lookup import CorrectionTable, Interpolation
from tcomp.table.shape import Align, Shape, shapes
from tcomp.table.step_table import LARGEST_STEP_LOG2

Choice = tuple[int, Shape]
"""Width of the entries in bits, and where the knots lie."""


def smallest_table(
    offset_ppb_of: OffsetOfTemperature,
    *,
    low_c: float,
    high_c: float,
    scale: CodeScale,
    interpolation: Interpolation,
    align: Align,
    max_error_ppb: float | None,
    max_bytes: int | None,
) -> CorrectionTable:
    """Find the designed table of fewest bytes that meets an error; or of least error that fits.

    Every step that is a power of two of codes, and entries of 16 and of 32 bits, are weighed.

    Parameters
    ----------
    offset_ppb_of, low_c, high_c, scale, interpolation, align
        As for :func:`tcomp.table.design.design_table`.
    max_error_ppb : float or None
        The largest error over every code. [ppb] None: the least that fits ``max_bytes``.
    max_bytes : int or None
        What the entries may take. [bytes] None: whatever ``max_error_ppb`` needs.

    Raises
    ------
    TableError
        Neither limit is given, or they cannot be met; the message says what could be.

    Examples
    --------
    >>> from tcomp.table.code_scale import TemperatureScale
    >>> table = smallest_table(
    ...     lambda t: -35.0 * (t - 25.0) ** 2, low_c=-40, high_c=85, scale=TemperatureScale(51.2),
    ...     interpolation="linear", align="auto", max_error_ppb=120.0, max_bytes=None)
    >>> table.bytes, table.step / 51.2
    (52, 5.0)
    """
    _check_limits(max_error_ppb, max_bytes)
    designs = Designs(coded_curve(offset_ppb_of, low_c, high_c, scale))
    choices = _choices(designs.curve, interpolation, align)
    fitting = [choice for choice in choices if max_bytes is None or _bytes(choice) <= max_bytes]
    if not fitting:
        raise TableError(f"max_bytes is {max_bytes}; the smallest table takes {_bytes(choices[0])} bytes")
    if max_error_ppb is None:
        return _least_error(designs, fitting)
    found = _first_that_meets(designs, fitting, max_error_ppb)
    if found is None:
        raise TableError(_unmet(designs, choices, fitting, max_error_ppb, max_bytes))
    return found


def smallest_sampled_table(
    offset_ppb_of: OffsetOfTemperature,
    *,
    low_c: float,
    high_c: float,
    scale: CodeScale,
    interpolation: Interpolation,
    align: Align,
    max_error_ppb: float,
) -> CorrectionTable:
    """Find the smallest table of plain samples with at most that error: the rival in a report.

    Raises
    ------
    TableError
        Even one sample per code, of 32 bits, is not good enough.
    """
    curve = coded_curve(offset_ppb_of, low_c, high_c, scale)
    choices = _choices(curve, interpolation, align)
    for _, equal in groupby(choices, key=_bytes):
        table = best_of([sampled(curve, shape, entry_bits) for entry_bits, shape in equal], curve)
        if table.max_error_ppb <= max_error_ppb:
            return table
    raise TableError(f"no table of samples meets {max_error_ppb:g} ppb; expected a larger max_error_ppb")


def _check_limits(max_error_ppb: float | None, max_bytes: int | None) -> None:
    if max_error_ppb is None and max_bytes is None:
        raise TableError("neither max_error_ppb nor max_bytes is given; expected one of them at least")
    if max_error_ppb is not None and not max_error_ppb > 0:
        raise TableError(f"max_error_ppb is {max_error_ppb:g}; expected a positive number of ppb")


def _choices(curve: CodedCurve, interpolation: Interpolation, align: Align) -> list[Choice]:
    """Every width and placing, fewest bytes first; of equal bytes, narrow entries first."""
    every = [
        (entry_bits, shape)
        for entry_bits in (16, 32)
        for step_log2 in range(LARGEST_STEP_LOG2, -1, -1)
        for shape in shapes(curve, step_log2, interpolation, align)
    ]
    return sorted(every, key=_bytes)


def _bytes(choice: Choice) -> int:
    entry_bits, shape = choice
    return shape.bytes(entry_bits)


def _first_that_meets(designs: Designs, choices: list[Choice], max_error_ppb: float) -> CorrectionTable | None:
    """Walk from few bytes to many; of equal bytes take the least error."""
    for _, equal in groupby(choices, key=_bytes):
        promising = [(bits, shape) for bits, shape in equal if designs.bound_ppb(shape, bits) <= max_error_ppb]
        if promising:
            table = best_of([designs.table(shape, bits) for bits, shape in promising], designs.curve)
            if table.max_error_ppb <= max_error_ppb:
                return table
    return None


def _least_error(designs: Designs, choices: list[Choice]) -> CorrectionTable:
    """Walk from many bytes to few, as fine tables are good ones, and leave out what cannot be better."""
    best: CorrectionTable | None = None
    for entry_bits, shape in reversed(choices):
        if best is None or designs.bound_ppb(shape, entry_bits) <= best.max_error_ppb:
            table = designs.table(shape, entry_bits)
            if best is None or (table.max_error_ppb, table.bytes) <= (best.max_error_ppb, best.bytes):
                best = table
    assert best is not None  # There is one choice at least, and the first of them is always designed.
    return best


def _unmet(
    designs: Designs, choices: list[Choice], fitting: list[Choice], max_error_ppb: float, max_bytes: int | None
) -> str:
    needed = None if max_bytes is None else _first_that_meets(designs, choices, max_error_ppb)
    best = _least_error(designs, choices if needed is None else fitting)
    reached = f"{best.bytes} bytes reach {best.max_error_ppb:.4g} ppb"
    if needed is None:
        return f"no table meets max_error_ppb {max_error_ppb:g}: {reached}, and none does better; expected a larger one"
    return (
        f"no table of at most {max_bytes} bytes meets max_error_ppb {max_error_ppb:g}: {reached}; "
        f"{max_error_ppb:g} ppb needs {needed.bytes} bytes"
    )
