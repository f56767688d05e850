"""The table as text for a microcontroller: C99, and CSV; and as bytes: a binary image, and Intel HEX."""

from tcomp.firmware.c_source import c_source, image_source
from tcomp.firmware.code_size import CodeCost, code_cost
from tcomp.firmware.csv_file import csv_text, read_csv_text
from tcomp.firmware.image import image_bytes
from tcomp.firmware.intel_hex import hex_text
from tcomp.firmware.stamp import Stamp
from tcomp.firmware.symbol import check_symbol

__all__ = [
    "CodeCost",
    "Stamp",
    "c_source",
    "check_symbol",
    "code_cost",
    "csv_text",
    "hex_text",
    "image_bytes",
    "image_source",
    "read_csv_text",
]
