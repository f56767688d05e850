"""The JSON Schema (draft 2020-12) of every document, by name."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterator
from importlib import resources
from typing import Any

from tcomp.documents.check import CheckDocument
from tcomp.documents.curve import CurveDocument
from tcomp.documents.fields import Json, Key, keys_of, schema_of
from tcomp.documents.folder import MadeFromDocument, UnitDocument
from tcomp.documents.inspection import InspectDocument
from tcomp.documents.log import LogDocument
from tcomp.documents.lot import LotDocument
from tcomp.documents.plan import PlanDocument, SettingDocument
from tcomp.documents.proof import ProofDocument
from tcomp.documents.summary import (
    DemoDocument,
    DesignDocument,
    ExploredDocument,
    ExportDocument,
    FitDocument,
    SummaryDocument,
)
from tcomp.documents.upkeep import ApplyDocument, RetrimDocument
from tcomp.documents.verdict import VerdictDocument
from tcomp.errors import TcompError

KINDS = (
    ApplyDocument,
    CheckDocument,
    CurveDocument,
    DemoDocument,
    DesignDocument,
    ExploredDocument,
    ExportDocument,
    FitDocument,
    InspectDocument,
    LogDocument,
    LotDocument,
    MadeFromDocument,
    PlanDocument,
    ProofDocument,
    RetrimDocument,
    SettingDocument,
    SummaryDocument,
    UnitDocument,
    VerdictDocument,
)
DOCUMENTS: dict[str, type[Any]] = {kind.ABOUT.name: kind for kind in KINDS}
"""Each document by its name."""
IN_FILES = ("table",)
"""Documents whose schema is a file."""


def schema_names() -> tuple[str, ...]:
    """All documents that have a schema, in alphabetical order."""
    return tuple(sorted({*DOCUMENTS, *IN_FILES}))


def read_schema(name: str) -> Json:
    """The schema of a document.

    Raises
    ------
    TcompError
        There is none of that name.

    Examples
    --------
    >>> read_schema("summary")["title"]
    'Summary of a build'
    """
    if name not in schema_names():
        near = difflib.get_close_matches(name, schema_names(), n=1, cutoff=0.5)
        hint = f"; the nearest is '{near[0]}'" if near else ""
        raise TcompError(f"there is no schema '{name}'{hint}; expected one of {', '.join(schema_names())}")
    if name in DOCUMENTS:
        return schema_of(DOCUMENTS[name])
    text = (resources.files("tcomp") / "schemas" / f"{name}.json").read_text(encoding="utf-8")
    schema: Json = json.loads(text)
    return schema


def schema_keys(*names: str) -> Iterator[Key]:
    """Every key of these documents, or of all, in the order of their schemas."""
    for name in names or schema_names():
        yield from keys_of(name, read_schema(name))
