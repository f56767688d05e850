"""A picture as a file of its own."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from tcomp.errors import TcompError
from tcomp.files import write_bytes
from tcomp.report.pictures import STYLE, svg

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def write_picture(path: Path, draw: Callable[[Figure], None], *, name: str, alt: str, height: float) -> Path:
    """Draw a figure and write it as SVG or PNG, by the file's name; the same bytes for the same figure.

    Raises
    ------
    TcompError
        The name ends in neither, or the file cannot be written.
    """
    kind = path.suffix.lower()
    if kind == ".svg":
        return write_bytes(path, svg(draw, name=name, alt=alt, height=height).encode("utf-8"))
    if kind == ".png":
        return write_bytes(path, _png(draw, height))
    raise TcompError(f"{path}: a picture cannot be written as '{kind}'; expected a name that ends in .svg or .png")


def _png(draw: Callable[[Figure], None], height: float) -> bytes:
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context({**STYLE, "savefig.facecolor": "white"}):
        figure = Figure(figsize=(8.2, height), layout="constrained")
        FigureCanvasAgg(figure)
        draw(figure)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=150, metadata={"Software": None})
    return buffer.getvalue()
