"""What a run on a target gives: answers, and what one lookup costs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Spread:
    """Least, mean and largest over all codes."""

    least: int
    mean: float
    largest: int

    @classmethod
    def of(cls, values: ArrayLike) -> Spread:
        """The spread of these values.

        Examples
        --------
        >>> Spread.of([20, 21, 22, 22])
        Spread(least=20, mean=21.25, largest=22)
        """
        given = np.asarray(values)
        return cls(int(given.min()), round(float(given.mean()), 2), int(given.max()))


@dataclass(frozen=True)
class LookupCost:
    """Cost of one lookup, its own return counted, the call to it not.

    Parameters
    ----------
    instructions : Spread
        Instructions executed.
    cycles : Spread or None
        Clock cycles; None where nothing on hand tells them.
    code_bytes : int
        The lookup and every function that it calls. [bytes]
    table_bytes : int
        The entries; 0 if there are none. [bytes]
    table_in_ram : bool
        The target's start-up code copies the entries into its data memory, where they take as much again.
    """

    instructions: Spread
    cycles: Spread | None
    code_bytes: int
    table_bytes: int
    table_in_ram: bool


@dataclass(frozen=True)
class TargetRun:
    """Answers of a run (none if it stopped early: then why), and the cost of a lookup."""

    flags: str
    results: bytes
    stopped: str | None
    cost: LookupCost | None
