"""The table for a microcontroller: as a program, as text, and as an image; and what is done there with an offset."""

from tcomp.firmware.c_lookup import COSTED, CodeCost, code_bytes, code_cost, code_cycles
from tcomp.firmware.exporter import Export, Files, Points, Stamp, Unit
from tcomp.firmware.exporters import EXPORTERS, check_reserved, exported
from tcomp.firmware.exporters.c99 import c_source
from tcomp.firmware.exporters.csv import csv_text
from tcomp.firmware.exporters.hex import hex_text
from tcomp.firmware.exporters.image import image_bytes, image_source
from tcomp.firmware.symbol import check_symbol

__all__ = [
    "COSTED",
    "EXPORTERS",
    "CodeCost",
    "Export",
    "Files",
    "Points",
    "Stamp",
    "Unit",
    "c_source",
    "check_reserved",
    "check_symbol",
    "code_bytes",
    "code_cost",
    "code_cycles",
    "csv_text",
    "exported",
    "hex_text",
    "image_bytes",
    "image_source",
]
