"""Writing files so that nothing is ever half-written: to a temporary name beside, then renamed.

What a file may ask of the machine is bounded, and what is beyond it is refused in one sentence: a log that is read whole
holds 1 GiB of text, unpacked; a line of it 128 KiB, some 10 000 fields; a job file 1 MiB; a JSON file of results 16 MiB; a
message on the terminal 4000 characters. `files.read_json` and `files.typed` read JSON that may be damaged. Text that comes
from a file passes `cli/options.shown` on its way to a terminal, `firmware/stamp.comment_text` to a C comment,
`files.csv_field` to a CSV field (`cell_text` to a comment in one), and the template's escaping to the page. What a log
itself holds stays as it is in the corrected log.

A file takes its name once it is whole and on the disk (`files.whole_file`; the page of a run that is being logged is not
waited for). Every command that writes into a folder of results, `lot` included, keeps others out of it meanwhile
(`files.held`) and says so if the folder was taken away under it. A kill leaves at most a hidden file, `.NAME.*.tcomp`, which
the next such command in that folder takes away; what another is writing is locked, and stays. A device or a pipe is written
into, never replaced.

Ctrl-C is one sentence and 130, a reader that leaves is 141 without a word, a disk or an output that takes nothing is one
sentence and 2 (`cli/group.py`, `__main__.py`); remarks that cannot be written stop no work. The processes of a lot look five
times a second whether their parent is still there, and do not listen to Ctrl-C, which is for the parent.

`benchmarks/fuzz.py` fuzzes each reader of `tests/fuzz_readers.py`, guided by coverage; what it finds is mended and kept in
`tests/data/fuzz/`, where it is replayed. `benchmarks/kills.py` kills and interrupts commands at random times. A new reader of
a file gets its function in `tests/fuzz_readers.py`.
"""

from __future__ import annotations

import errno
import json
import math
import os
import sys
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import MISSING, fields, is_dataclass
from enum import StrEnum
from pathlib import Path
from types import UnionType
from typing import IO, Any, Literal, Union, get_args, get_origin, get_type_hints

from tcomp.errors import TcompError

PART = ".tcomp"
"""How the name of a file ends while it is written; a kill leaves it, and the next command in that folder takes it away."""


@contextmanager
def whole_file(path: Path, *, lasting: bool = True) -> Iterator[IO[bytes]]:
    """A file to write into, that takes its name once all is written; its folder is made if need be.

    A device or a pipe is written into as it is.  Unless ``lasting`` is False, the content is on the disk before the name
    is: else a power cut could leave the name with nothing behind it.

    Raises
    ------
    TcompError
        The folder or file cannot be written; what stood there before still does.
    """
    try:
        if is_stream(path):
            with path.open("wb") as file:
                yield file
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.", suffix=PART)
        try:
            with os.fdopen(handle, "wb") as file:
                _lock(handle)
                yield file
                file.flush()
                if lasting:
                    _synced(handle)
            Path(name).chmod(0o666 & ~_umask())
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise TcompError(f"{path}: cannot be written ({error.strerror}); choose another folder with --into") from error


def is_stream(path: Path) -> bool:
    """Whether a name is that of a device or a pipe, which no file may take the place of."""
    return path.exists() and not path.is_dir() and (not path.is_file() or path.absolute().parent == Path("/dev"))


def _synced(handle: int) -> None:
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP, errno.ENOSYS):  # a file system that has no such thing
            raise


RESERVED = frozenset(
    ("con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt") for number in range(10)))
)
"""Names of devices that Windows gives to no file, whatever follows the dot (from its manual on naming files; from memory)."""


def is_reserved(name: str) -> bool:
    """Whether a file of this name could not be made, copied or unpacked on Windows.

    >>> is_reserved("AUX.c"), is_reserved("com1"), is_reserved("auxiliary")
    (True, True, False)
    """
    return name.lower().partition(".")[0].rstrip() in RESERVED


LOT_WORK = ".begun"
"""The folder inside a lot's folder in which its units are built before they are put in their place."""


def is_held(folder: Path) -> bool:
    """Whether another process, or another `held` of this one, is at work in a folder; False where there are no locks."""
    if os.name != "posix" or not folder.is_dir():
        return False
    handle = os.open(folder, os.O_RDONLY)
    try:
        return _lock(handle) is False
    finally:
        os.close(handle)


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """A folder that no other process writes into meanwhile: two builds at once would mix their results.

    The system lets go of it when the process ends, however it ends; what a killed one had half written is taken away.  A
    folder that was made for this and stays empty is taken away again.

    Raises
    ------
    TcompError
        Another process holds it or builds a lot around it, it cannot be made, or it was taken away meanwhile.
    """
    lot = folder.absolute().parent
    if (lot / LOT_WORK).is_dir() and is_held(lot):
        raise TcompError(
            f"{folder}: a lot is being built in {folder.parent}; wait until it is done, or choose another folder with --into"
        )
    try:
        made = not folder.exists()
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(folder, os.O_RDONLY) if os.name == "posix" else None
    except OSError as error:
        raise TcompError(
            f"{folder}: cannot be written ({error.strerror}); choose another folder with --into"
        ) from error
    try:
        if handle is not None and _lock(handle) is False:
            raise TcompError(
                f"{folder}: another tcomp is at work in this folder; wait for it, or choose another folder with --into"
            )
        _tidy(folder)
        yield
        if handle is not None and not (folder.exists() and os.path.samestat(os.fstat(handle), folder.stat())):
            raise TcompError(f"{folder}: was taken away while results were written into it; run the same command again")
    finally:
        if handle is not None:
            os.close(handle)
        with suppress(OSError):  # somebody took it away, or wrote into it
            if made and not any(folder.iterdir()):
                folder.rmdir()


