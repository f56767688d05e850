"""The table as JSON: the text of ``table.json``."""

from __future__ import annotations

from tcomp.firmware.exporter import Export, Exporter, Files
from tcomp.tables.table_file import table_text


def _files(export: Export) -> Files:
    return {f"{export.symbol}.json": table_text(export.table)}


EXPORTER = Exporter(format="json", files=_files)
