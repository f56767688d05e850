"""The [[actuator]] blocks of a job file: what the firmware steers with the offset."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from tcomp.errors import JobError
from tcomp.job.keys import Location, key

KindName = Literal["pulses", "true-time"]


@dataclass(frozen=True)
class Actuator:
    """What the C steers with the offset, in addition to the corrections of [firmware] correct: give one block per actuator."""

    kind: KindName = key(
        "pulses: a register whose value adds or masks pulses of the clock, or moves it by steps of any size; true-time: a clock "
        "that has run since a trusted mark, and how far it is off now"
    )
    name: str = key("its names in C begin with the symbol and this name")
    step_ppb: float | None = key("pulses: by how much a step moves the clock [ppb]", None, above_zero=True)
    min: int | None = key("pulses: least value that the register takes", None)
    max: int | None = key("pulses: largest value that it takes", None)
    period_s: float | None = key("pulses: time for which a value holds, an update each [s]", None, above_zero=True)
    sign: Literal[1, -1] | None = key("pulses: 1: a larger value makes the clock faster; -1: slower", None)
    register: Literal["signed", "sign-magnitude", "add-only"] = key(
        "pulses: how a value stands in the register: signed: two's complement; sign-magnitude: a sign above the magnitude; "
        "add-only: no sign",
        "signed",
    )
    bits: int = key("pulses: bits of the register, 2 to 16", 16)


@dataclass(frozen=True)
class Kind:
    """A kind: the keys that it must have, and all its keys as its constructor names them."""

    needed: tuple[str, ...]
    names: Mapping[str, str]


KINDS: Mapping[str, Kind] = {
    "pulses": Kind(
        ("step_ppb", "min", "max", "period_s", "sign"),
        {
            "name": "name", "step_ppb": "step_ppb", "min": "least", "max": "largest", "period_s": "period_s", "sign": "sign",
            "register": "register", "bits": "bits",
        },
    ),
    "true-time": Kind((), {"name": "name"}),
}  # fmt: skip


def keys_of_actuator(actuator: Actuator) -> dict[str, Any]:
    """Its keys as the constructor of its kind names them.

    >>> keys_of_actuator(Actuator("true-time", "clock"))
    {'name': 'clock'}
    """
    return {theirs: getattr(actuator, ours) for ours, theirs in KINDS[actuator.kind].names.items()}


def validate_actuators(actuators: tuple[Actuator, ...], formats: tuple[str, ...], location: Location) -> None:
    """Refuse a block that lacks a key of its kind, or a name that will not do.

    Raises
    ------
    JobError
        It does.
    """
    for number, one in enumerate(actuators):
        if "c" not in formats:
            raise JobError(
                f'{location.of("actuator", None, number)}: [[actuator]] adds to the C, which [firmware] formats leaves out; add "c"'
            )
        for name in KINDS[one.kind].needed:
            if getattr(one, name) is None:
                raise JobError(
                    f'{location.of("actuator", None, number)}: [[actuator]] kind = "{one.kind}" needs {name}'
                )
        where = f'{location.of("actuator", "name", number)}: [[actuator]] name = "{one.name}"'
        if not re.fullmatch(r"[a-z][a-z0-9_]*", one.name):
            raise JobError(f"{where}: expected small letters, digits and _, a letter first")
        if one.name in {other.name for other in actuators[:number]}:
            raise JobError(f"{where} stands twice; give each actuator a name of its own")
