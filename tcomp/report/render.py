"""Pages: self-contained, they load nothing, and run no script but the two that came with the program."""

from __future__ import annotations

import base64
import hashlib
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from tcomp.report.chart_data import chart_text
from tcomp.report.drawing import drawn
from tcomp.report.section import Section
from tcomp.report.terms import linked_terms, linker

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup


def rendered(*, sections: tuple[Section, ...], glossary: bool = False, **parts: Any) -> str:
    """A page of its name, subject, answer, warnings, cards and sections; with explanations of its terms, if asked."""
    explored = [chart for section in sections for chart in section.charts if chart.explored]
    scripts = ("uPlot.iife.min.js", "explore.js") if explored else ()
    styles = ("uPlot.min.css", "page.css") if explored else ("page.css",)
    return environment().get_template("page.html").render(
        sections=[section.with_charts(drawn) for section in sections],
        terms=linker() if glossary else lambda text: [(text, "")],
        glossary=linked_terms() if glossary else (),
        **enclosed(styles, scripts, chart_text(explored) if explored else ""),
        **parts,
    )  # fmt: skip


@cache
def environment() -> Environment:
    """Of the templates; all that they are handed is escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("tcomp.report", "pages"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )


def enclosed(styles: tuple[str, ...], scripts: tuple[str, ...], data: str = "") -> dict[str, Markup]:
    """Style sheet, scripts and data as elements of a page, and the policy that allows these and nothing else.

    Content Security Policy Level 3 (W3C): what no directive allows, ``default-src 'none'`` forbids; a hash allows one text.
    """
    from markupsafe import Markup

    style, programs = "".join(map(_text, styles)), [_text(name) for name in scripts]
    allowed = " ".join(map(_digest, programs)) or "'none'"
    elements = [f"<script>{text}</script>" for text in programs]
    if data:
        elements.insert(0, f'<script type="application/json" id="charts">{data}</script>')
    policy = (
        f"default-src 'none'; script-src {allowed}; style-src {_digest(style)}; base-uri 'none'; form-action 'none'"
    )
    return {
        # Files of the program and numbers: there is nothing of a user's in them but chart_text's JSON, which is escaped.
        "policy": Markup(policy),
        "style": Markup(f"<style>{style}</style>"),
        "scripts": Markup("\n".join(elements)),
    }


@cache
def _text(name: str) -> str:
    return resources.files("tcomp.report").joinpath("pages", name).read_text(encoding="utf-8")


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}'"
