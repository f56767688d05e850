"""The style of pictures that are files of their own, as SVG that follows a page's light and dark.

Ink is drawn in a colour that is then replaced by the page's own; the series' colours are readable
on both (Okabe and Ito's palette for colour-blind readers, 2008; from memory).
"""

from __future__ import annotations

import io
import logging
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tcomp.errors import TcompError
from tcomp.files import write_bytes

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK = "#123457"
HEATING, COOLING, CURVE, DROPPED, QUIET = "#d55e00", "#2a8fd0", "#009e73", "#cc4c8f", "#8a8f98"
STYLE: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 10,
    "text.color": INK,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": QUIET,
    "grid.alpha": 0.25,
    "legend.frameon": False,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
}


def svg(draw: Callable[[Figure], None], *, name: str, alt: str, height: float = 3.4) -> str:
    """Draw a figure and return it as an SVG element with a text alternative.

    ``name`` is what the identifiers inside it are made of: the same for the same picture.
    """
    # Where no home can be written it would say at length that it keeps its fonts elsewhere.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with mpl.rc_context({**STYLE, "svg.hashsalt": name}):
        figure = Figure(figsize=(8.2, height), layout="constrained")
        FigureCanvasSVG(figure)
        draw(figure)
        buffer = io.StringIO()
        figure.savefig(buffer, format="svg", dpi=180, metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :].replace(INK, "currentColor")
    return text.replace("<svg ", f'<svg role="img" aria-label="{alt}" ', 1)


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
