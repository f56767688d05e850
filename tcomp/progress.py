"""Who hears how far a long stage is."""

from __future__ import annotations

from typing import Protocol


class Told(Protocol):
    """Is told how much of how much of something is done, in a unit or as a mere number of steps."""

    def __call__(self, what: str, done: float, of: float, unit: str = "") -> None:
        """Hear of it."""


def untold(what: str, done: float, of: float, unit: str = "") -> None:
    """Hear and say nothing."""
