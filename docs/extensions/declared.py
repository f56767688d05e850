"""Two directives that write out what is declared in the program, so that a page cannot fall behind it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields

import click
from docutils import nodes
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective

from tcomp.cli import main
from tcomp.job import SECTIONS, default_text, header, section_summary
from tcomp.lot.lot_file import LOT_SECTIONS

ALL_SECTIONS = SECTIONS | LOT_SECTIONS


class JobKeys(SphinxDirective):
    """``{job-keys} fit``: the section of the job file, and of each key the default and the meaning."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """The section as nodes, with an anchor ``fit-range-c`` at each key."""
        name = self.arguments[0]
        if name not in ALL_SECTIONS:
            raise self.error(f"there is no section {name} in a job file; expected one of {', '.join(ALL_SECTIONS)}")
        kind = ALL_SECTIONS[name]
        keys = [
            (f"{name}-{item.name}", (item.name, f" = {default_text(item.default)}"), item.metadata["doc"])
            for item in fields(kind)
            if "doc" in item.metadata
        ]
        return [nodes.literal_block(text=header(name)), nodes.paragraph(text=section_summary(kind)), _defined(keys)]


class CommandOptions(SphinxDirective):
    """``{command-options} fit``: usage and options of the command, in the words of its ``--help``."""

    required_arguments = 1

    def run(self) -> list[nodes.Node]:
        """Usage and options as nodes, with an anchor ``fit-into`` at each option."""
        name = self.arguments[0]
        if name not in main.commands:
            raise self.error(f"there is no command {name}; expected one of {', '.join(main.commands)}")
        command = main.commands[name]
        context = click.Context(command, info_name=f"tcomp {name}", **main.context_settings)
        usage = f"{context.command_path} {' '.join(command.collect_usage_pieces(context))}"
        options = []
        for option in command.get_params(context):
            record = option.get_help_record(context)
            if record is not None and isinstance(option, click.Option):
                names = ", ".join(sorted([*option.opts, *option.secondary_opts], key=len))
                options.append((f"{name}-{option.name}", (names, record[0].removeprefix(names)), record[1]))
        return [nodes.literal_block(text=usage, language="text"), _defined(options)]


def _defined(entries: Iterable[tuple[str, tuple[str, str], str]]) -> nodes.definition_list:
    """A list of anchor, term (its name in bold and what follows) and meaning."""
    found = nodes.definition_list()
    for anchor, (name, more), meaning in entries:
        term = nodes.term("", "", nodes.literal("", "", nodes.strong(text=name), nodes.Text(more)))
        term["ids"].append(nodes.make_id(anchor))
        # Words between backticks are to be typed as they stand.
        parts = [
            nodes.literal(text=part) if place % 2 else nodes.Text(part) for place, part in enumerate(meaning.split("`"))
        ]
        found += nodes.definition_list_item("", term, nodes.definition("", nodes.paragraph("", "", *parts)))
    return found


def setup(app: Sphinx) -> dict[str, bool]:
    """Make the directives known."""
    app.add_directive("job-keys", JobKeys)
    app.add_directive("command-options", CommandOptions)
    return {"parallel_read_safe": True}
