"""The cheapest table that meets a job, among all forms; and what each form could do, for the eye."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tcomp.errors import TableError
from tcomp.progress import ProgressCallback, no_progress
from tcomp.tables.coded_curve import CodedCurve
from tcomp.tables.design import CodeBytes, Designs, Family
from tcomp.tables.layout import CorrectionTable, Interpolation
from tcomp.tables.layouts import LAYOUTS, Align, every_family

DOUBLINGS = 40
"""From 1 ppt to beyond any crystal."""
NEXT_TIMES = 4
"""A table of more than this many times the flash of the best is not worth naming beside it."""
OCTAVES = 4
"""The front reaches from a 16th of the error asked for to 16 times it."""
LARGEST_SHOWN_BYTES = 4096
"""Nobody weighs a table above this against the others."""


@dataclass(frozen=True)
class TableSpec:
    """What a job asks of its table.

    Parameters
    ----------
    form : str
        Name of a layout; "auto": whichever is cheapest.
    interpolation : {"linear", "nearest", "quadratic"} or None
        None: whichever is cheapest.
    max_error_ppb, max_bytes : float or None, int or None
        At least one of them. [ppb, bytes]
    max_cycles : int or None
        The most that a lookup may take; None: any number.
    code_cycles : callable or None
        What the lookup of a table takes. [cycles]
    """

    form: str
    interpolation: Interpolation | None
    align: Align
    max_error_ppb: float | None
    max_bytes: int | None
    max_cycles: int | None = None
    code_cycles: CodeBytes | None = None

    def is_quick(self, table: CorrectionTable) -> bool:
        """Whether a lookup takes no more cycles than allowed."""
        return self.max_cycles is None or self.code_cycles is None or self.code_cycles(table) <= self.max_cycles

    def families(self, designs: Designs) -> list[Family]:
        """The families that are asked for.

        Raises
        ------
        TableError
            There is no such form, or it has no such interpolation.
        """
        if self.form not in ("auto", *LAYOUTS):
            raise TableError(
                f'there is no table of the form "{self.form}"; expected one of {", ".join(("auto", *LAYOUTS))}'
            )
        found = every_family(designs, self.interpolation, self.align)
        if self.form != "auto":
            found = [family for family in found if family.form == self.form]
        if not found:
            raise TableError(
                f'a table of the form "{self.form}" has no interpolation = "{self.interpolation}"; '
                "leave one of the two out"
            )
        return found


def cheapest_table(curve: CodedCurve, spec: TableSpec, code_bytes: CodeBytes) -> tuple[CorrectionTable, str]:
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
    designs = Designs(curve, enough_ppb=_enough_ppb(curve, spec))
    table, said = _cheapest_of(spec.families(designs), curve, spec, code_bytes)
    if spec.form == "auto":
        return table, said
    return table, said + _freely(replace(spec, form="auto", interpolation=None), designs, table, code_bytes)


def _freely(spec: TableSpec, designs: Designs, table: CorrectionTable, code_bytes: CodeBytes) -> str:
    """What a job that asks for one form gives away; empty: nothing, or its error is what is least."""
    if spec.max_error_ppb is None:
        return ""
    least = table.bytes + code_bytes(table)
    best: CorrectionTable | None = None
    for family in spec.families(designs):
        most = np.inf if spec.max_bytes is None else spec.max_bytes
        found = family.smallest(spec.max_error_ppb, min(most, least - 1 - family.least_code_bytes(code_bytes)))
        if found is not None and spec.is_quick(found) and found.bytes + code_bytes(found) < least:
            best, least = found, found.bytes + code_bytes(found)
    if best is None:
        return ""
    return (
        f'; of all forms (form = "auto") the smallest is {best.summary}, {best.bytes} and about {code_bytes(best)} bytes, '
        f"{designs.curve.weighted_max_error_ppb(best):.3g} ppb"
    )


def _flash_limit(flash_bytes: list[int], *, next_too: bool) -> float:
    """What a family may take to be of interest, from what those before it took, in order. [bytes]"""
    if not flash_bytes:
        return np.inf
    if not next_too:
        return flash_bytes[0]
    return min(NEXT_TIMES * flash_bytes[0], *flash_bytes[1:2], np.inf)


def _cheapest_of(
    families: list[Family], curve: CodedCurve, spec: TableSpec, code_bytes: CodeBytes, *, next_too: bool = True
) -> tuple[CorrectionTable, str]:
    """The cheapest table; ``next_too``: the sentence is to name the next best as well, which takes longer."""
    if spec.max_error_ppb is None:
        assert spec.max_bytes is not None
        within = [family.finest(spec.max_bytes) for family in families]
        fitting = [table for table in within if table is not None and table.bytes <= spec.max_bytes]
        if not fitting:
            raise TableError(f"max_bytes is {spec.max_bytes}; no table of two entries or coefficients fits in it")
        fitting = _quick(fitting, spec)
        fitting.sort(key=lambda table: (curve.weighted_max_error_ppb(table), table.bytes))
        return fitting[0], _sentence(curve, fitting, spec, code_bytes)
    most = np.inf if spec.max_bytes is None else spec.max_bytes
    rivals: list[CorrectionTable] = []
    slow: list[CorrectionTable] = []
    for family in families:
        flash_bytes = sorted(table.bytes + code_bytes(table) for table in rivals)
        limit = _flash_limit(flash_bytes, next_too=next_too)
        table = family.smallest(spec.max_error_ppb, min(most, limit - family.least_code_bytes(code_bytes)))
        if table is not None:
            (rivals if spec.is_quick(table) else slow).append(table)
    if not rivals:
        _quick(slow, spec)
        raise TableError(_unmet(families, spec, curve))
    rivals.sort(key=lambda table: (table.bytes + code_bytes(table), curve.weighted_max_error_ppb(table)))
    return rivals[0], _sentence(curve, rivals, spec, code_bytes)


def _quick(tables: list[CorrectionTable], spec: TableSpec) -> list[CorrectionTable]:
    """Those that are looked up in time.

    Raises
    ------
    TableError
        There are tables, and none of them is.
    """
    found = [table for table in tables if spec.is_quick(table)]
    if tables and not found and spec.code_cycles is not None:
        least = min(map(spec.code_cycles, tables))
        raise TableError(
            f"no table that meets the limits is looked up in max_cycles = {spec.max_cycles}; the quickest takes about "
            f"{least} cycles"
        )
    return found


def default_table(
    curve: CodedCurve, spec: TableSpec, code_bytes: CodeBytes, error_ppb: float, why: str
) -> tuple[CorrectionTable, str]:
    """The table for an error that nobody asked for, and what twice and half of it would cost.

    Parameters
    ----------
    spec : TableSpec
        Form and interpolation; its limits are left out.
    error_ppb : float
        The error to aim at; doubled until a table reaches it. [ppb]
    why : str
        Where it comes from.

    Raises
    ------
    TableError
        The form has no such interpolation, or no table comes near.
    """
    shared = spec.families(Designs(curve)) if np.size(curve.share) == 1 else None

    def cheapest(limit_ppb: float, *, next_too: bool = True) -> tuple[CorrectionTable, str]:
        asked = replace(spec, max_error_ppb=limit_ppb, max_bytes=None)
        families = shared or asked.families(Designs(curve, enough_ppb=limit_ppb))
        return _cheapest_of(families, curve, asked, code_bytes, next_too=next_too)

    def within(limit_ppb: float, *, next_too: bool = True) -> tuple[CorrectionTable, str] | None:
        try:
            return cheapest(limit_ppb, next_too=next_too)
        except TableError:
            return None

    limit_ppb, found = error_ppb, within(error_ppb)
    for _ in range(DOUBLINGS):
        if found is not None:
            break
        limit_ppb, why = 2 * limit_ppb, "the least that can be reached"
        found = within(limit_ppb)
    if found is None:
        # The form itself is at fault: say so.
        return cheapest(limit_ppb)
    table, reason = found
    said = f"{reason}; neither max_error_ppb nor max_bytes is given, so {limit_ppb:.2g} ppb is taken, {why}"
    for factor, much in ((0.5, "half"), (2.0, "twice")):
        other = within(factor * limit_ppb, next_too=False)
        if other is not None:
            said += f"; {much} the error would take {_more_words(other[0], table, code_bytes)}"
    return table, said


def _more_words(other: CorrectionTable, table: CorrectionTable, code_bytes: CodeBytes) -> str:
    """By how much the flash of one table, its program included, differs from that of another."""
    bytes_more = other.bytes + code_bytes(other) - table.bytes - code_bytes(table)
    if not bytes_more:
        return "as many bytes"
    unit = "byte" if abs(bytes_more) == 1 else "bytes"
    return f"{abs(bytes_more)} {unit} {'more' if bytes_more > 0 else 'less'}"


def _enough_ppb(curve: CodedCurve, spec: TableSpec) -> float:
    """Where the squares count by share, an error as large as the one asked for is good enough."""
    if np.size(curve.share) == 1 or spec.max_error_ppb is None:
        return 0.0
    return spec.max_error_ppb


def _sentence(curve: CodedCurve, rivals: list[CorrectionTable], spec: TableSpec, code_bytes: CodeBytes) -> str:
    best = rivals[0]
    aim = (
        f"is the least error in {spec.max_bytes} bytes"
        if spec.max_error_ppb is None
        else f"takes the least flash for {spec.max_error_ppb:g} ppb"
    )
    said = (
        f"{best.summary}: {aim}, {best.bytes} bytes of table and about {code_bytes(best)} of code, "
        f"{curve.weighted_max_error_ppb(best):.3g} ppb"
    )
    others = [table for table in rivals if (table.form, table.entry_bits) != (best.form, best.entry_bits)]
    if not others:
        return said
    next_best = others[0]
    return (
        f"{said}; next comes {next_best.summary}, {next_best.bytes} and about {code_bytes(next_best)} bytes, "
        f"{curve.weighted_max_error_ppb(next_best):.3g} ppb"
    )


def _unmet(families: list[Family], spec: TableSpec, curve: CodedCurve) -> str:
    """Say what could be reached."""
    asked_ppb = spec.max_error_ppb
    assert asked_ppb is not None
    if spec.max_bytes is not None:
        within = [family.finest(spec.max_bytes) for family in families]
        fitting = [table for table in within if table is not None and table.bytes <= spec.max_bytes]
        needed = [table for table in (family.smallest(asked_ppb) for family in families) if table is not None]
        if not fitting:
            return f"max_bytes is {spec.max_bytes}; no table of two entries or coefficients fits in it"
        best = min(fitting, key=curve.weighted_max_error_ppb)
        reached = f"{best.bytes} bytes reach {curve.weighted_max_error_ppb(best):.4g} ppb"
        if needed:
            return (
                f"no table of at most {spec.max_bytes} bytes meets max_error_ppb {asked_ppb:g}: {reached}; "
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


def explored(curve: CodedCurve, align: Align, about_ppb: float, progress: ProgressCallback = no_progress) -> Explored:
    """Design tables of every form for errors from a 16th of one to 16 times it."""
    designs = Designs(curve)
    found: dict[CorrectionTable, None] = {}
    families = [family for family in every_family(designs, None, align) if family.is_shown]
    for done, family in enumerate(families):
        progress("designing tables of every form", done, len(families))
        for error_ppb in about_ppb * 2.0 ** np.arange(OCTAVES, -OCTAVES - 1, -1):
            table = family.smallest(error_ppb, LARGEST_SHOWN_BYTES)
            if table is None:
                break
            found[table] = None
    progress("designing tables of every form", 1, 1)
    errors_ppb = {table: curve.weighted_max_error_ppb(table) for table in found}
    tables = sorted(found, key=lambda table: (table.bytes, errors_ppb[table]))
    front: list[CorrectionTable] = []
    for table in tables:
        if not front or errors_ppb[table] < errors_ppb[front[-1]]:
            front.append(table)
    return Explored(tuple(tables), tuple(front), about_ppb)