def _lock(handle: int) -> bool | None:
    """Hold a file or folder until it is closed; False: another does; None: the system or its disk has no such locks."""
    if sys.platform == "win32":
        return None
    import fcntl

    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError:
        return None
    return True


def _tidy(folder: Path) -> None:
    """Take away what was being written when a process was killed; what is written now is held."""
    for path in folder.glob(f".*{PART}"):
        with suppress(OSError), path.open("rb") as file:
            if _lock(file.fileno()):
                path.unlink()


def write_bytes(path: Path, content: bytes, *, lasting: bool = True) -> Path:
    """Write a file whole or not at all; ``lasting`` as of `whole_file`.

    Raises
    ------
    TcompError
        As of `whole_file`.
    """
    with whole_file(path, lasting=lasting) as file:
        file.write(content)
    return path


def write_text(path: Path, text: str, *, lasting: bool = True) -> Path:
    """Write text as UTF-8 with bare line feeds, the same bytes on every system; ``lasting`` as of `whole_file`.

    Raises
    ------
    TcompError
        As of `whole_file`, or a file's name in the text is no Unicode.
    """
    try:
        content = text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise TcompError(f"{path}: would hold the name of a file that is not UTF-8; rename that file") from error
    return write_bytes(path, content, lasting=lasting)


def write_files(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write texts and images into a folder, by their names.

    Raises
    ------
    TcompError
        As of `whole_file`.
    """
    for name, content in files.items():
        if isinstance(content, bytes):
            write_bytes(folder / name, content)
        else:
            write_text(folder / name, content)


def no_formula(text: str) -> str:
    """Text that a spreadsheet would take for a formula, behind a mark that says that it is text.

    >>> no_formula("=1+1"), no_formula("unit 7")
    ("'=1+1", 'unit 7')
    """
    return f"'{text}" if text.strip() and text.lstrip()[0] in "=+-@" else text


def csv_field(text: str, separator: str = ",") -> str:
    """Text that comes from elsewhere as a field of a CSV file: quoted where it must be, and no formula for a spreadsheet.

    >>> csv_field("shown, Hz"), csv_field("=1+1"), csv_field("shown_true")
    ('"shown, Hz"', "'=1+1", 'shown_true')
    """
    plain = no_formula(text)
    quoted = '"' + plain.replace('"', '""') + '"'
    return quoted if any(mark in plain for mark in (separator, '"', "\r", "\n")) else plain


def typed(value: Any, hint: Any) -> Any:
    """A value of a JSON file as an annotation asks: dataclasses of objects, tuples of lists, NaN for a number that is null.

    Raises
    ------
    ValueError
        It is of another kind, or a key is missing or unknown.

    Examples
    --------
    >>> typed([[1, 2], [None]], tuple[tuple[float, ...], ...])
    ((1.0, 2.0), (nan,))
    """
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return _any_of(value, inner)
    if origin is tuple and isinstance(value, list):
        return tuple(typed(one, inner[0]) for one in value)
    if is_dataclass(hint) and isinstance(value, dict):
        return _object(value, hint)
    if hint is float and (value is None or type(value) in (int, float)):
        return math.nan if value is None else _float(value)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(value)
    if (origin is Literal and value in inner) or (hint in (bool, int, str, type(None)) and type(value) is hint):
        return value
    raise ValueError(f"{str(value)[:40]!r} is not of the kind that is expected")


def _object(value: dict[str, Any], kind: Any) -> Any:
    hints = get_type_hints(kind)
    needed = {item.name for item in fields(kind) if item.default is MISSING}
    if not needed <= value.keys() <= hints.keys():
        raise ValueError(f"keys are missing or unknown: {', '.join(sorted(value.keys() ^ hints.keys()))}")
    return kind(**{name: typed(inner, hints[name]) for name, inner in value.items()})


def _any_of(value: Any, hints: tuple[Any, ...]) -> Any:
    if value is None and type(None) in hints:
        return None
    for hint in hints:
        try:
            return typed(value, hint)
        except ValueError as error:
            fault = error
    raise fault


def _float(value: float) -> float:
    try:
        return float(value)
    except OverflowError as error:
        raise ValueError("a number is too large") from error


LARGEST_JSON = 1 << 24
"""Bytes of a JSON file that is read; the largest table has some 2**20."""


def read_json(path: Path) -> Any:
    """What a JSON file holds.

    Raises
    ------
    OSError
        The file cannot be read.
    ValueError
        It is no JSON text in UTF-8, is nested too deeply, or is larger than 16 MiB.
    """
    with path.open("rb") as file:
        content = file.read(LARGEST_JSON + 1)
    if len(content) > LARGEST_JSON:
        raise ValueError(f"it is larger than {LARGEST_JSON >> 20} MiB")
    try:
        return json.loads(content.decode("utf-8"))
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error


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
