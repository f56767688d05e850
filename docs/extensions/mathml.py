"""Formulas as MathML, which browsers draw by themselves: the pages load nothing from a network."""

from __future__ import annotations

from docutils import nodes
from docutils.utils.math import MathError
from docutils.utils.math.latex2mathml import tex2mathml
from sphinx.application import Sphinx
from sphinx.util import logging
from sphinx.writers.html5 import HTML5Translator

LOGGER = logging.getLogger(__name__)


def _element(node: nodes.Node, *, as_block: bool) -> str:
    try:
        return tex2mathml(node.astext(), as_block=as_block)
    except MathError as error:
        LOGGER.warning("a formula cannot be written as MathML: %s", error, location=node)
        return f"<code>{nodes.unescape(node.astext())}</code>"


def _within_text(translator: HTML5Translator, node: nodes.math) -> None:
    translator.body.append(_element(node, as_block=False))
    raise nodes.SkipNode


def _on_its_own(translator: HTML5Translator, node: nodes.math_block) -> None:
    translator.body.append(translator.starttag(node, "div", CLASS="math"))
    translator.body.append(f"{_element(node, as_block=True)}</div>\n")
    raise nodes.SkipNode


def setup(app: Sphinx) -> dict[str, bool]:
    """Register the renderer; ``html_math_renderer`` chooses it."""
    app.add_html_math_renderer("mathml", (_within_text, None), (_on_its_own, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}
