"""The programs around the generated C: templates that read as C, filled in for one symbol."""

from __future__ import annotations

from collections.abc import Iterable
from importlib.resources import files
from string import Template

from tcomp.firmware.c_source import code_type
from tcomp.firmware.corrections import Correction
from tcomp.table.lookup import CorrectionTable


def harness(table: CorrectionTable, symbol: str, corrections: Iterable[Correction]) -> str:
    """The program for a machine with files: cases in, results out."""
    corrected = _corrected(symbol, corrections)
    return _template("harness.c").substitute(symbol=symbol, corrected=corrected, **_codes(table))


def bare_program(table: CorrectionTable, symbol: str, corrections: Iterable[Correction], cases: int) -> str:
    """The program for a bare processor: cases and results lie in its memory."""
    # C has no arrays without elements.
    corrected = _corrected(symbol, corrections)
    return _template("bare.c").substitute(symbol=symbol, corrected=corrected, cases=max(cases, 1), **_codes(table))


def counting_program(symbol: str, of_type: str) -> str:
    """The program that looks up and does nothing else, for counting."""
    return _template("counting.c").substitute(symbol=symbol, code_type=of_type)


def simavr_program() -> str:
    """The program for the host that calls functions on an emulated AVR."""
    return (files("tcomp.proof") / "avr_calls.c").read_text(encoding="ascii")


def _codes(table: CorrectionTable) -> dict[str, str | int]:
    """The C type of a code, and the codes that it holds."""
    return {
        "code_type": code_type(table),
        "least_code": table.scale.least_code,
        "largest_code": table.scale.largest_code,
    }


def _corrected(symbol: str, corrections: Iterable[Correction]) -> str:
    branches = [
        _template("branch_word.c" if correction.least == 0 else "branch_signed.c").substitute(
            symbol=symbol, number=number, function=correction.function
        )
        for number, correction in enumerate(corrections)
    ]
    return _template("corrected.c").substitute(branches="".join(branches).rstrip("\n")).rstrip("\n")


def _template(name: str) -> Template:
    return Template((files("tcomp.proof") / name).read_text(encoding="ascii"))
