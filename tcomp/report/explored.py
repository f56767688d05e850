"""What each form of table could do: a row for each design as CSV, the front as text and as a picture."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from tcomp.documents.summary import ExploredDocument, TableInShort
from tcomp.firmware import code_bytes, code_cost
from tcomp.report.layout import Columns, Part
from tcomp.report.pictures import COOLING, CURVE, HEATING, QUIET, write_picture
from tcomp.report.words import number
from tcomp.tables import CorrectionTable, Explored

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MARKS = {
    "steps": ("o", COOLING),
    "even": ("s", CURVE),
    "segments": ("^", HEATING),
    "polynomial": ("D", "black"),
    "chebyshev": ("P", "black"),
    "patches": ("X", CURVE),
}
COLUMNS = (
    "form,interpolation,polynomial_degree,entries,entry_bits,table_bytes,code_bytes_cortex_m0plus,code_bytes_avr,"
    "products,loads,max_error_ppb,rms_error_ppb,bound_ppb,on_front"
)


def explored_csv(explored: Explored) -> str:
    """A row per design, fewest bytes first. Code bytes are typical ones."""
    front = set(explored.front)
    rows = [",".join(_cells(table, table in front)) for table in explored.tables]
    return "\n".join([COLUMNS, *rows]) + "\n"


def _cells(table: CorrectionTable, on_front: bool) -> Iterator[str]:
    cost = code_cost(table)
    yield table.form
    yield table.layout.read_as
    yield "" if table.layout.degree is None else str(table.layout.degree)
    yield from (str(value) for value in (len(table.entries), table.entry_bits, table.bytes))
    yield from (str(value) for value in (cost.flash_bytes, cost.avr_bytes, cost.products, cost.loads))
    yield from (repr(value) for value in (table.max_error_ppb, table.rms_error_ppb))
    yield "" if table.bound_ppb is None else repr(table.bound_ppb)
    yield str(int(on_front))


def explored_document(explored: Explored) -> ExploredDocument:
    """The front, for machines."""
    return ExploredDocument(
        designs=len(explored.tables),
        front=tuple(_in_short(table) for table in explored.front),
        about_ppb=explored.about_ppb,
        smallest_of_each_form=tuple(_in_short(table) for table in explored.smallest_of_each_form),
    )


def _in_short(table: CorrectionTable) -> TableInShort:
    return TableInShort(
        table=table.summary,
        bytes=table.bytes,
        max_error_ppb=table.max_error_ppb,
        code_bytes_cortex_m0plus=code_cost(table).flash_bytes,
    )


def explored_parts(explored: Explored) -> Iterator[Part]:
    """The front, and the smallest table of each form."""
    yield f"{len(explored.tables)} tables designed. Those that no other beats in both bytes and worst error:"
    yield _columns(explored.front)
    yield f"The smallest of each form within {number(explored.about_ppb)} ppb:"
    yield _columns(explored.smallest_of_each_form)
    yield "bytes: of the table's entries; Cortex-M0+ and AVR: what its program takes there, about; products: for one lookup"


def _columns(tables: tuple[CorrectionTable, ...]) -> Columns:
    head = ("bytes", "worst error\n[ppb]", "Cortex-M0+\n[bytes]", "AVR\n[bytes]", "products", "table")
    return Columns(head, tuple(tuple(_shown(table)) for table in tables), words=(5,))


def _shown(table: CorrectionTable) -> Iterator[str]:
    cost = code_cost(table)
    yield from (str(table.bytes), number(table.max_error_ppb), str(cost.flash_bytes), str(cost.avr_bytes))
    yield from (str(cost.products), table.summary)


def write_explored_picture(
    explored: Explored, path: Path, *, chosen: CorrectionTable, curve_u_ppb: float, target: str
) -> Path:
    """Write the picture as SVG or PNG, by the file's name."""
    alt = (
        "Bytes of a table with its program against its worst error, for every form; a line joins those that none beats in "
        "both; the error asked for, the table chosen and the curve's own uncertainty are marked"
    )
    drawn = flash_against_error(explored, chosen, curve_u_ppb, target)
    return write_picture(path, drawn, name="explored", alt=alt, height=4.6)


def flash_front(tables: tuple[CorrectionTable, ...], target: str) -> list[CorrectionTable]:
    """Those that no other beats in bytes, program included, and in worst error; the fewest bytes first."""
    front: list[CorrectionTable] = []
    for table in sorted(tables, key=lambda one: (one.bytes + code_bytes(target, one), one.max_error_ppb)):
        if not front or table.max_error_ppb < front[-1].max_error_ppb:
            front.append(table)
    return front


def flash_against_error(
    explored: Explored, chosen: CorrectionTable, curve_u_ppb: float, target: str
) -> Callable[[Figure], None]:
    """Every design as a mark, those that none beats as a line, and what was asked and chosen."""

    def flash(tables: list[CorrectionTable]) -> list[int]:
        return [table.bytes + code_bytes(target, table) for table in tables]

    def draw(figure: Figure) -> None:
        ax = figure.subplots()
        for form, (mark, colour) in MARKS.items():
            own = [table for table in explored.tables if table.form == form]
            errors_ppb = [table.max_error_ppb for table in own]
            ax.plot(errors_ppb, flash(own), mark, color=colour, markersize=4, label=form)
        front = flash_front(explored.tables, target)
        errors_ppb = [table.max_error_ppb for table in front]
        ax.step(errors_ppb, flash(front), where="pre", color=QUIET, linewidth=1.0, label="beaten by none")
        ax.axvline(explored.about_ppb, color=HEATING, linestyle="--", linewidth=1.0, label="asked")
        ax.axvline(curve_u_ppb, color=QUIET, linestyle=":", linewidth=1.0, label="u of the curve")
        ax.plot(
            [chosen.max_error_ppb], flash([chosen]), "o", color=HEATING, fillstyle="none", markersize=10, label="chosen"
        )
        ax.set_xscale("log")
        ax.set_yscale("log")
        ax.set_xlabel("worst error over every code [ppb]")
        ax.set_ylabel(f"table and program on {target} [bytes]")
        ax.legend()

    return draw
