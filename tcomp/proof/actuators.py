"""Actuators held against their specification over sequences of updates."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from tcomp.documents.proof import ActuatorProof
from tcomp.firmware.actuators import Actuator, proof_updates
from tcomp.firmware.c_actuators import in_c
from tcomp.proof.calls import CALL, Calls, differences_here, differences_on, program
from tcomp.proof.compilers import Compiler
from tcomp.proof.host import MISMATCHES_SHOWN

START, OFFSET, TICKS, UPDATE, FIRST_READING = 0, (1, 2), (3, 4), 5, 6
HERE_UPDATES = 20_000
TARGET_UPDATES = 400


def actuator_calls(actuator: Actuator, updates: int) -> Calls:
    """So many updates from the start, after each of which all is read; last, the self-test."""
    asked: list[tuple[int, int]] = [(START, 0)]
    expected: list[int] = [0]
    given = proof_updates(updates)
    readings = range(FIRST_READING, FIRST_READING + len(actuator.readings))
    for (offset_ppt, ticks), state in zip(given, actuator.history(given), strict=True):
        for value, halves in ((offset_ppt, OFFSET), (ticks, TICKS)):
            asked += [(halves[0], value >> 16 & 0xFFFF), (halves[1], value & 0xFFFF)]
        asked += [(UPDATE, 0), *((number, 0) for number in readings)]
        expected += [0] * 5 + list(actuator.read(state))
    asked.append((readings.stop, 0))
    expected.append(0)
    names = (
        "start",
        "offset",
        "offset",
        "ticks",
        "ticks",
        "update",
        *(one.name for one in actuator.readings),
        "self-test",
    )
    return Calls(
        tuple(f"{actuator.name} {name}" for name in names),
        np.array(asked, dtype=CALL),
        np.array(expected, dtype=np.int64),
    )


def prove_actuator(
    sources: dict[str, str], actuator: Actuator, symbol: str, compiler: Compiler | None = None,
    updates: int = HERE_UPDATES,
) -> ActuatorProof:  # fmt: skip
    """Compile an actuator's C on this machine, run it over a sequence of updates, and compare all that can be read.

    Parameters
    ----------
    sources : dict of str to str
        What :func:`tcomp.firmware.c_source` gave with this actuator, by file name.
    actuator : Actuator
        The specification.
    symbol : str
        The symbol that the sources were written with.
    compiler : Compiler or None
        None: the first one found.
    updates : int
        See :func:`tcomp.firmware.actuators.proof_updates`.

    Raises
    ------
    ProofError
        There is no compiler, the sources do not compile, or the program does not end.
    """
    expected = actuator_calls(actuator, updates)
    found = differences_here(sources | _program(actuator, symbol), expected, symbol, compiler)
    return _proof(actuator, "host", updates, found)


def prove_actuator_on(
    target: str, sources: dict[str, str], actuator: Actuator, symbol: str, updates: int = TARGET_UPDATES
) -> ActuatorProof:
    """The same on an emulated target, which the machine must be able to run.

    Raises
    ------
    ProofError
        The sources do not compile for the target.
    """
    # The vectors of the table's self-test would take the memory of the smaller parts.
    own = {name: text for name, text in sources.items() if not name.endswith("_selftest.c")}
    found = differences_on(target, own | _program(actuator, symbol), actuator_calls(actuator, updates), symbol)
    return _proof(actuator, target, updates, found)


def prove_actuators(
    sources: dict[str, str], actuators: Iterable[Actuator], symbol: str, targets: Iterable[str]
) -> tuple[ActuatorProof, ...]:
    """Each on this machine, and on the targets that it can run."""
    found = []
    places = tuple(targets)
    for one in actuators:
        found.append(prove_actuator(sources, one, symbol))
        found += [prove_actuator_on(target, sources, one, symbol) for target in places]
    return tuple(found)


def _proof(actuator: Actuator, target: str, updates: int, found: list[str]) -> ActuatorProof:
    return ActuatorProof(
        name=actuator.name,
        target=target,
        holds=not found,
        updates=updates,
        mismatches=len(found),
        first_mismatches=tuple(found[:MISMATCHES_SHOWN]),
    )


def _program(actuator: Actuator, symbol: str) -> dict[str, str]:
    own = f"{symbol}_{actuator.name}"
    readings = (
        f"    case {number}u:\n        return proof_signed({in_c(reading.expression, own)});"
        for number, reading in enumerate(actuator.readings, start=FIRST_READING)
    )
    text = program(
        "actuator_calls.c", symbol=symbol, own=own, update=in_c(actuator.update, own), readings="\n".join(readings)
    )
    return {"actuator_calls.c": text}
