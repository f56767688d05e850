"""Which C reads which form of table, and the numbers that it needs."""

from __future__ import annotations

from functools import singledispatch

from tcomp.errors import FirmwareError
from tcomp.table.lookup import CorrectionTable
from tcomp.table.step_table import StepTable


@singledispatch
def lookup_template(table: CorrectionTable) -> str:
    """Name of the template of the lookup."""
    raise FirmwareError(f'there is no C for a table of the form "{table.form}"')


@singledispatch
def lookup_names(table: CorrectionTable) -> dict[str, object]:
    """What the lookup's template fills in, besides what all of them have."""
    raise FirmwareError(f'there is no C for a table of the form "{table.form}"')


@lookup_template.register
def _(table: StepTable) -> str:
    # With a knot at every code, or with one knot, there is no line to walk along.
    lines = table.interpolation == "linear" and table.step_log2 > 0 and len(table.entries) > 1
    return "lookup_linear.c" if lines else "lookup_nearest.c"


@lookup_names.register
def _(table: StepTable) -> dict[str, object]:
    return {
        "origin_code": table.origin_code,
        "step_log2": table.step_log2,
        "step": table.step,
        "step_mask": table.step - 1,
        "half": table.step >> 1,
    }
