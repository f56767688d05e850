"""Documents as dataclasses: JSON, reader and schema follow from the declaration; schemas are held against jsonschema.

The documents here are invented for the tests.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from enum import Enum
from typing import ClassVar, Literal

import pytest
from jsonschema import Draft202012Validator

from tcomp.documents.fields import About, entry, from_json, in_unit, keys_of, schema_of, to_json


class Status(Enum):
    """Whether it holds."""

    HOLDS = "holds"
    FAILS = "does not hold"


@dataclass(frozen=True, kw_only=True)
class Leg:
    """One leg."""

    range_c: tuple[float, float] = in_unit("degC", "Lowest and highest temperature")
    samples: int = entry("Samples in it")


@dataclass(frozen=True, kw_only=True)
class Soak:
    """One soak."""

    at_c: float = in_unit("degC", "Where")


@dataclass(frozen=True, kw_only=True)
class Seen:
    """What was seen."""

    ABOUT: ClassVar = About("seen", 2, "What was seen", "Of a run.")

    name: str = entry("Name of the run")
    status: Status = entry("Whether it holds")
    kind: Literal["clock"] = entry("What it is")
    lag_s: float | None = in_unit("s", "Lag; null: not known")
    parts: tuple[Leg | Soak, ...] = entry("Its parts")
    effects: dict[str, float] = in_unit("ppb", "Effects by name")
    done: bool = entry("Whether it is over")
    note: str | None = entry("A remark; left out where there is none", left_out=True)


SEEN = Seen(
    name="gauge",
    status=Status.HOLDS,
    kind="clock",
    lag_s=math.nan,
    parts=(Leg(range_c=(-5.0, 40.0), samples=3), Soak(at_c=25.0)),
    effects={"ageing": 1.5},
    done=True,
)


def written() -> dict[str, object]:
    content: dict[str, object] = json.loads(json.dumps(to_json(SEEN), allow_nan=False))
    return content


def test_a_document_comes_back_from_its_json_as_it_was() -> None:
    assert written()["schema"] == 2
    assert written()["lag_s"] is None
    assert "note" not in written()
    assert from_json(Seen, written()) == replace(SEEN, lag_s=None)
    assert from_json(Seen, written() | {"note": "x"}).note == "x"


def test_the_schema_takes_what_is_written_and_is_itself_sound() -> None:
    schema = schema_of(Seen)
    Draft202012Validator.check_schema(schema)
    assert list(Draft202012Validator(schema).iter_errors(written())) == []
    assert schema["$id"] == "urn:tcomp:schema:seen:2"
    assert schema["properties"]["lag_s"] == {"type": ["number", "null"], "description": "Lag; null: not known [s]"}


FAULTS = {
    "a key is missing": lambda content: content.pop("done"),
    "a key is unknown": lambda content: content.update(more=1),
    "another version": lambda content: content.update(schema=1),
    "a text for a number": lambda content: content.update(lag_s="1"),
    "a number for a truth": lambda content: content.update(done=1),
    "a truth for a number": lambda content: content["effects"].update(ageing=True),
    "an unknown status": lambda content: content.update(status="perhaps"),
    "an unknown kind": lambda content: content.update(kind="watch"),
    "null where there is a value": lambda content: content.update(name=None),
    "three ends of a range": lambda content: content["parts"][0].update(range_c=[1, 2, 3]),
    "a part of neither kind": lambda content: content["parts"].append({"to_c": 1.0}),
    "an object for an array": lambda content: content.update(parts={}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_damaged_document_is_refused_by_reader_and_schema_alike(fault: str) -> None:
    content = written()
    FAULTS[fault](content)
    assert list(Draft202012Validator(schema_of(Seen)).iter_errors(content)) != []
    with pytest.raises(ValueError, match="expected"):
        from_json(Seen, content)


def test_keys_are_listed_with_their_place_kind_and_meaning() -> None:
    found = {key.path: key for key in keys_of("seen", schema_of(Seen))}
    assert found["parts[].range_c[]"].meaning == "Lowest and highest temperature [degC]"
    assert found["status"].kinds == ('"holds"', '"does not hold"')
    assert (found["note"].optional, found["name"].optional) == (True, False)
    assert found["parts[].range_c[]"].name == "range_c"
