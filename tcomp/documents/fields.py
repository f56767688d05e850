"""How a result is declared as a dataclass, and what follows from the declaration: its JSON, its reader and its JSON Schema.

A document is a frozen dataclass whose fields are declared by :func:`entry` or :func:`in_unit`, with one line of explanation
and a unit.  Fields may hold str, bool, int, float, None, enums, tuples, dicts with text keys, unions of these, and further
dataclasses.  The keys of the JSON are the names of the fields; an underscore at the end of a name is not part of its key.
"""

from __future__ import annotations

import json
import math
import types
from collections.abc import Callable, Iterator, Sequence
from dataclasses import MISSING, Field, dataclass, field, fields, is_dataclass
from enum import Enum
from functools import cache
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from tcomp.files import json_text

SCHEMA_DIALECT = "https://json-schema.org/draft/2020-12/schema"
URN = "urn:tcomp:schema:"
VERSION_DOC = "Version of this form: it rises when a key goes, is renamed, or changes its unit or meaning."
Json = dict[str, Any]
T = TypeVar("T")


def entry(doc: str, *, unit: str = "", item: str = "", left_out: bool = False, pattern: str = "") -> Any:
    """Declare a field of a document.

    Parameters
    ----------
    doc : str
        What it holds, in one line.
    unit : str
        Its unit, as it is shown behind the line; "1" for a share or a ratio.
    item : str
        What an item of a tuple or dict is, where that needs a line of its own.
    left_out : bool
        Whether None is written by leaving the key out.
    pattern : str
        Regular expression that a text matches.
    """
    metadata = {"doc": doc, "unit": unit, "item": item, "left_out": left_out, "pattern": pattern}
    return field(default=None, metadata=metadata) if left_out else field(metadata=metadata)


def in_unit(unit: str, doc: str, *, item: str = "") -> Any:
    """Declare a field that has a unit.

    >>> from dataclasses import dataclass
    >>> @dataclass(frozen=True, kw_only=True)
    ... class Score:
    ...     rms_ppb: float = in_unit("ppb", "Root mean square")
    >>> to_json(Score(rms_ppb=1.5)), node(Score)["properties"]
    ({'rms_ppb': 1.5}, {'rms_ppb': {'type': 'number', 'description': 'Root mean square [ppb]'}})
    """
    return entry(doc, unit=unit, item=item)


@dataclass(frozen=True)
class About:
    """Name, version, title and description of a document that is printed or written."""

    name: str
    version: int
    title: str
    description: str

    @property
    def urn(self) -> str:
        """Identifier of its schema."""
        return f"{URN}{self.name}:{self.version}"


def to_json(found: Any) -> Any:
    """What ``json`` can write: dataclasses become objects, tuples arrays, enums their values, and what is not finite null."""
    if is_dataclass(found) and not isinstance(found, type):
        about: About | None = getattr(found, "ABOUT", None)
        head = {"schema": about.version} if about is not None else {}
        return head | {
            key_of(one): to_json(getattr(found, one.name))
            for one in fields(found)
            if not (one.metadata.get("left_out") and getattr(found, one.name) is None)
        }
    if isinstance(found, Enum):
        return found.value
    if isinstance(found, float):
        return float(found) if math.isfinite(found) else None
    if isinstance(found, dict):
        return {name: to_json(one) for name, one in found.items()}
    if isinstance(found, (tuple, list)):
        return [to_json(one) for one in found]
    return found


def key_of(one: Field[Any]) -> str:
    """The key of a field: its name without the underscore that sets it apart from a keyword."""
    return one.name.removesuffix("_")


def document_text(found: Any) -> str:
    """The JSON text of a document, with sorted keys: the same bytes for the same content."""
    return json_text(to_json(found))


def from_json(kind: type[T], content: Any) -> T:
    """The document that a JSON value holds.

    Raises
    ------
    ValueError
        A key is missing or unknown, a value has another type, or the version is another: the sentence names the key.
    """
    found: T = _read(kind, content, kind.__name__)
    return found


