"""The table as text for a microcontroller: C99, and CSV."""

from tcomp.firmware.c_source import c_source
from tcomp.firmware.csv_file import csv_text, read_csv_text
from tcomp.firmware.stamp import Stamp
from tcomp.firmware.symbol import check_symbol

__all__ = ["Stamp", "c_source", "check_symbol", "csv_text", "read_csv_text"]
