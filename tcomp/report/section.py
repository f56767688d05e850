"""What a page is made of: sections with texts, pictures and grids."""

from __future__ import annotations

import html
from dataclasses import dataclass, field
from typing import Any

from tcomp.report import pictures


@dataclass(frozen=True)
class Picture:
    """A picture with what it shows."""

    svg: Any
    caption: str


@dataclass(frozen=True)
class Row:
    """A row of a grid; ``link`` is a page that its first cell leads to."""

    cells: tuple[str, ...]
    chosen: bool = False
    link: str = ""


@dataclass(frozen=True)
class Grid:
    """A table of the page; ``numbers`` are the columns set to the right."""

    head: tuple[str, ...]
    rows: tuple[Row, ...]
    numbers: tuple[int, ...] = ()
    caption: str = ""


@dataclass(frozen=True)
class Section:
    """A section of the page."""

    title: str
    texts: tuple[str, ...] = ()
    pictures: tuple[Picture, ...] = ()
    grids: tuple[Grid, ...] = ()
    points: tuple[str, ...] = field(default=())


def drawn(name: str, draw: Any, alt: str, height: float = 3.4) -> Any:
    """A picture as markup that the page takes as it is."""
    from markupsafe import Markup

    # The picture is markup of our own; the words in it come from the job and are escaped here and by the drawing library.
    return Markup(pictures.svg(draw, name=name, alt=html.escape(alt, quote=True), height=height))
