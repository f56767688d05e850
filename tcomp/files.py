"""Writing files so that nothing is ever half-written: to a temporary name beside, then renamed."""

from __future__ import annotations

import json
import math
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from tcomp.errors import TcompError


@contextmanager
def whole_file(path: Path) -> Iterator[IO[bytes]]:
    """A file to write into, that takes its name once all is written; its folder is made if need be.

    Raises
    ------
    TcompError
        The folder or file cannot be written; what stood there before still does.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                yield file
            Path(name).chmod(0o666 & ~_umask())
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise TcompError(f"{path}: cannot be written ({error.strerror}); choose another folder with --into") from error


def write_bytes(path: Path, content: bytes) -> Path:
    """Write a file whole or not at all.

    Raises
    ------
    TcompError
        As of `whole_file`.
    """
    with whole_file(path) as file:
        file.write(content)
    return path


def write_text(path: Path, text: str) -> Path:
    """Write text as UTF-8 with bare line feeds, the same bytes on every system."""
    return write_bytes(path, text.encode("utf-8"))


def json_text(document: dict[str, Any]) -> str:
    """JSON with sorted keys, and null for a number that is not known: the same bytes for the same content.

    >>> json_text({"b": float("nan"), "a": [1]})
    '{\\n "a": [\\n  1\\n ],\\n "b": null\\n}\\n'
    """
    return json.dumps(_without_nan(document), indent=1, sort_keys=True, allow_nan=False) + "\n"


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_nan(inner) for name, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(inner) for inner in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _umask() -> int:
    """The umask can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
