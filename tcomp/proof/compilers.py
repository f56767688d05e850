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
WARNINGS = ("-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Werror")
SANITIZER = ("-fsanitize=undefined", "-fno-sanitize-recover=all")
COMPILING_S = 300
"""The package ziglang builds its C library at first use, which may take a minute. [s]"""
RUNNING_S = 120
PROGRAM = "proof.exe"
"""A name that every system runs."""


@dataclass(frozen=True)
class Compiler:
    """A C compiler: its kind, its version line without paths, how it is called; and what runs its programs, if not this machine."""

    name: str
    version: str
    command: tuple[str, ...]
    runner: tuple[str, ...] = ()


def find_compilers() -> tuple[Compiler, ...]:
    """Return the compilers found: $CC, then cc, gcc, clang on the PATH, then the package ziglang.

    A compiler known under two names is listed once.

    Raises
    ------
    ProofError
        $CC is set and is no compiler that can be run.
    """
    found: dict[str, Compiler] = {}
    chosen = shlex.split(os.environ.get("CC", ""), posix=os.name != "nt")
    if chosen:
        compiler = compiler_at(tuple(chosen))
        if compiler is None:
            raise ProofError(
                f'CC is "{" ".join(chosen)}", which cannot be run as a C compiler; expected one, or CC unset'
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


@dataclass(frozen=True)
class Build:
    """One build, and what its program left: its results, or the reason why there are none."""

    name: str
    flags: str
    sanitized: bool
    results: bytes
    stopped: str | None


@dataclass(frozen=True)
class Workshop:
    """A folder in which files are compiled and run by their bare names, so that no message holds a path."""

    folder: Path
    compiler: Compiler

    def lay_out(self, sources: dict[str, str], cases: bytes) -> None:
        """Write the sources, and the cases that the program reads."""
        (self.folder / "avr").mkdir(exist_ok=True)
        for name, text in sources.items():
            (self.folder / name).write_text(text, encoding="ascii", newline="\n")
        (self.folder / "cases.bin").write_bytes(cases)

    def build_and_run(self, *options: str) -> Build:
        """Compile with these options, such as -O2, with the sanitizer where there is one, and run.

        Raises
        ------
        ProofError
            The sources do not compile, or the program cannot be started or does not end.
        """
        flags = ["-std=c99", *options, *WARNINGS]
        sanitized = self._compile([*flags, *SANITIZER]) is None
        if sanitized:
            flags += SANITIZER
        else:
            fault = self._compile(flags)
            if fault is not None:
                raise ProofError(f"the generated C does not compile with {self.compiler.name}: {fault}")
        results = self.folder / "results.bin"
        results.unlink(missing_ok=True)
        stopped = self._run()
        content = results.read_bytes() if stopped is None else b""
        name = " ".join(option for option in options if not option.startswith("-I"))
        return Build(name, " ".join(flags), sanitized, content, stopped)

    def _compile(self, flags: list[str]) -> str | None:
        """Compile; return the first error line, or None."""
        names = sorted(path.name for path in self.folder.glob("*.c"))
        return compiled(self.compiler, [*flags, *names, "-o", PROGRAM], self.folder)

    def _run(self) -> str | None:
        """Run; return why it stopped early, or None."""
        try:
            done = finished(
                [*self.compiler.runner, str(self.folder / PROGRAM), "cases.bin", "results.bin"], self.folder, RUNNING_S
            )
        except OSError as error:
            raise ProofError(f"the compiled program could not be started ({error.strerror})") from error
        except subprocess.TimeoutExpired as error:
            raise ProofError(f"the compiled program did not end within {RUNNING_S} s") from error
        if done.returncode == 0:
            return None
        lines = done.stderr.splitlines()
        message = next((line.strip() for line in lines if "runtime error" in line or "panic" in line), "")
        # The number of a thread differs from run to run.
        message = re.sub(r"^thread \d+ ", "", message)
        return f"the program stopped: {message or f'exit status {done.returncode}'}"


def first_error(done: subprocess.CompletedProcess[str]) -> str | None:
    """The first line in which a compiler names an error; None where it ended well."""
    if done.returncode == 0:
        return None
    lines = done.stderr.splitlines() or ["no message"]
    return next((line.strip() for line in lines if "error" in line), lines[0])


def finished(command: list[str], folder: Path, timeout_s: float) -> subprocess.CompletedProcess[str]:
    """Run a command in a folder to its end."""
    return subprocess.run(
        command,
        cwd=folder,
        # Messages of compilers are translated, and quoted, by the user's language.
        env=os.environ | {"LC_ALL": "C"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=timeout_s,
        check=False,
    )


def compiled(compiler: Compiler, options: list[str], folder: Path) -> str | None:
    """Compile in a folder; return the first error line, or None.

    Raises
    ------
    ProofError
        The compiler cannot be started, or does not end.
    """
    try:
        return first_error(finished([*compiler.command, *options], folder, COMPILING_S))
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ProofError(f"{compiler.name} could not be run to its end; expected a C compiler") from error
