"""What every program is asked and must answer, the programs themselves, and each difference in words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from importlib.resources import files
from itertools import accumulate, product
from random import Random
from string import Template

import numpy as np
from numpy.typing import ArrayLike

from tcomp.documents.proof import CountRange, LookupCost
from tcomp.firmware.corrections import CORRECTIONS, INT32_MAX, INT32_MIN, PPT, Correction, Vector, ties
from tcomp.firmware.exporters.c99 import code_type
from tcomp.tables.layout import CorrectionTable

CODES = 65_536
"""What a code's type holds, signed or not."""
PER_CODE = np.dtype([("lookup", "<i4"), ("offset_ppt", "<i4"), ("in_range", "<i4")])
PER_CASE = np.dtype([("which", "u1"), ("given", "<u8"), ("offset_ppt", "<i4")])

Cases = dict[Correction, tuple[Vector, ...]]
"""Arguments of each correction: what was shown or wanted, and the offset. [ppt]"""
AVR_HEADER = "avr/pgmspace.h"
SAMPLES = 1500
SEED = 1139
NEAR = (-1, 0, 1)


@dataclass(frozen=True)
class TargetRun:
    """Answers of a run (none if it stopped early: then why), and the cost of a lookup."""

    flags: str
    results: bytes
    stopped: str | None
    cost: LookupCost | None


def count_range(counts: ArrayLike) -> CountRange:
    """Least, mean and largest of these counts.

    Examples
    --------
    >>> count_range([20, 21, 22, 22])
    CountRange(least=20, mean=21.25, largest=22)
    """
    given = np.asarray(counts)
    return CountRange(least=int(given.min()), mean=round(float(given.mean()), 2), largest=int(given.max()))


@dataclass(frozen=True)
class Expected:
    """The specification's answers: per code from the least on, then per case, then the self-test's 0."""

    table: CorrectionTable
    cases: Cases
    symbol: str = "t"

    @property
    def answer_bytes(self) -> int:
        """Length of what a program writes of this table."""
        return CODES * PER_CODE.itemsize + 8 * self.corrections + 4

    @property
    def corrections(self) -> int:
        """Number of cases of all corrections."""
        return sum(map(len, self.cases.values()))

    def case_rows(self) -> np.ndarray:
        """The cases as the programs take them."""
        rows = [
            (number, given % 2**64, offset_ppt)
            for number, pairs in enumerate(self.cases.values())
            for given, offset_ppt in pairs
        ]
        return np.array(rows, dtype=PER_CASE)

    def selftest(self, results: bytes) -> int:
        """What the self-test returned."""
        return int.from_bytes(results[-4:], "little", signed=True)

    def compared(self, results: bytes, stopped: str | None) -> list[str]:
        """Say each difference between what a program wrote and the specification.

        Parameters
        ----------
        results : bytes
            ``PER_CODE`` for each code, 8 bytes for each case, 4 for the self-test; little-endian.
        stopped : str or None
            Why the program ended early, if it did.
        """
        if stopped is not None:
            return [stopped]
        if len(results) != self.answer_bytes:
            return [f"the program wrote {len(results)} bytes where {self.answer_bytes} were expected"]
        found = self._codes_compared(results) + self._corrections_compared(results)
        if self.selftest(results) != 0:
            found.append(f"the self-test failed at vector {self.selftest(results)}")
        return found

    def _codes_compared(self, results: bytes) -> list[str]:
        got = np.frombuffer(results, PER_CODE, CODES)
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
        place, found = CODES * PER_CODE.itemsize, []
        for correction, pairs in self.cases.items():
            for given, offset_ppt in pairs:
                got = int.from_bytes(results[place : place + 8], "little", signed=True)
                expected = correction.specification(given, offset_ppt)
                if got != expected:
                    found.append(f"{correction.function}({given}, {offset_ppt}) is {got}; expected {expected}")
                place += 8
        return found


