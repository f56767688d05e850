"""Calls of one function, SYMBOL_proof_call, one after the other: on this machine and on emulated targets."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from string import Template

import numpy as np
from numpy.typing import NDArray

from tcomp.proof.avr import AvrCalls, linked_avr
from tcomp.proof.bare_metal import CORES, Machine, Stopped, linked
from tcomp.proof.compilers import Compiler, Workshop, first_compiler
from tcomp.proof.expected import AVR_HEADER, avr_stub
from tcomp.proof.host import builds_of

CALL = np.dtype([("which", "<u2"), ("bits", "<u2")])


@dataclass(frozen=True, eq=False)
class Calls:
    """Which function is called with which 16 bits, and what it must answer; arrays of shape (n,).

    ``names``: of the functions, in the order of their numbers.
    """

    names: tuple[str, ...]
    calls: NDArray[np.void]
    answers: NDArray[np.int64]

    def compared(self, results: bytes, stopped: str | None) -> list[str]:
        """Say each difference between what a program wrote, 4 bytes a call, and the specification."""
        if stopped is not None:
            return [stopped]
        if len(results) != 4 * len(self.calls):
            return [f"the program wrote {len(results)} bytes where {4 * len(self.calls)} were expected"]
        got = np.frombuffer(results, "<i4")
        return [
            f"call {place}, {self.names[int(self.calls['which'][place])]}({int(self.calls['bits'][place])}), is {got[place]}; "
            f"expected {self.answers[place]}"
            for place in np.flatnonzero(got != self.answers)
        ]


def differences_here(sources: dict[str, str], calls: Calls, symbol: str, compiler: Compiler | None = None) -> list[str]:
    """Differences on this machine, over all its builds.

    Parameters
    ----------
    sources : dict of str to str
        By file name; one of them holds SYMBOL_proof_call.
    calls : Calls
    symbol : str
    compiler : Compiler or None
        None: the first one found.

    Raises
    ------
    ProofError
        There is no compiler, the sources do not compile, or the program does not end.
    """
    programs = {"calls_harness.c": program("calls_harness.c", symbol=symbol), AVR_HEADER: avr_stub()}
    with tempfile.TemporaryDirectory() as folder:
        workshop = Workshop(Path(folder), first_compiler() if compiler is None else compiler)
        workshop.lay_out(sources | programs, calls.calls.tobytes())
        builds = [workshop.build_and_run(*options) for options in builds_of(sources)]
    return [f"{build.name}: {text}" for build in builds for text in calls.compared(build.results, build.stopped)]


def differences_on(target: str, sources: dict[str, str], calls: Calls, symbol: str) -> list[str]:
    """The same on an emulated target, which the machine must be able to run."""
    with tempfile.TemporaryDirectory() as folder:
        run = _on_avr if target == "avr" else _on_bare_metal
        return calls.compared(*run(target, sources, calls, symbol, Path(folder)))


def program(name: str, **names: object) -> str:
    """The text of a program of this folder, filled in."""
    return Template((files("tcomp.proof") / name).read_text(encoding="ascii")).substitute(names)


def code_of_bits(code_type: str) -> str:
    """A code of this type in C, from the 16 bits of a call, with the sign that they have as an int16."""
    return "((int32_t)(bits ^ 0x8000u) - 32768)" if code_type == "int16_t" else "bits"


def _on_bare_metal(
    target: str, sources: dict[str, str], calls: Calls, symbol: str, folder: Path
) -> tuple[bytes, str | None]:
    count = len(calls.calls)
    caller = {"calls_bare.c": program("calls_bare.c", symbol=symbol, count=count)}
    machine = Machine(CORES[target], linked(target, sources | caller, folder))
    for name in ("which", "bits"):
        machine.write(f"{symbol}_proof_{name}", calls.calls[name].tobytes())
    try:
        machine.call("_start")
    except Stopped as stopped:
        return b"", str(stopped)
    return machine.read(f"{symbol}_proof_answer", 4 * count), None


def _on_avr(target: str, sources: dict[str, str], calls: Calls, symbol: str, folder: Path) -> tuple[bytes, str | None]:
    made, function = AvrCalls(linked_avr(sources, folder)), f"{symbol}_proof_call"
    made.add(function, [(calls.calls["which"], 2), (calls.calls["bits"], 2)], 4)
    stopped = made.run(function, folder)
    return (b"", stopped) if stopped else (made.answers(0).astype("<i4").tobytes(), None)
