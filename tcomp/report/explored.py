"""What each form of table could do: a row for each design as CSV, the front as text and as a picture."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tcomp.firmware import code_cost
from tcomp.report.layout import Columns, Part
from tcomp.report.numbers import number
from tcomp.report.picture_file import write_picture
from tcomp.report.pictures import COOLING, CURVE, HEATING, INK, QUIET
from tcomp.table import CorrectionTable, Explored
from tcomp.table.choice import words_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MARKS = {
    "steps": ("o", COOLING),
    "even": ("s", CURVE),
    "segments": ("^", HEATING),
    "breakpoints": ("v", INK),
    "polynomial": ("D", "black"),
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
    polynomial = getattr(table, "polynomial", None)
    yield table.form
    yield getattr(table, "interpolation", "" if table.form == "polynomial" else "linear")
    yield "" if polynomial is None else str(polynomial.degree)
    yield from (str(value) for value in (len(table.entries), table.entry_bits, table.bytes))
    yield from (str(value) for value in (cost.flash_bytes, cost.avr_bytes, cost.products, cost.loads))
    yield from (repr(value) for value in (table.max_error_ppb, table.rms_error_ppb))
    yield "" if table.bound_ppb is None else repr(table.bound_ppb)
    yield str(int(on_front))


def explored_figures(explored: Explored) -> dict[str, Any]:
    """The front, for machines."""
    return {
        "schema": 1,
        "designs": len(explored.tables),
        "front": [_figures(table) for table in explored.front],
        "about_ppb": explored.about_ppb,
        "smallest_of_each_form": [_figures(table) for table in explored.smallest_of_each_form],
    }


def _figures(table: CorrectionTable) -> dict[str, Any]:
    return {
        "table": words_of(table),
        "bytes": table.bytes,
        "max_error_ppb": table.max_error_ppb,
        "code_bytes_cortex_m0plus": code_cost(table).flash_bytes,
    }


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
    yield from (str(cost.products), words_of(table))


def write_explored_picture(explored: Explored, path: Path) -> Path:
    """Write the picture as SVG or PNG, by the file's name."""
    alt = "Bytes of a table against its worst error, for every form; a line joins those that none beats in both"
    return write_picture(path, bytes_against_error(explored), name="explored", alt=alt, height=4.6)


def bytes_against_error(explored: Explored) -> Callable[[Figure], None]:
    """Every design as a mark, the front as a line."""

    def draw(figure: Figure) -> None:
        ax = figure.subplots()
        for form, (mark, colour) in MARKS.items():
            own = [table for table in explored.tables if table.form == form]
            ax.plot(
                [table.max_error_ppb for table in own],
                [table.bytes for table in own],
                mark,
                color=colour,
                markersize=4,
                label=form,
            )
        ax.step(
            [table.max_error_ppb for table in explored.front],
            [table.bytes for table in explored.front],
            where="pre",
            color=QUIET,
            linewidth=1.0,
            label="beaten by none",
        )
        ax.set_xscale("log")
        ax.set_yscale("log")
        ax.set_xlabel("worst error over every code [ppb]")
        ax.set_ylabel("table, without its program [bytes]")
        ax.legend()

    return draw
