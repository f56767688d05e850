"""What the firmware holds: a table of integers, designed for the least worst error."""

from tcomp.table.design import design_table, sampled_table
from tcomp.table.lookup import CorrectionTable, read_table, table_text
from tcomp.table.search import smallest_sampled_table, smallest_table

__all__ = [
    "CorrectionTable",
    "design_table",
    "read_table",
    "sampled_table",
    "smallest_sampled_table",
    "smallest_table",
    "table_text",
]
