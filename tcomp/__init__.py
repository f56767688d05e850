"""Learn a crystal oscillator's frequency against temperature, and correct readings with it."""

from __future__ import annotations

__version__ = "0.1.0"
