"""The generated C held against the integer specification, at every code, bit for bit."""

from __future__ import annotations

import tempfile
from dataclasses import asdict, dataclass
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import Any

import numpy as np

from tcomp.firmware.c_source import code_type
from tcomp.firmware.corrections import CORRECTIONS, Correction, check_corrections
from tcomp.proof.build import Build, Workshop
from tcomp.proof.cases import proof_cases
from tcomp.proof.compilers import Compiler, first_compiler
from tcomp.table.lookup import CorrectionTable

OPTIMISATIONS = ("-O2", "-O0")
MISMATCHES_TOLD = 5
PER_CODE = np.dtype([("lookup", "<i4"), ("offset_ppt", "<i4"), ("in_range", "i1")])
PER_CASE = np.dtype([("which", "u1"), ("given", "<u8"), ("offset_ppt", "<i4")])


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
    asked = [correction for name, correction in CORRECTIONS.items() if name in corrections]
    cases = {correction: proof_cases(table, correction) for correction in asked}
    used = first_compiler() if compiler is None else compiler
    with tempfile.TemporaryDirectory() as folder:
        workshop = Workshop(Path(folder), used)
        workshop.lay_out(sources | {"harness.c": _harness(table, symbol, asked)}, _case_bytes(cases))
        builds = [workshop.build_and_run(optimisation) for optimisation in OPTIMISATIONS]
    return _judged(_Expected(table, cases), builds, used)


def _judged(expected: _Expected, builds: list[Build], compiler: Compiler) -> Proof:
    told = [f"{build.optimisation}: {text}" for build in builds for text in expected.compared(build)]
    ran = all(build.stopped is None for build in builds)
    selftests = [expected.selftest(build) for build in builds]
    return Proof(
        holds=not told,
        compiler=compiler.name,
        version=compiler.version,
        flags=tuple(build.flags for build in builds),
        sanitizer="undefined" if all(build.sanitized for build in builds) else "none",
        codes=expected.codes if ran else 0,
        corrections_checked=expected.corrections if ran else 0,
        mismatches=len(told),
        first_mismatches=tuple(told[:MISMATCHES_TOLD]),
        selftest=next(filter(None, selftests), 0) if ran else None,
    )


@dataclass(frozen=True)
class _Expected:
    table: CorrectionTable
    cases: dict[Correction, tuple[tuple[int, int], ...]]

    @property
    def codes(self) -> int:
        return len(self.table.all_codes)

    @property
    def corrections(self) -> int:
        return sum(map(len, self.cases.values()))

    def selftest(self, build: Build) -> int:
        return int.from_bytes(build.results[-4:], "little", signed=True)

    def compared(self, build: Build) -> list[str]:
        """Say each difference between a build and the specification."""
        if build.stopped is not None:
            return [build.stopped]
        length = self.codes * PER_CODE.itemsize + 8 * self.corrections + 4
        if len(build.results) != length:
            return [f"the program wrote {len(build.results)} bytes where {length} were expected"]
        found = self._codes_compared(build.results) + self._corrections_compared(build.results)
        if self.selftest(build) != 0:
            found.append(f"the self-test failed at vector {self.selftest(build)}")
        return found

    def _codes_compared(self, results: bytes) -> list[str]:
        got = np.frombuffer(results, PER_CODE, self.codes)
        codes = self.table.all_codes
        expected = {
            "lookup": self.table.lookup(codes),
            "offset_ppt": self.table.offset_ppt(codes),
            "in_range": self.table.in_range(codes).astype(np.int64),
        }
        return [
            f"{name}({codes[place]}) is {got[name][place]}; expected {values[place]}"
            for name, values in expected.items()
            for place in np.flatnonzero(got[name] != values)
        ]

    def _corrections_compared(self, results: bytes) -> list[str]:
        place, found = self.codes * PER_CODE.itemsize, []
        for correction, pairs in self.cases.items():
            for given, offset_ppt in pairs:
                got = int.from_bytes(results[place : place + 8], "little", signed=True)
                expected = correction.specification(given, offset_ppt)
                if got != expected:
                    found.append(f"{correction.function}({given}, {offset_ppt}) is {got}; expected {expected}")
                place += 8
        return found


def _case_bytes(cases: dict[Correction, tuple[tuple[int, int], ...]]) -> bytes:
    rows = [
        (number, given % 2**64, offset_ppt)
        for number, pairs in enumerate(cases.values())
        for given, offset_ppt in pairs
    ]
    return np.array(rows, dtype=PER_CASE).tobytes()


def _harness(table: CorrectionTable, symbol: str, corrections: list[Correction]) -> str:
    branches = [
        _template("branch_word.c" if correction.least == 0 else "branch_signed.c").substitute(
            symbol=symbol, number=number, function=correction.function
        )
        for number, correction in enumerate(corrections)
    ]
    return _template("harness.c").substitute(
        symbol=symbol,
        branches="".join(branches).rstrip("\n"),
        code_type=code_type(table),
        least_code=table.scale.least_code,
        largest_code=table.scale.largest_code,
    )


def _template(name: str) -> Template:
    return Template((files("tcomp.proof") / name).read_text(encoding="ascii"))
