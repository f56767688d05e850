"""The generated C on an AVR: compiled by avr-gcc, called and counted on libsimavr, cycle by cycle.

Calling convention: avr-gcc's application binary interface (its wiki, "Register Layout" and "Calling
Convention"): arguments from r25 downwards, each from an even register on, answers in the same place.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tcomp.documents.proof import LookupCost
from tcomp.errors import ProofError
from tcomp.proof.compilers import WARNINGS, Compiler, compiled, compiler_at, find_compilers, finished
from tcomp.proof.elf import Elf, read_elf
from tcomp.proof.expected import CODES, PER_CODE, Expected, TargetRun, count_range, simavr_program

MCU = "atmega1284p"
"""A part with multiplier and 16-bit addresses of code, and memory enough for the self-test's vectors."""
AVR_OPTIONS = (f"-mmcu={MCU}", "-Os")
MAIN = "int main(void) { return 0; }\n"
DATA_MEMORY = 0x80_0000
"""Where the linker's addresses of the data memory begin."""
RUNNING_S = 300
CALL = np.dtype([("function", "<u4"), ("registers", "u1", (18,))])
RESULT = np.dtype([("answer", "u1", (8,)), ("cycles", "<u4"), ("instructions", "<u4")])
FIRST_REGISTER, BEHIND_ARGUMENTS = 8, 26


def avr_compiler() -> Compiler:
    """avr-gcc.

    Raises
    ------
    ProofError
        It cannot be run.
    """
    found = compiler_at(("avr-gcc",))
    if found is None:
        raise ProofError("avr-gcc cannot be run; expected a C compiler for AVR: apt-get install gcc-avr avr-libc")
    return replace(found, name="avr-gcc", version=found.version.removeprefix("(GCC) "))


