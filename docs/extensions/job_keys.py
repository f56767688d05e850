"""A directive that writes out the keys of a section of the job file, from the declarations in `tcomp.job`."""

from __future__ import annotations

from dataclasses import fields

from docutils import nodes
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective

from tcomp.job import SECTIONS, default_text, header, section_words
from tcomp.lot.lot_file import LOT_SECTIONS

ALL_SECTIONS = SECTIONS | LOT_SECTIONS


class JobKeys(SphinxDirective):
    """``{job-keys} fit``: what the section is about; then of each key the default and the meaning, with an anchor."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """The section as nodes."""
        name = self.arguments[0]
        if name not in ALL_SECTIONS:
            raise self.error(f"there is no section {name} in a job file; expected one of {', '.join(ALL_SECTIONS)}")
        kind = ALL_SECTIONS[name]
        words = nodes.paragraph(text=f"{section_words(kind)} ({header(name)})")
        keys = nodes.definition_list()
        for item in fields(kind):
            term = nodes.term("", "", nodes.literal(text=item.name), nodes.Text(" = "))
            term += nodes.literal(text=default_text(item.default))
            term["ids"].append(f"{name}-{item.name}".replace("_", "-"))
            meaning = nodes.paragraph(text=item.metadata["doc"])
            keys += nodes.definition_list_item("", term, nodes.definition("", meaning))
        return [words, keys]


def setup(app: Sphinx) -> dict[str, bool]:
    """Make the directive known."""
    app.add_directive("job-keys", JobKeys)
    return {"parallel_read_safe": True}