def _read(kind: Any, content: Any, path: str) -> Any:
    reader = READERS.get(get_origin(kind))
    if reader is not None:
        return reader(get_args(kind), content, path)
    if is_dataclass(kind):
        return _read_dataclass(kind, content, path)
    if isinstance(kind, type) and issubclass(kind, Enum):
        values = [one.value for one in kind]
        _expect(content in values, path, content, f"one of {values}")
        return kind(content)
    return _read_plain(kind, content, path)


def _read_literal(values: tuple[Any, ...], content: Any, path: str) -> Any:
    _expect(content in values, path, content, f"one of {values}")
    return content


def _read_dict(kinds: tuple[Any, ...], content: Any, path: str) -> dict[str, Any]:
    _expect(isinstance(content, dict), path, content, "an object")
    return {name: _read(kinds[1], one, f"{path}.{name}") for name, one in content.items()}


def _read_plain(kind: Any, content: Any, path: str) -> Any:
    if kind is float:
        _expect(isinstance(content, (int, float)) and not isinstance(content, bool), path, content, "a number")
        return float(content)
    if kind is type(None):
        _expect(content is None, path, content, "null")
        return None
    _expect(type(content) is kind, path, content, kind.__name__)
    return content


def _read_union(kinds: tuple[Any, ...], content: Any, path: str) -> Any:
    faults = []
    for kind in kinds:
        try:
            return _read(kind, content, path)
        except ValueError as error:
            faults.append(str(error))
    raise ValueError(faults[0] if content is not None else f"{path}: is null; expected a value")


def _read_tuple(kinds: tuple[Any, ...], content: Any, path: str) -> tuple[Any, ...]:
    _expect(isinstance(content, list), path, content, "an array")
    if len(kinds) == 2 and kinds[1] is Ellipsis:
        return tuple(_read(kinds[0], one, f"{path}[{number}]") for number, one in enumerate(content))
    _expect(len(content) == len(kinds), path, content, f"{len(kinds)} items")
    return tuple(_read(kind, one, path) for kind, one in zip(kinds, content, strict=True))


READERS: dict[Any, Callable[[tuple[Any, ...], Any, str], Any]] = {
    Union: _read_union,
    types.UnionType: _read_union,
    Literal: _read_literal,
    tuple: _read_tuple,
    dict: _read_dict,
}


def _read_dataclass(kind: Any, content: Any, path: str) -> Any:
    _expect(isinstance(content, dict), path, content, "an object")
    own = dict(content)
    about: About | None = getattr(kind, "ABOUT", None)
    if about is not None:
        version = own.pop("schema", None)
        _expect(version == about.version, f"{path}.schema", version, str(about.version))
    hints, found = _hints(kind), {}
    for one in fields(kind):
        key = key_of(one)
        if key not in own:
            _expect(one.default is not MISSING, f"{path}.{key}", None, "the key")
            continue
        found[one.name] = _read(hints[one.name], own.pop(key), f"{path}.{key}")
    _expect(not own, path, sorted(own), "no such keys")
    return kind(**found)


def _expect(holds: bool, path: str, content: Any, expected: str) -> None:
    if not holds:
        raise ValueError(f"{path}: is {str(content)[:60]!r}; expected {expected}")


@cache
def _hints(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind)


def values_of(found: Any) -> Json:
    """The fields of a dataclass by name, to make a document of the same fields."""
    return {one.name: getattr(found, one.name) for one in fields(found)}


def schema_of(kind: Any) -> Json:
    """The JSON Schema of a document that has an ``ABOUT``."""
    about: About = kind.ABOUT
    head = {"$schema": SCHEMA_DIALECT, "$id": about.urn, "title": about.title, "description": about.description}
    return head | node(kind)


def node(kind: Any) -> Json:
    """The JSON Schema of a type, without a description of its own."""
    maker = NODES.get(get_origin(kind))
    if maker is not None:
        return maker(get_args(kind))
    if is_dataclass(kind):
        return _dataclass_node(kind)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return _enum_node([one.value for one in kind])
    return {"type": PLAIN[kind]}


PLAIN = {
    str: "string",
    bool: "boolean",
    int: "integer",
    float: "number",
    type(None): "null",
}


