"""Schemas read, put together with those that they lean on, and cut into keys with what each means."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from typing import Any

from tcomp.errors import TcompError

URN = "urn:tcomp:schema:"
Schema = dict[str, Any]


@dataclass(frozen=True)
class Key:
    """A key of a JSON document: where it stands, such as ``curve.range_c[]``, what it holds, and what it means."""

    schema: str
    path: str
    kinds: tuple[str, ...]
    optional: bool
    meaning: str

    @property
    def name(self) -> str:
        """The last part of the path.

        >>> Key("summary", "curve.jumps[].time_s", ("number",), False, "").name
        'time_s'
        """
        return self.path.rpartition(".")[2].removesuffix("[]")


def schema_names() -> tuple[str, ...]:
    """All schemas, in the order of the alphabet."""
    files = resources.files("tcomp.schemas").iterdir()
    return tuple(sorted(path.name.removesuffix(".json") for path in files if path.name.endswith(".json")))


def read_schema(name: str) -> Schema:
    """A schema as its file holds it.

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
    text = (resources.files("tcomp.schemas") / f"{name}.json").read_text(encoding="utf-8")
    schema: Schema = json.loads(text)
    return schema


def bundled(name: str) -> Schema:
    """A schema that needs no other file: those that it refers to stand under ``$defs``, by their own ``$id``.

    >>> list(bundled("fit")["$defs"]), "$defs" in bundled("check")
    (['proof', 'summary'], False)
    """
    schema = read_schema(name)
    others: dict[str, Schema] = {}
    waiting = _referred(schema) - {name}
    while waiting:
        other = waiting.pop()
        others[other] = read_schema(other)
        waiting |= _referred(others[other]) - others.keys() - {name}
    if not others:
        return schema
    return schema | {"$defs": schema.get("$defs", {}) | {other: others[other] for other in sorted(others)}}


def _referred(node: Any) -> set[str]:
    """Names of the schemas that a part of one refers to."""
    if isinstance(node, list):
        return {name for one in node for name in _referred(one)}
    if not isinstance(node, dict):
        return set()
    own = {str(node["$ref"]).removeprefix(URN).split(":")[0]} if str(node.get("$ref", "")).startswith(URN) else set()
    return own | {name for one in node.values() for name in _referred(one)}


def keys() -> Iterator[Key]:
    """Every key of every schema; what a schema takes over from another is told there."""
    for name in schema_names():
        yield from keys_of(name)


def keys_of(name: str, *, everywhere: bool = False) -> Iterator[Key]:
    """The keys of a schema in their order; ``everywhere``: those behind references to others, too."""
    root = read_schema(name)
    yield from _keys(name, _resolved(root, root, always=True), root, "", everywhere)


def _resolved(node: Schema, root: Schema, *, always: bool) -> Schema:
    """The node, or what it refers to: within its file, or ``always``."""
    reference = node.get("$ref")
    if reference is None:
        return node
    owner, _, pointer = str(reference).partition("#/")
    if owner and not always:
        return node
    target: Any = read_schema(owner.removeprefix(URN).split(":")[0]) if owner else root
    for part in pointer.split("/"):
        target = target[part]
    return _resolved(target, root, always=always)


def _keys(name: str, node: Schema, root: Schema, path: str, everywhere: bool) -> Iterator[Key]:
    for at, inner in _children(node):
        if at in ("[]", ".NAME"):
            yield from _keys(name, inner, root, f"{path}{at}", everywhere)
            continue
        target = _resolved(inner, root, always=everywhere)
        own = f"{path}.{at}" if path else at
        shown = f"{own}[]" if "items" in target else own
        optional = at not in node.get("required", ())
        yield Key(name, shown, _kinds(target), optional, _meaning(inner, root))
        yield from _keys(name, target, root, own, everywhere)
    for choice in node.get("oneOf", ()):
        yield from _keys(name, choice, root, path, everywhere)


def _children(node: Schema) -> Iterator[tuple[str, Schema]]:
    yield from node.get("properties", {}).items()
    if isinstance(node.get("items"), dict):
        yield "[]", node["items"]
    if isinstance(node.get("additionalProperties"), dict):
        yield ".NAME", node["additionalProperties"]


def _kinds(node: Schema) -> tuple[str, ...]:
    if "const" in node:
        return (json.dumps(node["const"]),)
    if "enum" in node:
        return tuple(map(json.dumps, node["enum"]))
    if "oneOf" in node:
        return tuple(dict.fromkeys(kind for one in node["oneOf"] for kind in _kinds(one)))
    kind = node.get("type", "object")
    return (kind,) if isinstance(kind, str) else tuple(kind)


def _meaning(node: Schema, root: Schema) -> str:
    text: str = node["description"] if "description" in node else _resolved(node, root, always=True)["description"]
    return text
