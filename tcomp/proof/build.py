"""Sources become a program, and the program's results: compiled with every warning an error."""

from __future__ import annotations

import os
import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

from tcomp.errors import ProofError
from tcomp.proof.compilers import Compiler

WARNINGS = ("-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Werror")
SANITIZER = ("-fsanitize=undefined", "-fno-sanitize-recover=all")
COMPILING_S = 300
"""The package ziglang builds its C library at first use, which may take a minute. [s]"""
RUNNING_S = 120
PROGRAM = "proof.exe"
"""A name that every system runs."""


@dataclass(frozen=True)
class Build:
    """One build, and what its program left: its results, or the reason why there are none."""

    optimisation: str
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
        for name, text in sources.items():
            (self.folder / name).write_text(text, encoding="ascii", newline="\n")
        (self.folder / "cases.bin").write_bytes(cases)

    def build_and_run(self, optimisation: str) -> Build:
        """Compile at one level of optimisation, with the sanitizer where there is one, and run.

        Raises
        ------
        ProofError
            The sources do not compile, or the program cannot be started or does not end.
        """
        flags = ["-std=c99", optimisation, *WARNINGS]
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
        return Build(optimisation, " ".join(flags), sanitized, content, stopped)

    def _compile(self, flags: list[str]) -> str | None:
        """Compile; return the first error line, or None."""
        names = sorted(path.name for path in self.folder.glob("*.c"))
        return compiled(self.compiler, [*flags, *names, "-o", PROGRAM], self.folder)

    def _run(self) -> str | None:
        """Run; return why it stopped early, or None."""
        try:
            done = finished([str(self.folder / PROGRAM), "cases.bin", "results.bin"], self.folder, RUNNING_S)
        except OSError as error:
            raise ProofError(f"the compiled program could not be started ({error.strerror})") from error
        except subprocess.TimeoutExpired as error:
            raise ProofError(f"the compiled program did not end within {RUNNING_S} s") from error
        if done.returncode == 0:
            return None
        lines = done.stderr.splitlines()
        told = next((line.strip() for line in lines if "runtime error" in line or "panic" in line), "")
        # The number of a thread differs from run to run.
        told = re.sub(r"^thread \d+ ", "", told)
        return f"the program stopped: {told or f'exit status {done.returncode}'}"


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
