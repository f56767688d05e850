"""``table.json``: a table of any form, written and read back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tcomp.errors import TableError
from tcomp.files import read_json
from tcomp.tables.code_scale import scale_of_json
from tcomp.tables.layout import SCHEMA, SCHEMA_NAME, SCHEMA_VERSION, CorrectionTable, table_keys
from tcomp.tables.layouts import LAYOUTS

LARGEST_PPB = 1e12
"""No error is as large: 1e9 ppb is the whole frequency."""


def table_text(table: CorrectionTable) -> str:
    """Return the text of ``table.json``: sorted keys, a newline at the end, the same bytes each time."""
    return json.dumps(table.to_json_dict(), indent=1, sort_keys=True, allow_nan=False) + "\n"


def read_table(path: str | Path) -> CorrectionTable:
    """Read ``table.json``.

    Raises
    ------
    TableError
        The file is missing, is no JSON, or holds no sound table; the message begins with its name.
    """
    name = Path(path).name
    try:
        content = read_json(Path(path))
    except OSError as error:
        raise TableError(f"{name}: cannot be read ({error.strerror}); run the table stage first") from error
    except ValueError as error:
        raise TableError(f"{name}: is no JSON text ({error})") from error
    try:
        return table_of_json(content)
    except TableError as error:
        raise TableError(f"{name}: {error}") from error


def table_of_json(content: object) -> CorrectionTable:
    """Read a table from what its ``to_json_dict`` gave.

    Raises
    ------
    TableError
        A key is missing, unknown or of the wrong kind, the schema is another one, or the
        entries do not have the CRC-32 that was stored with them.
    """
    if not isinstance(content, dict):
        raise TableError(f'this is no table: expected a JSON object with "schema": "{SCHEMA}"')
    _check_schema(content.get("schema"))
    layout_keys = _layout_keys(content.get("form"))
    expected = {*table_keys(), *layout_keys, "form", "schema", "crc32"}
    if content.keys() != expected:
        odd = ", ".join(sorted(str(key) for key in content.keys() ^ expected))
        raise TableError(f"the keys of the table are not those of {SCHEMA}: missing or unknown are {odd}")
    own = {name: _read(name, content[name]) for name in table_keys()}
    layout = LAYOUTS[content["form"]].from_json(len(own["entries"]), {name: content[name] for name in layout_keys})
    table = CorrectionTable(layout=layout, **own)
    if content["crc32"] != f"0x{table.crc32:08X}":
        raise TableError(
            f"the entries have CRC-32 0x{table.crc32:08X} and the table says {content['crc32']}: "
            "it was changed or damaged; design it again"
        )
    return table


def _layout_keys(form: object) -> tuple[str, ...]:
    if not isinstance(form, str) or form not in LAYOUTS:
        raise TableError(f"form is {form!r}; expected one of {', '.join(LAYOUTS)}")
    return LAYOUTS[form].json_keys()


def _read(name: str, value: Any) -> Any:
    """A value of the file as the field that it fills."""
    if name == "scale":
        return scale_of_json(value)
    if name == "entries":
        if not isinstance(value, list):
            raise TableError(f"{name} is no list; expected a list of integers")
        return tuple(value)
    numeric = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < LARGEST_PPB
    if name.endswith("_ppb") and not numeric and not (name == "bound_ppb" and value is None):
        raise TableError(f"{name} is {value!r}; expected a number")
    return value


def _check_schema(schema: object) -> None:
    """Refuse another version, with what to do about it."""
    if schema == SCHEMA:
        return
    name, _, version = str(schema).rpartition(" ")
    if name != SCHEMA_NAME or not version.isdecimal():
        raise TableError(f'this is no table: expected a JSON object with "schema": "{SCHEMA}"')
    if int(version) < SCHEMA_VERSION:
        raise TableError(
            f'this is a table of an older form ("{schema}", where "{SCHEMA}" is expected; "pace" is "codes_to_index_q16" now, and '
            'there is no form "breakpoints"): run `tcomp table` on its job again'
        )
    raise TableError(
        f'this is a table of a newer form ("{schema}"; "{SCHEMA}" is expected): read it with a newer tcomp'
    )
