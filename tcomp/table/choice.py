"""The cheapest table that meets a job, among all forms; and what each form could do, for the eye."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tcomp.errors import TableError
from tcomp.progress import Told, untold
from tcomp.table.coded_curve import CodedCurve
from tcomp.table.design import Designs
from tcomp.table.families import Even, Family, Polynomials, Residuals, every_family
from tcomp.table.lookup import CorrectionTable, Interpolation
from tcomp.table.shape import Align

Form = Literal["auto", "steps", "even", "segments", "breakpoints", "polynomial"]
CodeBytes = Callable[[CorrectionTable], int]
"""What the program of a table takes. [bytes]"""
INTERPOLATIONS: tuple[Interpolation, ...] = ("linear", "nearest", "quadratic")
OCTAVES = 4
"""The front reaches from a 16th of the error asked for to 16 times it."""
LARGEST_SHOWN_BYTES = 4096
"""Nobody weighs a table above this against the others."""


@dataclass(frozen=True)
class Wanted:
    """What a job asks of its table.

    Parameters
    ----------
    form : {"auto", "steps", "even", "segments", "breakpoints", "polynomial"}
        "auto": whichever is cheapest.
    interpolation : {"linear", "nearest", "quadratic"} or None
        None: whichever is cheapest.
    max_error_ppb, max_bytes : float or None, int or None
        At least one of them. [ppb, bytes]
    """

    form: Form
    interpolation: Interpolation | None
    align: Align
    max_error_ppb: float | None
    max_bytes: int | None

    def families(self, designs: Designs) -> list[Family]:
        """The forms that are asked for.

        Raises
        ------
        TableError
            The form has no such interpolation.
        """
        asked = INTERPOLATIONS if self.interpolation is None else (self.interpolation,)
        found = every_family(designs, asked, self.align)
        if self.interpolation is None:
            found = [*(Polynomials(designs, bits) for bits in (16, 32)), *found]
        if self.form != "auto":
            found = [family for family in found if family.form == self.form]
        if not found:
            raise TableError(
                f'a table of the form "{self.form}" has no interpolation = "{self.interpolation}"; '
                "leave one of the two out"
            )
        return found


def cheapest_table(curve: CodedCurve, wanted: Wanted, code_bytes: CodeBytes) -> tuple[CorrectionTable, str]:
    """Find the table that takes the least flash, its program included, and say in a sentence why.

    Parameters
    ----------
    code_bytes : callable
        What the program of a table takes. [bytes]

    Returns
    -------
    CorrectionTable, str

    Raises
    ------
    TableError
        The limits cannot be met; the message says what could be.
    """
    designs = Designs(curve, enough_ppb=_enough_ppb(curve, wanted))
    families = wanted.families(designs)
    if wanted.max_error_ppb is None:
        assert wanted.max_bytes is not None
        within = [family.finest(wanted.max_bytes) for family in families]
        fitting = [table for table in within if table is not None and table.bytes <= wanted.max_bytes]
        if not fitting:
            raise TableError(f"max_bytes is {wanted.max_bytes}; no table of two entries or coefficients fits in it")
        fitting.sort(key=lambda table: (curve.judged_ppb(table), table.bytes))
        return fitting[0], _sentence(curve, fitting, wanted, code_bytes)
    most = np.inf if wanted.max_bytes is None else wanted.max_bytes
    rivals: list[CorrectionTable] = []
    for family in families:
        least = min((table.bytes + code_bytes(table) for table in rivals), default=np.inf)
        table = family.smallest(wanted.max_error_ppb, min(most, least))
        if table is not None:
            rivals.append(table)
    if not rivals:
        raise TableError(_unmet(families, wanted, curve))
    rivals.sort(key=lambda table: (table.bytes + code_bytes(table), curve.judged_ppb(table)))
    return rivals[0], _sentence(curve, rivals, wanted, code_bytes)


def _enough_ppb(curve: CodedCurve, wanted: Wanted) -> float:
    """Where the squares count by share, an error as large as the one asked for is good enough."""
    if np.size(curve.share) == 1 or wanted.max_error_ppb is None:
        return 0.0
    return wanted.max_error_ppb


def words_of(table: CorrectionTable) -> str:
    """A table in a few words.

    Examples
    --------
    "even, 34 entries of 16 bits, linear", or "polynomial, 5 entries of 16 bits".
    """
    read = f", {table.interpolation}" if hasattr(table, "interpolation") else ""
    on = " on a polynomial" if getattr(table, "polynomial", None) is not None and table.form == "even" else ""
    return f"{table.form}{on}, {len(table.entries)} entries of {table.entry_bits} bits{read}"


def _sentence(curve: CodedCurve, rivals: list[CorrectionTable], wanted: Wanted, code_bytes: CodeBytes) -> str:
    best = rivals[0]
    aim = (
        f"is the least error in {wanted.max_bytes} bytes"
        if wanted.max_error_ppb is None
        else f"takes the least flash for {wanted.max_error_ppb:g} ppb"
    )
    said = (
        f"{words_of(best)}: {aim}, {best.bytes} bytes of table and about {code_bytes(best)} of code, "
        f"{curve.judged_ppb(best):.3g} ppb"
    )
    others = [table for table in rivals if (table.form, table.entry_bits) != (best.form, best.entry_bits)]
    if not others:
        return said
    next_best = others[0]
    return (
        f"{said}; next comes {words_of(next_best)}, {next_best.bytes} and about {code_bytes(next_best)} bytes, "
        f"{curve.judged_ppb(next_best):.3g} ppb"
    )


def _unmet(families: list[Family], wanted: Wanted, curve: CodedCurve) -> str:
    """Say what could be reached."""
    asked_ppb = wanted.max_error_ppb
    assert asked_ppb is not None
    if wanted.max_bytes is not None:
        within = [family.finest(wanted.max_bytes) for family in families]
        fitting = [table for table in within if table is not None and table.bytes <= wanted.max_bytes]
        needed = [table for table in (family.smallest(asked_ppb) for family in families) if table is not None]
        if not fitting:
            return f"max_bytes is {wanted.max_bytes}; no table of two entries or coefficients fits in it"
        best = min(fitting, key=curve.judged_ppb)
        reached = f"{best.bytes} bytes reach {curve.judged_ppb(best):.4g} ppb"
        if needed:
            return (
                f"no table of at most {wanted.max_bytes} bytes meets max_error_ppb {asked_ppb:g}: {reached}; "
                f"{asked_ppb:g} ppb needs {min(table.bytes for table in needed)} bytes"
            )
        return f"no table meets max_error_ppb {asked_ppb:g}: {reached}; expected a larger one"
    return f"no table of the form asked for meets max_error_ppb {asked_ppb:g}; expected a larger one"


@dataclass(frozen=True)
class Explored:
    """Tables of every form, fewest bytes first, and those that no other beats in bytes and in worst error (Pareto).

    ``about_ppb`` is the error that is asked for.
    """

    tables: tuple[CorrectionTable, ...]
    front: tuple[CorrectionTable, ...]
    about_ppb: float

    @property
    def smallest_of_each_form(self) -> tuple[CorrectionTable, ...]:
        """The table of each form with the fewest bytes within the error asked for, the fewest first."""
        forms: dict[str, CorrectionTable] = {}
        for table in self.tables:
            if table.max_error_ppb <= self.about_ppb:
                forms.setdefault(table.form, table)
        return tuple(forms.values())


def explored(curve: CodedCurve, align: Align, about_ppb: float, told: Told = untold) -> Explored:
    """Design tables of every form for errors from a 16th of one to 16 times it."""
    designs = Designs(curve)
    found: dict[CorrectionTable, None] = {}
    families = _shown(designs, align)
    for done, family in enumerate(families):
        told("designing tables of every form", done, len(families))
        for error_ppb in about_ppb * 2.0 ** np.arange(OCTAVES, -OCTAVES - 1, -1):
            table = family.smallest(error_ppb, LARGEST_SHOWN_BYTES)
            if table is None:
                break
            found[table] = None
    told("designing tables of every form", 1, 1)
    judged = {table: curve.judged_ppb(table) for table in found}
    tables = sorted(found, key=lambda table: (table.bytes, judged[table]))
    front: list[CorrectionTable] = []
    for table in tables:
        if not front or judged[table] < judged[front[-1]]:
            front.append(table)
    return Explored(tuple(tables), tuple(front), about_ppb)


def _shown(designs: Designs, align: Align) -> list[Family]:
    """The forms worth a look: what 32 bits and a polynomial of low degree add shows in some of them."""
    families = [f for f in every_family(designs, INTERPOLATIONS, align) if f.entry_bits == 16]
    return [
        *(Polynomials(designs, bits) for bits in (16, 32)),
        *(Residuals(designs, 8, read, degree) for read in INTERPOLATIONS[::2] for degree in (2, 3)),
        *(family for family in families if not isinstance(family, Residuals)),
        Even(designs, 32, "linear"),
    ]
