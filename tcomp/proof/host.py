"""The generated C on this machine, held against the integer specification at every code."""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path

from tcomp.documents.proof import ProofDocument
from tcomp.firmware.corrections import check_corrections
from tcomp.proof.compilers import Build, Compiler, Workshop, first_compiler
from tcomp.proof.expected import AVR_HEADER, CODES, Expected, all_cases, answers_of, avr_stub, harness
from tcomp.tables.layout import CorrectionTable

BUILDS = (("-O2",), ("-O0",))
AVR_LINES = ("-Os", "-D__AVR__", "-I.")
"""The lines that only a compiler for AVR would take, built for this machine; where there are none, this is not built."""
MISMATCHES_SHOWN = 5


def prove(
    sources: dict[str, str],
    table: CorrectionTable,
    symbol: str,
    corrections: tuple[str, ...],
    compiler: Compiler | None = None,
) -> ProofDocument:
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
    (found,) = prove_tables(sources, (Expected(table, all_cases(table, corrections), symbol),), compiler)
    return found


def prove_tables(
    sources: dict[str, str], tables: tuple[Expected, ...], compiler: Compiler | None = None
) -> tuple[ProofDocument, ...]:
    """The same for several tables, whose symbols differ, in one program.

    Parameters
    ----------
    sources : dict of str to str
        Of all tables, by file name.
    tables : tuple of Expected
    compiler : Compiler or None
        None: the first one found.
    """
    used = first_compiler() if compiler is None else compiler
    cases = b"".join(one.case_rows().tobytes() for one in tables)
    with tempfile.TemporaryDirectory() as folder:
        workshop = Workshop(Path(folder), used)
        workshop.lay_out(sources | {"harness.c": harness(tables), AVR_HEADER: avr_stub()}, cases)
        builds = [workshop.build_and_run(*options) for options in builds_of(sources)]
    answers = [answers_of(tables, build.results) for build in builds]
    return tuple(
        _judged(
            one, [replace(build, results=found[number]) for build, found in zip(builds, answers, strict=True)], used
        )
        for number, one in enumerate(tables)
    )


def builds_of(sources: dict[str, str]) -> tuple[tuple[str, ...], ...]:
    """Options of each build on this machine, so that every line of the sources is built that C compilers take here."""
    return (*BUILDS, AVR_LINES) if any("__AVR__" in text for text in sources.values()) else BUILDS


def _judged(expected: Expected, builds: list[Build], compiler: Compiler) -> ProofDocument:
    found = [f"{build.name}: {text}" for build in builds for text in expected.compared(build.results, build.stopped)]
    ran = all(build.stopped is None for build in builds)
    selftests = [expected.selftest(build.results) for build in builds]
    return ProofDocument(
        holds=not found,
        compiler=compiler.name,
        version=compiler.version,
        flags=tuple(build.flags for build in builds),
        sanitizer="undefined" if all(build.sanitized for build in builds) else "none",
        codes=CODES if ran else 0,
        corrections_checked=expected.corrections if ran else 0,
        mismatches=len(found),
        first_mismatches=tuple(found[:MISMATCHES_SHOWN]),
        selftest=next(filter(None, selftests), 0) if ran else None,
        targets=(),
    )
