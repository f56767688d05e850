"""The generated C held against the integer specification, at every code, bit for bit."""

from __future__ import annotations

import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tcomp.firmware.corrections import check_corrections
from tcomp.proof.build import Build, Workshop
from tcomp.proof.cases import all_cases
from tcomp.proof.compilers import Compiler, first_compiler
from tcomp.proof.expected import CODES, Expected
from tcomp.proof.programs import harness
from tcomp.table.lookup import CorrectionTable

OPTIMISATIONS = ("-O2", "-O0")
MISMATCHES_TOLD = 5


@dataclass(frozen=True)
class Proof:
    """What was compiled, what was compared, and whether all of it was equal.

    Parameters
    ----------
    holds : bool
        Every build returned the specification's integer everywhere, and passed its self-test.
    compiler, version : str
        Kind of compiler, and its version line.
    flags : tuple of str
        Options of each build, one string a build.
    sanitizer : str
        "undefined": undefined behaviour would have stopped the program.  "none": the compiler has none.
    codes, corrections_checked : int
        Codes and corrections compared in each build; 0 where a program stopped.
    mismatches : int
        Values that differed, a program stopped by the sanitizer or by a crash, self-tests that failed;
        over all builds.
    first_mismatches : tuple of str
        The first few, as text.
    selftest : int or None
        What the self-test returned, the first that is not 0.  None: a program stopped before it.
    """

    holds: bool
    compiler: str
    version: str
    flags: tuple[str, ...]
    sanitizer: str
    codes: int
    corrections_checked: int
    mismatches: int
    first_mismatches: tuple[str, ...]
    selftest: int | None

    def to_json_dict(self) -> dict[str, Any]:
        """Return what ``proof.json`` holds."""
        return asdict(self) | {"flags": list(self.flags), "first_mismatches": list(self.first_mismatches)}


def prove(
    sources: dict[str, str],
    table: CorrectionTable,
    symbol: str,
    corrections: tuple[str, ...],
    compiler: Compiler | None = None,
) -> Proof:
    """Compile the generated C, run all 65 536 codes and some thousand corrections, and compare.

    Parameters
    ----------
    sources : dict of str to str
        What :func:`tcomp.firmware.c_source` gave, by file name.
    table : CorrectionTable
        The specification.
    symbol : str
        The symbol that the sources were written with.
    corrections : tuple of str
        The corrections that the sources were written with.
    compiler : Compiler or None
        None: the first one found.

    Raises
    ------
    ProofError
        There is no compiler, the sources do not compile, or the program does not end.
    FirmwareError
        A correction is unknown.
    """
    check_corrections(corrections)
    expected = Expected(table, all_cases(table, corrections))
    used = first_compiler() if compiler is None else compiler
    with tempfile.TemporaryDirectory() as folder:
        workshop = Workshop(Path(folder), used)
        workshop.lay_out(
            sources | {"harness.c": harness(table, symbol, expected.cases)}, expected.case_rows().tobytes()
        )
        builds = [workshop.build_and_run(optimisation) for optimisation in OPTIMISATIONS]
    return _judged(expected, builds, used)


def _judged(expected: Expected, builds: list[Build], compiler: Compiler) -> Proof:
    told = [
        f"{build.optimisation}: {text}" for build in builds for text in expected.compared(build.results, build.stopped)
    ]
    ran = all(build.stopped is None for build in builds)
    selftests = [expected.selftest(build.results) for build in builds]
    return Proof(
        holds=not told,
        compiler=compiler.name,
        version=compiler.version,
        flags=tuple(build.flags for build in builds),
        sanitizer="undefined" if all(build.sanitized for build in builds) else "none",
        codes=CODES if ran else 0,
        corrections_checked=expected.corrections if ran else 0,
        mismatches=len(told),
        first_mismatches=tuple(told[:MISMATCHES_TOLD]),
        selftest=next(filter(None, selftests), 0) if ran else None,
    )
