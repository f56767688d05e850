"""What every actuator has: integers that are its specification, and C that a proof can call."""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterable
from dataclasses import dataclass
from random import Random
from typing import ClassVar

from tcomp.errors import FirmwareError
from tcomp.firmware.corrections import INT32_MAX, INT32_MIN, UINT32_MAX

State = tuple[int, ...]
Update = tuple[int, int]
"""What an update is given: the offset [ppt], and the ticks since the last one."""
LONGEST_NAME = 28
"""Of symbol and name with a line between: with "_s", "_u", "_a" behind it, C tells 31 characters apart."""
SELFTEST_UPDATES = 64
SEED = 1139


@dataclass(frozen=True)
class Reading:
    """What a program can read of an actuator, as 32 bits.

    Parameters
    ----------
    name : str
    expression : str
        In C a uint32_t, of the structure ``a``; ``${own}`` stands for what its names begin with.
    """

    name: str
    expression: str


@dataclass(frozen=True, kw_only=True)
class Actuator(ABC):
    """Something that is told the offset at each update, and keeps a state.

    Parameters
    ----------
    name : str
        Its names in a program begin with the symbol and this name.

    Raises
    ------
    FirmwareError
        The name will not do, or the numbers do not fit the integers.
    """

    name: str

    templates: ClassVar[tuple[str, str]]
    """Templates of its part of the header and of the code."""
    update: ClassVar[str]
    """The call of an update in C."""
    readings: ClassVar[tuple[Reading, ...]]
    needs: ClassVar[tuple[str, ...]] = ()
    """Names of the corrections that its C calls."""

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[a-z][a-z0-9_]*", self.name):
            raise FirmwareError(f'the actuator\'s name "{self.name}" will not do; expected small letters, digits and _')

    @property
    @abstractmethod
    def start(self) -> State:
        """The state after its start."""

    @abstractmethod
    def updated(self, state: State, offset_ppt: int, ticks: int = 0) -> State:
        """The state after an update with an offset, an int32 [ppt]."""

    @abstractmethod
    def read(self, state: State) -> tuple[int, ...]:
        """The values of its readings."""

    @abstractmethod
    def names(self, symbol: str) -> dict[str, object]:
        """What its templates fill in, beside the names of its class."""

    def checked_names(self, symbol: str) -> dict[str, object]:
        """The same, with those that all have.

        Raises
        ------
        FirmwareError
            Symbol and name are so long that C might not tell its functions apart.
        """
        own = f"{symbol}_{self.name}"
        if len(own) > LONGEST_NAME:
            raise FirmwareError(
                f'"{own}" has {len(own)} characters; C tells the functions of an actuator apart if symbol and name have '
                f"{LONGEST_NAME} together"
            )
        return {"symbol": symbol, "own": own, "own_upper": own.upper(), **self.names(symbol)}

    def history(self, updates: Iterable[Update]) -> list[State]:
        """The states after each of some updates, from the start."""
        state, found = self.start, []
        for offset_ppt, ticks in updates:
            state = self.updated(state, offset_ppt, ticks)
            found.append(state)
        return found

    def checksum(self) -> int:
        """What the self-test adds up: all readings after each of its updates, 31 times the sum before, modulo 2^32."""
        total = 0
        for state in self.history(selftest_updates()):
            for value in self.read(state):
                total = (31 * total + value) % 2**32
        return total


def selftest_updates() -> list[Update]:
    """The updates of the self-test, of which the C makes the same: small and large offsets by turns."""
    bits, found = SEED, []
    for number in range(SELFTEST_UPDATES):
        bits = (1_664_525 * bits + 1_013_904_223) % 2**32
        found.append((((bits >> 8) - 2**23) * (200 if number % 2 else 1), bits >> 16))
    return found


def proof_updates(number: int) -> list[Update]:
    """Offsets at the ends of their type, around zero, steady, and seeded at random; ticks likewise."""
    random = Random(SEED)
    ends = [0, 1, -1, INT32_MAX, INT32_MIN, 1_000, -1_000, 953_674, -953_674, 20_000_000, -35_000_000]
    found = [(offset, ticks) for offset in ends for ticks in (0, UINT32_MAX)]
    found += [(-12_345_678, 32768)] * 6
    while len(found) < number:
        size = 10 ** random.randint(1, 9)
        found.append((random.randint(-size, size), random.choice((0, 1, 32767, 32768, random.getrandbits(32)))))
    return found
