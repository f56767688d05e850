"""The forms of all JSON that the tool prints or writes: a JSON Schema (draft 2020-12) in a file each."""

from __future__ import annotations

from tcomp.schemas.schemas import Key, bundled, keys, keys_of, read_schema, schema_names

__all__ = ["Key", "bundled", "keys", "keys_of", "read_schema", "schema_names"]
