"""The layouts of tables, one a module: how the entries lie, the integer lookup, and the sizes to choose from.

A new layout is a module here with its place in the two registries below, and the C that reads it in
``tcomp/firmware/c_lookup.py``.
"""

from tcomp.tables.design import Designs, Family
from tcomp.tables.layout import Interpolation, Layout
from tcomp.tables.layouts.chebyshev import ChebyshevLayout, chebyshev_families
from tcomp.tables.layouts.even import EvenLayout, even_families
from tcomp.tables.layouts.patches import PatchLayout, patch_families
from tcomp.tables.layouts.polynomial import PolynomialLayout, polynomial_families
from tcomp.tables.layouts.segments import SegmentLayout, segment_families
from tcomp.tables.layouts.steps import Align, StepLayout, step_families

LAYOUTS: dict[str, type[Layout]] = {
    layout.form: layout
    for layout in (StepLayout, EvenLayout, SegmentLayout, PolynomialLayout, ChebyshevLayout, PatchLayout)
}
"""Each layout by its name in jobs and files."""
FAMILIES = (polynomial_families, chebyshev_families, patch_families, even_families, step_families, segment_families)
"""What gives the families of each layout, for one interpolation or for all of them (None)."""


def every_family(designs: Designs, interpolation: Interpolation | None, align: Align) -> list[Family]:
    """The families of every layout, those first that are likely to be small."""
    found = [family for families in FAMILIES for family in families(designs, interpolation, align)]
    return sorted(found, key=lambda family: (family.priority, family.entry_bits if family.priority == 2 else 0))


__all__ = ["FAMILIES", "LAYOUTS", "Align", "every_family"]
