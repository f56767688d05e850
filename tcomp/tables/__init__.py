"""What the firmware holds: a table of integers, designed for the least worst error.

A `CorrectionTable` (`tables/layout.py`) is a `Layout` with its entries. A module per layout stands in `tables/layouts/`: where
the entries lie, the integer lookup (the specification), its keys in `table.json`, and its family, which is the sizes to try.
Those with entries at knots over the whole range are `KnotLayout`s: `locate` turns a code into the index of an entry and a part
in 2^16, and `layout.interpolated` or `layout.curved` does the rest. `minimax` is the linear programme for the real optimum of
any layout (its result is `bound_ppb`, the certificate: no entries of these knots reach less), `rounding` the choice of integers
by dynamic programming over two units to either side, judged by the integer lookup. `choice` takes the cheapest of all and
explores the front. What the program of a layout costs is stated in `firmware/c_lookup.py` and measured by its test; `tables/`
does not know it, so that the choice is handed a function.

A new layout needs: its module, with its place in the registries of `tables/layouts/__init__.py`; its C and the cost of that in
`firmware/c_lookup.py`; its name in the job's `[table] form`; and a table of it in `tests/test_tables_forms.py` and
`tests/test_proof_bit_exact.py`.

A new language or file format needs: a module in `firmware/exporters/` that ends with an `EXPORTER`, its place in the registry of
`firmware/exporters/__init__.py`, its name in the job's `[firmware] formats`, and a test.

Segments are laid for an error by the sag of the chord and judged by the programme afterwards. Patches are laid where a
polynomial of least absolute residuals, which a dip hardly moves, leaves the error asked for. Coefficients come from a linear
programme that is given the worst codes until none is worse than promised, then from an integer programme where rounding costs
more than 2 % of the optimum, then by steps of one and two units, as rounded products are not what the programmes see
(`coefficients`).
"""

from tcomp.tables.choice import Explored, TableSpec, cheapest_table, default_table, explored
from tcomp.tables.code_scale import AdcScale, CodeScale, TemperatureScale
from tcomp.tables.coded_curve import CodedCurve, coded_curve
from tcomp.tables.layout import CorrectionTable
from tcomp.tables.layouts.chebyshev import ChebyshevLayout
from tcomp.tables.layouts.even import EvenLayout
from tcomp.tables.layouts.patches import PatchLayout
from tcomp.tables.layouts.polynomial import Polynomial, PolynomialLayout
from tcomp.tables.layouts.segments import SegmentLayout
from tcomp.tables.layouts.steps import StepLayout, smallest_sampled_table
from tcomp.tables.table_file import read_table, table_of_json, table_text

__all__ = [
    "AdcScale",
    "ChebyshevLayout",
    "CodeScale",
    "CodedCurve",
    "CorrectionTable",
    "EvenLayout",
    "Explored",
    "PatchLayout",
    "Polynomial",
    "PolynomialLayout",
    "SegmentLayout",
    "StepLayout",
    "TableSpec",
    "TemperatureScale",
    "cheapest_table",
    "coded_curve",
    "default_table",
    "explored",
    "read_table",
    "smallest_sampled_table",
    "table_of_json",
    "table_text",
]
