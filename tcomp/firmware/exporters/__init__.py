"""The languages and file formats of the firmware, one a module: a new one is a module here, and its place below."""

from tcomp.errors import FirmwareError
from tcomp.firmware.exporter import Export, Files
from tcomp.firmware.exporters import c99, cpp, csv, hex, image, json, points, python, readmemh, rust

MODULES = (c99, csv, json, hex, image, cpp, rust, python, readmemh, points)
EXPORTERS = {one.EXPORTER.format: one.EXPORTER for one in MODULES}
"""Each exporter by its name in ``[firmware] formats``, in the order in which files are written."""


def check_reserved(symbol: str, formats: tuple[str, ...]) -> None:
    """Refuse a symbol that a language keeps to itself.

    Raises
    ------
    FirmwareError
        It is a word of a language among the formats; the message gives one that would do.
    """
    for name in formats:
        if name in EXPORTERS and symbol in EXPORTERS[name].reserved:
            raise FirmwareError(
                f'symbol "{symbol}" is a word that {EXPORTERS[name].language} keeps to itself; "{symbol}_table" would do'
            )


def exported(export: Export) -> Files:
    """The files of all formats asked for.

    Raises
    ------
    FirmwareError
        The symbol will not do, a correction is unknown, or a format cannot hold the table.
    """
    check_reserved(export.symbol, export.formats)
    found: Files = {}
    for name, exporter in EXPORTERS.items():
        if name in export.formats:
            found |= exporter.files(export)
    return found


__all__ = ["EXPORTERS", "check_reserved", "exported"]
