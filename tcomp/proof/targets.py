"""The C held against the specification on the processors that will run it, emulated."""

from __future__ import annotations

import tempfile
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

from tcomp.documents.proof import TargetProof
from tcomp.errors import ProofError
from tcomp.firmware.corrections import check_corrections
from tcomp.processors import TARGETS
from tcomp.proof.avr import avr_compiler, run_avr, why_no_avr
from tcomp.proof.bare_metal import run_bare, zig_compiler
from tcomp.proof.compilers import Compiler
from tcomp.proof.expected import CODES, Expected, TargetRun, all_cases
from tcomp.proof.host import MISMATCHES_SHOWN
from tcomp.tables.layout import CorrectionTable

GET_PACKAGES = 'python -m pip install "ziglang>=0.16" "unicorn>=2.1"'
GET_AVR = "apt-get install gcc-avr avr-libc simavr libsimavr-dev libelf-dev, and gcc"


def asked_targets(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the targets, besides the host, that these names ask for.

    Parameters
    ----------
    names : tuple of str
        "host", which is always run; a target; "all": every target, those that the machine cannot
        run being left to :func:`prove_target` to say.

    Raises
    ------
    ProofError
        A name is unknown, or a target asked for by its name cannot be run here.

    Examples
    --------
    >>> asked_targets(("host",))
    ()
    """
    for name in names:
        if name not in ("host", "all", *TARGETS):
            raise ProofError(f'target "{name}" is unknown; expected host, {", ".join(TARGETS)} or all')
        if name in TARGETS and (reason := why_not(name)):
            raise ProofError(f"the C cannot be run on {name} here: {reason}")
    return tuple(target for target in TARGETS if target in names or "all" in names)


def why_not(target: str) -> str:
    """What the machine lacks to run a target, and how to get it; empty if nothing."""
    if target == "avr":
        lacking = why_no_avr()
        return f"{lacking}; get it by: {GET_AVR}" if lacking else ""
    missing = [name for name in ("ziglang", "unicorn") if find_spec(name) is None]
    return f"there is no package {' and no package '.join(missing)}; get it by: {GET_PACKAGES}" if missing else ""


def prove_target(
    target: str, sources: dict[str, str], table: CorrectionTable, symbol: str, corrections: tuple[str, ...]
) -> TargetProof:
    """Run the generated C, unchanged, on an emulated target, at all codes and some thousand corrections.

    Parameters are those of :func:`tcomp.proof.prove`, and a target's name.

    Raises
    ------
    ProofError
        The sources do not compile for the target.
    FirmwareError
        A correction is unknown.
    """
    check_corrections(corrections)
    (found,) = prove_tables_on(target, sources, (Expected(table, all_cases(table, corrections), symbol),))
    return found


def prove_tables_on(
    target: str, sources: dict[str, str], tables: tuple[Expected, ...], options: tuple[str, ...] = ()
) -> tuple[TargetProof, ...]:
    """The same for several tables, whose symbols differ, in one program; ``options`` are further ones of avr-gcc."""
    reason = why_not(target)
    if reason:
        return tuple(TargetProof.not_run(target, reason) for _ in tables)
    with tempfile.TemporaryDirectory() as folder:
        if target == "avr":
            runs = run_avr(sources, tables, Path(folder), options)
            compiler, emulator = avr_compiler(), "simavr"
        else:
            runs = run_bare(target, sources, tables, Path(folder))
            compiler, emulator = zig_compiler(), f"unicorn {version('unicorn')}"
    return tuple(_judged(target, run, one, compiler, emulator) for run, one in zip(runs, tables, strict=True))


def _judged(target: str, run: TargetRun, expected: Expected, compiler: Compiler, emulator: str) -> TargetProof:
    found = expected.compared(run.results, run.stopped)
    ran = run.stopped is None
    return TargetProof(
        target=target,
        holds=not found,
        reason="",
        compiler=compiler.name,
        version=compiler.version,
        flags=run.flags,
        emulator=emulator,
        codes=CODES if ran else 0,
        corrections_checked=expected.corrections if ran else 0,
        mismatches=len(found),
        first_mismatches=tuple(found[:MISMATCHES_SHOWN]),
        selftest=expected.selftest(run.results) if ran else None,
        lookup=run.cost,
    )
