"""What the firmware holds: a table of integers, designed for the least worst error."""

from tcomp.table.code_scale import AdcScale, CodeScale, TemperatureScale
from tcomp.table.design import design_table, sampled_table
from tcomp.table.lookup import CorrectionTable, read_table, table_text
from tcomp.table.search import smallest_sampled_table, smallest_table

__all__ = [
    "AdcScale",
    "CodeScale",
    "CorrectionTable",
    "TemperatureScale",
    "design_table",
    "read_table",
    "sampled_table",
    "smallest_sampled_table",
    "smallest_table",
    "table_text",
]
