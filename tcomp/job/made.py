"""What a build makes beside the curve and the table."""

from __future__ import annotations

from typing import Literal

Made = Literal["firmware", "proof", "verdict", "report"]
MAKE: tuple[Made, ...] = ("firmware", "proof", "verdict", "report")
