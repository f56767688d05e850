"""Which C compilers are at hand, and what they call themselves."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from tcomp.errors import ProofError

ASKING_S = 60
"""A compiler that takes longer to say its version is not one to wait for. [s]"""


@dataclass(frozen=True)
class Compiler:
    """A C compiler: its kind, its version line without paths, and how it is called."""

    name: str
    version: str
    command: tuple[str, ...]


def find_compilers() -> tuple[Compiler, ...]:
    """Return the compilers found: $CC, then cc, gcc, clang on the PATH, then the package ziglang.

    A compiler known under two names is listed once.

    Raises
    ------
    ProofError
        $CC is set and is no compiler that can be run.
    """
    found: dict[str, Compiler] = {}
    asked = shlex.split(os.environ.get("CC", ""), posix=os.name != "nt")
    if asked:
        compiler = compiler_at(tuple(asked))
        if compiler is None:
            raise ProofError(
                f'CC is "{" ".join(asked)}", which cannot be run as a C compiler; expected one, or CC unset'
            )
        found[compiler.version] = compiler
    commands: list[tuple[str, ...]] = [(name,) for name in ("cc", "gcc", "clang") if shutil.which(name)]
    if find_spec("ziglang") is not None:
        commands.append((sys.executable, "-m", "ziglang", "cc"))
    for command in commands:
        compiler = compiler_at(command)
        if compiler is not None:
            found.setdefault(compiler.version, compiler)
    return tuple(found.values())


def first_compiler() -> Compiler:
    """Return the first compiler found.

    Raises
    ------
    ProofError
        There is none; the message says how to get one.
    """
    compilers = find_compilers()
    if not compilers:
        raise ProofError(
            "no C compiler was found (CC, cc, gcc, clang); install one, or run: python -m pip install ziglang"
        )
    return compilers[0]


def compiler_at(command: tuple[str, ...]) -> Compiler | None:
    """The compiler that this command runs, with its version; None if it cannot be run."""
    try:
        answer = subprocess.run([*command, "--version"], capture_output=True, text=True, timeout=ASKING_S, check=True)
    except (OSError, subprocess.SubprocessError):
        return None
    lines = answer.stdout.splitlines()
    if not lines:
        return None
    return Compiler(_kind(command, answer.stdout), _version_line(lines[0]), command)


def _kind(command: tuple[str, ...], answer: str) -> str:
    if "ziglang" in command:
        return "zig cc"
    if "clang" in answer:
        return "clang"
    return "gcc" if "Free Software Foundation" in answer else Path(command[0]).stem


def _version_line(line: str) -> str:
    """Keep what tells versions apart: no path, no address, not the name it was called by.

    Examples
    --------
    >>> _version_line("cc (Distribution 12.2.0-14) 12.2.0")
    '(Distribution 12.2.0-14) 12.2.0'
    >>> _version_line("clang version 21.1.0 (https://host/repository 4c0f7)")
    'version 21.1.0'
    """
    without_places = re.sub(r"\s*\([^()]*[/\\][^()]*\)", "", line)
    return re.sub(r"^\S*(?:cc|gcc|clang)(?:\.exe)?\s+", "", without_places).strip()
