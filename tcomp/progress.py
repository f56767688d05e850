"""Who hears how far a long stage is."""

from __future__ import annotations

from typing import Protocol


class ProgressCallback(Protocol):
    """Receives how much of how much of something is done, in a unit or as a number of steps."""

    def __call__(self, what: str, done: float, of: float, unit: str = "") -> None:
        """Hear of it."""


def no_progress(what: str, done: float, of: float, unit: str = "") -> None:
    """Hear and say nothing."""
