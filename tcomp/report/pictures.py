"""The style of pictures that are files of their own, as SVG that follows a page's light and dark.

Ink is drawn in a colour that is then replaced by the page's own; the series' colours are readable
on both (Okabe and Ito's palette for colour-blind readers, 2008; from memory).
"""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

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
