"""The command line: one thin file per command."""

from __future__ import annotations

from tcomp.cli.group import main

__all__ = ["main"]