def all_cases(table: CorrectionTable, corrections: tuple[str, ...]) -> dict[Correction, tuple[Vector, ...]]:
    """Return the arguments for the corrections of these names, in the order in which the C has them."""
    return {
        correction: proof_cases(table, correction) for name, correction in CORRECTIONS.items() if name in corrections
    }


def proof_cases(table: CorrectionTable, correction: Correction) -> tuple[Vector, ...]:
    """Return the arguments for one correction, the same ones each time.

    Edges: the ends of the types, powers of two and ten, a whole of 10**12 and half of one, and the
    values beside each; crossed with the ends of the offset, the table's own least and largest, and 0.
    """
    bits = range(0, 63, 7)
    values = {0, PPT // 2, correction.least, correction.largest}
    values |= {2**bit for bit in bits} | {10**digits for digits in range(1, 19, 2)}
    values = {sign * value + shift for value in values for shift in NEAR for sign in (1, -1)}
    own = table.offset_ppt(table.codes)
    offsets = {0, 1, -1, 10**6, -(10**6), INT32_MIN, INT32_MAX, int(own.min()), int(own.max())}
    pairs = [*product(sorted(values), sorted(offsets)), *ties(), *_sample()]
    return tuple(pair for pair in dict.fromkeys(pairs) if correction.least <= pair[0] <= correction.largest)


def _sample() -> list[Vector]:
    """Magnitudes of every length alike, so that short numbers are tried as often as long ones."""
    random = Random(SEED)
    return [
        (
            random.getrandbits(random.randint(1, 63)) * random.choice((1, -1)),
            random.getrandbits(random.randint(1, 31)) * random.choice((1, -1)),
        )
        for _ in range(SAMPLES)
    ]


def harness(tables: tuple[Expected, ...]) -> str:
    """The program for a machine with files: cases in, results out, table by table."""
    return _program(
        "harness",
        tables,
        [f"    {one.symbol}_proof(cases, results);" for one in tables],
        [one.corrections for one in tables],
    )


def bare_program(tables: tuple[Expected, ...]) -> str:
    """The program for a bare processor: cases and results of one table after the other lie in its memory."""
    calls = [f"    case {number}u:\n        return {one.symbol}_proof();" for number, one in enumerate(tables)]
    # C has no arrays without elements.
    return _program(
        "bare", tables, calls, [one.corrections for one in tables], max(1, *(one.corrections for one in tables))
    )


def _program(name: str, tables: tuple[Expected, ...], calls: list[str], cases: list[int], most_cases: int = 0) -> str:
    texts = [
        _template(f"{name}_table.c").substitute(
            symbol=one.symbol, cases=count, corrected=_corrected(one.symbol, one.cases), **_codes(one.table)
        )
        for one, count in zip(tables, cases, strict=True)
    ]
    return _template(f"{name}.c").substitute(
        includes="\n".join(f'#include "{one.symbol}.h"' for one in tables),
        signed_of=_template("signed_of.c").template.rstrip("\n"),
        tables="\n".join(texts).rstrip("\n"),
        calls="\n".join(calls),
        cases=most_cases,
    )


def answers_of(tables: tuple[Expected, ...], results: bytes) -> list[bytes]:
    """What a program wrote of each table; all of it where it is not as long as all of them."""
    ends = list(accumulate(one.answer_bytes for one in tables))
    if len(results) != ends[-1]:
        return [results] * len(tables)
    return [results[end - one.answer_bytes : end] for one, end in zip(tables, ends, strict=True)]


def avr_stub() -> str:
    """What stands in for <avr/pgmspace.h> where the lines for AVR are built for another machine."""
    return (files("tcomp.proof") / "pgmspace.h").read_text(encoding="ascii")


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
        _template("branch_word.c" if correction.is_word else "branch_signed.c").substitute(
            symbol=symbol, number=number, function=correction.function
        )
        for number, correction in enumerate(corrections)
    ]
    return _template("corrected.c").substitute(symbol=symbol, branches="".join(branches).rstrip("\n")).rstrip("\n")


def _template(name: str) -> Template:
    return Template((files("tcomp.proof") / name).read_text(encoding="ascii"))