def why_no_avr() -> str:
    """What the machine lacks to run an AVR program; empty if nothing."""
    if shutil.which("avr-gcc") is None:
        return "avr-gcc was not found"
    host = _host_compiler()
    if host is None:
        return "no native C compiler was found, and simavr's library needs one"
    done = subprocess.run(
        [*host.command, "-E", "-"],
        input="#include <simavr/sim_avr.h>\n",
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    return "" if done.returncode == 0 else "the library of simavr was not found"


def run_avr(
    sources: dict[str, str], tables: tuple[Expected, ...], folder: Path, options: tuple[str, ...] = ()
) -> tuple[TargetRun, ...]:
    """Compile for AVR, call everything of each table at all codes and cases, and count the first table's lookup.

    ``options`` are further ones of the compiler.

    Raises
    ------
    ProofError
        The sources do not compile.
    """
    calls, first = AvrCalls(linked_avr(sources, folder, options)), tables[0]
    for one in tables:
        _add_calls(calls, one)
    flags = " ".join(("-std=c99", *AVR_OPTIONS, *WARNINGS, *options))
    stopped = calls.run(f"{first.symbol}_lookup", folder)
    if stopped is not None:
        return tuple(TargetRun(flags, b"", stopped, None) for _ in tables)
    found, done = [], 0
    for one in tables:
        cost = _cost(calls, one.symbol) if one is first else None
        found.append(TargetRun(flags, _results(calls, one, done), None, cost))
        done += 4 + len(one.cases)
    return tuple(found)


def _add_calls(calls: AvrCalls, expected: Expected) -> None:
    symbol, codes = expected.symbol, expected.table.all_codes
    calls.add(f"{symbol}_lookup", [(codes, 2)], expected.table.value_bits // 8)
    calls.add(f"{symbol}_offset_ppt", [(codes, 2)], 4)
    calls.add(f"{symbol}_in_range", [(codes, 2)], 2)
    for correction, pairs in expected.cases.items():
        given, offset_ppt = (np.array(values, dtype=object) for values in zip(*pairs, strict=True))
        size = 4 if correction.is_word else 8
        calls.add(f"{symbol}_{correction.function}", [(given, size), (offset_ppt, 4)], size)
    calls.add(f"{symbol}_selftest", [], 2)


def avr_lookup_cost(
    sources: dict[str, str], symbol: str, folder: Path, stride: int = 1, options: tuple[str, ...] = ()
) -> LookupCost:
    """Count one lookup, over every code or every ``stride``-th.

    Parameters
    ----------
    sources : dict of str to str
        Among them SYMBOL.h and SYMBOL.c, with SYMBOL_lookup.
    options : tuple of str
        Further ones of the compiler.

    Raises
    ------
    ProofError
        The sources do not compile, or a call does not return.
    """
    calls = AvrCalls(linked_avr(sources, folder, options))
    calls.add(f"{symbol}_lookup", [(np.arange(0, CODES, stride), 2)], 4)
    stopped = calls.run(f"{symbol}_lookup", folder)
    if stopped is not None:
        raise ProofError(f"avr: {stopped}")
    return _cost(calls, symbol)


class AvrCalls:
    """Calls of a program's functions, in the order in which they were added; then their results."""

    def __init__(self, elf: Elf) -> None:
        self.elf = elf
        self._records: list[NDArray[np.void]] = []
        self._answer_bytes: list[int] = []
        self.results: list[NDArray[np.void]] = []
        self.reached: list[int] = []

    def add(self, function: str, arguments: Sequence[tuple[NDArray[np.generic], int]], answer_bytes: int) -> None:
        """Add a call for each element of the arguments: arrays of integers, and bytes of each."""
        records = np.zeros(len(arguments[0][0]) if arguments else 1, CALL)
        records["function"] = self.elf.symbol(function).address
        end = BEHIND_ARGUMENTS - FIRST_REGISTER
        for values, size in arguments:
            bits = np.array([int(value) % 2 ** (8 * size) for value in values], dtype="<u8")
            records["registers"][:, end - size : end] = bits.view("u1").reshape(-1, 8)[:, :size]
            end -= size
        self._records.append(records)
        self._answer_bytes.append(answer_bytes)

    def run(self, counted: str, folder: Path) -> str | None:
        """Make all calls; return why they stopped, or None."""
        (folder / "calls.bin").write_bytes(b"".join(records.tobytes() for records in self._records))
        places = [str(self.elf.symbol(name).address) for name in ("main", counted)]
        files = ["calls.bin", "results.bin", "reached.bin"]
        try:
            done = finished([str(folder / "avr_calls"), "image.elf", MCU, *places, *files], folder, RUNNING_S)
        except subprocess.TimeoutExpired:
            return f"the program did not end within {RUNNING_S} s of emulation"
        if done.returncode != 0:
            message = (done.stderr.splitlines() or ["no message"])[-1].strip()
            return f"the program stopped: {message}"
        results = np.frombuffer((folder / "results.bin").read_bytes(), RESULT)
        ends = np.cumsum([len(records) for records in self._records])
        self.results = np.split(results, ends[:-1])
        words = np.frombuffer((folder / "reached.bin").read_bytes(), "u1")
        self.reached = (2 * np.flatnonzero(words)).tolist()
        return None

    def answers(self, number: int) -> NDArray[np.int64]:
        """The answers of the calls added as this number, as signed integers."""
        size = self._answer_bytes[number]
        raw = np.zeros((len(self.results[number]), 8), "u1")
        raw[:, 8 - size :] = self.results[number]["answer"][:, 8 - size :]
        # The answer ends in r25, so that it stands in the highest bytes: the shift brings its sign along.
        return np.ascontiguousarray(raw).view("<i8").ravel() >> (64 - 8 * size)


def _results(calls: AvrCalls, expected: Expected, done: int = 0) -> bytes:
    """What was answered of a table, whose calls come after so many others."""
    answers = np.zeros(CODES, PER_CODE)
    for number, name in enumerate(PER_CODE.names or (), start=done):
        answers[name] = calls.answers(number)
    corrected = b""
    for number, correction in enumerate(expected.cases, start=done + 3):
        words = calls.answers(number)
        corrected += (words & 0xFFFF_FFFF if correction.is_word else words).astype("<i8").tobytes()
    selftest = int(calls.answers(done + 3 + len(expected.cases))[0])
    return answers.tobytes() + corrected + selftest.to_bytes(4, "little", signed=True)


def _cost(calls: AvrCalls, symbol: str) -> LookupCost:
    entries = calls.elf.symbols.get(f"{symbol}_entries")
    return LookupCost(
        instructions=count_range(calls.results[0]["instructions"]),
        cycles=count_range(calls.results[0]["cycles"]),
        code_bytes=calls.elf.reached_bytes(calls.reached),
        table_bytes=entries.size if entries else 0,
        table_in_ram=entries is not None and entries.address >= DATA_MEMORY,
    )


def _host_compiler() -> Compiler | None:
    # The package ziglang does not look where the system keeps its libraries.
    return next((one for one in find_compilers() if one.name != "zig cc"), None)


def linked_avr(sources: dict[str, str], folder: Path, options: tuple[str, ...] = ()) -> Elf:
    for name, text in (sources | {"main.c": MAIN}).items():
        (folder / name).write_text(text, encoding="ascii", newline="\n")
    names = sorted(name for name in [*sources, "main.c"] if name.endswith(".c"))
    given = ["-std=c99", *AVR_OPTIONS, *WARNINGS, *options, *names, "-lm", "-o", "image.elf"]
    fault = compiled(avr_compiler(), given, folder)
    if fault is not None:
        raise ProofError(f"the generated C does not compile for avr: {fault}")
    (folder / "avr_calls.host.c").write_text(simavr_program(), encoding="ascii")
    host = _host_compiler()
    if host is None:
        raise ProofError("no native C compiler was found, and simavr's library needs one")
    fault = compiled(host, ["-O2", "avr_calls.host.c", "-o", "avr_calls", "-lsimavr", "-lelf"], folder)
    if fault is not None:
        raise ProofError(f"the calls on simavr could not be compiled: {fault}")
    return read_elf((folder / "image.elf").read_bytes())