def _tuple_node(kinds: tuple[Any, ...]) -> Json:
    if kinds[-1] is Ellipsis:
        return {"type": "array", "items": node(kinds[0])}
    return {"type": "array", "items": node(kinds[0]), "minItems": len(kinds), "maxItems": len(kinds)}


def _dict_node(kinds: tuple[Any, ...]) -> Json:
    return {"type": "object", "additionalProperties": node(kinds[1])}


def _enum_node(values: Sequence[Any]) -> Json:
    return {"type": PLAIN[type(values[0])], "enum": list(values)} if len(values) > 1 else {"const": values[0]}


def _union_node(kinds: tuple[Any, ...]) -> Json:
    """A type or null is one node with two types; other unions are one of several."""
    nodes = [node(one) for one in kinds]
    others = [one for one in nodes if one != {"type": "null"}]
    if len(others) == len(nodes) or len(others) > 1:
        return {"oneOf": nodes}
    (only,) = others
    if "type" not in only:
        return {"oneOf": nodes}
    merged = only | {"type": [only["type"], "null"]}
    return merged | ({"enum": [*only["enum"], None]} if "enum" in only else {})


NODES: dict[Any, Callable[[tuple[Any, ...]], Json]] = {
    Union: _union_node,
    types.UnionType: _union_node,
    Literal: _enum_node,
    tuple: _tuple_node,
    dict: _dict_node,
}


def _dataclass_node(kind: Any) -> Json:
    about: About | None = getattr(kind, "ABOUT", None)
    head = {"schema": {"const": about.version, "description": VERSION_DOC}} if about is not None else {}
    hints = _hints(kind)
    own = {key_of(one): _field_node(one, hints[one.name]) for one in fields(kind)}
    required = [*head, *(key_of(one) for one in fields(kind) if not one.metadata["left_out"])]
    return {"type": "object", "properties": head | own, "required": required, "additionalProperties": False}


def _field_node(one: Field[Any], kind: Any) -> Json:
    if one.metadata["left_out"]:
        kind = next(inner for inner in get_args(kind) if inner is not type(None))
    found = node(kind) | {"description": described(one)}
    inner = "items" if "items" in found else "additionalProperties"
    if isinstance(found.get(inner), dict) and one.metadata["item"]:
        found[inner] = found[inner] | {"description": one.metadata["item"]}
    return found | ({"pattern": one.metadata["pattern"]} if one.metadata["pattern"] else {})


def described(one: Field[Any]) -> str:
    """The line of a field with its unit."""
    unit = one.metadata["unit"]
    return f"{one.metadata['doc']} [{unit}]" if unit else str(one.metadata["doc"])


@dataclass(frozen=True)
class Key:
    """A key of a document: where it stands, such as ``curve.range_c[]``, what it holds, and what it means."""

    document: str
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


def keys_of(name: str, schema: Json) -> Iterator[Key]:
    """Every key of a document of that name, in the order of its schema, those of its parts behind each."""
    yield from _keys(name, schema, "")


def _keys(document: str, one: Json, path: str) -> Iterator[Key]:
    for name, inner in one.get("properties", {}).items():
        own = f"{path}.{name}" if path else name
        shown = f"{own}[]" if "items" in inner else own
        yield Key(document, shown, _kinds(inner), name not in one["required"], inner["description"])
        yield from _keys(document, inner, own)
    for mark, inner in (("[]", one.get("items")), (".NAME", one.get("additionalProperties"))):
        if isinstance(inner, dict):
            yield from _keys(document, inner, f"{path}{mark}")
    for choice in one.get("oneOf", ()):
        yield from _keys(document, choice, path)


def _kinds(one: Json) -> tuple[str, ...]:
    if "const" in one:
        return (json.dumps(one["const"]),)
    if "enum" in one:
        return tuple(map(json.dumps, one["enum"]))
    if "oneOf" in one:
        return tuple(dict.fromkeys(kind for choice in one["oneOf"] for kind in _kinds(choice)))
    return (one["type"],) if isinstance(one["type"], str) else tuple(one["type"])
