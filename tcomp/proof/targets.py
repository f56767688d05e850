"""The C held against the specification on the processors that will run it, emulated."""

from __future__ import annotations

import tempfile
from dataclasses import asdict, dataclass
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from tcomp.errors import ProofError
from tcomp.firmware.corrections import check_corrections
from tcomp.proof.avr import avr_compiler, run_avr, why_no_avr
from tcomp.proof.bare_metal import CORES, run_bare, zig_compiler
from tcomp.proof.bit_exact import MISMATCHES_TOLD
from tcomp.proof.cases import all_cases
from tcomp.proof.compilers import Compiler
from tcomp.proof.expected import CODES, Expected
from tcomp.proof.measured import LookupCost, TargetRun
from tcomp.table.lookup import CorrectionTable

TARGETS = (*CORES, "avr")
GET_PACKAGES = 'python -m pip install "tcomp[targets]"'
GET_AVR = "apt-get install gcc-avr avr-libc simavr libsimavr-dev libelf-dev, and gcc"


@dataclass(frozen=True)
class TargetProof:
    """What was compiled and compared for one target, and what a lookup costs there.

    Parameters
    ----------
    target : str
        Its name, as asked for.
    holds : bool or None
        All answers were the specification's.  None: it was not run.
    reason : str
        Why it was not run, and how to change that; empty if it was.
    compiler, version, flags : str
        What compiled it, and with which options.
    emulator : str
        What ran it.
    codes, corrections_checked : int
        Codes and corrections compared; 0 where the program stopped.
    mismatches : int
        Values that differed, the program stopped early, a self-test that failed.
    first_mismatches : tuple of str
        The first few, as text.
    selftest : int or None
        What the self-test returned on the target.  None: the program stopped before it.
    lookup : LookupCost or None
        Instructions, cycles and bytes of a lookup.  None: the program stopped.
    """

    target: str
    holds: bool | None
    reason: str = ""
    compiler: str = ""
    version: str = ""
    flags: str = ""
    emulator: str = ""
    codes: int = 0
    corrections_checked: int = 0
    mismatches: int = 0
    first_mismatches: tuple[str, ...] = ()
    selftest: int | None = None
    lookup: LookupCost | None = None

    @property
    def words(self) -> str:
        """The result in words."""
        if self.holds is None:
            return f"not run: {self.reason}"
        return "equal everywhere" if self.holds else f"DIFFERS: {self.first_mismatches[0]}"

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``proof.json`` holds of it."""
        return asdict(self) | {"first_mismatches": list(self.first_mismatches)}


def asked_targets(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return the targets beside the host that these names ask for.

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
    reason = why_not(target)
    if reason:
        return TargetProof(target, None, reason)
    expected = Expected(table, all_cases(table, corrections))
    with tempfile.TemporaryDirectory() as folder:
        if target == "avr":
            run = run_avr(sources, symbol, expected, Path(folder))
            return _judged(target, run, expected, avr_compiler(), "simavr")
        run = run_bare(target, sources, symbol, expected, Path(folder))
        return _judged(target, run, expected, zig_compiler(), f"unicorn {version('unicorn')}")


def _judged(target: str, run: TargetRun, expected: Expected, compiler: Compiler, emulator: str) -> TargetProof:
    told = expected.compared(run.results, run.stopped)
    ran = run.stopped is None
    return TargetProof(
        target=target,
        holds=not told,
        compiler=compiler.name,
        version=compiler.version,
        flags=run.flags,
        emulator=emulator,
        codes=CODES if ran else 0,
        corrections_checked=expected.corrections if ran else 0,
        mismatches=len(told),
        first_mismatches=tuple(told[:MISMATCHES_TOLD]),
        selftest=expected.selftest(run.results) if ran else None,
        lookup=run.cost,
    )
