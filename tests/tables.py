"""Tables of each layout from plain values, changed copies of them, and designs of uniform steps, for the tests."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

from tcomp.tables.code_scale import CodeScale
from tcomp.tables.coded_curve import OffsetOfTemperature, coded_curve
from tcomp.tables.design import Designs, best_of, sampled
from tcomp.tables.layout import CorrectionTable, Interpolation, Layout
from tcomp.tables.layouts.chebyshev import ChebyshevLayout
from tcomp.tables.layouts.even import EvenLayout
from tcomp.tables.layouts.patches import PatchLayout
from tcomp.tables.layouts.polynomial import Polynomial, PolynomialLayout
from tcomp.tables.layouts.segments import SegmentLayout
from tcomp.tables.layouts.steps import Align, StepLayout, step_layouts


def table_of(kind: type[Layout], **fields: Any) -> CorrectionTable:
    """The table of these fields; those that belong to its layout go there."""
    own = {name: fields.pop(name) for name in kind.json_keys() if name in fields}
    return CorrectionTable(layout=kind(count=len(fields["entries"]), **own), **fields)


step_table = partial(table_of, StepLayout)
even_table = partial(table_of, EvenLayout)
segment_table = partial(table_of, SegmentLayout)
polynomial_table_of = partial(table_of, PolynomialLayout)
chebyshev_table_of = partial(table_of, ChebyshevLayout)
patch_table = partial(table_of, PatchLayout)


def changed(found: Any, **fields: Any) -> Any:
    """A dataclass with other values; of a table those of its layout, too."""
    if not isinstance(found, CorrectionTable):
        return replace(found, **fields)
    own = {name: fields.pop(name) for name in found.layout.json_keys() if name in fields}
    count = len(fields.get("entries", found.entries))
    return replace(found, layout=replace(found.layout, count=count, **own), **fields)


def steps(count: int, interpolation: Interpolation, first_code: int, step_log2: int) -> StepLayout:
    """Knots a power of two of codes apart."""
    return StepLayout(count=count, interpolation=interpolation, first_code=first_code, step_log2=step_log2)


def evenly(
    count: int,
    interpolation: Interpolation,
    first_code: int,
    codes_to_index_q16: int,
    polynomial: Polynomial | None = None,
) -> EvenLayout:
    """Knots evenly spaced."""
    return EvenLayout(
        count=count, interpolation=interpolation, first_code=first_code, codes_to_index_q16=codes_to_index_q16,
        polynomial=polynomial,
    )  # fmt: skip


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
    """The entries whose largest error is least, at knots 2**step_log2 codes apart."""
    designs = Designs(coded_curve(offset_ppb_of, low_c, high_c, scale))
    layouts = step_layouts(designs.curve, step_log2, interpolation, align)
    return best_of([designs.table(layout, entry_bits) for layout in layouts], designs.curve)


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
    """The curve at the knots, rounded: the plain rival of a designed table."""
    curve = coded_curve(offset_ppb_of, low_c, high_c, scale)
    layouts = step_layouts(curve, step_log2, interpolation, align)
    return best_of([sampled(curve, layout, entry_bits) for layout in layouts], curve)
