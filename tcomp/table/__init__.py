"""What the firmware holds: a table of integers, designed for the least worst error."""

from tcomp.table.breakpoint_table import BreakpointTable
from tcomp.table.choice import Explored, Wanted, cheapest_table, explored
from tcomp.table.code_scale import AdcScale, CodeScale, TemperatureScale
from tcomp.table.coded_curve import CodedCurve, coded_curve
from tcomp.table.design import design_table, sampled_table
from tcomp.table.even_table import EvenTable
from tcomp.table.lookup import CorrectionTable
from tcomp.table.polynomial import Polynomial, PolynomialTable
from tcomp.table.search import smallest_sampled_table, smallest_table
from tcomp.table.segment_table import SegmentTable
from tcomp.table.step_table import StepTable
from tcomp.table.table_file import read_table, table_of_json, table_text

__all__ = [
    "AdcScale",
    "BreakpointTable",
    "CodeScale",
    "CodedCurve",
    "CorrectionTable",
    "EvenTable",
    "Explored",
    "Polynomial",
    "PolynomialTable",
    "SegmentTable",
    "StepTable",
    "TemperatureScale",
    "Wanted",
    "cheapest_table",
    "coded_curve",
    "design_table",
    "explored",
    "read_table",
    "sampled_table",
    "smallest_sampled_table",
    "smallest_table",
    "table_of_json",
    "table_text",
]
