"""The filter that follows a moving temperature, held against its specification over sequences of updates."""

from __future__ import annotations

from collections.abc import Iterable
from random import Random

import numpy as np
from numpy.typing import NDArray

from tcomp.documents.proof import FollowProof
from tcomp.firmware.exporters.c99 import code_type
from tcomp.proof.calls import CALL, Calls, code_of_bits, differences_here, differences_on, program
from tcomp.proof.compilers import Compiler
from tcomp.proof.host import MISMATCHES_SHOWN
from tcomp.tables.follow import FollowFilter

START, UPDATE, MISSED, FINE, BETWEEN = range(5)
NAMES = ("follow_start", "follow_offset_ppt", "follow_missed_ppt", "follow_fine_code", "lookup_between")
RANDOM_UPDATES = 20_000
TARGET_UPDATES = 2_000
SEED = 1139


def follow_calls(follow: FollowFilter, random_updates: int = RANDOM_UPDATES, seed: int = SEED) -> Calls:
    """Ramps of several rates, steps from end to end, noise, missed updates, and random codes of the whole type.

    Parameters
    ----------
    follow : FollowFilter
    random_updates : int
        Updates with random codes: of the whole type, near the range's ends, and near the last one.
    seed : int
        Of the random numbers.
    """
    random, table = Random(seed), follow.table
    least, largest = table.scale.least_code, table.scale.largest_code
    low, high = table.low_code, table.high_code
    asked: list[tuple[int, int]] = []
    for start in (low, high, (low + high) // 2, least, largest):
        asked += [(START, start), (FINE, 0)]
        for rate in (1, max(1, follow.span // 256), max(1, follow.span // 16)):
            up = range(low, high + 1, rate) if follow.span // rate < 512 else range(low, low + 512 * rate, rate)
            asked += [(UPDATE, code) for code in (*up, *reversed(up))]
        asked += [(UPDATE, code) for code in (least, largest, low, high, low - 1, high + 1) if least <= code <= largest]
        asked += [(MISSED, updates) for updates in (0, 1, 7, 300)] + [(FINE, 0)]
    code = (low + high) // 2
    for number in range(random_updates):
        kind = random.randrange(8)
        near = (
            code + random.randint(-3, 3)
            if kind < 5
            else random.choice((low, high, least, largest)) + random.randint(-2, 2)
        )
        code = min(max(random.randint(least, largest) if kind == 7 else near, least), largest)
        asked.append((UPDATE, code))
        if number % 16 == 0:
            asked.append((FINE, 0))
        if number % 64 == 0:
            asked.append((MISSED, random.randint(0, 3)))
    if follow.way_bits is not None:
        asked += [(BETWEEN, place) for place in range((follow.span << follow.way_bits) + 1)]
    calls = np.array([(which, value % 2**16) for which, value in asked], dtype=CALL)
    return Calls(NAMES, calls, _answers(follow, asked))


def _answers(follow: FollowFilter, asked: list[tuple[int, int]]) -> NDArray[np.int64]:
    state, found = follow.start(0), []
    for which, value in asked:
        if which == START:
            state = follow.start(value)
            found.append(0)
        elif which == BETWEEN:
            found.append(int(follow.lookup_between(value)))
        elif which == FINE:
            found.append(follow.fine_code(state))
        else:
            state = follow.updated(state, value) if which == UPDATE else follow.missed(state, value)
            found.append(follow.offset_ppt(state))
    return np.array(found, dtype=np.int64)


def prove_follow(
    sources: dict[str, str],
    follow: FollowFilter,
    symbol: str,
    compiler: Compiler | None = None,
    random_updates: int = RANDOM_UPDATES,
) -> FollowProof:
    """Compile the filter's C on this machine, run it over sequences of updates, and compare.

    Parameters
    ----------
    sources : dict of str to str
        What :func:`tcomp.firmware.c_source` gave with this filter, by file name.
    follow : FollowFilter
        The specification.
    symbol : str
        The symbol that the sources were written with.
    compiler : Compiler or None
        None: the first one found.
    random_updates : int
        See :func:`follow_calls`.

    Raises
    ------
    ProofError
        There is no compiler, the sources do not compile, or the program does not end.
    """
    expected = follow_calls(follow, random_updates)
    return _proof("host", expected, differences_here(sources | _program(follow, symbol), expected, symbol, compiler))


def prove_follow_on(
    target: str, sources: dict[str, str], follow: FollowFilter, symbol: str, random_updates: int = TARGET_UPDATES
) -> FollowProof:
    """The same on an emulated target, which the machine must be able to run.

    Raises
    ------
    ProofError
        The sources do not compile for the target.
    """
    expected = follow_calls(follow, random_updates)
    # The self-test's vectors would take the memory of the smaller parts.
    own = {name: text for name, text in sources.items() if not name.endswith("_selftest.c")}
    return _proof(target, expected, differences_on(target, own | _program(follow, symbol), expected, symbol))


def prove_follow_everywhere(
    sources: dict[str, str], follow: FollowFilter, symbol: str, targets: Iterable[str]
) -> tuple[FollowProof, ...]:
    """On this machine, and on the targets that it can run."""
    found = [prove_follow(sources, follow, symbol)]
    return (*found, *(prove_follow_on(target, sources, follow, symbol) for target in targets))


def _proof(target: str, expected: Calls, found: list[str]) -> FollowProof:
    return FollowProof(
        target=target,
        holds=not found,
        updates=int((expected.calls["which"] == UPDATE).sum()),
        mismatches=len(found),
        first_mismatches=tuple(found[:MISMATCHES_SHOWN]),
    )


def _program(follow: FollowFilter, symbol: str) -> dict[str, str]:
    of_type = code_type(follow.table)
    between = "0" if follow.way_bits is None else f"{symbol}_lookup_between(bits)"
    text = program("follow_calls.c", symbol=symbol, code_type=of_type, code=code_of_bits(of_type), between=between)
    return {"follow_calls.c": text}
