"""What every program must answer, and each difference from it in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tcomp.firmware.corrections import Correction
from tcomp.table.lookup import CorrectionTable

CODES = 65_536
"""What a code's type holds, signed or not."""
PER_CODE = np.dtype([("lookup", "<i4"), ("offset_ppt", "<i4"), ("in_range", "i1")])
PER_CASE = np.dtype([("which", "u1"), ("given", "<u8"), ("offset_ppt", "<i4")])

Cases = dict[Correction, tuple[tuple[int, int], ...]]
"""Arguments of each correction: what was shown or wanted, and the offset. [ppt]"""


@dataclass(frozen=True)
class Expected:
    """The specification's answers: per code from the least on, then per case, then the self-test's 0."""

    table: CorrectionTable
    cases: Cases

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
        length = CODES * PER_CODE.itemsize + 8 * self.corrections + 4
        if len(results) != length:
            return [f"the program wrote {len(results)} bytes where {length} were expected"]
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
